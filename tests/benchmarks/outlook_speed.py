"""How long ``sprout outlook`` takes, as a whole process, on a book of 60 sites and 60 days.

Run as a script: ``python tests/benchmarks/outlook_speed.py``. Printed beside it is the time in which the same
interpreter only imports the libraries it rests on, so that figures of two machines can be compared.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from grows import SOWN, add, reading, survey, view

from sprout.book import Book, Grow
from sprout.lid import make_lid
from sprout.plugs import Sowing

SITES, DAYS, RUNS = 60, 60, 5


def make_book(folder: Path) -> None:
    """Two crops, four plugs in five up, some looks missing, leaf read with an error of a tenth."""
    rng = np.random.default_rng(1)
    lid = make_lid(name="sixty", pattern="grid", rows=6, columns=SITES // 6, pitch_mm=[60, 60], hole_mm=30)
    sowing = {site: Sowing("basil" if k % 3 else "lettuce", 3) for k, site in enumerate(lid.labels)}
    up = {site: int(rng.integers(4, 12)) if rng.random() < 0.8 else DAYS + 1 for site in lid.labels}
    number = {site: int(rng.integers(1, 4)) for site in lid.labels}
    with Book.begin(folder, Grow(SOWN, sowing, 4.0, 21.0), lid=lid, view=view(), view_sha256="e" * 64) as book:
        for day in range(1, DAYS + 1):
            seen = {}
            for site in (s for s in lid.labels if day >= up[s]):
                size = 0.4 * np.exp(0.16 * (day - up[site]))
                size = float(size / (1 + size / 45) * np.exp(rng.normal(0, 0.1)))
                seen[site] = reading(site, number[site], tissue_cm2=size, cover_pct=size / 36 * 100)
            add(book, survey(f"{day}.jpg", day, seen, lid=lid))


def seconds(*words: str) -> float:
    """Median time of a process."""
    times = []
    for _ in range(RUNS):
        start = perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True)
        times.append(perf_counter() - start)
    return median(times)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        book = Path(folder) / "book"
        make_book(book)
        whole = seconds("-m", "sprout", "outlook", str(book), "--json")
        bare = seconds("-c", "import numpy, pandas, scipy.special")
    print(f"outlook of {SITES} sites and {DAYS} days: {whole:.2f} s")
    print(f"that is {whole / bare:.1f} x the imports alone ({bare:.2f} s)")
