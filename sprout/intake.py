"""Photos into a book: find the files, leave out what is held, read the rest, write each as it is done."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sprout.errors import PhotoError
from sprout.plugs import misdated
from sprout.settings import Settings

if TYPE_CHECKING:
    from sprout.book import Book
    from sprout.cluster import Cluster
    from sprout.registration import LidView
    from sprout.survey import Survey

NEAR_DAYS, NEAR = 7, 3
"""Plants look alike so many days apart; so many days' photos are asked which way round the lid lies."""
SUFFIXES = frozenset((".jpg", ".jpeg", ".jpe", ".mpo", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif", ".hif"))


@dataclass(frozen=True)
class Logged:
    """What became of one file.

    ``outcome`` is ``read``, ``unread`` (``reason`` says why) or ``held`` (the book has it; ``reason`` is why it could
    not be read then, "" if it was). ``day`` is the photo's date, None if it is not known.
    """

    path: Path
    outcome: str
    reason: str = ""
    day: date | None = None


def find_photos(paths: Iterable[Path]) -> list[Path]:
    """Files as given, folders as the photos in them (not in folders inside), in the order of their names' numbers."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = (p for p in path.iterdir() if p.suffix.lower() in SUFFIXES and not p.name.startswith("."))
            found += sorted(inside, key=_natural)
        else:
            found.append(path)
    return found


def log_photos(
    book: Book,
    paths: Iterable[Path],
    *,
    on: date | None = None,
    settings: Settings | None = None,
    workers: int | Cluster = 1,
) -> Iterator[Logged]:
    """Add photos to the book, each in one transaction after it was measured, and say what became of each.

    Breaking off loses nothing: what was yielded is in the book, and logging again goes on with the rest. ``on`` is
    the day of photos that do not tell theirs, or tell one that cannot be (a clock that was never set). ``workers`` is
    a number of processes or a cluster; whatever has an order, and every writing, stays here.

    Raises
    ------
    BookError, OutputError
        If the book cannot be read or written. No photo ever raises.
    ClusterError
        If the cluster is lost.
    """
    settings = settings or Settings()
    pending: list[tuple[Path, date | None]] = []
    seen: set[str] = set()
    for path in paths:
        checked = _check(book, path, on=on, settings=settings, seen=seen)
        if isinstance(checked, Logged):
            yield checked
        else:
            pending.append((path, checked[0]))
    if not book.anchor:  # the first photo that is read teaches the lid's look, and the others need it
        pending.sort(key=lambda item: item[1] or date.max)
        while pending and not book.anchor:
            yield from _read(book, [pending.pop(0)], settings, 1)
    yield from _read(book, pending, settings, workers)


def _check(
    book: Book, path: Path, *, on: date | None, settings: Settings, seen: set[str]
) -> Logged | tuple[date | None]:
    """What is known without reading the photo: either what becomes of it, or its day."""
    from sprout.photo import check_file, photo_header

    try:
        check_file(path, settings)
        sha256 = sha256_of(path)
    except PhotoError as e:
        return Logged(path, "unread", e.reason)
    except OSError as e:
        return Logged(path, "unread", f"cannot be opened ({e.strerror or e}): check the name")
    held = "" if sha256 in seen else book.holds(sha256, settings.digest())
    seen.add(sha256)
    try:
        taken_at = photo_header(path, settings=settings).taken_at
    except PhotoError as e:
        return (None,) if held is None else Logged(path, "held", held or e.reason)
    day = taken_at.date() if taken_at else None
    if on and (day is None or misdated(book.grow.sown, day)):
        day = on
        if held is not None:
            book.date_photo(sha256, on)
    if held is not None:
        return Logged(path, "held", held, day)
    if day is None:
        return Logged(path, "unread", "does not tell when it was taken: say so with --on DATE")
    if amiss := misdated(book.grow.sown, day):
        mend = "if the camera's clock was wrong, say the right day with --on DATE"
        return Logged(path, "unread", f"was taken on {day}, {amiss}: {mend}", day)
    return (day,)


def _read(
    book: Book, photos: list[tuple[Path, date | None]], settings: Settings, workers: int | Cluster
) -> Iterator[Logged]:
    from sprout.calibration import find_crop
    from sprout.survey import survey, survey_many

    known, anchor = book.view(), book.anchor
    # plugs move, and notes may come after the photos: any site may hold the plug with the most seeds
    germs = max(find_crop(s.crop).seedlings_per_seed * s.seeds for s in book.grow.sowing.values())
    seeds = [germs] * len(book.lid.labels)
    surveys = survey_many(
        [p for p, _ in photos], book.lid, known=known, seeds=seeds, settings=settings, workers=workers
    )
    unsure: list[tuple[Path, date, Survey]] = []
    for (path, day), seen in zip(photos, surveys, strict=True):
        if seen.lost:  # the book keeps nothing of it, so that it is read when it is given again
            yield Logged(path, "unread", seen.reason, day)
        elif seen.sides_unsure and day is not None:
            unsure.append((path, day, seen))
        else:
            yield from _entered(book, path, day, seen, settings, anchor)
    # the photos of other days, now in the book, may tell which way round these lie; each that does helps the next
    while unsure:
        kept = [row for row in book.photos().to_dict("records") if row["view"] and row["date"]]
        nearest = min(range(len(unsure)), key=lambda k: min((_apart(row, unsure[k][1]) for row in kept), default=0))
        path, taken_on, seen = unsure.pop(nearest)
        if others := _views(book, sorted(kept, key=lambda row: _apart(row, taken_on))[:NEAR], taken_on):
            seen = survey(path, book.lid, known=known, others=others, seeds=seeds, settings=settings)
        yield from _entered(book, path, taken_on, seen, settings, anchor)


def _entered(
    book: Book, path: Path, day: date | None, survey: Survey, settings: Settings, anchor: str
) -> Iterator[Logged]:
    logged = _write(book, path, day, survey, settings=settings, anchor=anchor)
    if logged is None:
        yield from _read(book, [(path, day)], settings, 1)
    else:
        yield logged


def _apart(row: Mapping[Hashable, Any], day: date) -> int:
    """Days between a photo of the book and a day."""
    return abs((date.fromisoformat(row["date"]) - day).days)


def _views(book: Book, rows: Iterable[Mapping[Hashable, Any]], day: date) -> list[LidView]:
    """The straightened photos of some rows, those of days too far from ``day`` left out."""
    import cv2
    import numpy as np

    from sprout.registration import LidView

    views: list[LidView] = []
    for row in rows:
        file = book.path / row["view"]
        if _apart(row, day) > NEAR_DAYS or not file.is_file():
            continue
        picture = cv2.imdecode(np.frombuffer(file.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        if picture is not None:
            picture = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
            origin = (row["view_x_mm"], row["view_y_mm"])
            shown = np.ones(picture.shape[:2], bool)
            views.append(LidView(np.asarray(picture, np.uint8), shown, origin, row["view_px_per_mm"]))
    return views


def _write(
    book: Book, path: Path, day: date | None, survey: Survey, *, settings: Settings, anchor: str
) -> Logged | None:
    """What became of the photo; None if another program has taught the book the lid's look since it was read."""
    try:
        survey = survey if survey.sha256 else replace(survey, sha256=sha256_of(path))
    except OSError:  # gone while it was its turn
        return Logged(path, "unread", survey.reason, day)
    own = survey.taken_at.date() if survey.taken_at else None
    done = book.add(survey, on=None if own == day else day, settings=settings.digest(), anchor=anchor)
    if done == "outdated":
        return None
    if done == "held":
        return Logged(path, "held", book.holds(survey.sha256, settings.digest()) or "", day)
    return Logged(path, "unread" if survey.reason else "read", survey.reason, day)


def sha256_of(path: Path) -> str:
    """The photo's identity: SHA-256 of the file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _natural(path: Path) -> tuple[list[tuple[int, str]], str]:
    parts = re.split(r"(\d+)", path.name.lower())
    return [(int(p), "") if p.isdigit() else (-1, p) for p in parts], path.name
