"""The outlook as records; ``low`` and ``high`` bound a 90 % interval everywhere. NaN and None: not known."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from math import isnan, nan
from typing import Any, NamedTuple

from sprout.care.tasks import Task
from sprout.growth.crossing import Dates


class Span(NamedTuple):
    """Ends and middle of a 90 % interval of a number."""

    low: float = nan
    mid: float = nan
    high: float = nan


class Days(NamedTuple):
    """Ends and middle of a 90 % interval of a date; None where it is not expected to come at all."""

    low: date | None = None
    mid: date | None = None
    high: date | None = None

    @classmethod
    def of(cls, dates: Dates | None) -> Days:
        return cls() if dates is None else cls(*dates)


@dataclass(frozen=True)
class GrowOutlook:
    """Germination of the whole lid.

    Attributes
    ----------
    plugs:
        Plugs standing.
    sprouted_now, sprouted_final:
        Those with a seedling, now and in the end; one whose seedling is gone no longer counts.
    germination_pct:
        Seeds that give a seedling in the end, in % of those in standing plugs.
    t50_days:
        Days after sowing by which half of what comes up at all is up.
    basis:
        What the forecast started from.
    """

    plugs: int
    sprouted_now: int
    sprouted_final: Span
    germination_pct: Span
    t50_days: Span
    basis: str


@dataclass(frozen=True)
class PlugOutlook:
    """One plug; retired ones stay in the list with nothing to come.

    Attributes
    ----------
    p_yet:
        Chance that a plug with nothing up at its last look sprouts yet; of one in doubt, that it is up or comes yet.
        NaN for one that is up or was.
    give_up_on:
        First day on which that chance, if it stays empty, is below the set one.
    first_pick, next_pick:
        When its leaf is first worth picking, and again after a picking.
    """

    plug: str
    site: str
    crop: str
    status: str
    p_yet: float
    give_up_on: date | None
    seedlings: int | None
    first_pick: Days
    next_pick: Days
    growth_per_day: float
    advice: str
    why: str


@dataclass(frozen=True)
class LidOutlook:
    """Leaf over the whole lid: cover at the last look in %, when it reaches 90 %, when the first plug can be picked."""

    cover_pct: float
    closure: Days
    first_pick: Days


@dataclass(frozen=True)
class Water:
    """Use of water, when the reservoir is empty, the day by which to act, what is in it now, and what that rests on."""

    litres_per_day: Span
    empty_on: Days | None
    act_by: date | None
    level_litres: Span
    level_pct: Span
    basis: str


@dataclass(frozen=True)
class Feed:
    """When to begin with plant food, and how much for the litres at hand.

    Attributes
    ----------
    dose_ml, dose_tsp, dose_g:
        Dose for ``litres``; a feed weighed in grams has no volume, and one measured by volume no weight.
    food, strength_pct:
        What is used, and the share of its full dose.
    unfed_litres:
        Topped up since food was last noted.
    ec_low_ms_cm, ec_high_ms_cm, ec_text:
        What a conductivity meter should show, and the same in ppm of each scale, with the source.
    """

    start_on: date | None
    dose_ml: float
    dose_tsp: float
    dose_g: float
    litres: float
    food: str
    strength_pct: float
    last_fed: date | None
    last_change: date | None
    days_since_change: int
    unfed_litres: float
    ec_low_ms_cm: float
    ec_high_ms_cm: float
    ec_text: str
    basis: str


@dataclass(frozen=True)
class Concern:
    """What may be amiss with some plugs since a day: what shows, and causes in the order to check."""

    kind: str
    plugs: tuple[str, ...]
    since: date
    shows: str
    causes: tuple[str, ...]

    @property
    def text(self) -> str:
        """All of it in one sentence."""
        return f"{self.shows}; may be {', or '.join(self.causes)}"


@dataclass(frozen=True)
class Outlook:
    """All of it, as known at the end of ``as_of``."""

    as_of: date
    day: int
    grow: GrowOutlook
    plugs: tuple[PlugOutlook, ...]
    lid: LidOutlook
    water: Water
    feed: Feed
    to_do: tuple[Task, ...]
    warnings: tuple[Concern, ...]

    def as_json(self) -> dict[str, Any]:
        """Keys and plain values for JSON: dates as YYYY-MM-DD, what is not known as null."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Span | Days):
        return {name: _plain(v) for name, v in value._asdict().items()}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return None if isnan(value) else round(value, 4)
    return value
