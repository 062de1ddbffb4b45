"""Nothing is lost: not by a kill, a full disk, a folder without rights, two programs at a time, a wrong clock."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from grows import LID, SOWN, add, begin, fake_survey_many, on, photo, survey
from pages import Phone, served
from test_book import note

from sprout import columns
from sprout.book import Book, Grow, schema
from sprout.cli import main
from sprout.errors import BookError, OutputError, UsageError
from sprout.intake import find_photos, log_photos
from sprout.plugs import LONGEST_DAYS, Sowing
from sprout.timeline import weigh

ROOT = Path(__file__).parents[1]


def rows(book: Path, sql: str) -> list[tuple[object, ...]]:
    with contextlib.closing(sqlite3.connect(book / "book.sqlite")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return connection.execute(sql).fetchall()


# kills


def test_a_killed_process_loses_nothing_and_goes_on(tmp_path: Path) -> None:
    """A slice of tests/benchmarks/kill.py, in a process of its own: this one may have threads, which do not fork."""
    script = ROOT / "tests" / "benchmarks" / "kill.py"
    done = subprocess.run(
        [sys.executable, script, "14", "7"], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert done.returncode == 0, done.stdout + done.stderr
    died = {line[:20].strip(): int(line.split()[-3]) for line in done.stdout.splitlines()[1:]}
    assert {"note", "fix", "enter", "log", "page upload", "migration", "photo over HTTP"} <= set(died)
    assert sum(died.values()) >= 3


def test_a_note_that_was_cut_off_before_its_number_was_told_is_noted_once(tmp_path: Path) -> None:
    topup = note("topup", 3, amount=1.5, unit="l")
    with begin(tmp_path / "b") as book:
        assert book.add_notes([topup], untold=timedelta(0)) == [1]  # and here the power fails
    with Book(tmp_path / "b") as book:
        assert book.add_notes([topup], untold=timedelta(0)) == [1]
        book.told([1])
        assert book.add_notes([topup], untold=timedelta(0)) == [2]  # told: a second can is a second note
        assert book.add_notes([note("topup", 4, amount=1.5, unit="l")], untold=timedelta(0)) == [3]


def test_two_notes_that_say_the_same_count_twice(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    for _ in range(2):
        assert main(["note", str(tmp_path / "b"), "topup", "1", "--on", str(on(3))]) == 0
    with Book(tmp_path / "b") as book:
        assert len(book.notes()) == 2


def test_corrections_days_and_food_given_again_are_written_once(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {}))
        for _ in range(2):
            book.add_fix({"date": str(on(6)), "site": "A1", "seedlings": 1})
            book.date_photo(survey("p.jpg", 6, {}).sha256, on(7))
        book.add_fix({"date": str(on(6)), "site": "A1"}, withdrawn=True)
        book.add_fix({"date": str(on(6)), "site": "A1", "seedlings": 1})
    assert len(rows(tmp_path / "b", "SELECT 1 FROM fix")) == 3
    assert len(rows(tmp_path / "b", "SELECT 1 FROM dating")) == 1


# two programs at a time


def _log(book: Path, paths: list[Path], start: object) -> None:
    import sprout.survey

    sprout.survey.survey_many = fake_survey_many({p.stem: {"A1": 1} for p in paths}, [])
    start.wait()  # type: ignore[attr-defined]
    sys.exit(main(["log", str(book), *map(str, paths), "--quiet"]))


def test_parallel_logs_of_the_same_photos_add_each_once(tmp_path: Path) -> None:
    shots = [photo(tmp_path / f"day{d:02}.jpg", d) for d in range(1, 9)]
    grow = Grow(SOWN, dict.fromkeys(LID.labels, Sowing("basil", 2)))
    Book.begin(tmp_path / "b", grow, lid=LID).close()  # without a look of the lid: they race for that too
    context = multiprocessing.get_context("spawn")
    start = context.Barrier(3)
    logs = [context.Process(target=_log, args=(tmp_path / "b", shots[k:] + shots[:k], start)) for k in (0, 3, 5)]
    for one in logs:
        one.start()
    for one in logs:
        one.join(120)
    assert [one.exitcode for one in logs] == [0, 0, 0]
    assert len(rows(tmp_path / "b", "SELECT 1 FROM anchor")) == 1
    assert len(rows(tmp_path / "b", "SELECT DISTINCT sha256 FROM survey")) == len(shots)
    assert len(rows(tmp_path / "b", "SELECT 1 FROM survey")) == len(shots)
    assert len(rows(tmp_path / "b", "SELECT 1 FROM reading")) == len(shots) * len(LID.labels)
    # none but the first was read without the lid's look
    assert len(rows(tmp_path / "b", "SELECT 1 FROM survey WHERE anchor = ''")) == 1


def test_a_photo_read_before_another_program_taught_the_look_is_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[Path] = []
    read = fake_survey_many({}, calls)
    grow = Grow(SOWN, dict.fromkeys(LID.labels, Sowing("basil", 2)))
    other = survey("other.jpg", 1, {})

    def meanwhile(paths: list[Path], *args: object, **options: object) -> Iterator[object]:
        for one in read(paths, *args, **options):
            if len(calls) == 1:
                with Book(tmp_path / "b") as elsewhere:
                    add(elsewhere, other, settings="ffffffffffff")
            yield one

    monkeypatch.setattr("sprout.survey.survey_many", meanwhile)
    with Book.begin(tmp_path / "b", grow, lid=LID) as book:
        (logged,) = log_photos(book, [photo(tmp_path / "day05.jpg", 5)])
        assert (logged.outcome, len(calls), book.anchor) == ("read", 2, other.sha256)
    assert rows(tmp_path / "b", "SELECT anchor FROM survey ORDER BY id") == [("",), (other.sha256,)]


def test_a_photo_that_vanishes_while_it_waits_costs_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shots = [photo(tmp_path / "p" / f"day{d:02}.jpg", d) for d in (3, 5)]
    read = fake_survey_many({}, [])

    def vanishing(paths: list[Path], *args: object, **options: object) -> Iterator[object]:
        from sprout.survey import Survey

        shots[0].unlink()
        yield Survey(shots[0], reason="does not exist: check the name")
        yield from read(paths[1:], *args, **options)

    monkeypatch.setattr("sprout.survey.survey_many", vanishing)
    with begin(tmp_path / "b") as book:
        assert [x.outcome for x in log_photos(book, find_photos([tmp_path / "p"]))] == ["unread", "read"]


# no room, no right


def test_a_full_disk_is_told_and_nothing_is_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shots = [photo(tmp_path / "p" / f"day{d:02}.jpg", d) for d in range(1, 15)]
    begin(tmp_path / "b").close()
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    size = (tmp_path / "b" / "book.sqlite").stat().st_size
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    kept = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 4096, limit[1]))  # no file may grow beyond it
    try:
        with Book(tmp_path / "b") as book, pytest.raises(OutputError, match=r"cannot be written .*free some space"):
            list(log_photos(book, shots))
        assert main(["log", str(tmp_path / "b"), str(tmp_path / "p"), "--quiet"]) == 6
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
        signal.signal(signal.SIGXFSZ, kept)
    whole = rows(tmp_path / "b", "SELECT s.sha256, count(*) FROM survey s JOIN reading r ON r.survey = s.id GROUP BY 1")
    assert {count for _, count in whole} <= {len(LID.labels)}
    assert len(whole) < len(shots)
    assert main(["log", str(tmp_path / "b"), str(tmp_path / "p"), "--quiet"]) == 0
    assert len(rows(tmp_path / "b", "SELECT 1 FROM survey")) == len(shots)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own, of 1 MiB; only an administrator may have one."""
    place = tmp_path / "disk"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("a disk may not be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_fills_up_and_is_made_room_on(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shots = [photo(tmp_path / "p" / f"day{d:02}.jpg", d) for d in range(1, 25)]
    book = small_disk / "b"
    begin(book).close()
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(800_000))
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    with ballast.open("ab") as file, contextlib.suppress(OSError):
        while True:
            os.write(file.fileno(), bytes(1024))
    assert main(["log", str(book), *map(str, shots), "--quiet"]) == 6
    assert main(["note", str(book), "topup", "1"]) == 6
    assert main(["book", "backup", str(book)]) == 6
    assert {p.name for p in small_disk.iterdir()} == {"b", "ballast"}
    ballast.unlink()
    assert main(["log", str(book), *map(str, shots), "--quiet"]) == 0
    assert len(rows(book, "SELECT 1 FROM survey")) == len(shots)
    assert main(["book", "check", str(book)]) == 0


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """A book in a folder that nobody may write in."""
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
    place = tmp_path / "b"
    bind = subprocess.run(["mount", "--bind", str(place), str(place)], capture_output=True, check=False).returncode == 0
    if bind:
        subprocess.run(["mount", "-o", "remount,ro,bind", str(place)], check=True)
    elif os.geteuid() == 0:
        pytest.skip("an administrator may write everywhere")
    else:
        place.chmod(0o555)
        (place / "views").chmod(0o555)
    yield place
    if bind:
        subprocess.run(["umount", str(place)], check=True)
    else:
        place.chmod(0o755)
        (place / "views").chmod(0o755)


def test_a_book_that_may_not_be_written_can_be_read(
    read_only: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["table", str(read_only), "--of", "plugs", "--csv", str(tmp_path / "plugs.csv")]) == 0
    for words in (
        ["note", str(read_only), "topup", "1"],
        ["fix", str(read_only), str(on(6)), "A1", "--seedlings", "2"],
        ["log", str(read_only), str(photo(tmp_path / "day07.jpg", 7)), "--quiet"],
        ["begin", str(read_only / "new"), "--lid", str(read_only / "lid.toml"), "--sown", str(SOWN)]
        + ["--crop", "basil", "--seeds", "2"],
    ):
        assert main(words) == 6, words
        assert "cannot be written" in capsys.readouterr().err
    assert main(["book", "backup", str(read_only), str(tmp_path / "safe")]) == 0


def test_an_older_book_that_may_not_be_written_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with begin(tmp_path / "b") as book:
        before = columns.to_csv(weigh(book.evidence()).plugs, columns.PLUG_STATES)
    file = tmp_path / "b" / "book.sqlite"
    kept = file.read_bytes()
    migrate, tries = schema._migrate, []

    def refused(connection: sqlite3.Connection) -> None:
        tries.append(connection)
        if len(tries) == 1:
            error = sqlite3.OperationalError("attempt to write a readonly database")
            error.sqlite_errorname = "SQLITE_READONLY"  # type: ignore[misc]
            raise error
        migrate(connection)

    monkeypatch.setattr(schema, "_migrate", refused)
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, "CREATE TABLE harvest (id INTEGER PRIMARY KEY)"))
    with Book(tmp_path / "b") as book:
        assert columns.to_csv(weigh(book.evidence()).plugs, columns.PLUG_STATES) == before
        with pytest.raises(OutputError, match="cannot be written"):
            book.add_notes([note("feed", 1, amount=5.0, unit="ml")])
    assert file.read_bytes() == kept


# clocks


def test_the_order_of_writing_counts_and_not_the_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    times = iter(f"20{year}-01-01T00:00:00+00:00" for year in range(26, 0, -1))
    monkeypatch.setattr("sprout.book.book.now", lambda: next(times))
    monkeypatch.setattr("sprout.book.records.now", lambda: next(times))
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
        add(book, survey("p.jpg", 6, {"A1": 2}), settings="ffffffffffff")
        for seedlings in (1, 2):
            book.add_fix({"date": str(on(6)), "site": "B1", "seedlings": seedlings})
        evidence = book.evidence()
    assert evidence.fixes["seedlings"].tolist() == [2]
    assert evidence.looks.query("site == 'A1'")["seedlings"].tolist() == [2]


def test_days_that_cannot_be_are_refused_everywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    late = LONGEST_DAYS + 1
    with begin(tmp_path / "b") as book:
        (logged,) = log_photos(book, [photo(tmp_path / "late.jpg", late)])
        assert logged.outcome == "unread"
        assert "more than three years after the sowing" in logged.reason
        (logged,) = log_photos(book, [photo(tmp_path / "late.jpg", late)], on=on(5))
        assert (logged.outcome, logged.day) == ("read", on(5))
        with pytest.raises(UsageError, match="more than three years after"):
            book.add_notes([note("feed", late, amount=5.0, unit="ml")])
        with pytest.raises(UsageError, match="more than three years after"):
            book.add_fix({"date": "9999-12-31", "site": "A1", "seedlings": 1})
        with pytest.raises(UsageError, match="more than three years after"):
            book.add_entries([{"date": "9999-12-31", "site": "A1", "seedlings": 1}], source="x.csv")
    assert main(["log", str(tmp_path / "b"), str(tmp_path / "late.jpg"), "--on", "9999-12-31"]) == 2


def test_a_clock_that_was_set_back_years_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The grow lies in what is the future by this machine's clock; photos arrive in another order than taken."""
    ahead = timedelta(days=365 * 30)
    monkeypatch.setattr("grows.SOWN", SOWN + ahead)
    days = (6, 3, 9, 4)
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({f"day{d}": {"A1": d} for d in days}, []))
    begin(tmp_path / "b", seeds=9).close()
    for day in days:
        assert main(["log", str(tmp_path / "b"), str(photo(tmp_path / f"day{day}.jpg", day)), "--quiet"]) == 0
    assert main(["note", str(tmp_path / "b"), "topup", "1", "--on", str(on(3))]) == 0
    assert main(["note", str(tmp_path / "b"), "topup", "1"]) == 2  # now is before the sowing
    assert "before the sowing" in capsys.readouterr().err
    with Book(tmp_path / "b") as book:
        assert book.photos()["date"].tolist() == [str(on(d)) for d in sorted(days)]
        assert [n.moment.date() for n in book.notes()] == [on(3)]
        grow = weigh(book.evidence()).grow
    assert grow["date"].tolist() == [str(on(d)) for d in sorted(days)]
    for command, *more in (("today",), ("outlook",), ("table", "--of", "plugs")):
        assert main([command, str(tmp_path / "b"), *more]) == 0
    assert main(["book", "check", str(tmp_path / "b")]) == 0
    with served(tmp_path / "b") as page, Phone(page) as phone:
        for path in ("/", "/notes", "/curves", "/days", "/site/A1", f"/day/{on(9)}"):
            phone.see(path)
        late = photo(tmp_path / "day11.jpg", 11)
        assert "set the clock of the phone or of the computer" in phone.told(phone.upload(late))
    assert main(["log", str(tmp_path / "b"), str(late), "--quiet"]) == 0  # who can see the clock may
    with Book(tmp_path / "b") as book:
        assert book.photos()["date"].tolist() == [str(on(d)) for d in (3, 4, 6, 9, 11)]


def test_no_command_touches_a_book_of_a_newer_version(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
    with contextlib.closing(sqlite3.connect(tmp_path / "b" / "book.sqlite")) as connection:
        connection.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    shot = photo(tmp_path / "day07.jpg", 7)
    table = tmp_path / "eye.csv"
    table.write_text(f"date,site,seedlings\n{on(6)},A1,2\n")
    lid = str(tmp_path / "b" / "lid.toml")
    before = {p: p.read_bytes() for p in (tmp_path / "b").rglob("*") if p.is_file()}
    at = str(tmp_path / "b")
    for words in (
        ["log", at, str(shot)],
        ["note", at, "topup", "1"],
        ["note", at, "list"],
        ["note", at, "withdraw", "1"],
        ["enter", at, str(table)],
        ["fix", at, str(on(6)), "A1", "--seedlings", "2"],
        ["watch", at, str(tmp_path), "--once"],
        ["serve", at],
        ["table", at, "--of", "plugs"],
        ["outlook", at],
        ["report", at, "--html", str(tmp_path / "r.html")],
        ["book", "backup", at],
        ["book", "check", at],
        ["book", "repair", at],
        ["begin", at, "--lid", lid, "--sown", str(SOWN), "--crop", "basil", "--seeds", "2"],
    ):
        assert main(words) == 5, words
        told = capsys.readouterr().err
        assert "newer version" in told or words[0] == "begin", told
    assert {p: p.read_bytes() for p in (tmp_path / "b").rglob("*") if p.is_file()} == before


# second copies


def test_a_conflict_copy_is_named_and_not_read(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("p.jpg", 6, {"A1": 1}))
    copy = tmp_path / "b" / "book (conflicted copy of the kitchen's laptop).sqlite"
    copy.write_bytes(b"not to be opened")
    for _ in range(2):
        with Book(tmp_path / "b") as book:
            assert len(book.photos()) == 1
    assert [str(copy) in message for message in caplog.messages] == [True]  # once, not at each opening
    assert copy.read_bytes() == b"not to be opened"


def test_a_book_in_use_is_named_by_every_writer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "_WAIT_SECONDS", 0.0)
    begin(tmp_path / "b").close()
    with contextlib.closing(sqlite3.connect(tmp_path / "b" / "book.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(BookError, match="another program is writing"):
            Book(tmp_path / "b")
        assert main(["fix", str(tmp_path / "b"), str(on(6)), "A1", "--seedlings", "2"]) == 5
