"""The share germinated against time when each event is only known to lie between two looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sprout.intervals import wilson

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Turnbull:
    """Non-parametric maximum likelihood estimate from interval-censored times.

    Attributes
    ----------
    left, right:
        (m,) ends of the innermost intervals (left, right]; only they can hold mass. An infinite right end holds
        what has not germinated.
    mass:
        (m,) probability in each, summing to 1. Where within an interval it lies, the data cannot say.
    log_likelihood:
        At the estimate.
    """

    left: FloatArray
    right: FloatArray
    mass: FloatArray
    log_likelihood: float

    def germinated(self, times: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Least and greatest share germinated by each time that the estimate allows; equal outside the intervals."""
        t = np.asarray(times, dtype=float)[..., None]
        return np.asarray((self.mass * (self.right <= t)).sum(-1)), np.asarray((self.mass * (self.left < t)).sum(-1))

    def after(self) -> FloatArray:
        """(m,) share not yet germinated at the right end of each innermost interval."""
        return np.clip(1 - np.cumsum(self.mass), 0.0, 1.0)


def _checked(left: npt.ArrayLike, right: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    a, b = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    if a.ndim != 1 or a.shape != b.shape or not a.size:
        raise ValueError("left and right must be two lists of one length, not empty")
    if not np.all(a < b):
        raise ValueError("every interval (left, right] needs left < right")
    return a, b


def innermost_intervals(left: npt.ArrayLike, right: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Intervals that can hold mass: a left end directly followed by a right end (Turnbull 1976).

    The data are half-open, (left, right]: intervals that share only an end do not overlap. Taken as closed they
    would, and daily looks share ends everywhere.

    Raises
    ------
    ValueError
        If an interval is empty or the lists differ in length.
    """
    a, b = _checked(left, right)
    ends = np.concatenate([np.unique(a), np.unique(b)])
    is_left = np.concatenate([np.ones(np.unique(a).size, bool), np.zeros(np.unique(b).size, bool)])
    order = np.lexsort((is_left, ends))
    ends, is_left = ends[order], is_left[order]
    inner = np.flatnonzero(is_left[:-1] & ~is_left[1:])
    return ends[inner], ends[inner + 1]


def _em(inside: FloatArray, weights: FloatArray, *, tolerance: float, most_rounds: int) -> FloatArray:
    """Self-consistent masses (..., m) for weights (..., n) of the n intervals, ``inside`` (n, m)."""
    total = weights.sum(-1, keepdims=True)
    mass = np.full((*weights.shape[:-1], inside.shape[1]), 1 / inside.shape[1])
    for _ in range(most_rounds):
        gain = (weights / np.maximum(mass @ inside.T, 1e-300)) @ inside / total
        mass = mass * gain
        # at the maximum no direction gains: all gains are at most 1, and those of intervals that keep mass equal 1
        if np.max(gain) - 1 < tolerance and np.max(np.abs(gain - 1) * mass) < tolerance:
            break
    return np.asarray(mass / mass.sum(-1, keepdims=True))


def turnbull(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    *,
    counts: npt.ArrayLike | None = None,
    tolerance: float = 1e-7,
    most_rounds: int = 20_000,
) -> Turnbull:
    """Estimate from times known to lie in (left, right]; ``right`` = inf for what was still empty at the last look.

    EM on the innermost intervals, s_j = mean_i a_ij s_j / Σ_k a_ik s_k, until no mass can be shifted with gain.
    Turnbull 1976, JRSS-B 38:290-295. ``counts``: how many seeds or plugs each interval stands for (default one).

    Raises
    ------
    ValueError
        If an interval is empty or the lists differ in length.
    """
    a, b = _checked(left, right)
    n = np.ones(a.size) if counts is None else np.asarray(counts, dtype=float)
    a, b, n = a[n > 0], b[n > 0], n[n > 0]
    inner_left, inner_right = innermost_intervals(a, b)
    inside = ((a[:, None] <= inner_left) & (inner_right <= b[:, None])).astype(float)
    mass = _em(inside, n, tolerance=tolerance, most_rounds=most_rounds)
    return Turnbull(inner_left, inner_right, mass, float(n @ np.log(inside @ mass)))


def turnbull_interval(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    times: npt.ArrayLike,
    *,
    level: float = 0.95,
    resamples: int = 200,
    seed: int = 1,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share germinated by each of the times, with pointwise interval: (estimate, low, high).

    The variance is that of a bootstrap over plugs; it sets the effective number of plugs of a Wilson interval, which
    keeps its width where nothing or everything has germinated. Between the ends of an innermost interval the
    estimate rises linearly, which is a drawing convention. Fixed ``seed``, so the answer repeats.
    """
    a, b = _checked(left, right)
    t = np.asarray(times, dtype=float)
    rng = np.random.default_rng(seed)
    weights = np.concatenate([np.ones((1, a.size)), rng.multinomial(a.size, np.full(a.size, 1 / a.size), resamples)])
    inner_left, inner_right = innermost_intervals(a, b)
    inside = ((a[:, None] <= inner_left) & (inner_right <= b[:, None])).astype(float)
    mass = _em(inside, weights.astype(float), tolerance=1e-5, most_rounds=2000)
    with np.errstate(invalid="ignore"):
        passed = np.where(
            np.isinf(inner_right), 0.0, np.clip((t[:, None] - inner_left) / (inner_right - inner_left), 0.0, 1.0)
        )
    curves = np.clip(mass @ passed.T, 0.0, 1.0)
    estimate, variance = curves[0], curves[1:].var(axis=0)
    effective = np.full(t.size, float(a.size))
    known = variance > 1e-9
    effective[known] = np.minimum(a.size, estimate[known] * (1 - estimate[known]) / variance[known])
    ends = [wilson(f * n, n, level=level) for f, n in zip(estimate, effective, strict=True)]
    return estimate, np.array([e.low for e in ends]), np.array([e.high for e in ends])
