"""Commands that make something to look at: report, film, tags, calendar."""

from __future__ import annotations

from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.forecasting import CHANCE, AsOf, KeepUntil, LearnFrom
from sprout.cli.output import day_of, say, starting
from sprout.cli.progress import progress
from sprout.errors import BookError

if TYPE_CHECKING:
    from sprout.book import Book
    from sprout.evidence import Evidence
    from sprout.outlook import Outlook
    from sprout.timeline import Weighed

BookArgument = Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]


def report(
    book: BookArgument,
    html: Annotated[Path, typer.Option("--html", metavar="FILE", help="The page to write.")],
    as_of: AsOf = None,
    keep_until_chance: KeepUntil = CHANCE,
    learn_from: LearnFrom = None,
) -> None:
    """Write all about a grow on one page.

    What to do, the lid, curves, forecasts, health, water, pictures, tables. The page is one file that needs no network;
    it prints, and follows the light or dark of your screen.
    """
    from sprout.book import Book
    from sprout.files import write_text
    from sprout.report.html import html_report
    from sprout.report.views import day_views, grid_of, kept_views

    with Book(book) as opened:
        evidence, weighed, ahead = _looked_at(opened, as_of, keep_until_chance, learn_from)
        photos = opened.photos()
        photos = photos[photos["date"] <= ahead.as_of.isoformat()]
        kept = kept_views(photos, opened.path)
        grid = grid_of(kept)
        views = day_views(kept, opened.lid, grid) if grid else ()
        text = html_report(evidence, weighed, ahead, opened.lid, photos=photos, views=views, grid=grid)
    write_text(html, text)
    say(f"{html}: written, {len(text.encode()) / 1e6:.1f} MB")


def film(
    book: BookArgument,
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="A name in .mp4, .webp or .gif; else the book's name in .mp4, here."),
    ] = None,
    days_per_second: Annotated[
        float, typer.Option("--days-per-second", metavar="N", min=0.2, max=12, help="How fast it runs.")
    ] = 4.0,
) -> None:
    """Make a film of a grow.

    The lid straightened, day after day under one light, with day and count. A film in WebP or GIF plays in any browser;
    MP4 needs a player.
    """
    from sprout.book import Book
    from sprout.report.film import LONG_PX, captions, film_kind, frames, write_film
    from sprout.report.views import day_views, grid_of, kept_views
    from sprout.timeline import weigh

    with Book(book) as opened:
        target = file or Path(f"{opened.path.resolve().name}.mp4")
        long_px = LONG_PX[film_kind(target)]
        kept = kept_views(opened.photos(), opened.path)
        grid = grid_of(kept, long_px=long_px)
        if grid is None:
            raise BookError(opened.path, "holds no view to show", f"log photos first: sprout log {book} PHOTO…")
        told = captions(weigh(opened.evidence()).grow, [one.date for one in kept], opened.grow.sown)
        pictures = frames(day_views(kept, opened.lid, grid), told)
        write_film(progress(pictures, len(told), "filming"), target, days_per_second=days_per_second)
    say(f"{target}: written, {len(told)} days")


def tags(
    file: Annotated[Path, typer.Argument(metavar="FILE.pdf", help="The sheet to write.")],
    paper: Annotated[
        str,
        typer.Option(
            "--paper",
            metavar="a4|letter",
            help="Paper size of your printer.",
            autocompletion=starting(("a4", "letter")),
        ),
    ] = "a4",
) -> None:
    """Write a sheet of tags to print.

    True to scale: four tags in two sizes, a strip of greys, a bar to check the scale with, and how to stick them.
    """
    from sprout.report.tagsheet import write_tag_sheet

    write_tag_sheet(file, paper=paper.lower())
    say(f"{file}: written; print it at 100 %")


def calendar(
    book: BookArgument,
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE.ics]", help="The file to write; else the book's name in .ics, here.")
    ] = None,
    as_of: AsOf = None,
    keep_until_chance: KeepUntil = CHANCE,
    learn_from: LearnFrom = None,
) -> None:
    """Write what is to come as a calendar file.

    Forecast dates, and what there is to do. Import it again after a few days: events that moved are moved, none comes
    twice.
    """
    from sprout.book import Book
    from sprout.files import write_text
    from sprout.report.calendar import grow_calendar

    with Book(book) as opened:
        evidence, _, ahead = _looked_at(opened, as_of, keep_until_chance, learn_from)
        target = file or Path(f"{opened.path.resolve().name}.ics")
    text = grow_calendar(ahead, name=evidence.lid, sown=evidence.sown)
    write_text(target, text)
    count = text.count("BEGIN:VEVENT")
    say(f"{target}: written, {count} event{'' if count == 1 else 's'}")


def _looked_at(
    book: Book, as_of: str | None, keep_until_chance: float, learn_from: list[Path] | None
) -> tuple[Evidence, Weighed, Outlook]:
    """What was known on the day that is meant, and the outlook of that day."""
    from sprout.cli.forecasting import day_meant, earlier_from, look_at

    evidence = book.evidence()
    day: Date = day_of(as_of, "--as-of") if as_of else day_meant(evidence)
    earlier = [earlier_from(path, book.path, day) for path in learn_from or ()]
    weighed, ahead = look_at(evidence, as_of=day, keep_until_chance=keep_until_chance, earlier=earlier)
    return evidence.until(day), weighed, ahead


COMMANDS = {"report": report, "film": film, "tags": tags, "calendar": calendar}
