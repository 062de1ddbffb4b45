"""The book: nothing is lost, nothing is overwritten, everything can be done again."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date, datetime
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from grows import LID, SETTINGS, SOWN, add, begin, fake_survey_many, on, photo, reading, survey, view
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sprout import columns
from sprout.book import Book, Grow, schema
from sprout.book.entries import read_entries
from sprout.errors import BookError, UsageError
from sprout.intake import Logged, find_photos, log_photos
from sprout.lid import Lid
from sprout.plugs import Note, Sowing, replay
from sprout.registration import LidView
from sprout.settings import VERSION, Settings
from sprout.survey import Survey
from sprout.timeline import Weighed, weigh


def note(kind: str, day: int | datetime, site: str = "", to_site: str = "", **more: object) -> Note:
    moment = day if isinstance(day, datetime) else datetime.combine(on(day), datetime.min.time())
    return Note(kind, moment, site, to_site, **more)  # type: ignore[arg-type]


def tables(book: Book) -> tuple[str, str, str]:
    weighed = weigh(book.evidence())
    return (
        columns.to_csv(weighed.days, columns.DAYS),
        columns.to_csv(weighed.plugs, columns.PLUG_STATES),
        columns.to_csv(weighed.grow, columns.GROW),
    )


# beginning and opening


def test_a_new_book_knows_what_it_was_begun_with(tmp_path: Path) -> None:
    sowing = {"A1": Sowing("basil", 2), "B3": Sowing("kale", 1)}
    grow = Grow(SOWN, sowing, 4.0, 21.5, {"light": "lamp"})
    Book.begin(tmp_path / "b", grow, lid=LID, view=view(), view_sha256="ab" * 32).close()
    with Book(tmp_path / "b") as book:
        assert book.grow == grow
        assert book.lid.labels == LID.labels
        assert book.anchor == "ab" * 32
        known = book.view()
        assert known is not None
        assert (known.rgb == view().rgb).all()
    assert {p.name for p in tmp_path.iterdir()} == {"b"}


def test_a_book_is_not_begun_over_another(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    with pytest.raises(BookError, match="holds a book already"):
        begin(tmp_path / "b")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear")
    with pytest.raises(BookError, match="is not empty"):
        begin(tmp_path / "full")
    assert (tmp_path / "full" / "letter.txt").read_text() == "dear"


def test_a_book_that_fails_to_begin_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such site"):
        Book.begin(tmp_path / "b", Grow(SOWN, {"Z9": Sowing("basil", 1)}), lid=LID)
    broken = view()
    object.__setattr__(broken, "tags_mm", None)
    with pytest.raises(TypeError, match="not iterable"):
        Book.begin(tmp_path / "b", Grow(SOWN, {"A1": Sowing("basil", 1)}), lid=LID, view=broken)
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_book_is_said(tmp_path: Path) -> None:
    with pytest.raises(BookError, match="is not a book"):
        Book(tmp_path / "nowhere")
    with pytest.raises(BookError, match="holds no book"):
        Book(tmp_path)
    begin(tmp_path / "b").close()
    (tmp_path / "b" / "book.sqlite").write_bytes(b"this is no database, whatever its name says" * 30)
    with pytest.raises(BookError, match="damaged"):
        Book(tmp_path / "b")


def test_a_book_that_is_being_written_is_waited_for_and_then_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "_WAIT_SECONDS", 0.0)
    with begin(tmp_path / "b") as book:
        other = sqlite3.connect(tmp_path / "b" / "book.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BookError, match="another program is writing"):
            book.add_notes([note("feed", 1, amount=5.0, unit="ml")])
        other.execute("ROLLBACK")
        other.close()
        assert book.add_notes([note("feed", 1, amount=5.0, unit="ml")]) == [1]


# formats


def test_the_readings_table_has_the_declared_columns(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    with sqlite3.connect(tmp_path / "b" / "book.sqlite") as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(reading)")]
        mode = connection.execute("PRAGMA journal_mode").fetchone()[0]
    connection.close()
    assert names == ["survey", "place", *(c.name for c in columns.SITE_READINGS)]
    assert mode == "delete"


def test_an_older_book_is_brought_up_to_date_and_keeps_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # what version 1 wrote, as text
    fixture = (Path(__file__).parent / "book_v1.sql").read_text("utf-8")
    begin(tmp_path / "b").close()
    file = tmp_path / "b" / "book.sqlite"
    file.unlink()
    with sqlite3.connect(file) as connection:
        connection.executescript(fixture)
    connection.close()
    with Book(tmp_path / "b") as book:
        before = tables(book)
        notes = book.notes()
        assert [str(n) for n in notes] == ["move A1 A2 on 2026-03-05", "topup 0.5 l on 2026-03-06"]
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, "CREATE TABLE harvest (id INTEGER PRIMARY KEY)"))
    with Book(tmp_path / "b") as book:
        assert tables(book) == before
        assert book.notes() == notes
    with sqlite3.connect(file) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == len(schema.MIGRATIONS)
        connection.execute("INSERT INTO harvest VALUES (1)")
    connection.close()


def test_a_step_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begin(tmp_path / "b").close()
    before = (tmp_path / "b" / "book.sqlite").read_bytes()
    step = "CREATE TABLE harvest (id INTEGER); INSERT INTO nowhere VALUES (1)"
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
        with pytest.raises(BookError, match="damaged"):
            Book(tmp_path / "b")
    assert (tmp_path / "b" / "book.sqlite").read_bytes() == before


def test_a_newer_book_is_refused_untouched(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    file = tmp_path / "b" / "book.sqlite"
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = file.read_bytes()
    with pytest.raises(BookError, match="newer version"):
        Book(tmp_path / "b")
    assert file.read_bytes() == before


# photos


def test_measuring_again_adds_and_the_latest_counts(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
        add(book, survey("p.jpg", 6, {"A1": 2}), settings="ffffffffffff")
        looks = book.evidence().looks
        assert looks.loc[looks["site"] == "A1", "seedlings"].tolist() == [2]
        assert len(book.photos()) == 1
        assert book.holds(survey("p.jpg", 6, {}).sha256, SETTINGS) == ""
    with sqlite3.connect(tmp_path / "b" / "book.sqlite") as connection:
        rows = connection.execute("SELECT seedlings FROM reading WHERE site = 'A1' ORDER BY survey").fetchall()
    connection.close()
    assert rows == [(1,), (2,)]
    assert len(list((tmp_path / "b" / "views").glob("*.jpg"))) == 2


def test_a_photo_enters_whole_or_not_at_all(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        broken = survey("p.jpg", 6, {"A1": 1})
        broken.readings.append(dict(broken.readings[0]))  # the same site twice
        with pytest.raises(BookError, match="damaged"):
            add(book, broken)
        assert book.photos().empty
        assert book.evidence().looks.empty


def test_an_empty_book_has_tables_with_all_columns(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        weighed = weigh(book.evidence())
        photos = book.photos()
    assert list(weighed.days.columns) == [c.name for c in columns.DAYS]
    assert list(weighed.grow.columns) == [c.name for c in columns.GROW]
    assert list(photos.columns) == [c.name for c in columns.PHOTOS]
    assert len(weighed.plugs) == len(LID.labels)


def test_the_straightened_view_is_kept_with_its_scale(tmp_path: Path) -> None:
    from PIL import Image

    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 1, {}))
        row = book.photos().iloc[0]
    with Image.open(tmp_path / "b" / row["view"]) as picture:
        assert picture.size == (60, 40)
    assert (row["view_x_mm"], row["view_y_mm"], row["view_px_per_mm"]) == (-30.0, -30.0, 0.5)


# logging


@pytest.fixture
def logged_calls(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    calls: list[Path] = []
    seen = {"day05": {"A1": 1}, "day07": {"A1": 2}, "blurred": "too blurred: hold still or wipe the lens"}
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many(seen, calls))
    return calls


def log(book: Book, *paths: Path, day: date | None = None) -> list[Logged]:
    return list(log_photos(book, find_photos(paths), on=day))


def test_the_same_photo_twice_changes_nothing(tmp_path: Path, logged_calls: list[Path]) -> None:
    shots = [photo(tmp_path / "p" / f"day{d:02}.jpg", d) for d in (5, 7, 3)]
    copy = shutil.copy(shots[0], tmp_path / "p" / "again.jpg")
    with begin(tmp_path / "b") as book:
        first = log(book, tmp_path / "p")
        before = tables(book)
        assert sorted(entry.outcome for entry in first) == ["held", "read", "read", "read"]
        logged_calls.clear()
        second = log(book, tmp_path / "p", Path(copy))
        assert {entry.outcome for entry in second} == {"held"}
        assert logged_calls == []
        assert tables(book) == before


def test_a_bad_photo_never_loses_the_others(tmp_path: Path, logged_calls: list[Path]) -> None:
    for name, day in (("day05", 5), ("blurred", 6), ("day07", 7)):
        photo(tmp_path / "p" / f"{name}.jpg", day)
    (tmp_path / "p" / "notes.jpg").write_text("not a picture")
    with begin(tmp_path / "b") as book:
        outcomes = {
            entry.path.stem: entry
            for entry in log(book, tmp_path / "p", tmp_path / "gone.jpg")
            if entry.path.stem != "notes"
        }
        assert {k: v.outcome for k, v in outcomes.items()} == {
            "day05": "read",
            "blurred": "unread",
            "day07": "read",
            "gone": "unread",
        }
        assert "does not exist" in outcomes["gone"].reason
        unread = book.photos().query("readable == 'no'")
        assert "too blurred: hold still or wipe the lens" in set(unread["reason"])
        again = {entry.path.stem: entry.outcome for entry in log(book, tmp_path / "p" / "blurred.jpg")}
        assert again == {"blurred": "held"}


@pytest.mark.parametrize("fault", [KeyboardInterrupt, MemoryError])
def test_breaking_off_between_photos_keeps_what_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: type[BaseException]
) -> None:
    shots = [photo(tmp_path / "p" / f"day{d:02}.jpg", d) for d in (3, 5, 7)]
    calls: list[Path] = []
    reads = fake_survey_many({"day05": {"A1": 1}, "day07": {"A1": 2}}, calls)

    def breaks(paths: list[Path], *args: object, **options: object) -> object:
        for k, one in enumerate(reads(paths, *args, **options)):
            if k == 2:
                raise fault("broken off")
            yield one

    with begin(tmp_path / "whole") as whole:
        monkeypatch.setattr("sprout.survey.survey_many", reads)
        log(whole, *shots)
        expected = tables(whole)
    with begin(tmp_path / "b") as book:
        monkeypatch.setattr("sprout.survey.survey_many", breaks)
        with pytest.raises(fault, match="broken off"):
            log(book, *shots)
        assert len(book.photos()) == 2
    monkeypatch.setattr("sprout.survey.survey_many", reads)
    calls.clear()
    with Book(tmp_path / "b") as book:
        log(book, *shots)
        assert [p.stem for p in calls] == ["day07"]
        assert tables(book) == expected


def test_photos_of_other_days_tell_which_way_round_one_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Day 9 is asked before day 12: the first is nearer to a day that is sure, and then helps the other."""
    for day in (5, 12, 9, 30):
        photo(tmp_path / "p" / f"day{day:02}.jpg", day)
    asked: list[tuple[str, int]] = []
    sure = fake_survey_many({}, [])

    def survey_many(paths: Iterable[Path], lid: Lid, **options: Any) -> Iterator[Survey]:
        for seen in sure(paths, lid, **options):
            unsure = seen.path.stem != "day05"
            yield replace(seen, reason="unsure", sides_unsure=True, readings=[], view=None) if unsure else seen

    def survey_one(path: Path, lid: Lid, *, others: list[LidView], **options: Any) -> Survey:
        asked.append((path.stem, len(others)))
        return next(sure([path], lid, **options))

    monkeypatch.setattr("sprout.survey.survey_many", survey_many)
    monkeypatch.setattr("sprout.survey.survey", survey_one)
    with begin(tmp_path / "b") as book:
        outcomes = {entry.path.stem: entry.outcome for entry in log(book, tmp_path / "p")}
    assert asked == [("day09", 1), ("day12", 2)]
    assert outcomes == {"day05": "read", "day09": "read", "day12": "read", "day30": "unread"}


def test_a_photo_without_a_day_is_refused_until_it_is_told(tmp_path: Path, logged_calls: list[Path]) -> None:
    dateless = photo(tmp_path / "2026-03-06.jpg", None)
    with begin(tmp_path / "b") as book:
        (refused,) = log(book, dateless)
        assert refused.outcome == "unread"
        assert "--on DATE" in refused.reason
        assert book.photos().empty
        (read,) = log(book, dateless, day=on(5))
        assert (read.outcome, read.day) == ("read", on(5))
        log(book, dateless, day=on(6))  # told again: the last word counts
        assert book.photos()["date"].tolist() == [on(6).isoformat()]
        assert book.photos()["taken_at"].tolist() == [""]


def test_on_fills_in_only_days_that_are_missing_or_impossible(tmp_path: Path, logged_calls: list[Path]) -> None:
    shots = [photo(tmp_path / "day07.jpg", 7), photo(tmp_path / "clock.jpg", -400)]
    with begin(tmp_path / "b") as book:
        refused = log(book, shots[1])
        assert "before the sowing" in refused[0].reason
        log(book, *shots, day=on(9))
        days = dict(zip(book.photos()["photo"].map(lambda p: Path(p).stem), book.photos()["date"], strict=True))
    assert days == {"day07": on(7).isoformat(), "clock": on(9).isoformat()}


def test_without_an_empty_photo_the_earliest_that_is_read_becomes_the_anchor(
    tmp_path: Path, logged_calls: list[Path]
) -> None:
    for name, day in (("day07", 7), ("day05", 5), ("blurred", 2)):
        photo(tmp_path / "p" / f"{name}.jpg", day)
    grow = Grow(SOWN, dict.fromkeys(LID.labels, Sowing("basil", 2)))
    with Book.begin(tmp_path / "b", grow, lid=LID) as book:
        log(book, tmp_path / "p")
        first = book.photos().query("date == '2026-03-06'").iloc[0]
        assert book.anchor == first["sha256"]
        assert book.view() is not None
        # what was refused before the lid's look was known is tried once more, and then left alone
        assert [x.outcome for x in log(book, tmp_path / "p" / "blurred.jpg")] == ["unread"]
        assert [x.outcome for x in log(book, tmp_path / "p" / "blurred.jpg")] == ["held"]


def test_folders_are_read_by_the_numbers_in_their_names(tmp_path: Path) -> None:
    for name in ("day10.jpg", "day9.HEIC", "notes.txt", ".day1.jpg", "Day2.jpeg"):
        (tmp_path / name).write_bytes(b"x")
    assert [p.name for p in find_photos([tmp_path])] == ["Day2.jpeg", "day9.HEIC", "day10.jpg"]


def test_settings_and_version_travel_with_each_reading(tmp_path: Path, logged_calls: list[Path]) -> None:
    with begin(tmp_path / "b") as book:
        log(book, photo(tmp_path / "day05.jpg", 5))
    with sqlite3.connect(tmp_path / "b" / "book.sqlite") as connection:
        rows = connection.execute("SELECT settings, version FROM survey").fetchall()
    connection.close()
    assert rows == [(Settings().digest(), VERSION)]


# notes


def test_a_moved_plug_keeps_its_name_and_history(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        add(book, *(survey(f"{d}.jpg", d, {"A1": min(2, d - 4)} if d > 4 else {}) for d in range(3, 9)))
        book.add_notes([note("move", 9, "A1", "B3")])
        add(book, *(survey(f"{d}.jpg", d, {"B3": 2}) for d in range(9, 12)))
        weighed = weigh(book.evidence())
    rows = weighed.days.query("plug == 'A1'")
    assert rows["site"].tolist() == ["A1"] * 6 + ["B3"] * 3
    assert rows["seedlings"].tolist() == [0, 0, 1, 2, 2, 2, 2, 2, 2]
    assert not (weighed.days["plug"] == "B3").any()
    plug = weighed.plugs.set_index("plug").loc["A1"]
    assert (plug["site"], plug["status"], plug["first_sprouted"]) == ("B3", "sprouted", on(5).isoformat())


def test_move_needs_a_free_site_and_says_what_to_do(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        with pytest.raises(UsageError, match=r"A2 is not free, plug A2 stands there.*retire A2 --on 2026-03-05"):
            book.add_notes([note("move", 4, "A1", "A2")])
        book.add_notes([note("retire", 4, "A2"), note("move", 4, "A1", "A2")])
        assert book.evidence().plugs().now()["A2"] == "A1"
        with pytest.raises(UsageError, match="no plug stands in A1"):
            book.add_notes([note("move", 6, "A1", "A3")])
        with pytest.raises(UsageError, match="no such site"):
            book.add_notes([note("retire", 6, "Z1")])
        with pytest.raises(UsageError, match="before the sowing"):
            book.add_notes([note("feed", -1, amount=5.0, unit="ml")])


def test_several_notes_are_written_all_or_none(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        with pytest.raises(UsageError, match="no such site"):
            book.add_notes([note("pick", 9, "A1"), note("pick", 9, "Z1")])
        assert book.notes() == ()


def test_a_note_that_would_undo_a_later_one_is_refused(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        book.add_notes([note("move", 9, "A1", "B3")])
        with pytest.raises(UsageError, match=r"makes a note already in the book impossible \(move A1 B3"):
            book.add_notes([note("retire", 5, "A1")])
        book.add_notes([note("retire", 12, "B3")])
        with pytest.raises(UsageError, match="later note needs it"):
            book.withdraw_note(1)
        book.withdraw_note(2)
        assert str(book.withdraw_note(1)) == "move A1 B3 on 2026-03-10"
        assert str(book.withdraw_note(1)) == "move A1 B3 on 2026-03-10"  # once more changes nothing
        with pytest.raises(UsageError, match="is not in the book"):
            book.withdraw_note(99)


def test_retired_plugs_leave_the_tables_and_resown_sites_start_anew(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(book, *(survey(f"{d}.jpg", d, {"A1": 1} if d > 5 else {}) for d in range(4, 15)))
        book.add_notes([note("retire", 8, "A1"), note("resow", 10, "A1", sowing=Sowing("kale", 3))])
        book.add_notes([note("resow", 12, "B2", sowing=Sowing("basil", 2))])
        weighed = weigh(book.evidence())
    plugs = weighed.plugs.set_index("plug")
    assert weighed.days.query("plug == 'A1'")["date"].max() == on(7).isoformat()
    assert plugs.loc["A1", "status"] == "retired"
    assert plugs.loc["A1", "site"] == ""
    assert plugs.loc["A1", "day_sprouted"] == 6
    assert (plugs.loc["A1#2", "crop"], plugs.loc["A1#2", "seeds"]) == ("kale", 3)
    assert weighed.days.query("plug == 'A1#2'")["day"].tolist() == [0, 1, 2, 3, 4]  # counted from its own sowing
    assert plugs.loc["B2", "status"] == "retired"
    assert "B2#2" in plugs.index


def test_a_note_with_a_time_leaves_the_photos_before_it_alone(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        book.add_notes([note("move", datetime(2026, 3, 10, 12, 0), "A1", "B3")])
        add(book, survey("morning.jpg", 9, {"A1": 1}, hour=8), survey("evening.jpg", 10, {"B3": 1}, hour=18))
        rows = weigh(book.evidence()).days.query("plug == 'A1'")
    assert rows["site"].tolist() == ["A1", "B3"]


@pytest.mark.parametrize(
    ("moves", "places"),
    [
        ([("A1", "A2"), ("A2", "A3")], {"A2": "A1", "A3": "A2"}),  # in a row: the far one goes first
        ([("A2", "A3"), ("A1", "A2")], {"A2": "A1", "A3": "A2"}),
    ],
)
def test_moves_of_one_day_find_the_order_that_works(moves: list[tuple[str, str]], places: dict[str, str]) -> None:
    notes = [note("retire", 4, "A3"), *(note("move", 4, a, b, number=k + 1) for k, (a, b) in enumerate(moves))]
    sowing = dict.fromkeys(LID.labels, Sowing("basil", 1))
    now = replay(SOWN, sowing, notes).now()
    assert {site: now[site] for site in places} == places
    assert "A1" not in now


# entries and corrections


def test_entries_are_read_as_a_spreadsheet_writes_them(tmp_path: Path) -> None:
    file = tmp_path / "hand.csv"
    file.write_text("\ufeffDate;Site;Seedlings;Tissue_cm2;who\n2026-03-07;A1;2;1,5;me\n\n2026-03-08;b2;0;;\n", "utf-8")
    assert read_entries(file, LID.labels) == [
        {"date": "2026-03-07", "site": "A1", "seedlings": 2, "tissue_cm2": 1.5},
        {"date": "2026-03-08", "site": "B2", "seedlings": 0},
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "has no column date or site or seedlings"),
        ("date,site\n2026-03-07,A1\n", "has no column seedlings"),
        ("date,site,seedlings\n2026-03-07,A1,2\n7.3.2026,A1,1\n", 'line 3: "7.3.2026" is not a date'),
        ("date,site,seedlings\n2026-03-07,Q1,2\n", 'line 2: site "Q1": there is no such site'),
        ("date,site,seedlings\n2026-03-07,A1,two\n", 'seedlings "two" is not a number'),
        ("date,site,seedlings\n2026-03-07,A1,\n", 'seedlings "" is not a number'),
        ("date,site,seedlings\n2026-03-07,A1,1.5\n", "give a whole number"),
        ("date,site,seedlings\n2026-03-07,A1,nan\n", "out of range"),
        ("date,site,seedlings,yellow_pct\n2026-03-07,A1,1,140\n", "yellow_pct 140 is out of range"),
    ],
)
def test_a_faulty_line_is_named(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "hand.csv"
    file.write_text(text)
    with pytest.raises(UsageError, match=message):
        read_entries(file, LID.labels)


def test_entries_count_once_and_all_or_none(tmp_path: Path) -> None:
    rows = [{"date": "2026-03-07", "site": "A1", "seedlings": 2, "tissue_cm2": 1.5}]
    with begin(tmp_path / "b") as book:
        assert book.add_entries(rows, source="hand.csv") == 1
        assert book.add_entries(rows, source="hand.csv") == 0
        early = {"date": "2026-02-01", "site": "A1", "seedlings": 0}
        with pytest.raises(UsageError, match="before the sowing"):
            book.add_entries([{**rows[0], "seedlings": 1}, early], source="x")
        days = weigh(book.evidence()).days
    assert days[["plug", "seedlings", "tissue_cm2", "basis"]].values.tolist() == [["A1", 2, 1.5, "entry"]]


def test_a_correction_outranks_everything_and_survives_measuring_again(tmp_path: Path) -> None:
    day = on(6).isoformat()

    def row(book: Book) -> list[object]:
        days = weigh(book.evidence()).days.query(f"plug == 'A1' and date == '{day}'")
        return list(days[["status", "seedlings", "tissue_cm2", "basis"]].iloc[0])

    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
        book.add_entries([{"date": day, "site": "A1", "seedlings": 1}], source="x")
        assert row(book) == ["sprouted", 1, 0.4, "photo+entry"]
        book.add_fix({"date": day, "site": "A1", "seedlings": 0})
        assert row(book) == ["empty", 0, 0.4, "correction"]
        add(book, survey("p.jpg", 6, {"A1": 2}), settings="ffffffffffff")
        assert row(book) == ["empty", 0, 0.8, "correction"]
        book.add_fix({"date": day, "site": "A1", "seedlings": 2, "tissue_cm2": 3.0})
        assert row(book) == ["sprouted", 2, 3.0, "correction"]
        book.add_fix({"date": day, "site": "A1"}, withdrawn=True)
        assert row(book)[3] == "photo+entry"
        with pytest.raises(UsageError, match="no such site"):
            book.add_fix({"date": day, "site": "Z1", "seedlings": 0})


# any order


def _pieces() -> list[object]:
    shots = [survey(f"{d}.jpg", d, {"A1": 1} if 5 < d < 9 else ({"B3": 1} if d >= 9 else {})) for d in (3, 6, 8, 10)]
    entries = [{"date": on(d).isoformat(), "site": "A2", "seedlings": n} for d, n in ((5, 0), (8, 1))]
    return [
        *shots,
        *entries,
        note("move", 9, "A1", "B3"),
        note("retire", 9, "B1"),
        note("feed", 8, amount=5.0, unit="ml"),
        ("fix", {"date": on(10).isoformat(), "site": "A3", "seedlings": 2}),
    ]


def _tables_of(folder: Path, pieces: list[object]) -> tuple[str, str, str]:
    with begin(folder, bare=["B3"]) as book:
        for piece in pieces:
            if isinstance(piece, Survey):
                add(book, piece)
            elif isinstance(piece, Note):
                book.add_notes([piece])
            elif isinstance(piece, tuple):
                book.add_fix(piece[1])
            else:
                book.add_entries([piece], source="x")  # type: ignore[list-item]
        return tables(book)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(10)))
def test_the_tables_do_not_depend_on_the_order_of_writing(
    tmp_path_factory: pytest.TempPathFactory, order: list[int]
) -> None:
    pieces = _pieces()
    assert len(pieces) == len(order)
    expected = _tables_of(tmp_path_factory.mktemp("grow") / "b", pieces)
    assert _tables_of(tmp_path_factory.mktemp("grow") / "b", [pieces[k] for k in order]) == expected


def test_notes_of_one_day_may_be_written_in_any_order_that_is_accepted() -> None:
    sowing = dict.fromkeys(LID.labels, Sowing("basil", 1))
    notes = [note("retire", 4, "B2"), note("move", 4, "A1", "B2"), note("resow", 4, "A1", sowing=Sowing("kale", 1))]
    results = []
    for order in permutations(notes):
        numbered = [Note(**{**vars(n), "number": k + 1}) for k, n in enumerate(order)]
        results.append(replay(SOWN, sowing, numbered).now())
    assert all(result == results[0] for result in results)
    assert results[0]["B2"] == "A1"
    assert results[0]["A1"] == "A1#2"


def test_evidence_until_a_day_knows_nothing_later(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        add(book, survey("6.jpg", 6, {"A1": 1}))
        expected: Weighed = weigh(book.evidence())
        add(book, survey("9.jpg", 9, {"B3": 2}))
        book.add_notes([note("move", 8, "A1", "B3")])
        book.add_entries([{"date": on(9).isoformat(), "site": "A2", "seedlings": 1}], source="x")
        book.add_fix({"date": on(9).isoformat(), "site": "A3", "seedlings": 2})
        cut = weigh(book.evidence().until(on(7)))
    assert cut.days.equals(expected.days)
    assert cut.plugs.equals(expected.plugs)


def test_what_concerns_a_bare_site_is_told(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        add(book, survey("6.jpg", 6, {"B3": reading("B3", 1)}))
        book.add_entries([{"date": on(6).isoformat(), "site": "B3", "seedlings": 1}], source="x")
        weighed = weigh(book.evidence())
    assert weighed.stray == ("entry for B3 on 2026-03-07: no plug stood there",)
    assert "B3" not in set(weighed.days["site"])
