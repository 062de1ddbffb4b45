"""A slice of tests/benchmarks/fuzz.py: what is broken or hostile ends in a result or in a grower's error."""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmarks.fuzz import MOST_SECONDS, SHARES, fuzz

from sprout.book.entries import read_entries
from sprout.cli import main
from sprout.errors import LidError, UsageError
from sprout.lid import parse_lid, read_lid


def test_nothing_but_results_and_errors_for_growers(tmp_path: Path) -> None:
    tallies = fuzz(tmp_path, 900, rng_seed=5)
    assert {name: tally.faults for name, tally in tallies.items()} == {name: {} for name in SHARES}
    assert sum(tally.cases for tally in tallies.values()) > 850
    assert all(tally.ends["read"] for tally in tallies.values())
    assert all(tally.ends["refused"] for name, tally in tallies.items() if name != "photo into a book")
    assert max(tally.slowest for tally in tallies.values()) < 6 * MOST_SECONDS


@pytest.mark.parametrize(
    "text",
    [
        "rows = " + "[" * 5000,
        'pattern = "grid"\nrows = ' + "9" * 5000,
        'pattern = "grid"\ncolumns = 5\npitch_mm = [60, 60]\nhole_mm = 30\nrows = 0x' + "f" * 5000,
        "pattern = [" + "1," * 5000 + "]",
    ],
    ids=["brackets", "digits", "hexadecimal", "list"],
)
def test_a_lid_file_without_end_is_refused_in_a_line(text: str) -> None:
    with pytest.raises(LidError, match="lid: ") as caught:
        parse_lid(text)
    assert len(str(caught.value)) < 300


def test_files_that_are_no_lid_and_no_table_are_not_waited_for(tmp_path: Path) -> None:
    import os

    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, tmp_path):
        with pytest.raises(LidError, match="is not a file"):
            read_lid(path)
        with pytest.raises(UsageError, match="is not a file"):
            read_entries(path, ("A1",))
    long = tmp_path / "long"
    long.write_text("date,site,seedlings\n" + "#" * 25_000_000)
    with pytest.raises(LidError, match="too long"):
        read_lid(long)
    with pytest.raises(UsageError, match="too long"):
        read_entries(long, ("A1",))
    long.write_text("date,site,seedlings\n" + "9" * 200_000)
    with pytest.raises(UsageError, match="is no CSV file"):
        read_entries(long, ("A1",))


def test_a_message_cannot_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photo = tmp_path / "\x1b[2Jday\x07.jpg"
    photo.write_text("not a photo")
    assert main(["cover", str(photo)]) == 4
    told = capsys.readouterr().err
    assert "?[2Jday?.jpg" in told
    assert not any(c < " " and c != "\n" for c in told)
