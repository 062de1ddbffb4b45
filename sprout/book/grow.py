"""What a book was begun with."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from sprout.book.records import now, write_feed
from sprout.book.schema import connect, faults, transaction
from sprout.feed import Feed
from sprout.plugs import Sowing

if TYPE_CHECKING:
    from sprout.lid import Lid


@dataclass(frozen=True)
class Grow:
    """What a book was begun with.

    Attributes
    ----------
    sown:
        The day of sowing.
    sowing:
        What went into which site, in the lid's order; sites that were left bare are not in it.
    reservoir_litres, temperature_c:
        None where not known.
    labels:
        Words the grower gave the grow.
    feed:
        The plant food, None where it was not described.
    """

    sown: date
    sowing: Mapping[str, Sowing]
    reservoir_litres: float | None = None
    temperature_c: float | None = None
    labels: Mapping[str, str] = field(default_factory=dict)
    feed: Feed | None = None


def write_grow(file: Path, grow: Grow, lid: Lid) -> None:
    with contextlib.closing(connect(file)) as connection, faults(file), transaction(connection):
        connection.execute(
            "INSERT INTO grow VALUES (?, ?, ?, ?)",
            (grow.sown.isoformat(), grow.reservoir_litres, grow.temperature_c, now()),
        )
        connection.executemany(
            "INSERT INTO sowing VALUES (?, ?, ?, ?)",
            [(lid.labels.index(site), site, what.crop, what.seeds) for site, what in grow.sowing.items()],
        )
        connection.executemany("INSERT INTO label VALUES (?, ?)", grow.labels.items())
        if grow.feed is not None:
            write_feed(connection, grow.feed, grow.sown)
