"""Back-test of the outlook as a whole: photos that are read with errors, weighed, and looked ahead from.

Run as a script: ``python tests/benchmarks/outlook_backtest.py [GROWS]``. The grows are those of ``backtest`` (its fresh
world); here every look is a photo whose readings are doubtful, too late for the smallest seedlings, or plainly wrong,
so that the weighing of the series has its say. Nothing was chosen by these figures.
"""

from __future__ import annotations

import sys
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.backtest import FRESH, SOWN, Grow, simulate

from sprout import columns
from sprout.evidence import Evidence
from sprout.outlook import look_ahead
from sprout.plugs import Sowing
from sprout.timeline import weigh

AT = (0.3, 0.5, 0.8, 1.0)  # share of the seed-testing calendar that has passed
SITE_CM2 = 40.0


def photographed(grow: Grow, last: int, rng: np.random.Generator) -> Evidence:
    """The grow as photos up to a day tell it."""
    labels = tuple(f"P{k + 1}" for k in range(len(grow.seeds)))
    rows: list[dict[str, Any]] = []
    for j, day in enumerate(int(d) for d in grow.looks if d <= last):
        moment = datetime.combine(SOWN + timedelta(days=day), time(8))
        for i, site in enumerate(labels):
            count, age = int(grow.seen[i, j]), day - (grow.times[i][0] if grow.times[i].size else day)
            up = count > 0
            p = rng.beta(30, 1) if up else rng.beta(1, 30)
            if up and age < 1.5 and rng.random() < 0.4:
                p = rng.uniform(0.1, 0.6)  # hardly to be seen yet
            elif rng.random() < 0.03:
                p = rng.uniform(0.05, 0.4) if up else rng.uniform(0.5, 0.9)
            shown = count if p >= 0.5 and up else int(p >= 0.5)
            rows.append(
                {
                    "sha256": str(day),
                    "date": moment.date().isoformat(),
                    "moment": moment.isoformat(),
                    "photo": f"{day}.jpg",
                    "site": site,
                    "status": "sprouted" if p >= 0.5 else "empty",
                    "p_sprouted": p,
                    "seedlings": shown,
                    "seedlings_low": max(shown - 1, int(shown > 0)),
                    "seedlings_high": shown + 1 if shown else 0,
                    "tissue_cm2": 0.3 * shown * 2 ** (max(age, 0) / 4) * np.exp(rng.normal(0, 0.1)),
                    "algae": "no",
                }
            )
    return Evidence(
        lid="simulated",
        labels=labels,
        area_per_site_cm2=SITE_CM2,
        sown=SOWN,
        sowing={site: Sowing(grow.crop.name, n) for site, n in zip(labels, grow.seeds, strict=True)},
        looks=columns.frame(rows, columns.LOOKS),
        entries=columns.frame((), columns.ENTRIES),
        fixes=columns.frame((), columns.FIXES),
        temperature_c=grow.temperature_c,
    )


def backtest(grows: int, *, seed: int = 11) -> dict[str, float]:
    """Shares of intervals that hold the truth, and how well chances come true."""
    rng = np.random.default_rng(seed)
    held, wide, chance, came, given_up = [], [], [], [], []
    for _ in range(grows):
        grow = simulate(rng, FRESH, sites=int(rng.choice([6, 9, 12, 15])))
        truth = grow.truth()
        final = int(np.isfinite(truth).sum())
        for share in AT:
            day = max(1, round(share * grow.crop.final_count_day))
            evidence = photographed(grow, day, rng)
            got = look_ahead(evidence, weigh(evidence), as_of=SOWN + timedelta(days=day))
            low, _, high = got.grow.sprouted_final
            held.append(low <= final <= high)
            wide.append(high - low)
            looked = [int(d) for d in grow.looks if d <= day]
            for plug, first in zip(got.plugs, truth, strict=True):
                if plug.status == "empty" and looked:
                    chance.append(plug.p_yet)
                    came.append(first < np.inf and first > looked[-1] - 1)
                    given_up.append((plug.advice == "give up", came[-1]))
    p, c = np.array(chance), np.array(came, dtype=float)
    wrongly = [yet for given, yet in given_up if given]
    return {
        "final plugs held %": 100 * float(np.mean(held)),
        "final plugs width": float(np.mean(wide)),
        "Brier of p_yet": float(np.mean((p - c) ** 2)),
        "Brier below base rate %": 100 * (1 - float(np.mean((p - c) ** 2) / np.mean((c.mean() - c) ** 2))),
        "p_yet, mean": float(p.mean()),
        "came, mean": float(c.mean()),
        "given up that came %": 100 * float(np.mean(wrongly)) if wrongly else 0.0,
        "empty plugs": float(p.size),
    }


if __name__ == "__main__":
    for name, value in backtest(int(sys.argv[1]) if len(sys.argv) > 1 else 100).items():
        print(f"{name:30s} {value:8.3f}")
