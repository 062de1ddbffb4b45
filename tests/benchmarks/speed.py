"""What one photo of 12 megapixels costs, stage by stage, against decoding it.

    python tests/benchmarks/speed.py [PHOTO LID.toml] [--many N]

Without arguments a sample photo, enlarged. The floor is what Pillow takes to decode the JPEG at full size. All on one
thread, in CPU time, the best of five, in a process that is warm. ``--many`` then reads the photo N times more and
prints how the memory of the process grows.
"""

from __future__ import annotations

import argparse
import platform
import resource
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import TypeVar

import cv2
from PIL import Image

from sprout.lid import read_lid
from sprout.photo import read_photo
from sprout.readings import read_sites
from sprout.registration import register
from sprout.survey import survey
from sprout.tissue import classify

SAMPLES = Path(__file__).parents[2] / "sample_images"
SIZE = (4032, 3024)
T = TypeVar("T")


def best(work: Callable[[], T], runs: int = 5) -> tuple[float, T]:
    """CPU seconds of the fastest run, and what it gave."""
    fastest = float("inf")
    for _ in range(runs):
        begun = process_time()
        result = work()
        fastest = min(fastest, process_time() - begun)
    return fastest, result


def peak_mib() -> float:
    """Most memory that the process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def enlarged(folder: Path) -> Path:
    """A sample photo at 12 megapixels."""
    path = folder / "large.jpg"
    with Image.open(sorted((SAMPLES / "photos").glob("*.jpg"))[8]) as picture:
        upright = SIZE if picture.width > picture.height else SIZE[::-1]
        picture.resize(upright, Image.Resampling.BICUBIC).save(path, quality=92, exif=picture.getexif())
    return path


def decode(path: Path) -> None:
    with Image.open(path) as picture:
        picture.load()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photo", type=Path, nargs="?")
    parser.add_argument("lid", type=Path, nargs="?", default=SAMPLES / "lid.toml")
    parser.add_argument("--many", type=int, default=0)
    a = parser.parse_args()
    cv2.setNumThreads(1)
    lid = read_lid(a.lid)
    with tempfile.TemporaryDirectory() as folder:
        path = a.photo or enlarged(Path(folder))
        for _ in range(3):
            survey(path, lid)
        peak = peak_mib()
        rows: list[tuple[str, float]] = []
        floor, _ = best(lambda: decode(path))
        seconds, photo = best(lambda: read_photo(path))
        rows.append(("photo", seconds))
        seconds, registration = best(lambda: register(photo, lid))
        rows.append(("registration", seconds))
        seconds, tissue = best(lambda: classify(photo, registration, lid))
        rows.append(("tissue", seconds))
        seconds, _ = best(lambda: read_sites(photo, registration, tissue, lid))
        rows.append(("readings", seconds))
        seconds, got = best(lambda: survey(path, lid))
        rows.append(("whole photo", seconds))
        if got.reason:
            raise SystemExit(f"the photo was not read: {got.reason}")
        print(f"{platform.machine()}, Python {platform.python_version()}, OpenCV {cv2.__version__}")
        print(f"{'decode at full size':20s}{1000 * floor:8.0f} ms")
        for name, seconds in rows:
            print(f"{name:20s}{1000 * seconds:8.0f} ms{seconds / floor:8.2f} decodes")
        print(f"{'peak memory':20s}{peak:8.0f} MiB")
        if a.many:
            before = peak_mib()
            for _ in range(a.many):
                survey(path, lid)
            print(f"{f'after {a.many} more':20s}{peak_mib():8.0f} MiB, {(peak_mib() - before) / a.many:+.2f} a photo")


if __name__ == "__main__":
    main()
