"""A hidden Markov chain per plug: how many seedlings stood in it at each look, all looks taken together.

The hidden state is the number of seedlings k = 0…K and whether the look is fooled: *honest*, *showing* (moss, a
sticker or a neighbour's leaf passes for a seedling on photo after photo) or *blind* (something hides the plant on photo
after photo). Without the last two, a mistake that repeats itself would count as so many independent witnesses.

Germs come up independently: of K - k that are not up, each comes up between two looks with probability
p (F2 - F1) / (1 - p F1). That makes k a pure birth process and exactly Markov; rare deaths are added to it.
Forward-backward as in Rabiner 1989, Proc. IEEE 77:257-286. Of a site that may hold very many seedlings the chain knows
the larger numbers only in steps; what a look says then places them within a step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, isnan, nan

import numpy as np
import numpy.typing as npt

from sprout.timeline.prior import Prior

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HONEST, SHOWING, BLIND = range(3)
_MISREAD = 0.02  # a single photo of a plain site is misread no more rarely than this, whatever it says of itself
_FOOLED_LOOKS = 0.9  # a fooled look shows the wrong thing this often
_SHOWING_AT_START, _SHOWING_ENDS, _BLIND_ENDS = 0.03, 0.02, 0.05
_SHOWING_PER_DAY, _SHOWING_OVERHUNG = 0.001, 0.02
_BLIND_PER_DAY, _BLIND_OVERHUNG = 0.0003, 0.005
_DEATH_PER_DAY = 0.002
_FALSE_CM2, _OVERHUNG_CM2 = 1.0, 8.0  # tissue that moss or a sticker, and that a neighbour's leaf, commonly passes for
_COUNT_POWER = 0.5  # counting errors repeat from photo to photo, so a count weighs half
_ONE_OFF = 0.08  # chance that the count is one too many, and as much that it is one too few, on every photo alike
_BY_HAND = 0.97  # a count by eye is right this often
_SHOWS_FROM = 0.3
_TOO_EARLY = 0.02  # while fewer than this share of plugs can be up, what shows is no seedling
_OUTGROWN = 1.5  # and goes on being none until it has outgrown its first size by this factor
_FLOOR = 1e-6  # no change between two looks is impossible, so that a correction can always be followed
_SINGLY, _STEP = 36, 0.12  # numbers of seedlings known one by one, and by how much more each further step is
_LEAST_LOG = -80.0  # log chance below which a change between two looks counts as none
_NEVER = 1e-30  # likelihood of what a correction rules out


@dataclass(frozen=True)
class Look:
    """The evidence of one moment on one plug.

    Attributes
    ----------
    day:
        Whole days since the plug was sown.
    p_sprouted:
        The photo's probability, NaN where the photo says nothing (hidden, unread, or no photo).
    seedlings, low, high:
        The photo's count and its range, NaN where there is none.
    tissue_cm2:
        NaN where not measured.
    overhung:
        Whether a neighbour's leaves reach the site.
    moved:
        Whether the plug stands elsewhere than at the look before.
    by_hand:
        Counts made by eye.
    fixed:
        Corrected number of seedlings as (least, most), None if not corrected.
    """

    day: float
    p_sprouted: float = nan
    seedlings: float = nan
    low: float = nan
    high: float = nan
    tissue_cm2: float = nan
    overhung: bool = False
    moved: bool = False
    by_hand: tuple[int, ...] = ()
    fixed: tuple[int, int] | None = None

    @property
    def shows(self) -> bool:
        """Whether this look by itself speaks for a seedling, be it faintly."""
        if self.fixed is not None:
            return self.fixed[0] > 0
        return self.p_sprouted >= _SHOWS_FROM or any(self.by_hand)


@dataclass(frozen=True, eq=False)
class Belief:
    """What the whole series says about one plug.

    Attributes
    ----------
    seedlings:
        (looks, K + 1) probability of each number of seedlings at each look.
    first:
        (looks,) probability that the first seedling came up after the look before and by this one; what is missing
        to 1 is the chance that none came up.
    """

    seedlings: FloatArray
    first: FloatArray

    @property
    def p_sprouted(self) -> FloatArray:
        """(looks,) probability that at least one seedling stands in the plug."""
        return np.asarray(1 - self.seedlings[:, 0])


def weigh_looks(looks: Sequence[Look], prior: Prior) -> Belief:
    """Forward-backward over all looks, in time order, averaged over the values the site's share may have."""
    germs = max([prior.germs, *(max(*look.by_hand, (look.fixed or (0, 0))[0], 0, 0) for look in looks)])
    of_numbers = [_emission(look, germs) for look in looks]
    emissions = [_to_steps(chances) / _to_steps(np.ones(germs + 1)) for chances in of_numbers]
    before = [0.0, *(look.day for look in looks)]
    fooled = [_fooled_step(look.moved, look.overhung, look.day - day) for look, day in zip(looks, before, strict=False)]
    growing = [_seedling_step(prior, day, look.day, germs) for look, day in zip(looks, before, strict=False)]
    weights, smoothed, surviving = _smooth(emissions, fooled, growing)
    seedlings = np.einsum("s,lsk->lk", weights, smoothed)
    seedlings = np.stack([_to_numbers(c, e[HONEST]) for c, e in zip(seedlings, of_numbers, strict=True)])
    for k, look in enumerate(looks):
        if look.fixed is None and not look.by_hand:
            seedlings[k] = _miscounted(seedlings[k])
    return Belief(seedlings, -np.diff(surviving @ weights, prepend=1.0))


@lru_cache(maxsize=64)
def _steps(germs: int) -> IntArray:
    """The numbers of seedlings, 0 to ``germs``, between which the chain tells no more."""
    steps = [*range(min(germs, _SINGLY) + 1)]
    while steps[-1] < germs:
        steps.append(min(germs, round(steps[-1] * (1 + _STEP))))
    return np.array(steps)


def _to_steps(of_numbers: FloatArray) -> FloatArray:
    """(..., K + 1) values of the numbers, each shared between the two steps it lies between -> (..., steps)."""
    numbers = np.arange(of_numbers.shape[-1])
    steps = _steps(numbers.size - 1)
    if steps.size == numbers.size:
        return of_numbers
    below = np.searchsorted(steps[1:-1], numbers, side="right")
    upper = (numbers - steps[below]) / (steps[below + 1] - steps[below])
    out = np.add.reduceat(of_numbers * (1 - upper), steps, axis=-1)
    out[..., 1:] += np.add.reduceat(of_numbers * upper, steps, axis=-1)[..., :-1]
    out[..., -1] += (of_numbers * upper)[..., -1]
    return np.asarray(out)


def _to_numbers(chances: FloatArray, emission: FloatArray) -> FloatArray:
    """(K + 1,) chance of each number from the (steps,) of the steps; within them it goes by what the look says."""
    steps, numbers = _steps(emission.size - 1), np.arange(emission.size)
    return np.asarray(emission * np.interp(numbers, steps, chances / _to_steps(emission)))


def _miscounted(chances: FloatArray) -> FloatArray:
    """The same chances, allowing for a count that is one off on every photo (leaves that always lie over another)."""
    out = (1 - 2 * _ONE_OFF) * chances[1:]
    out[1:] += _ONE_OFF * chances[1:-1]
    out[:-1] += _ONE_OFF * chances[2:]
    if len(out):  # at either end there is no further to be off
        out[0] += _ONE_OFF * chances[1]
        out[-1] += _ONE_OFF * chances[-1]
    return np.concatenate([chances[:1], out])


def without_false_start(looks: Sequence[Look], prior: Prior) -> list[Look]:
    """The same looks; one that shows no more than showed before anything could be up no longer counts as a witness.

    Moss, print or a scrap of leaf on the plug is there from the first day and does not grow.
    """
    out: list[Look] = []
    there = 0.0
    for look in looks:
        if look.moved:
            there = 0.0
        size = 0.0 if isnan(look.tissue_cm2) else look.tissue_cm2
        if look.shows and 1 - (1 - prior.up_by(look.day)) ** prior.germs < _TOO_EARLY:
            there = max(there, size)
        if there > 0 and size <= _OUTGROWN * there and look.p_sprouted >= _SHOWS_FROM:
            look = replace(look, p_sprouted=nan)
        out.append(look)
    return out


def _smooth(
    emissions: Sequence[FloatArray], fooled: Sequence[FloatArray], growing: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Forward-backward for all shares at once; states are indexed (share, fooled, seedlings).

    Returns
    -------
    weights:
        (shares,) how well each share explains the looks, adding up to 1.
    smoothed:
        (looks, shares, K + 1) probability of each number of seedlings.
    surviving:
        (looks, shares) probability that nothing has come up by then.
    """
    shares, states = len(growing[0]), emissions[0].shape
    state = np.zeros((shares, *states))
    state[:, HONEST, 0], state[:, SHOWING, 0] = 1 - _SHOWING_AT_START, _SHOWING_AT_START
    none = state[:, :, 0]  # the part of the forward probability on which nothing ever came up
    forward, nothing_yet, log_likelihood = [], [], np.zeros(shares)
    for emission, flags, births in zip(emissions, fooled, growing, strict=True):
        arrived = flags.T @ state @ births * emission
        none = none @ flags * births[:, :1, 0] * emission[:, 0]
        scale = arrived.sum((1, 2))
        state, none = arrived / scale[:, None, None], none / scale[:, None]
        log_likelihood += np.log(scale)
        forward.append(state)
        nothing_yet.append(none)
    backward = np.ones_like(state)
    smoothed, surviving = np.empty((len(emissions), shares, states[1])), np.empty((len(emissions), shares))
    for k in reversed(range(len(emissions))):
        joint = forward[k] * backward
        total = joint.sum((1, 2))
        smoothed[k] = joint.sum(1) / total[:, None]
        surviving[k] = (nothing_yet[k] * backward[:, :, 0]).sum(1) / total
        backward = fooled[k] @ (emissions[k] * backward) @ growing[k].transpose(0, 2, 1)
        backward /= backward.max((1, 2), keepdims=True)
    weights = np.exp(log_likelihood - log_likelihood.max())
    return weights / weights.sum(), smoothed, surviving


@lru_cache(maxsize=256)
def _seedling_step(prior: Prior, day0: float, day1: float, germs: int) -> FloatArray:
    """(shares, steps, steps) probability of going from k to l seedlings between two days."""
    f0, f1 = prior.share * prior.up_by(day0), prior.share * prior.up_by(day1)
    comes, dies = (f1 - f0) / (1 - f0), 1 - exp(-_DEATH_PER_DAY * (day1 - day0))
    births, deaths = _changes(germs)
    changed = _to_steps(births.chance(comes[:, None, None])) @ _to_steps(deaths.chance(dies))
    return np.asarray((1 - _FLOOR) * changed + _FLOOR / changed.shape[-1])


@dataclass(frozen=True, eq=False)
class _Change:
    """Binomial change from each step to each number: how many do, how many do not, log number of ways (-inf: none)."""

    do: IntArray
    do_not: IntArray
    log_ways: FloatArray

    def chance(self, p: float | FloatArray) -> FloatArray:
        """(..., steps, K + 1) chance of each change if each does with probability p."""
        p = np.maximum(p, 1e-300)
        log_chance = self.log_ways + self.do * np.log(p) + self.do_not * np.log1p(-p)
        # numbers too small to be written in full would slow everything down
        return np.where(log_chance > _LEAST_LOG, np.exp(np.maximum(log_chance, _LEAST_LOG)), 0.0)


@lru_cache(maxsize=64)
def _changes(germs: int) -> tuple[_Change, _Change]:
    """Of the germs that are not up some come up; of the seedlings that stand some die."""
    steps, numbers = _steps(germs)[:, None], np.arange(germs + 1)
    log_factorial = np.concatenate([[0.0], np.cumsum(np.log(np.arange(1, germs + 1)))])

    def change(all_: IntArray, do: IntArray) -> _Change:
        can = (do >= 0) & (do <= all_)
        do = np.where(can, do, 0)
        ways = log_factorial[all_] - log_factorial[do] - log_factorial[all_ - do]
        return _Change(do, all_ - do, np.where(can, ways, -np.inf))

    return change(germs - steps, numbers - steps), change(steps, steps - numbers)


@lru_cache(maxsize=1024)
def _fooled_step(moved: bool, overhung: bool, days: float) -> FloatArray:
    """(3, 3) probability of going from one way of being fooled to another; a move leaves what fooled behind."""
    if moved:
        return np.tile([1 - _SHOWING_AT_START, _SHOWING_AT_START, 0.0], (3, 1))
    rates = (_SHOWING_OVERHUNG, _BLIND_OVERHUNG) if overhung else (_SHOWING_PER_DAY, _BLIND_PER_DAY)
    shows, blinds = (1 - exp(-rate * days) for rate in rates)
    no_show, no_blind = (1 - exp(-rate * days) for rate in (_SHOWING_ENDS, _BLIND_ENDS))
    return np.array(
        [[1 - shows - blinds, shows, blinds], [no_show, 1 - no_show, 0.0], [no_blind, 0.0, 1 - no_blind]],
    )


def _emission(look: Look, germs: int) -> FloatArray:
    """(3, K + 1) likelihood of what the look says, given the state."""
    if look.fixed is not None:
        least, most = look.fixed
        right = np.arange(germs + 1)
        return np.tile(np.where((right >= least) & (right <= most), 1.0, _NEVER), (3, 1))
    out = np.ones((3, germs + 1))
    if not isnan(look.p_sprouted):
        seen = min(max(look.p_sprouted, _MISREAD), 1 - _MISREAD)
        count = _count_likelihood(look, germs)
        out[:, 0], out[:, 1:] = 1 - seen, seen * count
        wrongly_seen = _FOOLED_LOOKS * seen + (1 - _FOOLED_LOOKS) * (1 - seen)
        tissue = 0.0 if isnan(look.tissue_cm2) else look.tissue_cm2
        passes = exp(-tissue / (_OVERHUNG_CM2 if look.overhung else _FALSE_CM2))
        out[SHOWING, 0] = max(wrongly_seen * (count[0] if germs else 1.0) * passes, _MISREAD * (1 - seen))
        out[BLIND, 1:] = _FOOLED_LOOKS * (1 - seen) + (1 - _FOOLED_LOOKS) * seen * count
    for n in look.by_hand:
        near = np.full(germs + 1, (1 - _BY_HAND) / (germs + 1))
        near[n] += _BY_HAND
        out = out * near
    return out


def _count_likelihood(look: Look, germs: int) -> FloatArray:
    """(K,) likelihood of the photo's count given 1…K seedlings, its largest value 1; flat if nothing was counted."""
    if isnan(look.seedlings) or look.seedlings < 1:
        return np.ones(germs)
    # the range holds 90 %: +- 1.645 standard deviations, of which counting whole seedlings leaves at least a third
    low = look.low if not isnan(look.low) else look.seedlings
    high = look.high if not isnan(look.high) else look.seedlings
    k = np.arange(1, germs + 1)
    down = max((look.seedlings - low) / 1.645, 0.35)
    up = max((high - look.seedlings) / 1.645, 0.35)
    z = (k - look.seedlings) / np.where(k < look.seedlings, down, up)
    likelihood = (0.97 * np.exp(-(z**2) / 2) + 0.03) ** _COUNT_POWER
    return np.asarray(likelihood / likelihood.max()) if germs else np.ones(0)
