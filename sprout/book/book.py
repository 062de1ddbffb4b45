"""The book as an object: begin one, open one, add to it, hand out what it holds."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from sprout import columns
from sprout.book.folder import DATABASE, LID, VIEWS, name_conflict_copies
from sprout.book.grow import Grow, write_grow
from sprout.book.records import (
    insert,
    keep_view,
    note_of,
    now,
    plain,
    write_anchor,
    write_day,
    write_feed,
    write_note,
    write_told,
)
from sprout.book.schema import connect, faults, transaction
from sprout.errors import BookError, OutputError, UsageError
from sprout.evidence import Evidence
from sprout.feed import Feed, parse_feed
from sprout.files import flush, name_of, write_text
from sprout.plugs import Note, Sowing, check_note, misdated, site_named
from sprout.settings import VERSION

if TYPE_CHECKING:
    import pandas as pd

    from sprout.lid import Lid
    from sprout.registration import LidView
    from sprout.survey import Survey

_LATEST = "(SELECT max(id) FROM survey WHERE sha256 = p.sha256)"
_READING = tuple(c.name for c in columns.SITE_READINGS)
_ENTRY = tuple(c.name for c in columns.ENTRIES)
_FIX = tuple(c.name for c in columns.FIXES)


class Book:
    """One grow's folder. Use it as a context manager, or call :meth:`close`.

    Attributes
    ----------
    path, lid, grow:
        The folder, the lid, and what the book was begun with.

    Any method raises :class:`BookError` when the database is damaged or another program holds it too long, and
    :class:`OutputError` when it cannot be written.
    """

    def __init__(self, path: Path | str) -> None:
        """Open a book.

        Raises
        ------
        BookError
            If the folder holds no book, a damaged one, or one of a newer version.
        LidError
            If the lid file in it is at fault.
        """
        from sprout.lid import read_lid

        self.path = Path(path)
        self._file = self.path / DATABASE
        if not self._file.is_file():
            wrong = "holds no book" if self.path.is_dir() else "is not a book"
            raise BookError(self.path, wrong, f"begin one with: sprout begin {self.path} --lid LID.toml …")
        name_conflict_copies(self.path)
        self._connection = connect(self._file)
        try:
            self.grow = self._grow()
            self.lid: Lid = read_lid(self.path / LID)
        except BaseException:
            self.close()
            raise

    @classmethod
    def begin(
        cls, path: Path | str, grow: Grow, *, lid: Lid, view: LidView | None = None, view_sha256: str = ""
    ) -> Book:
        """Begin a book in a folder that does not exist or is empty: all of it, or nothing at all.

        ``view`` is the look of the empty lid, learned from the photo ``view_sha256``.

        Raises
        ------
        BookError
            If something is in the folder already.
        UsageError
            If a site that is sown is not on the lid.
        OutputError
            If the folder cannot be made.
        """
        from sprout.lid import lid_toml

        path = Path(path)
        if path.exists() and not path.is_dir():
            raise BookError(path, "is a file", "give the name of a folder")
        if path.is_dir() and any(path.iterdir()):
            wrong = "holds a book already" if (path / DATABASE).exists() else "is not empty"
            raise BookError(path, wrong, "choose another folder")
        grow = replace(grow, sowing={site_named(site, lid.labels): what for site, what in grow.sowing.items()})
        draft = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            draft = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=path.parent))
            (draft / VIEWS).mkdir()
            write_text(draft / LID, lid_toml(lid))
            write_grow(draft / DATABASE, grow, lid)
            if view is not None:
                with contextlib.closing(connect(draft / DATABASE)) as connection:
                    write_anchor(connection, draft, view, view_sha256)
            draft.chmod(0o755)
            if path.is_dir():
                path.rmdir()
            draft.rename(path)
            flush(path.parent)
        except OSError as e:
            raise OutputError(path, f"cannot be written ({e.strerror or e})", "choose another folder") from e
        finally:
            if draft is not None:
                shutil.rmtree(draft, ignore_errors=True)
        return cls(path)

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._connection.close()

    def _ask(self, sql: str, *values: object) -> list[sqlite3.Row]:
        with faults(self._file):
            return self._connection.execute(sql, values).fetchall()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with faults(self._file), transaction(self._connection) as connection:
            yield connection

    def _grow(self) -> Grow:
        rows = self._ask("SELECT * FROM grow ORDER BY rowid DESC LIMIT 1")
        if not rows:
            raise BookError(self.path, "the book is damaged (it does not say what was sown)", "take your last backup")
        sowing = {r["site"]: Sowing(r["crop"], r["seeds"]) for r in self._ask("SELECT * FROM sowing ORDER BY place")}
        labels = {r["key"]: r["value"] for r in self._ask("SELECT * FROM label ORDER BY key")}
        row = rows[0]
        feed = next((feed for _, feed in self._feeds()), None)
        sown, litres, degrees = date.fromisoformat(row["sown"]), row["reservoir_litres"], row["temperature_c"]
        return Grow(sown, sowing, litres, degrees, labels, feed)

    def _feeds(self) -> tuple[tuple[date, Feed], ...]:
        rows = self._ask("SELECT * FROM feed ORDER BY since, id")
        return tuple((date.fromisoformat(r["since"]), parse_feed(r["described"])) for r in rows)

    # photos and their readings

    @property
    def anchor(self) -> str:
        """SHA-256 of the photo that taught the lid's look and settles its labels, "" as long as there is none."""
        rows = self._ask("SELECT sha256 FROM anchor ORDER BY id DESC LIMIT 1")
        return str(rows[0]["sha256"]) if rows else ""

    def view(self) -> LidView | None:
        """The look of the lid that later photos are registered against."""
        from sprout.registration import load_view

        rows = self._ask("SELECT file FROM anchor ORDER BY id DESC LIMIT 1")
        if not rows:
            return None
        return load_view(self.path / rows[0]["file"])

    def holds(self, sha256: str, settings: str) -> str | None:
        """Why a photo read with these settings could not be read ("" if it was); None if it is not in the book.

        A photo refused before the lid's look was known deserves another try and is not held.
        """
        rows = self._ask(
            "SELECT reason, anchor FROM survey WHERE sha256 = ? AND settings = ? ORDER BY id DESC LIMIT 1",
            sha256,
            settings,
        )
        if not rows or (rows[0]["reason"] and rows[0]["anchor"] != self.anchor):
            return None
        return str(rows[0]["reason"])

    def add(
        self, survey: Survey, *, on: date | None, settings: str, anchor: str
    ) -> Literal["added", "held", "outdated"]:
        """Add what one photo yielded, all of it or nothing: header, reason, readings, straightened view.

        ``on`` is the photo's day where the grower said so; else the day its EXIF time tells. ``anchor`` is the
        photo whose view it was registered against. A first photo that is read becomes the anchor of a book
        without one.

        Another program may have written meanwhile. ``held``: it has added this photo, and nothing is changed.
        ``outdated``: the book has got an anchor, against which the photo has to be read anew; nothing is changed.

        Raises
        ------
        ValueError
            If the photo was read but its day is not known.
        """
        if survey.taken_at is None and on is None and not survey.reason:
            raise ValueError("a photo without a day cannot enter the book")
        taken_at = survey.taken_at.isoformat() if survey.taken_at else ""
        with self._writing() as connection:
            if self.holds(survey.sha256, settings) is not None:
                return "held"
            if not survey.reason and self.anchor not in ("", anchor):
                return "outdated"
            connection.execute(
                "INSERT INTO photo VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (sha256) DO NOTHING",
                (survey.sha256, name_of(survey.path), taken_at, survey.width_px, survey.height_px, now()),
            )
            if on:
                write_day(connection, survey.sha256, on)
            # the files come first: what the book speaks of must be there when a power cut ends it all
            view, corner, scale = keep_view(connection, self.path, survey, settings)
            if survey.view is not None and not self.anchor:
                write_anchor(connection, self.path, survey.view, survey.sha256)
            measured = connection.execute(
                "INSERT INTO survey (sha256, settings, version, anchor, reason, view, view_x_mm, view_y_mm,"
                " view_px_per_mm, written_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (survey.sha256, settings, VERSION, anchor, survey.reason, view, *corner, scale, now()),
            ).lastrowid
            names = ("survey", "place", *_READING)
            connection.executemany(
                insert("reading", names),
                [
                    (measured, place, *(plain(reading.get(name)) for name in _READING))
                    for place, reading in enumerate(survey.readings)
                ],
            )
        return "added"

    def date_photo(self, sha256: str, on: date) -> None:
        """Say on which day a photo of the book was taken; what was said last counts."""
        with self._writing() as connection:
            write_day(connection, sha256, on)

    def photos(self) -> pd.DataFrame:
        """All photos by date, those that could not be read included: ``columns.PHOTOS``."""
        rows = self._ask(
            "SELECT p.date, p.path AS photo, p.taken_at, iif(s.reason = '', 'yes', 'no') AS readable, s.reason,"
            " (SELECT r.fit_mm FROM reading r WHERE r.survey = s.id LIMIT 1) AS fit_mm,"
            " (SELECT r.fit_by FROM reading r WHERE r.survey = s.id LIMIT 1) AS fit_by,"
            " p.sha256, s.view, s.view_x_mm, s.view_y_mm, s.view_px_per_mm"
            f" FROM dated p JOIN survey s ON s.id = {_LATEST} ORDER BY p.moment, p.sha256"
        )
        return columns.frame(map(dict, rows), columns.PHOTOS)

    def size(self) -> int:
        """Photos times sites: how many looks at a plug there may be."""
        return int(self._ask("SELECT count(*) FROM photo")[0][0]) * len(self.lid.labels)

    def _looks(self) -> pd.DataFrame:
        readings = ", ".join(f"r.{name}" for name in _READING)
        rows = self._ask(
            f"SELECT p.sha256, p.date, p.moment, p.path AS photo, {readings}"
            f" FROM dated p JOIN survey s ON s.id = {_LATEST} JOIN reading r ON r.survey = s.id"
            " ORDER BY p.moment, p.sha256, r.place"
        )
        return columns.frame(map(dict, rows), columns.LOOKS)

    # what the grower says

    def notes(self) -> tuple[Note, ...]:
        """The notes that stand, by moment; those of one moment in the order written."""
        rows = self._ask("SELECT * FROM note WHERE id NOT IN (SELECT note FROM withdrawal) ORDER BY moment, id")
        return tuple(map(note_of, rows))

    def add_notes(self, notes: Iterable[Note], *, untold: timedelta | None = None) -> list[int]:
        """Add notes, all or none, and return their numbers.

        With ``untold`` the book remembers that nobody has seen the numbers yet: when a power cut comes before
        :meth:`told` and the same is noted again, of a moment at most so far away, the number is that of the note
        that is there, and nothing is added.

        Raises
        ------
        UsageError
            If a site is not on the lid, or a note does not fit the notes there are.
        """
        numbers = []
        with self._writing() as connection:
            for given in notes:
                site, to_site = (x and site_named(x, self.lid.labels) for x in (given.site, given.to_site))
                note = replace(given, site=site, to_site=to_site)
                if untold is not None and (number := self._untold(note, untold)):
                    numbers.append(number)
                    continue
                check_note(self.grow.sown, self.grow.sowing, self.notes(), note)
                number = write_note(connection, note)
                numbers.append(number)
                if untold is None:
                    write_told(connection, number)
        return numbers

    def told(self, numbers: Iterable[int]) -> None:
        """The grower has seen the numbers of these notes."""
        with self._writing() as connection:
            for number in numbers:
                write_told(connection, number)

    def _untold(self, note: Note, apart: timedelta) -> int:
        """The number of a note that says the same and that nobody has seen yet, 0 if there is none."""
        rows = self._ask(
            "SELECT * FROM note WHERE id NOT IN (SELECT note FROM told) AND id NOT IN (SELECT note FROM withdrawal)"
        )
        for there in map(note_of, rows):
            same = there == replace(note, number=there.number, moment=there.moment)
            if same and abs(there.moment - note.moment) <= apart:
                return there.number
        return 0

    def describe_feed(self, feed: Feed, *, since: date) -> None:
        """Say which plant food is used from a day on; of two for one day the later written counts.

        Raises
        ------
        UsageError
            If the day is before the sowing.
        """
        if amiss := misdated(self.grow.sown, since):
            raise UsageError(f"feed from {since}", f"that is {amiss}", "check the date")
        with self._writing() as connection:
            write_feed(connection, feed, since)

    def withdraw_note(self, number: int) -> Note:
        """Take a note back; it stays in the book but no longer counts. Once more changes nothing.

        Raises
        ------
        UsageError
            If there is no such note, or a later note needs it.
        """
        from sprout.plugs import replay

        with self._writing() as connection:
            notes = {n.number: n for n in self.notes()}
            taken_back = self._ask("SELECT n.* FROM note n JOIN withdrawal w ON w.note = n.id WHERE n.id = ?", number)
            if taken_back:
                return note_of(taken_back[0])
            if number not in notes:
                raise UsageError(f"note {number}", "is not in the book", "see: sprout note BOOK list")
            try:
                replay(self.grow.sown, self.grow.sowing, [n for n in notes.values() if n.number != number])
            except UsageError as e:
                raise UsageError(
                    f"note {number}", f"a later note needs it ({e.subject})", "withdraw that one first"
                ) from e
            connection.execute("INSERT INTO withdrawal VALUES (?, ?)", (number, now()))
        return notes[number]

    def add_entries(self, entries: Sequence[Mapping[str, Any]], *, source: str) -> int:
        """Add readings made by hand (keys as in ``columns.ENTRIES``), all or none; return how many were new.

        Raises
        ------
        UsageError
            If a site is not on the lid, or a date is before the sowing.
        """
        entries = [self._look(entry) for entry in entries]
        new = 0
        same = " AND ".join(f"{name} IS ?" for name in _ENTRY)
        with self._writing() as connection:
            for entry in entries:
                values = [plain(entry.get(name)) for name in _ENTRY]
                if connection.execute(f"SELECT 1 FROM entry WHERE {same}", values).fetchone():
                    continue
                connection.execute(insert("entry", (*_ENTRY, "source", "written_at")), (*values, source, now()))
                new += 1
        return new

    def add_fix(self, fix: Mapping[str, Any], *, comment: str = "", withdrawn: bool = False) -> None:
        """Add a correction (keys as in ``columns.FIXES``); the latest of a day and site counts, or none if withdrawn.

        The same again changes nothing.

        Raises
        ------
        UsageError
            If the site is not on the lid, or the date is before the sowing.
        """
        fix = self._look(fix)
        names = (*_FIX, "withdrawn", "comment")
        values = (*(plain(fix.get(name)) for name in _FIX), int(withdrawn), comment)
        with self._writing() as connection:
            where = "WHERE date = ? AND site = ? ORDER BY id DESC LIMIT 1"
            last = connection.execute(f"SELECT {', '.join(names)} FROM fix {where}", (fix["date"], fix["site"]))
            if [tuple(row) for row in last] != [values]:
                connection.execute(insert("fix", (*names, "written_at")), (*values, now()))

    def _look(self, given: Mapping[str, Any]) -> Mapping[str, Any]:
        """An entry or correction with its site as the lid has it."""
        site = site_named(given["site"], self.lid.labels)
        if amiss := misdated(self.grow.sown, date.fromisoformat(given["date"])):
            raise UsageError(f"{site} on {given['date']}", f"that is {amiss}", "check the date")
        return {**given, "site": site}

    # what the book knows

    def evidence(self) -> Evidence:
        """Everything the stages after the book work from."""
        entries = self._ask(f"SELECT {', '.join(_ENTRY)} FROM entry ORDER BY date, site, seedlings, id")
        fixes = self._ask(
            f"SELECT {', '.join(_FIX)} FROM fix WHERE withdrawn = 0 AND id IN"
            " (SELECT max(id) FROM fix GROUP BY date, site) ORDER BY date, site"
        )
        return Evidence(
            lid=self.lid.name,
            labels=self.lid.labels,
            area_per_site_cm2=self.lid.area_per_site_mm2 / 100,
            sown=self.grow.sown,
            sowing=self.grow.sowing,
            looks=self._looks(),
            entries=columns.frame(map(dict, entries), columns.ENTRIES),
            fixes=columns.frame(map(dict, fixes), columns.FIXES),
            notes=self.notes(),
            reservoir_litres=self.grow.reservoir_litres,
            temperature_c=self.grow.temperature_c,
            labels_given=self.grow.labels,
            feeds=self._feeds(),
        )
