"""Groups of grows against each other: how they came up, how they grew, and what that shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import exp, isfinite, log, nan
from typing import NamedTuple

import numpy as np

from sprout.comparison.grown import Grown
from sprout.comparison.words import cautions, verdict
from sprout.germination.compare import Alike, GerminationCurve, germination_curve, holm, whether_alike
from sprout.germination.onsets import Onset
from sprout.germination.summary import GerminationSummary, Share, summarise
from sprout.growth.canopy import Canopy
from sprout.growth.compare import GrownLeaf, LeafRatio, compare_growth, leaf_ratio
from sprout.intervals import newcombe_difference, wilson

_Z95 = 1.959964


class Estimate(NamedTuple):
    """A number with the ends of its 95 % interval; NaN where not known."""

    low: float = nan
    mid: float = nan
    high: float = nan


@dataclass(frozen=True, eq=False)
class Group:
    """Grows that are taken together.

    Attributes
    ----------
    name, books, crops:
        Its name, the names of its books, and what was sown in them.
    seeds:
        Least and most seeds in a plug.
    last_day:
        Day of its last look, 0 before the first.
    plugs, up, up_pct:
        Plugs looked at, those up by then, and their share (Wilson). A plug taken out empty counts as not up.
    by_seed:
        Seeds that gave a seedling by then (see ``germination.summary``).
    t50_days:
        Day by which half of those were up that came up at all, from the log-logistic fit.
    leaf_day, leaf_plugs, leaf_cm2:
        Last day on which two plugs of each book tell of leaf (None: never), how many do, and the geometric mean of it.
    growth_per_day:
        Relative growth rate (Hoffmann & Poorter 2002).
    curve, leaf:
        Share up and leaf per plug over the days; the curve is None before any look.
    """

    name: str
    books: tuple[str, ...]
    crops: tuple[str, ...]
    seeds: tuple[int, int]
    last_day: float
    plugs: int
    up: int
    up_pct: Estimate
    by_seed: Share
    t50_days: Estimate
    leaf_day: float | None
    leaf_plugs: int
    leaf_cm2: Estimate
    growth_per_day: Estimate
    curve: GerminationCurve | None
    leaf: GrownLeaf


@dataclass(frozen=True, eq=False)
class Pair:
    """Two groups against each other.

    Attributes
    ----------
    first, second:
        Their names.
    alike:
        Log-rank style test of how their plugs came up; None where one was not looked at.
    score:
        Positive where the first came up earlier or in greater number.
    day, up, plugs, difference_pct:
        The last day up to which all their books were followed; plugs up by then and looked at, of the first and the
        second; and the difference of the shares in points (Newcombe).
    leaf_day, leaf:
        The same day for leaf, and leaf per plug then, first over second; None where none can be compared.
    p_germination, p_leaf:
        p values after Holm for all comparisons made here.
    """

    first: str
    second: str
    alike: Alike | None
    day: float
    up: tuple[int, int]
    plugs: tuple[int, int]
    difference_pct: Estimate
    leaf_day: float | None
    leaf: LeafRatio | None
    p_germination: float = 1.0
    p_leaf: float = 1.0

    @property
    def score(self) -> float:
        return 0.0 if self.alike is None else self.alike.scores[self.first]


@dataclass(frozen=True, eq=False)
class Compared:
    """The whole comparison.

    Attributes
    ----------
    by:
        The label that made the groups, None for book by book.
    groups, pairs:
        In the order given, every two of them.
    together:
        The test over all groups at once; None where fewer than two were looked at.
    tests:
        Number of comparisons that Holm's adjustment counts.
    verdict, cautions:
        In plain words: what is shown, and what to hold against it.
    """

    by: str | None
    groups: tuple[Group, ...]
    pairs: tuple[Pair, ...]
    together: Alike | None
    tests: int
    verdict: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def compare_grows(groups: Mapping[str, Sequence[Grown]], *, by: str | None = None) -> Compared:
    """Compare groups of books by days after sowing.

    Raises
    ------
    ValueError
        With fewer than two groups.
    """
    if len(groups) < 2:
        raise ValueError("a comparison needs two groups")
    last = max((book.last_day for books in groups.values() for book in books), default=0.0)
    leaf = compare_growth({name: _leaves(books) for name, books in groups.items()}, np.arange(0, last + 1))
    pairs, tests = _adjusted([_pair(a, b, groups) for a, b in combinations(groups, 2)])
    found = tuple(_group(name, books, leaf[name]) for name, books in groups.items())
    compared = Compared(by, found, tuple(pairs), _alike(groups), tests)
    return replace(compared, verdict=verdict(compared), cautions=cautions(compared, groups))


def _plugs(books: Sequence[Grown]) -> list[Onset]:
    return [plug for book in books for plug in book.plugs]


def _leaves(books: Sequence[Grown]) -> list[Canopy]:
    return [canopy for book in books for canopy in book.canopies]


def _looked_at(books: Sequence[Grown]) -> bool:
    return any(plug.looked_at for plug in _plugs(books))


def _alike(groups: Mapping[str, Sequence[Grown]]) -> Alike | None:
    """Test over the groups that were looked at; None with fewer than two."""
    seen = {name: books for name, books in groups.items() if _looked_at(books)}
    if len(seen) < 2:
        return None
    return whether_alike(
        {name: _plugs(books) for name, books in seen.items()},
        lids={name: [k for k, book in enumerate(books) for _ in book.plugs] for name, books in seen.items()},
    )


def _pair(first: str, second: str, groups: Mapping[str, Sequence[Grown]]) -> Pair:
    both = (groups[first], groups[second])
    day = min((book.last_day for books in both for book in books if book.last_day > 0), default=0.0)
    seen = [[plug for plug in _plugs(books) if plug.looked_at] for books in both]
    up = [sum(_up_by(plug, day) for plug in plugs) for plugs in seen]
    low, high = newcombe_difference(up[0], len(seen[0]), up[1], len(seen[1]))
    known = all(seen)
    days = [_leaf_day(books) for books in both]
    leaf_day = min(d for d in days if d is not None) if None not in days else None
    return Pair(
        first=first,
        second=second,
        alike=_alike({first: both[0], second: both[1]}),
        day=day,
        up=(up[0], up[1]),
        plugs=(len(seen[0]), len(seen[1])),
        difference_pct=Estimate(100 * low, 100 * (up[0] / len(seen[0]) - up[1] / len(seen[1])), 100 * high)
        if known
        else Estimate(),
        leaf_day=leaf_day,
        leaf=None if leaf_day is None else leaf_ratio(_leaves(both[0]), _leaves(both[1]), leaf_day),
    )


def _group(name: str, books: Sequence[Grown], leaf: GrownLeaf) -> Group:
    plugs = _plugs(books)
    seen = [plug for plug in plugs if plug.looked_at]
    up = sum(plug.up for plug in seen)
    share = wilson(up, len(seen))
    summary = summarise(plugs)
    day = _leaf_day(books)
    growth = leaf.growth
    return Group(
        name=name,
        books=tuple(book.name for book in books),
        crops=tuple(dict.fromkeys(crop for book in books for crop in book.crops)),
        seeds=(min((p.seeds for p in plugs), default=0), max((p.seeds for p in plugs), default=0)),
        last_day=max((book.last_day for book in books), default=0.0),
        plugs=len(seen),
        up=up,
        up_pct=Estimate(100 * share.low, 100 * up / len(seen), 100 * share.high) if seen else Estimate(),
        by_seed=summary.by_seed,
        t50_days=_t50(summary),
        leaf_day=day,
        leaf_plugs=0 if day is None else int(leaf.plugs[int(day)]),
        leaf_cm2=Estimate()
        if day is None
        else Estimate(*(float(x[int(day)]) for x in (leaf.low_cm2, leaf.area_cm2, leaf.high_cm2))),
        growth_per_day=Estimate()
        if growth is None
        else Estimate(*(growth.rate + k * _Z95 * growth.standard_error for k in (-1, 0, 1))),
        curve=germination_curve(seen) if seen else None,
        leaf=leaf,
    )


def _up_by(plug: Onset, day: float) -> bool:
    """Whether it was up by the day, taking it to have come up midway between its looks."""
    return plug.up and (plug.empty_day + plug.up_day) / 2 <= day


def _t50(summary: GerminationSummary) -> Estimate:
    if summary.fit is None or summary.fit.d == 0:
        return Estimate()
    day, error = summary.fit.time_of(0.5)
    if not isfinite(error):
        return Estimate(nan, day, nan)
    half = _Z95 * error / day
    return Estimate(exp(log(day) - half), day, exp(log(day) + half))


def _leaf_day(books: Sequence[Grown]) -> float | None:
    """The last whole day up to which the leaf of two plugs of each book was followed (of one, if there is one)."""
    ends = [sorted(c.days[-1] for c in book.canopies if c.days.size) for book in books]
    return float(int(min(days[-2:][0] for days in ends if days))) if any(ends) else None


def _adjusted(pairs: Sequence[Pair]) -> tuple[list[Pair], int]:
    """The pairs with the p values of all their tests adjusted together, and the number of tests."""
    up = {k: pair.alike.p_permuted for k, pair in enumerate(pairs) if pair.alike is not None}
    leaf = {k: pair.leaf.p_value for k, pair in enumerate(pairs) if pair.leaf is not None and min(pair.leaf.plugs) > 1}
    adjusted = holm([*up.values(), *leaf.values()])
    p_up, p_leaf = dict(zip(up, adjusted, strict=False)), dict(zip(leaf, adjusted[len(up) :], strict=True))
    return [
        replace(pair, p_germination=p_up.get(k, 1.0), p_leaf=p_leaf.get(k, 1.0)) for k, pair in enumerate(pairs)
    ], len(adjusted)
