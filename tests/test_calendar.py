"""The calendar file, read by an independent library, and importing it again."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import icalendar
import pytest
from grows import SOWN, add, begin, on, reading, survey
from hypothesis import given
from hypothesis import strategies as st

from sprout.book import Book
from sprout.care.tasks import Task, Urgency
from sprout.cli import main
from sprout.cli.forecasting import look_at
from sprout.outlook import Outlook
from sprout.outlook.records import Days
from sprout.report.calendar import calendar_text, grow_calendar

WRITTEN = datetime(2026, 3, 9, 7, tzinfo=timezone(timedelta(hours=2)))


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    opened = begin(tmp_path_factory.mktemp("calendar") / "sill")
    for day in range(0, 13, 2):
        leaf = 0.5 * 1.3 ** max(0, day - 6)
        seen = {site: reading(site, 1, tissue_cm2=leaf) for site in ("A1", "A2")} if day >= 6 else {}
        add(opened, survey(f"{day}.jpg", day, seen))
    return opened


def ahead_of(book: Book, day: int) -> Outlook:
    return look_at(book.evidence(), as_of=on(day))[1]


def events(text: str) -> list[Any]:
    found = icalendar.Calendar.from_ical(text)
    assert not found.errors
    return list(found.walk("VEVENT"))


def by_uid(text: str) -> dict[str, Any]:
    listed = events(text)
    found = {str(e["UID"]): e for e in listed}
    assert len(found) == len(listed)
    return found


def test_forecast_dates_stand_on_their_middle_and_tell_their_range(book: Book) -> None:
    ahead = ahead_of(book, 8)
    told = {str(e["SUMMARY"]): e for e in events(grow_calendar(ahead, name="sill", sown=SOWN, written=WRITTEN))}
    plug = ahead.plugs[0]
    assert plug.first_pick.mid is not None
    pick = told["A1: pick (basil)"]
    assert pick.decoded("DTSTART") == plug.first_pick.mid
    assert f"between {plug.first_pick.low} and {plug.first_pick.high}" in str(pick["DESCRIPTION"])
    empty = next(p for p in ahead.plugs if p.give_up_on is not None and p.give_up_on > ahead.as_of)
    assert told[f"{empty.site}: give up if still empty (basil)"].decoded("DTSTART") == empty.give_up_on
    now = [t for t in ahead.to_do if t.when <= ahead.as_of]
    assert now
    assert {t.what for t in now} <= set(told)


def test_importing_again_moves_events_and_doubles_none(book: Book) -> None:
    """Days later the same pick has the same identity, another date and a higher revision."""
    early, late = (
        by_uid(grow_calendar(ahead_of(book, d), name="sill", sown=SOWN, written=WRITTEN + timedelta(days=d)))
        for d in (10, 12)
    )
    shared = set(early) & set(late)
    names = {str(late[uid]["SUMMARY"]) for uid in shared}
    assert {"A1: pick (basil)", "A2: pick (basil)"} <= names
    for uid in shared:
        assert str(early[uid]["SUMMARY"]) == str(late[uid]["SUMMARY"])
        assert int(early[uid]["SEQUENCE"]) < int(late[uid]["SEQUENCE"])
        assert early[uid].decoded("DTSTAMP") < late[uid].decoded("DTSTAMP")
    assert any(early[uid].decoded("DTSTART") != late[uid].decoded("DTSTART") for uid in shared)


def test_another_grow_on_the_same_lid_has_events_of_its_own(book: Book) -> None:
    ahead = ahead_of(book, 12)
    first, second = (grow_calendar(ahead, name="sill", sown=SOWN + timedelta(days=d)) for d in (0, 60))
    assert not set(by_uid(first)) & set(by_uid(second))


def test_a_task_keeps_its_identity_when_its_numbers_and_day_change() -> None:
    def uid(what: str, day: date) -> str:
        task = Task(day, what, "why", urgency=Urgency.WATER)
        return str(events(calendar_text([task], name="sill"))[0]["UID"])

    first = uid("top up to the mark, about 0.2 litres", SOWN)
    assert first == uid("top up to the mark, about 1.35 litres", SOWN + timedelta(days=3))
    assert first != uid("fill the reservoir now", SOWN)
    twice = [Task(SOWN + timedelta(days=d), "sow 5 plugs", "a new row") for d in (0, 7)]
    assert len(by_uid(calendar_text(twice, name="plan"))) == 2


def test_what_lies_behind_or_is_out_of_sight_is_no_event(book: Book) -> None:
    ahead = ahead_of(book, 12)
    past = Days(on(3), on(4), on(5))
    bare = replace(
        ahead,
        to_do=(),
        lid=replace(ahead.lid, closure=Days()),
        water=replace(ahead.water, empty_on=None),
        plugs=tuple(replace(p, first_pick=past, give_up_on=on(12)) for p in ahead.plugs),
    )
    assert events(grow_calendar(bare, name="sill", sown=SOWN)) == []
    retired = replace(bare, plugs=tuple(replace(p, site="", give_up_on=on(40)) for p in ahead.plugs))
    assert events(grow_calendar(retired, name="sill", sown=SOWN)) == []


@given(what=st.text(min_size=1), why=st.text(), name=st.text())
def test_any_words_come_back_as_they_were(what: str, why: str, name: str) -> None:
    """RFC 5545, sections 3.1 and 3.3.11: folding, escaping, and no control characters."""
    text = calendar_text([Task(SOWN, what, why)], name=name, written=WRITTEN)
    lines = text.split("\r\n")
    assert lines[-1] == ""
    assert not any("\n" in line or "\r" in line for line in lines)
    assert max(len(line.encode()) for line in lines) <= 75

    def plain(words: str) -> str:
        return "".join(c for c in re.sub(r"\r\n?", "\n", words) if c == "\n" or c.isprintable())

    (event,) = events(text)
    assert str(event["SUMMARY"]) == plain(what)
    assert str(event["DESCRIPTION"]) == plain((f"{why}\n" if why else "") + "Basis: common practice")


def test_the_command_writes_the_file(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["calendar", str(book.path), "--as-of", on(12).isoformat()]) == 0
    data = (tmp_path / "sill.ics").read_bytes()
    assert data.startswith(b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\n")
    assert data.endswith(b"END:VCALENDAR\r\n")
    assert b"\r\r" not in data
    told = capsys.readouterr()
    assert f"{data.count(b'BEGIN:VEVENT')} events" in told.err
    assert main(["calendar", str(book.path), "my dates.ics"]) == 0
    assert events((tmp_path / "my dates.ics").read_text("utf-8"))
    assert main(["calendar", str(tmp_path)]) == 5
