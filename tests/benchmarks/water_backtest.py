"""Back-test of the water account on simulated reservoirs.

Run as a script: ``python tests/benchmarks/water_backtest.py [LIDS]``. The simulator knows none of the estimator's laws:
evaporation falls as leaves cover the lid, transpiration rises faster than the leaf area, weather lasts for days with
hot spells, growth follows another curve, photos are missing and misread, and growers top up each in their own way, some
to the mark, some by the jug, round what they note, and mostly remember to note the level when it is not at the mark.
Each lid is asked three times: before any note, on the evening of its second top-up, and some days later.
"""

from __future__ import annotations

import sys
from datetime import date, datetime, timedelta

import numpy as np

from sprout.calibration import Crop, crops
from sprout.care.leaf import lid_leaf
from sprout.care.water import Water, water_account
from sprout.plugs import Note

SOWN = date(2024, 3, 1)
DAYS = 240
HELD, WIDE_PCT = (85.0, 95.0), 40.0


class Reservoir:
    """One simulated lid with its reservoir: true leaf and use by the day, what was read, how it is topped up."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        known = [c for c in crops().values() if c.name != "other"]
        self.crop: Crop = known[rng.integers(len(known))]
        self.plugs = int(rng.choice([6, 9, 12, 15, 20]))
        self.lid_cm2 = self.plugs * rng.uniform(30, 60)
        low, high = self.crop.harvest_days or (30, 70)
        up = max(rng.uniform(3, 14), 2)
        half = up + rng.uniform(0.4, 1.0) * (low + high) / 2  # day of about a third of the full cover
        limit = self.lid_cm2 * rng.uniform(0.5, 1.15)
        first = 0.4 * self.plugs * rng.uniform(0.5, 1.0)
        weather = self._lasting(rng.uniform(0.3, 0.8), 0.1)
        pace = np.log(np.log(limit / first)) / max(half - up, 8)
        age = np.cumsum(np.where(np.arange(DAYS) >= up, np.exp(weather), 0.0))
        self.leaf = np.where(age > 0, limit * np.exp(-np.log(limit / first) * np.exp(-pace * age)), 0.0)
        cover = np.minimum(self.leaf / self.lid_cm2, 1.0)
        bare = rng.uniform(0.1, 0.35) * self.lid_cm2 / 1e4 * rng.lognormal(np.log(2.2), 0.6)
        thirst = rng.lognormal(np.log(2.2), 0.6) * np.maximum(cover / 0.5, 0.05) ** rng.uniform(-0.1, 0.35)
        air = self._lasting(rng.uniform(0.3, 0.8), rng.uniform(0.04, 0.18))
        for _ in range(rng.poisson(DAYS / 60)):
            day = rng.integers(DAYS)
            air[day : day + rng.integers(2, 6)] += rng.uniform(0.1, 0.35)
        self.use = (bare * (1 - rng.uniform(0.2, 0.7) * cover) + thirst * self.leaf / 1e4) * np.exp(air)
        self.full = float(np.clip(rng.lognormal(np.log(3.8), 0.45), 1.5, 12))
        self.style = rng.choice(["mark", "mostly", "jug"], p=[0.6, 0.25, 0.15])
        self.round_to = rng.choice([0.05, 0.1, 0.25])
        looks = np.array([d for d in range(DAYS) if rng.random() > rng.uniform(0, 0.4)])
        error = self._lasting(0.6, rng.uniform(0.04, 0.1)) + rng.normal(0, 0.08)
        self.looks, self.read = looks, (self.leaf * np.exp(error))[looks]

    def _lasting(self, correlation: float, spread: float) -> np.ndarray:
        out = np.zeros(DAYS)
        for d in range(1, DAYS):
            out[d] = correlation * out[d - 1] + self.rng.normal(0, spread * (1 - correlation**2) ** 0.5)
        return out

    def run(self) -> tuple[list[Note], int, float] | None:
        """The notes up to the second top-up, its day, and the level left at that day's end; None if it is too late."""
        rng = self.rng
        level, notes, levels = self.full * (1 - abs(rng.normal(0, 0.02))), [], []
        patience = rng.uniform(0.3, 0.65)
        for day in range(DAYS // 2):
            hour = rng.uniform(7, 21) / 24
            level -= self.use[day] * hour
            if level < patience * self.full * rng.uniform(0.85, 1.15):
                level = max(level, 0.0)
                room = self.full - level
                to_mark = {"mark": 1.0, "mostly": 0.75, "jug": 0.0}[self.style] > rng.random()
                amount = room * rng.normal(1, 0.02) if to_mark else min(1.0 if room > 1.1 else room / 2, room)
                level = min(level + amount, self.full * 1.01)
                told = max(round(amount * rng.normal(1, 0.02) / self.round_to), 1) * self.round_to
                at = datetime.combine(SOWN, datetime.min.time()) + timedelta(days=day + hour)
                notes.append(Note("topup", at, amount=float(told), unit="l", number=2 * len(notes) + 1))
                if not to_mark and rng.random() < 0.85:
                    told = round(level / self.full * rng.normal(1, 0.03) * 20) * 5.0
                    levels.append(Note("level", at, amount=min(told, 100.0), unit="%", number=2 * len(notes)))
            level -= self.use[day] * (1 - hour)
            if len(notes) == 2:
                return [*notes, *levels], day, level
        return None

    def empty_day(self, day: int, level: float) -> int | None:
        """The day on which it runs dry when nothing is added after ``day``."""
        gone = np.cumsum(self.use[day + 1 :])
        dry = np.flatnonzero(gone >= level)
        return day + 1 + int(dry[0]) if dry.size else None

    def forecast(self, notes: list[Note], day: int) -> Water:
        """The product's answer at the end of a day."""
        seen = self.looks <= day
        as_of = SOWN + timedelta(days=day)
        looked = [SOWN + timedelta(days=int(d)) for d in self.looks[seen]]
        leaf = lid_leaf(
            looked, self.read[seen], sown=SOWN, as_of=as_of, lid_cm2=self.lid_cm2, crop=self.crop, plugs=self.plugs
        )
        return water_account(notes, leaf, sown=SOWN, as_of=as_of, lid_cm2=self.lid_cm2, reservoir_litres=self.full)


def backtest(lids: int, *, seed: int = 2024) -> dict[str, float]:
    """Share of intervals that hold the true day, and their width as a share of the days left."""
    rng = np.random.default_rng(seed)
    held: dict[str, list[bool]] = {"evening": [], "later": [], "no note": []}
    wide: dict[str, list[float]] = {key: [] for key in held}
    early: dict[str, list[bool]] = {key: [] for key in held}
    use: list[bool] = []

    def ask(key: str, lid: Reservoir, notes: list[Note], day: int, truth: int) -> None:
        got = lid.forecast(notes, day)
        true_use = lid.use[day + 1]
        use.append(got.litres_per_day.low <= true_use <= got.litres_per_day.high)
        if got.empty_on is None:
            held[key].append(False)
            return
        low, _, high = ((d - SOWN).days for d in got.empty_on)
        held[key].append(low <= truth <= high)
        wide[key].append((high - low) / (truth - day))
        early[key].append(high < truth)

    while len(held["evening"]) < lids:
        lid = Reservoir(rng)
        first_dry = lid.empty_day(-1, lid.full)
        if first_dry is not None and first_dry > 6:
            ask("no note", lid, [], int(first_dry * rng.uniform(0.2, 0.8)), first_dry)
        done = lid.run()
        if done is None:
            continue
        notes, day, level = done
        truth = lid.empty_day(day, level)
        if truth is None or truth - day < 3:
            continue
        ask("evening", lid, notes, day, truth)
        later = int((truth - day) * rng.uniform(0.2, 0.6))
        if truth - day - later >= 3:
            ask("later", lid, notes, day + later, truth)
    out: dict[str, float] = {}
    for key in held:
        out[f"{key}: held %"] = 100 * float(np.mean(held[key]))
        out[f"{key}: width % of days left, median"] = 100 * float(np.median(wide[key]))
        out[f"{key}: width % of days left, mean"] = 100 * float(np.mean(wide[key]))
        out[f"{key}: truth after the interval %"] = 100 * float(np.mean(early[key]))
        out[f"{key}: n"] = len(held[key])
    out["use per day held %"] = 100 * float(np.mean(use))
    return out


if __name__ == "__main__":
    figures = backtest(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    for name, value in figures.items():
        print(f"{name:45s} {value:8.2f}")
    for key in ("evening", "later"):
        holds = HELD[0] <= figures[f"{key}: held %"] <= HELD[1]
        narrow = figures[f"{key}: width % of days left, median"] <= WIDE_PCT
        words = ["met" if reached else "missed" for reached in (holds, narrow)]
        print(f"{key}: holds 85 to 95 %: {words[0]}; at most 40 % of the days left wide (median): {words[1]}")
