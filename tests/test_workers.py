"""Processes that read photos are killed now and then: by the system when memory runs out, or by hand."""

from __future__ import annotations

import os
import signal
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from pathlib import Path

import pytest

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


def test_no_process_is_begun_later_than_the_others() -> None:
    some = Processes(2)
    some._send(partial(read_or_die, deadly=""), Path("p0"))
    assert len(some._pool._processes) == 2
    some._pool.shutdown()


def test_a_photo_that_was_never_told_that_its_pool_broke_is_not_waited_for() -> None:
    some = Processes(2)
    with pytest.raises(BrokenProcessPool, match="terminated abruptly"):
        some._send(partial(read_or_die, deadly="p0"), Path("p0")).result()
    with pytest.raises(BrokenProcessPool):
        some._result(Future())
    some._pool.shutdown()
