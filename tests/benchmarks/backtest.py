"""Back-test of the germination forecasts on simulated grows.

Run as a script for the whole of it: ``python tests/benchmarks/backtest.py [GROWS [SEED]]``. The simulator shares
nothing with the estimator but the crop calendar: its seeds follow other laws of time (gamma, lognormal, Weibull, waves
…), its sites differ in wetness and warmth, its lots are better or worse than the law asks, the grower misses mornings,
and the camera misses and miscounts.

There are two worlds. The spreads of the prior and the chance at which a plug is given up were chosen in ``KNOWN``;
``FRESH`` has other laws of time, wider ranges, old seed and rooms too hot or cold for the crop. It was written down
before anything was run in it, and nothing is chosen by it. The figures to quote are those of ``FRESH``.

A forecast is made at every tenth of the seed-testing calendar, up to half its length past its last count. Intervals
of the final number of plugs are scored up to that last count, on every grow and every such day, also where one number
alone is left; later hardly anything is open and any interval holds. Those figures stand beside.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import inf, nan

import numpy as np
import numpy.typing as npt

from sprout.calibration import Crop, crops, emergence_days, emergence_pct
from sprout.germination.forecast import GerminationForecast, forecast
from sprout.germination.onsets import Onset
from sprout.germination.prior import prior_of

SOWN = date(2024, 3, 1)
END = 60
TENTHS = tuple(range(1, 16))
TARGETS = {
    "final sites held %": (86, 94),
    "width over prior's once half is up": (0, 0.6),
    "Brier below base rate %": (45, inf),
    "Brier below calendar day %": (45, inf),
    "reliability, most off": (0, 0.07),
    "given up too soon %": (0, 5),
    "days saved": (3, inf),
}


@dataclass(frozen=True)
class World:
    """Ranges from which grows are drawn: low and high of uniform ones, or the most.

    ``share``: three corners of a triangle, against the least germination that the law allows, the last one absolute.
    ``clumping``: a + b of the sites' beta law. ``wetness``: log spread of the sites' median days. ``spread``:
    coefficient of variation of the days. ``late``: log spread of the grow's median day about the calendar's.
    ``missed``: mornings without a photo. ``slow``: seedlings overlooked on their first day. ``wrong``: counts that are
    one off. ``old``: share of lots that lost a good part of their germination. ``heat``: whether the room can be too
    hot or cold for the crop.
    """

    name: str
    days: Callable[[np.random.Generator, int, float, float, int], np.ndarray]
    sites: tuple[int, ...]
    temperature_c: tuple[float, float]
    share: tuple[float, float, float]
    clumping: tuple[float, float]
    wetness: float
    spread: tuple[float, float]
    late: float
    missed: float
    slow: float
    wrong: float
    old: float = 0.0
    heat: bool = False


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


def _days(rng: np.random.Generator, law: int, median: float, spread: float, n: int) -> np.ndarray:
    """n days by one of five laws with about this median and coefficient of variation."""
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


def _other_days(rng: np.random.Generator, law: int, median: float, spread: float, n: int) -> np.ndarray:
    """The same by laws of the fresh world: shifted gamma, three waves, normal, a long tail, all at once."""
    if law == 0:
        shape = rng.uniform(1.5, 4)
        lag = median * rng.uniform(0.4, 0.7)
        return lag + rng.gamma(shape, (median - lag) / (shape - 1 / 3), n)
    if law == 1:
        wave = rng.choice(3, n, p=rng.dirichlet((8, 3, 1)))
        return median * np.array([0.9, 1.2, 1.7])[wave] * (1 + 0.5 * spread * rng.normal(0, 1, n))
    if law == 2:
        return median * (1 + spread * rng.normal(0, 1, n))
    if law == 3:
        return median * np.exp(0.7 * spread * rng.standard_t(3, n))
    return median * rng.uniform(1 - 1.5 * spread, 1 + 1.5 * spread, n)


KNOWN = World(
    "known",
    _days,
    (6, 9, 12, 15, 20, 24, 30, 40, 60),
    (17, 26),
    (-0.25, 0.12, 1.0),
    (0.5, 40),
    0.2,
    (0.12, 0.4),
    0.2,
    0.4,
    0.25,
    0.15,
)
FRESH = World(
    "fresh", _other_days, (4, 6, 8, 10, 12, 16, 18, 25, 35, 50), (14, 29), (-0.3, 0.15, 1.0), (0.4, 80), 0.25,
    (0.08, 0.45), 0.25, 0.5, 0.3, 0.2, old=0.1, heat=True,
)  # fmt: skip


def simulate(rng: np.random.Generator, world: World = KNOWN, *, sites: int | None = None) -> Grow:
    """Draw one grow."""
    known = [c for c in crops().values() if c.name != "other"]
    crop = known[rng.integers(len(known))]
    temperature = rng.uniform(*world.temperature_c)
    by_table = emergence_days(crop, temperature)
    first = crop.first_count_day or 3
    by_calendar = rng.uniform(0.75, 1.25) * first + rng.uniform(0, 0.15) * (crop.final_count_day - first)
    median = (by_calendar if by_table is None else by_table + rng.uniform(0, 2)) * np.exp(rng.normal(0, world.late))
    least = (crop.germination_min_pct or 60) / 100
    worst, usual_share, best = world.share
    share = rng.triangular(least + worst, least + usual_share, best)
    if rng.random() < world.old:
        share *= rng.uniform(0.3, 0.8)
    if world.heat and (pct := emergence_pct(crop, temperature)) is not None:
        most = max(e.pct for e in crop.emergence if e.pct is not None)
        share *= 1 - rng.uniform(0, 1) * (1 - pct / most)
    share = float(np.clip(share, 0.05, 0.98))
    embryos = crop.seedlings_per_seed
    share = 1 - (1 - share) ** (1 / embryos)
    sites = sites or int(rng.choice(world.sites))
    usual = int(rng.integers(1, 6))
    seeds = np.full(sites, usual) if rng.random() < 0.6 else rng.integers(max(1, usual - 1), usual + 2, sites)
    clumping = rng.uniform(*world.clumping)
    wetness, spread, law = rng.uniform(0, world.wetness), rng.uniform(*world.spread), int(rng.integers(5))
    times = []
    for n in seeds:
        site_share = rng.beta(share * clumping, (1 - share) * clumping)
        able = rng.binomial(n * embryos, site_share)
        drawn = world.days(rng, law, median * np.exp(rng.normal(0, wetness)), spread, able)
        times.append(np.sort(np.maximum(drawn, 0.8)))
    missed = rng.uniform(0, world.missed)
    looks = np.array([d for d in range(int(rng.integers(0, 4)), END + 1) if rng.random() >= missed])
    slow, wrong = rng.uniform(0, world.slow), rng.uniform(0, world.wrong)
    seen = np.zeros((sites, looks.size), dtype=int)
    for i, t in enumerate(times):
        up = np.searchsorted(t, looks + 0.35, side="right")  # photos are taken in the morning
        found = up - rng.binomial(up - np.searchsorted(t, looks - 0.65, side="right"), slow)
        off = rng.choice([-1, 1], looks.size) * (rng.random(looks.size) < wrong)
        seen[i] = np.where(found > 0, np.maximum(found + off, 1), 0)
    return Grow(
        crop, round(temperature) if rng.random() < 0.5 else None, tuple(map(int, seeds)), tuple(times), looks, seen
    )


def backtest(grows: int, world: World = FRESH, *, seed: int = 7) -> dict[str, float]:
    """Figures over so many simulated grows.

    The rules to beat: the base rate (one chance for all), the calendar day (sure until the final count, then none),
    and the calendar with the law's least germination until then, which knows more than a packet tells.
    """
    rng = np.random.default_rng(seed)
    sites: list[tuple[float, bool, float]] = []  # tenth of the calendar, held, width
    ratios, held_pct, held_t50 = [], [], []
    p, came, of, calendar, lawful = [], [], [], [], []
    lost, kept = 0, 0
    saved: list[np.ndarray] = []  # by grow
    for number in range(grows):
        grow = simulate(rng, world)
        truth = grow.truth()
        final = int(np.isfinite(truth).sum())
        seeds_up = sum(min((t <= END).sum(), n) for t, n in zip(grow.times, grow.seeds, strict=True))
        every = np.concatenate(grow.times)
        blind = grow.forecast(0, blind=True).sprouted_final
        for tenth, day in _days_to_ask(grow.crop):
            got = grow.forecast(day)
            low, _, high = got.sprouted_final
            sites.append((tenth, low <= final <= high, high - low))
            if tenth <= 10:
                pct = 100 * seeds_up / sum(grow.seeds)
                held_pct.append(got.germination_pct.low - 1e-6 <= pct <= got.germination_pct.high + 1e-6)
                if every.size:
                    held_t50.append(got.t50_days.low <= np.median(every) <= got.t50_days.high)
            if 2 * got.sprouted_now >= final and final and blind.high > blind.low:
                ratios.append((high - low) / (blind.high - blind.low))
            for plug, first, seeds, found in zip(got.plugs, truth, grow.seeds, grow.evidence(day), strict=True):
                if not plug.up:
                    p.append(plug.p_yet)
                    of.append(number)
                    # up but not yet seen counts as coming
                    came.append(first < inf and first > found.empty_day - 0.65)
                    least = (grow.crop.germination_min_pct or 60) / 100
                    calendar.append(float(day < grow.crop.final_count_day))
                    lawful.append((1 - (1 - least) ** seeds) * calendar[-1])
        given = _give_up_days(grow)
        comes = np.isfinite(truth)
        lost += int((given[comes] < np.ceil(truth[comes])).sum())
        kept += int(comes.sum())
        saved.append(grow.crop.final_count_day - given[~comes])
    chance, outcome = np.array(p), np.array(came, dtype=float)
    brier = np.mean((chance - outcome) ** 2)
    off, off_error = _most_off(chance, outcome, np.array(of))
    days_saved, saved_error = _mean_of_grows([x.sum() for x in saved], [x.size for x in saved])
    tenths, held, widths = (np.array(x, dtype=float) for x in zip(*sites, strict=True))
    due = tenths <= 10
    return {
        "final sites held %": 100 * np.mean(held[due]),
        "final sites held, first half %": 100 * np.mean(held[tenths <= 5]),
        "final sites held, second half %": 100 * np.mean(held[due & (tenths > 5)]),
        "final sites held, past the last count %": 100 * np.mean(held[~due]),
        "final sites held, more than one number %": 100 * np.mean(held[widths > 0]),
        "final sites width": np.mean(widths[due]),
        "width over prior's once half is up": np.mean(ratios),
        "germination % held %": 100 * np.mean(held_pct),
        "T50 held %": 100 * np.mean(held_t50),
        "Brier": brier,
        "Brier below base rate %": 100 * (1 - brier / np.mean((outcome.mean() - outcome) ** 2)),
        "Brier below calendar day %": 100 * (1 - brier / np.mean((np.array(calendar) - outcome) ** 2)),
        "Brier below calendar with share %": 100 * (1 - brier / np.mean((np.array(lawful) - outcome) ** 2)),
        "reliability, most off": off,
        "reliability, its standard error": off_error,
        "base rate": outcome.mean(),
        "given up too soon %": 100 * lost / max(kept, 1),
        "days saved": days_saved,
        "days saved, its standard error": saved_error,
    }


def _most_off(chance: np.ndarray, outcome: np.ndarray, grow: np.ndarray) -> tuple[float, float]:
    """Greatest distance of the reliability curve from the diagonal, and its standard error.

    Over tenths of the chance that forecasts of 60 grows or more fall into: those of one grow share its luck, so the
    number of grows counts, and the error is that between grows.
    """
    bins = np.minimum((10 * chance).astype(int), 9)
    found = []
    for b in range(10):
        here = bins == b
        number = np.bincount(grow[here])
        if (number > 0).sum() >= 60:
            mean, error = _mean_of_grows(np.bincount(grow[here], chance[here] - outcome[here]), number)
            found.append((abs(mean), error))
    return max(found, default=(nan, nan))


def _mean_of_grows(total: npt.ArrayLike, number: npt.ArrayLike) -> tuple[float, float]:
    """Mean over plugs and its standard error, from each grow's sum and number: plugs of a grow share its luck."""
    total, number = np.asarray(total, dtype=float), np.asarray(number, dtype=float)
    mean = total.sum() / number.sum()
    return float(mean), float(np.sqrt(((total - mean * number) ** 2).sum()) / number.sum())


def _days_to_ask(crop: Crop) -> list[tuple[int, int]]:
    """(tenth of the calendar, day), each day once."""
    by_day = {max(1, round(crop.final_count_day * tenth / 10)): tenth for tenth in reversed(TENTHS)}
    return sorted((tenth, day) for day, tenth in by_day.items())


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
    from targets import print_tables

    number = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    tables = {world.name: backtest(number, world, seed=seed) for world in (KNOWN, FRESH)}
    print_tables(tables, TARGETS)
