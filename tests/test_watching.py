"""The watched folder: what is complete enters the book once, what is not is waited for, and nothing stops it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from grows import begin, fake_survey_many, on, photo

from sprout.book import Book
from sprout.cli import main
from sprout.intake import Logged
from sprout.watching import PATIENCE_S, Watch

SEEN = {"day03": {}, "day06": {"A1": 1}, "blurred": "too blurred: hold still or wipe the lens"}


class Bench:
    """A book, a folder, and a watch whose clock is turned by hand."""

    def __init__(self, home: Path) -> None:
        self.book, self.folder = home / "book", home / "phone"
        begin(self.book).close()
        self.folder.mkdir()
        self.seconds = 0.0
        self.told: list[str] = []
        self.watch = self.anew()

    def anew(self) -> Watch:
        return Watch(self.book, self.folder, tell=self.told.append, clock=lambda: self.seconds)

    def look(self, *, after: float = 10.0) -> list[Logged]:
        self.seconds += after
        return list(self.watch.look())

    def days(self) -> list[str]:
        with Book(self.book) as book:
            return book.photos()["date"].tolist()


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    calls: list[Path] = []
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many(SEEN, calls))
    return calls


@pytest.fixture
def bench(tmp_path: Path, read: list[Path]) -> Bench:
    return Bench(tmp_path)


def test_a_photo_enters_when_two_looks_find_it_alike(bench: Bench) -> None:
    photo(bench.folder / "day03.jpg", 3)
    assert bench.look() == []
    assert [(x.path.name, x.outcome, x.day) for x in bench.look()] == [("day03.jpg", "read", on(3))]
    assert bench.look() == []
    assert bench.days() == [on(3).isoformat()]


def test_a_growing_file_is_waited_for(bench: Bench) -> None:
    whole = photo(bench.folder.parent / "day06.jpg", 6).read_bytes()
    file = bench.folder / "day06.jpg"
    for part in (0, 200, len(whole) // 2, len(whole) - 500):
        file.write_bytes(whole[:part])
        assert bench.look() == []
    assert bench.look() == []  # it stands still, but its end is missing
    assert (bench.told, bench.days()) == ([], [])
    file.write_bytes(whole)
    assert bench.look() == []
    assert [x.outcome for x in bench.look()] == ["read"]
    assert bench.told == []


def test_a_broken_file_is_told_once_and_taken_when_it_is_mended(bench: Bench) -> None:
    whole = photo(bench.folder.parent / "day06.jpg", 6).read_bytes()
    file = bench.folder / "day06.jpg"
    file.write_bytes(whole[: len(whole) // 2])
    photo(bench.folder / "day03.jpg", 3)
    bench.look()
    assert [x.path.name for x in bench.look()] == ["day03.jpg"]  # the others do not wait
    for _ in range(4):
        assert bench.look(after=PATIENCE_S) == []
    assert len(bench.told) == 1
    assert "day06.jpg: is damaged or cut short" in bench.told[0]
    file.write_bytes(whole)
    bench.look()
    assert [x.outcome for x in bench.look()] == ["read"]


def test_a_new_watch_knows_what_the_book_has(bench: Bench, read: list[Path]) -> None:
    photo(bench.folder / "day03.jpg", 3)
    photo(bench.folder / "blurred.jpg", 6)
    bench.look()
    assert {x.path.name: x.outcome for x in bench.look()} == {"day03.jpg": "read", "blurred.jpg": "unread"}
    bench.watch = bench.anew()
    (bench.folder / "day03.jpg").rename(bench.folder / "renamed.jpg")
    assert bench.look() == bench.look() == []
    assert (len(read), bench.watch.waiting, bench.told) == (2, 0, [])


def test_photos_from_before_the_sowing_are_counted_and_left_out(bench: Bench) -> None:
    for day in (-9, -8):
        photo(bench.folder / f"old{day}.jpg", day)
    bench.look()
    assert bench.look() == bench.look() == []
    assert bench.told == ["2 photos from before the sowing left out"]
    assert bench.days() == []


def test_a_folder_that_is_away_is_waited_for(bench: Bench) -> None:
    away = bench.folder.with_name("away")
    photo(bench.folder / "day03.jpg", 3)
    bench.folder.rename(away)
    assert bench.look() == bench.look() == []
    assert len(bench.told) == 1
    assert "waiting for it to come back" in bench.told[0]
    away.rename(bench.folder)
    bench.look()
    assert [x.outcome for x in bench.look()] == ["read"]
    assert bench.told[1:] == ["going on"]


def test_a_book_that_is_away_is_waited_for(bench: Bench) -> None:
    away = bench.book.with_name("away")
    photo(bench.folder / "day03.jpg", 3)
    bench.look()
    bench.book.rename(away)
    assert bench.look() == bench.look() == []
    assert len(bench.told) == 1
    assert "trying again at the next look" in bench.told[0]
    away.rename(bench.book)
    assert [x.outcome for x in bench.look()] == ["read"]


def test_hidden_files_and_other_kinds_are_left_alone(bench: Bench) -> None:
    photo(bench.folder / "day03.jpg", 3)
    for name in (".day03.jpg", "day03.jpg.part", "notes.txt"):
        (bench.folder / name).write_bytes(b"x")
    bench.look()
    assert len(bench.look()) == 1
    assert bench.watch.waiting == 0


def test_one_pass_for_a_timer(
    tmp_path: Path, read: list[Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sprout.cli.serving._BETWEEN_S", 0.01)
    bench = Bench(tmp_path)
    photo(bench.folder / "day03.jpg", 3)
    (bench.folder / "half.jpg").write_bytes(photo(tmp_path / "x.jpg", 6).read_bytes()[:900])
    assert main(["watch", str(bench.book), str(bench.folder), "--once"]) == 0
    assert "1 read, 0 could not be read, 1 not complete yet" in capsys.readouterr().err
    photo(bench.folder / "blurred.jpg", 6)
    assert main(["watch", str(bench.book), str(bench.folder), "--once"]) == 4
    assert "too blurred" in capsys.readouterr().err
    assert main(["watch", str(bench.book), str(bench.folder), "--once"]) == 0


def test_what_cannot_be_watched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begin(tmp_path / "book").close()
    assert main(["watch", str(tmp_path / "book"), str(tmp_path / "none")]) == 2
    assert "is not a folder: name the folder" in capsys.readouterr().err
    assert main(["watch", str(tmp_path / "none"), str(tmp_path)]) == 5


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are not Windows'")
@pytest.mark.parametrize(("sign", "status"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_it_ends_cleanly(tmp_path: Path, sign: signal.Signals, status: int) -> None:
    bench = Bench(tmp_path)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell ignores it for what runs in the background
    with subprocess.Popen(
        [sys.executable, "-m", "sprout", "watch", bench.book, bench.folder, "--every", "600"],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        assert "watching" in process.stderr.readline()
        time.sleep(0.2)
        process.send_signal(sign)
        try:
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode == status
    assert "Traceback" not in said
