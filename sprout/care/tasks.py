"""The list of things to do: what, why, by when, and how pressing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import IntEnum

YOUR_NOTES, PUBLISHED, COMMON_PRACTICE = "your photos and notes", "published", "common practice"


class Urgency(IntEnum):
    """What goes first among the tasks of a day."""

    WILTING = 0
    WATER = 1
    DOME = 2
    SICK = 3
    FEED = 4
    ALGAE = 5
    THIN = 6
    PICK = 7
    PHOTO = 8
    LOOK = 9
    SOW = 10
    LATER = 11


@dataclass(frozen=True)
class Task:
    """Something to do.

    Attributes
    ----------
    when:
        The day to do it.
    what, why:
        In one sentence each.
    basis:
        What the advice rests on: your notes, published, or common practice.
    interval:
        What is uncertain about it, as a 90 % interval or a chance, in words; "" where nothing is estimated.
    by:
        The last day on which it still helps; None if that is not pressing.
    urgency:
        What goes first on a day.
    about:
        Subjects whose cautions apply.
    """

    when: date
    what: str
    why: str
    basis: str = COMMON_PRACTICE
    interval: str = ""
    by: date | None = None
    urgency: Urgency = Urgency.LATER
    about: tuple[str, ...] = ()


def in_order(tasks: Iterable[Task]) -> tuple[Task, ...]:
    """Tasks by day, the most urgent of a day first."""
    return tuple(sorted(tasks, key=lambda t: (t.when, t.urgency, t.by or date.max, t.what)))


def range_of(low: date, high: date) -> str:
    """A 90 % interval of a date in words."""
    return f"on {low}" if low == high else f"between {low} and {high}, nine times in ten"
