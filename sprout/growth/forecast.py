"""When each plug and the lid can first be picked, when a picked plug can be picked again, when the lid closes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import inf, log
from statistics import median
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sprout.germination.prior import median_day, prior_of
from sprout.growth.canopy import Canopy
from sprout.growth.closure import closure
from sprout.growth.crossing import DRAWS, Dates, dates_of, days_to, guess_for
from sprout.growth.curves import EXPOLINEAR, EXPONENTIAL, GOMPERTZ, LOGISTIC, Curve
from sprout.growth.fit import Fit, fit_curve

if TYPE_CHECKING:
    from sprout.calibration import Crop

FloatArray = npt.NDArray[np.float64]

_CURVES = (LOGISTIC, GOMPERTZ, EXPOLINEAR, EXPONENTIAL)
_SEEDLING_CM2 = 0.4
_LIMIT_PER_SITE = 1.3  # leaves overlap and reach over the edge
_GARDEN_TO_LID = 0.85  # warm roots, light all day: sooner than in the garden (common practice)
# Standard deviations of (log limit, log rate, log area at emergence): of a crop in this grower's hands, between plugs.
_HABIT = np.diag([0.25, 0.40, 0.50]) ** 2
_BETWEEN = np.diag([0.15, 0.15, 0.45]) ** 2
_NOISE, _NOISE_LOOKS = 0.15, 8.0  # first guess of the residuals' log standard deviation, and what it weighs
_ALIKE = 2.0  # neighbouring looks repeat each other's errors: so many count as one


@dataclass(frozen=True)
class PlugPicks:
    """One plug's pickings.

    Attributes
    ----------
    plug:
        Its name.
    first_pick:
        When its leaf first is worth picking; the day itself where it was noted or is past. None while it is empty or
        if it is not expected to grow so far.
    next_pick:
        When it can be picked again after a picking; None before the first.
    growth_per_day:
        Relative growth rate at the last look, per day; NaN while empty.
    why:
        The rule behind the dates in one sentence.
    """

    plug: str
    first_pick: Dates | None
    next_pick: Dates | None
    growth_per_day: float
    why: str


@dataclass(frozen=True)
class GrowthForecast:
    """All plugs, and the lid: when the first of them can be picked, and when cover reaches 90 %."""

    plugs: tuple[PlugPicks, ...]
    first_pick: Dates | None
    closure: Dates | None


def forecast_growth(
    plugs: Sequence[Canopy],
    crops: Mapping[str, Crop],
    *,
    as_of: date,
    area_per_site_cm2: float,
    cover: tuple[Sequence[date], npt.ArrayLike] | None = None,
) -> GrowthForecast:
    """Forecast from the looks up to ``as_of``.

    Parameters
    ----------
    plugs:
        The standing plugs' canopies; nothing in them is later than ``as_of``.
    crops:
        By name, of every crop in ``plugs``.
    area_per_site_cm2:
        The lid's area that belongs to one site.
    cover:
        Dates of the looks and the lid's cover in %, for its closure.

    Raises
    ------
    KeyError
        If a crop is missing.
    """
    by_crop: defaultdict[str, list[Canopy]] = defaultdict(list)
    for canopy in plugs:
        by_crop[canopy.crop].append(canopy)
    done: dict[str, PlugPicks] = {}
    lid_days: list[FloatArray] = []
    for name, group in by_crop.items():
        picks, days = _crop_picks(group, crops[name], as_of, area_per_site_cm2)
        done |= {p.plug: p for p in picks}
        lid_days.append(days)
    first = min((p.first_pick.mid for p in done.values() if p.first_pick and p.first_pick.high <= as_of), default=None)
    if first is not None:
        lid_first: Dates | None = Dates(first, first, first)
    else:
        lid_first = dates_of(as_of, np.minimum.reduce(lid_days)) if lid_days else None
    return GrowthForecast(
        plugs=tuple(done[c.plug] for c in plugs),
        first_pick=lid_first,
        closure=None if cover is None else closure(*cover, as_of=as_of),
    )


def _crop_picks(group: list[Canopy], crop: Crop, as_of: date, site_cm2: float) -> tuple[list[PlugPicks], FloatArray]:
    """The plugs' pickings, and draws of the days from ``as_of`` to the first of them."""
    stretches = [_Stretch.of(c) for c in group if c.up_day is not None]
    # a lid with nothing up is forecast as one plug that comes up when the crop does
    waiting = not stretches
    if waiting:
        age = (as_of - group[0].sown).days
        stretches = [_Stretch(group[0], max(median_day(prior_of(crop)), float(age)), np.zeros(0), np.zeros(0), None)]
    drawn = _Drawn(stretches, crop, site_cm2)
    results: dict[str, PlugPicks] = {}
    lid = np.full(DRAWS, inf)
    rule = f"{crop.pick_cm2:g} cm2 of leaf is worth picking ({crop.sources['pick_cm2'][0].provenance})"
    for k, stretch in enumerate(stretches):
        canopy = stretch.canopy
        now = float((as_of - canopy.sown).days)
        days = drawn.days_to(crop.pick_cm2, k, now)
        reached = None if stretch.picked_on is not None else _reached(canopy, crop.pick_cm2)
        coming = dates_of(as_of, days)
        if reached is not None:
            first: Dates | None = reached
            days = np.full(DRAWS, min(0.0, (reached.mid - as_of).days))
        elif stretch.picked_on is not None:
            first = Dates(*[stretch.picked_on] * 3)
        else:
            first = coming
        lid = np.minimum(lid, days)
        results[canopy.plug] = PlugPicks(
            plug=canopy.plug,
            first_pick=first,
            next_pick=coming if stretch.picked_on is not None else None,
            growth_per_day=drawn.rate(k, now),
            why=rule,
        )
    if waiting:
        results = {}
    empty = f"nothing is up in it yet; {rule}"
    return [results.get(c.plug, PlugPicks(c.plug, None, None, np.nan, empty)) for c in group], lid


@dataclass(frozen=True, eq=False)
class _Stretch:
    """The looks since a plug came up or was last picked, days counted from then."""

    canopy: Canopy
    begin: float
    days: FloatArray
    areas: FloatArray
    picked_on: date | None

    @classmethod
    def of(cls, canopy: Canopy) -> _Stretch:
        noted = [canopy.sown + timedelta(days=d) for d in canopy.picks]
        last = canopy.grows_from
        since = canopy.days >= last
        return cls(canopy, last, canopy.days[since] - last, canopy.areas_cm2[since], min(noted, default=None))


class _Drawn:
    """Draws of each plug's curve: several curves weighted by their evidence, plugs of a crop learning from each other.

    Every plug's numbers are normal about the crop's in this grow (covariance ``_BETWEEN``), the crop's about a first
    guess (``_HABIT``); a first fit to each plug updates the crop's, a second one then uses them.
    """

    def __init__(self, stretches: Sequence[_Stretch], crop: Crop, site_cm2: float) -> None:
        self.begin = np.array([s.begin for s in stretches])
        most = max((s.days.size for s in stretches), default=0)
        days, areas = np.full((2, len(stretches), max(most, 1)), np.nan)
        for k, s in enumerate(stretches):
            days[k, : s.days.size], areas[k, : s.days.size] = s.days, s.areas
        regrown = np.array([s.begin != s.canopy.up_day and s.days.size > 0 for s in stretches])
        first = np.array(
            [log(s.areas[0]) if r else log(_SEEDLING_CM2) for s, r in zip(stretches, regrown, strict=True)]
        )
        prior = _first_guess(crop, site_cm2)
        self.fits = [
            _pooled(curve, days, areas, guess_for(curve, prior), first - log(_SEEDLING_CM2)) for curve in _CURVES
        ]
        evidence = np.array([f.cost - np.linalg.slogdet(f.covariance)[1] for f in self.fits])
        weights = np.exp(-0.5 * (evidence - evidence.min(axis=0)))
        self.weights = weights / weights.sum(axis=0)

    def _theta(self, k: int) -> list[tuple[Curve, FloatArray, npt.NDArray[np.bool_]]]:
        """Per curve: draws of plug k's numbers and which of the draws are the curve's."""
        shared, own = np.random.default_rng(0), np.random.default_rng(k + 1)
        z = (shared.standard_normal((DRAWS, 3)) + own.standard_normal((DRAWS, 3))) / np.sqrt(2)
        chosen = np.searchsorted(np.cumsum(self.weights[:, k])[:-1], own.random(DRAWS))
        return [
            (f.curve, f.theta[k] + z @ np.linalg.cholesky(f.covariance[k] + 1e-9 * np.eye(3)).T, chosen == c)
            for c, f in enumerate(self.fits)
        ]

    def days_to(self, target: float, k: int, now: float) -> FloatArray:
        """(draws,) days from ``now`` (a day since sowing) until plug k has the area, not below 0, inf for never."""
        out = np.full(DRAWS, inf)
        stray = np.random.default_rng(1000).standard_normal(DRAWS)  # weather is the same for all plugs
        for curve, theta, mine in self._theta(k):
            out = np.where(mine, days_to(curve, theta, target, now - self.begin[k], stray), out)
        return out

    def rate(self, k: int, now: float) -> float:
        """Relative growth rate of plug k, per day, mean over the curves."""
        t = np.array([now - self.begin[k], now - self.begin[k] + 0.5])
        slopes = [np.diff(f.curve.log_area(t, f.theta[k]))[0] * 2 for f in self.fits]
        return float(self.weights[:, k] @ slopes)


def _first_guess(crop: Crop, site_cm2: float) -> FloatArray:
    """(3,) numbers of a logistic that reaches picking size when the harvest table says, days from emergence."""
    limit = max(_LIMIT_PER_SITE * site_cm2, 2 * crop.pick_cm2)
    harvest = crop.harvest_days or (40.0, 60.0)
    age = max(_GARDEN_TO_LID * sum(harvest) / 2 - median_day(prior_of(crop)), 5.0)
    rate = (log(limit / _SEEDLING_CM2 - 1) - log(limit / crop.pick_cm2 - 1)) / age
    return np.array([log(limit), log(rate), log(_SEEDLING_CM2)])


def _pooled(curve: Curve, days: FloatArray, areas: FloatArray, guess: FloatArray, shift: FloatArray) -> Fit:
    """Fit every plug about what all plugs of the crop have in common; ``shift``: of each one's first log area."""
    offset = np.zeros((len(areas), 3))
    offset[:, 2] = shift
    total = _HABIT + _BETWEEN
    first = fit_curve(
        curve, days, areas, start=guess + offset, prior=(guess + offset, total), sigma=_NOISE * _ALIKE**0.5
    )
    there = np.isfinite(areas)
    left = np.where(
        there, np.log(np.where(there, areas, 1.0)) - curve.log_area(np.nan_to_num(days), first.theta[:, None, :]), 0
    )
    weight = np.minimum(1.0, (2 * _NOISE / np.maximum(np.abs(left), 1e-9)) ** 2)
    spare = max(float((weight * there).sum()) - 2 * float(there.any(axis=1).sum()), 0.0)
    noise = ((_NOISE_LOOKS * _NOISE**2 + (weight * left**2).sum()) / (_NOISE_LOOKS + spare)) ** 0.5
    known = np.linalg.inv(first.covariance)
    loose = np.linalg.inv(total)
    data = known - loose
    pull = np.einsum("pij,pj->pi", known, first.theta - offset) - loose @ guess
    shrink = np.linalg.inv(np.eye(3) + data @ _BETWEEN)
    precision = np.linalg.inv(_HABIT) + (shrink @ data).sum(axis=0)
    habit = np.linalg.inv((precision + precision.T) / 2)
    mean = habit @ (np.linalg.inv(_HABIT) @ guess + np.einsum("pij,pj->i", shrink, pull))
    return fit_curve(
        curve, days, areas, start=first.theta, prior=(mean + offset, habit + _BETWEEN), sigma=float(noise) * _ALIKE**0.5
    )


def _reached(canopy: Canopy, target: float) -> Dates | None:
    """The two looks between which the plug reached the area, by the median of up to three; None if it has not."""
    for k in range(canopy.days.size):
        if canopy.areas_cm2[k] >= target and median(canopy.areas_cm2[max(0, k - 2) : k + 1]) >= target:
            before, day = (canopy.sown + timedelta(days=int(canopy.days[j])) for j in (max(k - 1, 0), k))
            return Dates(before, day, day)
    return None
