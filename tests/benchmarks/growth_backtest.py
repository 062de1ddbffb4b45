"""Back-test of the forecasts of picking and closure on simulated lids.

Run as a script: ``python tests/benchmarks/growth_backtest.py [LIDS]``. The simulator integrates daily growth whose
relative rate falls with size by one of three laws the estimator does not have, shakes it with weather that lasts for
days, lets neighbours shade each other, and reads areas with errors that last too. Each forecast is made so that the
truth lies about ten days ahead.
"""

from __future__ import annotations

import sys
from datetime import date, timedelta

import numpy as np

from sprout.calibration import Crop, crops
from sprout.growth.canopy import Canopy
from sprout.growth.closure import CLOSED_PCT
from sprout.growth.forecast import forecast_growth

SOWN = date(2024, 3, 1)
AHEAD = 10
DAYS = 110


class Lid:
    """One simulated lid: true areas (plugs, days), what was read on the days with a photo, true and read cover."""

    def __init__(self, rng: np.random.Generator) -> None:
        known = [c for c in crops().values() if c.name != "other"]
        self.crop: Crop = known[rng.integers(len(known))]
        plugs = int(rng.choice([6, 9, 12, 15, 20]))
        self.site_cm2 = float(rng.uniform(30, 60))
        low, high = self.crop.harvest_days or (30, 70)
        up = np.maximum(rng.normal(rng.uniform(4, 14), 1.5, plugs), 1).round()
        pick = min(self.crop.pick_cm2, 0.8 * self.site_cm2)
        # early rate that brings a seedling to picking size in about the time that gardens take, or sooner
        age = max(rng.uniform(0.55, 1.0) * (low + high) / 2 - up.mean(), 8)
        rate = np.log(pick / 0.4) / age * rng.uniform(1.2, 1.6)
        law = self.law = rng.integers(3)
        limit = self.site_cm2 * rng.uniform(1.3, 3.0) * np.exp(rng.normal(0, 0.2, plugs))
        limit = np.maximum(limit, 1.3 * pick)
        own = rate * np.exp(rng.normal(0, 0.12, plugs))
        weather = np.zeros(DAYS)
        for d in range(1, DAYS):
            weather[d] = 0.8 * weather[d - 1] + rng.normal(0, 0.12)
        area = np.zeros((plugs, DAYS))
        size = 0.35 * np.exp(rng.normal(0, 0.4, plugs))
        for d in range(DAYS):
            size = np.where(d > up, size, size)
            share = np.clip(size / limit, 0, 1)
            slowed = ((1 - share**0.5), (1 - share) ** 1.3, 1 / (1 + 6 * share) - share / 7)[law]
            size = np.where(d > up, size * np.exp(own * np.maximum(slowed, 0) * np.exp(weather[d])), size)
            area[:, d] = np.where(d >= up, size, 0)
        self.up, self.area = up, area
        over = 1.25 * area.sum(axis=0) / (plugs * self.site_cm2)  # leaf over each patch of lid
        self.cover = 100 * (1 - np.exp(-over))
        self.looks = np.array([d for d in range(DAYS) if rng.random() > rng.uniform(0, 0.4)])
        error = np.zeros((plugs, DAYS))
        for d in range(1, DAYS):
            error[:, d] = 0.6 * error[:, d - 1] + rng.normal(0, 0.08, plugs)
        bad = rng.random((plugs, DAYS)) < 0.01
        self.read = area * np.exp(error) * np.where(bad, rng.uniform(0.4, 0.8), 1)
        self.read_cover = 100 * (1 - np.exp(-over * np.exp(error.mean(axis=0) + rng.normal(0, 0.04, DAYS))))

    def canopies(self, day: int) -> tuple[Canopy, ...]:
        """What the looks up to a day showed."""
        looks = self.looks[self.looks <= day]
        return tuple(
            Canopy(
                plug=f"P{k + 1}",
                crop=self.crop.name,
                sown=SOWN,
                up_day=float(up) if up <= day else None,
                days=looks[looks >= up].astype(float),
                areas_cm2=self.read[k, looks[looks >= up]],
            )
            for k, up in enumerate(self.up)
        )

    def forecast(self, day: int):
        """The product's answer on a day."""
        looks = self.looks[self.looks <= day]
        return forecast_growth(
            self.canopies(day),
            {self.crop.name: self.crop},
            as_of=SOWN + timedelta(days=day),
            area_per_site_cm2=self.site_cm2,
            cover=([SOWN + timedelta(days=int(d)) for d in looks], self.read_cover[looks]),
        )


def _first(reached: np.ndarray) -> int | None:
    return int(np.argmax(reached)) if reached.any() else None


def backtest(lids: int, *, seed: int = 7) -> dict[str, float]:
    """Shares of intervals that hold the truth about ten days ahead, and their widths in days."""
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {"pick": [], "lid pick": [], "closure": []}
    width: dict[str, list[int]] = {key: [] for key in held}
    off: dict[str, list[int]] = {key: [] for key in held}
    early: dict[str, list[bool]] = {key: [] for key in held}

    def score(key, dates, truth):
        if dates is None:
            held[key].append(False)
            return
        day = SOWN + timedelta(days=truth)
        held[key].append(dates.low <= day <= dates.high)
        width[key].append((dates.high - dates.low).days)
        off[key].append((dates.mid - day).days)
        early[key].append(dates.high < day)

    for _ in range(lids):
        lid = Lid(rng)
        truths = [_first(a >= lid.crop.pick_cm2) for a in lid.area]
        for k in rng.permutation(len(truths))[:3]:
            if truths[k] is not None and truths[k] - AHEAD > lid.up[k]:
                got = lid.forecast(truths[k] - AHEAD)
                score("pick", got.plugs[k].first_pick, truths[k])
        first = min((t for t in truths if t is not None), default=None)
        if first is not None and first - AHEAD > lid.up.min():
            score("lid pick", lid.forecast(first - AHEAD).first_pick, first)
        closed = _first(lid.cover >= CLOSED_PCT)
        if closed is not None and closed > AHEAD + 5:
            score("closure", lid.forecast(closed - AHEAD).closure, closed)
    out = {}
    for key in held:
        out[f"{key} held %"] = 100 * float(np.mean(held[key]))
        out[f"{key} width d, median"] = float(np.median(width[key]))
        out[f"{key} off d, median"] = float(np.median(off[key]))
        out[f"{key} width over 60 d %"] = 100 * float(np.mean(np.array(width[key]) > 60))
        out[f"{key} too early %"] = 100 * float(np.mean(np.array(early[key])))
        out[f"{key} n"] = len(held[key])
    return out


if __name__ == "__main__":
    for name, value in backtest(int(sys.argv[1]) if len(sys.argv) > 1 else 150).items():
        print(f"{name:40s} {value:8.3f}")
