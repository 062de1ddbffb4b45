"""``sprout book …``: copies of a book, and what to do when one is damaged."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from sprout.cli.output import complain, say

app = typer.Typer(help="Copy a book, look for damage, save what is whole.", rich_markup_mode=None)

BookArgument = Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]


@app.command()
def backup(
    book: BookArgument,
    folder: Annotated[
        Path | None, typer.Argument(metavar="[FOLDER]", help="Where to; beside the book if not given.")
    ] = None,
) -> None:
    """Copy a book, also while it is in use.

    The copy is a book itself, named after the book and the time. To go back, use the copy.
    """
    from sprout.book.upkeep import backup

    say(f"copied to {backup(book, folder)}")


@app.command()
def check(book: BookArgument) -> None:
    """Look for damage: the database, its rows, and every file of the book.

    Exit status 5 if something is lost.
    """
    from sprout.book.upkeep import check

    found = check(book)
    for finding in found:
        complain(finding)
    lost = sum(not finding.harmless for finding in found)
    say(f"{book}: {f'{lost} things are amiss' if lost else 'sound'}")
    raise typer.Exit(5 if lost else 0)


@app.command()
def repair(
    book: BookArgument,
    lid: Annotated[
        Path | None, typer.Option("--lid", metavar="LID.toml", help="The lid file, if the book's own is lost.")
    ] = None,
) -> None:
    """Save what can be read of a damaged book in a new one beside it.

    The damaged book is left as it is.
    """
    from sprout.book.salvage import repair

    done = repair(book, lid=lid)
    for line in done.told:
        complain(line)
    rows = ", ".join(f"{done.rows.get(t, 0)} {t}s" for t in ("photo", "reading", "note"))
    say(f"{done.path}: {rows}, {done.rows.get('entry', 0)} entries, {done.rows.get('fix', 0)} corrections read")
    say("look through it before you go on with it; the damaged book is as it was")
