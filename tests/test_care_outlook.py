"""Care in the outlook: water, food and tasks of a made-up grow, day by day."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from grows import LID, SOWN, add, on, reading, survey, view

from sprout.book import Book, Grow
from sprout.cli import main
from sprout.feed import US_TEASPOON_ML, parse_feed
from sprout.outlook import Outlook, look_ahead
from sprout.plugs import Note, Sowing
from sprout.timeline import weigh


def at(day: float) -> datetime:
    return datetime.combine(SOWN, datetime.min.time()) + timedelta(days=day)


@pytest.fixture
def book(tmp_path: Path) -> Book:
    """Lettuce in five of six sites; all up on day 5 but B3, green film on B3."""
    grow = Grow(SOWN, {s: Sowing("lettuce", 2) for s in LID.labels[1:]}, 4.0, feed=parse_feed("dry 0.5 us tsp/l"))
    book = Book.begin(tmp_path / "b", grow, lid=LID, view=view(), view_sha256="e" * 64)
    up = dict.fromkeys(LID.labels[1:-1], 1)
    for day in range(1, 30):
        film = reading("B3", algae="yes")
        add(book, survey(f"day{day}.jpg", day, (up if day >= 5 else {}) | {"B3": film}))
    return book


def outlook(book: Book, day: int, **more) -> Outlook:
    known = book.evidence().until(on(day))
    return look_ahead(known, weigh(known), as_of=on(day), **more)


def whats(ahead: Outlook) -> str:
    return " | ".join(t.what for t in ahead.to_do if t.when <= ahead.as_of)


def test_plain_water_until_the_first_seedlings_are_up(book: Book) -> None:
    before, after = outlook(book, 4), outlook(book, 5)
    assert before.feed.start_on is None
    assert "feed" not in whats(before)
    assert after.feed.start_on == on(5)
    assert "feed: " in whats(after)
    assert "plain water until" in after.feed.basis


def test_the_dose_is_half_for_seedlings_and_full_later(book: Book) -> None:
    half, full = outlook(book, 6).feed, outlook(book, 25).feed
    assert half.strength_pct == 50
    assert full.strength_pct == 100
    assert half.dose_tsp == pytest.approx(0.5 * half.litres * 0.5)
    assert full.dose_ml == pytest.approx(0.5 * full.litres * US_TEASPOON_ML)
    assert 3 < full.litres < 4


def test_what_was_topped_up_is_fed(book: Book) -> None:
    book.add_notes([Note("feed", at(6), amount=5.0, unit="ml"), Note("topup", at(22.5), amount=1.0, unit="l")])
    assert "feed: 2.46 mL (0.5 US teaspoons) for the 1 litres topped up" in whats(outlook(book, 24))
    book.add_notes([Note("feed", at(24.5), amount=2.5, unit="ml")])
    assert "feed: " not in whats(outlook(book, 24))


def test_a_full_change_is_due_after_two_to_three_weeks(book: Book) -> None:
    book.add_notes([Note("feed", at(6), amount=5.0, unit="ml")])
    (task,) = [t for t in outlook(book, 15).to_do if t.what.startswith("change")]
    assert (task.when, task.by) == (on(19), on(26))
    assert "2 to 3 weeks" in task.interval
    book.add_notes([Note("change", at(20), unit="l")])
    later = outlook(book, 20)
    assert later.feed.days_since_change == 0
    assert not [t for t in later.to_do if t.what.startswith("change")]


def test_meter_readings_name_scale_and_source(book: Book) -> None:
    feed = outlook(book, 10).feed
    assert 1.0 < feed.ec_low_ms_cm < feed.ec_high_ms_cm < 2.5
    assert all(f"on scale {s}" in feed.ec_text for s in (500, 640, 700))
    assert "HLA-6722" in feed.ec_text


def test_open_holes_are_to_be_covered_until_they_are(book: Book) -> None:
    assert "A1: cover the open hole" in whats(outlook(book, 3))
    book.add_notes([Note("cover", at(3), "A1"), Note("retire", at(10), "B3")])
    assert "cover the open hole" not in whats(outlook(book, 5))
    assert "B3: cover the open hole" in whats(outlook(book, 10))


def test_a_cover_that_the_photo_shows_needs_no_note(book: Book) -> None:
    add(book, survey("late.jpg", 3, {"A1": reading("A1", flags="covered")}, hour=18))
    assert "cover the open hole" not in whats(outlook(book, 3))


def test_green_sponge_is_to_be_wiped_and_domes_come_off(book: Book) -> None:
    assert "B3: wipe off the green" in whats(outlook(book, 5))
    assert "A2, A3, B1, B2: take the dome off" in whats(outlook(book, 5))
    assert "dome" not in whats(outlook(book, 9))


def test_water_has_an_interval_that_notes_narrow(book: Book) -> None:
    wide = outlook(book, 28).water
    book.add_notes([Note("topup", at(14), amount=0.4, unit="l"), Note("topup", at(28), amount=0.4, unit="l")])
    narrow = outlook(book, 28).water
    assert wide.empty_on is not None
    assert narrow.empty_on is not None
    assert "no note of water" in wide.basis
    spans = [(w.empty_on.high - w.empty_on.low).days for w in (wide, narrow)]
    assert spans[1] < spans[0]
    assert narrow.litres_per_day.low < 0.4 / 14 < narrow.litres_per_day.high
    hot = outlook(book, 28, coming_temperature_c=30.0).water
    assert hot.litres_per_day.mid > narrow.litres_per_day.mid


def test_every_task_has_reason_and_basis_in_the_order_of_urgency(book: Book) -> None:
    book.add_notes([Note("level", at(24.5), amount=6, unit="%")])
    ahead = outlook(book, 25)
    assert all(t.why and t.basis for t in ahead.to_do)
    today = [t.urgency for t in ahead.to_do if t.when <= ahead.as_of]
    assert today == sorted(today)
    assert ahead.to_do[0].what.startswith("top up to the mark")


def test_without_a_described_food_the_usual_dose_is_two_teaspoons_in_four_litres(tmp_path: Path) -> None:
    grow = Grow(SOWN, {s: Sowing("lettuce", 2) for s in LID.labels}, 4.0)
    with Book.begin(tmp_path / "u", grow, lid=LID, view=view(), view_sha256="e" * 64) as book:
        add(book, survey("day5.jpg", 5, dict.fromkeys(LID.labels, 1)))
        book.add_notes([Note("change", at(5.9), unit="l")])
        feed = outlook(book, 5).feed
    assert feed.dose_tsp == pytest.approx(2.0, abs=0.05)
    assert "common practice" in feed.basis


def test_the_food_command_doses_and_reads_meters(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["food", str(book.path), "--as-of", str(on(25))]
    assert main([*words, "--litres", "4", "--ppm", "700", "--scale", "700"]) == 0
    out = capsys.readouterr().out
    assert "For 4 litres   9.86 mL (2 US teaspoons)" in out
    assert "1.00 mS/cm (500 ppm on scale 500, 640 ppm on scale 640, 700 ppm on scale 700)" in out
    assert "feed a little" in out
    assert "Never mix two concentrates undiluted" in out
    assert main([*words, "--litres", "4", "--ec", "3", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["topup"]["dose_ml"] == pytest.approx(2 * US_TEASPOON_ML)
    assert data["measured_ec_ms_cm"] == 3
    assert main([*words, "--scale", "600"]) == 2
    assert main([*words, "--ec", "1", "--ppm", "500"]) == 2
