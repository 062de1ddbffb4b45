"""Processes that read photos are killed now and then: by the system when memory runs out, or by hand."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

from sprout.survey import CoverSurvey
from sprout.workers import Processes


def read_or_die(path: Path, *, deadly: str, once: Path | None = None) -> CoverSurvey:
    """Stands for reading; at one photo the process is killed, each time or only the first."""
    if path.name == deadly and (once is None or not once.exists()):
        if once is not None:
            once.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return CoverSurvey(path, sha256=path.name)


def test_a_killed_process_costs_no_photo(tmp_path: Path) -> None:
    paths = [Path(f"p{k}") for k in range(9)]
    read = partial(read_or_die, deadly="p4", once=tmp_path / "killed")
    got = list(Processes(2).each(read, paths, made=CoverSurvey))
    assert [s.sha256 for s in got] == [p.name for p in paths]


def test_a_photo_that_kills_whoever_reads_it_is_the_only_one_lost() -> None:
    paths = [Path(f"p{k}") for k in range(9)]
    got = list(Processes(2).each(partial(read_or_die, deadly="p0"), paths, made=CoverSurvey))
    assert [s.path for s in got] == paths
    assert [s.sha256 for s in got] == ["", *(p.name for p in paths[1:])]
    assert "too little memory" in got[0].reason


def test_a_process_killed_while_photos_are_still_given_out_holds_nothing_up() -> None:
    for _ in range(25):
        paths = [Path("p0"), Path("p1")]
        got = list(Processes(2).each(partial(read_or_die, deadly="p0"), paths, made=CoverSurvey))
        assert [s.sha256 for s in got] == ["", "p1"]
