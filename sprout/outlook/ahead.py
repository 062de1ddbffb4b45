"""Everything known of a grow up to a day -> the outlook."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from datetime import date, timedelta
from math import nan
from typing import TYPE_CHECKING, Any

import pandas as pd

from sprout.calibration import find_crop
from sprout.errors import UsageError
from sprout.germination.forecast import KEEP_UNTIL_CHANCE, GerminationForecast, PlugForecast, forecast
from sprout.germination.onsets import onsets
from sprout.growth.canopy import canopies
from sprout.growth.forecast import GrowthForecast, PlugPicks, forecast_growth
from sprout.outlook.advice import Condition, advise
from sprout.outlook.concerns import concerns
from sprout.outlook.priors import EarlierGrow, basis, priors
from sprout.outlook.records import Concern, Days, GrowOutlook, LidOutlook, Outlook, PlugOutlook, Span
from sprout.outlook.tending import tend

if TYPE_CHECKING:
    from sprout.evidence import Evidence
    from sprout.timeline import Weighed

Row = Mapping[Hashable, Any]


def look_ahead(
    evidence: Evidence,
    weighed: Weighed,
    *,
    as_of: date,
    keep_until_chance: float = KEEP_UNTIL_CHANCE,
    earlier: Sequence[EarlierGrow] = (),
    coming_temperature_c: float | None = None,
) -> Outlook:
    """The outlook of a grow at the end of a day.

    Parameters
    ----------
    evidence, weighed:
        What was known by then: ``evidence.until(as_of)``, and what ``timeline.weigh`` makes of that. The weighing
        looks both ways in time, so it must not have seen more.
    keep_until_chance:
        Chance to sprout yet below which an empty plug is given up, 0 to 1.
    earlier:
        Earlier grows, which teach what to expect of their crops.
    coming_temperature_c:
        Degrees C of the coming days where they are not the usual ones: heat takes more water.

    Raises
    ------
    UsageError
        If the day is before the sowing, or a crop is not known.
    ValueError
        If something later than ``as_of`` is in the evidence.
    """
    if as_of < evidence.sown:
        raise UsageError(as_of, f"is before the sowing on {evidence.sown}", "give a later day")
    if evidence.last_day > as_of or any(weighed.days["date"] > as_of.isoformat()):
        raise ValueError(f"the evidence holds something later than {as_of}")
    crops = {name: find_crop(name) for name in weighed.plugs["crop"].unique()}
    expected = priors(crops, temperature_c=evidence.temperature_c, earlier=earlier)
    coming = forecast(onsets(weighed.days, weighed.plugs), expected, as_of=as_of, keep_until_chance=keep_until_chance)
    canopy = canopies(weighed.days, weighed.plugs, picks=pickings(evidence))
    cover = weighed.grow[weighed.grow["cover_pct"].notna()]
    growth = forecast_growth(
        canopy,
        crops,
        as_of=as_of,
        area_per_site_cm2=evidence.area_per_site_cm2,
        cover=([date.fromisoformat(d) for d in cover["date"]], cover["cover_pct"]),
    )
    found = concerns(weighed, canopy, as_of=as_of)
    plugs = _plugs(evidence, weighed, coming, growth, found, as_of=as_of, keep_until_chance=keep_until_chance)
    tending = tend(
        evidence,
        weighed,
        as_of=as_of,
        plugs=plugs,
        concerns=found,
        coming_temperature_c=coming_temperature_c,
    )
    return Outlook(
        as_of=as_of,
        day=(as_of - evidence.sown).days,
        grow=_grow(coming, weighed, basis(expected.values(), evidence.temperature_c)),
        plugs=plugs,
        lid=LidOutlook(
            # leaves may reach over the edge of the lid
            cover_pct=min(100.0, float(cover["cover_pct"].iloc[-1])) if len(cover) else nan,
            closure=Days.of(growth.closure),
            # with nothing up and little hope the first picking of what may come is no forecast
            first_pick=Days.of(growth.first_pick if coming.sprouted_final.mid > 0 else None),
        ),
        water=tending.water,
        feed=tending.feed,
        to_do=tending.to_do,
        warnings=found,
    )


def pickings(evidence: Evidence) -> dict[str, list[date]]:
    """Dates of noted pickings by plug; a note without a site is about every plug that stood then."""
    plugs = evidence.plugs()
    picks: defaultdict[str, list[date]] = defaultdict(list)
    for note in evidence.notes:
        if note.kind == "pick":
            stood = plugs.at(note.moment)
            for plug in [stood[note.site]] if note.site in stood else [] if note.site else stood.values():
                picks[plug].append(note.moment.date())
    return picks


def _grow(coming: GerminationForecast, weighed: Weighed, basis: str) -> GrowOutlook:
    states = weighed.plugs[weighed.plugs["status"] != "retired"]
    gone = int(_gone(states).sum())
    return GrowOutlook(
        plugs=len(states),
        sprouted_now=int((states["status"] == "sprouted").sum()),
        sprouted_final=Span(*(max(0, n - gone) for n in coming.sprouted_final)),
        germination_pct=Span(*coming.germination_pct),
        t50_days=Span(*coming.t50_days),
        basis=basis,
    )


def _gone(states: Any) -> Any:
    """Whether a plug came up and is empty again."""
    return (states["status"] == "empty") & states["day_sprouted"].notna()


def _plugs(
    evidence: Evidence,
    weighed: Weighed,
    coming: GerminationForecast,
    growth: GrowthForecast,
    found: Sequence[Concern],
    *,
    as_of: date,
    keep_until_chance: float,
) -> tuple[PlugOutlook, ...]:
    germination = {p.plug: p for p in coming.plugs}
    picking = {p.plug: p for p in growth.plugs}
    # the days stand in order of time
    last = {row["plug"]: row for row in weighed.days.drop_duplicates("plug", keep="last").to_dict("records")}
    fed = max((n.moment.date() for n in evidence.notes if n.kind == "feed"), default=None)
    texts: defaultdict[str, list[str]] = defaultdict(list)
    for concern in found:
        for plug in concern.plugs:
            texts[plug].append(concern.text)
    gone = _gone(weighed.plugs)
    return tuple(
        _plug(
            row,
            last.get(row["plug"]),
            germination.get(row["plug"]),
            None if lost else picking.get(row["plug"]),
            as_of=as_of,
            keep_until_chance=keep_until_chance,
            fed=fed,
            concerns_of=tuple(texts[row["plug"]]),
        )
        for row, lost in zip(weighed.plugs.to_dict("records"), gone, strict=True)
    )


def _plug(
    row: Row,
    look: Row | None,
    coming: PlugForecast | None,
    picking: PlugPicks | None,
    *,
    as_of: date,
    keep_until_chance: float,
    fed: date | None,
    concerns_of: tuple[str, ...],
) -> PlugOutlook:
    sown = date.fromisoformat(row["sown"])
    if row["status"] == "sprouted":
        coming = None
    first = Days.of(picking.first_pick if picking else None)
    following = Days.of(picking.next_pick if picking else None)
    condition = Condition(
        status=row["status"],
        as_of=as_of,
        day=None if look is None else int(look["day"]),
        day_sprouted=_whole(row["day_sprouted"]),
        seedlings=_whole(row["seedlings"]) or 0,
        yellow_pct=nan if look is None else look["yellow_pct"],
        dry_pct=nan if look is None else look["dry_pct"],
        fed_day=None if fed is None else (fed - sown).days,
        p_yet=coming.p_yet if coming else nan,
        give_up_below=keep_until_chance,
        give_up_on=coming.give_up_on if coming else None,
        why_empty=coming.why if coming else "",
        # picked when it is likelier than not worth it; a first time only once the looks have shown it
        pick_from=following.mid if following.mid else first.high,
        concerns=concerns_of,
    )
    advice, why = advise(condition, find_crop(row["crop"]))
    return PlugOutlook(
        plug=row["plug"],
        site=row["site"],
        crop=row["crop"],
        status=row["status"],
        p_yet=coming.p_yet if coming else nan,
        give_up_on=coming.give_up_on if coming else None,
        seedlings=_whole(row["seedlings"]),
        first_pick=first,
        next_pick=following,
        growth_per_day=picking.growth_per_day if picking else nan,
        advice=advice,
        why=why,
    )


def _whole(value: Any) -> int | None:
    """An integer; None for every kind of missing."""
    return None if pd.isna(value) else int(value)


def recent(evidence: Evidence, today: date, *, within: timedelta = timedelta(days=14)) -> date:
    """The day that an outlook is about when none is named: today, or the last day known of a grow that has ended."""
    last = evidence.last_day
    return today if last <= today <= last + within else last
