"""A photo that arrives -> the book. It is read in a process of its own, one photo at a time.

Of a photo the book keeps what ``sprout log`` keeps: readings, the straightened view, time and SHA-256. The file itself,
and with it the place that a phone may have written into it, is deleted as soon as it has been read.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import BinaryIO

from sprout.errors import OutputError, PhotoError, SproutError
from sprout.settings import Settings

READING_S = 180.0  # far beyond the slowest photo; a reading that takes longer is stuck
_MOST_WAITING = 6
_COPY_BYTES = 1 << 20
_PREFIX = "sprout-upload-"
_LEFT_S = 2 * _MOST_WAITING * READING_S  # no photo waits so long for its turn


@dataclass(frozen=True)
class Arrival:
    """A photo to be read: the book, the file, the day it was taken if the file does not tell."""

    book: Path
    file: Path
    on: date | None
    settings: Settings


@dataclass(frozen=True)
class Outcome:
    """What became of it: ``read``, ``held``, ``unread`` (in the book with its reason) or ``refused`` (not in the book).

    ``day`` is the photo's date where it is known.
    """

    outcome: str
    reason: str = ""
    day: date | None = None


class Busy(Exception):
    """Too many photos wait to be read."""


Read = Callable[[Arrival], Outcome]


def read_into_book(arrival: Arrival) -> Outcome:
    """Add one photo to the book. A file that is no whole photo, or of a day before the sowing, leaves no trace in it.

    Raises
    ------
    BookError, OutputError
        If the book cannot be read or written.
    """
    from sprout.book import Book
    from sprout.intake import log_photos, sha256_of
    from sprout.photo import photo_header, read_photo

    file, settings = arrival.file, arrival.settings
    with Book(arrival.book) as book:
        try:
            taken_at = photo_header(file, settings=settings).taken_at
            read_photo(file, settings=settings, judged=False)
        except PhotoError as e:
            return Outcome("refused", spoken(e))
        day = taken_at.date() if taken_at else arrival.on
        if day is None and book.holds(sha256_of(file), settings.digest()) is None:
            return Outcome("refused", "the photo does not tell its day: say it in the form")
        if day and day < book.grow.sown:
            return Outcome("refused", f"taken on {day}, before the sowing on {book.grow.sown}", day)
        if day and day > date.today() + timedelta(days=1):
            mend = "set the clock of the phone or of the computer"
            return Outcome("refused", f"taken on {day}, which is yet to come: {mend}", day)
        (logged,) = log_photos(book, [file], on=None if taken_at else day, settings=settings)
        return Outcome(logged.outcome, logged.reason, logged.day or day)


def spoken(error: SproutError) -> str:
    """What is wrong and the mend, for a person who sees no command line."""
    typed = "sprout " in error.mend or "--" in error.mend
    return error.wrong if typed or not error.mend else f"{error.wrong}: {error.mend}"


class Reader:
    """A process that reads photos. A photo that brings it down, or holds it up, costs that photo only."""

    def __init__(self, *, reading_s: float = READING_S) -> None:
        self._reading_s = reading_s
        self._turn, self._count = threading.Lock(), threading.Lock()
        self._waiting = 0
        self._start()

    def _start(self) -> None:
        # a forked child would inherit the vision library's locks without its threads, and wait for ever
        context = get_context("spawn")
        self._line, far_end = context.Pipe()
        self._process = context.Process(target=_serve, args=(far_end,), daemon=True)
        self._process.start()
        far_end.close()

    def __call__(self, arrival: Arrival) -> Outcome:
        """Read one photo; others wait for their turn.

        Raises
        ------
        Busy
            If too many wait already.
        SproutError
            As :func:`read_into_book` does.
        """
        with self._count:
            if self._waiting >= _MOST_WAITING:
                raise Busy
            self._waiting += 1
        try:
            with self._turn:
                return self._read(arrival)
        finally:
            with self._count:
                self._waiting -= 1

    def _read(self, arrival: Arrival) -> Outcome:
        try:
            self._line.send(arrival)
            answer = self._line.recv() if self._line.poll(self._reading_s) else None
        except (EOFError, OSError):
            answer = None
        if isinstance(answer, Outcome):
            return answer
        if isinstance(answer, SproutError):
            raise answer
        self.close()
        self._start()
        return Outcome("refused", "reading it failed: take another photo")

    def close(self) -> None:
        """End the process."""
        self._line.close()
        self._process.kill()
        self._process.join()
        self._process.close()


def _serve(line: Connection) -> None:
    """The process: read what is asked for until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the page's to hear
    import sprout.survey  # noqa: F401  so that the first photo need not wait for it

    while True:
        try:
            arrival: Arrival = line.recv()
        except (EOFError, OSError):
            return
        # the book keeps a photo's path as given, and a folder that is deleted again would say nothing
        os.chdir(arrival.file.parent)
        try:
            answer: object = read_into_book(replace(arrival, file=Path(arrival.file.name)))
        except SproutError as e:
            answer = e
        except Exception as e:
            answer = Outcome("refused", f"a fault of sprout itself ({type(e).__name__}): please report it")
        os.chdir(tempfile.gettempdir())
        try:
            line.send(answer)
        except OSError:  # the page was killed meanwhile, and nobody else deletes the photo
            shutil.rmtree(arrival.file.parent, ignore_errors=True)
            return


@contextmanager
def set_down(upload: BinaryIO, name: str) -> Iterator[Path]:
    """The upload as a file of its own under a harmless name, in a folder that nobody else can read; deleted after.

    Raises
    ------
    OutputError
        If there is no room for it.
    """
    try:
        with tempfile.TemporaryDirectory(prefix=_PREFIX, ignore_cleanup_errors=True) as folder:
            file = Path(folder) / harmless(name)
            with file.open("wb") as out:
                shutil.copyfileobj(upload, out, _COPY_BYTES)
            yield file
    except OSError as e:
        raise OutputError("", f"no room to read the photo ({e.strerror or e})", "free some space") from e


def sweep() -> None:
    """Delete photos that a page left when it was killed: a phone may have written into them where they were taken."""
    for folder in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        try:
            left = not folder.is_symlink() and time.time() - folder.stat().st_mtime > _LEFT_S
        except OSError:  # gone already
            continue
        if left:
            shutil.rmtree(folder, ignore_errors=True)


def harmless(name: str) -> str:
    """The last part of a file name with nothing in it that means something to anybody."""
    last = re.split(r"[/\\]", name)[-1]
    kept = re.sub(r"[^\w.() -]+", "_", last, flags=re.ASCII).strip(" ._")
    stem, dot, suffix = kept[-60:].rpartition(".")
    return f"{stem or suffix or 'photo'}{dot if stem else ''}{suffix if stem else ''}"
