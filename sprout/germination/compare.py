"""Germination of several grows side by side, by days after sowing."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations as arrangements
from math import nan

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from sprout.germination.onsets import Onset
from sprout.germination.turnbull import innermost_intervals, turnbull, turnbull_interval
from sprout.intervals import Interval, wilson

FloatArray = npt.NDArray[np.float64]

_FEW_LIDS = 7  # 5040 ways to deal them


@dataclass(frozen=True, eq=False)
class GerminationCurve:
    """One grow: plugs up by day, with pointwise 95 % interval, and in the end.

    Attributes
    ----------
    plugs, up:
        Number of plugs, and of those that came up.
    final:
        95 % interval (Wilson) of the share that came up.
    days, share, low, high:
        (m,) days after sowing, share of plugs up by then (Turnbull), and its interval.
    """

    plugs: int
    up: int
    final: Interval
    days: FloatArray
    share: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Alike:
    """Test that several grows germinate alike.

    Attributes
    ----------
    scores:
        By name: sum of log-rank scores; negative where plugs came up later or fewer than in all grows together.
    chi_squared, degrees:
        Test statistic that the grows are alike, and its degrees of freedom.
    p_value, p_permuted:
        Its chance if they are, from the chi-squared distribution and by permuting plugs between grows; 1 where there
        is nothing to compare.
    p_lids, least_p_lids:
        The same by permuting whole lids between the groups, which allows for all that plugs of one lid share, and the
        least that so few lids could give; NaN where each group is one lid.
    """

    scores: dict[str, float]
    chi_squared: float
    degrees: int
    p_value: float
    p_permuted: float
    p_lids: float
    least_p_lids: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Alike):
    """The same with the curves of the grows, by name."""

    curves: dict[str, GerminationCurve]


def log_rank_scores(left: npt.ArrayLike, right: npt.ArrayLike) -> FloatArray:
    """(n,) scores of times known to lie in (left, right], summing to 0; early ones are positive.

    From Turnbull's estimate S of all together with its cumulative hazard H: (S(right) H(right) - S(left) H(left)) /
    (S(left) - S(right)); with narrow intervals they are those of the log-rank test, 1 - H for what came up and -H for
    what did not. Sun 1996, Stat. Med. 15:1387-1395, in the score form of Fay 1999, Stat. Med. 18:273-285 (both from
    memory).
    """
    a, b = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    all_together = turnbull(a, b)
    before = np.concatenate([[1.0], all_together.after()])
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard = np.where(before[:-1] > 1e-12, all_together.mass / before[:-1], 0.0)
    cumulative = np.concatenate([[0.0], np.cumsum(hazard)])
    inside = (a[:, None] <= all_together.left) & (all_together.right <= b[:, None])
    first = inside.argmax(axis=1)
    last = inside.shape[1] - inside[:, ::-1].argmax(axis=1)
    product = before * cumulative
    if np.isinf(all_together.right[-1]):
        before[-1] = product[-1] = 0.0  # nothing is left beyond all looks
    return np.asarray((product[last] - product[first]) / (before[first] - before[last]))


def compare_germination(
    grows: Mapping[str, Sequence[Onset]],
    *,
    lids: Mapping[str, Sequence[Hashable]] | None = None,
    permutations: int = 999,
    seed: int = 1,
) -> Comparison:
    """Line several grows up by days after sowing and test whether they germinate alike, as :func:`whether_alike` does.

    Raises
    ------
    ValueError
        If no grow has a plug that was looked at.
    """
    tested = whether_alike(grows, lids=lids, permutations=permutations, seed=seed)
    return Comparison(**vars(tested), curves={name: germination_curve(grows[name]) for name in tested.scores})


def whether_alike(
    grows: Mapping[str, Sequence[Onset]],
    *,
    lids: Mapping[str, Sequence[Hashable]] | None = None,
    permutations: int = 999,
    seed: int = 1,
) -> Alike:
    """Test whether grows germinate alike, by days after sowing.

    The unit is the plug: when its first seedling came up. A plug in doubt counts by the likelier side. The permutation
    test holds for few plugs and many ties, as long as the grows were looked at alike; ``seed`` makes it repeat.

    Parameters
    ----------
    grows:
        Groups of plugs by name.
    lids:
        By the same names, the lid that each plug stood in, where groups hold the plugs of several.

    Raises
    ------
    ValueError
        If no grow has a plug that was looked at.
    """
    stood = lids or {name: [name] * len(plugs) for name, plugs in grows.items()}
    seen = {
        name: [(o, lid) for o, lid in zip(plugs, stood[name], strict=True) if o.looked_at]
        for name, plugs in grows.items()
    }
    seen = {name: plugs for name, plugs in seen.items() if plugs}
    if not seen:
        raise ValueError("no plug has been looked at")
    left, right = _intervals([o for plugs in seen.values() for o, _ in plugs])
    group = np.repeat(np.arange(len(seen)), [len(p) for p in seen.values()])
    scores = log_rank_scores(left, right)
    degrees = len(seen) - 1
    chi_squared = _statistic(scores, group)
    p_value, p_permuted, p_lids, least = 1.0, 1.0, nan, nan
    if degrees > 0 and np.ptp(scores) > 1e-12:
        rng = np.random.default_rng(seed)
        more = sum(_statistic(scores, rng.permutation(group)) >= chi_squared - 1e-9 for _ in range(permutations))
        p_value, p_permuted = float(chdtrc(degrees, chi_squared)), (1 + more) / (1 + permutations)
        named = [(name, lid) for name, plugs in seen.items() for _, lid in plugs]
        p_lids, least = _by_lids(scores, group, named, permutations, rng)
    return Alike(
        scores={name: float(scores[group == k].sum()) for k, name in enumerate(seen)},
        chi_squared=chi_squared,
        degrees=degrees,
        p_value=p_value,
        p_permuted=p_permuted,
        p_lids=p_lids,
        least_p_lids=least,
    )


def holm(p_values: Sequence[float]) -> list[float]:
    """p values adjusted for being several, in the order given: Holm 1979, Scand. J. Stat. 6:65-70."""
    order = sorted(range(len(p_values)), key=lambda k: p_values[k])
    adjusted, largest = [0.0] * len(p_values), 0.0
    for rank, k in enumerate(order):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[k]))
        adjusted[k] = largest
    return adjusted


def _by_lids(
    scores: FloatArray,
    group: npt.NDArray[np.int64],
    lids: Sequence[Hashable],
    permutations: int,
    rng: np.random.Generator,
) -> tuple[float, float]:
    """p of the same statistic when whole lids are dealt to the groups anew, and the least there could be."""
    names = list(dict.fromkeys(lids))
    lid = np.array([names.index(name) for name in lids])
    group_of = np.array([group[np.argmax(lid == k)] for k in range(len(names))])
    if len(names) == group_of.max() + 1:
        return nan, nan
    observed = _statistic(scores, group)
    dealt = [_statistic(scores, np.array(deal)[lid]) for deal in _deals(group_of, permutations, rng)]
    p = sum(d >= observed - 1e-9 for d in dealt) / len(dealt)
    return p, sum(d >= max(dealt) - 1e-9 for d in dealt) / len(dealt)


def _deals(
    group_of: npt.NDArray[np.int64], permutations: int, rng: np.random.Generator
) -> Iterator[Sequence[int] | npt.NDArray[np.int64]]:
    """All ways to deal few lids to the groups, or many random ones, that which was among them."""
    if group_of.size <= _FEW_LIDS:
        yield from arrangements(group_of.tolist())
        return
    yield group_of
    for _ in range(permutations):
        yield rng.permutation(group_of)


def _intervals(plugs: Sequence[Onset]) -> tuple[FloatArray, FloatArray]:
    left = np.array([o.empty_day if o.up or o.up_day == np.inf else o.up_day for o in plugs], dtype=float)
    right = np.array([o.up_day if o.up else np.inf for o in plugs], dtype=float)
    return left, right


def _statistic(scores: FloatArray, group: npt.NDArray[np.int64]) -> float:
    """Quadratic form of the groups' summed scores in their permutation covariance."""
    sizes = np.bincount(group).astype(float)
    sums = np.bincount(group, weights=scores - scores.mean())
    spread = scores.var(ddof=1) if scores.size > 1 else 0.0
    return float((sums**2 / sizes).sum() / spread) if spread > 1e-12 else 0.0


def germination_curve(plugs: Sequence[Onset]) -> GerminationCurve:
    """The curve of one grow from the plugs that were looked at; there must be one."""
    plugs = [o for o in plugs if o.looked_at]
    left, right = _intervals(plugs)
    _, ends = innermost_intervals(left, right)
    days = np.concatenate([[0.0], ends[np.isfinite(ends)], [left.max()]])
    days = np.unique(days)
    share, low, high = turnbull_interval(left, right, days)
    up = sum(o.up for o in plugs)
    return GerminationCurve(len(plugs), up, wilson(up, len(plugs)), days, share, low, high)
