"""What the germination and growth rooms say of a grow, as tables for the command line and the pages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import inf, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from sprout import columns
from sprout.germination.onsets import Onset, onsets
from sprout.germination.summary import GerminationSummary, Share, summarise
from sprout.germination.turnbull import turnbull_interval
from sprout.growth import health
from sprout.growth.canopy import Canopy, canopies
from sprout.growth.fit import fit_growth
from sprout.growth.rates import classical_growth_rate, relative_growth_rate
from sprout.outlook.ahead import pickings

if TYPE_CHECKING:
    import pandas as pd

    from sprout.evidence import Evidence
    from sprout.outlook.records import Outlook
    from sprout.timeline import Weighed

ALL = "all"
_ENOUGH_LOOKS = 6  # below, no criterion can choose between growth curves
_WEEK_DAYS = 7


def plug_table(weighed: Weighed, outlook: Outlook) -> pd.DataFrame:
    """The plugs as they stand, with chance and advice: ``columns.PLUGS``."""
    ahead = {p.plug: p for p in outlook.plugs}
    rows: list[dict[Any, Any]] = []
    for row in weighed.plugs.to_dict("records"):
        plug = ahead[row["plug"]]
        day = "" if plug.give_up_on is None else plug.give_up_on.isoformat()
        rows.append(row | {"p_yet": plug.p_yet, "give_up_on": day, "advice": plug.advice, "advice_why": plug.why})
    return columns.frame(rows, columns.PLUGS)


def germination_table(weighed: Weighed) -> pd.DataFrame:
    """Germination figures of each crop, and of the whole lid where there are several: ``columns.GERMINATION``."""
    rows = [_figures(name, summarise(plugs)) for name, plugs in _groups(weighed)]
    return columns.frame(rows, columns.GERMINATION)


def curve_table(weighed: Weighed) -> pd.DataFrame:
    """The share of plugs up by each day, up to the last look: ``columns.CURVE``."""
    rows = [row for name, plugs in _groups(weighed) for row in _curve(name, plugs)]
    return columns.frame(rows, columns.CURVE)


def growth_table(weighed: Weighed, evidence: Evidence) -> pd.DataFrame:
    """Growth of each standing plug that is up, and of each crop's plugs together: ``columns.GROWTH``."""
    sites = dict(zip(weighed.plugs["plug"], weighed.plugs["site"], strict=True))
    by_crop: defaultdict[str, list[Canopy]] = defaultdict(list)
    for canopy in canopies(weighed.days, weighed.plugs, picks=pickings(evidence)):
        if canopy.days.size:
            by_crop[canopy.crop].append(_since_picked(canopy))
    rows: list[dict[str, Any]] = []
    for crop, group in by_crop.items():
        rows += [_grown(canopy, sites[canopy.plug]) for canopy in group]
        rows.append({"crop": crop, "looks": sum(c.days.size for c in group), **_rates(group)})
    return columns.frame(rows, columns.GROWTH)


def health_table(weighed: Weighed, evidence: Evidence) -> pd.DataFrame:
    """Yellow and dry leaf of each plug against its own first weeks: ``columns.HEALTH``."""
    leaf = canopies(weighed.days, weighed.plugs, picks=pickings(evidence))
    return health.health_table(weighed.days, leaf, as_of=evidence.last_day)


def _groups(weighed: Weighed) -> Iterator[tuple[str, list[Onset]]]:
    """Plugs looked at, by crop, and all together where there are several crops."""
    by_crop: defaultdict[str, list[Onset]] = defaultdict(list)
    for plug in onsets(weighed.days, weighed.plugs):
        if plug.seen_day > 0:
            by_crop[plug.crop].append(plug)
    yield from by_crop.items()
    if len(by_crop) > 1:
        yield ALL, [plug for plugs in by_crop.values() for plug in plugs]


def _figures(name: str, found: GerminationSummary) -> dict[str, Any]:
    fit = found.fit
    t50, t50_se = (nan, nan) if fit is None or fit.d == 0 else fit.time_of(0.5)
    return {
        "crop": name,
        **_share("plugs", found.by_plug),
        **_share("seeds", found.by_seed),
        "dispersion": found.dispersion,
        "mean_days": found.mean_days,
        "variance_days2": found.variance_days2,
        "velocity_pct_per_day": found.velocity_pct_per_day,
        "speed_per_day": found.speed_per_day,
        "t50_coolbear_days": found.t50_coolbear_days,
        "t50_farooq_days": found.t50_farooq_days,
        "t50_fit_days": t50,
        "t50_fit_se_days": t50_se,
        "final_fit_pct": nan if fit is None else 100 * fit.d,
        "final_fit_se_pct": nan if fit is None else 100 * float(fit.covariance[1, 1]) ** 0.5,
        "timson_pct_days": found.timson_pct_days,
        "uncertainty_bit": found.uncertainty_bit,
        "synchrony": found.synchrony,
        "mean_daily_pct": found.value.mean_daily,
        "peak_value_pct_per_day": found.value.peak_value,
        "germination_value": found.value.germination_value,
    }


def _share(of: str, share: Share) -> dict[str, Any]:
    return {
        of: share.sown,
        f"{of}_up": share.germinated,
        f"{of}_up_pct": share.pct,
        f"{of}_wilson_low_pct": share.wilson_pct.low,
        f"{of}_wilson_high_pct": share.wilson_pct.high,
        f"{of}_jeffreys_low_pct": share.jeffreys_pct.low,
        f"{of}_jeffreys_high_pct": share.jeffreys_pct.high,
    }


def _curve(name: str, plugs: Sequence[Onset]) -> Iterator[dict[str, Any]]:
    left = [o.empty_day if o.up or o.up_day == inf else o.up_day for o in plugs]
    right = [o.up_day if o.up else inf for o in plugs]
    days = np.arange(int(max(o.seen_day for o in plugs)) + 1)
    fit = summarise(plugs).fit
    fitted = np.full(days.size, nan) if fit is None else 100 * fit.germinated(days)
    for day, up, low, high, by_fit in zip(days, *turnbull_interval(left, right, days), fitted, strict=True):
        values = {"up_pct": 100 * up, "low_pct": 100 * low, "high_pct": 100 * high, "fit_pct": by_fit}
        yield {"crop": name, "day": int(day), **values}


def _grown(canopy: Canopy, site: str) -> dict[str, Any]:
    row = {
        "crop": canopy.crop,
        "plug": canopy.plug,
        "site": site,
        "looks": canopy.days.size,
        "tissue_cm2": canopy.areas_cm2[-1] if canopy.days.size else nan,
        **_rates([canopy]),
    }
    if canopy.days.size < _ENOUGH_LOOKS:
        return row
    growth = fit_growth(canopy.days, canopy.areas_cm2)
    curve = {"model": growth.model, "limit_cm2": growth.limit, "rate_per_day": growth.rate, "misfit": growth.sigma}
    return row | curve


def _since_picked(canopy: Canopy) -> Canopy:
    since = canopy.days >= canopy.grows_from
    return replace(canopy, days=canopy.days[since], areas_cm2=canopy.areas_cm2[since])


def _rates(group: Sequence[Canopy]) -> dict[str, Any]:
    """Relative growth over the last week, of the plugs looked at on the same two days; nothing where none was."""
    last = max((c.sown.toordinal() + c.days[-1] for c in group if c.days.size), default=nan)
    pairs: defaultdict[float, list[tuple[float, float]]] = defaultdict(list)
    for canopy in group:
        dates = canopy.sown.toordinal() + canopy.days
        before = np.flatnonzero(dates <= last - _WEEK_DAYS)
        if before.size and dates[-1] == last:
            pairs[last - dates[before[-1]]].append((canopy.areas_cm2[before[-1]], canopy.areas_cm2[-1]))
    if not pairs:
        return {}
    days = max(pairs, key=lambda d: (len(pairs[d]), -d))
    before_cm2, after_cm2 = zip(*pairs[days], strict=True)
    grown = relative_growth_rate(before_cm2, after_cm2, days)
    return {
        "growth_per_day": grown.rate,
        "growth_se_per_day": grown.standard_error,
        "classical_per_day": classical_growth_rate(before_cm2, after_cm2, days),
        "doubling_days": grown.doubling_days if grown.rate > 0 else nan,
    }
