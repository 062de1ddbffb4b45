"""Back-test of the forecasts of picking and closure on simulated lids.

Run as a script: ``python tests/benchmarks/growth_backtest.py [LIDS [SEED]]``. The simulator integrates daily growth
whose relative rate falls with size by one of three laws the estimator does not have, shakes it with weather that lasts
for days, lets neighbours shade each other, and reads areas with errors that last too. Each forecast is made so that
the truth lies about ten days ahead.

There are three worlds. The estimator's spreads were chosen in ``KNOWN`` and ``WIDE``; ``FRESH`` has other laws of
growth again. It was written down before anything was run in it, and nothing is chosen by it. The figures to quote are
those of ``FRESH``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from sprout.calibration import Crop, crops
from sprout.growth.canopy import Canopy
from sprout.growth.closure import CLOSED_PCT
from sprout.growth.forecast import forecast_growth

SOWN = date(2024, 3, 1)
AHEAD = 10
DAYS = 110
FASTEST = 0.45  # no herb grows faster, per day (Grime & Hunt 1975, J. Ecol. 63:393-422, from memory: up to about 0.4)


TARGETS = {f"{key} held %": (85, 95) for key in ("pick", "lid pick", "closure")}


@dataclass(frozen=True)
class World:
    """Ranges from which lids are drawn: low and high of uniform ones, or the most.

    ``slowing``: (laws,) share of the early rate that is left at a share of the limit, with a shape of 0 to 1.
    ``age``: days to picking against those of the harvest table. ``haste``: early rate against the mean one. ``limit``:
    leaf a plug can reach, per area of its site. ``own``: log spread of rates between plugs. ``weather``: how much of it
    lasts to the next day, its log spread. ``error``: the same of readings. ``overlap``: leaf seen over leaf there is.
    """

    name: str
    slowing: tuple[Callable[[np.ndarray, float], np.ndarray], ...]
    plugs: tuple[int, ...]
    site_cm2: tuple[float, float]
    up: tuple[float, float]
    age: tuple[float, float]
    haste: tuple[float, float]
    limit: tuple[float, float]
    own: float
    weather: tuple[float, float]
    error: tuple[float, float]
    overlap: tuple[float, float]
    missed: float


KNOWN = World(
    name="known",
    slowing=(
        lambda share, _: 1 - share**0.5,
        lambda share, _: (1 - share) ** 1.3,
        lambda share, _: 1 / (1 + 6 * share) - share / 7,
    ),
    plugs=(6, 9, 12, 15, 20),
    site_cm2=(30, 60),
    up=(4, 14),
    age=(0.55, 1.0),
    haste=(1.2, 1.6),
    limit=(1.3, 3.0),
    own=0.12,
    weather=(0.8, 0.12),
    error=(0.6, 0.08),
    overlap=(1.25, 1.25),
    missed=0.4,
)
WIDE = World(
    name="wide",
    slowing=(
        lambda share, shape: 1 - share ** (0.3 + 0.5 * shape),  # Richards
        lambda share, shape: 1 - share ** (1.3 + shape),
        lambda share, shape: np.minimum(1.0, (1 - share) / (0.6 + 0.3 * shape)),  # as fast as ever, then falling
        lambda share, shape: 1 / (1 + (3 + 6 * shape) * share**1.2) - share / (4 + 6 * shape),
    ),
    plugs=(4, 8, 10, 16, 24),
    site_cm2=(20, 75),
    up=(3, 18),
    age=(0.5, 1.15),
    haste=(1.1, 1.7),
    limit=(1.2, 3.5),
    own=0.16,
    weather=(0.85, 0.13),
    error=(0.7, 0.09),
    overlap=(1.0, 1.5),
    missed=0.5,
)


FRESH = World(
    name="fresh",
    slowing=(
        lambda share, shape: np.minimum(1.0, (np.maximum(share, 1e-6) ** (-1 / 3) - 1) / (1 + 2 * shape)),
        lambda share, shape: np.where(share < 0.03, 0.6 + 0.4 * shape, 1.0) * (1 - share),  # held up when small
        lambda share, shape: (1 - share) ** (0.5 + shape),
        lambda share, shape: 1 - share**2 / (share**2 + (0.15 + 0.3 * shape) * (1 - share)),
    ),
    plugs=(5, 7, 12, 18, 30),
    site_cm2=(25, 80),
    up=(3, 16),
    age=(0.5, 1.1),
    haste=(1.15, 1.65),
    limit=(1.3, 3.2),
    own=0.14,
    weather=(0.7, 0.18),
    error=(0.5, 0.1),
    overlap=(1.1, 1.4),
    missed=0.6,
)


class Lid:
    """One simulated lid: true areas (plugs, days), what was read on the days with a photo, true and read cover."""

    def __init__(self, rng: np.random.Generator, world: World) -> None:
        known = [c for c in crops().values() if c.name != "other"]
        self.crop: Crop = known[rng.integers(len(known))]
        plugs = int(rng.choice(world.plugs))
        self.site_cm2 = float(rng.uniform(*world.site_cm2))
        low, high = self.crop.harvest_days or (30, 70)
        up = np.maximum(rng.normal(rng.uniform(*world.up), 1.5, plugs), 1).round()
        pick = min(self.crop.pick_cm2, 0.8 * self.site_cm2)
        # early rate that brings a seedling to picking size in about the time that gardens take, or sooner
        age = max(rng.uniform(*world.age) * (low + high) / 2 - up.mean(), 8)
        rate = min(np.log(pick / 0.4) / age * rng.uniform(*world.haste), FASTEST)
        slowing, shape = world.slowing[rng.integers(len(world.slowing))], rng.random()
        limit = self.site_cm2 * rng.uniform(*world.limit) * np.exp(rng.normal(0, 0.2, plugs))
        limit = np.maximum(limit, 1.3 * pick)
        own = rate * np.exp(rng.normal(0, world.own, plugs))
        weather = np.zeros(DAYS)
        for d in range(1, DAYS):
            weather[d] = world.weather[0] * weather[d - 1] + rng.normal(0, world.weather[1])
        area = np.zeros((plugs, DAYS))
        size = 0.35 * np.exp(rng.normal(0, 0.4, plugs))
        for d in range(DAYS):
            left = np.maximum(slowing(np.clip(size / limit, 0, 1), shape), 0)
            size = np.where(d > up, size * np.exp(own * left * np.exp(weather[d])), size)
            area[:, d] = np.where(d >= up, size, 0)
        self.up, self.area = up, area
        over = rng.uniform(*world.overlap) * area.sum(axis=0) / (plugs * self.site_cm2)  # leaf over each patch of lid
        self.cover = 100 * (1 - np.exp(-over))
        missed = rng.uniform(0, world.missed)
        self.looks = np.array([d for d in range(DAYS) if rng.random() > missed])
        error = np.zeros((plugs, DAYS))
        for d in range(1, DAYS):
            error[:, d] = world.error[0] * error[:, d - 1] + rng.normal(0, world.error[1], plugs)
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


def backtest(lids: int, world: World = FRESH, *, seed: int = 7) -> dict[str, float]:
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
        lid = Lid(rng, world)
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
    from targets import print_tables

    number = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    print_tables({world.name: backtest(number, world, seed=seed) for world in (KNOWN, WIDE, FRESH)}, TARGETS)
