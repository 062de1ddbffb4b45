"""Everything a grow has to say for itself, as tables: what the stages after the book work from."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from typing import TYPE_CHECKING

from sprout.plugs import Note, Plugs, Sowing, replay

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from sprout.feed import Feed


@dataclass(frozen=True, eq=False)
class Evidence:
    """One grow.

    Attributes
    ----------
    lid:
        The lid's name.
    labels:
        Labels of all sites in the lid's order.
    area_per_site_cm2:
        The lid's area that belongs to one site.
    sown, sowing:
        The day of sowing, and what went into which site, in the lid's order.
    looks:
        One row per photo and site: ``columns.LOOKS``.
    notes, entries, fixes:
        What the grower did, saw and corrected; the tables have ``columns.ENTRIES`` and ``columns.FIXES``.
    reservoir_litres, temperature_c:
        Of the whole grow, None where not known.
    labels_given:
        Words the grower gave the grow, such as ``light=lamp``.
    feeds:
        Plant foods as described, each with the day from which it is used, in order.
    """

    lid: str
    labels: tuple[str, ...]
    area_per_site_cm2: float
    sown: date
    sowing: Mapping[str, Sowing]
    looks: pd.DataFrame
    entries: pd.DataFrame
    fixes: pd.DataFrame
    notes: tuple[Note, ...] = ()
    reservoir_litres: float | None = None
    temperature_c: float | None = None
    labels_given: Mapping[str, str] = field(default_factory=dict)
    feeds: tuple[tuple[date, Feed], ...] = ()

    def plugs(self) -> Plugs:
        """Every plug and where it stood when."""
        return replay(self.sown, self.sowing, self.notes)

    @property
    def last_day(self) -> date:
        """The last day of which anything is known; the day of sowing if nothing is."""
        known = [date.fromisoformat(d) for t in (self.looks, self.entries, self.fixes) for d in t["date"].unique()]
        return max([self.sown, *known, *(n.moment.date() for n in self.notes)])

    def until(self, last: date) -> Evidence:
        """The same grow as it was known to be at the end of a day: nothing dated later."""
        day = last.isoformat()
        return replace(
            self,
            looks=self.looks[self.looks["date"] <= day],
            entries=self.entries[self.entries["date"] <= day],
            fixes=self.fixes[self.fixes["date"] <= day],
            notes=tuple(n for n in self.notes if n.moment.date() <= last),
            feeds=tuple((since, feed) for since, feed in self.feeds if since <= last),
        )


def end_of(day: date) -> datetime:
    """The last moment of a day: where plugs stand for what is known by date only."""
    return datetime.combine(day, time.max)
