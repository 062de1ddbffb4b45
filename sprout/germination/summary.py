"""The germination figures of a grow in one record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sprout.germination import indices
from sprout.germination.indices import Czabator
from sprout.germination.onsets import Onset
from sprout.germination.time_to_event import TimeToEvent, fit_time_to_event
from sprout.intervals import Interval, jeffreys, wilson


@dataclass(frozen=True)
class Share:
    """A share in %, with its 95 % intervals (0 to 100): ``germinated`` of ``sown``."""

    germinated: int
    sown: int
    pct: float
    wilson_pct: Interval
    jeffreys_pct: Interval


@dataclass(frozen=True, eq=False)
class GerminationSummary:
    """Figures of one grow, or of one crop in it.

    Attributes
    ----------
    by_plug:
        Plugs with a seedling, of all plugs looked at.
    by_seed:
        Seeds that gave a seedling, of all sown in those plugs; of a seed with several germs one counts. Seeds of one
        site share their luck, so the intervals rest on an effective number of seeds (see ``dispersion``).
    dispersion:
        Variance between plugs over that of independent seeds, 1 at least (Pearson X² over its degrees of freedom).
    mean_days, variance_days2, velocity_pct_per_day, speed_per_day, t50_coolbear_days, t50_farooq_days,
    uncertainty_bit, synchrony, value:
        Classical indices (see ``indices``) of the first seedlings of the plugs, dated at the middle between the last
        empty look and the first sprouted one. NaN without events.
    timson_pct_days:
        Sum of daily cumulative % of plugs up to the last look.
    fit:
        Log-logistic time-to-event model of the plugs, with t10, t50 and t90 by ``fit.time_of``; None before any look.
    """

    by_plug: Share
    by_seed: Share
    dispersion: float
    mean_days: float
    variance_days2: float
    velocity_pct_per_day: float
    speed_per_day: float
    t50_coolbear_days: float
    t50_farooq_days: float
    uncertainty_bit: float
    synchrony: float
    value: Czabator
    timson_pct_days: float
    fit: TimeToEvent | None


def summarise(plugs: Sequence[Onset]) -> GerminationSummary:
    """Figures from the plugs' onsets; a plug in doubt counts by the likelier side, one never looked at not at all."""
    seen = [o for o in plugs if o.up or o.empty_day > 0]
    up = [o for o in seen if o.up]
    middles = np.array([(o.empty_day + o.up_day) / 2 for o in up])
    times, counts = np.unique(middles, return_counts=True)
    last = max((max(o.seen_day, o.empty_day) for o in seen), default=0.0)
    got = np.array([min(o.seedlings or 1, o.seeds) if o.up else 0 for o in seen], dtype=float)
    sown = np.array([o.seeds for o in seen], dtype=float)
    dispersion = _dispersion(got, sown)
    value = indices.Czabator(np.nan, np.nan, np.nan)
    if up:
        # mean daily germination runs to the last look, whether or not anything came up then
        peak = indices.czabator(times, counts, len(seen)).peak_value
        mean_daily = 100 * len(up) / len(seen) / max(last, times[-1])
        value = indices.Czabator(peak, mean_daily, peak * mean_daily)
    return GerminationSummary(
        by_plug=_share(len(up), len(seen), 1.0),
        by_seed=_share(int(got.sum()), int(sown.sum()), dispersion),
        dispersion=dispersion,
        mean_days=indices.mean_germination_time(times, counts),
        variance_days2=indices.variance_of_time(times, counts),
        velocity_pct_per_day=indices.coefficient_of_velocity(times, counts),
        speed_per_day=indices.speed(times, counts),
        t50_coolbear_days=indices.t50_coolbear(times, counts),
        t50_farooq_days=indices.t50_farooq(times, counts),
        uncertainty_bit=indices.uncertainty(counts),
        synchrony=indices.synchrony(counts),
        value=value,
        timson_pct_days=indices.timson(times, counts, len(seen), last_day=int(last)) if seen else np.nan,
        fit=_fit(seen) if seen else None,
    )


def _fit(seen: Sequence[Onset]) -> TimeToEvent:
    start = [o.empty_day if o.up or o.up_day == np.inf else o.up_day for o in seen]
    return fit_time_to_event(start, [o.up_day if o.up else np.inf for o in seen], np.ones(len(seen)))


def _share(germinated: int, sown: int, dispersion: float) -> Share:
    x, n = germinated / dispersion, sown / dispersion
    low_high = [Interval(100 * i.low, 100 * i.high) for i in (wilson(x, n), jeffreys(x, n))]
    return Share(germinated, sown, 100 * germinated / sown if sown else np.nan, *low_high)


def _dispersion(got: indices.FloatArray, sown: indices.FloatArray) -> float:
    got, sown = got[sown > 0], sown[sown > 0]
    share = got.sum() / sown.sum() if sown.size else 0.0
    if got.size < 2 or not 0 < share < 1:
        return 1.0
    pearson = ((got - sown * share) ** 2 / (sown * share * (1 - share))).sum()
    return max(1.0, float(pearson / (got.size - 1)))
