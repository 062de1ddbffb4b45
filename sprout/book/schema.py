"""The book's database: its tables, and the steps that bring an older book up to date."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sprout.errors import BookError, OutputError, SproutError, UsageError

# Step k brings a book from version k to k + 1. A step that has been released is never edited.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE grow (
        sown TEXT NOT NULL, reservoir_litres REAL, temperature_c REAL, written_at TEXT NOT NULL);
    CREATE TABLE sowing (
        place INTEGER PRIMARY KEY, site TEXT NOT NULL UNIQUE, crop TEXT NOT NULL, seeds INTEGER NOT NULL);
    CREATE TABLE label (
        key TEXT PRIMARY KEY, value TEXT NOT NULL);
    CREATE TABLE anchor (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, file TEXT NOT NULL, written_at TEXT NOT NULL);
    CREATE TABLE photo (
        sha256 TEXT PRIMARY KEY, path TEXT NOT NULL, taken_at TEXT NOT NULL, width_px INTEGER NOT NULL,
        height_px INTEGER NOT NULL, written_at TEXT NOT NULL);
    CREATE TABLE dating (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL REFERENCES photo, date TEXT NOT NULL, written_at TEXT NOT NULL);
    CREATE VIEW dated AS
        SELECT p.*, coalesce(d.date, substr(p.taken_at, 1, 10)) AS date,
            coalesce(d.date || 'T12:00:00', substr(p.taken_at, 1, 19)) AS moment
        FROM photo p LEFT JOIN dating d ON d.id = (SELECT max(id) FROM dating WHERE sha256 = p.sha256);
    CREATE TABLE survey (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL REFERENCES photo, settings TEXT NOT NULL, version TEXT NOT NULL,
        anchor TEXT NOT NULL, reason TEXT NOT NULL, view TEXT NOT NULL, view_x_mm REAL, view_y_mm REAL,
        view_px_per_mm REAL, written_at TEXT NOT NULL);
    CREATE INDEX survey_of_photo ON survey (sha256, settings);
    CREATE TABLE reading (
        survey INTEGER NOT NULL REFERENCES survey, place INTEGER NOT NULL, site TEXT NOT NULL, u_px REAL, v_px REAL,
        status TEXT, p_sprouted REAL, seedlings INTEGER, seedlings_low INTEGER, seedlings_high INTEGER,
        tissue_cm2 REAL, cover_pct REAL, yellow_pct REAL, dry_pct REAL, algae TEXT, flags TEXT, fit_mm REAL,
        fit_by TEXT, PRIMARY KEY (survey, site));
    CREATE TABLE note (
        id INTEGER PRIMARY KEY, kind TEXT NOT NULL, moment TEXT NOT NULL, site TEXT NOT NULL, to_site TEXT NOT NULL,
        amount REAL, unit TEXT NOT NULL, crop TEXT, seeds INTEGER, comment TEXT NOT NULL, written_at TEXT NOT NULL);
    CREATE TABLE withdrawal (
        note INTEGER PRIMARY KEY REFERENCES note, written_at TEXT NOT NULL);
    CREATE TABLE entry (
        id INTEGER PRIMARY KEY, date TEXT NOT NULL, site TEXT NOT NULL, seedlings INTEGER NOT NULL, tissue_cm2 REAL,
        yellow_pct REAL, dry_pct REAL, source TEXT NOT NULL, written_at TEXT NOT NULL);
    CREATE TABLE fix (
        id INTEGER PRIMARY KEY, date TEXT NOT NULL, site TEXT NOT NULL, withdrawn INTEGER NOT NULL,
        status TEXT, seedlings INTEGER, tissue_cm2 REAL, yellow_pct REAL, dry_pct REAL,
        comment TEXT NOT NULL, written_at TEXT NOT NULL);
    """,
    """
    CREATE TABLE feed (
        id INTEGER PRIMARY KEY, since TEXT NOT NULL, described TEXT NOT NULL, written_at TEXT NOT NULL)
    """,
    """
    CREATE TABLE file (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL, sha256 TEXT NOT NULL, written_at TEXT NOT NULL);
    CREATE TABLE told (
        note INTEGER PRIMARY KEY REFERENCES note, written_at TEXT NOT NULL);
    INSERT INTO told SELECT id, written_at FROM note
    """,
)

_WAIT_SECONDS = 10.0


def connect(file: Path) -> sqlite3.Connection:
    """Open a book's database and bring it up to date.

    The rollback journal leaves one file behind, which survives in a synced folder; a write-ahead log does not.

    Raises
    ------
    BookError
        If it is no book's database, is damaged, in use, or was written by a newer version (then nothing is changed).
    OutputError
        If it cannot be written.
    """
    with faults(file):
        connection = sqlite3.connect(file, timeout=_WAIT_SECONDS, isolation_level=None)
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > len(MIGRATIONS):
                raise BookError(
                    file,
                    f"the book was written by a newer version (format {version}, this one knows {len(MIGRATIONS)})",
                    "install the newer version again; nothing was changed",
                )
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA foreign_keys = ON")
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA synchronous = FULL")
            if version < len(MIGRATIONS):
                connection = _brought_up_to_date(connection)
        except BaseException:
            connection.close()
            raise
        return connection


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """One write: all of it or nothing, and nobody else writes meanwhile."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk may have ended it already
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def faults(file: Path) -> Iterator[None]:
    """Put the database's own errors into words for a grower."""
    try:
        yield
    except sqlite3.DatabaseError as e:
        raise _in_words(file, e) from e
    except UnicodeEncodeError as e:  # words typed in another encoding than the terminal's
        raise UsageError(ascii(e.object), "holds what is no text", "write it anew with other letters") from e


def _in_words(file: Path, e: sqlite3.DatabaseError) -> SproutError:
    name = getattr(e, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return BookError(file, "another program is writing in the book", "wait until it is done and try again")
    if name.startswith(("SQLITE_READONLY", "SQLITE_FULL", "SQLITE_IOERR", "SQLITE_PERM")):
        return OutputError(file, f"the book cannot be written ({e})", "free some space or check the folder's rights")
    if name.startswith("SQLITE_CANTOPEN"):
        if os.access(file, os.R_OK):  # there is no making the journal beside it
            return OutputError(file, "the book cannot be written", "check the rights of its folder")
        return BookError(file, "the book cannot be opened", "check the folder and its rights")
    return BookError(file, f"the book is damaged ({e})", "take the copy of book.sqlite from your last backup")


def _brought_up_to_date(connection: sqlite3.Connection) -> sqlite3.Connection:
    """The same connection; of an older book that cannot be written, a copy in memory that can be read only."""
    try:
        _migrate(connection)
    except sqlite3.OperationalError as e:
        if not e.sqlite_errorname.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN")):
            raise
        copy = sqlite3.connect(":memory:", isolation_level=None)
        copy.row_factory = sqlite3.Row
        connection.backup(copy)
        connection.close()
        _migrate(copy)
        copy.execute("PRAGMA query_only = ON")
        return copy
    return connection


def _migrate(connection: sqlite3.Connection) -> None:
    with transaction(connection):
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for step in MIGRATIONS[version:]:
            for statement in step.split(";"):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
