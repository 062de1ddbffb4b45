"""The command that lines up several books."""

from __future__ import annotations

import json as json_
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.output import Csv, Json, emit, say, screen, show_table
from sprout.errors import UsageError

if TYPE_CHECKING:
    import pandas as pd

    from sprout.comparison import Compared, Grown


def compare(
    books: Annotated[list[Path], typer.Argument(metavar="BOOK…", help="The books' folders, two at least.")],
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="KEY", help="Take books together that were begun with the same --label KEY=…"),
    ] = None,
    crop: Annotated[str | None, typer.Option("--crop", metavar="NAME", help="Only the plugs of this crop.")] = None,
    csv: Csv = None,
    curves: Annotated[
        Path | None, typer.Option("--curves", metavar="FILE", help="The curves day by day, as CSV.")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="The curves as a picture: .svg, .png or .pdf.")
    ] = None,
    json: Json = False,
) -> None:
    """Line up several books by days after sowing.

    How they came up and how their leaf grew, with 95 % intervals, a test of each difference, and what it does not show.
    """
    from sprout import columns
    from sprout.comparison import as_json, compare_grows, day_table, group_table, grouped
    from sprout.files import write_text

    opened = [_of_crop(book, crop) for book in _opened(books)]
    compared = compare_grows(grouped(_labelled(opened, by), by=by), by=by)
    if curves is not None:
        write_text(curves, columns.to_csv(day_table(compared), columns.COMPARED_DAYS))
    if plot is not None:
        from sprout.report.compared import draw_comparison

        draw_comparison(compared, plot)
    table = group_table(compared)
    if json:
        print(json_.dumps(as_json(compared), indent=1, ensure_ascii=False))
    emit(
        table,
        columns.COMPARED,
        csv=csv,
        as_json=False,
        person=None if json else lambda: _show(compared, table),
    )


def _opened(paths: list[Path]) -> list[Grown]:
    from sprout.book import Book
    from sprout.comparison import grown

    if len({path.resolve() for path in paths}) < len(paths):
        raise UsageError(" ".join(map(str, paths)), "names a book twice", "name each once")
    if len(paths) < 2:
        raise UsageError(" ".join(map(str, paths)), "is one book", "name two at least")
    same = Counter(path.resolve().name for path in paths)
    found = []
    for path in paths:
        with Book(path) as book:
            evidence = book.evidence()
        short = path.resolve().name
        found.append(grown(short if same[short] == 1 else str(path), evidence))
    return found


def _of_crop(book: Grown, crop: str | None) -> Grown:
    from sprout.calibration import find_crop

    if crop is None:
        return book
    chosen = book.of_crop(find_crop(crop).name)
    if not chosen.plugs:
        raise UsageError(f"--crop {crop}", f"was not sown in {book.name}", f"it has {', '.join(book.crops)}")
    return chosen


def _labelled(books: list[Grown], by: str | None) -> list[Grown]:
    """The books that have the label, which must make two groups at least."""
    if by is None:
        return books
    without = [book.name for book in books if by not in book.labels]
    values = {book.labels[by] for book in books if by in book.labels}
    if len(values) < 2:
        known = sorted({key for book in books for key in book.labels})
        wrong = f"all have {by}={values.pop()}" if values else f"no book was begun with --label {by}=…"
        raise UsageError(f"--by {by}", wrong, f"labels there are: {', '.join(known)}" if known else "leave --by out")
    if without:
        say(f"left out, no label {by}: {', '.join(without)}")
    return [book for book in books if by in book.labels]


def _show(compared: Compared, table: pd.DataFrame) -> None:
    from sprout import columns

    console = screen()
    by_name = {c.name: c for c in columns.COMPARED}
    first = ("group", "day", "plugs", "up", "up_pct", "up_low_pct", "up_high_pct", "t50_days", "leaf_cm2")
    more = ("growth_per_day", "t50_low_days", "t50_high_days", "leaf_low_cm2", "leaf_high_cm2", "seeds_up_pct", "crop")
    show_table(table, [by_name[name] for name in (*first, *more)])
    console.print()
    for words in compared.verdict:
        console.print(f"{words}.", markup=False)
    console.print("\nHold against it:", style="bold")
    for words in compared.cautions:
        console.print(f"- {words}.", markup=False)


COMMANDS = {"compare": compare}
