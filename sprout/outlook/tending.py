"""What the grower does for the lid: water, food, and the list of things to do."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan
from typing import TYPE_CHECKING, Any

from sprout.calibration import find_crop
from sprout.care.food import Feeding, feeding, feeding_tasks
from sprout.care.leaf import lid_leaf
from sprout.care.sites import site_tasks
from sprout.care.tasks import COMMON_PRACTICE, YOUR_NOTES, Task, Urgency, in_order, range_of
from sprout.care.water import Water as Account
from sprout.care.water import water_account, water_tasks
from sprout.flags import FLAGS
from sprout.outlook.records import Concern, Days, Feed, PlugOutlook, Span, Water

if TYPE_CHECKING:
    from sprout.evidence import Evidence
    from sprout.timeline import Weighed

Row = Mapping[Hashable, Any]

_IDLE = ("", "wait", "nothing", "take a photo")
_STALE_DAYS = 2
_SOON_DAYS = 14
_DRY_PCT = 15.0
_MANY_PICKED = 1 / 3  # of the plugs: then the lid's leaf starts anew
# By the first word of the advice: what goes first, and what its cautions are about.
_KINDS: dict[str, tuple[Urgency, tuple[str, ...]]] = {
    "feed": (Urgency.FEED, ("feed",)),
    "check": (Urgency.SICK, ("sick", "lamp")),
    "thin": (Urgency.THIN, ()),
    "pick": (Urgency.PICK, ("pick",)),
    "give": (Urgency.SOW, ("resow",)),
    "resow": (Urgency.SOW, ("resow",)),
    "look": (Urgency.LOOK, ()),
}


@dataclass(frozen=True)
class Tending:
    """Water, food, and tasks in the order to do them."""

    water: Water
    feed: Feed
    to_do: tuple[Task, ...]


def tend(
    evidence: Evidence,
    weighed: Weighed,
    *,
    as_of: date,
    plugs: Sequence[PlugOutlook],
    concerns: Sequence[Concern],
    coming_temperature_c: float | None = None,
) -> Tending:
    """What water and food the lid needs, and what to do on which day.

    ``evidence`` and ``weighed`` hold nothing later than ``as_of``.
    """
    account = _account(evidence, weighed, as_of, plugs, coming_temperature_c)
    sprouted = {
        row["site"]: date.fromisoformat(row["first_sprouted"])
        for row in weighed.plugs.to_dict("records")
        if row["site"] and row["first_sprouted"]
    }
    first_up = min((date.fromisoformat(d) for d in weighed.plugs["first_sprouted"] if d), default=None)
    at_hand = evidence.reservoir_litres if account.level_litres is None else account.level_litres.mid
    food = feeding(
        evidence.notes,
        evidence.feeds,
        {p.crop: find_crop(p.crop) for p in plugs if p.site},
        sown=evidence.sown,
        as_of=as_of,
        first_up=first_up,
        litres=at_hand,
    )
    looks = _last_looks(weighed, plugs)
    dry = [row for row in looks if row["status"] == "sprouted" and row["dry_pct"] >= _DRY_PCT]
    fed = feeding_tasks(food, as_of=as_of)
    tasks = [
        *water_tasks(
            account,
            as_of=as_of,
            dry_sites=[row["site"] for row in dry],
            dry_pct=max((row["dry_pct"] for row in dry), default=0.0),
        ),
        *fed,
        *site_tasks(
            evidence.labels,
            evidence.plugs(),
            evidence.notes,
            looks,
            sprouted,
            as_of=as_of,
            seen_covered=_seen_covered(evidence),
        ),
        *_look(weighed, as_of),
        *_plug_tasks(plugs, looks, as_of, fed=any("feed" in t.about for t in fed)),
        *_flagged(looks, as_of),
        *_concerned(concerns, as_of),
    ]
    return Tending(_water(account), _feed(food), in_order(tasks))


def _account(
    evidence: Evidence,
    weighed: Weighed,
    as_of: date,
    plugs: Sequence[PlugOutlook],
    coming_temperature_c: float | None,
) -> Account:
    standing = [p for p in plugs if p.site] or list(plugs)
    counts: defaultdict[str, int] = defaultdict(int)
    for plug in standing:
        counts[plug.crop] += 1
    picked: defaultdict[date, int] = defaultdict(int)
    for note in evidence.notes:
        if note.kind == "pick":
            picked[note.moment.date()] += 1 if note.site else len(standing)
    lid_cm2 = evidence.area_per_site_cm2 * len(evidence.labels)
    leaf = lid_leaf(
        [date.fromisoformat(d) for d in weighed.grow["date"]],
        weighed.grow["tissue_cm2"].to_numpy(dtype=float),
        sown=evidence.sown,
        as_of=as_of,
        lid_cm2=lid_cm2,
        crop=find_crop(max(counts, key=lambda name: counts[name]) if counts else "other"),
        plugs=len(standing),
        picked_on=max((d for d, n in picked.items() if n >= _MANY_PICKED * len(standing)), default=None),
    )
    return water_account(
        evidence.notes,
        leaf,
        sown=evidence.sown,
        as_of=as_of,
        lid_cm2=lid_cm2,
        reservoir_litres=evidence.reservoir_litres,
        temperature_c=evidence.temperature_c,
        coming_temperature_c=coming_temperature_c,
    )


def _water(account: Account) -> Water:
    return Water(
        litres_per_day=Span(*account.litres_per_day),
        empty_on=None if account.empty_on is None else Days.of(account.empty_on),
        act_by=account.act_by,
        level_litres=Span(*(account.level_litres or ())),
        level_pct=Span(*(account.level_pct or ())),
        basis=account.basis,
    )


def _feed(food: Feeding) -> Feed:
    dose = food.dose
    low, high = food.ec_ms_cm or (nan, nan)
    return Feed(
        start_on=food.start_on,
        dose_ml=nan if dose is None else _or_nan(dose.ml),
        dose_tsp=nan if dose is None else _or_nan(dose.tsp),
        dose_g=nan if dose is None else _or_nan(dose.g),
        litres=_or_nan(food.litres),
        food=str(food.feed),
        strength_pct=100 * food.strength,
        last_fed=food.last_fed,
        last_change=food.last_change,
        days_since_change=food.days_since_change,
        unfed_litres=food.unfed_litres,
        ec_low_ms_cm=low,
        ec_high_ms_cm=high,
        ec_text=food.ec_text,
        basis=food.basis,
    )


def _or_nan(value: float | None) -> float:
    return nan if value is None else value


def _last_looks(weighed: Weighed, plugs: Sequence[PlugOutlook]) -> list[Row]:
    """The last row of each standing plug."""
    last = {row["plug"]: row for row in weighed.days.to_dict("records")}
    return [last[p.plug] | {"site": p.site} for p in plugs if p.site and p.plug in last]


def _seen_covered(evidence: Evidence) -> set[str]:
    """Sites over which the last photo shows a sticker or foil."""
    looks = evidence.looks
    last = looks[looks["moment"] == looks["moment"].max()]
    return {row["site"] for row in last.to_dict("records") if "covered" in row["flags"].split()}


def _look(weighed: Weighed, as_of: date) -> list[Task]:
    last = max((date.fromisoformat(d) for d in weighed.days["date"]), default=None)
    if last is None:
        return [Task(as_of, "take a photo", "nobody has looked yet", YOUR_NOTES, urgency=Urgency.PHOTO)]
    ago = (as_of - last).days
    why = f"the last look was {ago} days ago"
    return [Task(as_of, "take a photo", why, YOUR_NOTES, urgency=Urgency.PHOTO)] if ago >= _STALE_DAYS else []


def _plug_tasks(plugs: Sequence[PlugOutlook], looks: Sequence[Row], as_of: date, *, fed: bool) -> list[Task]:
    """Today's advice, and the empty plugs and pickings of the coming two weeks; plugs that are alike together.

    ``fed``: the whole lid is to be fed today, so that no plug needs to ask for it.
    """
    ends = {row["plug"]: (row["seedlings_low"], row["seedlings_high"]) for row in looks}
    together: defaultdict[tuple[date, str, str, str], list[str]] = defaultdict(list)
    until = as_of + timedelta(days=_SOON_DAYS)
    for plug in plugs:
        pick = plug.next_pick if plug.next_pick.mid else plug.first_pick
        if plug.advice not in (*_IDLE, "look it over") and not (fed and plug.advice == "feed"):
            low, high = ends[plug.plug] if plug.advice.startswith("thin") else (0, 0)
            interval = f"{low} to {high} seedlings, nine times in ten" if low < high else ""
            together[as_of, plug.advice, plug.why, interval].append(plug.site)
        elif plug.advice == "wait" and plug.give_up_on is not None and plug.give_up_on <= until:
            together[plug.give_up_on, "give up if still empty", plug.why, ""].append(plug.site)
        elif pick.low and pick.mid and pick.high and as_of < pick.mid <= until:
            why, interval = "its leaf is likely worth picking by then", range_of(pick.low, pick.high)
            together[pick.mid, "pick", why, interval].append(plug.site)
    return [_task(*key, sites) for key, sites in together.items()]


def _task(when: date, what: str, why: str, interval: str, sites: Sequence[str]) -> Task:
    urgency, about = _KINDS.get(what.split()[0], (Urgency.LATER, ()))
    basis = f"{YOUR_NOTES}; {COMMON_PRACTICE}"
    return Task(when, f"{', '.join(sites)}: {what}", why, basis, interval, urgency=urgency, about=about)


def _flagged(looks: Sequence[Row], as_of: date) -> list[Task]:
    """What the flags of the last look ask for; green film and covers are among the tasks of the holes."""
    last = max((row["date"] for row in looks), default="")
    found = []
    for name, flag in FLAGS.items():
        sites = [row["site"] for row in looks if row["date"] == last and name in row["flags"].split()]
        if sites and name not in ("algae", "covered"):
            found.append(Task(as_of, f"{', '.join(sites)}: {flag.mend}", flag.meaning, YOUR_NOTES))
    return found


def _concerned(concerns: Sequence[Concern], as_of: date) -> list[Task]:
    """One task for all plugs that show the same kind of thing and have the same causes to check."""
    alike: defaultdict[tuple[str, ...], list[Concern]] = defaultdict(list)
    for concern in concerns:
        alike[concern.kind, *concern.causes].append(concern)
    tasks = []
    for (_, *causes), found in alike.items():
        shows = "; ".join(f"{', '.join(c.plugs)} {c.shows}" for c in found)
        plugs = dict.fromkeys(plug for c in found for plug in c.plugs)
        what, why = f"{', '.join(plugs)}: look it over", f"{shows}; may be {', or '.join(causes)}"
        tasks.append(Task(as_of, what, why, YOUR_NOTES, urgency=Urgency.SICK, about=("sick", "lamp")))
    return tasks
