"""The holes and the plugs in them: what to cover against light, which dome to take off."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from sprout.care.tasks import COMMON_PRACTICE, YOUR_NOTES, Task, Urgency

if TYPE_CHECKING:
    from sprout.plugs import Note, Plugs

_DOME_DAYS = 2  # looks that come a little late still find the dome on


def open_holes(labels: Sequence[str], plugs: Plugs, notes: Iterable[Note]) -> tuple[str, ...]:
    """Sites in which no plug stands and which were not noted as covered since, in the lid's order."""
    standing = plugs.now()
    emptied = {s.site: s.until for s in plugs.stands if s.until is not None}
    covered: set[str] = set()
    for note in notes:
        for site in [note.site] if note.site else labels:
            if note.kind == "cover" and (site not in emptied or note.moment >= emptied[site]):
                covered.add(site)
    return tuple(site for site in labels if site not in standing and site not in covered)


def site_tasks(
    labels: Sequence[str],
    plugs: Plugs,
    notes: Iterable[Note],
    last_looks: Iterable[Mapping[Hashable, Any]],
    first_sprouted: Mapping[str, date],
    *,
    as_of: date,
    seen_covered: Collection[str] = (),
) -> list[Task]:
    """What to cover, wipe and uncover today.

    Parameters
    ----------
    last_looks:
        The last row of each standing plug, with ``columns.DAYS``.
    first_sprouted:
        By site: the date of the first look that showed its plug up.
    seen_covered:
        Sites over which the last photo shows a cover.
    """
    tasks = []
    fresh = [s for s, day in first_sprouted.items() if timedelta(0) <= as_of - day <= timedelta(days=_DOME_DAYS)]
    if fresh:
        tasks.append(
            Task(
                as_of,
                f"{', '.join(_by_lid(fresh, labels))}: take the dome off",
                "it is up: under a dome seedlings stretch and damp off",
                f"{YOUR_NOTES}; {COMMON_PRACTICE}",
                by=as_of + timedelta(days=1),
                urgency=Urgency.DOME,
                about=("dome",),
            )
        )
    if holes := [site for site in open_holes(labels, plugs, notes) if site not in seen_covered]:
        why = "light on the water grows algae, and water dries away; note BOOK cover SITE takes it off the list"
        what = f"{', '.join(holes)}: cover the open hole{'s' if len(holes) > 1 else ''}"
        tasks.append(Task(as_of, what, why, COMMON_PRACTICE, urgency=Urgency.ALGAE))
    green = [row for row in last_looks if row["algae"] == "yes"]
    for bare, mend, why in (
        (True, "wipe off the green and lay an opaque collar round the seeds", "bare sponge in the light grows algae"),
        (False, "wipe off the green and lay an opaque collar round the stem", "algae take food and air from the roots"),
    ):
        sites = [str(row["site"]) for row in green if (row["status"] != "sprouted") == bare]
        if sites:
            what = f"{', '.join(_by_lid(sites, labels))}: {mend}"
            basis = f"{YOUR_NOTES}; {COMMON_PRACTICE}"
            tasks.append(Task(as_of, what, f"the last look shows a green film; {why}", basis, urgency=Urgency.ALGAE))
    return tasks


def _by_lid(sites: Iterable[str], labels: Sequence[str]) -> list[str]:
    return sorted(set(sites), key=labels.index)
