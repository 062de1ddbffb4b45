"""A book is kept whole: a copy of it while it is in use, and a look for damage."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sprout.book.folder import CONFLICT, DATABASE, LID, VIEWS, conflict_copies, leftovers
from sprout.book.schema import connect, faults
from sprout.errors import BookError, OutputError, SproutError
from sprout.files import flush

if TYPE_CHECKING:
    from sprout.lid import Lid

RESTORE = "take the last backup, or save what can be read with: sprout book repair"
_AGAIN = "its readings are not lost; sprout book repair makes it anew if the photo is still where it was"

# what no row may hold, as SQL that counts the rows that do
_IMPOSSIBLE = {
    "reading": "p_sprouted NOT BETWEEN 0 AND 1 OR seedlings NOT BETWEEN seedlings_low AND seedlings_high"
    " OR tissue_cm2 < 0 OR status NOT IN ('empty', 'sprouted', 'unsure', 'hidden')",
    "photo": "length(sha256) <> 64 OR NOT (taken_at = '' OR is_day(substr(taken_at, 1, 10)))",
    "dating": "NOT is_day(date)",
    "note": "NOT is_day(substr(moment, 1, 10))",
    "entry": "NOT is_day(date) OR seedlings < 0",
    "fix": "NOT is_day(date)",
    "grow": "NOT is_day(sown)",
}


@dataclass(frozen=True)
class Finding:
    """Something that a look for damage has brought to light; ``harmless`` if nothing is lost by it."""

    subject: str
    wrong: str
    mend: str
    harmless: bool = False

    def __str__(self) -> str:
        return f"{self.subject}: {self.wrong}: {self.mend}"


def backup(path: Path | str, folder: Path | str | None = None) -> Path:
    """Copy a book into a folder (beside the book, if none is given), also while others write in it.

    The copy is a book of its own, named after the book and the time; it is there whole or not at all.

    Raises
    ------
    BookError
        If it is no book, or damaged: a damaged book never passes for a backup.
    OutputError
        If the folder cannot be written.
    """
    path = Path(path).resolve()
    file = _database(path)
    folder = Path(folder) if folder is not None else path.parent
    draft = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=folder))
        (draft / VIEWS).mkdir()
        copied = draft / DATABASE
        with (
            faults(file),
            contextlib.closing(connect(file)) as source,
            contextlib.closing(sqlite3.connect(copied)) as copy,
        ):
            source.backup(copy)
        shutil.copyfile(path / LID, draft / LID)
        for name in _files(copied):
            shutil.copyfile(path / name, draft / name)
        lost = [finding for finding in check(draft) if not finding.harmless]
        if lost:
            raise BookError(path, f"is damaged ({lost[0].subject}: {lost[0].wrong})", "see: sprout book check")
        for made in (*draft.rglob("*"), draft):
            flush(made)
        draft.chmod(0o755)
        named = unused(folder, f"{path.name}-{datetime.now():%Y%m%d-%H%M%S}")
        draft.rename(named)
        flush(folder)
        return named
    except FileNotFoundError as e:
        raise BookError(path, f"is damaged ({e.filename} is not there)", "see: sprout book check") from e
    except OSError as e:
        raise OutputError(folder, f"cannot be written ({e.strerror or e})", "choose another folder") from e
    finally:
        if draft is not None:
            shutil.rmtree(draft, ignore_errors=True)


def check(path: Path | str) -> list[Finding]:
    """Everything that is amiss with a book; an empty list if it is sound.

    The database by its own integrity check, its rows by what they may hold, every file of the book by its digest.

    Raises
    ------
    BookError
        If it is no book, is in use, or of a newer version.
    """
    path = Path(path)
    file = _database(path)
    found = [
        Finding(str(copy), "is a second copy", CONFLICT.rpartition(": ")[2], True) for copy in conflict_copies(path)
    ]
    found += [Finding(str(p), "is what a power cut left of a file", "delete it", True) for p in leftovers(path)]
    lid = _lid(path, found)
    try:
        with contextlib.closing(connect(file)) as connection, faults(file):
            found += _database_findings(file, connection)
            found += _file_findings(path, connection)
            if lid is not None:
                found += _label_findings(file, connection, lid)
    except BookError as e:
        if "is damaged" not in e.wrong:
            raise
        found.append(Finding(str(file), e.wrong, RESTORE))
    return found


def _database(path: Path) -> Path:
    if not (path / DATABASE).is_file():
        raise BookError(path, "holds no book", "give the folder of a book")
    return path / DATABASE


def unused(folder: Path, name: str) -> Path:
    """A path in the folder that is not taken: the name, or with a number behind it."""
    tries = (folder / (name if k == 1 else f"{name}-{k}") for k in range(1, 1000))
    return next(path for path in tries if not path.exists())


def _lid(path: Path, found: list[Finding]) -> Lid | None:
    from sprout.lid import read_lid

    try:
        return read_lid(path / LID)
    except SproutError as e:
        found.append(Finding(e.subject, e.wrong, "put the lid file that the book was begun with in its place"))
        return None


def _files(file: Path) -> list[str]:
    """The files that a database speaks of and that are there."""
    with contextlib.closing(sqlite3.connect(file)) as connection:
        names = {row[0] for row in connection.execute("SELECT file FROM anchor UNION SELECT view FROM survey")}
    return sorted(names - {""})


def _database_findings(file: Path, connection: sqlite3.Connection) -> Iterator[Finding]:
    for row in connection.execute("PRAGMA integrity_check(3)").fetchall():
        if row[0] != "ok":
            yield Finding(str(file), f"is damaged ({row[0]})", RESTORE)
    for row in connection.execute("PRAGMA foreign_key_check").fetchall():
        yield Finding(str(file), f"a row of {row[0]} refers to a {row[2]} that is not there", RESTORE)
    connection.create_function("is_day", 1, is_day, deterministic=True)
    for table, impossible in _IMPOSSIBLE.items():
        count = connection.execute(f"SELECT count(*) FROM {table} WHERE {impossible}").fetchone()[0]
        if count:
            yield Finding(str(file), f"{count} rows of {table} hold what cannot be", RESTORE)
    if not connection.execute("SELECT count(*) FROM grow").fetchone()[0]:
        yield Finding(str(file), "does not say what was sown", RESTORE)


def is_day(text: object) -> bool:
    """Whether a text is a date, YYYY-MM-DD."""
    try:
        return isinstance(text, str) and bool(date.fromisoformat(text))
    except ValueError:
        return False


def _file_findings(path: Path, connection: sqlite3.Connection) -> Iterator[Finding]:
    digests = dict(connection.execute("SELECT name, sha256 FROM file ORDER BY id").fetchall())
    for anchor in connection.execute("SELECT file FROM anchor ORDER BY id DESC LIMIT 1").fetchall():
        wrong = damage(path / anchor[0], digests.get(anchor[0], ""))
        if wrong:
            yield Finding(str(path / anchor[0]), f"the lid's view {wrong}", RESTORE)
    for (name,) in connection.execute("SELECT DISTINCT view FROM survey WHERE view <> '' ORDER BY view").fetchall():
        wrong = damage(path / name, digests.get(name, ""))
        if wrong:
            yield Finding(str(path / name), f"the straightened photo {wrong}", _AGAIN)


def damage(file: Path, sha256: str) -> str:
    """What is wrong with a file of the book, "" if nothing; without a digest it need only be whole."""
    from PIL import Image

    try:
        data = file.read_bytes()
    except OSError:
        return "is not there"
    if sha256:
        return "" if hashlib.sha256(data).hexdigest() == sha256 else "is damaged"
    if file.suffix != ".jpg":
        from sprout.registration import load_view

        try:
            load_view(file)
        except BookError:
            return "is damaged"
        return ""
    try:
        with Image.open(file) as picture:
            picture.load()
    except (OSError, SyntaxError, ValueError):
        return "is damaged"
    return ""


def _label_findings(file: Path, connection: sqlite3.Connection, lid: Lid) -> Iterator[Finding]:
    sites = (
        "SELECT site FROM sowing UNION SELECT site FROM reading UNION SELECT site FROM entry UNION SELECT site FROM fix"
    )
    strange = sorted({row[0] for row in connection.execute(sites)} - set(lid.labels))
    if strange:
        mend = "put the lid file that the book was begun with in its place"
        yield Finding(str(file), f"speaks of {', '.join(strange[:3])}, which {LID} does not have", mend)
    short = connection.execute(
        "SELECT count(*) FROM survey s WHERE reason = ''"
        " AND ? <> (SELECT count(*) FROM reading r WHERE r.survey = s.id)",
        (len(lid.labels),),
    ).fetchone()[0]
    if short:
        yield Finding(str(file), f"{short} photos have not a reading for each site", RESTORE)
