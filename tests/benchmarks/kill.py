"""Kills the process at random moments while it writes in a book: ``python tests/benchmarks/kill.py [KILLS] [SEED]``.

After each kill the book must open and be sound, everything whose end was told must be in it exactly once, and the
command that was cut off, given again, must come to its end with everything in the book exactly once.

To make kills cheap, each command runs in a forked child of a process that has everything imported. What a photo shows
is said, not read, but for the kind ``log of real photos``.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from pathlib import Path

import cv2

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.kill_page import PHOTOS, WRITING_S, Server, Tally, held, kill_uploads
from grows import begin, fake_survey_many, on, photo

import sprout.book.entries
import sprout.cli.keeping
import sprout.cli.showing
import sprout.survey  # with these everything costly is imported before the first fork
from sprout.cli import main
from sprout.page.uploads import Arrival, read_into_book
from sprout.photo import photo_header
from sprout.settings import Settings

cv2.setNumThreads(1)  # a forked child has the library's locks but not its threads
SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTOS_AT_ONCE = 4


@dataclass
class Kind:
    """One kind of writing: how round ``i`` is run, which keys it writes, and which keys the database holds."""

    name: str
    book: Path
    run: Callable[[int], int]
    keys: Callable[[int], Iterable[Hashable]]
    held: str  # SQL that yields one row per thing written
    before: Callable[[int], None] = lambda i: None
    telling: str = ""  # words after which the grower knows it is done, and does not give the command again


def forked(
    run: Callable[[], int], *, kill_after: float | None = None, once_there_is: Path | None = None
) -> tuple[bool, float, str]:
    """Run in a forked child; whether it came to its end with exit status 0, the seconds it took, what it said.

    The seconds after which it is killed are counted from its start, or from when a file appears.
    """
    start = time.perf_counter()
    said = tempfile.TemporaryFile()  # noqa: SIM115  (closed below, and by the child's end)
    child = os.fork()
    if child == 0:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
        status = 99
        with contextlib.suppress(BaseException):
            status = run()
        os._exit(status)
    if kill_after is not None:
        while once_there_is is not None and not once_there_is.exists():
            if os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT):
                break
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    took = time.perf_counter() - start
    with said:
        said.seek(0)
        words = said.read().decode("utf-8", "replace")
    return os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0, took, words


def kill(kind: Kind, kills: int, rng: random.Random) -> Tally:
    """Kill one kind of writing so often; two rounds are left alone, and the second tells how long one takes."""
    tally = Tally()
    told: set[Hashable] = set()
    for i in range(2):
        kind.before(i)
        done, seconds, _ = forked(lambda i=i: kind.run(i))  # type: ignore[misc]
        assert done, f"{kind.name}: does not work undisturbed"
        told |= set(kind.keys(i))
        held(kind.book, kind.held)
    for i in range(2, kills + 2):
        kind.before(i)
        mine = set(kind.keys(i))
        tally.kills += 1
        # every second kill waits for the database's journal: it comes while something is written, or just after
        writing = kind.book / "book.sqlite-journal" if i % 2 else None
        after = rng.expovariate(1 / WRITING_S) if writing else rng.uniform(0, 1.1 * seconds)
        done, _, words = forked(lambda i=i: kind.run(i), kill_after=after, once_there_is=writing)  # type: ignore[misc]
        seen = done or (bool(kind.telling) and kind.telling in words)
        try:
            there = held(kind.book, kind.held)
            told |= mine if seen else set()
            tally.died += not done
            tally.written += not seen and all(there[key] for key in mine)
            assert all(there[key] == 1 for key in told), "something that was told is not there exactly once"
            assert max(there.values(), default=0) <= 1, "something is there twice"
            if seen and kind.telling:
                continue
            again, _, words = forked(lambda i=i: kind.run(i))  # type: ignore[misc]
            assert again, f"the command given again fails: {words}"
            told |= mine
            there = held(kind.book, kind.held)
            assert all(there[key] == 1 for key in told), "after the command given again not everything is there once"
            assert max(there.values()) == 1, "after the command given again something is there twice"
        except Exception as e:
            tally.faults.append(f"{kind.name}, round {i}: {type(e).__name__}: {e}")
    return tally


def kinds(folder: Path) -> dict[str, Kind]:
    """Every kind of writing, each with a book of its own in ``folder``."""
    calls: list[Path] = []
    stand_in = fake_survey_many({}, calls)

    def new(name: str) -> Path:
        begin(folder / name).close()
        return folder / name

    def reading(run: Callable[[], int]) -> int:
        sprout.survey.survey_many = stand_in  # in the child only
        return run()

    note, fix, enter, log, page, old = map(new, ("note", "fix", "enter", "log", "page", "old"))

    def noted(i: int) -> int:
        words = ["topup", f"{i + 1}"] if i % 2 else ["pick", "A1", "B2", "--comment", str(i + 1)]
        return main(["note", str(note), *words, *(["--on", on(i % 30).isoformat()] if i % 3 else [])])

    def noted_keys(i: int) -> list[Hashable]:
        return [("topup", "", i + 1.0)] if i % 2 else [("pick", "A1", i + 1.0), ("pick", "B2", i + 1.0)]

    def entries(i: int) -> None:
        rows = [f"{on(k)},A{k + 1},{k},{i + k / 10}" for k in range(3)]
        (folder / f"{i}.csv").write_text("date,site,seedlings,tissue_cm2\n" + "\n".join(rows))

    def shots(i: int) -> None:
        for k in range(PHOTOS_AT_ONCE):
            photo(folder / f"shots-{i}" / f"{i}-{k}.jpg", 1 + i % 20, hour=8 + k)

    def shot_names(i: int) -> list[Hashable]:
        return [str(folder / f"shots-{i}" / f"{i}-{k}.jpg") for k in range(PHOTOS_AT_ONCE)]

    def upload(i: int) -> int:
        file = folder / f"upload-{i}.jpg"
        return int(read_into_book(Arrival(page, file, None, Settings())).outcome not in ("read", "held"))

    def as_of_version_1(i: int) -> None:
        file = old / "book.sqlite"
        file.unlink()
        with contextlib.closing(sqlite3.connect(file)) as connection:
            connection.executescript((Path(__file__).parents[1] / "book_v1.sql").read_text("utf-8"))

    found = [
        Kind(
            "note",
            note,
            noted,
            noted_keys,
            "SELECT kind, site, coalesce(amount, comment + 0.0) FROM note",
            telling="note ",
        ),
        Kind(
            "fix",
            fix,
            lambda i: main(["fix", str(fix), str(on(i % 30)), "B2", "--seedlings", "1", "--comment", str(i)]),
            lambda i: [str(i)],
            "SELECT comment FROM fix",
        ),
        Kind(
            "enter",
            enter,
            lambda i: main(["enter", str(enter), str(folder / f"{i}.csv")]),
            lambda i: [(f"A{k + 1}", i + k / 10) for k in range(3)],
            "SELECT site, tissue_cm2 FROM entry",
            entries,
        ),
        Kind(
            "log",
            log,
            lambda i: reading(lambda: main(["log", str(log), str(folder / f"shots-{i}"), "--quiet"])),
            shot_names,
            PHOTOS,
            shots,
        ),
        Kind(
            "page upload",
            page,
            lambda i: reading(lambda: upload(i)),
            lambda i: [str(folder / f"upload-{i}.jpg")],
            PHOTOS,
            lambda i: photo(folder / f"upload-{i}.jpg", 1 + i % 20) and None,
        ),
        Kind(
            "migration",
            old,
            lambda i: main(["note", str(old), "list"]),
            lambda i: ["move", "topup"],
            "SELECT kind FROM note",
            as_of_version_1,
        ),
    ]
    return {kind.name: kind for kind in found}


def real_photos(folder: Path) -> Kind:
    """The sample photos, really read: round ``i`` logs the ``i``-th."""
    samples = sorted((SAMPLES / "photos").glob("*.jpg"))[1:]
    folder.mkdir(exist_ok=True)
    book = folder / "real"
    sown = [str(SAMPLES / "lid.toml"), "--sown", "2026-08-22", "--crop", "basil", "--seeds", "2"]
    # in a child: the vision library must not start threads in the process that forks
    begun, _, words = forked(
        lambda: main(["begin", str(book), "--empty", str(SAMPLES / "photos" / "day00.jpg"), "--lid", *sown])
    )
    assert begun, words
    return Kind(
        "log of real photos",
        book,
        lambda i: main(["log", str(book), str(samples[i]), "--quiet"]),
        lambda i: [str(samples[i])],
        PHOTOS,
    )


def uploads(folder: Path, kills: int, rng: random.Random) -> Tally:
    """Photos sent to a server that is killed; what they show is said."""
    begin(folder / "http").close()
    shots = [photo(folder / "sent" / f"{i}.jpg", 1 + i % 20) for i in range(kills + 2)]
    sprout.survey.survey_many = fake_survey_many({}, [])
    return kill_uploads(Server(folder / "http", true=False), shots, rng)


def true_uploads(folder: Path, kills: int, rng: random.Random) -> Tally:
    """The sample photos, sent to ``sprout serve`` and really read; bytes behind a photo's end make it another."""
    real_photos(folder / "serve")
    samples = sorted((SAMPLES / "photos").glob("*.jpg"))[1:]
    shots = []
    for i in range(kills + 2):
        shots.append(folder / "serve" / f"{i}.jpg")
        shots[-1].write_bytes(samples[i % len(samples)].read_bytes() + bytes([i]))
    return kill_uploads(Server(folder / "serve" / "real", true=True), shots, rng)


def parallel_logs(folder: Path, programs: int) -> list[str]:
    """Faults of so many programs that log overlapping photos into one book at the same time."""
    book = folder / "parallel"
    begin(book).close()
    shots = [photo(folder / "overlapping" / f"{k}.jpg", 1 + k % 20, hour=1 + k // 20) for k in range(2 * programs)]
    sprout.survey.survey_many = fake_survey_many({}, [])
    children = []
    for k in range(programs):
        child = os.fork()
        if child == 0:
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 2)
            status = 99
            with contextlib.suppress(BaseException):
                status = main(["log", str(book), *map(str, shots[k : k + programs]), "--quiet"])
            os._exit(status)
        children.append(child)
    ends = Counter(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children)
    faults = [f"{count} of {programs} programs ended with status {status}" for status, count in ends.items() if status]
    with contextlib.closing(sqlite3.connect(book / "book.sqlite")) as connection:
        times = Counter(row[0] for row in connection.execute("SELECT sha256 FROM survey"))
        rows = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
    if set(times.values()) != {1} or len(times) != 2 * programs - 1 or rows != len(times) * 6:
        faults.append(
            f"{len(times)} photos of {2 * programs - 1}, at most {max(times.values())} times, {rows} readings"
        )
    return faults


def kills_of(folder: Path, kills: int, *, real: int, seed: int) -> dict[str, Tally]:
    """So many kills in all: ``real`` of a log and of a server that truly read, the others spread over the kinds."""
    rng = random.Random(seed)
    made = kinds(folder)
    kills -= 2 * real
    photo_header(photo(folder / "any.jpg", 1))  # now, not in every child, the decoders are imported
    tallies = {}
    for place, (name, kind) in enumerate(made.items()):
        share = kills // (len(made) + 1) + (place < kills % (len(made) + 1))
        tallies[name] = kill(kind, share, rng)
    tallies["photo over HTTP"] = uploads(folder, kills // (len(made) + 1), rng)
    if real:
        kind = real_photos(folder)
        tallies[kind.name] = kill(kind, real, rng)
        tallies["serve, truly read"] = true_uploads(folder, real, rng)
    return tallies


def report() -> int:
    kills, seed = (int(word) for word in [*sys.argv[1:], *("200", "1")[len(sys.argv) - 1 :]])
    with tempfile.TemporaryDirectory() as folder:
        tallies = kills_of(Path(folder), kills, real=min(8, kills // 16), seed=seed)
        crowd = parallel_logs(Path(folder), 20)
    print(f"{'kind':20} {'kills':>6} {'died':>6} {'written, not told':>18} {'faults':>7}")
    for name, tally in tallies.items():
        print(f"{name:20} {tally.kills:6} {tally.died:6} {tally.written:18} {len(tally.faults):7}")
    for fault in (fault for tally in tallies.values() for fault in tally.faults):
        print(fault)
    print("20 programs log overlapping photos:", "; ".join(crowd) or "each photo once", file=sys.stderr)
    return int(any(tally.faults for tally in tallies.values()) or bool(crowd))


if __name__ == "__main__":
    sys.exit(report())
