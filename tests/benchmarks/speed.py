"""What sprout costs on this machine, all in one run: one photo, memory, workers, a long batch, the start, big books.

    python tests/benchmarks/speed.py [photo growth memory workers batch start books]
        [--photo FILE --lid LID.toml] [--batch N]

Without names all parts run. Photos have 12 megapixels: a sample photo enlarged, once smooth as it comes, and once with
the noise that a phone's sensor leaves, which is what a JPEG of 3 to 5 MB is full of; each is measured against its own
floor, what Pillow takes to decode it at full size. CPU time is that of one thread, the best of several runs; where
processes take turns the clock counts, and the best of both kinds stands. Only ratios within one run mean anything.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import perf_counter

import cv2
import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1]))

from artificial import Stand, draw_lid, drawn_lid, save_jpeg
from benchmarks.measuring import SAMPLES, Cost, best, cheapest, load, machine, run

from sprout.lid import Lid, read_lid
from sprout.photo import read_photo
from sprout.readings import read_sites
from sprout.registration import register
from sprout.survey import _look, survey
from sprout.tissue import classify

SIZE = (4032, 3024)
NOISE = 6.0  # grey levels at full size, after the phone's own smoothing: a file of 4 MB
MANY = 200
PARTS = ("photo", "growth", "memory", "workers", "batch", "start", "books")
ONE = """
import sys
from pathlib import Path
from sprout.lid import read_lid
from sprout.survey import survey
got = survey(Path(sys.argv[1]), read_lid(Path(sys.argv[2])))
sys.exit(got.reason or 0)
"""
BATCH = """
import os, sys
from pathlib import Path
import numpy as np
from sprout.lid import read_lid
from sprout.survey import survey_many
lid, many, paths = read_lid(Path(sys.argv[1])), int(sys.argv[2]), [Path(p) for p in sys.argv[3:]]
held = []
for one in survey_many([paths[k % len(paths)] for k in range(many)], lid):
    pages = int(open("/proc/self/statm").read().split()[1])
    held.append(pages * os.sysconf("SC_PAGE_SIZE") / 2**20)
rest = held[len(held) // 4:]
slope = np.polyfit(np.arange(len(rest)), rest, 1)[0]
print(f"{rest[0]:.0f} MiB after a quarter, {rest[-1]:.0f} at the end: {slope:+.3f} MiB a photo", file=sys.stderr)
"""


def samples() -> list[Path]:
    return sorted((SAMPLES / "photos").glob("*.jpg"))


def enlarged(photo: Path, path: Path, *, noise: float = 0.0, size: tuple[int, int] = SIZE) -> Path:
    """A photo at another size, long side first, with noise of so many grey levels (seed 1)."""
    with Image.open(photo) as picture:
        exif = picture.getexif()
        upright = size if picture.width > picture.height else size[::-1]
        rgb = np.asarray(picture.resize(upright, Image.Resampling.BICUBIC))
    if noise:
        rng = np.random.default_rng(1)
        # alike in all colours for the most part, and a little blurred: what the phone makes of its sensor's noise
        grey, colour = (rng.standard_normal((*rgb.shape[:2], n), np.float32) for n in (1, 3))
        grain = cv2.GaussianBlur(np.broadcast_to(grey, colour.shape) + 0.4 * colour, (0, 0), 0.6)
        rgb = np.clip(np.rint(rgb + grain * (noise / grain.std())), 0, 255).astype(np.uint8)
    Image.fromarray(rgb).save(path, quality=92, exif=exif)
    return path


def decode(path: Path) -> None:
    with Image.open(path) as picture:
        picture.load()


def both(folder: Path) -> dict[str, Path]:
    """The photo of a middling day, smooth and noisy."""
    photo = samples()[8]
    return {
        "smooth": enlarged(photo, folder / "smooth.jpg"),
        "with sensor noise": enlarged(photo, folder / "noisy.jpg", noise=NOISE),
    }


def stages(path: Path, lid: Lid, *, runs: int = 5) -> Iterator[tuple[str, float]]:
    """CPU seconds of each stage in a process that is warm, the floor first."""
    for _ in range(2):
        survey(path, lid)
    yield "decode at full size", best(lambda: decode(path), runs)[0]
    seconds, photo = best(lambda: read_photo(path), runs)
    yield "photo", seconds
    seconds, registration = best(lambda: register(photo, lid), runs)
    yield "registration", seconds
    seconds, tissue = best(lambda: classify(photo, registration, lid), runs)
    yield "tissue", seconds
    seconds, _ = best(lambda: read_sites(photo, registration, tissue, lid), runs)
    yield "readings", seconds
    yield "straightened view", best(lambda: _look(photo, registration, lid, tissue), runs)[0]
    seconds, got = best(lambda: survey(path, lid), runs)
    yield "whole photo", seconds
    if got.reason:
        raise SystemExit(f"the photo was not read: {got.reason}")


def photo_part(photos: dict[str, Path], lid: Lid) -> None:
    cv2.setNumThreads(1)
    for name, path in photos.items():
        print(f"\nOne photo, {name}: {path.stat().st_size / 1e6:.1f} MB, CPU time")
        rows = dict(stages(path, lid))
        floor = rows["decode at full size"]
        for stage, seconds in rows.items():
            print(f"  {stage:22s}{1000 * seconds:8.0f} ms{seconds / floor:8.2f} decodes")


def growth_part(folder: Path) -> None:
    """One thing grows at a time: megapixels of a photo, leaf on a lid, sites of a lid."""
    cv2.setNumThreads(1)
    lid, found = read_lid(SAMPLES / "lid.toml"), samples()
    rows: list[tuple[str, Path, Lid]] = []
    for megapixels in (3, 6, 12, 24):
        long = round((megapixels * 1e6 * 4 / 3) ** 0.5)
        size = (long, round(long * 3 / 4))
        rows.append((f"{megapixels} megapixels", enlarged(found[8], folder / f"{megapixels}.jpg", size=size), lid))
    rows += [(f"3 megapixels, {found[k].stem}", found[k], lid) for k in (0, 6, 10, 12)]
    for down, across in ((2, 3), (3, 5), (5, 6), (6, 10)):
        drawn = drawn_lid(rows=down, columns=across, pitch_mm=[60.0, 60.0], tags=True)
        sprouts = {site: Stand(2, leaf_mm=8) for site in drawn.labels[::2]}
        path = save_jpeg(draw_lid(drawn, sprouts=sprouts), folder / f"sites{down * across}.jpg")
        rows.append((f"3 megapixels, {down * across} drawn sites", path, drawn))
    heads = ("decode", "photo", "regist.", "tissue", "reading", "view", "whole")
    print(f"\nStages, CPU ms{'':14s}" + "".join(f"{head:>8s}" for head in heads))
    for name, path, lid in rows:
        print(f"  {name:26s}" + "".join(f"{1000 * seconds:8.0f}" for _, seconds in stages(path, lid, runs=3)))


def memory_part(photos: dict[str, Path], lid_file: Path, folder: Path) -> None:
    print("\nMost memory of a fresh process")
    bare = cheapest("-c", "import sprout.survey", script=True, runs=1)
    print(f"  {'the libraries alone':34s}{bare.peak_mib:6.0f} MiB")
    for name, path in photos.items():
        one = cheapest("-c", ONE, path, lid_file, script=True, runs=1)
        whole = run("measure", path, "--lid", lid_file, "--csv", folder / "out.csv")
        print(f"  {'one photo, ' + name:34s}{one.peak_mib:6.0f} MiB; sprout measure {whole.peak_mib:.0f} MiB")


def workers_part(lid_file: Path, folder: Path) -> None:
    """``measure`` on one and on two workers in turns, and beside it two commands with half of the photos each.

    Every process keeps to one thread, as workers do; alone, the vision library would take the other core as well.
    """
    os.environ["OPENCV_FOR_THREADS_NUM"] = "1"
    found = samples()[:13]  # not yet overgrown
    photos = [enlarged(found[k % len(found)], folder / f"many{k:02d}.jpg", noise=NOISE) for k in range(MANY)]
    command = ("measure", *photos, "--lid", lid_file, "--csv", folder / "out.csv")

    def half(k: int) -> Cost:
        return run("measure", *photos[k::2], "--lid", lid_file, "--csv", folder / f"out{k}.csv")

    costs: dict[int, list[Cost]] = {1: [], 2: []}
    apart: list[float] = []
    for _ in range(2):
        for workers, rows in costs.items():
            rows.append(run(*command, "--workers", str(workers)))
        begun = perf_counter()
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(half, range(2)))
        apart.append(perf_counter() - begun)
    one, two = (min(rows, key=lambda cost: cost.wall) for rows in costs.values())
    cpu = [min(cost.cpu for cost in rows) for rows in costs.values()]
    print(f"\n{MANY} photos with noise by sprout measure, by the clock, best of 2 (load now {load():.1f})")
    print(f"  1 worker  {one.wall:7.1f} s, {cpu[0]:6.1f} s of CPU")
    print(f"  2 workers {two.wall:7.1f} s, {cpu[1]:6.1f} s of CPU: {one.wall / two.wall:.2f} x as fast")
    bound = min(apart)
    print(f"  two commands, half of the photos each {bound:.1f} s: {one.wall / bound:.2f} x, what the machine allows")


def batch_part(many: int, lid_file: Path, folder: Path) -> None:
    if not Path("/proc/self/statm").exists():
        return
    # every tenth at 12 megapixels, the others as small as they come: what leaks would leak from those as well
    paths = [*samples()[:9], enlarged(samples()[8], folder / "tenth.jpg", noise=NOISE)]
    print(f"\nMemory held over a batch of {many} photos, straight line through the last three quarters")
    print(f"  {run('-c', BATCH, lid_file, str(many), *paths, script=True).told.strip()}")


def start_part() -> None:
    print("\nStart of a process, CPU and clock, best of 7")
    for name, words, script in (
        ("python -c pass", ("-c", "pass"), True),
        ("sprout --help", ("--help",), False),
        ("sprout log --help", ("log", "--help"), False),
        ("import sprout.cli", ("-c", "import sprout.cli"), True),
        ("import sprout.book", ("-c", "import sprout.book"), True),
        ("import sprout.survey", ("-c", "import sprout.survey"), True),
        ("import sprout.outlook", ("-c", "import sprout.outlook"), True),
    ):
        runs = [run(*words, script=script) for _ in range(7)]
        cpu, wall = min(cost.cpu for cost in runs), min(cost.wall for cost in runs)
        print(f"  {name:22s}{cpu:7.3f} s{wall:8.3f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], default=[])
    parser.add_argument("--photo", type=Path)
    parser.add_argument("--lid", type=Path, default=SAMPLES / "lid.toml")
    parser.add_argument("--batch", type=int, default=200)
    a = parser.parse_args()
    parts = a.parts or PARTS
    print(machine())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if {"photo", "memory"} & set(parts):
            photos = {a.photo.name: a.photo} if a.photo else both(folder)
            if "photo" in parts:
                photo_part(photos, read_lid(a.lid))
            if "memory" in parts:
                memory_part(photos, a.lid, folder)
        if "growth" in parts:
            growth_part(folder)
        if "workers" in parts:
            workers_part(SAMPLES / "lid.toml", folder)
        if "batch" in parts:
            batch_part(a.batch, SAMPLES / "lid.toml", folder)
        if "start" in parts:
            start_part()
        if "books" in parts:
            from benchmarks.scaling import print_scaling

            print_scaling((15, 60), (100, 1000, 4000), a_day=24)
    print(f"\nload at the end {load():.1f}")


if __name__ == "__main__":
    main()
