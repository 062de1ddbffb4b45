"""When the leaves close over the lid."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import log
from statistics import median

import numpy as np
import numpy.typing as npt

from sprout.growth.crossing import DRAWS, Dates, dates_of, days_to, guess_for
from sprout.growth.curves import EXPOLINEAR, EXPONENTIAL, GOMPERTZ, LOGISTIC
from sprout.growth.fit import fit_curve

CLOSED_PCT = 90.0
_LEAST_PCT = 0.001
_MOST_PCT = 99.0  # beyond, a per mille of bare lid more or less would decide
# First guess of (log limit, log rate) of leaf over lid, and standard deviations of them and of the log first leaf.
_GUESS = (log(4.0), log(0.2))
_SPREAD = np.diag([0.3, 0.6, 0.7]) ** 2
# First guess of the residuals, what it weighs, looks that count as one: weather and shadows last (by the back-test).
_NOISE, _NOISE_LOOKS, _ALIKE = 0.15, 6.0, 14.0


def closure(looked: Sequence[date], cover_pct: npt.ArrayLike, *, as_of: date) -> Dates | None:
    """When cover reaches 90 % of the lid: 90 % interval, or the two looks it happened between.

    Cover is bounded, leaf is not: what grows along a curve is the leaf over each patch of lid, -ln(1 - cover), if
    leaves fall where they may (Monsi & Saeki 1953, from memory).

    Parameters
    ----------
    looked, cover_pct:
        Dates of the looks in order, none later than ``as_of``, and the lid's cover in %.

    Returns
    -------
    Dates or None
        None with fewer than three looks that show leaf, or if the lid is not expected to close.
    """
    pct = np.asarray(cover_pct, dtype=float)
    seen = np.isfinite(pct) & (pct >= _LEAST_PCT)
    dates = [d for d, there in zip(looked, seen, strict=True) if there]
    pct = pct[seen]
    for k in range(pct.size):
        if pct[k] >= CLOSED_PCT and median(pct[max(0, k - 2) : k + 1]) >= CLOSED_PCT:
            return Dates(dates[max(k - 1, 0)], dates[k], dates[k])
    if pct.size < 3:
        return None
    days = np.array([(d - dates[0]).days for d in dates], dtype=float)
    leaf = -np.log1p(-np.minimum(pct, _MOST_PCT) / 100)
    target, now = -np.log1p(-CLOSED_PCT / 100), float((as_of - dates[0]).days)
    rng = np.random.default_rng(5)
    z, stray = rng.standard_normal((DRAWS, 3)), rng.standard_normal(DRAWS)
    drawn, cost = [], []
    for curve in (LOGISTIC, GOMPERTZ, EXPOLINEAR, EXPONENTIAL):
        guess = guess_for(curve, np.array([*_GUESS, min(log(leaf[0]), _GUESS[0] - 1)]))
        noise = _NOISE
        for _ in range(2):
            fit = fit_curve(
                curve, days[None], leaf[None], start=guess, prior=(guess, _SPREAD), sigma=noise * _ALIKE**0.5
            )
            left = np.minimum((np.log(leaf) - curve.log_area(days, fit.theta[0])) ** 2, 0.25)
            noise = float(np.sqrt((_NOISE_LOOKS * _NOISE**2 + left.sum()) / (_NOISE_LOOKS + left.size)))
        theta = fit.theta[0] + z @ np.linalg.cholesky(fit.covariance[0] + 1e-9 * np.eye(3)).T
        drawn.append(days_to(curve, theta, target, now, stray))
        cost.append(float(fit.cost[0] - np.linalg.slogdet(fit.covariance[0])[1]))
    weights = np.exp(-0.5 * (np.array(cost) - min(cost)))
    chosen = np.searchsorted(np.cumsum(weights)[:-1] / weights.sum(), rng.random(DRAWS))
    return dates_of(as_of, np.choose(chosen, drawn))
