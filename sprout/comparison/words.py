"""A comparison in plain words: what it shows, and what to hold against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite, isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sprout.comparison.compare import Compared, Estimate, Group, Pair
    from sprout.comparison.grown import Grown

SHOWN = 0.05  # common practice
_FEW_PLUGS = 10
_WARMTH_C = 1.0


def verdict(compared: Compared) -> tuple[str, ...]:
    """What is shown of every two groups, first how they came up, then their leaf."""
    by_name = {group.name: group for group in compared.groups}
    said = [_germination(pair, by_name) for pair in compared.pairs]
    said += [words for pair in compared.pairs if (words := _leaf(pair))]
    return tuple(said)


def cautions(compared: Compared, groups: Mapping[str, Sequence[Grown]]) -> tuple[str, ...]:
    """What stands between the numbers and the question asked."""
    books = [book for group in groups.values() for book in group]
    said = [
        *_unlooked(compared),
        *_crops(compared),
        *_seeds(compared),
        *_warmth(books),
        *_ages(books),
        *_few(compared),
        *_tests(compared),
        *_lids(compared, groups),
    ]
    label = "them" if compared.by is None else compared.by
    said.append(
        f"Nothing here was dealt out by lot: season, lamp, water or place may differ along with {label}, "
        "and the numbers cannot tell which of them did it"
    )
    return tuple(said)


def p_value(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}" if p < 0.1 else f"p = {p:.2f}"


def _germination(pair: Pair, by_name: Mapping[str, Group]) -> str:
    a, b = by_name[pair.first], by_name[pair.second]
    if pair.alike is None:
        return f"{a.name} and {b.name}: how they come up cannot be compared before both have been looked at"
    if not a.up and not b.up:
        return f"{a.name} and {b.name}: nothing has come up in either"
    counts = [f"{up} of {n} plugs ({100 * up / n:.0f} %)" for up, n in zip(pair.up, pair.plugs, strict=True)]
    by_day = f"by day {pair.day:.0f} {a.name} has {' against '.join(counts)}, {_points(pair.difference_pct)}"
    p = p_value(pair.p_germination)
    if pair.p_germination >= SHOWN:
        return f"{a.name} and {b.name}: no difference in coming up is shown: {by_day}, {p}"
    first, other = (a, b) if pair.score > 0 else (b, a)
    faster = ""
    if isfinite(a.t50_days.mid) and isfinite(b.t50_days.mid):
        faster = f"; half of what came up was up by day {a.t50_days.mid:.1f} against {b.t50_days.mid:.1f}"
    return f"{first.name} came up sooner or more fully than {other.name}: {by_day}{faster}; {p}"


def _points(difference: Estimate) -> str:
    sign = "more" if difference.mid >= 0 else "fewer"
    return f"{abs(difference.mid):.0f} points {sign} (95 %: {difference.low:.0f} to {difference.high:.0f})"


def _leaf(pair: Pair) -> str:
    leaf = pair.leaf
    if leaf is None or pair.leaf_day is None or isnan(leaf.ratio):
        return ""
    about = f"{leaf.ratio:.2f} times the leaf per plug of {pair.second} on day {pair.leaf_day:.0f}"
    if isnan(leaf.low):
        return f"{pair.first} has {about}; too few plugs tell to say more ({leaf.plugs[0]} and {leaf.plugs[1]})"
    told = f"{about} (95 %: {leaf.low:.2f} to {leaf.high:.2f}; {leaf.plugs[0]} and {leaf.plugs[1]} plugs)"
    if pair.p_leaf >= SHOWN:
        return f"No difference in leaf is shown: {pair.first} has {told}, {p_value(pair.p_leaf)}"
    return f"{pair.first} has {told}, {p_value(pair.p_leaf)}"


def _unlooked(compared: Compared) -> list[str]:
    names = [group.name for group in compared.groups if not group.plugs]
    return [f"No look at {', '.join(names)} says anything yet"] if names else []


def _crops(compared: Compared) -> list[str]:
    crops = {group.name: group.crops for group in compared.groups if group.crops}
    if len({frozenset(sown) for sown in crops.values()}) < 2:
        return []
    sown = "; ".join(f"{name}: {', '.join(c)}" for name, c in crops.items())
    return [f"Different crops were sown ({sown}): that alone may make the difference; --crop NAME compares one crop"]


def _seeds(compared: Compared) -> list[str]:
    seeds = {group.seeds for group in compared.groups if group.crops}
    if len(seeds) < 2:
        return []
    numbers = "; ".join(
        f"{g.name}: {g.seeds[0]}" + (f" to {g.seeds[1]}" if g.seeds[1] > g.seeds[0] else "") for g in compared.groups
    )
    return [f"Not the same number of seeds to a plug ({numbers}): more seeds fill more plugs; see the share of seeds"]


def _warmth(books: Sequence[Grown]) -> list[str]:
    known = [book.temperature_c for book in books if book.temperature_c is not None]
    if len(known) < 2 or max(known) - min(known) < _WARMTH_C:
        return []
    return [f"It was not equally warm ({min(known):g} to {max(known):g} °C)"]


def _ages(books: Sequence[Grown]) -> list[str]:
    days = [book.last_day for book in books if book.last_day > 0]
    if len(set(days)) < 2:
        return []
    return [
        f"The books were followed for {min(days):.0f} to {max(days):.0f} days: two groups are compared as on the last "
        "day that both reached, while the table, the tests and the curves use all looks"
    ]


def _few(compared: Compared) -> list[str]:
    few = [f"{group.name}: {group.plugs}" for group in compared.groups if 0 < group.plugs < _FEW_PLUGS]
    if not few:
        return []
    return [f"Few plugs ({', '.join(few)}): only a large difference could show; that none is shown does not mean none"]


def _tests(compared: Compared) -> list[str]:
    if compared.tests < 2:
        return []
    return [f"{compared.tests} comparisons were made, each another go for chance: p is adjusted for that (Holm)"]


def _lids(compared: Compared, groups: Mapping[str, Sequence[Grown]]) -> list[str]:
    shared = "Plugs on one lid share water, food and light, so they tell less than as many plugs each on its own"
    if all(len(books) == 1 for books in groups.values()):
        return [
            f"{shared}: with one lid to a group, p says how sure the lids differ, not why; grow it once more to know"
        ]
    together = compared.together
    if together is None or isnan(together.p_lids):
        return [shared]
    least = f", and with so few lids it cannot be below {together.least_p_lids:.2f}"
    shuffled = f"with whole lids shuffled between the groups, {p_value(together.p_lids)}"
    return [f"{shared}: {shuffled}{least if together.least_p_lids > SHOWN else ''}"]
