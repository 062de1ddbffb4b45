"""Copies of a book in use, the look for damage, and what is saved of a damaged book."""

from __future__ import annotations

import contextlib
import random
import sqlite3
from pathlib import Path

import pytest
from grows import SOWN, add, begin, fake_survey_many, on, photo, survey, view
from test_book import note, tables

from sprout.book import Book
from sprout.book.salvage import repair
from sprout.book.upkeep import backup, check
from sprout.cli import main
from sprout.errors import BookError, LidError
from sprout.intake import log_photos


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A book of three weeks with something of every kind in it."""
    with begin(tmp_path / "b") as new:
        add(new, *(survey(f"day{d:02}.jpg", d, {"A1": 1, "B2": d % 3}) for d in range(1, 21)))
        new.add_notes([note("topup", d, amount=1.0, unit="l") for d in (5, 9)])
        new.withdraw_note(2)
        new.add_entries([{"date": str(on(4)), "site": "B1", "seedlings": 1}], source="hand.csv")
        new.add_fix({"date": str(on(6)), "site": "A3", "seedlings": 2}, comment="looked closely")
    return tmp_path / "b"


def whole(path: Path) -> tuple[object, ...]:
    with Book(path) as opened:
        return (*tables(opened), opened.notes(), opened.anchor, opened.photos().to_csv())


def bytes_of(path: Path) -> dict[str, bytes]:
    return {str(p.relative_to(path)): p.read_bytes() for p in sorted(path.rglob("*")) if p.is_file()}


def wreck(path: Path, where: slice) -> None:
    data = bytearray((path / "book.sqlite").read_bytes())
    span = len(data[where])
    data[where] = random.Random(1).randbytes(span)
    (path / "book.sqlite").write_bytes(data)


def execute(path: Path, sql: str) -> None:
    with contextlib.closing(sqlite3.connect(path / "book.sqlite")) as connection, connection:
        connection.execute(sql)


# backup


def test_a_backup_is_the_same_book(book: Path, tmp_path: Path) -> None:
    copy = backup(book, tmp_path / "safe")
    assert whole(copy) == whole(book)
    assert check(copy) == []
    again = backup(book, tmp_path / "safe")
    assert again != copy
    assert {p.parent.name for p in (copy, again)} == {"safe"}
    assert {p.name for p in (tmp_path / "safe").iterdir()} == {copy.name, again.name}  # nothing unfinished


def test_a_backup_of_a_book_that_is_being_written_holds_what_was_done(book: Path) -> None:
    before = whole(book)
    with contextlib.closing(sqlite3.connect(book / "book.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("DELETE FROM note")
        copy = backup(book)
        other.execute("ROLLBACK")
    assert whole(copy) == before


def test_a_damaged_book_never_passes_for_a_backup(book: Path, tmp_path: Path) -> None:
    next((book / "views").glob("*.jpg")).write_bytes(b"not what it was")
    with pytest.raises(BookError, match=r"is damaged .*book check"):
        backup(book, tmp_path / "safe")
    assert list((tmp_path / "safe").iterdir()) == []


def test_what_is_no_book_is_said(tmp_path: Path) -> None:
    for words in ("backup", "check", "repair"):
        assert main(["book", words, str(tmp_path)]) == 5


# check


def test_a_sound_book(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check(book) == []
    assert main(["book", "check", str(book)]) == 0
    assert "sound" in capsys.readouterr().err


def fewer_columns(path: Path) -> None:
    text = (path / "lid.toml").read_text("utf-8")
    (path / "lid.toml").write_text(text.replace("columns = 3", "columns = 2"), "utf-8")


@pytest.mark.parametrize(
    ("harm", "phrase"),
    [
        (lambda b: next((b / "views").glob("*.jpg")).unlink(), "is not there"),
        (lambda b: next((b / "views").glob("*.jpg")).write_bytes(b"other"), "is damaged"),
        (lambda b: next(b.glob("*.npz")).write_bytes(b"other"), "the lid's view is damaged"),
        (lambda b: (b / "lid.toml").write_text("pattern = 3"), "pattern"),
        (
            lambda b: (b / "lid.toml").write_text((b / "lid.toml").read_text().replace("columns = 3", "columns = 2")),
            "A3",
        ),
        (lambda b: execute(b, "UPDATE reading SET p_sprouted = 7 WHERE survey = 3"), "6 rows of reading"),
        (lambda b: execute(b, "UPDATE note SET moment = 'soon' WHERE id = 1"), "1 rows of note"),
        (lambda b: execute(b, "DELETE FROM reading WHERE survey = 3 AND site = 'A1'"), "1 photos have not a reading"),
        (lambda b: execute(b, "DELETE FROM photo WHERE path = 'day03.jpg'"), "a row of survey refers to a photo"),
        (lambda b: wreck(b, slice(8192, 40960)), "is damaged"),
        (lambda b: wreck(b, slice(0, 100)), "is damaged"),
    ],
)
def test_damage_is_found(book: Path, harm: object, phrase: str, capsys: pytest.CaptureFixture[str]) -> None:
    harm(book)  # type: ignore[operator]
    assert main(["book", "check", str(book)]) == 5
    told = capsys.readouterr().err
    assert phrase in told
    assert "Traceback" not in told


def test_a_damaged_look_of_the_lid_is_told_whatever_is_wrong_with_it(book: Path) -> None:
    file = next(book.glob("*.npz"))
    kept = file.read_bytes()
    rng = random.Random(2)
    for _ in range(60):
        data = bytearray(kept)
        data[(at := rng.randrange(len(data))) : at + 4] = rng.randbytes(4)
        file.write_bytes(data[: rng.choice((len(data), at))])
        with Book(book) as opened, contextlib.suppress(BookError):
            opened.view()
    file.write_bytes(b"PK\x03\x04 no archive")
    with Book(book) as opened, pytest.raises(BookError, match="the lid's view is missing or damaged"):
        opened.view()


def test_what_a_power_cut_leaves_is_harmless(book: Path) -> None:
    (book / "views" / ".0123-abcdef.jpg").write_bytes(b"half a pic")
    (book / "book 2.sqlite").write_bytes(b"")
    found = check(book)
    assert len(found) == 2
    assert all(finding.harmless for finding in found)
    assert main(["book", "check", str(book)]) == 0


def test_a_newer_book_is_neither_checked_nor_repaired(book: Path) -> None:
    execute(book, "PRAGMA user_version = 99")
    before = bytes_of(book)
    for command in (check, repair, backup):
        with pytest.raises(BookError, match="newer version"):
            command(book)
    assert bytes_of(book) == before
    assert [p.name for p in book.parent.iterdir()] == ["b"]


# repair


def test_repair_of_a_sound_book_gives_the_same_book(book: Path) -> None:
    before = bytes_of(book)
    done = repair(book)
    assert whole(done.path) == whole(book)
    assert done.told == []
    assert check(done.path) == []
    assert bytes_of(book) == before
    assert repair(book).path.name == "b-repaired-2"


def test_a_wrecked_page_costs_what_was_on_it(book: Path) -> None:
    kept = (book / "book.sqlite").read_bytes()
    looks, repaired, lost = [], 0, 0
    for page in range(1, len(kept) // 4096, 4):
        (book / "book.sqlite").write_bytes(kept)
        wreck(book, slice(4096 * page, 4096 * page + 4096))
        before = bytes_of(book)
        try:
            done = repair(book)
        except BookError as e:
            lost += "take the last backup" in str(e)
        else:
            repaired += 1
            assert check(done.path) == []
            with Book(done.path) as opened:
                found = opened.evidence().looks.groupby("photo").size()
                assert opened.grow.sown == SOWN
            assert set(found) <= {6}  # a photo's readings are whole or not there
            looks.append(len(found))
        assert bytes_of(book) == before
    assert lost <= 2  # the pages that say what was sown
    assert repaired >= 5
    assert sum(n == 20 for n in looks) >= repaired // 2
    assert len(list(book.parent.iterdir())) == 1 + repaired


def test_a_photo_whose_readings_are_lost_is_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shots = [photo(tmp_path / f"day{d:02}.jpg", d) for d in (3, 5)]
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    with begin(tmp_path / "b") as opened:
        list(log_photos(opened, shots))
    execute(tmp_path / "b", "DELETE FROM reading WHERE survey = 1 AND site = 'A1'")
    assert main(["book", "repair", str(tmp_path / "b")]) == 0
    assert "1 photos have no whole reading any more: log them again" in capsys.readouterr().err
    with Book(tmp_path / "b-repaired") as opened:
        assert [x.outcome for x in log_photos(opened, shots)] == ["held", "read"]
        assert len(opened.photos()) == 2


def test_the_look_of_the_lid_is_made_anew(book: Path) -> None:
    next(book.glob("*.npz")).unlink()
    done = repair(book)
    assert any("made anew from the photo of 2026-03-02" in line for line in done.told)
    with Book(done.path) as opened:
        known = opened.view()
        assert known is not None
        assert (known.origin_mm, known.px_per_mm, known.rgb.shape) == ((-30.0, -30.0), 0.5, view().rgb.shape)
    assert check(done.path) == []


def test_a_lost_lid_file_can_be_given(book: Path, tmp_path: Path) -> None:
    kept = (book / "lid.toml").rename(tmp_path / "kept.toml")
    with pytest.raises(LidError, match="does not exist"):
        repair(book)
    assert check(repair(book, lid=kept).path) == []
