"""The book -> what the pages show. Everything is worked out anew when the book has changed, and only then."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sprout.book import Book
from sprout.book.folder import DATABASE

if TYPE_CHECKING:
    import pandas as pd

    from sprout.book import Grow
    from sprout.lid import Lid
    from sprout.outlook import EarlierGrow, Outlook
    from sprout.plugs import Note
    from sprout.timeline import Change, Weighed

Row = Mapping[str, Any]


@dataclass(frozen=True)
class View:
    """A straightened photo: its file, its size in pixels, and where the lid's millimetres lie in it."""

    key: str
    file: Path
    x_mm: float
    y_mm: float
    px_per_mm: float

    @cached_property
    def size(self) -> tuple[int, int]:
        from PIL import Image

        with Image.open(self.file) as picture:
            return picture.size


@dataclass(frozen=True, eq=False)
class Contents:
    """All that is shown of a book at one time.

    Attributes
    ----------
    rows:
        Date -> the rows of that day's looks in the order of the lid's sites.
    views:
        Date -> the last straightened photo of that day.
    fixed:
        (date, site) of the corrections that stand.
    """

    lid: Lid
    grow: Grow
    weighed: Weighed
    ahead: Outlook
    photos: pd.DataFrame
    notes: Sequence[Note]
    rows: Mapping[str, Sequence[Row]]
    views: Mapping[str, View]
    fixed: frozenset[tuple[str, str]]

    @property
    def days(self) -> list[str]:
        """Dates of looks, the last one last."""
        return list(self.rows)

    @cached_property
    def by_key(self) -> dict[str, View]:
        """Views by the name under which they are fetched."""
        return {view.key: view for view in self.views.values()}

    @cached_property
    def standing(self) -> dict[str, str]:
        """Site -> plug today, in the lid's order."""
        now = {row["site"]: row["plug"] for row in self.weighed.plugs.to_dict("records") if row["site"]}
        return {site: str(now[site]) for site in self.lid.labels if site in now}

    @property
    def free(self) -> list[str]:
        """Sites with no plug."""
        return [site for site in self.lid.labels if site not in self.standing]

    def news(self, on: str) -> list[Change]:
        """What is new on a day against the look before."""
        from sprout.timeline import changes

        return changes(self.weighed.days, on=on)

    def of_site(self, site: str, on: str) -> Row | None:
        """The look at a site on a day."""
        return next((row for row in self.rows.get(on, ()) if row["site"] == site), None)

    def of_plug(self, plug: str) -> list[Row]:
        """The looks at one plug, by date."""
        return [row for rows in self.rows.values() for row in rows if row["plug"] == plug]

    @cached_property
    def by_day(self) -> list[Row]:
        """The whole lid by day of looking."""
        return rows_of(self.weighed.grow)

    @cached_property
    def table_of_days(self) -> list[Row]:
        """The whole lid by day, the last day first, with the water added; days without a look too if water was."""
        looked = {row["date"]: row for row in self.by_day}
        litres: dict[str, float] = {}
        for note in self.notes:
            if note.kind == "topup" and note.amount is not None:
                on = note.moment.date().isoformat()
                litres[on] = litres.get(on, 0.0) + note.amount
        return [
            {"date": on, "day": (date.fromisoformat(on) - self.grow.sown).days, "litres": litres.get(on)}
            | {"looked": on in looked}
            | dict(looked.get(on, {}))
            for on in sorted({*looked, *litres}, reverse=True)
        ]

    @cached_property
    def curves(self) -> dict[str, list[Row]]:
        """Crop -> share of plugs up by day."""
        from sprout.outlook import curve_table

        found: dict[str, list[Row]] = {}
        for row in rows_of(curve_table(self.weighed)):
            found.setdefault(str(row["crop"]), []).append(row)
        return found


class Shelf:
    """One book, opened whenever a page needs it; what was worked out is kept until the book changes."""

    def __init__(self, path: Path, *, keep_until_chance: float, earlier: Sequence[EarlierGrow] = ()) -> None:
        self.path = path
        self._keep_until_chance, self._earlier = keep_until_chance, tuple(earlier)
        self._lock = threading.Lock()
        self._state: object = None
        self._contents: Contents | None = None

    def open(self) -> Book:
        """The book, for one write."""
        return Book(self.path)

    def contents(self) -> Contents:
        """What the book holds now.

        Raises
        ------
        BookError
            If it cannot be opened or is damaged.
        """
        with self._lock:
            state = (date.today(), self._stamp())
            if self._contents is None or state != self._state or state[1] is None:
                with self.open() as book:
                    self._contents = self._worked_out(book)
                self._state = state
            return self._contents

    def _stamp(self) -> tuple[int, int] | None:
        """What changes with every write: taken before reading, so that a write in between is read again."""
        try:
            status = (self.path / DATABASE).stat()
        except OSError:
            return None  # opening it says what is wrong
        return status.st_mtime_ns, status.st_size

    def _worked_out(self, book: Book) -> Contents:
        from sprout.outlook import look_ahead
        from sprout.outlook.ahead import recent
        from sprout.timeline import weigh

        evidence = book.evidence()
        day = recent(evidence, date.today())
        known = evidence.until(day)
        weighed = weigh(known)
        ahead = look_ahead(known, weighed, as_of=day, keep_until_chance=self._keep_until_chance, earlier=self._earlier)
        rows: dict[str, list[Row]] = {}
        for row in rows_of(weighed.days):
            rows.setdefault(str(row["date"]), []).append(row)
        place = {site: k for k, site in enumerate(book.lid.labels)}
        photos = book.photos()
        return Contents(
            lid=book.lid,
            grow=book.grow,
            weighed=weighed,
            ahead=ahead,
            photos=photos,
            notes=book.notes(),
            rows={on: sorted(rows[on], key=lambda row: place.get(row["site"], len(place))) for on in sorted(rows)},
            views=_views(photos, self.path),
            fixed=frozenset(zip(known.fixes["date"], known.fixes["site"], strict=True)),
        )


def rows_of(table: pd.DataFrame) -> list[Row]:
    """The table's rows with every kind of missing as None."""
    whole = table.astype(object).where(table.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in whole.to_dict("records")]


def _views(photos: pd.DataFrame, folder: Path) -> dict[str, View]:
    """The last view of each day whose file is there, in the book's folder and nowhere else."""
    found: dict[str, View] = {}
    home = folder.resolve()
    for row in photos.to_dict("records"):
        file = folder / str(row["view"])
        if row["view"] and file.is_file() and file.resolve().is_relative_to(home):
            at = (float(row["view_x_mm"]), float(row["view_y_mm"]), float(row["view_px_per_mm"]))
            found[str(row["date"])] = View(str(row["sha256"])[:16], file, *at)
    return found
