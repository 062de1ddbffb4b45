"""A damaged book -> a new book with all that can still be read; the damaged one is left as it is."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sprout.book.folder import DATABASE, LID, VIEWS
from sprout.book.records import keep_view, write_anchor, write_digest
from sprout.book.schema import MIGRATIONS, connect, faults, transaction
from sprout.book.upkeep import damage, is_day, unused
from sprout.errors import BookError, OutputError

if TYPE_CHECKING:
    from sprout.lid import Lid

# in the order of what refers to what; told is left out: nothing of a repaired book is still to be told
_TABLES = (
    *("grow", "sowing", "label", "anchor", "photo", "dating", "survey", "reading"),
    *("note", "withdrawal", "entry", "fix", "feed", "file"),
)
_ORPHANS = (
    "DELETE FROM dating WHERE sha256 NOT IN (SELECT sha256 FROM photo)",
    "DELETE FROM survey WHERE sha256 NOT IN (SELECT sha256 FROM photo)",
    "DELETE FROM survey WHERE reason = '' AND {sites} <> (SELECT count(*) FROM reading r WHERE r.survey = survey.id)",
    "DELETE FROM reading WHERE survey NOT IN (SELECT id FROM survey)",
    "DELETE FROM dating WHERE sha256 NOT IN (SELECT sha256 FROM survey)",
    "DELETE FROM photo WHERE sha256 NOT IN (SELECT sha256 FROM survey)",
    "DELETE FROM withdrawal WHERE note NOT IN (SELECT id FROM note)",
    "INSERT INTO told SELECT id, written_at FROM note",
)


@dataclass
class Repaired:
    """The new book's folder, how many rows of which table were read, and what was lost or made anew."""

    path: Path
    rows: dict[str, int] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)


def repair(path: Path | str, *, lid: Path | str | None = None) -> Repaired:
    """Make a new book beside a damaged one, with everything that can still be read; the old one is not touched.

    ``lid`` is the lid file to take where the book's own is lost. Photos whose readings are not whole are left out, so
    that logging them again reads them anew. A lost view of the lid is made from the earliest straightened photo.

    Raises
    ------
    BookError
        If it is no book, is of a newer version, or what was sown cannot be read any more.
    LidError
        If the lid file is lost and none is given.
    OutputError
        If the new book cannot be written.
    """
    from sprout.lid import read_lid

    path = Path(path).resolve()
    if not (path / DATABASE).is_file():
        raise BookError(path, "holds no book", "give the folder of a book")
    lid_file = Path(lid) if lid else path / LID
    plate = read_lid(lid_file)
    draft = None
    try:
        draft = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=path.parent))
        (draft / VIEWS).mkdir()
        shutil.copyfile(lid_file, draft / LID)
        done = Repaired(draft)
        with contextlib.closing(connect(draft / DATABASE)) as new, faults(draft / DATABASE):
            with _old(path, draft) as old:
                _copy_rows(old, new, done)
            if not new.execute("SELECT 1 FROM grow").fetchone() or not new.execute("SELECT 1 FROM sowing").fetchone():
                raise BookError(path, "what was sown cannot be read any more", "take the last backup")
            with transaction(new):
                _leave_out_what_is_not_whole(new, len(plate.labels), done)
                _copy_files(path, draft, new, plate, done)
        draft.chmod(0o755)
        done.path = unused(path.parent, f"{path.name}-repaired")
        draft.rename(done.path)
        return done
    except OSError as e:
        raise OutputError(path.parent, f"cannot be written ({e.strerror or e})", "free some space there") from e
    finally:
        if draft is not None:
            shutil.rmtree(draft, ignore_errors=True)


@contextlib.contextmanager
def _old(path: Path, draft: Path) -> Iterator[sqlite3.Connection]:
    """The damaged database, a copy of it: the unfinished write of a power cut is undone in the copy only."""
    with tempfile.TemporaryDirectory(prefix="old-", dir=draft) as folder:
        for name in (DATABASE, f"{DATABASE}-journal"):
            if (path / name).exists():
                shutil.copyfile(path / name, Path(folder) / name)
        with contextlib.closing(sqlite3.connect(Path(folder) / DATABASE, isolation_level=None)) as old:
            try:
                version = old.execute("PRAGMA user_version").fetchone()[0]
                tables = old.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            except sqlite3.DatabaseError as e:
                raise BookError(path, f"nothing in it can be read ({e})", "take the last backup") from e
            if version > len(MIGRATIONS):
                raise BookError(path, "the book was written by a newer version", "repair it with that version")
            if not tables:
                raise BookError(path, "nothing is in it", "take the last backup")
            yield old


def _copy_rows(old: sqlite3.Connection, new: sqlite3.Connection, done: Repaired) -> None:
    new.execute("PRAGMA foreign_keys = OFF")
    new.create_function("is_day", 1, is_day, deterministic=True)
    with transaction(new):
        for table in _TABLES:
            known = [row[1] for row in new.execute(f"PRAGMA table_info({table})")]
            there = {row[1] for row in _silent(lambda t=table: old.execute(f"PRAGMA table_info({t})").fetchall())}  # type: ignore[misc]
            names = [name for name in known if name in there]
            if not names:
                continue
            marks = ", ".join("?" * len(names))
            put = f"INSERT OR IGNORE INTO {table} ({', '.join(names)}) VALUES ({marks})"
            read = 0
            for row in _rows(old, table, names):
                with contextlib.suppress(sqlite3.DatabaseError):  # a row of nonsense
                    read += new.execute(put, row).rowcount
            done.rows[table] = read
    new.execute("PRAGMA foreign_keys = ON")


def _silent(ask: Callable[[], list[tuple[object, ...]]]) -> list[tuple[object, ...]]:
    try:
        return ask()
    except sqlite3.DatabaseError:
        return []


def _rows(old: sqlite3.Connection, table: str, names: list[str]) -> Iterator[tuple[object, ...]]:
    """Every row that can be read: from the first up to the damage, from the last down to it, and one by one between."""
    columns = ", ".join(names)
    ends: list[int] = []
    for order in ("ASC", "DESC"):
        last = None
        try:
            for row in old.execute(f"SELECT rowid, {columns} FROM {table} ORDER BY rowid {order}"):
                last = row[0]
                yield row[1:]
        except sqlite3.DatabaseError:
            ends.append(last if last is not None else 0)
            continue
        return  # the whole table was read
    first, last = ends
    highest = last or first + 100_000  # nothing can be read from the end: how far the rows go is not known
    for number in range(first + 1, highest):
        yield from (r for r in _silent(lambda n=number: _one(old, table, columns, n)))  # type: ignore[misc]


def _one(old: sqlite3.Connection, table: str, columns: str, number: int) -> list[tuple[object, ...]]:
    return old.execute(f"SELECT {columns} FROM {table} WHERE rowid = ?", (number,)).fetchall()


def _leave_out_what_is_not_whole(new: sqlite3.Connection, sites: int, done: Repaired) -> None:
    before = new.execute("SELECT count(*) FROM photo").fetchone()[0]
    for table, day in (("note", "substr(moment, 1, 10)"), ("entry", "date"), ("fix", "date"), ("dating", "date")):
        new.execute(f"DELETE FROM {table} WHERE NOT is_day({day})")
    new.execute("PRAGMA defer_foreign_keys = ON")
    for statement in _ORPHANS:
        new.execute(statement.format(sites=sites))
    lost = before - new.execute("SELECT count(*) FROM photo").fetchone()[0]
    if lost:
        done.told.append(f"{lost} photos have no whole reading any more: log them again")


def _copy_files(path: Path, draft: Path, new: sqlite3.Connection, plate: Lid, done: Repaired) -> None:
    digests = dict(new.execute("SELECT name, sha256 FROM file ORDER BY id").fetchall())

    def kept(name: str) -> bool:
        if damage(path / name, digests.get(name, "")):
            return False
        shutil.copyfile(path / name, draft / name)
        if name not in digests:
            write_digest(new, draft, name)
        return True

    views = [row[0] for row in new.execute("SELECT DISTINCT view FROM survey WHERE view <> ''").fetchall()]
    lost = [name for name in views if not kept(name)]
    anchor = new.execute("SELECT sha256, file FROM anchor ORDER BY id DESC LIMIT 1").fetchone()
    if anchor and not kept(anchor[1]):
        _anchor_anew(draft, new, plate, anchor[0], lost, done)
    anew = [name for name in lost if _view_anew(draft, new, plate, name)]
    if anew:
        done.told.append(f"{len(anew)} straightened photos were lost and are made anew")
    if len(anew) < len(lost):
        done.told.append(f"{len(lost) - len(anew)} straightened photos are lost; their readings are not")


def _view_anew(draft: Path, new: sqlite3.Connection, plate: Lid, name: str) -> bool:
    """Straighten a photo once more, if its file is where it was; its readings stay as they are."""
    from sprout.registration import load_view
    from sprout.settings import Settings
    from sprout.survey import survey

    row = new.execute(
        "SELECT s.id, s.settings, p.path, p.sha256 FROM survey s JOIN photo p ON p.sha256 = s.sha256 WHERE s.view = ?",
        (name,),
    ).fetchone()
    new.execute("UPDATE survey SET view = '' WHERE view = ?", (name,))
    anchor = new.execute("SELECT file FROM anchor ORDER BY id DESC LIMIT 1").fetchone()
    if anchor is None or not Path(row["path"]).is_file():
        return False
    again = survey(Path(row["path"]), plate, known=load_view(draft / anchor["file"]))
    if again.view is None or again.sha256 != row["sha256"] or row["settings"] != Settings().digest():
        return False
    view, corner, scale = keep_view(new, draft, again, row["settings"])
    new.execute(
        "UPDATE survey SET view = ?, view_x_mm = ?, view_y_mm = ?, view_px_per_mm = ? WHERE id = ?",
        (view, *corner, scale, row["id"]),
    )
    return True


def _anchor_anew(
    draft: Path, new: sqlite3.Connection, plate: Lid, sha256: str, lost: list[str], done: Repaired
) -> None:
    """The lid's look from the earliest straightened photo: smaller than it was, the labels where they were."""
    import numpy as np
    from PIL import Image

    from sprout.registration import LidView

    new.execute("DELETE FROM anchor")
    rows = new.execute(
        "SELECT s.view, s.view_x_mm, s.view_y_mm, s.view_px_per_mm, p.date FROM survey s"
        " JOIN dated p ON p.sha256 = s.sha256 WHERE s.view <> '' ORDER BY p.moment"
    ).fetchall()
    row = next((row for row in rows if row[0] not in lost), None)
    if row is None:
        done.told.append("the lid's look is lost: log a photo of the empty lid first, taken from the side it was")
        return
    with Image.open(draft / row[0]) as picture:
        rgb = np.asarray(picture.convert("RGB"))
    view = LidView(rgb, np.ones(rgb.shape[:2], bool), (row[1], row[2]), row[3])
    write_anchor(new, draft, view, sha256)
    done.told.append(f"the lid's look was lost and is made anew from the photo of {row[4]}")
