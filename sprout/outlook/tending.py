"""What the grower does for the lid: water, food, and the list of things to do."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan
from typing import TYPE_CHECKING

from sprout.outlook.records import Concern, Feed, PlugOutlook, Span, Task, Water

if TYPE_CHECKING:
    from sprout.evidence import Evidence
    from sprout.timeline import Weighed

_IDLE = ("", "wait", "nothing", "take a photo")
_STALE_DAYS = 2
_SOON_DAYS = 14


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
) -> Tending:
    """What water and food the lid needs, and what to do on which day.

    ``evidence`` and ``weighed`` hold nothing later than ``as_of``.
    """
    water = Water(Span(), None, "no account is kept of the water yet")
    feed = Feed(None, nan, nan, nan, "no account is kept of the food yet")
    tasks = [*_look(weighed, as_of), *_plug_tasks(plugs, as_of), *_concerned(concerns, as_of)]
    return Tending(water, feed, tuple(sorted(tasks, key=lambda t: t.when)))


def _look(weighed: Weighed, as_of: date) -> list[Task]:
    last = max((date.fromisoformat(d) for d in weighed.days["date"]), default=None)
    if last is None:
        return [Task(as_of, "take a photo", "nobody has looked yet")]
    ago = (as_of - last).days
    return [Task(as_of, "take a photo", f"the last look was {ago} days ago")] if ago >= _STALE_DAYS else []


def _plug_tasks(plugs: Sequence[PlugOutlook], as_of: date) -> list[Task]:
    """Today's advice, and the empty plugs and pickings of the coming two weeks; plugs that are alike together."""
    together: defaultdict[tuple[date, str, str], list[str]] = defaultdict(list)
    until = as_of + timedelta(days=_SOON_DAYS)
    for plug in plugs:
        pick = plug.next_pick.mid or plug.first_pick.mid
        if plug.advice not in (*_IDLE, "look it over"):
            together[as_of, plug.advice, plug.why].append(plug.site)
        elif plug.advice == "wait" and plug.give_up_on is not None and plug.give_up_on <= until:
            together[plug.give_up_on, "give up if still empty", plug.why].append(plug.site)
        elif pick is not None and as_of < pick <= until:
            together[pick, "pick", "its leaf is likely worth picking by then"].append(plug.site)
    return [Task(when, f"{', '.join(sites)}: {what}", why) for (when, what, why), sites in together.items()]


def _concerned(concerns: Sequence[Concern], as_of: date) -> list[Task]:
    """One task for all plugs that show the same kind of thing and have the same causes to check."""
    alike: defaultdict[tuple[str, ...], list[Concern]] = defaultdict(list)
    for concern in concerns:
        alike[concern.kind, *concern.causes].append(concern)
    tasks = []
    for (_, *causes), found in alike.items():
        shows = "; ".join(f"{', '.join(c.plugs)} {c.shows}" for c in found)
        plugs = dict.fromkeys(plug for c in found for plug in c.plugs)
        tasks.append(Task(as_of, f"{', '.join(plugs)}: look it over", f"{shows}; may be {', or '.join(causes)}"))
    return tasks
