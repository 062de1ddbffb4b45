"""Which sites the plants should stand in so that the nearest neighbours are as far apart as they can be.

An arrangement is better if its smallest distance between two plants is larger; of those alike, if the mean distance
from a plant to its nearest neighbour is larger; of those alike, if fewer plants move. Lids of up to ``EXACT_SITES``
sites are settled for good. On larger ones a search finds a good arrangement, and says how far from the best its
smallest distance can be. The distance between two plants that both have to stay cannot be helped, and does not count.

For a distance d, sites closer than d are in conflict, and k plants can stand d apart just if the graph of conflicts
has k sites without one between them (a largest independent set). The largest such d is found by bisection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

EXACT_SITES = 24
_NODES = 200  # of branch and bound for one distance on a large lid, after which it counts as not settled
_SAME_MM = 1e-6
_STARTS = 6
_ROUNDS = 400


@dataclass(frozen=True, eq=False)
class Arrangement:
    """Where the plants should stand.

    Attributes
    ----------
    before, after:
        Site numbers in the lid's order, ascending.
    moves:
        (from, to) site numbers, each to a site that is free at its turn.
    nearest_mm:
        Smallest distance between two plants before and after; inf with fewer than two.
    mean_nearest_mm:
        Mean distance to the nearest neighbour before and after; inf with fewer than two.
    bound_mm:
        No arrangement has a larger smallest distance.
    exact:
        Whether it is the best there is, by all three measures.
    """

    before: tuple[int, ...]
    after: tuple[int, ...]
    moves: tuple[tuple[int, int], ...]
    nearest_mm: tuple[float, float]
    mean_nearest_mm: tuple[float, float]
    bound_mm: float
    exact: bool

    @property
    def best(self) -> bool:
        """Whether the smallest distance is known to be the largest possible."""
        return self.nearest_mm[1] >= self.bound_mm - _SAME_MM


def arrange(
    sites_mm: npt.ArrayLike, standing: Sequence[int], *, fixed: Sequence[int] = (), taken: Sequence[int] = ()
) -> Arrangement:
    """The best arrangement of the plants on the lid.

    Parameters
    ----------
    sites_mm:
        (n, 2) centres of the sites.
    standing:
        Sites in which the plants stand.
    fixed:
        Those of them that stay.
    taken:
        Further sites that are not free, and whose content is no neighbour to keep away from.

    Raises
    ------
    ValueError
        If a fixed site holds no plant, or a taken one does.
    """
    sites = np.asarray(sites_mm, dtype=float)
    now = sorted(set(standing))
    if not set(fixed) <= set(now):
        raise ValueError("a plant that stays must be one of those that stand")
    if set(taken) & set(now):
        raise ValueError("a site with a plant cannot be taken by something else")
    distance = np.linalg.norm(sites[:, None] - sites[None], axis=2)
    usable = np.array([s for s in range(len(sites)) if s not in set(taken)], dtype=np.int64)
    place = {int(s): k for k, s in enumerate(usable)}
    problem = _Problem(
        distance[np.ix_(usable, usable)], np.array([place[s] for s in now], dtype=np.int64), {place[s] for s in fixed}
    )
    if len(now) < 2:
        chosen, bound, exact = problem.now, np.inf, True
    elif len(usable) <= EXACT_SITES:
        chosen, bound = problem.exact()
        exact = True
    else:
        chosen, bound = problem.search()
        exact = False
    after = sorted(int(usable[k]) for k in chosen)
    measures = [_measures(distance, np.array(where, dtype=np.int64)) for where in (now, after)]
    return Arrangement(
        before=tuple(now),
        after=tuple(after),
        moves=_moves(distance, now, after),
        nearest_mm=(measures[0][0], measures[1][0]),
        mean_nearest_mm=(measures[0][1], measures[1][1]),
        bound_mm=float(bound),
        exact=exact,
    )


def _measures(distance: FloatArray, chosen: IntArray) -> tuple[float, float]:
    """Smallest and mean distance to the nearest neighbour."""
    if len(chosen) < 2:
        return np.inf, np.inf
    nearest = (distance[np.ix_(chosen, chosen)] + np.diag(np.full(len(chosen), np.inf))).min(axis=1)
    return float(nearest.min()), float(nearest.mean())


def _moves(distance: FloatArray, before: Sequence[int], after: Sequence[int]) -> tuple[tuple[int, int], ...]:
    """Who goes where, with the least carrying; a plant goes only where none stood, so each goal is free at once."""
    from scipy.optimize import linear_sum_assignment

    leave, enter = sorted(set(before) - set(after)), sorted(set(after) - set(before))
    rows, columns = linear_sum_assignment(distance[np.ix_(leave, enter)])
    return tuple((leave[r], enter[c]) for r, c in zip(rows, columns, strict=True))


class _Problem:
    """Distances between the usable sites, the plants' sites now, and which of them stay."""

    def __init__(self, distance: FloatArray, now: IntArray, fixed: set[int]) -> None:
        self.distance, self.now, self.fixed = distance, now, fixed
        self.n, self.k = len(distance), len(now)
        pairs = distance[np.triu_indices(self.n, 1)]
        ordered = np.sort(pairs)
        self.levels = ordered[np.concatenate([[True], np.diff(ordered) > _SAME_MM])]
        stay = np.array(sorted(fixed), dtype=np.int64)
        self.least_fixed = _measures(distance, stay)[0]

    def _conflicts(self, level: int) -> npt.NDArray[np.bool_]:
        """(n, n) whether two sites are closer than the level's distance; what stays may be, with what else stays."""
        close = self.distance < self.levels[level] - _SAME_MM
        np.fill_diagonal(close, False)
        stay = np.array(sorted(self.fixed), dtype=np.int64)
        close[np.ix_(stay, stay)] = False
        return np.asarray(close)

    def _settle(self, level: int, nodes: int | None, gain: FloatArray | None = None) -> tuple[bool | None, IntArray]:
        """Whether so many plants can stand so far apart (None: not settled), and where.

        Solved as an integer programme over cliques of sites in conflict. ``gain`` says which sites are preferred.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        cliques = _cliques(self._conflicts(level))
        low = np.zeros(self.n)
        low[sorted(self.fixed)] = 1
        rules = [LinearConstraint(np.ones((1, self.n)), self.k, self.k)]
        if cliques:
            rows = np.repeat(np.arange(len(cliques)), [len(c) for c in cliques])
            table = csr_array((np.ones(rows.size), (rows, np.concatenate(cliques))), shape=(len(cliques), self.n))
            rules.append(LinearConstraint(table, -np.inf, 1))
        options = {} if nodes is None else {"node_limit": nodes}
        wanted = np.zeros(self.n) if gain is None else -gain
        found = milp(wanted, integrality=np.ones(self.n), bounds=Bounds(low, 1), constraints=rules, options=options)
        if found.x is not None:
            return True, np.flatnonzero(found.x > 0.5)
        return (False if found.status == 2 else None), np.zeros(0, dtype=np.int64)

    def _bisect(self, nodes: int | None) -> tuple[int, int, IntArray]:
        """The highest level that can be kept as far as settled, the highest not ruled out, and where they stand."""
        kept, ruled_out, chosen = 0, len(self.levels), self.now
        unsettled: set[int] = set()
        low, high = 0, len(self.levels)
        while high - low > 1:
            level = (low + high) // 2
            possible, where = self._settle(level, nodes)
            if possible:
                low = kept = level
                chosen = where
            else:
                high = level
                if possible is None:
                    unsettled.add(level)
                else:
                    ruled_out = min(ruled_out, level)
        return kept, ruled_out - 1 if unsettled else kept, chosen

    def exact(self) -> tuple[IntArray, float]:
        """The best by all three measures, and its smallest distance."""
        level, _, _ = self._bisect(None)
        masks = self._all_sets(level)
        # nearest neighbour of each site in each set: go through the distances from the near to the far
        total = np.zeros(len(masks))
        for i in range(self.n):
            waiting = np.flatnonzero(masks >> i & 1)
            for d in self.levels:
                ring = _bits(np.flatnonzero(np.abs(self.distance[i] - d) <= _SAME_MM))
                if not ring or not waiting.size:
                    continue
                met = (masks[waiting] & ring) != 0
                total[waiting[met]] += d
                waiting = waiting[~met]
        best = np.flatnonzero(total >= total.max() - _SAME_MM)
        here = _bits(self.now)
        stays = np.array([int(m & here).bit_count() for m in masks[best]])
        chosen = int(masks[best[int(stays.argmax())]])
        where = np.array([i for i in range(self.n) if chosen >> i & 1], dtype=np.int64)
        return where, _measures(self.distance, where)[0]

    def _all_sets(self, level: int) -> IntArray:
        """All sets of k sites without conflict, with what stays in them, as bit masks."""
        close = self._conflicts(level)
        against = [_bits(np.flatnonzero(close[i])) for i in range(self.n)]
        masks, sizes = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
        for i in range(self.n):
            free = (masks & against[i]) == 0
            with_it = masks[free] | 1 << i
            if i in self.fixed:
                masks, sizes = with_it, sizes[free] + 1
            else:
                masks, sizes = np.concatenate([masks, with_it]), np.concatenate([sizes, sizes[free] + 1])
            keep = (sizes <= self.k) & (sizes + self.n - 1 - i >= self.k)
            masks, sizes = masks[keep], sizes[keep]
        return masks

    def search(self) -> tuple[IntArray, float]:
        """A good arrangement, and a bound on the smallest distance."""
        kept, not_ruled_out, chosen = self._bisect(_NODES)
        stay = np.zeros(self.n)
        stay[self.now] = 1.0
        starts = [chosen, self.now]
        possible, where = self._settle(kept, _NODES, gain=stay)
        if possible:
            starts.insert(0, where)
        rng = np.random.default_rng(7)
        for _ in range(_STARTS):
            possible, where = self._settle(kept, _NODES, gain=rng.random(self.n))
            if possible:
                starts.append(where)
        climbed = [self._climb(start) for start in starts]
        best = max(climbed, key=self._worth)
        return best, min(float(self.levels[not_ruled_out]), self.least_fixed)

    def _worth(self, chosen: IntArray) -> tuple[float, float, int]:
        nearest, mean = _measures(self.distance, chosen)
        return round(nearest, 6), round(mean, 6), len(set(chosen.tolist()) & set(self.now.tolist()))

    def _climb(self, chosen: IntArray) -> IntArray:
        """Swap one plant at a time to a free site as long as that is better."""
        for _ in range(_ROUNDS):
            worth, better = self._worth(chosen), None
            free = np.setdiff1d(np.arange(self.n), chosen)
            if not free.size:
                return chosen
            for i in chosen:
                if int(i) in self.fixed:
                    continue
                rest = chosen[chosen != i]
                among = self.distance[np.ix_(rest, rest)] + np.diag(np.full(len(rest), np.inf))
                own = self.distance[np.ix_(rest, free)]  # (rest, free)
                nearest = np.minimum(among.min(axis=1)[:, None], own) if len(rest) > 1 else own
                low = np.minimum(nearest.min(axis=0), own.min(axis=0))
                mean = (nearest.sum(axis=0) + own.min(axis=0)) / self.k
                stays = np.isin(free, self.now) + np.isin(rest, self.now).sum()
                j = int(np.lexsort((stays, mean.round(6), low.round(6)))[-1])
                tried = (round(float(low[j]), 6), round(float(mean[j]), 6), int(stays[j]))
                if tried > worth:
                    worth, better = tried, np.sort(np.append(rest, free[j]))
            if better is None:
                return chosen
            chosen = better
        return chosen


def _bits(sites: IntArray) -> int:
    return sum(1 << int(i) for i in sites)


def _cliques(close: npt.NDArray[np.bool_]) -> list[IntArray]:
    """Cliques that together hold every pair in conflict, grown greedily."""
    left = np.triu(close, 1)
    found = []
    for i, j in np.argwhere(left):
        if not left[i, j]:
            continue
        clique = [int(i), int(j)]
        common = close[i] & close[j]
        while common.any():
            # the one that settles most pairs that are still open
            candidates = np.flatnonzero(common)
            settles = (left | left.T)[candidates][:, clique].sum(axis=1)
            new = int(candidates[int(settles.argmax())])
            clique.append(new)
            common = common & close[new]
        members = np.array(sorted(clique), dtype=np.int64)
        left[np.ix_(members, members)] = False
        found.append(members)
    return found
