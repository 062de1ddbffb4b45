"""Whether what is said of a site's sprout and of its seedlings is as sure as it sounds.

    python tests/benchmarks/reliability.py PHOTOS

PHOTOS is a folder of photos with truth (see ``calibration/truth.py``). Each is read where its lid truly lies, so
that only the reading is judged. Sites are sorted by the probability said; of those said to hold a sprout with 70 %
seven in ten should (reliability diagram: Murphy & Winkler 1977, Appl. Statist. 26:41-47). Tables are given apart for
the photos that nothing was fitted to (``calibration/aside.txt``) and for the others.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parents[2] / "calibration"))

from truth import lid_and_registration, names, read

from sprout.photo import read_photo
from sprout.readings import read_sites
from sprout.tissue import classify

EDGES = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.97, 1.0)
SURE_PX, EARLY_CM2 = 40, 6.0
"""A sprout this large must be seen; up to this much tissue seedlings are counted one by one."""
ASIDE = Path(__file__).parents[2] / "calibration" / "aside.txt"


@dataclass(frozen=True)
class Said:
    """What was said of one site, and what is true; ``stood`` is None where no eye could tell for sure."""

    p_sprouted: float
    seedlings: int
    low: int
    high: int
    status: str
    stood: bool | None
    true_seedlings: int
    true_cm2: float


@dataclass(frozen=True)
class Bin:
    """Sites of which about the same was said."""

    low: float
    high: float
    sites: int
    said: float
    """Mean probability."""
    stood: float
    """Share that holds a sprout."""
    share_low: float
    share_high: float
    """90 % interval of that share (Wilson 1927, JASA 22:209-212)."""


def wilson(hits: int, n: int) -> tuple[float, float]:
    z = 1.6449
    middle, half = hits + z**2 / 2, z * float(np.sqrt(hits * (n - hits) / n + z**2 / 4))
    return (middle - half) / (n + z**2), (middle + half) / (n + z**2)


def bins(p: Iterable[float], stood: Iterable[bool], edges: Sequence[float] = EDGES) -> list[Bin]:
    """Sites sorted by what was said of them; empty bins are left out."""
    said, held = np.array(list(p), float), np.array(list(stood), bool)
    place = np.clip(np.digitize(said, edges) - 1, 0, len(edges) - 2)
    out = []
    for k in np.unique(place):
        mine: npt.NDArray[np.bool_] = place == k
        n, hits = int(mine.sum()), int(held[mine].sum())
        out.append(Bin(edges[k], edges[k + 1], n, float(said[mine].mean()), hits / n, *wilson(hits, n)))
    return out


def calibration_error(some: Sequence[Bin]) -> float:
    """Mean distance between what was said and what was true, over sites (Naeini et al. 2015, AAAI 29:2901-2907)."""
    return float(np.average([abs(b.said - b.stood) for b in some], weights=[b.sites for b in some]))


def ranges(said: Iterable[Said]) -> dict[str, float]:
    """How seedlings are counted where they can still be told apart."""
    some = [s for s in said if s.stood and s.true_cm2 <= EARLY_CM2]
    error = np.array([s.seedlings - s.true_seedlings for s in some])
    return {
        "sites": float(len(some)),
        "exact": float((error == 0).mean()),
        "within one": float((abs(error) <= 1).mean()),
        "bias": float(error.mean()),
        "range holds": float(np.mean([s.low <= s.true_seedlings <= s.high for s in some])),
        "range width": float(np.mean([s.high - s.low for s in some])),
    }


def said_of(photos: Path, name: str) -> list[Said]:
    """Every site of a photo that is in the frame."""
    truth = read(photos, name)
    lid, registration = lid_and_registration(truth)
    photo = read_photo(photos / f"{name}.jpg")
    rows, _ = read_sites(photo, registration, classify(photo, registration, lid), lid)
    return [_said(row, site) for row, site in zip(rows, truth["sites"], strict=True) if row["p_sprouted"] is not None]


def _said(row: dict[str, Any], site: dict[str, Any]) -> Said:
    sure = site["seedlings_visible"] > 0 and site["tissue_px"] >= SURE_PX
    return Said(
        row["p_sprouted"],
        row["seedlings"],
        row["seedlings_low"],
        row["seedlings_high"],
        row["status"],
        True if sure else False if site["plant_px"] == 0 else None,
        site["seedlings_visible"],
        site["cover_mm2"] / 100,
    )


def print_table(title: str, said: Sequence[Said]) -> None:
    told = [s for s in said if s.stood is not None]
    some = bins([s.p_sprouted for s in told], [bool(s.stood) for s in told])
    print(f"{title}: {len(told)} sites, calibration error {calibration_error(some):.3f}")
    print("   said p      sites   mean said   hold a sprout (90 % interval)")
    for b in some:
        span = f"({b.share_low:.2f} to {b.share_high:.2f})"
        print(f"   {b.low:.2f}-{b.high:.2f} {b.sites:8d} {b.said:11.3f} {b.stood:10.3f} {span}")
    sprouted = [s.status == "sprouted" for s in told]
    right = sum(bool(s.stood) for s, said_so in zip(told, sprouted, strict=True) if said_so)
    stood = sum(bool(s.stood) for s in told)
    doubt = sum(s.status in ("unsure", "hidden") for s in told)
    print(
        f"   sprouted: {right} right, {sum(sprouted) - right} false, {stood - right} missed, "
        f"F1 {2 * right / (sum(sprouted) + stood):.4f}; {doubt} in doubt"
    )
    print("   seedlings: " + ", ".join(f"{key} {value:.3g}" for key, value in ranges(told).items()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    a = parser.parse_args()
    aside = set(ASIDE.read_text().split())
    said = {name: said_of(a.photos, name) for name in names(a.photos, None)}
    for title, wanted in (("set aside", True), ("fitted", False)):
        print_table(title, [s for name, some in said.items() if (name in aside) == wanted for s in some])
    singles = {name: some for name, some in said.items() if name.startswith("singles")}
    for title, wanted in (("singles, set aside", True), ("singles, fitted", False)):
        print_table(title, [s for name, some in singles.items() if (name in aside) == wanted for s in some])


if __name__ == "__main__":
    main()
