"""The list of things to do as a calendar file, RFC 5545."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from sprout.settings import VERSION

if TYPE_CHECKING:
    from sprout.care.todo import Task

_FOLD = 75  # octets a line may have, section 3.1


def calendar_text(tasks: Iterable[Task], *, name: str, written: datetime | None = None) -> str:
    """The tasks as all-day events, one each; lines end in CR LF and are folded.

    The same task keeps its identity when the file is written again, so a calendar that imports it twice has it once.

    Parameters
    ----------
    name:
        What the calendar is called: the book or the lid.
    written:
        The moment of writing, with its time zone; now if not given.
    """
    stamp = (written or datetime.now(UTC)).astimezone(UTC)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:-//sprout//sprout {VERSION}//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"X-WR-CALNAME:{_escaped(name)}",
    ]
    for task in tasks:
        lines += _event(task, name, stamp)
    return "".join(_folded(line) for line in (*lines, "END:VCALENDAR"))


def _event(task: Task, name: str, stamp: datetime) -> list[str]:
    words = [task.why, f"Basis: {task.basis}"]
    words += [f"Range: {task.interval}"] if task.interval else []
    words += [f"By {task.by}"] if task.by else []
    identity = hashlib.sha256(f"{name}|{task.when}|{task.urgency.name}|{task.what}".encode()).hexdigest()[:32]
    return [
        "BEGIN:VEVENT",
        f"UID:{identity}@sprout.invalid",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{task.when:%Y%m%d}",
        f"DTEND;VALUE=DATE:{task.when + timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{_escaped(task.what)}",
        f"DESCRIPTION:{_escaped(chr(10).join(words))}",
        f"PRIORITY:{min(task.urgency + 1, 9)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def _escaped(text: str) -> str:
    """Section 3.3.11."""
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
