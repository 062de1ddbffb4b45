"""Processes of this machine that read photos. Light, so that it can be asked before anything costly is imported."""

from __future__ import annotations

import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import context, get_context
from pathlib import Path
from typing import TypeVar

T = TypeVar("T")

_ASK_S = 1.0  # how often it is asked whether the pool is broken

_KILLED = "the process that read it was killed, twice: too little memory? Close other programs or use a smaller photo"


def ready() -> context.BaseContext:
    """The way to begin processes that read photos; asked early, it has their libraries imported meanwhile.

    On Linux one process imports them and is forked for each worker: half a second of CPU once, and while the caller
    imports its own. It has read nothing itself, so it holds no lock of the vision library whose thread a forked child
    would miss and wait for. Elsewhere every worker begins from nothing.
    """
    if sys.platform != "linux":
        return get_context("spawn")
    from multiprocessing import forkserver

    forkserver.set_forkserver_preload(["sprout.cli", "sprout.survey"])
    forkserver.ensure_running()
    return get_context("forkserver")


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


def _begun(workers: int) -> ProcessPoolExecutor:
    pool = ProcessPoolExecutor(workers, mp_context=ready(), initializer=_one_thread)
    # all at once: one that is begun while the pool breaks is not ended with it, and would be waited for for ever
    pool._safe_to_dynamically_spawn_children = False  # type: ignore[attr-defined,unused-ignore]
    return pool


class Processes:
    """A number of processes; those that are killed are replaced, and what they were reading is read again."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool = _begun(workers)

    def each(self, read: Callable[[Path], T], paths: Iterable[Path], *, made: Callable[..., T]) -> Iterator[T]:
        """``read`` of each path in the order given; no more photos are begun than workers plus two wait to be taken.

        ``made`` makes the result of a photo whose process was killed, and killed again when it was read alone, from
        ``path`` and ``reason``.
        """
        waiting: deque[tuple[Path, Future[T]]] = deque()
        try:
            for path in paths:
                waiting.append((path, self._send(read, path)))
                if len(waiting) > self._workers + 2:
                    yield self._take(read, waiting, made)
            while waiting:
                yield self._take(read, waiting, made)
        finally:
            self._pool.shutdown(cancel_futures=True)

    def _send(self, read: Callable[[Path], T], path: Path) -> Future[T]:
        try:
            return self._pool.submit(read, path)
        except BrokenProcessPool as e:
            failed: Future[T] = Future()
            failed.set_exception(e)
            return failed

    def _result(self, future: Future[T]) -> T:
        """Wait for a photo; one that was given to the pool just as it broke is never told so."""
        while True:
            try:
                return future.result(timeout=_ASK_S)
            except TimeoutError:
                if not future.done() and self._pool._broken:
                    raise BrokenProcessPool from None

    def _take(self, read: Callable[[Path], T], waiting: deque[tuple[Path, Future[T]]], made: Callable[..., T]) -> T:
        """The result of the photo that has waited longest."""
        path, future = waiting.popleft()
        try:
            return self._result(future)
        except BrokenProcessPool:
            self._pool.shutdown()
        # when one is killed the pool gives up all: alone it shows which photo it was
        try:
            with _begun(1) as alone:
                result = alone.submit(read, path).result()
        except BrokenProcessPool:
            result = made(path=path, reason=_KILLED)
        self._pool = _begun(self._workers)
        for k, (other, future) in enumerate(waiting):
            if not future.done() or future.exception() is not None:
                waiting[k] = other, self._send(read, other)
        return result
