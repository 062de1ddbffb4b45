"""What the commands share: words in, tables out. Data goes to standard output, everything else to standard error."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sprout.errors import UsageError
from sprout.settings import Settings

if TYPE_CHECKING:
    import pandas as pd
    from rich.console import Console

    from sprout.cluster import Cluster
    from sprout.columns import Column

STDOUT = Path("-")
Csv = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="As CSV; - for standard output.")]
Json = Annotated[bool, typer.Option("--json", help="As JSON on standard output.")]
Workers = Annotated[int, typer.Option("--workers", min=1, max=64, help="Photos read at the same time.")]
ClusterAt = Annotated[str | None, typer.Option("--cluster", metavar="ADDRESS", help="Read on the Dask cluster there.")]
Megapixels = Annotated[
    float,
    typer.Option("--max-megapixels", envvar="SPROUT_MAX_MEGAPIXELS", min=1, help="Larger photos are refused."),
]
LIMIT = Settings.max_megapixels
_LONG, _FOLDED = ("reason", "advice_why", "check"), 30  # columns of whole sentences, and the room they need at least


def starting(choices: Iterable[str]) -> Callable[[str], list[str]]:
    """What the shell offers for a word that is begun."""
    return lambda incomplete: [choice for choice in choices if choice.startswith(incomplete)]


def complain(what: object) -> None:
    """One line (or a few) on standard error."""
    print(f"sprout: {harmless(what)}", file=sys.stderr)


def say(what: object) -> None:
    """Words beside the data, on standard error."""
    print(harmless(what), file=sys.stderr)


def harmless(what: object) -> str:
    """The words without what would steer a terminal: they may quote a file's name or contents."""
    return "".join("?" if unicodedata.category(c) == "Cc" and c != "\n" else c for c in str(what))


def screen() -> Console:
    """Standard output for a person; wide when it is not a terminal, so that nothing is cut."""
    from rich.console import Console

    return Console(highlight=False, width=None if sys.stdout.isatty() else 200)


def day_of(text: str, option: str) -> date:
    """A date as YYYY-MM-DD."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{option} {text}", "is not a date", "write it as YYYY-MM-DD") from None


def moment_of(text: str, option: str) -> datetime:
    """A date, which stands for the start of that day, or a date with a local time."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        mend = "write YYYY-MM-DD, or YYYY-MM-DDTHH:MM"
        raise UsageError(f"{option} {text}", "is not a date", mend) from None
    return moment.replace(tzinfo=None)


def pairs(words: Iterable[str], option: str) -> dict[str, str]:
    """``KEY=VALUE`` words as a mapping."""
    found: dict[str, str] = {}
    for word in words:
        key, equals, value = (part.strip() for part in word.partition("="))
        if not equals or not key or not value:
            raise UsageError(f"{option} {word}", "is not of the form KEY=VALUE", "write for instance A1=…")
        if key in found:
            raise UsageError(f"{option} {word}", f"{key} is given twice", "give it once")
        found[key] = value
    return found


def emit(
    table: pd.DataFrame,
    columns: Sequence[Column],
    *,
    csv: Path | None,
    as_json: bool,
    person: Callable[[], None] | None = None,
) -> None:
    """Write a table as CSV (``-`` is standard output) and as JSON; for a person where neither was asked for."""
    from sprout.columns import to_csv
    from sprout.files import write_text

    if csv == STDOUT and as_json:
        raise UsageError("--csv - --json", "both would go to standard output", "give --csv a file")
    if csv == STDOUT:
        sys.stdout.write(to_csv(table, tuple(columns)))
    elif csv is not None:
        write_text(csv, to_csv(table, tuple(columns)))
    if as_json:
        print(json.dumps([plain(row) for row in table.to_dict("records")], indent=1, ensure_ascii=False))
    if csv is None and not as_json and person is not None:
        person()


def plain(row: dict[Any, Any]) -> dict[str, Any]:
    """A row with every kind of missing as None, and numbers as Python's own."""
    import pandas as pd

    return {str(k): None if pd.isna(v) else (v.item() if hasattr(v, "item") else v) for k, v in row.items()}


def show_table(table: pd.DataFrame, columns: Sequence[Column]) -> None:
    """A table for a person: columns in the order of their worth, as many as the terminal is wide."""
    from rich.table import Table
    from rich.text import Text

    console = screen()
    if table.empty:
        console.print("nothing yet")
        return
    out = Table(box=None, pad_edge=False, header_style="dim")
    room = console.width
    shown = []
    for c in columns:
        fold = c.name in _LONG
        width = _FOLDED if fold else max(len(c.name), *(len(_cell(v, c)) for v in table[c.name])) + 2
        if width > room:
            continue
        room -= width
        shown.append(c)
        out.add_column(c.name, justify="left" if c.kind == "text" else "right", no_wrap=not fold)
    for row in table.to_dict("records"):
        out.add_row(*(Text(_cell(row[c.name], c)) for c in shown))
    console.print(out)


def show_upright(table: pd.DataFrame, columns: Sequence[Column]) -> None:
    """A table of few rows and many columns for a person: a line per column, with what it means if there is room."""
    from rich.table import Table
    from rich.text import Text

    console = screen()
    if table.empty:
        console.print("nothing yet")
        return
    first, *others = columns
    out = Table("", box=None, pad_edge=False, header_style="dim")
    for name in table[first.name]:
        out.add_column(str(name), justify="right", no_wrap=True)
    out.add_column("", style="dim")
    values = [[_cell(v, c) for v in table[c.name]] for c in others]
    widest = [max(map(len, column)) for column in zip(map(str, table[first.name]), *values, strict=True)]
    told = console.width - max(len(c.name) for c in others) - sum(w + 2 for w in widest) - 10 >= _FOLDED
    if told:
        out.add_column("", style="dim")
    for c, cells in zip(others, values, strict=True):
        out.add_row(c.name, *map(Text, cells), c.unit, *([c.meaning] if told else []))
    console.print(out)


def _cell(value: Any, column: Column) -> str:
    import pandas as pd

    if pd.isna(value):
        return ""
    if column.name == "photo":
        return harmless(Path(value).name)
    return f"{value:.{column.decimals}f}" if column.kind == "float" else harmless(value)


@contextmanager
def readers(workers: int, cluster: str | None) -> Iterator[int | Cluster]:
    """Who reads the photos: so many processes here, or the cluster at an address, let go of in the end."""
    if cluster is None:
        yield workers
        return
    if workers != 1:
        raise UsageError(
            "--workers --cluster", "contradict each other", "give one of them: a cluster has its own workers"
        )
    from sprout.cluster import Cluster

    with Cluster(cluster) as reached:
        yield reached


def outcome(read: int, unread: int) -> int:
    """Exit status of a command on several photos."""
    return 0 if not unread else (3 if read else 4)
