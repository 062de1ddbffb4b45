"""A progress bar on standard error with the time left, none where that is no terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")


def progress(items: Iterable[T], total: int, what: str) -> Iterator[T]:
    """The items as they come, with a bar; what is printed meanwhile appears above it."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    # the bar gives way first where the terminal is narrow
    bar = BarColumn(bar_width=max(4, min(40, console.width - len(what) - 30)))
    parts = (TextColumn("{task.description}"), bar, MofNCompleteColumn(), TimeRemainingColumn(), TextColumn("left"))
    with Progress(*parts, console=console, transient=True) as shown:
        yield from shown.track(items, total=total, description=what)
