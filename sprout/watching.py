"""A folder that a phone fills -> the book: photos are added when their file is complete.

The folder is looked at again and again, because no operating system tells of changes on a network share. A file that
two looks find alike, and that decodes to its last row, is complete. What the book has is known by its bytes, so a
watch that was stopped goes on where it was, and two watches of one folder do no harm.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from errno import ENOENT
from pathlib import Path
from typing import TYPE_CHECKING

from sprout.errors import BookError, OutputError, PhotoError
from sprout.intake import Logged, find_photos, log_photos, sha256_of
from sprout.settings import Settings

if TYPE_CHECKING:
    from sprout.book import Book

PATIENCE_S = 120.0  # a copy that stands still for so long is told as broken; it is taken when it goes on after all

_Stamp = tuple[int, int]  # size in bytes, time of change in ns


@dataclass
class _File:
    """What is known of one file: how it looked, since when, and what has been done about that look of it."""

    stamp: _Stamp
    since: float
    done: bool = False


class Watch:
    """One folder, watched into one book.

    Parameters
    ----------
    book, folder:
        Their paths. The book is opened for each batch only, so that other programs can have it meanwhile.
    tell:
        Is called with one line for each thing worth telling, once.
    clock:
        Seconds, from any start.
    """

    def __init__(
        self,
        book: Path,
        folder: Path,
        *,
        tell: Callable[[str], None],
        settings: Settings | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.book, self.folder = book, folder
        self._tell, self._clock, self._settings = tell, clock, settings or Settings()
        self._files: dict[Path, _File] = {}
        self._trouble = ""
        self._early: set[Path] = set()

    @property
    def waiting(self) -> int:
        """Files seen that are neither in the book nor given up."""
        return sum(not f.done for f in self._files.values())

    def look(self) -> Iterator[Logged]:
        """Look once; add what is complete, one photo at a time, and say what became of each that is new.

        Nothing raises but a fault of ours: a folder that is away, a book in use and a full disk are told once and
        tried again at the next look.
        """
        try:
            ready = self._complete()
        except OSError as e:
            self._once(f"{self.folder}: cannot be looked into ({e.strerror or e}): waiting for it to come back")
            return
        if not ready:
            self._calm()
            return
        try:
            yield from self._log(ready)
        except (BookError, OutputError) as e:
            self._once(f"{e} (trying again at the next look)")
        else:
            self._calm()

    def _complete(self) -> list[Path]:
        """Files that look as they did at the look before and have not been dealt with."""
        if not self.folder.is_dir():
            raise FileNotFoundError(ENOENT, "it is not there")
        now = self._clock()
        found: dict[Path, _File] = {}
        ready = []
        for path in find_photos([self.folder]):
            try:
                status = path.stat()
            except OSError:  # gone again, or not to be reached
                continue
            stamp = (status.st_size, status.st_mtime_ns)
            known = self._files.get(path)
            if known is None or known.stamp != stamp:
                found[path] = _File(stamp, now)
                continue
            found[path] = known
            if not known.done:
                ready.append(path)
        self._files = found
        return ready

    def _log(self, ready: list[Path]) -> Iterator[Logged]:
        from sprout.book import Book

        with Book(self.book) as book:
            for path in ready:
                if self._held(book, path) or not self._readable(path):
                    continue
                for logged in log_photos(book, [path], settings=self._settings):
                    self._files[path].done = True
                    if not self._before_sowing(book, logged):
                        yield logged
        if self._early:
            count, self._early = len(self._early), set()
            self._tell(f"{count} photo{'s' if count > 1 else ''} from before the sowing left out")

    def _held(self, book: Book, path: Path) -> bool:
        from sprout.photo import check_file

        try:
            check_file(path, self._settings)
            held = book.holds(sha256_of(path), self._settings.digest()) is not None
        except (PhotoError, OSError):  # gone again, not to be read yet, or no file at all
            return False
        self._files[path].done |= held
        return held

    def _readable(self, path: Path) -> bool:
        """Whether the file decodes whole; one that does not is waited for, then told once."""
        from sprout.photo import read_photo

        file = self._files[path]
        try:
            read_photo(path, settings=self._settings, judged=False)
        except PhotoError as e:
            if self._clock() - file.since >= PATIENCE_S:
                file.done = True
                self._tell(f"{path}: {e.reason}")
            return False
        return True

    def _before_sowing(self, book: Book, logged: Logged) -> bool:
        early = logged.outcome == "unread" and logged.day is not None and logged.day < book.grow.sown
        if early:
            self._early.add(logged.path)
        return early

    def _once(self, trouble: str) -> None:
        if trouble != self._trouble:
            self._trouble = trouble
            self._tell(trouble)

    def _calm(self) -> None:
        if self._trouble:
            self._trouble = ""
            self._tell("going on")
