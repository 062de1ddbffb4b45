"""Relative growth rate: how much leaf a day adds per leaf that is there."""

from __future__ import annotations

from math import log, nan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt


class RelativeGrowth(NamedTuple):
    """Rate per day, its standard error (NaN for fewer than two plants a harvest), and the doubling time in days."""

    rate: float
    standard_error: float
    doubling_days: float


def relative_growth_rate(areas_before: npt.ArrayLike, areas_after: npt.ArrayLike, days: float) -> RelativeGrowth:
    """Unbiased rate between two looks at groups of plants: (mean ln W2 - mean ln W1) / days.

    Means of logarithms, not logarithms of means; variance of the rate (Var ln W1 / n1 + Var ln W2 / n2) / days²
    (Hoffmann & Poorter 2002, Ann. Bot. 90:37-42).

    Raises
    ------
    ValueError
        If an area is not positive, a group is empty, or ``days`` is not positive.
    """
    before, after = _logs(areas_before, days), _logs(areas_after, days)
    rate = float(after.mean() - before.mean()) / days
    error = nan
    if before.size > 1 and after.size > 1:
        error = sqrt(before.var(ddof=1) / before.size + after.var(ddof=1) / after.size) / days
    return RelativeGrowth(rate, error, doubling_days(rate))


def classical_growth_rate(areas_before: npt.ArrayLike, areas_after: npt.ArrayLike, days: float) -> float:
    """Classical rate per day, (ln mean W2 - ln mean W1) / days (Hunt 1982); biased when plants drift apart.

    Raises
    ------
    ValueError
        As for :func:`relative_growth_rate`.
    """
    before, after = _logs(areas_before, days), _logs(areas_after, days)
    return log(np.exp(after).mean() / np.exp(before).mean()) / days


def doubling_days(rate: float) -> float:
    """ln 2 / rate, in days; inf for no growth, negative while the area halves."""
    return log(2) / rate if rate else float("inf")


def _logs(areas: npt.ArrayLike, days: float) -> npt.NDArray[np.float64]:
    values = np.asarray(areas, dtype=float)
    if not values.size or not np.all(values > 0):
        raise ValueError("every area must be positive, and there must be one at least")
    if days <= 0:
        raise ValueError("the looks must be days apart")
    return np.asarray(np.log(values))
