"""What lies in a book's folder."""

from __future__ import annotations

import logging
from pathlib import Path

DATABASE, LID, VIEWS = "book.sqlite", "lid.toml", "views"
_OURS = (DATABASE, f"{DATABASE}-journal", LID)
_log = logging.getLogger("sprout")
_named: set[Path] = set()


def conflict_copies(folder: Path) -> list[Path]:
    """Second databases and lid files, as a synced folder makes them when two computers wrote at a time."""
    stems = tuple(Path(name).stem for name in (DATABASE, LID))
    return sorted(
        p
        for p in folder.iterdir()
        if p.name not in _OURS and p.name.startswith(stems) and p.name.endswith((".sqlite", ".toml"))
    )


def leftovers(folder: Path) -> list[Path]:
    """Unfinished files of writing that was cut off; what they were to become was never spoken of."""
    return sorted(p for inside in (folder, folder / VIEWS) for p in inside.glob(".*-*") if p.is_file())


def name_conflict_copies(folder: Path) -> None:
    """Say once for each that it lies there and is not read."""
    for copy in conflict_copies(folder):
        if copy not in _named:
            _named.add(copy)
            _log.warning("%s", f"{copy}: {CONFLICT}")


CONFLICT = (
    "a second copy, perhaps written by another computer at the same time; it is not read: "
    "compare the two, then move it out of the book's folder"
)
