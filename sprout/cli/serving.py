"""Commands that stay: watch a folder for photos."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.output import LIMIT, Megapixels, complain, outcome, say
from sprout.errors import UsageError
from sprout.settings import Settings

if TYPE_CHECKING:
    from collections import Counter
    from threading import Event

    from sprout.watching import Watch

_BETWEEN_S = 2.0  # between the two looks of a single pass
BookArgument = Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]


def watch(
    book: BookArgument,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where new photos arrive.")],
    every: Annotated[float, typer.Option("--every", metavar="SECONDS", min=1, max=86400, help="Between looks.")] = 10,
    once: Annotated[bool, typer.Option("--once", help="Add what is complete now and stop, as for a timer.")] = False,
    max_megapixels: Megapixels = LIMIT,
) -> None:
    """Add the photos that arrive in a folder, each when its file is complete.

    Made for a folder that the phone's photos are copied to; on a network share too. Stop it with Ctrl-C; started
    again, it goes on with what is new.
    """
    import signal
    from collections import Counter
    from threading import Event

    from sprout.book import Book
    from sprout.watching import Watch

    if not folder.is_dir():
        raise UsageError(folder, "is not a folder", "name the folder that the photos arrive in")
    Book(book).close()
    watched = Watch(book, folder, tell=complain, settings=Settings(max_megapixels=max_megapixels))
    stop, counts = Event(), Counter[str]()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    if not once:
        say(f"watching {folder} every {every:g} seconds; stop with Ctrl-C")
    _look(watched, counts, stop)
    while not stop.wait(_BETWEEN_S if once else every):
        _look(watched, counts, stop)
        if once:
            break
    if once:
        waiting = f", {watched.waiting} not complete yet" if watched.waiting else ""
        say(f"{counts['read']} read, {counts['unread']} could not be read{waiting}")
        raise typer.Exit(outcome(counts["read"], counts["unread"]))


def _look(watched: Watch, counts: Counter[str], stop: Event) -> None:
    """One look, broken off between two photos when it is time to stop."""
    for logged in watched.look():
        counts[logged.outcome] += 1
        if logged.outcome == "read":
            say(f"{logged.path}: read, {logged.day}")
        elif logged.outcome == "unread":
            complain(f"{logged.path}: {logged.reason}")
        if stop.is_set():
            return


COMMANDS = {"watch": watch}
