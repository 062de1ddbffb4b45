"""Commands that show what a book holds: table, demo; and the lid of the day."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.output import Csv, Json, Workers, emit, say, screen, show_table, show_upright, starting
from sprout.errors import OutputError, UsageError

if TYPE_CHECKING:
    import pandas as pd

    from sprout.book import Book
    from sprout.columns import Column
    from sprout.lid import Lid
    from sprout.outlook import Outlook
    from sprout.timeline import Change, Weighed

KINDS = ("days", "plugs", "grow", "germination", "curve", "growth", "health", "photos")
_FIRST = {  # what a person wants to see first where the terminal is narrow
    "days": ("date", "day", "plug", "site", "status", "seedlings", "tissue_cm2", "yellow_pct", "dry_pct", "flags"),
    "plugs": ("plug", "site", "status", "seedlings", "day_sprouted", "p_yet", "give_up_on", "advice", "advice_why"),
    "grow": (),
    "germination": (),
    "curve": (),
    "growth": (),
    "health": (),
    "photos": ("date", "photo", "readable", "fit_mm", "fit_by", "reason"),
}


def table(
    book: Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")],
    of: Annotated[
        str, typer.Option("--of", metavar="|".join(KINDS), help="Which table.", autocompletion=starting(KINDS))
    ] = "plugs",
    csv: Csv = None,
    json: Json = False,
) -> None:
    """Show a table of a book.

    days: a row per plug and day; plugs: per plug; grow: per day of the whole lid; germination: the figures of a seed
    test, per crop; curve: plugs up by day; growth: growth curves and rates, per plug; health: yellow and dry leaf of
    each plug against its own first weeks; photos: per photo.
    """
    from sprout import columns
    from sprout.book import Book

    if of not in KINDS:
        raise UsageError(f"--of {of}", "is no table", f"choose one of {', '.join(KINDS)}")
    with Book(book) as opened:
        shown = opened.photos() if of == "photos" else _made(opened, of)
    declared = columns.TABLES[of]

    def person() -> None:
        if of == "germination":
            show_upright(shown, declared)
        else:
            show_table(shown, _ranked(declared, _FIRST[of]))

    emit(shown, declared, csv=csv, as_json=json, person=person)


def _made(book: Book, of: str) -> pd.DataFrame:
    """The table of this kind from all that the book knows."""
    from sprout import outlook
    from sprout.cli.forecasting import look_at
    from sprout.timeline import weigh

    evidence = book.evidence()
    weighed, ahead = look_at(evidence) if of == "plugs" else (weigh(evidence), None)
    for words in weighed.stray:
        say(f"left out: {words}")
    if ahead is not None:
        return outlook.plug_table(weighed, ahead)
    if of == "growth":
        return outlook.growth_table(weighed, evidence)
    if of == "health":
        return outlook.health_table(weighed, evidence)
    if of in ("germination", "curve"):
        return {"germination": outlook.germination_table, "curve": outlook.curve_table}[of](weighed)
    return {"days": weighed.days, "grow": weighed.grow}[of]


def _ranked(declared: tuple[Column, ...], first: tuple[str, ...]) -> list[Column]:
    by_name = {c.name: c for c in declared}
    if not first:
        return list(declared)
    return [by_name[name] for name in first]


def show_today(book: Book) -> None:
    """The lid as it is after the last look, what is new, and what to do."""
    from sprout.cli.caring import safe
    from sprout.cli.forecasting import look_at
    from sprout.timeline import changes

    weighed, ahead = look_at(book.evidence())
    console = screen()
    if weighed.days.empty:
        console.print("no photo has been read yet")
        return
    last = weighed.grow.iloc[-1]
    news = changes(weighed.days)
    head = f"[bold]{safe(book.lid.name)}[/bold] · day {last['day']} · {last['date']}"
    up = f"{last['sprouted']} of {last['plugs']} plugs sprouted"
    console.print(f"{head} · {up}, {last['seedlings']} seedling{'' if last['seedlings'] == 1 else 's'}")
    _show_drawing(book.lid, weighed, news)
    _show_news(weighed, news)
    _show_advice(ahead)


def _show_drawing(lid: Lid, weighed: Weighed, news: list[Change]) -> None:
    from sprout.terminal import LEGEND, Site, draw_lid

    fresh = {c.plug for c in news if c.kind in ("sprouted", "more")}
    alarm = {c.plug for c in news if c.kind in ("yellowing", "drying", "algae", "gone", "fewer")}
    sites = {
        row["site"]: Site(row["status"], int(row["seedlings"] or 0), row["plug"] in fresh, row["plug"] in alarm)
        for row in weighed.plugs.fillna({"seedlings": 0}).to_dict("records")
        if row["site"]
    }
    console = screen()
    console.print(draw_lid(lid, sites, width=console.width))
    console.print(LEGEND, style="dim")


def _show_news(weighed: Weighed, news: list[Change]) -> None:
    console = screen()
    dates = sorted(set(weighed.days["date"]))
    if len(dates) < 2:
        return
    console.print(f"\nNew since {dates[-2]}:" if news else f"\nNothing new since {dates[-2]}.")
    for change in news:
        name = change.site if change.site == change.plug else f"{change.site} (plug {change.plug})"
        console.print(f"  {name}: {change.text}")


def _show_advice(ahead: Outlook) -> None:
    """What there is to do now."""
    from sprout.cli.forecasting import show_tasks

    show_tasks([task for task in ahead.to_do if task.when <= ahead.as_of], ahead.as_of)


def demo(
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[FOLDER]", help="Where to put the book; else a temporary folder."),
    ] = None,
    workers: Workers = 1,
) -> None:
    """Try it on the photos that come along."""
    from importlib.resources import as_file

    from sprout.cli.demo import make_demo
    from sprout.files import shipped

    home = folder or Path(tempfile.mkdtemp(prefix="sprout-demo-"))
    with as_file(shipped("sample_images")) as samples:
        if not (samples / "grow.toml").is_file():
            raise OutputError(samples, "the sample photos are missing", "install sprout again")
        book = make_demo(samples, home / "book", workers=workers)
    with book:
        show_today(book)
        screen().print(f"\nThe book is in {book.path}, its straightened photos in {book.path / 'views'}.")
        screen().print(f"Go on with: sprout table {book.path} --of days")


COMMANDS = {"table": table, "demo": demo}
