"""How much water the lid uses a day, what is left, and when the reservoir runs dry.

Use per day = evaporation + transpiration x leaf area, a linear model whose two rates start from what is published
(``calibration/water_prior.toml``) and are learned from the notes one after the other. Each of many draws of the rates
carries the level as a normal number through the notes and is weighted by how well it foretold them: a particle filter
with the level worked out exactly (Doucet, de Freitas, Murphy & Russell 2000, UAI, 176-183; from memory).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from math import exp, log, pi
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from sprout.care.leaf import AHEAD_DAYS
from sprout.care.tasks import Task, Urgency, range_of
from sprout.files import shipped
from sprout.growth.crossing import Dates

if TYPE_CHECKING:
    from sprout.care.leaf import LidLeaf
    from sprout.plugs import Note

FloatArray = npt.NDArray[np.float64]

_PARTICLES, _PATHS = 6000, 3000
_ROOM_C = 21.0
_TAILS = (0.05, 0.5, 0.95)
_ACT_DAYS = 1  # so many days before the low end to act
_LOW_DAYS = 3  # low water: it may be gone by then
_SOON_DAYS = 14


class Band(NamedTuple):
    """Ends and middle of a 90 % interval."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True)
class Water:
    """The water account at the end of a day.

    Attributes
    ----------
    litres_per_day:
        Use on the next day.
    level_litres, level_pct:
        What is in the reservoir; None where its size is not known.
    empty_on:
        When it runs dry if nothing is added, ``as_of`` if it may have already; None where the size is not known or
        the date is out of sight.
    act_by:
        The day by which to top up: before the low end.
    evaporation_l, transpiration_l_per_m2:
        What was learned of the two rates, per day.
    reservoir_litres:
        As told, None if not.
    notes:
        Notes of water that it rests on.
    basis:
        What it rests on, in one sentence.
    """

    litres_per_day: Band
    level_litres: Band | None
    level_pct: Band | None
    empty_on: Dates | None
    act_by: date | None
    evaporation_l: Band
    transpiration_l_per_m2: Band
    reservoir_litres: float | None
    notes: int
    basis: str


@cache
def water_prior() -> dict[str, Any]:
    """The entries of ``calibration/water_prior.toml``, each with its source and provenance."""
    return tomllib.loads((shipped("calibration") / "water_prior.toml").read_text(encoding="utf-8"))


def thirst_of_air(temperature_c: float) -> float:
    """Drying power of the air at a temperature against 21 C, relative humidity being the same.

    The ratio of saturation vapour pressures, 0.6108 exp(17.27 T / (T + 237.3)) kPa: Allen, Pereira, Raes & Smith 1998,
    FAO Irrigation and Drainage Paper 56, equation 11 (from memory).
    """
    return _vapour_kpa(temperature_c) / _vapour_kpa(_ROOM_C)


def _vapour_kpa(temperature_c: float) -> float:
    return 0.6108 * exp(17.27 * temperature_c / (temperature_c + 237.3))


def water_account(
    notes: Iterable[Note],
    leaf: LidLeaf,
    *,
    sown: date,
    as_of: date,
    lid_cm2: float,
    reservoir_litres: float | None = None,
    temperature_c: float | None = None,
    coming_temperature_c: float | None = None,
) -> Water:
    """The account after the notes of top-ups, levels and full changes up to the end of ``as_of``.

    The reservoir counts as full on the day of sowing. A top-up may fill it to the mark or not; which of the two fits
    better is weighed each time, and a note of the level settles it.

    Parameters
    ----------
    leaf:
        The lid's leaf area, past and ahead.
    lid_cm2:
        The lid's area that its sites share.
    temperature_c, coming_temperature_c:
        Usual temperature, and that of the coming days if it is another.
    """
    used = [n for n in notes if n.kind in ("topup", "level", "change") and n.moment.date() <= as_of]
    used.sort(key=lambda n: (n.moment, n.number))
    start = datetime.combine(sown, datetime.min.time())
    run = _Filter(lid_cm2, reservoir_litres, 1.0 if temperature_c is None else thirst_of_air(temperature_c))
    grown = np.cumsum(_drivers(leaf.past_cm2, lid_cm2), axis=0)
    grown = np.concatenate([np.zeros((1, grown.shape[1])), grown])  # up to each midnight
    midnights = np.arange(len(grown), dtype=float)

    def gone(day: float) -> FloatArray:
        return np.array([np.interp(day, midnights, column) for column in grown.T])

    last = 0.0
    for note in used:
        day = max((note.moment - start) / timedelta(days=1), last)
        run.pass_time(day - last, gone(day) - gone(last))
        run.take(note)
        last = day
    run.pass_time(midnights[-1] - last, gone(midnights[-1]) - gone(last))
    heat = 1.0
    if coming_temperature_c is not None:
        heat = thirst_of_air(coming_temperature_c) / thirst_of_air(_ROOM_C if temperature_c is None else temperature_c)
    known = reservoir_litres is not None or any(n.kind == "level" and n.unit == "l" for n in used)
    first_use, empty, level, full = run.ahead(_drivers(leaf.ahead_cm2, lid_cm2), heat)
    dates = _dates(as_of, empty) if known else None
    return Water(
        litres_per_day=_band(first_use),
        level_litres=_band(level) if known else None,
        level_pct=_band(100 * level / full) if reservoir_litres is not None else None,
        empty_on=dates,
        act_by=None if dates is None else max(as_of, dates.low - timedelta(days=_ACT_DAYS)),
        evaporation_l=_band(run.drawn(np.exp(run.log_e))),
        transpiration_l_per_m2=_band(run.drawn(np.exp(run.log_k))),
        reservoir_litres=reservoir_litres,
        notes=len(used),
        basis=_basis(used, known),
    )


def _drivers(leaf_cm2: FloatArray, lid_cm2: float) -> FloatArray:
    """(…, 4) what a day's use is made of: the day itself, cover, leaf in m2, leaf times cover."""
    cover = np.minimum(leaf_cm2 / lid_cm2, 1.0)
    return np.stack([np.ones_like(cover), cover, leaf_cm2 / 1e4, leaf_cm2 / 1e4 * cover], axis=-1)


class _Filter:
    """Draws of the rates, each with its weight and the level's mean and variance."""

    def __init__(self, lid_cm2: float, reservoir_litres: float | None, heat: float) -> None:
        prior = water_prior()
        self.rng = np.random.default_rng(11)
        z = self.rng.standard_normal((5, _PARTICLES))
        evaporation, transpiration = prior["evaporation_mm_per_day"], prior["transpiration_l_per_m2_day"]
        open_m2 = prior["open_share"]["value"] * lid_cm2 / 1e4
        self.log_e = log(evaporation["value"] * open_m2 * heat) + evaporation["log_sd"] * z[0]
        self.log_k = log(transpiration["value"] * heat) + transpiration["log_sd"] * z[1]
        shade, stack = prior["shade"], prior["stack"]
        self.shade = np.clip(shade["value"] + shade["sd"] * z[3], 0.0, 0.95)
        self.stack = np.maximum(stack["value"] + stack["sd"] * z[4], -0.5)
        self.error = prior["reading_error"]
        size = prior["reservoir_litres"]
        median, spread = (
            (size["value"], size["log_sd"]) if reservoir_litres is None else (reservoir_litres, self.error["mark"])
        )
        self.full = median * np.exp(spread * z[2])
        self.to_mark = prior["to_the_mark"]["value"]
        self.mean, self.var = self.full.copy(), (self.error["mark"] * self.full) ** 2
        self.log_w = np.zeros(_PARTICLES)
        self.drift = prior["drift_per_day"]["value"]
        days = prior["day_to_day"]
        self.daily, self.single, self.correlation = days["value"], days["single"], days["correlation"]

    def _use(self, chosen: slice | npt.NDArray[np.intp], drivers: FloatArray) -> FloatArray:
        """(chosen, …) litres: both rates times their drivers (…, 4); leaves shade the holes, and stack up."""
        e, k = np.exp(self.log_e[chosen]), np.exp(self.log_k[chosen])
        rates = np.stack([e, -e * self.shade[chosen], k, k * self.stack[chosen]], axis=-1)
        return np.asarray(
            np.einsum("pd,p...d->p...", rates, np.broadcast_to(drivers, (len(rates), *drivers.shape[1:])))
        )

    def pass_time(self, days: float, drivers: FloatArray) -> None:
        """Let ``days`` go by, with the sums of their drivers (4,)."""
        if days <= 0:
            return
        used = self._use(slice(None), drivers[None])
        self.mean = np.maximum(self.mean - used, 0.0)
        self.var = self.var + (used * self._spread_of_mean(days)) ** 2
        step = self.drift * days**0.5
        self.log_e = self.log_e + step * self.rng.standard_normal(_PARTICLES)
        self.log_k = self.log_k + step * self.rng.standard_normal(_PARTICLES)

    def _spread_of_mean(self, days: float) -> float:
        """Relative standard deviation of the mean use of so many days that resemble their neighbours."""
        r, n = self.correlation, max(days, 1.0)
        sum_var = n * (1 + r) / (1 - r) - 2 * r * (1 - r**n) / (1 - r) ** 2
        return float((self.daily**2 * sum_var / n**2 + self.single**2 / n) ** 0.5)

    def take(self, note: Note) -> None:
        """Learn from a note."""
        if note.kind == "level" and note.amount is not None:
            told = self.full * note.amount / 100 if note.unit == "%" else np.full(_PARTICLES, note.amount)
            self._observe(told, (self.error["level"] * self.full) ** 2)
        elif note.kind == "change":
            self.mean = self.full.copy() if note.amount is None else np.full(_PARTICLES, float(note.amount))
            self.var = (self.error["mark"] * self.full) ** 2
        elif note.amount is not None:
            self._top_up(float(note.amount))
        self._resample()

    def _observe(self, told: FloatArray, noise: FloatArray) -> None:
        total = self.var + noise
        self.log_w = self.log_w + _log_normal(told - self.mean, total)
        gain = self.var / total
        self.mean, self.var = self.mean + gain * (told - self.mean), (1 - gain) * self.var

    def _top_up(self, litres: float) -> None:
        jug = (self.error["amount"] * litres) ** 2 + self.error["jug_litres"] ** 2
        mark = (self.error["mark"] * self.full) ** 2
        room = self.full - self.mean
        filled = log(self.to_mark) + _log_normal(litres - room, self.var + jug + mark)
        # short of the mark, any amount that there is room for is as likely as another
        spill = np.maximum(litres - room, 0.0)
        some = log(1 - self.to_mark) - np.log(np.maximum(room, 0.1 * self.full))
        some = some - 0.5 * spill**2 / (self.var + jug + mark)
        both = np.logaddexp(filled, some)
        self.log_w = self.log_w + both
        to_mark = self.rng.random(_PARTICLES) < np.exp(filled - both)
        self.mean = np.where(to_mark, self.full, np.minimum(self.mean + litres, self.full))
        self.var = np.where(to_mark, mark, self.var + jug)

    def _resample(self) -> None:
        weights = self._weights()
        if 1 / np.sum(weights**2) > _PARTICLES / 3:
            return
        keep = self._systematic(weights, _PARTICLES)
        for name in ("log_e", "log_k", "shade", "stack", "full", "mean", "var"):
            setattr(self, name, getattr(self, name)[keep])
        self.log_w = np.zeros(_PARTICLES)

    def _weights(self) -> FloatArray:
        weights = np.exp(self.log_w - self.log_w.max())
        return np.asarray(weights / weights.sum())

    def _systematic(self, weights: FloatArray, number: int) -> npt.NDArray[np.intp]:
        points = (self.rng.random() + np.arange(number)) / number
        return np.minimum(np.searchsorted(np.cumsum(weights), points), weights.size - 1)

    def drawn(self, values: FloatArray) -> FloatArray:
        """(paths,) equally likely draws of (particles,) weighted values."""
        return np.asarray(values[self._systematic(self._weights(), _PATHS)])

    def ahead(self, drivers: FloatArray, heat: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """(paths,) use on the next day, days until empty (inf: out of sight), level now, full reservoir."""
        chosen = self.rng.permutation(self._systematic(self._weights(), _PATHS))
        full = self.full[chosen]
        level = self.mean[chosen] + np.sqrt(self.var[chosen]) * self.rng.standard_normal(_PATHS)
        level = np.clip(level, 0.0, full * (1 + self.error["mark"]))
        steps = self.drift * self.rng.standard_normal((_PATHS, AHEAD_DAYS)).cumsum(axis=1)
        weather = np.empty((_PATHS, AHEAD_DAYS))
        weather[:, 0] = self.rng.standard_normal(_PATHS)
        for d in range(1, AHEAD_DAYS):
            fresh = self.rng.standard_normal(_PATHS)
            weather[:, d] = self.correlation * weather[:, d - 1] + (1 - self.correlation**2) ** 0.5 * fresh
        rate = self._use(chosen, drivers[np.arange(_PATHS) % len(drivers)])
        single = self.single * self.rng.standard_normal((_PATHS, AHEAD_DAYS))
        use = heat * rate * np.exp(steps + self.daily * weather + single)
        left = level[:, None] - use.cumsum(axis=1)
        dry = left <= 0
        day = dry.argmax(axis=1)
        row = np.arange(_PATHS)
        share = 1 + left[row, day] / use[row, day]  # of the day on which it runs dry
        days = np.where(dry.any(axis=1), day + np.clip(share, 0.0, 1.0), np.inf)
        return use[:, 0], np.where(level <= 0, 0.0, days), level, full


def _log_normal(off: FloatArray, var: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * (off**2 / var + np.log(2 * pi * var)))


def _band(values: FloatArray) -> Band:
    return Band(*(float(v) for v in np.quantile(values, _TAILS)))


def _dates(as_of: date, days: FloatArray) -> Dates | None:
    """The whole days in a row, fewest for their distance, that hold nine in ten of the draws; and the middle draw.

    ``days`` are counted from the end of ``as_of``. None if it is more likely than not out of sight.
    """
    whole = np.sort(np.ceil(np.minimum(days, AHEAD_DAYS + 1)))
    mid = whole[whole.size // 2]
    if mid > AHEAD_DAYS:
        return None
    held = int(np.ceil((_TAILS[2] - _TAILS[0]) * whole.size))
    near = np.maximum(whole, 0.5)
    start = int(np.argmin(near[held - 1 :] / near[: whole.size - held + 1]))
    ends = min(whole[start], mid), mid, min(max(whole[start + held - 1], mid), AHEAD_DAYS)
    return Dates(*(as_of + timedelta(days=int(d)) for d in ends))


def _basis(used: list[Note], known: bool) -> str:
    counts = {kind: sum(n.kind == kind for n in used) for kind in ("topup", "level", "change")}
    names = {"topup": "top-up", "level": "level", "change": "full change"}
    told = [f"{n} {names[kind]}{'' if n == 1 else 's'}" for kind, n in counts.items() if n]
    if not known:
        size = "; how much the reservoir holds is not known: give begin --reservoir, or note a level in litres"
    else:
        size = ""
    if not told:
        return (
            "published transpiration and the leaf area seen, no note of water yet: the interval is wide, "
            f"a note of a top-up or a level narrows it{size}"
        )
    return f"your notes ({', '.join(told)}) and the leaf area seen, starting from published transpiration{size}"


def water_tasks(water: Water, *, as_of: date, dry_sites: Sequence[str] = (), dry_pct: float = 0.0) -> list[Task]:
    """When to top up, and how much; at once where plants look dry and the account says that the water is low.

    ``dry_sites`` are those whose plants looked dry at the last look, ``dry_pct`` the worst of them.
    """
    if water.empty_on is None or water.act_by is None:
        return []
    interval = f"empty {range_of(water.empty_on.low, water.empty_on.high)}"
    low = water.empty_on.low <= as_of + timedelta(days=_LOW_DAYS)
    slow, usual, fast = water.litres_per_day
    room = ""
    if water.level_litres is not None and water.reservoir_litres is not None:
        then = 0 if dry_sites and low else (water.act_by - as_of).days
        missing = water.reservoir_litres - water.level_litres.mid + usual * then
        room = f", about {min(max(missing, 0.0), water.reservoir_litres):.1f} litres"
    rate = f"{usual:.2f} litres a day ({slow:.2f} to {fast:.2f})"
    if dry_sites and low:
        what = f"fill the reservoir now{room}; {', '.join(dry_sites)} look dry"
        why = f"up to {dry_pct:.0f} % of the leaf is dry, and by the account of {rate} the water is low"
        return [Task(as_of, what, why, water.basis, interval, as_of, Urgency.WILTING, ("topup",))]
    if water.act_by > as_of + timedelta(days=_SOON_DAYS):
        return []
    why = f"the lid uses {rate}"
    return [
        Task(
            water.act_by,
            f"top up to the mark{room}",
            why,
            water.basis,
            interval,
            water.act_by,
            Urgency.WATER,
            ("topup",),
        )
    ]
