"""Intervals for a share counted as ``successes`` out of ``trials``.

Wilson or Jeffreys are the ones to report for the few dozen sites of a lid (Brown, Cai & DasGupta 2001, Stat. Sci.
16:101-133); the exact and the continuity-corrected ones are wider and serve as checks.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from scipy.special import betaincinv, ndtri


class Interval(NamedTuple):
    """The two ends of an interval for a share, 0 to 1."""

    low: float
    high: float


def _check(successes: float, trials: float, level: float) -> None:
    if not 0 <= successes <= trials:
        raise ValueError(f"successes must lie between 0 and {trials}, got {successes}")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, got {level}")


def wilson(successes: float, trials: float, *, level: float = 0.95) -> Interval:
    """Score interval: (2x + z² ∓ z √(z² + 4x(1 - x/n))) / (2(n + z²)); Wilson 1927, JASA 22:209-212.

    ``trials`` may be an effective number and need not be whole. No trial at all gives (0, 1).

    Raises
    ------
    ValueError
        If ``successes`` lies outside 0…``trials`` or ``level`` outside 0…1.
    """
    _check(successes, trials, level)
    if trials == 0:
        return Interval(0.0, 1.0)
    z = float(ndtri((1 + level) / 2))
    middle = 2 * successes + z * z
    half = z * sqrt(z * z + 4 * successes * (1 - successes / trials))
    scale = 2 * (trials + z * z)
    return Interval(max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale))


def wilson_cc(successes: float, trials: float, *, level: float = 0.95) -> Interval:
    """Score interval with continuity correction; Newcombe 1998, Stat. Med. 17:857-872, method 4.

    Raises
    ------
    ValueError
        As for :func:`wilson`.
    """
    _check(successes, trials, level)
    if trials == 0:
        return Interval(0.0, 1.0)
    z = float(ndtri((1 + level) / 2))
    n, p = trials, successes / trials
    scale = 2 * (n + z * z)

    def half(sign: float) -> float:
        return 1 + z * sqrt(max(0.0, z * z - sign * 2 - 1 / n + 4 * p * (n * (1 - p) + sign)))

    low = 0.0 if successes == 0 else max(0.0, (2 * n * p + z * z - half(1.0)) / scale)
    high = 1.0 if successes == n else min(1.0, (2 * n * p + z * z + half(-1.0)) / scale)
    return Interval(low, high)


def newcombe_difference(
    successes: float, trials: float, successes_there: float, trials_there: float, *, level: float = 0.95
) -> Interval:
    """Interval for the difference of two independent shares, here minus there, -1 to 1.

    From the Wilson intervals (l, u) of both: d - √((p1-l1)² + (u2-p2)²) and d + √((u1-p1)² + (p2-l2)²); Newcombe 1998,
    Stat. Med. 17:873-890, method 10. No trial at all on a side leaves that share anywhere between 0 and 1.

    Raises
    ------
    ValueError
        As for :func:`wilson`.
    """
    here, there = wilson(successes, trials, level=level), wilson(successes_there, trials_there, level=level)
    p = successes / trials if trials else 0.5
    q = successes_there / trials_there if trials_there else 0.5
    low = p - q - sqrt((p - here.low) ** 2 + (there.high - q) ** 2)
    high = p - q + sqrt((here.high - p) ** 2 + (q - there.low) ** 2)
    return Interval(max(-1.0, low), min(1.0, high))


def jeffreys(successes: float, trials: float, *, level: float = 0.95) -> Interval:
    """Quantiles of Beta(x + 1/2, n - x + 1/2), 0 below no success and 1 above only successes.

    Brown, Cai & DasGupta 2001, Stat. Sci. 16:101-133.

    Raises
    ------
    ValueError
        As for :func:`wilson`.
    """
    _check(successes, trials, level)
    a, b, tail = successes + 0.5, trials - successes + 0.5, (1 - level) / 2
    low = 0.0 if successes == 0 else float(betaincinv(a, b, tail))
    high = 1.0 if successes == trials else float(betaincinv(a, b, 1 - tail))
    return Interval(low, high)


def clopper_pearson(successes: float, trials: float, *, level: float = 0.95) -> Interval:
    """Exact interval: Beta(α/2; x, n-x+1) and Beta(1-α/2; x+1, n-x); Clopper & Pearson 1934, Biometrika 26:404-413.

    Raises
    ------
    ValueError
        As for :func:`wilson`.
    """
    _check(successes, trials, level)
    tail = (1 - level) / 2
    low = 0.0 if successes == 0 else float(betaincinv(successes, trials - successes + 1, tail))
    high = 1.0 if successes == trials else float(betaincinv(successes + 1, trials - successes, 1 - tail))
    return Interval(low, high)
