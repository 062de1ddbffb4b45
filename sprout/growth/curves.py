"""Growth curves of leaf area against days, each with three numbers, and their inverses.

All three start out exponential with rate ``r`` from the area ``a`` on day 0 of their time axis:

- ``logistic``: relative growth falls linearly with area, towards the limit ``limit``.
- ``gompertz``: it falls with the logarithm of area, towards the limit ``limit``.
- ``expolinear``: growth goes over to a steady ``limit`` (area per day).

Inside, the numbers are (log limit, log r, log a), so that they may take any value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def logistic(t: npt.ArrayLike, limit: float, r: float, middle: float) -> FloatArray:
    """limit / (1 + exp(-r (t - middle))): half the limit on day ``middle``."""
    return np.asarray(limit / (1 + np.exp(-r * (np.asarray(t, dtype=float) - middle))))


def gompertz(t: npt.ArrayLike, limit: float, r: float, middle: float) -> FloatArray:
    """limit exp(-exp(-r (t - middle))): limit / e, its fastest growth, on day ``middle``."""
    return np.asarray(limit * np.exp(-np.exp(-r * (np.asarray(t, dtype=float) - middle))))


def expolinear(t: npt.ArrayLike, most: float, r: float, lost: float) -> FloatArray:
    """(most / r) ln(1 + exp(r (t - lost))): area gained per day ``most`` in the end, ``lost`` days lost at first.

    Goudriaan & Monteith 1990, Ann. Bot. 66:695-701.
    """
    return np.asarray(most / r * np.logaddexp(0, r * (np.asarray(t, dtype=float) - lost)))


def logistic_day(area: float, limit: float, r: float, middle: float) -> float:
    """Day on which :func:`logistic` reaches the area: middle - ln(limit/area - 1) / r; inf if it never does."""
    return float(middle - np.log(limit / area - 1) / r) if 0 < area < limit else np.inf


def gompertz_day(area: float, limit: float, r: float, middle: float) -> float:
    """Day on which :func:`gompertz` reaches the area: middle - ln(-ln(area/limit)) / r; inf if it never does."""
    return float(middle - np.log(-np.log(area / limit)) / r) if 0 < area < limit else np.inf


def expolinear_day(area: float, most: float, r: float, lost: float) -> float:
    """Day on which :func:`expolinear` reaches the area."""
    return float(lost + np.log(np.expm1(r * area / most)) / r)


@dataclass(frozen=True)
class Curve:
    """A curve in its inside numbers ``theta`` (…, 3) = (log limit, log r, log a).

    ``log_area(t, theta)`` and ``day_of(area, theta)`` broadcast over the leading axes; ``day_of`` is inf where the
    area is never reached.
    """

    name: str
    log_area: Callable[[FloatArray, FloatArray], FloatArray]
    day_of: Callable[[FloatArray, FloatArray], FloatArray]


def _logistic_log(t: FloatArray, theta: FloatArray) -> FloatArray:
    limit, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]
    # log of K / (1 + (K/a - 1) exp(-r t))
    ahead = limit - start + np.log1p(-np.exp(-np.maximum(limit - start, 1e-9)))
    return np.asarray(limit - np.logaddexp(0, ahead - rate * t))


def _logistic_day(area: FloatArray, theta: FloatArray) -> FloatArray:
    limit, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        gone = np.log(np.expm1(np.maximum(limit - start, 1e-9))) - np.log(np.expm1(limit - np.log(area)))
        return np.asarray(np.where(np.log(area) < limit, gone / rate, np.inf))


def _gompertz_log(t: FloatArray, theta: FloatArray) -> FloatArray:
    limit, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]
    span = np.maximum(limit - start, 1e-9)
    # the early relative rate is r: span times the rate at which the span shrinks
    return np.asarray(limit - span * np.exp(-rate / span * t))


def _gompertz_day(area: FloatArray, theta: FloatArray) -> FloatArray:
    limit, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]
    span = np.maximum(limit - start, 1e-9)
    with np.errstate(invalid="ignore", divide="ignore"):
        gone = -np.log((limit - np.log(area)) / span) * span / rate
        return np.asarray(np.where(np.log(area) < limit, gone, np.inf))


def _expolinear_log(t: FloatArray, theta: FloatArray) -> FloatArray:
    most, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]
    # ln(1 + x e^(rt)) with x fixed by the area on day 0
    first = np.log(np.expm1(np.minimum(np.exp(start - most) * rate, 500.0)))
    return np.asarray(most - np.log(rate) + np.log(np.logaddexp(0, first + rate * t)))


def _expolinear_day(area: FloatArray, theta: FloatArray) -> FloatArray:
    most, rate, start = theta[..., 0], np.exp(theta[..., 1]), theta[..., 2]

    def inner(log_area: FloatArray) -> FloatArray:
        grown = np.minimum(np.exp(log_area - most) * rate, 500.0)
        return np.asarray(np.log(np.expm1(grown)))

    return np.asarray((inner(np.log(area)) - inner(start)) / rate)


def _exponential_log(t: FloatArray, theta: FloatArray) -> FloatArray:
    rate, start = np.exp(theta[..., 1]), theta[..., 2]
    return np.asarray(start + rate * t)


def _exponential_day(area: FloatArray, theta: FloatArray) -> FloatArray:
    rate, start = np.exp(theta[..., 1]), theta[..., 2]
    return np.asarray((np.log(area) - start) / rate)


LOGISTIC = Curve("logistic", _logistic_log, _logistic_day)
GOMPERTZ = Curve("gompertz", _gompertz_log, _gompertz_day)
EXPOLINEAR = Curve("expolinear", _expolinear_log, _expolinear_day)
# not slowed yet: of its numbers the limit plays no part
EXPONENTIAL = Curve("exponential", _exponential_log, _exponential_day)
CURVES = {c.name: c for c in (LOGISTIC, GOMPERTZ, EXPOLINEAR)}
