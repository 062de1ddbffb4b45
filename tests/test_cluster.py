"""A cluster reads what this machine would have read, loses nothing with its workers, and says what is wrong with it."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sprout import cluster as rooms
from sprout.cli import main
from sprout.cluster import Cluster, made_with
from sprout.errors import ClusterError
from sprout.settings import Settings

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images"
distributed = pytest.importorskip("distributed", reason="the extra for clusters is not installed")
pytestmark = pytest.mark.skipif(os.name == "nt", reason="kills processes as POSIX does")


@contextmanager
def running(what: str, *words: str, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A ``dask`` process with all its children, ended together."""
    code = f"from distributed.cli.dask_{what} import main; main()"
    with (folder / f"{what}-{time.monotonic_ns()}.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-c", code, "--no-dashboard", *words],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": os.pathsep.join((str(folder), str(ROOT / "tests"), *sys.path))},
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
        try:
            yield process
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def waited(done: Callable[[], object], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.1)


@contextmanager
def scheduler(folder: Path) -> Iterator[str]:
    told = folder / f"scheduler-{time.monotonic_ns()}.json"
    words = ("--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told))
    with running("scheduler", *words, folder=folder):
        waited(lambda: told.exists() and told.read_text("utf-8").rstrip().endswith("}"))
        yield json.loads(told.read_text("utf-8"))["address"]


def worker(address: str, folder: Path, *words: str) -> Any:
    return running("worker", address, "--nthreads", "1", *words, folder=folder)


@contextmanager
def talking(address: str) -> Iterator[Any]:
    """A client beside the one that is tested: it looks on, and finds out whom to kill."""
    with distributed.Client(address, set_as_default=False) as client:
        yield client


def kill_one(address: str) -> None:
    with talking(address) as client:
        busy = [name for name, tasks in client.processing().items() if tasks]
        pids = client.run(os.getpid)
        os.kill(pids[(busy or list(pids))[0]], signal.SIGKILL)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the cluster's processes live, with a copy of sprout as another machine has one."""
    folder = tmp_path_factory.mktemp("dask")
    for name in ("sprout", "calibration"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    made_with()
    return folder


@pytest.fixture(scope="module")
def two_workers(home: Path) -> Iterator[str]:
    """The address of a scheduler with two workers whose nannies start them anew."""
    with scheduler(home) as address, worker(address, home), worker(address, home), talking(address) as client:
        client.wait_for_workers(2, timeout=60)
        yield address


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five photos of a grow, one of them cut short."""
    folder = tmp_path_factory.mktemp("photos")
    for day in ("00", "06", "16", "28"):
        shutil.copy(SAMPLES / "photos" / f"day{day}.jpg", folder)
    (folder / "day10.jpg").write_bytes((SAMPLES / "photos" / "day10.jpg").read_bytes()[:60_000])
    return folder


@pytest.fixture
def killed_midway(two_workers: str, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """From here on, a worker that is reading is killed when the second photo comes out; what came out by then."""
    from sprout.cli import progress

    came: list[str] = []

    def watched(items: Iterable[Any], total: int, what: str) -> Iterator[Any]:
        for item in items:
            came.append(item.path.name)
            if len(came) == 2:
                kill_one(two_workers)
            yield item

    monkeypatch.setattr(progress, "progress", watched)
    return came


def test_measure_writes_the_same_bytes_though_a_worker_is_killed(
    two_workers: str, photos: Path, tmp_path: Path, killed_midway: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    lid, out = SAMPLES / "lid.toml", tmp_path / "out"
    words = [
        "measure",
        str(photos),
        str(photos / "missing.jpg"),
        "--lid",
        str(lid),
        "--empty",
        str(photos / "day00.jpg"),
    ]
    words += ["--csv", str(out / "table.csv"), "--json", "--masks", str(out)]
    # a command line of its own, which nothing tells to reckon on one thread
    bare = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    near = subprocess.run(
        [sys.executable, "-m", "sprout", *words], capture_output=True, text=True, check=False, env=bare
    )
    assert near.returncode == 3, near.stderr
    files = {p.name: p.read_bytes() for p in out.iterdir()}
    assert len(files) == 2 * 4 + 1
    shutil.rmtree(out)
    capsys.readouterr()
    assert main([*words, "--cluster", two_workers]) == 3
    assert len(killed_midway) == 6
    said = capsys.readouterr()
    assert (said.out, said.err) == (near.stdout, near.stderr)
    assert {p.name: p.read_bytes() for p in out.iterdir()} == files


def content(book: Path) -> dict[str, Any]:
    """All a book holds but the moments of writing."""
    with closing(sqlite3.connect(book / "book.sqlite")) as connection:
        connection.row_factory = sqlite3.Row
        names = [r["name"] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        held: dict[str, Any] = {
            name: [{**dict(r), "written_at": ""} for r in connection.execute(f"SELECT * FROM {name}")] for name in names
        }
    return held | {p.name: p.read_bytes() for p in (book / "views").iterdir()}


def test_log_fills_the_same_book_though_a_worker_is_killed(
    two_workers: str, photos: Path, tmp_path: Path, killed_midway: list[str]
) -> None:
    begun = ["--lid", str(SAMPLES / "lid.toml"), "--sown", "2026-08-22", "--crop", "basil", "--seeds", "2"]
    for name, words in (("far", ["--cluster", two_workers]), ("near", [])):
        assert main(["begin", str(tmp_path / name), *begun]) == 0
        assert main(["log", str(tmp_path / name), str(photos), "--quiet", *words]) == 3
    assert len(killed_midway) == 10
    near = content(tmp_path / "near")
    assert len(near["survey"]) == 5
    assert len(near["reading"]) == 4 * 15
    assert content(tmp_path / "far") == near


@dataclass(frozen=True)
class Weighed:
    path: Path
    size: int = 0
    reason: str = ""
    lost: bool = False


def weigh(path: Path) -> Weighed:
    """Stands for a photo's reading: some kill the process that reads them, as too little memory does."""
    data = path.read_bytes()
    if data == b"deadly":
        os.kill(os.getpid(), signal.SIGKILL)
    if data == b"full":
        raise OSError(28, "No space left on device")
    return Weighed(path, len(data))


def test_a_photo_that_kills_workers_is_told_and_loses_no_other(two_workers: str, tmp_path: Path) -> None:
    paths = [tmp_path / f"{k}.jpg" for k in range(6)]
    for path, data in zip(paths, (b"1", b"deadly", b"333", b"full", b"55555", b"666666"), strict=True):
        path.write_bytes(data)
    with talking(two_workers) as client, Cluster(two_workers) as cluster:
        client.run_on_scheduler(lambda dask_scheduler: setattr(dask_scheduler, "allowed_failures", 0))
        try:
            got = list(cluster.each(weigh, paths, made=Weighed, settings=Settings()))
        finally:
            client.run_on_scheduler(lambda dask_scheduler: setattr(dask_scheduler, "allowed_failures", 3))
    assert [g.path for g in got] == paths
    assert [g.size for g in got] == [1, 0, 3, 0, 5, 6]
    assert [g.lost for g in got] == [False, True, False, True, False, False]
    assert got[1].reason.startswith("every worker that read it died")
    assert "No space left on device" in got[3].reason


def test_photos_on_their_way_are_few(two_workers: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [tmp_path / f"{k}.jpg" for k in range(12)]
    for path in paths:
        path.write_bytes(b"photo")
    taken: list[Path] = []

    def handed() -> Iterator[Path]:
        for path in paths:
            taken.append(path)
            yield path

    with Cluster(two_workers) as cluster:
        for room, most in ((rooms._AHEAD_BYTES, 5), (9, 2)):
            monkeypatch.setattr(rooms, "_AHEAD_BYTES", room)
            taken.clear()
            for k, _ in enumerate(cluster.each(weigh, handed(), made=Weighed, settings=Settings())):
                assert len(taken) - k <= most
            assert taken == paths


def test_the_book_keeps_nothing_of_a_lost_photo(two_workers: str, tmp_path: Path) -> None:
    from sprout.book import Book
    from sprout.intake import log_photos

    class Failing:
        """A cluster whose workers always die."""

        def each(self, read: object, paths: Iterable[Path], *, made: Any, settings: Settings) -> Iterator[Any]:
            return (made(path=path, reason="every worker died", lost=True) for path in paths)

    begun = ["--lid", str(SAMPLES / "lid.toml"), "--sown", "2026-08-22", "--crop", "basil", "--seeds", "2"]
    assert main(["begin", str(tmp_path / "book"), *begun, "--empty", str(SAMPLES / "photos" / "day00.jpg")]) == 0
    with Book(tmp_path / "book") as book:
        failing: Any = Failing()
        [logged] = log_photos(book, [SAMPLES / "photos" / "day06.jpg"], workers=failing)
        assert (logged.outcome, logged.reason) == ("unread", "every worker died")
        assert book.photos().empty


def test_a_worker_with_another_sprout_is_refused(home: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.py"
    old.write_text("import sprout.settings\nsprout.settings.VERSION = '0.0.9'\n", "utf-8")
    without = tmp_path / "without.py"
    without.write_text("import sys\nsys.modules['sprout'] = None\n", "utf-8")
    with scheduler(home) as address, ExitStack() as stack:
        for preload in (old, without):
            stack.enter_context(worker(address, home, "--no-nanny", "--preload", str(preload)))
        with talking(address) as client:
            client.wait_for_workers(2, timeout=60)
        with pytest.raises(ClusterError, match=r"has sprout 0\.0\.9 \(here 0\.1\.0\)") as refused:
            Cluster(address)
        assert "has no sprout" in str(refused.value)
        # one that comes when the others were seen already
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Cluster, "_greet", lambda self: None)
            with Cluster(address) as cluster, pytest.raises(ClusterError, match="install the same sprout"):
                list(cluster.each(weigh, [SAMPLES / "lid.toml"], made=Weighed, settings=Settings()))


@contextmanager
def web_server() -> Iterator[str]:
    """The address of something that answers, but not as a scheduler does."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def answer() -> None:
            with listening.accept()[0] as peer:
                peer.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n" + b"x" * 100)
                peer.recv(100)

        thread = threading.Thread(target=answer)
        thread.start()
        yield f"tcp://127.0.0.1:{listening.getsockname()[1]}"
        thread.join()


def test_no_scheduler_and_no_workers_are_told(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(rooms, "_REACHED_S", 1)
    measure = ["measure", str(SAMPLES / "photos" / "day06.jpg"), "--lid", str(SAMPLES / "lid.toml"), "--cluster"]
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    for address in (f"tcp://127.0.0.1:{port}", "127.0.0.1", "nowhere://x:1"):
        assert main([*measure, address]) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"sprout: {address}: no Dask scheduler answers")
        assert "dask scheduler" in said
    assert main([*measure, f"tls://127.0.0.1:{port}"]) == 2
    assert "needs certificates" in capsys.readouterr().err
    with web_server() as address:
        assert main([*measure, address]) == 2
        assert f"{address}: no Dask scheduler answers" in capsys.readouterr().err
    monkeypatch.setattr(rooms, "_REACHED_S", 5)
    with scheduler(home) as address:
        assert main([*measure, address]) == 2
        said = capsys.readouterr().err
        assert "has no workers: start some with: dask worker" in said


def test_a_cluster_that_is_gone_is_told(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rooms, "_DESERTED_S", 1)
    paths = [tmp_path / f"{k}.jpg" for k in range(6)]
    for path in paths:
        path.write_bytes(b"photo")
    with scheduler(home) as address, worker(address, home, "--no-nanny") as only:
        with talking(address) as client:
            client.wait_for_workers(1, timeout=60)
        with Cluster(address) as cluster:
            coming = cluster.each(weigh, paths, made=Weighed, settings=Settings())
            assert next(coming).size == 5
            os.kill(only.pid, signal.SIGKILL)
            with pytest.raises(ClusterError, match="has lost all its workers: start some with: dask worker"):
                list(coming)


def test_without_the_extra_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    measure = ["measure", str(SAMPLES / "photos" / "day06.jpg"), "--lid", str(SAMPLES / "lid.toml")]
    assert main([*measure, "--cluster", "tcp://127.0.0.1:8786"]) == 2
    assert 'python3 -m pip install ".[cluster]"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "what"),
    [(["--cluster", " "], "names no scheduler"), (["--cluster", "x:1", "--workers", "2"], "contradict")],
)
def test_words_that_make_no_sense_are_told(words: list[str], what: str, capsys: pytest.CaptureFixture[str]) -> None:
    measure = ["measure", str(SAMPLES / "photos" / "day06.jpg"), "--lid", str(SAMPLES / "lid.toml")]
    assert main([*measure, *words]) == 2
    assert what in capsys.readouterr().err


def test_what_a_reading_depends_on_is_named_file_by_file() -> None:
    libraries = {"cv2", "numpy", "scipy", "skimage", "PIL", "pillow_heif"}
    assert set(made_with()) == {"sprout", "files of sprout", *libraries, "OPENBLAS_NUM_THREADS"}
    assert rooms._otherwise(made_with(), made_with()) == ""
    assert rooms._otherwise(made_with() | {"cv2": "3.4.0"}, made_with()).startswith("cv2 3.4.0 (here ")
