"""A progress bar on standard error, none where that is no terminal."""

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
    from rich.progress import track

    yield from track(items, description=what, total=total, console=Console(stderr=True), transient=True)
