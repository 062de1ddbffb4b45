"""The outlook command, and what other commands show of the outlook."""

from __future__ import annotations

import json as json_
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date as Date
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.output import Json, day_of, say, screen
from sprout.errors import UsageError
from sprout.report.words import chance, day_span, short, span

if TYPE_CHECKING:
    from sprout.care.tasks import Task
    from sprout.evidence import Evidence
    from sprout.outlook import EarlierGrow, Outlook
    from sprout.outlook.records import Days, PlugOutlook
    from sprout.timeline import Weighed

CHANCE = 0.2
_HEADS = ("status", "seedlings", "would come", "keep until", "pick", "advice")
_WORTH = (0, 2, 4, 1, 3, 5)  # the same in the order of their worth where the screen is narrow
_SITES = 12  # room that the sites need at least
AsOf = Annotated[
    str | None, typer.Option("--as-of", metavar="DATE", help="As known at the end of that day; nothing later is used.")
]
KeepUntil = Annotated[
    float,
    typer.Option(
        "--keep-until-chance",
        metavar="P",
        min=0.0,
        max=1.0,
        envvar="SPROUT_KEEP_UNTIL_CHANCE",
        help="Give an empty plug up when its chance falls below this, 0 to 1.",
    ),
]
LearnFrom = Annotated[
    list[Path] | None,
    typer.Option(
        "--learn-from",
        metavar="BOOK",
        envvar="SPROUT_LEARN_FROM",
        help="An earlier book; its crops teach what to expect. May be repeated.",
    ),
]


def outlook(
    book: Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")],
    as_of: AsOf = None,
    json: Json = False,
    keep_until_chance: KeepUntil = CHANCE,
    learn_from: LearnFrom = None,
) -> None:
    """What is to come, and what to do.

    Plugs up in the end, when to give up on an empty one, when to pick, when the lid closes; each with the range that
    holds the truth nine times in ten.
    """
    from sprout.book import Book

    with Book(book) as opened:
        evidence = opened.evidence()
    day = day_of(as_of, "--as-of") if as_of else day_meant(evidence)
    earlier = [earlier_from(path, book, day) for path in learn_from or ()]
    weighed, ahead = look_at(evidence, as_of=day, keep_until_chance=keep_until_chance, earlier=earlier)
    for words in weighed.stray:
        say(f"left out: {words}")
    if json:
        print(json_.dumps(ahead.as_json(), indent=1, ensure_ascii=False))
    else:
        show_outlook(ahead, evidence.lid)


def look_at(
    evidence: Evidence,
    *,
    as_of: Date | None = None,
    keep_until_chance: float = CHANCE,
    earlier: Iterable[EarlierGrow] = (),
    coming_temperature_c: float | None = None,
) -> tuple[Weighed, Outlook]:
    """The series weighed as it was known on a day (the last one known of), and the outlook of that day."""
    from sprout.outlook import look_ahead
    from sprout.timeline import weigh

    day = evidence.last_day if as_of is None else as_of
    known = evidence.until(day)
    weighed = weigh(known)
    return weighed, look_ahead(
        known,
        weighed,
        as_of=day,
        keep_until_chance=keep_until_chance,
        earlier=tuple(earlier),
        coming_temperature_c=coming_temperature_c,
    )


def day_meant(evidence: Evidence) -> Date:
    """The day that is meant when none is named, and a word about it if that is not today."""
    from sprout.outlook.ahead import recent

    day, today = recent(evidence, Date.today()), Date.today()
    if day < today:
        say(f"nothing is known of the lid after {day}, so this is the outlook of that day; --as-of names another")
    return day


def earlier_from(path: Path, book: Path, as_of: Date) -> EarlierGrow:
    from sprout.book import Book
    from sprout.outlook import earlier_grow

    if path.resolve() == book.resolve():
        raise UsageError(f"--learn-from {path}", "is the book itself", "name earlier books")
    with Book(path) as opened:
        found = earlier_grow(opened.evidence().until(as_of))
    if not found.plugs:
        say(f"{path}: teaches nothing, no look up to {as_of}")
    return found


# for a person


def show_outlook(ahead: Outlook, lid: str) -> None:
    """The outlook on the terminal, intervals always shown."""
    from rich.table import Table
    from rich.text import Text

    console = screen()
    console.print(Text.assemble((lid, "bold"), f" · day {ahead.day} · {ahead.as_of}\n"))
    out = Table.grid(padding=(0, 3, 0, 0))
    out.add_column(no_wrap=True)
    out.add_column()
    for head, words in (*_germination(ahead), *_leaf(ahead), *_reservoir(ahead)):
        out.add_row(head, words)
    console.print(out)
    _show_plugs(ahead)
    show_tasks(ahead.to_do, ahead.as_of)


def show_tasks(tasks: Sequence[Task], as_of: Date) -> None:
    """What there is to do, by day."""
    from rich.table import Table
    from rich.text import Text

    if not tasks:
        return
    out = Table.grid(padding=(0, 1))
    out.add_column(justify="right", no_wrap=True)
    out.add_column()
    for task in tasks:
        when = "now" if task.when <= as_of else short(task.when)
        why = f"{task.why}; {task.interval}" if task.interval else task.why
        out.add_row(f"  {when}", Text.assemble((task.what, "bold"), f" ({why})"))
    console = screen()
    console.print("\n[bold]To do[/bold]")
    console.print(out)


def _germination(ahead: Outlook) -> Iterator[tuple[str, str]]:
    grow = ahead.grow
    if not grow.plugs:
        yield "Plugs up", "none stands in the lid"
        return
    yield "Plugs up", f"{grow.sprouted_now} of {grow.plugs} now, in the end {span(grow.sprouted_final)}"
    yield "Seeds up", f"in the end {span(grow.germination_pct)} % of those sown"
    yield "Half up", f"by day {span(grow.t50_days, 1)}"


def _leaf(ahead: Outlook) -> Iterator[tuple[str, str]]:
    lid = ahead.lid
    if not isnan(lid.cover_pct):
        yield "Lid covered", f"{lid.cover_pct:.0f} % now, closed {day_span(lid.closure, ahead.as_of)}"
    if ahead.grow.plugs:
        yield "First picking", day_span(lid.first_pick, ahead.as_of)


def _reservoir(ahead: Outlook) -> Iterator[tuple[str, str]]:
    water, feed = ahead.water, ahead.feed
    if not isnan(water.litres_per_day.mid):
        empty = f", empty {day_span(water.empty_on, ahead.as_of)}" if water.empty_on else ""
        yield "Water", f"{span(water.litres_per_day, 2)} litres a day{empty}"
    if feed.start_on is not None and not isnan(feed.litres):
        dose = f"{feed.dose_g:.1f} g" if isnan(feed.dose_ml) else f"{feed.dose_ml:.1f} ml"
        yield "Food", f"{dose} for {feed.litres:.1f} litres of fresh water, from {short(feed.start_on)}"


def _show_plugs(ahead: Outlook) -> None:
    """A line per plug, plugs that are alike together; columns as many as the screen is wide."""
    from rich.table import Table

    alike: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    # what waits for a decision first, then by the day of picking
    for plug in sorted(ahead.plugs, key=lambda p: (p.status == "sprouted", _next_pick(p).mid or ahead.as_of)):
        if plug.site:
            name = plug.site if plug.site == plug.plug else f"{plug.site} (plug {plug.plug})"
            alike[_cells(plug, ahead.as_of)].append(name)
    if not alike:
        return
    console = screen()
    room, kept = console.width - _SITES, []
    for k in _WORTH:
        width = max(len(_HEADS[k]), *(len(cells[k]) for cells in alike)) + 2
        if any(cells[k] for cells in alike) and width <= room:
            room -= width
            kept.append(k)
    out = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    out.add_column("site")
    for k in sorted(kept):
        out.add_column(_HEADS[k], justify="right" if _HEADS[k] in ("seedlings", "would come") else "left", no_wrap=True)
    for cells, sites in alike.items():
        out.add_row(", ".join(sites), *(cells[k] for k in sorted(kept)))
    console.print()
    console.print(out)


def _cells(plug: PlugOutlook, as_of: Date) -> tuple[str, ...]:
    empty = not isnan(plug.p_yet)
    return (
        plug.status,
        "" if plug.seedlings is None or empty else str(plug.seedlings),
        chance(plug.p_yet) if empty else "",
        "" if plug.give_up_on is None or plug.give_up_on <= as_of else short(plug.give_up_on),
        _pick(_next_pick(plug), as_of),
        "" if plug.advice == "nothing" else plug.advice,
    )


def _next_pick(plug: PlugOutlook) -> Days:
    return plug.next_pick if plug.next_pick.mid else plug.first_pick


def _pick(pick: Days, as_of: Date) -> str:
    if pick.mid is None:
        return ""
    return "ready" if pick.high is not None and pick.high <= as_of else day_span(pick, as_of)


COMMANDS = {"outlook": outlook}
