"""The list of things to do: on the terminal, as JSON, as a calendar; the cautions that go with it."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import icalendar
import pytest
from grows import LID, SOWN, add, on, survey, view

from sprout.book import Book, Grow
from sprout.care.cautions import cautions, cautions_for
from sprout.care.tasks import Task, Urgency, in_order
from sprout.cli import main
from sprout.plugs import Sowing
from sprout.report.calendar import calendar_text

TASKS = (
    Task(date(2026, 3, 4), "A1, B2: thin to 2; wipe\\dry", "so many, it’s crowded\nsee there", urgency=Urgency.THIN),
    Task(
        date(2026, 3, 2),
        "top up to the mark, about 1.2 litres: " + "äöü€" * 30,
        "the lid uses 0.20 litres a day (0.15 to 0.25)",
        "your notes",
        "empty between 2026-03-05 and 2026-03-08 (nine times in ten)",
        by=date(2026, 3, 4),
        urgency=Urgency.WATER,
    ),
)
WRITTEN = datetime(2026, 3, 1, 9, tzinfo=timezone(timedelta(hours=2)))


def test_an_independent_library_reads_the_calendar() -> None:
    # RFC 5545, read by the icalendar library
    text = calendar_text(TASKS, name="window sill one", written=WRITTEN)
    found = icalendar.Calendar.from_ical(text)
    events = found.walk("VEVENT")
    assert not found.errors
    assert str(found["X-WR-CALNAME"]) == "window sill one"
    assert [str(e["SUMMARY"]) for e in events] == [t.what for t in TASKS]
    assert [e.decoded("DTSTART") for e in events] == [t.when for t in TASKS]
    assert [e.decoded("DTEND") - e.decoded("DTSTART") for e in events] == [timedelta(days=1)] * 2
    assert events[0].decoded("DTSTAMP") == WRITTEN
    description = str(events[1]["DESCRIPTION"])
    for words in (TASKS[1].why, TASKS[1].basis, TASKS[1].interval, "By 2026-03-04"):
        assert words in description
    assert str(events[0]["DESCRIPTION"]).startswith(TASKS[0].why)


def test_lines_are_folded_and_end_as_the_standard_says() -> None:
    # RFC 5545, section 3.1: lines of at most 75 octets, CR LF at the end
    text = calendar_text(TASKS, name="w", written=WRITTEN)
    assert text.count("\n") == text.count("\r\n")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75


def test_the_same_task_keeps_its_identity() -> None:
    first, later = (calendar_text(TASKS, name="w", written=WRITTEN + timedelta(days=d)) for d in (0, 1))
    uids = [[str(e["UID"]) for e in icalendar.Calendar.from_ical(t).walk("VEVENT")] for t in (first, later)]
    assert uids[0] == uids[1]
    assert len(set(uids[0])) == 2


def test_order_is_by_day_then_urgency() -> None:
    day = date(2026, 3, 4)
    more = Task(day, "fill the reservoir now", "dry", urgency=Urgency.WILTING)
    assert [t.what[:3] for t in in_order((*TASKS, more))] == ["top", "fil", "A1,"]


def test_every_caution_has_words_subjects_and_a_source() -> None:
    for caution in cautions():
        assert caution.applies
        assert len(caution.text) > 40
        assert caution.source.text
        assert caution.source.provenance in {"law", "published", "memory", "common practice"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        ("feed", ["away from children", "skin", "label", "Never mix two concentrates undiluted"]),
        ("topup", ["above the water level", "drip loop", "residual-current"]),
        ("lamp", ["licensed electrician", "local electrical code", "Do not look into"]),
        ("pick", ["running water", "moulded, rotted"]),
        ("resow", ["treated", "not for food"]),
    ],
)
def test_cautions_come_where_they_apply(subject: str, words: list[str]) -> None:
    text = " ".join(c.text for c in cautions_for([subject]))
    for word in words:
        assert word in text


def test_no_caution_without_a_subject() -> None:
    assert cautions_for([]) == ()
    assert cautions_for(["thinning"]) == ()


@pytest.fixture
def book(tmp_path: Path) -> Path:
    grow = Grow(SOWN, {s: Sowing("lettuce", 2) for s in LID.labels}, 4.0)
    with Book.begin(tmp_path / "b", grow, lid=LID, view=view(), view_sha256="e" * 64) as opened:
        for day in range(1, 9):
            add(opened, survey(f"d{day}.jpg", day, {"A1": 1} if day > 6 else {}))
    return tmp_path / "b"


def test_today_says_what_why_and_on_what_basis(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["today", str(book), "--as-of", str(on(8))]) == 0
    out = capsys.readouterr().out
    assert out.index("A1: take the dome off") < out.index("feed:")
    assert "basis: " in out
    assert "Mind" in out
    assert "away from children" in out
    assert main(["today", str(book), "--as-of", str(on(3))]) == 0
    assert "Nothing to do today." in capsys.readouterr().out


def test_today_as_json_and_calendar_hold_the_same_list(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = book.parent / "to-do.ics"
    words = ["today", str(book), "--as-of", str(on(8)), "--json", "--calendar", str(file), "--temperature", "30"]
    assert main(words) == 0
    listed = json.loads(capsys.readouterr().out)
    events = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert [str(e["SUMMARY"]) for e in events] == [t["what"] for t in listed["to_do"]]
    assert {"when", "what", "why", "basis", "interval", "by"} <= set(listed["to_do"][0])
    assert listed["mind"]
