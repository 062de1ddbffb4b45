"""Things to do and forecast dates as a calendar file, RFC 5545.

An event keeps its identity when its date or its numbers change, so a calendar that imports the file again moves the
event instead of having it twice.
"""

from __future__ import annotations

import re
import uuid
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from sprout.care.tasks import Urgency, range_of
from sprout.report.words import chance
from sprout.settings import VERSION

if TYPE_CHECKING:
    from sprout.care.tasks import Task
    from sprout.outlook import Outlook
    from sprout.outlook.records import Days

_FOLD = 75  # octets a line may have, section 3.1
_SPACE = uuid.UUID("0b1c7a52-6a0e-5c0e-9d59-3f7a6f3d2a11")  # made up, for the identities of events
_NUMBERS = re.compile(r"\d+(?:[.,]\d+)?")


@dataclass(frozen=True)
class Event:
    """An all-day event. ``key`` is what it is about, whenever that may be."""

    key: str
    day: date
    what: str
    words: tuple[str, ...]
    urgency: Urgency = Urgency.LATER


def calendar_text(
    tasks: Iterable[Task], *, name: str, of: str = "", revision: int = 0, written: datetime | None = None
) -> str:
    """The tasks as all-day events, one each.

    Parameters
    ----------
    name:
        What the calendar is called: the lid, or the plan.
    of:
        What else tells it from other calendars of that name, such as the day of sowing.
    revision, written:
        Which of two files is the later one; the moment of writing, with its time zone (now if not given).
    """
    return _calendar(_tasks(tasks), name, of, revision, written)


def grow_calendar(ahead: Outlook, *, name: str, sown: date, written: datetime | None = None) -> str:
    """What is to do for a grow, and every date that is forecast, as all-day events.

    A forecast date stands on the middle of its 90 % interval, which its words tell.
    """
    # pickings and empty plugs of the coming days stand there plug by plug
    tasks = [t for t in ahead.to_do if t.when <= ahead.as_of or t.urgency not in (Urgency.PICK, Urgency.SOW)]
    events = [*_tasks(tasks), *_forecasts(ahead)]
    return _calendar(events, name, sown.isoformat(), ahead.day, written)


def _tasks(tasks: Iterable[Task]) -> Iterator[Event]:
    told: Counter[str] = Counter()
    for task in tasks:
        words = (task.why, f"Basis: {task.basis}", f"Range: {task.interval}" if task.interval else "")
        key = f"{task.urgency.name} {_NUMBERS.sub('#', task.what)}"
        told[key] += 1
        by = f"By {task.by}" if task.by else ""
        yield Event(f"{key} {told[key]}", task.when, task.what, tuple(filter(None, (*words, by))), task.urgency)


def _forecasts(ahead: Outlook) -> Iterator[Event]:
    lid = [("lid closed", "The lid is closed by leaf", ahead.lid.closure)]
    if ahead.water.empty_on is not None:
        lid.append(("reservoir empty", "The reservoir is empty if nothing is added", ahead.water.empty_on))
    for key, what, days in lid:
        yield from _forecast(key, what, days, ahead.as_of)
    for plug in ahead.plugs:
        if not plug.site:
            continue
        name = plug.site if plug.site == plug.plug else f"{plug.site} (plug {plug.plug})"
        again = plug.next_pick.mid is not None
        pick = plug.next_pick if again else plug.first_pick
        words = f"{name}: pick{' again' if again else ''} ({plug.crop})"
        yield from _forecast(f"pick {plug.plug}", words, pick, ahead.as_of)
        if plug.give_up_on is not None and plug.give_up_on > ahead.as_of:
            what = f"{name}: give up if still empty ({plug.crop})"
            words = f"{chance(plug.p_yet)} would still come, as known on {ahead.as_of}"
            yield Event(f"give up {plug.plug}", plug.give_up_on, what, (words,), Urgency.SOW)


def _forecast(key: str, what: str, days: Days, as_of: date) -> Iterator[Event]:
    """An event on the middle of an interval that is not over yet."""
    if days.low is not None and days.mid is not None and days.high is not None and days.high > as_of:
        words = (f"Forecast of {as_of}: {range_of(days.low, days.high)}",)
        yield Event(key, days.mid, what, words, Urgency.LATER)


def _calendar(events: Iterable[Event], name: str, of: str, revision: int, written: datetime | None) -> str:
    stamp = (written or datetime.now(UTC)).astimezone(UTC)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//sprout//sprout {VERSION}//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"X-WR-CALNAME:{_escaped(name)}",
    ]
    for event in events:
        lines += _lines(event, uuid.uuid5(_SPACE, f"{name}|{of}|{event.key}"), revision, stamp)
    return "".join(_folded(line) for line in (*lines, "END:VCALENDAR"))


def _lines(event: Event, identity: uuid.UUID, revision: int, stamp: datetime) -> list[str]:
    return [
        "BEGIN:VEVENT",
        f"UID:{identity}",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"LAST-MODIFIED:{stamp:%Y%m%dT%H%M%SZ}",
        f"SEQUENCE:{max(0, revision)}",
        f"DTSTART;VALUE=DATE:{event.day:%Y%m%d}",
        f"DTEND;VALUE=DATE:{event.day + timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{_escaped(event.what)}",
        f"DESCRIPTION:{_escaped(chr(10).join(event.words))}",
        f"PRIORITY:{min(event.urgency + 1, 9)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def _escaped(text: str) -> str:
    """Section 3.3.11; control characters other than the line's end may not stand in a text."""
    text = "".join(c for c in text.replace("\r\n", "\n").replace("\r", "\n") if c == "\n" or c.isprintable())
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\n", "\\n")):
        text = text.replace(plain, escaped)
    return text


def _folded(line: str) -> str:
    """A line with its end, broken where it gets too long but never inside a character."""
    parts, room, part = [], _FOLD, ""
    for character in line:
        size = len(character.encode())
        if size > room:
            parts.append(part)
            part, room = "", _FOLD - 1  # the blank that leads a continuation counts
        part += character
        room -= size
    return "\r\n ".join([*parts, part]) + "\r\n"
