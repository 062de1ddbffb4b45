"""``sprout note BOOK …``: what the grower did."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from sprout.cli.output import harmless, moment_of, say
from sprout.errors import UsageError
from sprout.plugs import Note, Sowing, site_named

app = typer.Typer(
    help="Note what you did. Without --on it holds from now on; with a date, from the start of that day on.",
    rich_markup_mode=None,
)

On = Annotated[str | None, typer.Option("--on", metavar="DATE", help="YYYY-MM-DD, or YYYY-MM-DDTHH:MM.")]
Comment = Annotated[str, typer.Option("--comment", help="Anything you want to remember.")]
Site = Annotated[str, typer.Argument(metavar="SITE")]


@app.callback()
def _book(
    context: typer.Context, book: Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]
) -> None:
    context.obj = book


def _add(context: typer.Context, on: str | None, comment: str, *notes: Note) -> None:
    from dataclasses import replace

    from sprout.book import Book

    moment = moment_of(on, "--on") if on else datetime.now().replace(microsecond=0)
    with Book(context.obj) as book:
        dated = [replace(note, moment=moment, comment=comment) for note in notes]
        # cut off by a power failure and typed again, it is noted once; without a date it carries the time of typing
        numbers = book.add_notes(dated, untold=timedelta(0) if on else timedelta(hours=1))
        for number, note in zip(numbers, dated, strict=True):
            say(f"note {number}: {note}")
        book.told(numbers)
        if not on and any(note.kind in ("move", "retire", "resow") for note in notes):
            _warn_of_earlier_photos(book.photos()["taken_at"].tolist(), moment)


def _warn_of_earlier_photos(taken: list[str], moment: datetime) -> None:
    today = moment.date().isoformat()
    if any(t.startswith(today) for t in taken):
        say(f"photos taken earlier today show the lid before it; if it was done before them, note it with --on {today}")


def _note(kind: str, site: str = "", to_site: str = "", amount: float | None = None, unit: str = "") -> Note:
    return Note(kind, datetime.min, site, to_site, amount, unit)


@app.command()
def move(
    context: typer.Context,
    site: Annotated[str, typer.Argument(metavar="FROM")],
    to_site: Annotated[str, typer.Argument(metavar="TO")],
    on: On = None,
    comment: Comment = "",
) -> None:
    """A plug was moved to a free site; it keeps its name and history."""
    _add(context, on, comment, _note("move", site, to_site))


@app.command()
def retire(context: typer.Context, site: Site, on: On = None, comment: Comment = "") -> None:
    """The plug was taken out."""
    _add(context, on, comment, _note("retire", site))


@app.command()
def resow(
    context: typer.Context,
    site: Site,
    crop: Annotated[str | None, typer.Option("--crop", metavar="NAME", help="If not as at first.")] = None,
    seeds: Annotated[int | None, typer.Option("--seeds", min=1, max=200, help="If not as at first.")] = None,
    on: On = None,
    comment: Comment = "",
) -> None:
    """A new plug was sown; one that stood there is taken out. In B2 it is named B2#2."""
    from dataclasses import replace

    from sprout.book import Book
    from sprout.calibration import find_crop

    with Book(context.obj) as book:
        first = book.grow.sowing.get(site_named(site, book.lid.labels))
    name, number = crop or (first.crop if first else None), seeds or (first.seeds if first else None)
    if name is None or number is None:
        raise UsageError(f"resow {site}", "nothing was sown there at first", "say what with --crop and --seeds")
    _add(context, on, comment, replace(_note("resow", site), sowing=Sowing(find_crop(name).name, number)))


@app.command()
def pick(
    context: typer.Context,
    sites: Annotated[list[str] | None, typer.Argument(metavar="[SITE…]")] = None,
    on: On = None,
    comment: Comment = "",
) -> None:
    """Leaves were picked, from these sites or from the whole lid."""
    _add(context, on, comment, *(_note("pick", site) for site in sites or [""]))


@app.command()
def cover(
    context: typer.Context,
    sites: Annotated[list[str] | None, typer.Argument(metavar="[SITE…]")] = None,
    on: On = None,
    comment: Comment = "",
) -> None:
    """Open holes were covered against light: these, or all."""
    _add(context, on, comment, *(_note("cover", site) for site in sites or [""]))


@app.command()
def topup(
    context: typer.Context, litres: Annotated[float, typer.Argument()], on: On = None, comment: Comment = ""
) -> None:
    """Water was added."""
    _add(context, on, comment, _note("topup", amount=_positive(litres, "topup"), unit="l"))
    say("it counts as filled up to the mark; if it was not, note what is in now, as: level 60%")


@app.command()
def feed(
    context: typer.Context,
    amount: Annotated[str, typer.Argument(metavar="ML", help="As 6, 2tsp, 2ustsp or 5g.")],
    on: On = None,
    comment: Comment = "",
) -> None:
    """Plant food was added: mL, or teaspoons or grams where the unit is written."""
    from sprout.feed import parse_amount

    number, unit = parse_amount(amount)
    _add(context, on, comment, _note("feed", amount=number, unit=unit))


@app.command()
def change(
    context: typer.Context,
    litres: Annotated[float | None, typer.Argument(metavar="[LITRES]", help="If not a full reservoir.")] = None,
    on: On = None,
    comment: Comment = "",
) -> None:
    """All the solution was changed for fresh; food that went into it is noted with feed."""
    amount = None if litres is None else _positive(litres, "change")
    _add(context, on, comment, _note("change", amount=amount, unit="l"))


@app.command()
def food(
    context: typer.Context,
    described: Annotated[str, typer.Argument(metavar="FEED", help='As "dry 0.5 tsp/l" or "liquid 2 ml/l".')],
    on: On = None,
) -> None:
    """Which plant food is used from then on, as its label says: form, amount and unit per litre."""
    from sprout.book import Book
    from sprout.feed import parse_feed

    feed = parse_feed(described)
    moment = moment_of(on, "--on") if on else datetime.now()
    with Book(context.obj) as book:
        book.describe_feed(feed, since=moment.date())
    say(f"food from {moment.date()}: {feed}")


@app.command()
def level(
    context: typer.Context,
    level: Annotated[str, typer.Argument(metavar="LITRES_OR_%", help="As 3.2 or 60%.")],
    on: On = None,
    comment: Comment = "",
) -> None:
    """What is in the reservoir."""
    text = level.strip()
    try:
        amount = float(text.removesuffix("%"))
    except ValueError:
        raise UsageError(f"level {level}", "is no level", "give litres, as 3.2, or a share, as 60%") from None
    share = text.endswith("%")
    if not 0 <= amount <= (100 if share else 10_000):
        raise UsageError(f"level {level}", "is out of range", "give litres, as 3.2, or a share, as 60%")
    _add(context, on, comment, _note("level", amount=amount, unit="%" if share else "l"))


@app.command("list")
def list_(context: typer.Context) -> None:
    """Show the notes with their numbers."""
    from sprout.book import Book

    with Book(context.obj) as book:
        for note in book.notes():
            print(harmless(f"{note.number:>4}  {note}" + (f"  ({note.comment})" if note.comment else "")))


@app.command()
def withdraw(context: typer.Context, number: Annotated[int, typer.Argument(help="As list shows it.")]) -> None:
    """Take a note back."""
    from sprout.book import Book

    with Book(context.obj) as book:
        say(f"withdrawn: {book.withdraw_note(number)}")


def _positive(amount: float, kind: str) -> float:
    if not 0 < amount <= 10_000:
        raise UsageError(f"{kind} {amount:g}", "is no amount", "give a number above 0")
    return amount
