"""Commands that stay until they are stopped: a page for the phone, a folder that is watched."""

from __future__ import annotations

from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.forecasting import CHANCE, KeepUntil, LearnFrom, earlier_from
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
    """Add photos as they arrive in a folder.

    Each when its file is complete. Made for a folder that the phone's photos are copied to; on a network share too.
    Stop it with Ctrl-C; started again, it goes on with what is new.
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


def serve(
    book: BookArgument,
    lan: Annotated[bool, typer.Option("--lan", help="For phones on the same network too.")] = False,
    address: Annotated[
        str | None, typer.Option("--address", metavar="ADDRESS", help="As --lan, at this address of the computer.")
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Port to listen at; 0: any.")] = 8517,
    keep_until_chance: KeepUntil = CHANCE,
    learn_from: LearnFrom = None,
    max_megapixels: Megapixels = LIMIT,
) -> None:
    """A page for the phone.

    Take the photo, see what was read, correct it, note what you did. It shows a code and a picture; open the picture
    with the phone's camera. Only on a network that you trust, and never on the internet. Stop it with Ctrl-C.
    """
    import signal

    try:
        import python_multipart  # noqa: F401
        import segno  # noqa: F401
        import starlette  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError as e:
        mend = 'in the folder of sprout say: python3 -m pip install ".[web]"'
        raise UsageError("serve", f"the part for the page is not installed ({e.name} is missing)", mend) from None
    from sprout.book import Book
    from sprout.page.server import HOME, bound, fit_address, lan_address, make_server
    from sprout.page.uploads import Reader, sweep

    Book(book).close()
    sweep()
    where = fit_address(address) if address else lan_address() if lan else HOME
    earlier = [earlier_from(path, book, Date.today()) for path in learn_from or ()]
    with bound(where, port) as line:
        reader = Reader()
        try:
            server, at = make_server(
                book,
                line,
                read=reader,
                settings=Settings(max_megapixels=max_megapixels),
                announce=_show_code,
                keep_until_chance=keep_until_chance,
                earlier=earlier,
            )
            say(f"the page of {book} is at {at}; stop with Ctrl-C")
            signal.signal(signal.SIGTERM, lambda *_: None)  # the server hears it and comes to its end by itself
            server.run(sockets=[line])
        finally:
            reader.close()


def _show_code(code: str, link: str) -> None:
    """The code on the terminal, as a picture where that is one."""
    import sys

    from sprout.page.server import qr_text

    if sys.stderr.isatty():
        say(qr_text(link))
    say(f"to pair a phone within ten minutes open {link}\nor type the code there: {code}")


COMMANDS = {"watch": watch, "serve": serve}
