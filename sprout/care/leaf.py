"""The lid's leaf area day by day: as it was seen, and as it will grow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import log
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sprout.germination.prior import median_day, prior_of
from sprout.growth.crossing import DRAWS, STRAY, guess_for
from sprout.growth.curves import EXPOLINEAR, GOMPERTZ, LOGISTIC, Curve
from sprout.growth.fit import fit_curve

if TYPE_CHECKING:
    from sprout.calibration import Crop

FloatArray = npt.NDArray[np.float64]
Drawn = list[tuple[Curve, FloatArray, npt.NDArray[np.bool_]]]  # curve, its draws (draws, 3), which of them count

AHEAD_DAYS = 180
_SEEDLING_CM2, _LEAST_CM2 = 0.4, 0.01
_SHARE_UP = 0.7
_GARDEN_TO_LID = 0.85  # sooner than in the garden (common practice)
# Standard deviations of (log limit, log rate, log first leaf), and of the log day of emergence.
_SPREAD = np.diag([0.35, 0.4, 0.7]) ** 2
_EMERGENCE = 0.35
_MOST = 1.3  # of the lid's area: leaves reach over its edge
_LAST = 5
_NOISE, _ALIKE = 0.12, 4.0  # of a look at the whole lid; neighbouring looks repeat each other's errors


@dataclass(frozen=True, eq=False)
class LidLeaf:
    """Leaf area of the whole lid in cm2.

    Attributes
    ----------
    past_cm2:
        (days,) mean over each day from the day of sowing to ``as_of``.
    ahead_cm2:
        (draws, AHEAD_DAYS) each coming day.
    """

    past_cm2: FloatArray
    ahead_cm2: FloatArray


def lid_leaf(
    looked: Sequence[date],
    tissue_cm2: npt.ArrayLike,
    *,
    sown: date,
    as_of: date,
    lid_cm2: float,
    crop: Crop,
    plugs: int,
    picked_on: date | None = None,
) -> LidLeaf:
    """Leaf area from the looks up to ``as_of``; with no look at all, what the crop's calendar lets expect.

    Between looks it is interpolated, after them it follows the growth curves that fit them.

    Parameters
    ----------
    looked, tissue_cm2:
        Dates of the looks in order, and the lid's tissue at each; NaN where it was not measured.
    lid_cm2:
        The lid's area that its sites share.
    crop, plugs:
        What most plugs are, and how many stand.
    picked_on:
        Last noted picking: only looks since tell of growth.
    """
    area = np.asarray(tissue_cm2, dtype=float)
    day = np.array([(d - sown).days for d in looked], dtype=float)
    day, area = day[np.isfinite(area)], area[np.isfinite(area)]
    now = float((as_of - sown).days)
    up = area >= _LEAST_CM2
    rng = np.random.default_rng(3)
    z = rng.standard_normal((DRAWS, 3))
    guess = _guess(crop, lid_cm2, max(plugs, 1))
    if up.any():
        since = -np.inf if picked_on is None else float((picked_on - sown).days)
        fitted = up & (day >= since)
        begin = day[fitted][0] if fitted.any() else max(since, day[up][0])
        first = log(area[fitted][0]) if fitted.any() else log(area[up][-1])
        prior = np.array([guess[0], guess[1], min(first, guess[0] - 1.0)])
        curves = _fitted(day[fitted] - begin, area[fitted], prior, z, rng)
        begins = np.full(DRAWS, begin)
    else:
        # nothing up: it comes up when the crop does, but not before the last look that showed nothing
        usual = log(median_day(prior_of(crop))) + _EMERGENCE * rng.standard_normal(DRAWS)
        begins = np.maximum(np.exp(usual), day[-1] + 1 if day.size else 0.0)
        curves = [(LOGISTIC, guess + z @ np.sqrt(_SPREAD), np.ones(DRAWS, bool))]
    days = np.arange(now + 1)
    past = _along(curves, days[None] + 0.5 - begins[:, None]).mean(axis=0)
    if up.any():
        seen = np.interp(days + 0.5, day + 0.5, np.where(up, area, 0.0), left=0.0)
        past = np.where(days <= day[-1], seen, past)
    pace = np.exp(STRAY * rng.standard_normal(DRAWS))[:, None]
    coming = now + 0.5 + (np.arange(AHEAD_DAYS) + 1.0) * pace
    return LidLeaf(past, np.minimum(_along(curves, coming - begins[:, None]), _MOST * lid_cm2))


def _fitted(day: FloatArray, area: FloatArray, guess: FloatArray, z: FloatArray, rng: np.random.Generator) -> Drawn:
    """Draws of the curves that fit the looks, each curve as often as its evidence weighs."""
    found, cost = [], []
    for curve in (LOGISTIC, GOMPERTZ, EXPOLINEAR):
        prior = guess_for(curve, guess)
        fit = fit_curve(
            curve,
            day[None] if day.size else np.zeros((1, 1)),
            area[None] if day.size else np.full((1, 1), np.nan),
            start=prior,
            prior=(prior, _SPREAD),
            sigma=_NOISE * _ALIKE**0.5,
        )
        theta = fit.theta[0] + z @ np.linalg.cholesky(fit.covariance[0] + 1e-9 * np.eye(3)).T
        if day.size:  # the last looks say where it stands, whatever the curve
            left = np.log(area[-_LAST:]) - curve.log_area(day[-_LAST:], fit.theta[0])
            theta[:, [0, 2]] += float(np.median(left))
        found.append((curve, theta))
        cost.append(float(fit.cost[0] - np.linalg.slogdet(fit.covariance[0])[1]))
    weights = np.exp(-0.5 * (np.array(cost) - min(cost)))
    chosen = np.searchsorted(np.cumsum(weights)[:-1] / weights.sum(), rng.random(DRAWS))
    return [(curve, theta, chosen == k) for k, (curve, theta) in enumerate(found)]


def _along(curves: Drawn, t: FloatArray) -> FloatArray:
    """(draws, days) area of the curves on days since they began, 0 before."""
    area = np.zeros_like(t)
    for curve, theta, mine in curves:
        area = np.where(mine[:, None], np.exp(curve.log_area(np.maximum(t, 0.0), theta[:, None, :])), area)
    return np.where(t >= 0, area, 0.0)


def _guess(crop: Crop, lid_cm2: float, plugs: int) -> FloatArray:
    """(3,) log limit, log rate and log first leaf of a lid whose plugs reach picking size when the tables say."""
    limit, first = lid_cm2, _SHARE_UP * plugs * _SEEDLING_CM2
    picked = min(_SHARE_UP * plugs * crop.pick_cm2, 0.7 * limit)
    low, high = crop.harvest_days or (40.0, 60.0)
    age = max(_GARDEN_TO_LID * (low + high) / 2 - median_day(prior_of(crop)), 5.0)
    rate = (log(limit / first - 1) - log(limit / picked - 1)) / age
    return np.array([log(limit), log(max(rate, 0.02)), log(first)])
