"""Photos read by the workers of a Dask cluster: the same function as here, the results in the same order.

A photo travels as the bytes of its file, and the lid and its look travel with it, so caller and workers need no folder
in common. Only the caller writes anything. Dask itself gives the photos of a lost worker to another one.

A scheduler runs whatever it is sent by anyone who reaches it: see the README on where a cluster may stand.
"""

from __future__ import annotations

import asyncio
import hashlib
import importlib
import logging
import os
import pickle
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, TypeVar

from sprout.errors import ClusterError, PhotoError
from sprout.files import shipped
from sprout.settings import VERSION, Settings

if TYPE_CHECKING:
    from distributed import Future

T = TypeVar("T")

_REACHED_S, _DESERTED_S, _LOOK_S = 10, 30, 2
"""Seconds to wait for an answer and a first worker; for a worker to come back once all are lost; between looks."""
_AHEAD, _AHEAD_BYTES = 2, 512_000_000
"""Photos on their way for each worker, and bytes of files for all of them: the scheduler holds them in memory."""
_LIBRARIES = ("cv2", "numpy", "scipy", "skimage", "PIL", "pillow_heif")
_THREADS = "OPENBLAS_NUM_THREADS"
"""Sums over several threads differ in their last digits; Dask's nannies and our command line set 1."""
_SAME = f"install the same sprout and libraries for the scheduler and all workers, and give all the same {_THREADS}"

_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class _Sent:
    """A photo on its way; one that cannot be opened has no future and is refused when it is its turn."""

    path: Path
    future: Future | None
    size: int


class Cluster:
    """The workers of a Dask scheduler; a context manager that lets go of it.

    What ``distributed`` is told by its own configuration (certificates for ``tls://``, timeouts) holds here too.
    """

    def __init__(self, address: str) -> None:
        """Reach the scheduler, and see to it that every worker would read a photo as it is read here.

        Raises
        ------
        ClusterError
            If the extra is not installed, nothing answers at the address within ten seconds, no worker is there, or
            one has another sprout or other libraries.
        """
        if not address.strip():
            raise ClusterError("--cluster", "names no scheduler", "give its address, as tcp://192.168.1.5:8786")
        try:
            import distributed
        except ImportError as e:
            mend = 'in the folder of sprout say: python3 -m pip install ".[cluster]"'
            raise ClusterError(
                "--cluster", f"the part for clusters is not installed ({e.name} is missing)", mend
            ) from e
        if not os.environ.get("SPROUT_DEBUG"):  # what a grower can mend is said by the errors raised here
            logging.getLogger("distributed").setLevel(logging.CRITICAL)
        if address.startswith("tls:") and not distributed.Security().get_connection_args("client").get("ssl_context"):
            mend = "name them there: distributed.comm.tls.ca-file, .client.cert and .client.key"
            raise ClusterError(address, "needs certificates, and Dask's configuration names none", mend)
        self.address = address
        try:
            # asked first, since a client that was half opened does not go quietly; whoever answers may answer anything
            asyncio.run(_ask(address))
            self._client = distributed.Client(address, timeout=_REACHED_S, set_as_default=False)
        except Exception as e:
            mend = "check the address (tcp:// or tls://) and the firewall, or start one with: dask scheduler"
            raise ClusterError(address, f"no Dask scheduler answers ({_words(e)})", mend) from e
        try:
            self._greet()
        except BaseException:
            self.close()
            raise

    def _greet(self) -> None:
        with self._reaching():
            try:
                self._client.wait_for_workers(1, timeout=_REACHED_S)
            except TimeoutError:
                raise self._deserted("has no workers") from None
            answers = self._client.run(made_with, on_error="return")
        others = {
            worker: _otherwise(answer, made_with()) if isinstance(answer, dict) else f"no sprout ({_words(answer)})"
            for worker, answer in answers.items()
            if not isinstance(answer, OSError)  # it ended meanwhile
        }
        if told := [f"{worker} has {what}" for worker, what in others.items() if what]:
            more = f" and {len(told) - 3} more" if len(told) > 3 else ""
            raise ClusterError(self.address, f"workers would not read the same: {'; '.join(told[:3])}{more}", _SAME)

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the scheduler; its workers go on without us."""
        self._client.close(timeout=_LOOK_S)

    def each(
        self, read: Callable[[Path], T], paths: Iterable[Path], *, made: Callable[..., T], settings: Settings
    ) -> Iterator[T]:
        """``read`` of each path, in the order given, with no more than two photos on their way for each worker.

        Parameters
        ----------
        read:
            Can be pickled, raises nothing, and gives a dataclass with the field ``path``.
        made:
            Makes such a record from ``path`` and the other fields by name. For a photo whose workers died again and
            again, or failed otherwise, these are ``reason`` and ``lost=True``.

        Raises
        ------
        ClusterError
            If the scheduler or all workers are lost, or a worker that came later would read otherwise.
        """
        task = pickle.dumps(read)
        waiting: deque[_Sent] = deque()
        try:
            for path in paths:
                waiting.append(self._send(task, path, settings))
                while self._enough(waiting):
                    yield self._take(task, read, waiting, made, settings)
            while waiting:
                yield self._take(task, read, waiting, made, settings)
        finally:
            for sent in waiting:
                if sent.future is not None:
                    sent.future.cancel()

    def _send(self, task: bytes, path: Path, settings: Settings) -> _Sent:
        import dask

        from sprout.photo.opening import read_bytes

        try:
            data = read_bytes(path, settings)
        except PhotoError:
            return _Sent(path, None, 0)
        # dask warns of large arguments, since it advises to read files at the workers: here they may not see them
        with self._reaching(), dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GB"}):
            future = self._client.submit(_read_there, task, data, made_with(), pure=False, retries=2)
        return _Sent(path, future, len(data))

    def _enough(self, waiting: deque[_Sent]) -> bool:
        with self._reaching():
            most = _AHEAD * max(1, len(self._client.nthreads()))
        return len(waiting) > most or (len(waiting) > 1 and sum(sent.size for sent in waiting) > _AHEAD_BYTES)

    def _take(
        self,
        task: bytes,
        read: Callable[[Path], T],
        waiting: deque[_Sent],
        made: Callable[..., T],
        settings: Settings,
    ) -> T:
        """The result of the photo that has waited longest."""
        from distributed import KilledWorker

        sent = waiting.popleft()
        try:
            try:
                fields = self._fields(sent)
            except KilledWorker:
                # whatever was in the hands of those workers is blamed alike: alone it shows which photo it was
                for other in waiting:
                    with suppress(KilledWorker):
                        self._fields(other)
                sent = self._send(task, sent.path, settings)
                fields = self._fields(sent)
        except KilledWorker:
            mend = "give the workers more memory, or use a smaller photo"
            fields = {"reason": f"every worker that read it died: {mend}", "lost": True}
        return read(sent.path) if fields is None else made(path=sent.path, **fields)

    def _fields(self, sent: _Sent) -> dict[str, Any] | None:
        """What a worker read, None for a photo that was not sent."""
        if sent.future is None:
            return None
        seen = monotonic()
        while monotonic() - seen < _DESERTED_S:
            with self._reaching():
                try:
                    fields: dict[str, Any] = sent.future.result(timeout=_LOOK_S)
                    return fields
                except TimeoutError:
                    if self._client.nthreads():
                        seen = monotonic()
                except RuntimeError as e:  # what came could not be read by the scheduler or the worker
                    raise ClusterError(self.address, f"cannot read photos ({_words(e)})", _SAME) from e
        raise self._deserted("has lost all its workers")

    def _deserted(self, wrong: str) -> ClusterError:
        mend = f"start some with: dask worker {self.address} --nthreads 1 --nworkers -1"
        return ClusterError(self.address, wrong, mend)

    @contextmanager
    def _reaching(self) -> Iterator[None]:
        try:
            yield
        except (OSError, CancelledError) as e:
            mend = "see whether it still runs and give the command again: a book goes on where it was"
            raise ClusterError(self.address, f"the scheduler was lost ({_words(e)})", mend) from e


async def _ask(address: str) -> None:
    from distributed.core import rpc

    async with rpc(address, timeout=_REACHED_S) as peer:
        kind = (await asyncio.wait_for(peer.identity(), _REACHED_S))["type"]
    if kind != "Scheduler":
        raise ValueError(f"it is a {kind}")


@cache
def made_with() -> dict[str, str]:
    """What a reading depends on besides photo, lid and settings: sprout, file by file, its libraries, their threads."""
    here = Path(__file__).parent
    code = [p for p in here.rglob("*.py") if p.relative_to(here).parts[0] != "calibration"]  # installed, it is inside
    data = [f for f in shipped("calibration").iterdir() if f.name.endswith((".csv", ".json", ".onnx", ".toml"))]
    files = {p.relative_to(here).as_posix(): p.read_bytes() for p in code} | {f.name: f.read_bytes() for f in data}
    content = hashlib.sha256()
    for name in sorted(files):
        content.update(name.encode() + hashlib.sha256(files[name]).digest())
    libraries = {name: str(importlib.import_module(name).__version__) for name in _LIBRARIES}
    threads = {_THREADS: os.environ.get(_THREADS, "not set")}
    return {"sprout": VERSION, "files of sprout": content.hexdigest()[:8], **libraries, **threads}


def _otherwise(workers: Mapping[str, str], callers: Mapping[str, str]) -> str:
    """What a worker has otherwise than the caller, "" if nothing."""
    return ", ".join(f"{k} {workers.get(k)} (here {v})" for k, v in callers.items() if workers.get(k) != v)


def _read_there(task: bytes, data: bytes, callers: Mapping[str, str]) -> dict[str, Any]:
    """Runs in a worker: the fields of what the pickled ``read`` gives for a photo, all but its path."""
    import cv2
    from distributed import get_worker

    worker = get_worker()
    if otherwise := _otherwise(made_with(), callers):
        raise ClusterError(worker.address, f"would not read the same: it has {otherwise}", _SAME)
    # decoders are told their limits for the whole process, and memory is counted for one photo at a time
    with _one_at_a_time:
        cv2.setNumThreads(1)
        try:
            with tempfile.TemporaryDirectory(prefix="sprout-", dir=worker.local_directory) as folder:
                path = Path(folder) / "photo"
                path.write_bytes(data)
                fields = dict(vars(pickle.loads(task)(path)))
        except Exception as e:  # its disk is full, or the like
            return {"reason": f"a worker failed ({_words(e)}): see its own messages, then give it again", "lost": True}
    del fields["path"]
    return fields


def _words(error: BaseException) -> str:
    return " ".join(str(error).split())[:150] or type(error).__name__
