"""Rows of the book's tables, and the files that go with them."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sprout.book.folder import VIEWS
from sprout.files import atomic
from sprout.plugs import Note, Sowing

if TYPE_CHECKING:
    from sprout.feed import Feed
    from sprout.registration import LidView
    from sprout.survey import Survey

_VIEW_PX = 640


def now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def insert(table: str, names: Iterable[str]) -> str:
    names = tuple(names)
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


def plain(value: Any) -> Any:
    """A value SQLite can hold: numpy's and pandas' numbers as Python's, every kind of missing as NULL."""
    if value is None or isinstance(value, str):
        return value
    if hasattr(value, "item"):
        value = value.item()
    try:
        return None if value != value else value
    except TypeError:  # pandas.NA has no truth
        return None


def write_day(connection: sqlite3.Connection, sha256: str, day: date) -> None:
    said = connection.execute("SELECT date FROM dating WHERE sha256 = ? ORDER BY id DESC LIMIT 1", (sha256,)).fetchone()
    if said and said["date"] == day.isoformat():
        return
    connection.execute(
        "INSERT INTO dating (sha256, date, written_at) VALUES (?, ?, ?)", (sha256, day.isoformat(), now())
    )


def write_feed(connection: sqlite3.Connection, feed: Feed, since: date) -> None:
    last = "SELECT described FROM feed WHERE since = ? ORDER BY id DESC LIMIT 1"
    said = connection.execute(last, (since.isoformat(),)).fetchone()
    if said and said["described"] == str(feed):
        return
    names = ("since", "described", "written_at")
    connection.execute(insert("feed", names), (since.isoformat(), str(feed), now()))


def write_digest(connection: sqlite3.Connection, folder: Path, name: str) -> None:
    """Remember the bytes of a file of the book, so that damage to it is found."""
    sha256 = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    connection.execute(insert("file", ("name", "sha256", "written_at")), (name, sha256, now()))


def write_anchor(connection: sqlite3.Connection, folder: Path, view: LidView, sha256: str) -> None:
    from sprout.registration import save_view

    file = f"lid_view_{sha256[:12] or 'given'}.npz"
    save_view(view, folder / file)
    write_digest(connection, folder, file)
    connection.execute("INSERT INTO anchor (sha256, file, written_at) VALUES (?, ?, ?)", (sha256, file, now()))


def keep_view(
    connection: sqlite3.Connection, folder: Path, survey: Survey, settings: str
) -> tuple[str, tuple[float | None, float | None], float | None]:
    """Keep the straightened view as a small JPEG: its file, the lid's mm at its first pixel, its pixels per mm."""
    if survey.view is None:
        return "", (None, None), None
    from PIL import Image

    view = survey.view
    picture = Image.fromarray(view.rgb)
    small = picture.copy()
    small.thumbnail((_VIEW_PX, _VIEW_PX))
    file = f"{VIEWS}/{survey.sha256[:16]}-{settings[:6]}.jpg"
    with atomic(folder / file) as temporary:
        small.save(temporary, "JPEG", quality=85)
    write_digest(connection, folder, file)
    ratio = small.width / picture.width
    shift = (1 / ratio - 1) / 2 / view.px_per_mm  # the first small pixel is the middle of several
    x, y = (float(o) + shift for o in view.origin_mm)
    return file, (x, y), view.px_per_mm * ratio


def write_note(connection: sqlite3.Connection, note: Note) -> int:
    names = ("kind", "moment", "site", "to_site", "amount", "unit", "crop", "seeds", "comment", "written_at")
    sowing = (note.sowing.crop, note.sowing.seeds) if note.sowing else (None, None)
    amount = (note.amount, note.unit)
    at = note.moment.isoformat()
    values = (note.kind, at, note.site, note.to_site, *amount, *sowing, note.comment, now())
    return int(connection.execute(insert("note", names), values).lastrowid or 0)


def write_told(connection: sqlite3.Connection, number: int) -> None:
    connection.execute("INSERT OR IGNORE INTO told VALUES (?, ?)", (number, now()))


def note_of(row: sqlite3.Row) -> Note:
    return Note(
        kind=row["kind"],
        moment=datetime.fromisoformat(row["moment"]),
        site=row["site"],
        to_site=row["to_site"],
        amount=row["amount"],
        unit=row["unit"],
        sowing=Sowing(row["crop"], row["seeds"]) if row["crop"] else None,
        comment=row["comment"],
        number=row["id"],
    )
