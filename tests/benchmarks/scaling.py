"""What commands cost as a book grows: log, outlook, today, table, report on books of 100, 1000 and 4000 photos.

    python tests/benchmarks/scaling.py [--sites 15 60] [--photos 100 1000 4000] [--a-day 24]

The books are written by the product's own functions; only the readings are made up. Every figure is the CPU time of a
whole process, the best of three; a photo logged into each book is a real one, read and written, and beside it stand the
same functions called in one warm process, so that the start of Python hides nothing.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1]))

from artificial import draw_lid, drawn_lid, save_jpeg
from benchmarks.measuring import SAMPLES, best, cheapest, machine
from grows import reading

from sprout.book import Book, Grow
from sprout.intake import log_photos
from sprout.lid import Lid, read_lid
from sprout.plugs import Sowing
from sprout.settings import Settings
from sprout.survey import Survey, learn_view, survey

SOWN = date(2026, 3, 1)
COMMANDS: dict[str, tuple[str, ...]] = {
    "outlook": ("outlook", "{book}", "--json"),
    "today": ("today", "{book}", "--json"),
    "table --of days": ("table", "{book}", "--of", "days", "--csv", "{out}"),
    "table --of plugs": ("table", "{book}", "--of", "plugs", "--csv", "{out}"),
    "table --of grow": ("table", "{book}", "--of", "grow", "--csv", "{out}"),
    "table --of photos": ("table", "{book}", "--of", "photos", "--csv", "{out}"),
    "report": ("report", "{book}", "--html", "{out}"),
}


def lid_and_photo(sites: int, folder: Path) -> tuple[Lid, Path]:
    """A lid of so many sites and a photo of it, still empty."""
    if sites == 15:
        return read_lid(SAMPLES / "lid.toml"), sorted((SAMPLES / "photos").glob("*.jpg"))[0]
    lid = drawn_lid(rows=6, columns=sites // 6, pitch_mm=[60.0, 60.0], tags=True)
    return lid, save_jpeg(draw_lid(lid, sprouts={"A1": 2}), folder / f"lid{sites}.jpg", taken_at=moment(0))


def moment(hours: float) -> datetime:
    """So many hours after the morning after sowing."""
    return datetime.combine(SOWN, time(8)) + timedelta(hours=hours)


def photo_at(photo: Path, when: datetime, path: Path) -> Path:
    """The same photo as taken at another time."""
    with Image.open(photo) as picture:
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0x9003] = f"{when:%Y:%m:%d %H:%M:%S}"
        picture.save(path, "JPEG", quality=92, exif=exif)
    return path


def begin(folder: Path, lid: Lid, empty: Path) -> Book:
    sowing = {site: Sowing("basil" if k % 3 else "lettuce", 3) for k, site in enumerate(lid.labels)}
    sha256 = hashlib.sha256(empty.read_bytes()).hexdigest()
    return Book.begin(folder, Grow(SOWN, sowing, 4.0, 21.0), lid=lid, view=learn_view(empty, lid), view_sha256=sha256)


def made_up(lid: Lid, seen: Survey, *, a_day: int, seed: int = 1) -> Iterator[Survey]:
    """Survey after survey: four plugs in five come up, some looks are doubtful, leaf is read with a tenth of error."""
    rng = np.random.default_rng(seed)
    up = {site: rng.integers(4, 12) if rng.random() < 0.8 else 1e9 for site in lid.labels}
    number = {site: int(rng.integers(1, 4)) for site in lid.labels}
    most = lid.area_per_site_mm2 / 100
    k = 0
    while True:
        when = moment(24 * k / a_day)
        day = (when - moment(0)).total_seconds() / 86400
        rows: list[dict[str, Any]] = []
        for site in lid.labels:
            if day < up[site]:
                rows.append(reading(site))
                continue
            leaf = 0.4 * np.exp(min(0.16 * (day - up[site]), 20))
            leaf = float(leaf / (1 + leaf / (1.2 * most)) * np.exp(rng.normal(0, 0.1)))
            sure = float(rng.uniform(0.7, 0.99))
            flags = "touching" if leaf > 0.5 * most else ""
            count = number[site] + int(rng.integers(-1, 2)) * (rng.random() < 0.1)
            more = {"tissue_cm2": leaf, "cover_pct": 100 * leaf / most, "p_sprouted": sure, "flags": flags}
            rows.append(reading(site, max(1, count), **more))
        name = f"hour{k:05d}.jpg"
        sha256 = hashlib.sha256(name.encode()).hexdigest()
        yield replace(seen, path=Path(name), sha256=sha256, taken_at=when, readings=rows)
        k += 1


def make_books(folder: Path, lid: Lid, empty: Path, sizes: Sequence[int], *, a_day: int) -> dict[int, Path]:
    """Books of so many photos, each a copy of the last one grown on; size 0 is a book just begun."""
    books: dict[int, Path] = {}
    growing = folder / "growing"
    with begin(growing, lid, empty) as book:
        seen = survey(empty, lid, known=book.view())
        coming, held = made_up(lid, seen, a_day=a_day), 0
        for size in sorted({0, *sizes}):
            while held < size:
                book.add(next(coming), on=None, settings=Settings().digest(), anchor=book.anchor)
                held += 1
            books[size] = folder / f"book{size}"
            shutil.copytree(growing, books[size])
    shutil.rmtree(growing)
    return books


def log_costs(folder: Path, lid: Lid, empty: Path, books: dict[int, Path], *, a_day: int, runs: int = 5) -> None:
    """CPU seconds to log one photo into each book; books take turns, so that a busy minute hits all alike."""
    small, large = min(books), max(books)
    kinds = ("process, --quiet", "process", "read and written", "written")
    found: dict[tuple[str, int], float] = {}

    def keep(kind: str, size: int, seconds: float) -> None:
        found[kind, size] = min(seconds, found.get((kind, size), np.inf))

    with Book(books[small]) as book:
        known, anchor = book.view(), book.anchor
    one = survey(empty, lid, known=known)
    for k in range(runs):
        for size in (small, large):
            taken = [moment(24 * large / a_day + 1 + j / 60 + k / 1800) for j in range(4)]
            new = [photo_at(empty, when, folder / f"{size}-{k}-{j}.jpg") for j, when in enumerate(taken)]
            keep(kinds[0], size, cheapest("log", books[size], new[0], "--quiet", runs=1).cpu)
            keep(kinds[1], size, cheapest("log", books[size], new[1], runs=1).cpu)
            with Book(books[size]) as book:
                keep(kinds[2], size, best(lambda b=book, p=new[2]: list(log_photos(b, [p])), 1)[0])  # type: ignore[misc]
                other = replace(one, sha256=hashlib.sha256(f"{size} {k}".encode()).hexdigest(), taken_at=taken[3])
                seconds, _ = best(
                    lambda b=book, s=other: b.add(s, on=None, settings=Settings().digest(), anchor=anchor),  # type: ignore[misc]
                    1,
                )
                keep(kinds[3], size, seconds)
    print(f"\nlog of one photo into a book of {large}, beside one of {small} photos")
    for kind in kinds:
        few, many = found[kind, small], found[kind, large]
        print(f"  {kind:20s}{1000 * few:9.1f} ms{1000 * many:9.1f} ms{many / few:8.2f} x")


def command_costs(folder: Path, books: dict[int, Path]) -> None:
    sizes = [size for size in sorted(books) if size]
    print(f"\nCPU seconds of a process{'':6s}" + "".join(f"{size:>10d}" for size in sizes) + "   photos")
    for name, words in COMMANDS.items():
        costs = []
        for size in sizes:
            at = {"book": str(books[size]), "out": str(folder / "out")}
            costs.append(cheapest(*(word.format(**at) for word in words), runs=2).cpu)
        print(f"  {name:28s}" + "".join(f"{cost:10.2f}" for cost in costs))


def print_scaling(sites: Sequence[int], sizes: Sequence[int], *, a_day: int) -> None:
    # in memory where that is possible: what is flushed to a disk for each photo is no matter of the book's size
    memory = Path("/dev/shm")
    for count in sites:
        with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
            folder = Path(name)
            lid, empty = lid_and_photo(count, folder)
            books = make_books(folder, lid, empty, sizes, a_day=a_day)
            print(f"\nBooks of {len(lid.labels)} sites, {a_day} photos a day")
            command_costs(folder, books)
            log_costs(folder, lid, empty, books, a_day=a_day)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, nargs="+", default=[15, 60])
    parser.add_argument("--photos", type=int, nargs="+", default=[100, 1000, 4000])
    parser.add_argument("--a-day", type=int, default=24)
    a = parser.parse_args()
    print(machine())
    print_scaling(a.sites, a.photos, a_day=a.a_day)


if __name__ == "__main__":
    main()
