"""What is still to come: the chance of every empty plug, the final numbers, and when to give a plug up."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import comb

from sprout.germination.posterior import MISCOUNT, Posterior, posterior

if TYPE_CHECKING:
    from sprout.germination.onsets import Onset
    from sprout.germination.prior import Prior

FloatArray = npt.NDArray[np.float64]

KEEP_UNTIL_CHANCE = 0.2  # chosen with the back-test: of those that come, about one in fifty is lost by it
_LEVEL = 0.9
_LAST_DAY = 60  # a germ that would come later than this, or than a month from now, does not count as coming
_MONTH = 30
_FUTURES = 1500


class Range(NamedTuple):
    """Ends and middle of a 90 % interval."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True)
class PlugForecast:
    """One plug.

    Attributes
    ----------
    plug, crop:
        Its name, what was sown in it.
    up:
        Whether it counts as up.
    p_yet:
        Chance that a seedling comes up in it after its last empty look, or is up where the last looks leave that open.
        NaN for a plug that is surely up.
    give_up_on:
        First day on which ``p_yet`` of the plug, if empty until then, falls below the set chance. None for a plug that
        is surely up.
    final_count_on:
        The day on which the seed-testing calendar counts last.
    why:
        What ``p_yet`` and the calendar say, in one sentence.
    """

    plug: str
    crop: str
    up: bool
    p_yet: float
    give_up_on: date | None
    final_count_on: date
    why: str


@dataclass(frozen=True)
class GerminationForecast:
    """The whole lid.

    Attributes
    ----------
    sprouted_now, sprouted_final:
        Standing plugs that are up, now and in the end.
    germination_pct:
        Seeds that give at least one seedling in the end, in % of the seeds sown in standing plugs.
    t50_days:
        Days after sowing by which half of the germs that come up at all are up.
    plugs:
        One forecast per standing plug, in the order given.
    """

    sprouted_now: int
    sprouted_final: Range
    germination_pct: Range
    t50_days: Range
    plugs: tuple[PlugForecast, ...]


def forecast(
    plugs: Sequence[Onset],
    priors: Mapping[str, Prior],
    *,
    as_of: date,
    keep_until_chance: float = KEEP_UNTIL_CHANCE,
) -> GerminationForecast:
    """Forecast from the evidence up to ``as_of``.

    Parameters
    ----------
    plugs:
        Evidence of every plug of the grow, retired ones too: they teach, but are not counted.
    priors:
        By crop, of every crop in ``plugs``.
    as_of:
        Day of the forecast. The evidence must not hold anything later.
    keep_until_chance:
        Chance below which an empty plug is given up.

    Raises
    ------
    KeyError
        If a crop has no prior.
    """
    by_crop: defaultdict[str, list[Onset]] = defaultdict(list)
    for o in plugs:
        by_crop[o.crop].append(o)
    crops = {crop: _CropForecast(found, priors[crop], as_of, keep_until_chance) for crop, found in by_crop.items()}
    standing = [o for o in plugs if o.standing]
    each = {o.plug: crops[o.crop].plug(o) for o in standing}
    sure = sum(o.up and not o.doubtful for o in standing)
    counts = np.ones(1)
    for crop in crops.values():
        counts = np.convolve(counts, crop.sites_to_come())
    low, mid, high = _likely_range(counts)
    rng = np.random.default_rng(20240229)
    seeds = sum(o.seeds for o in standing)
    germinated = sum((crop.seeds_in_the_end(rng) for crop in crops.values()), np.zeros(_FUTURES))
    return GerminationForecast(
        sprouted_now=sum(o.up for o in standing),
        sprouted_final=Range(sure + low, sure + mid, sure + high),
        germination_pct=_range(100 * germinated / seeds if seeds else np.full(1, np.nan)),
        t50_days=_t50([crop.after for crop in crops.values()], [len(found) for found in by_crop.values()]),
        plugs=tuple(each[o.plug] for o in standing),
    )


class _CropForecast:
    """The plugs of one crop."""

    def __init__(self, plugs: list[Onset], prior: Prior, as_of: date, keep_until_chance: float) -> None:
        self.prior, self.as_of, self.keep_until_chance = prior, as_of, keep_until_chance
        self.after: Posterior = posterior(plugs, prior)
        self.standing = [o for o in plugs if o.standing]
        self._known: dict[tuple[int, float, date], tuple[float, date, str]] = {}

    def _age(self, plug: Onset) -> int:
        return (self.as_of - plug.sown).days

    def _last_day(self, plug: Onset) -> float:
        return float(max(_LAST_DAY, self._age(plug) + _MONTH))

    def _none_by(self, germs: int, days: npt.ArrayLike) -> FloatArray:
        """(draws, days) chance that no germ of a site is up by each of the days."""
        return self.after.kinds(germs).none(self.after.not_yet(days))

    def _germs(self, plug: Onset) -> int:
        return max(plug.seeds * self.prior.embryos, 1)

    def _empty_since(self, plug: Onset) -> float:
        """Day up to which the plug is known to be empty, taking a doubtful last look as empty."""
        return plug.empty_day if plug.up_day == np.inf else plug.up_day

    def plug(self, plug: Onset) -> PlugForecast:
        final_count_on = plug.sown + timedelta(days=self.prior.final_day)
        if plug.up and not plug.doubtful:
            return PlugForecast(plug.plug, plug.crop, True, np.nan, None, final_count_on, "")
        case = (self._germs(plug), self._empty_since(plug), plug.sown)
        if case not in self._known:
            self._known[case] = self._empty_plug(plug)
        p_yet, give_up_on, why = self._known[case]
        if plug.doubtful:
            p_yet = plug.p_up + (1 - plug.p_up) * p_yet
        return PlugForecast(plug.plug, plug.crop, plug.up, p_yet, give_up_on, final_count_on, why)

    def _empty_plug(self, plug: Onset) -> tuple[float, date, str]:
        last, age = self._last_day(plug), self._age(plug)
        days = np.concatenate([[self._empty_since(plug)], np.arange(max(age, 0), last + 1), [last]])
        by_draw = self._none_by(self._germs(plug), days)
        # the draws' weights hold already that this plug was empty on the first of the days
        none_by = self.after.weights @ (by_draw / np.maximum(by_draw[:, :1], 1e-300))
        chance = 1 - none_by[-1] / np.maximum(none_by, 1e-300)
        p_yet = float(chance[0])
        below = np.flatnonzero(chance[1:-1] < self.keep_until_chance)
        give_up_on = plug.sown + timedelta(days=int(days[1 + below[0]])) if below.size else plug.sown
        return p_yet, give_up_on, self._why(plug, p_yet)

    def _why(self, plug: Onset, p_yet: float) -> str:
        in_100 = "fewer than 1 in 100" if p_yet < 0.01 else f"{100 * p_yet:.0f} in 100"
        final, age = self.prior.final_day, self._age(plug)
        calendar = f"the seed-testing calendar close{'d' if final < age else 's'} at day {final}"
        return f"{in_100} would still come; {calendar}"

    def sites_to_come(self) -> FloatArray:
        """(n + 1,) chance of 0…n more plugs, n the standing plugs that are not surely up."""
        empty = [o for o in self.standing if not o.up or o.doubtful]
        draws = np.zeros((len(self.after.weights), len(empty) + 1))
        draws[:, 0] = 1.0
        chances: dict[tuple[int, float, float], FloatArray] = {}
        for number, plug in enumerate(empty, start=1):
            case = (self._germs(plug), self._empty_since(plug), self._last_day(plug))
            if case not in chances:
                none_by = self._none_by(case[0], case[1:])
                chances[case] = 1 - none_by[:, 1] / np.maximum(none_by[:, 0], 1e-300)
            doubt = plug.p_up if plug.up_day < np.inf else 0.0
            p = (doubt + (1 - doubt) * chances[case])[:, None]
            draws[:, 1 : number + 1] = draws[:, 1 : number + 1] * (1 - p) + draws[:, :number] * p
            draws[:, :1] *= 1 - p
        return np.asarray(self.after.weights @ draws)

    def seeds_in_the_end(self, rng: np.random.Generator) -> FloatArray:
        """(futures,) seeds germinated in the end, drawn from the posterior."""
        pick = rng.choice(len(self.after.weights), _FUTURES, p=self.after.weights)
        cases: defaultdict[tuple[int, int, float, int, float], int] = defaultdict(int)
        total = np.zeros(_FUTURES)
        for o in self.standing:
            case = (self._germs(o), o.seeds, self._last_day(o))
            as_up = (min(o.seedlings or 1, case[0]), max(o.seen_day, o.up_day))
            as_empty = (0, self._empty_since(o))
            if o.doubtful:
                up, empty = (self._seeds(*case, *seen, 1, pick, rng) for seen in (as_up, as_empty))
                total += np.where(rng.random(_FUTURES) < o.p_up, up, empty)
            else:
                cases[*case, *(as_up if o.up else as_empty)] += 1
        for case_seen, plugs in cases.items():
            total += self._seeds(*case_seen, plugs, pick, rng)
        return total

    def _seeds(
        self,
        germs: int,
        seeds: int,
        last: float,
        seen: int,
        since: float,
        plugs: int,
        pick: npt.NDArray[np.int64],
        rng: np.random.Generator,
    ) -> FloatArray:
        """(futures,) seeds germinated by day ``last`` in so many plugs that showed ``seen`` germs by day ``since``."""
        at = self.after.not_yet([since, last])[pick]
        kinds = self.after.kinds(germs)
        out = kinds.not_yet(at)  # futures, (since, last), kinds
        # chance of each kind of site with ``up`` up by the last look; leaves may have hidden one from the count
        ups = [up for up in range(1, germs + 1) if abs(up - seen) <= 2] if seen else [0]
        chance = np.concatenate(
            [
                MISCOUNT ** abs(up - seen)
                * kinds.chance[pick]
                * comb(kinds.germs, up)
                * (1 - out[:, 0]) ** up
                * out[:, 0] ** np.maximum(kinds.germs - up, 0)
                for up in ups
            ],
            axis=1,
        )
        cumulative = np.cumsum(chance, axis=1)
        drawn = (rng.random((plugs, _FUTURES, 1)) * cumulative[:, -1:] > cumulative).sum(-1)
        up, kind = np.array(ups)[drawn // kinds.germs.size], drawn % kinds.germs.size
        # at least 0 also where all chances are too small for the computer
        waiting = np.maximum(kinds.germs[kind] - up, 0).astype(int)
        in_time = 1 - np.take_along_axis(out[:, 1] / np.maximum(out[:, 0], 1e-300), kind.T, axis=1).T
        return np.asarray(np.minimum(up + rng.binomial(waiting, in_time), seeds).sum(axis=0), dtype=float)


def _range(values: FloatArray) -> Range:
    low, mid, high = np.quantile(values, [(1 - _LEVEL) / 2, 0.5, (1 + _LEVEL) / 2])
    return Range(float(low), float(mid), float(high))


def _likely_range(chances: FloatArray) -> tuple[int, int, int]:
    """Most likely run of numbers that holds as near to 90 % as whole numbers allow, and the median.

    A run must hold whole numbers, so its share jumps; rounding always up would hold far more than nine in ten.
    """
    mid = int(np.searchsorted(np.cumsum(chances), 0.5))
    low = high = int(np.argmax(chances))
    held = float(chances[low])
    while held < _LEVEL:
        below = chances[low - 1] if low > 0 else -1.0
        above = chances[high + 1] if high + 1 < chances.size else -1.0
        more = float(max(below, above))
        if more < 0 or held + more - _LEVEL > _LEVEL - held:
            break
        held += more
        low, high = (low - 1, high) if below > above else (low, high + 1)
    return min(low, mid), mid, max(high, mid)


def _t50(grows: Iterable[Posterior], plugs: Sequence[int]) -> Range:
    """Of all crops together, each weighted by its plugs and its share of able germs."""
    days = np.geomspace(0.5, 120, 400)
    rng = np.random.default_rng(20240229)
    curve, weight = np.zeros((_FUTURES, days.size)), np.zeros((_FUTURES, 1))
    for grow, number in zip(grows, plugs, strict=True):
        pick = rng.choice(len(grow.weights), _FUTURES, p=grow.weights)
        share = number * grow.kinds(1).chance[pick, 1:]
        curve += share * (1 - grow.not_yet(days)[pick])
        weight += share
    if not len(plugs):
        return Range(np.nan, np.nan, np.nan)
    half = np.argmax(curve >= weight / 2, axis=1)
    return _range(days[half])
