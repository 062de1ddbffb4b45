"""From draws of a growth curve to the dates on which it reaches an area."""

from __future__ import annotations

from datetime import date, timedelta
from math import log
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sprout.growth.curves import EXPOLINEAR, EXPONENTIAL, GOMPERTZ, Curve

FloatArray = npt.NDArray[np.float64]

DRAWS = 300
LAST_DAY = 365  # no forecast reaches further
STRAY = 0.28  # log standard deviation of what a coming day is worth in days of the past


class Dates(NamedTuple):
    """Ends and middle of a 90 % interval of a date."""

    low: date
    mid: date
    high: date


def days_to(curve: Curve, theta: FloatArray, target: float, now: float, stray: FloatArray) -> FloatArray:
    """(draws,) days from ``now`` until the curves reach the target, not below 0, inf for never.

    ``theta`` (draws, 3) are the curves, ``stray`` (draws,) standard normal: light and warmth to come make the
    days worth more or less than those the curve was fitted to.
    """
    ahead = np.maximum(curve.day_of(np.full(len(theta), target), theta) - now, 0.0)
    return np.asarray(ahead * np.exp(STRAY * stray))


def dates_of(as_of: date, days: FloatArray) -> Dates | None:
    """The 90 % interval of draws of days from ``as_of``; None if it is more likely than not never."""
    low, mid, high = np.quantile(days, [0.05, 0.5, 0.95], method="inverted_cdf")
    if not np.isfinite(mid):
        return None
    ends = (as_of + timedelta(days=int(min(d, LAST_DAY))) for d in (np.floor(low), np.round(mid), np.ceil(high)))
    return Dates(*ends)


def guess_for(curve: Curve, logistic: FloatArray) -> FloatArray:
    """The same first guess for another curve: the early rate that brings it to the logistic's half limit in time."""
    limit, rate, start = logistic
    half = (limit - start) / np.exp(rate)  # about the day of half the limit
    if curve is GOMPERTZ:
        span = limit - start
        return np.array([limit, log(span / half * log(span / log(2))), start])
    if curve is EXPONENTIAL:
        return np.array([limit, log((limit - log(2) - start) / half), start])
    if curve is EXPOLINEAR:
        return np.array([limit + rate - log(4), rate, start])
    return logistic
