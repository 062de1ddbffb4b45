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

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, isnan, nan

import numpy as np
import numpy.typing as npt

from sprout.timeline.looks import HONEST, SHOWING, SHOWS_FROM, Look, emissions
from sprout.timeline.prior import Prior

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_SHOWING_AT_START, _SHOWING_ENDS, _BLIND_ENDS = 0.03, 0.02, 0.05
_SHOWING_PER_DAY, _SHOWING_OVERHUNG = 0.001, 0.02
_BLIND_PER_DAY, _BLIND_OVERHUNG = 0.0003, 0.005
_DEATH_PER_DAY = 0.002
_ONE_OFF = 0.08  # chance that the count is one too many, and as much that it is one too few, on every photo alike
_TOO_EARLY = 0.02  # while fewer than this share of plugs can be up, what shows is no seedling
_OUTGROWN = 1.5  # and goes on being none until it has outgrown its first size by this factor
_FLOOR = 1e-6  # no change between two looks is impossible, so that a correction can always be followed
_SINGLY, _STEP = 36, 0.12  # numbers of seedlings known one by one, and by how much more each further step is
_MOST_AT_ONCE = 4_000_000  # numbers that the forward pass may keep
_LEAST_LOG = -80.0  # log chance below which a change between two looks counts as none


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
    """Forward-backward over all looks at a plug, in time order, averaged over the values the site's share may have."""
    return weigh_all([(looks, prior)])[0]


def weigh_all(plugs: Sequence[tuple[Sequence[Look], Prior]]) -> list[Belief]:
    """The same for many plugs: those of one expectation that were looked at on the same days go hand in hand."""
    alike: defaultdict[tuple[Prior, int, tuple[float, ...]], list[int]] = defaultdict(list)
    for k, (looks, prior) in enumerate(plugs):
        by_hand = (max(*look.by_hand, (look.fixed or (0, 0))[0], 0, 0) for look in looks)
        alike[prior, max(prior.germs, *by_hand, 0), tuple(look.day for look in looks)].append(k)
    found: dict[int, Belief] = {}
    for (prior, germs, days), members in alike.items():
        of_one = len(days) * prior.share.size * 3 * _steps(germs).size
        together = max(1, _MOST_AT_ONCE // of_one)
        for first in range(0, len(members), together):
            some = members[first : first + together]
            found |= zip(some, _weigh_alike([plugs[k][0] for k in some], prior, germs), strict=True)
    return [found[k] for k in range(len(plugs))]


def _weigh_alike(plugs: Sequence[Sequence[Look]], prior: Prior, germs: int) -> list[Belief]:
    """What is believed of plugs that were looked at on the same days."""
    days = [look.day for look in plugs[0]]
    of_numbers = np.stack([emissions(looks, germs) for looks in plugs], axis=1)
    before = [0.0, *days[:-1]]
    kinds = np.array([[2 * look.moved + look.overhung for look in looks] for looks in plugs]).T
    fooled = [_fooled_steps(d1 - d0)[kind] for d0, d1, kind in zip(before, days, kinds, strict=True)]
    growing = [_seedling_step(prior, d0, d1, germs) for d0, d1 in zip(before, days, strict=True)]
    emission = _to_steps(of_numbers) / _to_steps(np.ones(germs + 1))
    chances, surviving = _smooth(emission, fooled, growing)
    seedlings = _to_numbers(chances, of_numbers[:, :, HONEST])
    by_photo = np.array([[look.fixed is None and not look.by_hand for look in looks] for looks in plugs]).T
    seedlings = np.where(by_photo[..., None], _miscounted(seedlings), seedlings)
    first = -np.diff(surviving, axis=0, prepend=1.0)
    return [Belief(seedlings[:, k], first[:, k]) for k in range(len(plugs))]


@lru_cache(maxsize=64)
def _steps(germs: int) -> IntArray:
    """The numbers of seedlings, 0 to ``germs``, between which the chain tells no more."""
    steps = [*range(min(germs, _SINGLY) + 1)]
    while steps[-1] < germs:
        steps.append(min(germs, round(steps[-1] * (1 + _STEP))))
    return np.array(steps)


@lru_cache(maxsize=64)
def _between(germs: int) -> tuple[IntArray, FloatArray]:
    """(K + 1,) the step at or below each number, and how far towards the next step it lies, 0 to 1."""
    steps, numbers = _steps(germs), np.arange(germs + 1)
    below = np.searchsorted(steps[1:-1], numbers, side="right")
    return below, (numbers - steps[below]) / (steps[below + 1] - steps[below])


def _to_steps(of_numbers: FloatArray) -> FloatArray:
    """(..., K + 1) values of the numbers, each shared between the two steps it lies between -> (..., steps)."""
    germs = of_numbers.shape[-1] - 1
    steps = _steps(germs)
    if steps.size == germs + 1:
        return of_numbers
    _, upper = _between(germs)
    out = np.add.reduceat(of_numbers * (1 - upper), steps, axis=-1)
    out[..., 1:] += np.add.reduceat(of_numbers * upper, steps, axis=-1)[..., :-1]
    out[..., -1] += (of_numbers * upper)[..., -1]
    return np.asarray(out)


def _to_numbers(chances: FloatArray, emission: FloatArray) -> FloatArray:
    """(..., K + 1) chance of each number from the (..., steps) of the steps; within them it goes by what looks say."""
    if chances.shape == emission.shape:
        return chances
    below, upper = _between(emission.shape[-1] - 1)
    height = chances / _to_steps(emission)
    return np.asarray(emission * (height[..., below] * (1 - upper) + height[..., below + 1] * upper))


def _miscounted(chances: FloatArray) -> FloatArray:
    """The same chances, allowing for a count that is one off on every photo (leaves that always lie over another)."""
    out = chances.copy()
    out[..., 1:] *= 1 - 2 * _ONE_OFF
    out[..., 2:] += _ONE_OFF * chances[..., 1:-1]
    out[..., 1:-1] += _ONE_OFF * chances[..., 2:]
    if chances.shape[-1] > 1:  # at either end there is no further to be off
        out[..., 1] += _ONE_OFF * chances[..., 1]
        out[..., -1] += _ONE_OFF * chances[..., -1]
    return out


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
        if there > 0 and size <= _OUTGROWN * there and look.p_sprouted >= SHOWS_FROM:
            look = replace(look, p_sprouted=nan)
        out.append(look)
    return out


def _smooth(
    emission: FloatArray, fooled: Sequence[FloatArray], growing: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Forward-backward for all plugs and shares at once; states are indexed (share, plug, fooled, step).

    Parameters
    ----------
    emission:
        (looks, plugs, 3, steps).
    fooled, growing:
        Per look the (plugs, 3, 3) and (shares, steps, steps) chances of a change since the look before.

    Returns
    -------
    chances:
        (looks, plugs, steps) probability of each number of seedlings, each share weighed by how well it explains the
        looks at that plug.
    surviving:
        (looks, plugs) probability that nothing has come up by then.
    """
    (looks, plugs, _, steps), shares = emission.shape, len(growing[0])
    forward, nothing_yet = np.empty((looks, shares, plugs, 3, steps)), np.empty((looks, shares, plugs, 3))
    scales = np.empty((looks, shares, plugs))
    state = np.zeros(forward.shape[1:])
    state[:, :, HONEST, 0], state[:, :, SHOWING, 0] = 1 - _SHOWING_AT_START, _SHOWING_AT_START
    none = state[..., 0]  # the part of the forward probability on which nothing ever came up
    flat = (shares, 3 * plugs, steps)
    for k, (flags, births) in enumerate(zip(fooled, growing, strict=True)):
        turned = flags.transpose(0, 2, 1)
        arrived = ((turned @ state).reshape(flat) @ births).reshape(state.shape) * emission[k]
        none = (turned @ none[..., None])[..., 0] * births[:, :1, :1] * emission[k, :, :, 0]
        scales[k] = scale = arrived.sum((2, 3))
        forward[k] = state = arrived / scale[..., None, None]
        nothing_yet[k] = none = none / scale[..., None]
    backward = np.ones_like(state)
    for k in reversed(range(looks)):
        forward[k] *= backward
        nothing_yet[k] *= backward[..., 0]
        later = (emission[k] * backward).reshape(flat) @ growing[k].transpose(0, 2, 1)
        backward = fooled[k] @ later.reshape(state.shape)
        backward /= backward.max((2, 3), keepdims=True)
    log_likelihood = np.log(scales).sum(0)
    weights = np.exp(log_likelihood - log_likelihood.max(0))
    of_numbers = forward.sum(3)
    weights = weights / weights.sum(0) / of_numbers.sum(-1)
    return np.einsum("lsp,lspk->lpk", weights, of_numbers), (weights * nothing_yet.sum(-1)).sum(1)


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
def _fooled_steps(days: float) -> FloatArray:
    """(4, 3, 3) the changes of :func:`_fooled_step`, at place 2 * moved + overhung."""
    return np.stack([_fooled_step(moved, overhung, days) for moved in (False, True) for overhung in (False, True)])


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
