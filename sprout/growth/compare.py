"""Leaf of several grows side by side, by days after sowing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

from sprout.growth.canopy import Canopy
from sprout.growth.rates import RelativeGrowth, relative_growth_rate

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class GrownLeaf:
    """One grow's leaf per plug.

    Attributes
    ----------
    days:
        (m,) days after sowing.
    plugs:
        (m,) plugs that were looked at about each day.
    area_cm2, low_cm2, high_cm2:
        (m,) geometric mean of their areas and its 95 % interval; NaN where too few plugs tell.
    growth:
        Relative growth rate from the first to the last of the days that have two plugs or more; None without two such
        days.
    """

    days: FloatArray
    plugs: npt.NDArray[np.int64]
    area_cm2: FloatArray
    low_cm2: FloatArray
    high_cm2: FloatArray
    growth: RelativeGrowth | None


@dataclass(frozen=True)
class LeafRatio:
    """Leaf per plug of one grow over that of another on one day, of the mean plug, with 95 % interval and p value."""

    plugs: tuple[int, int]
    ratio: float
    low: float
    high: float
    p_value: float


def leaf_ratio(here: Sequence[Canopy], there: Sequence[Canopy], day: float) -> LeafRatio:
    """Ratio of the geometric means of the leaf areas on a day after sowing.

    From the difference of the mean logarithms by Welch's t test (Welch 1947, Biometrika 34:28-35), whose variances may
    differ. With fewer than two plugs on a side the interval is open and p is 1.
    """
    a, b = (_on_day(canopies, day) for canopies in (here, there))
    plugs = (a.size, b.size)
    if not a.size or not b.size:
        return LeafRatio(plugs, nan, nan, nan, 1.0)
    middle = float(a.mean() - b.mean())
    if min(plugs) < 2:
        return LeafRatio(plugs, float(np.exp(middle)), nan, nan, 1.0)
    parts = np.array([a.var(ddof=1) / a.size, b.var(ddof=1) / b.size])
    error = float(np.sqrt(parts.sum()))
    if error < 1e-9:
        return LeafRatio(plugs, float(np.exp(middle)), nan, nan, 1.0)
    degrees = float(parts.sum() ** 2 / (parts**2 / (np.array(plugs) - 1)).sum())
    half = float(stdtrit(degrees, 0.975)) * error
    p = 2 * float(stdtr(degrees, -abs(middle) / error))
    ratio, low, high = (float(np.exp(x)) for x in (middle, middle - half, middle + half))
    return LeafRatio(plugs, ratio, low, high, p)


def compare_growth(grows: Mapping[str, Sequence[Canopy]], days: npt.ArrayLike) -> dict[str, GrownLeaf]:
    """Each grow's leaf on the same days after sowing; between two looks a plug's leaf is taken to grow exponentially.

    The interval is that of a mean of logarithms (Student's t), so it is about the mean plug, not about single ones.
    """
    t = np.asarray(days, dtype=float)
    return {name: _grown(canopies, t) for name, canopies in grows.items()}


def _grown(canopies: Sequence[Canopy], t: FloatArray) -> GrownLeaf:
    logs = np.array([_log_areas(c, t) for c in canopies if c.days.size]).reshape(-1, t.size)
    plugs = np.isfinite(logs).sum(axis=0)
    mean, low, high = (np.full(t.size, nan) for _ in range(3))
    for j, n in enumerate(plugs):
        there = logs[np.isfinite(logs[:, j]), j]
        if n:
            mean[j] = there.mean()
        if n > 1:
            half = float(stdtrit(n - 1, 0.975)) * there.std(ddof=1) / sqrt(n)
            low[j], high[j] = mean[j] - half, mean[j] + half
    growth = None
    enough = np.flatnonzero(plugs > 1)
    if enough.size > 1:
        first, last = enough[0], enough[-1]
        groups = [np.exp(logs[np.isfinite(logs[:, j]), j]) for j in (first, last)]
        growth = relative_growth_rate(groups[0], groups[1], t[last] - t[first])
    return GrownLeaf(t, plugs, np.exp(mean), np.exp(low), np.exp(high), growth)


def _on_day(canopies: Sequence[Canopy], day: float) -> FloatArray:
    """Log areas of the plugs that were looked at about a day."""
    logs = np.array([_log_areas(c, np.array([day]))[0] for c in canopies if c.days.size], dtype=float)
    return np.asarray(logs[np.isfinite(logs)])


def _log_areas(canopy: Canopy, t: FloatArray) -> FloatArray:
    """Log area on the days, NaN outside the looks."""
    return np.interp(t, canopy.days, np.log(canopy.areas_cm2), left=nan, right=nan)
