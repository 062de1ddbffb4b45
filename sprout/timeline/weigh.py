"""All evidence of a grow -> one row per plug and day, one per plug, one per day of the whole lid."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from math import isnan, nan
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from sprout import columns
from sprout.calibration import find_crop
from sprout.counts import number_and_range
from sprout.evidence import Evidence, end_of
from sprout.plugs import Plug, Plugs
from sprout.timeline.chain import Belief, weigh_all, without_false_start
from sprout.timeline.looks import Look
from sprout.timeline.prior import Prior, prior_for

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[Hashable, Any]

_SPROUTED_FROM = 0.65  # chance from which a plug is called sprouted
_EMPTY_UP_TO = 0.10  # chance up to which it is called empty
_TAIL = 0.05  # left over on either side of a 90 % interval
_HELD = 0.55  # of the chances of each number; the likeliest is right more often than the chain believes
_MANY = 10**6
_MEASURED = ("tissue_cm2", "cover_pct", "yellow_pct", "dry_pct")


@dataclass(frozen=True, eq=False)
class Weighed:
    """What stood where on which day: tables with ``columns.DAYS``, ``columns.PLUG_STATES`` and ``columns.GROW``.

    ``stray`` holds what concerns a site in which no plug stood that day, in words.
    """

    days: pd.DataFrame
    plugs: pd.DataFrame
    grow: pd.DataFrame
    stray: tuple[str, ...] = ()


@dataclass
class _Day:
    """The evidence of one day on one plug; photos in time order."""

    date: date
    site: str
    photos: list[Row] = field(default_factory=list)
    entries: list[Row] = field(default_factory=list)
    fix: Row | None = None

    @property
    def shown(self) -> Row | None:
        """The photo whose values stand for the day: the last one that measured the plug, else the last one."""
        measured = [p for p in self.photos if not isnan(_number(p["tissue_cm2"]))]
        return next(reversed(measured or self.photos), None)


@dataclass
class _Story:
    """One plug with its days, its looks, and what they add up to."""

    plug: Plug
    days: list[_Day]
    looks: list[Look]
    last_look_of: list[int]
    prior: Prior
    belief: Belief | None = None


def weigh(evidence: Evidence) -> Weighed:
    """Weigh photos, entries by hand and corrections of a grow together.

    The tables do not depend on the order in which the evidence came. A day without a look has no row. With several
    photos on a day all count as evidence, and the row shows the values of the last one that measured the plug.

    Raises
    ------
    UsageError
        If the notes contradict one another, or a crop is not known.
    """
    plugs = evidence.plugs()
    found, stray = _days_of_plugs(evidence, plugs)
    stories = [_story(plug, found[name], evidence) for name, plug in plugs.plugs.items()]
    looked_at = [story for story in stories if story.looks]
    beliefs = weigh_all([(story.looks, story.prior) for story in looked_at])
    for story, belief in zip(looked_at, beliefs, strict=True):
        story.belief = belief
    of_plugs = [_day_rows(story, evidence) for story in stories]
    days = sorted((row for rows in of_plugs for row in rows), key=lambda row: str(row["date"]))
    rows = zip(stories, of_plugs, strict=True)
    return Weighed(
        columns.frame(days, columns.DAYS),
        columns.frame([_plug_row(story, last, plugs) for story, last in rows], columns.PLUG_STATES),
        columns.frame(_grow_rows(days, evidence, plugs), columns.GROW),
        tuple(stray),
    )


def _days_of_plugs(evidence: Evidence, plugs: Plugs) -> tuple[defaultdict[str, list[_Day]], list[str]]:
    """Lay every piece of evidence with the plug that stood in its site at that moment."""
    by_plug: defaultdict[str, dict[date, _Day]] = defaultdict(dict)
    stray: list[str] = []
    standing = cache(plugs.at)  # asked once for all sites of a photo

    def day_of(site: str, moment: datetime) -> _Day | None:
        plug = standing(moment).get(site)
        if plug is None:
            return None
        days, on = by_plug[plug], moment.date()
        day = days.get(on)
        if day is None:
            day = days[on] = _Day(on, site)
        day.site = site
        return day

    moments = {text: datetime.fromisoformat(text) for text in sorted(set(evidence.looks["moment"]))}
    last = {moment.date(): moment for moment in moments.values()}
    for look in sorted(_rows(evidence.looks), key=lambda r: (r["moment"], r["sha256"])):
        if (day := day_of(look["site"], moments[look["moment"]])) is not None:
            day.photos.append(look)
    for kind, table in (("entry", evidence.entries), ("correction", evidence.fixes)):
        for row in _rows(table):
            on = date.fromisoformat(row["date"])
            day = day_of(row["site"], last.get(on, end_of(on)))
            if day is None:
                stray.append(f"{kind} for {row['site']} on {on}: no plug stood there")
            elif kind == "entry":
                day.entries.append(row)
            else:
                day.fix = row
    ordered: defaultdict[str, list[_Day]] = defaultdict(list)
    for name, days in by_plug.items():
        ordered[name] = [days[k] for k in sorted(days)]
    return ordered, stray


def _story(plug: Plug, days: list[_Day], evidence: Evidence) -> _Story:
    looks: list[Look] = []
    last_look_of = []
    site = days[0].site if days else ""
    for day in days:
        new = _looks_of(day, (day.date - plug.sown).days, moved=day.site != site)
        looks += new
        site = day.site
        last_look_of.append(len(looks) - 1)
    prior = prior_for(plug.sowing, temperature_c=evidence.temperature_c)
    looks = without_false_start(looks, prior)
    return _Story(plug, days, looks, last_look_of, prior)


def _looks_of(day: _Day, number: int, *, moved: bool) -> list[Look]:
    fixed = _fixed(day.fix)
    if fixed is not None:
        return [Look(number, moved=moved, fixed=fixed)]
    looks = [
        Look(
            number,
            p_sprouted=nan if photo["status"] == "hidden" else _number(photo["p_sprouted"]),
            seedlings=_number(photo["seedlings"]),
            low=_number(photo["seedlings_low"]),
            high=_number(photo["seedlings_high"]),
            tissue_cm2=_number(photo["tissue_cm2"]),
            overhung=bool({"overhung", "touching"} & set(photo["flags"].split())),
            moved=moved and k == 0,
        )
        for k, photo in enumerate(day.photos)
    ]
    if day.entries or not looks:
        counts = tuple(int(entry["seedlings"]) for entry in day.entries)
        looks.append(Look(number, moved=moved and not looks, by_hand=counts))
    return looks


def _fixed(fix: Row | None) -> tuple[int, int] | None:
    if fix is None:
        return None
    count = _number(fix["seedlings"])
    if not isnan(count):
        return int(count), int(count)
    return {"empty": (0, 0), "sprouted": (1, _MANY)}.get(fix["status"])


def _status(p_sprouted: float, *, hidden: bool, witnessed: bool) -> str:
    """In words; only what some look so far has shown is ever called sprouted, however likely it is by now."""
    if witnessed and p_sprouted >= _SPROUTED_FROM:
        return "sprouted"
    if hidden:
        return "hidden"
    return "empty" if p_sprouted <= _EMPTY_UP_TO else "unsure"


def _count(chances: npt.NDArray[np.float64], status: str) -> tuple[int, int, int]:
    """Most likely number of seedlings, and a range about it that holds the true one nine times in ten."""
    best, low, high = number_and_range(chances, _HELD)
    if status == "empty":
        best = 0
    elif status == "sprouted":
        best = 1 + int(np.argmax(chances[1:]))
    return best, min(low, best), max(high, best)


def _day_rows(story: _Story, evidence: Evidence) -> list[dict[str, Any]]:
    rows = []
    first_sight = next((k for k, look in enumerate(story.looks) if look.shows), len(story.looks))
    for day, k in zip(story.days, story.last_look_of, strict=True):
        assert story.belief is not None
        shown = day.shown
        p = float(story.belief.p_sprouted[k])
        hidden = bool(day.photos) and all(photo["status"] == "hidden" for photo in day.photos)
        status = _status(p, hidden=hidden, witnessed=k >= first_sight)
        best, low, high = _count(story.belief.seedlings[k], status)
        values = {name: nan if shown is None else _number(shown[name]) for name in _MEASURED}
        if shown is None:
            values |= _mean_of_entries(day.entries)
        if day.fix is not None:
            values |= {name: v for name in _MEASURED if not isnan(v := _number(day.fix.get(name)))}
        given = day.fix if day.fix is not None else ({} if shown is not None else values)
        if not isnan(_number(given.get("tissue_cm2"))):
            values["cover_pct"] = 100 * values["tissue_cm2"] / evidence.area_per_site_cm2
        basis = "+".join(word for word, there in (("photo", day.photos), ("entry", day.entries)) if there)
        rows.append(
            {
                "date": day.date.isoformat(),
                "day": (day.date - story.plug.sown).days,
                "plug": story.plug.name,
                "site": day.site,
                "status": status,
                "p_sprouted": p,
                "seedlings": best,
                "seedlings_low": low,
                "seedlings_high": high,
                **values,
                "algae": "" if shown is None else shown["algae"],
                "flags": "" if shown is None else shown["flags"],
                "basis": "correction" if day.fix is not None else basis,
                "photo": "" if shown is None else shown["photo"],
            }
        )
    return rows


def _mean_of_entries(entries: list[Row]) -> dict[str, float]:
    out = {}
    for name in ("tissue_cm2", "yellow_pct", "dry_pct"):
        given = [v for entry in entries if not isnan(v := _number(entry[name]))]
        out[name] = float(np.mean(given)) if given else nan
    return out


def _plug_row(story: _Story, days: list[dict[str, Any]], plugs: Plugs) -> dict[str, Any]:
    plug, belief = story.plug, story.belief
    retired = plugs.retired_on(plug.name) is not None
    last: dict[str, Any] = days[-1] if days else {"status": "unsure"}
    return {
        "plug": plug.name,
        "site": next((site for site, name in plugs.now().items() if name == plug.name), ""),
        "crop": find_crop(plug.sowing.crop).name,
        "seeds": plug.sowing.seeds,
        "sown": plug.sown.isoformat(),
        "status": "retired" if retired else last["status"],
        **(_first_sprouted(story, belief) if belief is not None else {}),
        "seedlings": (0 if retired else last["seedlings"]) if days else None,
        "tissue_cm2": next((row["tissue_cm2"] for row in reversed(days) if not isnan(row["tissue_cm2"])), nan),
    }


def _first_sprouted(story: _Story, belief: Belief) -> dict[str, Any]:
    """Date of the first look that shows a sprout, with the 90 % interval of the day on which it came up."""
    up_by = np.cumsum(belief.first)
    shown = [k for k, look in enumerate(story.looks) if look.shows and up_by[k] >= _SPROUTED_FROM]
    if not shown:
        return {}
    day = int(story.looks[shown[0]].day)
    share = up_by / up_by[-1]
    first, last = int(np.argmax(share >= _TAIL)), int(np.argmax(share >= 1 - _TAIL))
    return {
        "first_sprouted": next(d.date for d in story.days if (d.date - story.plug.sown).days == day).isoformat(),
        "day_sprouted": day,
        "day_sprouted_low": float(story.looks[first - 1].day) if first else 0.0,
        "day_sprouted_high": float(story.looks[last].day),
    }


def _grow_rows(days: list[dict[str, Any]], evidence: Evidence, plugs: Plugs) -> list[dict[str, Any]]:
    """One row per date with a look; a plug not looked at that day counts as it was last seen."""
    by_date: defaultdict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in days:
        by_date[row["date"]].append(row)
    known: dict[str, dict[str, Any]] = {}
    rows = []
    for day in sorted(by_date):
        known |= {row["plug"]: row for row in by_date[day]}
        on = date.fromisoformat(day)
        here = {row["plug"] for row in by_date[day]}
        standing = here | set(plugs.at(end_of(on)).values())
        up = [known[p] for p in standing if p in known and known[p]["status"] == "sprouted"]
        tissue = [r["tissue_cm2"] for r in by_date[day] if r["photo"] and not isnan(r["tissue_cm2"])]
        rows.append(
            {
                "date": day,
                "day": (on - evidence.sown).days,
                "plugs": len(standing),
                "sprouted": len(up),
                "seedlings": sum(r["seedlings"] for r in up),
                "cover_pct": 100 * sum(tissue) / (evidence.area_per_site_cm2 * len(evidence.labels)) if tissue else nan,
                "tissue_cm2": sum(tissue) if tissue else nan,
            }
        )
    return rows


def _rows(table: pd.DataFrame) -> Sequence[Row]:
    return table.to_dict("records")


def _number(value: Any) -> float:
    """A float; NaN for every kind of missing."""
    try:
        return float(value)
    except (TypeError, ValueError):
        return nan
