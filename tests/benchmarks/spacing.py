"""How long the spacing of a 60-site lid takes, and how far from the best it can be.

Run as a script: ``python tests/benchmarks/spacing.py``. Grids, staggered lids and free points with 5 to 55 plants
standing at random.
"""

from __future__ import annotations

import time

import numpy as np

from sprout.care.space import arrange

SITES, SECONDS = 60, 3.0


def lids(rng: np.random.Generator) -> dict[str, np.ndarray]:
    row, column = np.divmod(np.arange(SITES), 10)
    return {
        "grid": np.column_stack([62.0 * column, 68.0 * row]),
        "staggered": np.column_stack([62.0 * column + 31.0 * (row % 2), 54.0 * row]),
        "points": rng.uniform(0, 600, (SITES, 2)),
    }


def main() -> None:
    rng = np.random.default_rng(4)
    slowest, gaps = 0.0, []
    for name, sites in lids(rng).items():
        for plants in range(5, 56, 5):
            standing = rng.choice(SITES, plants, replace=False).tolist()
            begun = time.perf_counter()
            got = arrange(sites, standing)
            took = time.perf_counter() - begun
            slowest = max(slowest, took)
            gaps.append(1 - got.nearest_mm[1] / got.bound_mm)
            near, nearer = got.nearest_mm
            print(
                f"{name:10s} {plants:3d} plants {took:5.2f} s  {near:4.0f} -> {nearer:6.1f} mm, "
                f"bound {got.bound_mm:6.1f}, {len(got.moves)} moves"
            )
    word = "met" if slowest < SECONDS else "missed"
    print(f"slowest {slowest:.2f} s (target under {SECONDS:g} s): {word}")
    print(
        f"smallest distance known to be the best in {np.mean(np.array(gaps) < 1e-9):.0%}, at most {max(gaps):.1%} short"
    )


if __name__ == "__main__":
    main()
