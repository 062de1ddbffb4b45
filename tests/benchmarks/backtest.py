"""Back-test of the germination forecasts on simulated grows.

Run as a script for the whole of it: ``python tests/benchmarks/backtest.py [GROWS]``. The simulator shares nothing
with the estimator but the crop calendar: its seeds follow other laws of time (gamma, lognormal, Weibull, two waves),
its sites differ in wetness and warmth, its lots are better or worse than the law asks, the grower misses mornings,
and the camera misses and miscounts.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import inf, nan

import numpy as np

from sprout.calibration import Crop, crops, emergence_days
from sprout.germination.forecast import GerminationForecast, forecast
from sprout.germination.onsets import Onset
from sprout.germination.prior import prior_of

SOWN = date(2024, 3, 1)
END = 60
AS_OF = (3, 5, 7, 10, 14, 18, 24, 32)


@dataclass(frozen=True)
class Grow:
    """A grow's truth and how it was looked at.

    ``times[i]``: days at which the germs of plug i come up, sorted; ``looks``: days with a photo; ``seen[i][j]``:
    seedlings that look j found in plug i.
    """

    crop: Crop
    temperature_c: float | None
    seeds: tuple[int, ...]
    times: tuple[np.ndarray, ...]
    looks: np.ndarray
    seen: np.ndarray

    def truth(self) -> np.ndarray:
        """First day up of each plug, inf if not by the end."""
        return np.array([t[0] if t.size and t[0] <= END else inf for t in self.times])

    def evidence(self, day: int) -> tuple[Onset, ...]:
        """What the looks up to a day say."""
        until = self.looks <= day
        looks, seen = self.looks[until], self.seen[:, until]
        out = []
        for i, seeds in enumerate(self.seeds):
            bare = Onset(f"P{i + 1}", self.crop.name, seeds, SOWN)
            up = np.flatnonzero(seen[i] > 0)
            if not looks.size:
                out.append(bare)
            elif not up.size:
                out.append(replace(bare, empty_day=float(looks[-1]), seen_day=float(looks[-1])))
            else:
                before = looks[up[0] - 1] if up[0] else 0
                out.append(
                    replace(
                        bare,
                        empty_day=float(before),
                        up_day=float(looks[up[0]]),
                        seedlings=max(int(np.median(seen[i][-5:])), 1),  # as after weighing the series
                        seen_day=float(looks[-1]),
                    )
                )
        return tuple(out)

    def forecast(self, day: int, *, blind: bool = False) -> GerminationForecast:
        """The product's answer on a day; ``blind``: from the prior alone."""
        prior = prior_of(self.crop, temperature_c=self.temperature_c)
        evidence = self.evidence(0 if blind else day)
        return forecast(evidence, {self.crop.name: prior}, as_of=SOWN + timedelta(days=0 if blind else day))


def _days(rng: np.random.Generator, median: float, spread: float, n: int) -> np.ndarray:
    """n days of one of five laws with about this median and coefficient of variation."""
    law = rng.integers(5)
    if law == 0:
        return median * np.exp(rng.normal(0, spread, n))
    if law == 1:
        return rng.gamma(1 / spread**2, median * spread**2 / (1 - spread**2 / 3), n)
    if law == 2:
        shape = 1.2 / spread
        return median * (rng.weibull(shape, n) / np.log(2) ** (1 / shape))
    if law == 3:
        late = rng.random(n) < rng.uniform(0.05, 0.3)
        return median * np.exp(rng.normal(0, spread, n)) * np.where(late, rng.uniform(1.3, 1.8), 1)
    lag = rng.uniform(0.3, 0.6) * median
    return lag + (median - lag) * np.exp(rng.normal(0, 1.5 * spread, n))


def simulate(rng: np.random.Generator, *, sites: int | None = None) -> Grow:
    """Draw one grow."""
    known = [c for c in crops().values() if c.name != "other"]
    crop = known[rng.integers(len(known))]
    temperature = rng.uniform(17, 26)
    by_table = emergence_days(crop, temperature)
    first = crop.first_count_day or 3
    by_calendar = rng.uniform(0.75, 1.25) * first + rng.uniform(0, 0.15) * (crop.final_count_day - first)
    median = (by_calendar if by_table is None else by_table + rng.uniform(0, 2)) * np.exp(rng.normal(0, 0.2))
    least = (crop.germination_min_pct or 60) / 100
    share = float(np.clip(rng.triangular(least - 0.25, least + 0.12, 1.0), 0.1, 0.98))
    embryos = crop.seedlings_per_seed
    share = 1 - (1 - share) ** (1 / embryos)
    sites = sites or int(rng.choice([6, 9, 12, 15, 20, 24, 30, 40, 60]))
    usual = int(rng.integers(1, 6))
    seeds = np.full(sites, usual) if rng.random() < 0.6 else rng.integers(max(1, usual - 1), usual + 2, sites)
    clumping, wetness, spread = rng.uniform(0.5, 40), rng.uniform(0, 0.2), rng.uniform(0.12, 0.4)
    times = []
    for n in seeds:
        site_share = rng.beta(share * clumping, (1 - share) * clumping)
        able = rng.binomial(n * embryos, site_share)
        drawn = _days(rng, median * np.exp(rng.normal(0, wetness)), spread, able)
        times.append(np.sort(np.maximum(drawn, 0.8)))
    missed = rng.uniform(0, 0.4)
    looks = np.array([d for d in range(int(rng.integers(0, 4)), END + 1) if rng.random() >= missed])
    slow, wrong = rng.uniform(0, 0.25), rng.uniform(0, 0.15)
    seen = np.zeros((sites, looks.size), dtype=int)
    for i, t in enumerate(times):
        up = np.searchsorted(t, looks + 0.35, side="right")  # photos are taken in the morning
        found = up - rng.binomial(up - np.searchsorted(t, looks - 0.65, side="right"), slow)
        off = rng.choice([-1, 1], looks.size) * (rng.random(looks.size) < wrong)
        seen[i] = np.where(found > 0, np.maximum(found + off, 1), 0)
    return Grow(
        crop, round(temperature) if rng.random() < 0.5 else None, tuple(map(int, seeds)), tuple(times), looks, seen
    )


def backtest(grows: int, *, seed: int = 7, as_of: tuple[int, ...] = AS_OF, give_up: bool = True) -> dict[str, float]:
    """Figures over so many simulated grows.

    The rules to beat: the base rate (one chance for all), the calendar day (sure until the final count, then none),
    and the calendar with the law's least germination until then, which knows more than a packet tells.
    """
    rng = np.random.default_rng(seed)
    held, held_open, widths, ratios, held_pct, held_t50 = [], [], [], [], [], []
    p, came, calendar, lawful = [], [], [], []
    lost, kept, saved = 0, 0, []
    for _ in range(grows):
        grow = simulate(rng)
        truth = grow.truth()
        final = int(np.isfinite(truth).sum())
        seeds_up = sum(min((t <= END).sum(), n) for t, n in zip(grow.times, grow.seeds, strict=True))
        every = np.concatenate(grow.times)
        blind = grow.forecast(0, blind=True).sprouted_final
        for day in as_of:
            got = grow.forecast(day)
            low, _, high = got.sprouted_final
            held.append(low <= final <= high)
            if high > low:
                held_open.append(held[-1])
            widths.append(high - low)
            held_pct.append(
                got.germination_pct.low - 1e-6 <= 100 * seeds_up / sum(grow.seeds) <= got.germination_pct.high + 1e-6
            )
            if every.size:
                held_t50.append(got.t50_days.low <= np.median(every) <= got.t50_days.high)
            if 2 * got.sprouted_now >= final and final and blind.high > blind.low:
                ratios.append((high - low) / (blind.high - blind.low))
            for plug, first, seeds, found in zip(got.plugs, truth, grow.seeds, grow.evidence(day), strict=True):
                if not plug.up:
                    p.append(plug.p_yet)
                    # up but not yet seen counts as coming
                    came.append(first < inf and first > found.empty_day - 0.65)
                    least = (grow.crop.germination_min_pct or 60) / 100
                    calendar.append(float(day < grow.crop.final_count_day))
                    lawful.append((1 - (1 - least) ** seeds) * calendar[-1])
        if give_up:
            given = _give_up_days(grow)
            comes = np.isfinite(truth)
            lost += int((given[comes] < np.ceil(truth[comes])).sum())
            kept += int(comes.sum())
            saved.extend(grow.crop.final_count_day - given[~comes])
    chance, outcome = np.array(p), np.array(came, dtype=float)
    brier = np.mean((chance - outcome) ** 2)
    bins = np.digitize(chance, np.linspace(0.1, 0.9, 9))
    off = [abs(chance[bins == b].mean() - outcome[bins == b].mean()) for b in range(10) if (bins == b).sum() >= 200]
    out = {
        "final sites held %": 100 * np.mean(held),
        "final sites held, while open %": 100 * np.mean(held_open),
        "final sites width": np.mean(widths),
        "width over prior's once half is up": np.mean(ratios),
        "germination % held %": 100 * np.mean(held_pct),
        "T50 held %": 100 * np.mean(held_t50),
        "Brier": brier,
        "Brier below base rate %": 100 * (1 - brier / np.mean((outcome.mean() - outcome) ** 2)),
        "Brier below calendar day %": 100 * (1 - brier / np.mean((np.array(calendar) - outcome) ** 2)),
        "Brier below calendar with share %": 100 * (1 - brier / np.mean((np.array(lawful) - outcome) ** 2)),
        "reliability, most off": max(off, default=nan),
        "base rate": outcome.mean(),
    }
    if give_up:
        out |= {"given up too soon %": 100 * lost / max(kept, 1), "days saved": float(np.mean(saved))}
    return out


def _give_up_days(grow: Grow) -> np.ndarray:
    """Day on which a grower who follows the advice day by day gives each plug up, inf if it came up first."""
    given = np.full(len(grow.seeds), inf)
    for day in [int(d) for d in grow.looks if d > 0]:
        got = grow.forecast(day)
        for i, plug in enumerate(got.plugs):
            if given[i] == inf and not plug.up and plug.give_up_on <= SOWN + timedelta(days=day):
                given[i] = day
        if all(plug.up or given[i] < inf for i, plug in enumerate(got.plugs)):
            break
    return given


if __name__ == "__main__":
    for name, value in backtest(int(sys.argv[1]) if len(sys.argv) > 1 else 300).items():
        print(f"{name:40s} {value:8.3f}")
