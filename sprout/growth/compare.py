"""Leaf of several grows side by side, by days after sowing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

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


def _log_areas(canopy: Canopy, t: FloatArray) -> FloatArray:
    """Log area on the days, NaN outside the looks."""
    return np.interp(t, canopy.days, np.log(canopy.areas_cm2), left=nan, right=nan)
