"""Plant food: when to begin, how much for the litres at hand, when to change the solution."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from sprout.care.tasks import COMMON_PRACTICE, YOUR_NOTES, Task, Urgency
from sprout.feed import PPM_SCALES, Dose, Feed, ppm_of

if TYPE_CHECKING:
    from sprout.calibration import Crop, Source
    from sprout.plugs import Note

# Common practice throughout.
USUAL = Feed("liquid", 0.5, "tsp", seedling_share=1.0)  # already mild
_SEEDLING_DAYS = 14
_CHANGE_DAYS = (14, 21)
_SOON_DAYS = 7


@dataclass(frozen=True)
class Feeding:
    """What food the lid needs.

    Attributes
    ----------
    start_on:
        The day on which the first seedlings were up; before it plain water. None while nothing is up.
    feed, strength:
        What is used (the usual mild dose if the book does not say), and the share of its full dose that is due.
    dose, litres:
        Dose for the litres at hand; None if those are not known.
    per_litre:
        Dose for each litre of a top-up.
    last_fed, last_change:
        Dates of the last notes of each; a reservoir counts as fresh on the day of sowing.
    days_since_change:
        Days from the last full change, or from sowing.
    ec_ms_cm, ec_text:
        Conductivity that suits all crops on the lid (or the span of what they want, if no value suits all), and a
        sentence that gives it in ppm of each scale, with sources. None and "" where nothing is known.
    unfed_litres:
        Litres topped up since the last feed or change.
    basis:
        What it rests on.
    """

    start_on: date | None
    feed: Feed
    strength: float
    dose: Dose | None
    litres: float | None
    per_litre: Dose
    last_fed: date | None
    last_change: date | None
    days_since_change: int
    ec_ms_cm: tuple[float, float] | None
    ec_text: str
    unfed_litres: float
    basis: str


def feeding(
    notes: Iterable[Note],
    feeds: Sequence[tuple[date, Feed]],
    crops: Mapping[str, Crop],
    *,
    sown: date,
    as_of: date,
    first_up: date | None,
    litres: float | None,
) -> Feeding:
    """What the notes up to ``as_of`` leave to be fed.

    Parameters
    ----------
    feeds:
        Foods as described in the book, each with the day from which it is used, in order.
    crops:
        The crops that stand on the lid, by name.
    first_up:
        The day on which the first seedling was seen.
    litres:
        Litres in the reservoir, None if not known.
    """
    known = [n for n in notes if n.moment.date() <= as_of]
    fed = max((n.moment for n in known if n.kind == "feed"), default=None)
    changed = max((n.moment for n in known if n.kind == "change"), default=None)
    told = [feed for since, feed in feeds if since <= as_of]
    feed = told[-1] if told else USUAL
    young = first_up is None or (as_of - first_up).days < _SEEDLING_DAYS
    strength = feed.seedling_share if young else 1.0
    mixed = max((m for m in (fed, changed) if m is not None), default=None)
    added = sum(n.amount or 0.0 for n in known if n.kind == "topup" and mixed is not None and n.moment > mixed)
    ec, ec_text = _conductivity(crops)
    said = (
        f"the food described in the book ({feed})"
        if told
        else f"common practice, half a teaspoon a litre; describe your food with: sprout note BOOK food "
        f'"{USUAL.form} 2 ml/l", and follow its label'
    )
    share = "" if strength == 1 else f", {100 * strength:g} % of it while they are seedlings (common practice)"
    at_hand = "" if litres is not None else "; how much water is in is not known, so only the dose per litre is"
    return Feeding(
        start_on=first_up,
        feed=feed,
        strength=strength,
        dose=None if litres is None else feed.dose(litres, strength=strength),
        litres=litres,
        per_litre=feed.dose(1.0, strength=strength),
        last_fed=fed.date() if fed else None,
        last_change=changed.date() if changed else None,
        days_since_change=(as_of - (changed.date() if changed else sown)).days,
        ec_ms_cm=ec,
        ec_text=ec_text,
        unfed_litres=added,
        basis=f"plain water until the first seedlings are up (common practice), then {said}{share}{at_hand}",
    )


def feeding_tasks(feeding: Feeding, *, as_of: date) -> list[Task]:
    """Begin to feed, feed what was topped up, change the solution."""
    if feeding.start_on is None:
        return []
    meter = f"; {feeding.ec_text}" if feeding.ec_text else ""
    basis = f"{YOUR_NOTES}; {feeding.basis}"
    rate = f"{feeding.per_litre} a litre"
    if feeding.last_fed is None:
        amount = rate if feeding.dose is None else f"{feeding.dose} for the {feeding.litres:.1f} litres at hand"
        why = f"seedlings are up since {feeding.start_on}, and no food is noted yet{meter}"
        return [Task(as_of, f"feed: {amount}", why, basis, urgency=Urgency.FEED, about=("feed",))]
    tasks = []
    since = max(feeding.last_change or feeding.start_on, feeding.start_on)
    early, late = (since + timedelta(days=d) for d in _CHANGE_DAYS)
    if feeding.unfed_litres > 0 and late >= as_of:  # an overdue change makes it idle
        dose = feeding.feed.dose(feeding.unfed_litres, strength=feeding.strength)
        why = f"{feeding.unfed_litres:g} litres were topped up since food was last noted on {feeding.last_fed}{meter}"
        what = f"feed: {dose} for the {feeding.unfed_litres:g} litres topped up"
        tasks.append(Task(as_of, what, why, basis, urgency=Urgency.FEED, about=("feed",)))
    if early <= as_of + timedelta(days=_SOON_DAYS):
        last = f"since {feeding.last_change}" if feeding.last_change else "yet"
        why = f"no full change is noted {last}; salts that plants leave behind build up"
        what = f"change all the solution, {rate} into the fresh water"
        when = max(early, as_of)
        interval = f"every {_CHANGE_DAYS[0] // 7} to {_CHANGE_DAYS[1] // 7} weeks"
        tasks.append(Task(when, what, why, COMMON_PRACTICE, interval, late, Urgency.FEED, ("change",)))
    return tasks


def _conductivity(crops: Mapping[str, Crop]) -> tuple[tuple[float, float] | None, str]:
    ranges = {name: crop.ec_ms_cm for name, crop in crops.items() if crop.ec_ms_cm is not None}
    if not ranges:
        return None, ""
    low, high = max(r[0] for r in ranges.values()), min(r[1] for r in ranges.values())
    shared = low <= high
    if not shared:
        low, high = min(r[0] for r in ranges.values()), max(r[1] for r in ranges.values())
    who = " and ".join(sorted(ranges)) + ("" if len(ranges) == 1 or shared else ", which want unlike strengths")
    scales = ", ".join(f"{ppm_of(low, s):.0f} to {ppm_of(high, s):.0f} ppm on scale {s}" for s in PPM_SCALES)
    sources: dict[Source, None] = {}
    for name in ranges:
        sources |= dict.fromkeys(crops[name].sources["ec_ms_cm"])
    cited = "; ".join(map(str, sources))
    return (low, high), f"a meter should show {low:g} to {high:g} mS/cm for {who} ({scales}; {cited})"
