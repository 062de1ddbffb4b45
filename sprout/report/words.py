"""Numbers and dates in words, as the report, the calendar and the film say them."""

from __future__ import annotations

from datetime import date
from math import isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sprout.outlook.records import Days, Span

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
UNKNOWN = "not known"


def short(day: date) -> str:
    """A day as ``4 Apr``."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def long(day: date) -> str:
    """A day as ``4 Apr 2026``."""
    return f"{short(day)} {day.year}"


def near(day: date, now: date) -> str:
    """A day as ``4 Apr``, with its year where that is not the present one."""
    return short(day) if day.year == now.year else long(day)


def plural(count: int, noun: str) -> str:
    """A count with its noun."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def chance(p: float) -> str:
    """A chance in the words of the trade, as ``7 in 100``."""
    return "under 1 in 100" if p < 0.01 else f"{100 * p:.0f} in 100"


def span(given: Span, decimals: int = 0, unit: str = "") -> str:
    """A number with its 90 % interval, as ``13 (12 to 14)``."""
    if isnan(given.mid):
        return UNKNOWN
    low, mid, high = (f"{v:.{decimals}f}" for v in given)
    words = mid if low == high else f"{mid} ({low} to {high})"
    return f"{words} {unit}".strip()


def day_span(days: Days | None, as_of: date) -> str:
    """A date with its 90 % interval, as ``4 Apr (1 Apr to 9 Apr)``."""
    if days is None or days.low is None or days.mid is None or days.high is None:
        return "not in sight"
    if days.high <= as_of:
        return f"since {near(days.mid, as_of)}"
    low, mid, high = (near(day, as_of) for day in (days.low, days.mid, days.high))
    return mid if low == high else f"{mid} ({low} to {high})"
