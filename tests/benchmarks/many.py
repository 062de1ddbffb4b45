"""What many photos a day need: what this machine measures, and the arithmetic from there.

    python tests/benchmarks/many.py PHOTO_MS [--photos-a-day 1000000] [--photos 1000]

PHOTO_MS is the line "whole photo" of ``speed.py``, CPU milliseconds for a photo of 12 megapixels. Measured here: bytes
that travel for a photo, what caller and scheduler spend on it, how fast a book takes readings, and bytes it keeps.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import pickle
import resource
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from time import perf_counter, process_time

from measuring import SAMPLES, machine

import sprout.cli  # noqa: F401  as the command line does, on one thread
from sprout.book import Book
from sprout.book.grow import Grow
from sprout.cluster import Cluster
from sprout.lid import read_lid
from sprout.plugs import Sowing
from sprout.settings import Settings
from sprout.survey import Survey, learn_view, survey

PHONE_BYTES = 4e6
"""A phone's JPEG of 12 megapixels: common practice, 3 to 5 MB."""
BUSY = 0.7
"""Share of its time that a core reads photos: rough."""
MANY = 40


@dataclass(frozen=True)
class Travel:
    """Bytes that go along with a photo and that come back; CPU seconds of caller and scheduler for it, and to start."""

    along: int
    back: int
    seconds: float
    start: float


@dataclass(frozen=True)
class Kept:
    """What a book took: photos and rows a second by the clock; CPU seconds, bytes of rows and of its view a photo."""

    photos_a_second: float
    seconds: float
    rows_a_second: float
    bare_rows_a_second: float
    database: float
    view: float


def travel(folder: Path) -> Travel:
    """Files of a phone's size through a cluster whose worker refuses them at once, since they are no photos."""
    from distributed import LocalCluster

    lid = read_lid(SAMPLES / "lid.toml")
    empty, photo = (SAMPLES / "photos" / name for name in ("day00.jpg", "day16.jpg"))
    read = partial(survey, lid=lid, known=learn_view(empty, lid))
    file = folder / "large.jpg"
    file.write_bytes(os.urandom(int(PHONE_BYTES)))
    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as local:
        address = local.scheduler_address
        with Cluster(address) as cluster:
            each = partial(cluster.each, read, made=Survey, settings=Settings())
            list(each([file] * 5))
            begun = process_time()
            assert all("not a photo" in s.reason and not s.lost for s in each([file] * MANY))
            seconds = (process_time() - begun) / MANY
        words = (sys.executable, "-m", "sprout", "measure", file, "--lid", SAMPLES / "lid.toml", "--cluster", address)
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert "not a photo" in done.stderr, done.stderr
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Travel(len(pickle.dumps(read)), len(pickle.dumps(read(photo))), seconds, start)


def kept(folder: Path, photos: int) -> Kept:
    """The same reading again and again, as of other photos of other days, into a book."""
    lid = read_lid(SAMPLES / "lid.toml")
    read = survey(SAMPLES / "photos" / "day16.jpg", lid)
    assert not read.reason, read.reason
    sown = datetime(2026, 1, 1, 9)
    grow = Grow(sown.date(), {label: Sowing("basil", 2) for label in lid.labels})
    with Book.begin(folder / "book", grow, lid=lid) as book:
        anchor, before, begun, cpu = "", _size(folder), perf_counter(), process_time()
        for k in range(photos):
            one = replace(
                read,
                sha256=hashlib.sha256(b"%d" % k).hexdigest(),
                taken_at=sown + timedelta(hours=k % 24, days=k // 24 % 90),
            )
            assert book.add(one, on=None, settings=Settings().digest(), anchor=anchor) == "added"
            anchor = anchor or one.sha256
        seconds, cpu = perf_counter() - begun, process_time() - cpu
    after = _size(folder)
    with closing(sqlite3.connect(folder / "book" / "book.sqlite")) as connection:
        rows = connection.execute("SELECT * FROM reading").fetchall()
        marks = ", ".join("?" * len(rows[0]))
        with closing(sqlite3.connect(folder / "bare.sqlite")) as bare:
            bare.execute("CREATE TABLE reading AS SELECT 0").connection.execute("DROP TABLE reading")
            names = ", ".join(f"c{k}" for k in range(len(rows[0])))
            bare.execute(f"CREATE TABLE reading ({names}, PRIMARY KEY (c0, c2))")
            begun = perf_counter()
            bare.executemany(f"INSERT INTO reading VALUES ({marks})", rows)
            bare.commit()
            fast = len(rows) / (perf_counter() - begun)
    return Kept(
        photos / seconds,
        cpu / photos,
        photos * len(lid.labels) / seconds,
        fast,
        (after[0] - before[0]) / photos,
        (after[1] - before[1]) / photos,
    )


def _size(folder: Path) -> tuple[int, int]:
    """Bytes of a book's database and of its views."""
    views = sum(p.stat().st_size for p in (folder / "book" / "views").glob("*.jpg"))
    return (folder / "book" / "book.sqlite").stat().st_size, views


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo_ms", type=float)
    parser.add_argument("--photos-a-day", type=float, default=1e6)
    parser.add_argument("--photos", type=int, default=1000, help="into a book")
    a = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        way, book = travel(folder), kept(folder, a.photos)
    rate = a.photos_a_day / 86400
    along, back, ms = way.along / 1e6, way.back / 1e6, a.photo_ms
    sent = PHONE_BYTES / 1e6 + along
    year = a.photos_a_day * 365
    print(machine())
    print(
        f"""measured
  {along:.2f} MB go along with a photo, {back:.2f} MB come back
  {1000 * way.seconds:.0f} ms of CPU a photo for caller and scheduler, {way.start:.1f} s for a command to start
  a book takes {book.photos_a_second:.0f} photos a second, {book.rows_a_second:.0f} rows,
    each photo flushed to the disk; {1000 * book.seconds:.0f} ms of CPU a photo
  the same rows in one transaction, bare: {book.bare_rows_a_second:,.0f} a second
  a book keeps {book.database / 1e3:.1f} kB of rows and {book.view / 1e3:.1f} kB of view for a photo of 15 sites
arithmetic, with {ms:.0f} ms a photo of {PHONE_BYTES / 1e6:.0f} MB and cores that read {BUSY:.0%} of the time
  a core reads {3600e3 / ms:,.0f} photos an hour, {86400e3 / ms:,.0f} a day
  {a.photos_a_day:,.0f} photos a day are {rate:.1f} a second
  cores: {rate * ms / 1000:.1f} busy, {rate * ms / 1000 / BUSY:.0f} to have
  callers and scheduler: {rate * (way.seconds + book.seconds):.2f} of a core, and {way.start:.1f} s for each command
  network: {rate * PHONE_BYTES * 8 / 1e6:.0f} Mbit/s of photos, {rate * sent * 8:.0f} with what goes along
    and {rate * back * 8:.0f} back
  a year: {year * book.database / 1e12:.1f} TB of rows, {year * book.view / 1e12:.1f} TB of views,
    {year * PHONE_BYTES / 1e15:.1f} PB of photos if they are kept"""
    )


if __name__ == "__main__":
    main()
