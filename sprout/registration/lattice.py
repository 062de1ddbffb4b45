"""From loose circles to the lid: which circle is which hole.

Two circles of like size that could be two near holes of the lid give a first pose (RANSAC over pairs: Fischler &
Bolles 1981, Commun. ACM 24:381-395). From there the pattern is grown: the pose predicts the other holes, the
circles found there improve the pose. The whole pattern decides, never a single circle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from sprout.lid import Lid, symmetries
from sprout.registration.camera import Belief, Fit, Pose, fit_numbers, see
from sprout.registration.geometry import Array
from sprout.registration.holes import RIM, Circles

Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Placement:
    """One way to lay the lid's pattern over the circles.

    Attributes
    ----------
    fit:
        The pose.
    circle:
        (n_sites,) index of the circle taken for each site, -1 for none.
    score:
        Sum of the circles' support, less what speaks against the placement.
    """

    fit: Fit
    circle: Indices
    score: float


PLENTY = 6
WELL_SEEN = 0.45
"""A lid of :data:`PLENTY` sites or more lies where all of them hold circles that reach this score per site."""


_SCALES, _ALIKE = 0.2, 0.3
"""Logarithms of how far a scale may be off that tags tell, and how unlike two radii of rims may be."""
_MARGIN = float(np.exp(_SCALES + _ALIKE / 2))
_ROUNDS, _WIDE = 8, 4
"""How often circles are matched at most, and how often from farther away."""


def rim_radii_px(lid: Lid, px_per_mm: float) -> tuple[float, float]:
    """Least and greatest radius of circles that can be rims where the scale is about known."""
    radius = lid.hole_mm / 2 * px_per_mm
    return RIM[0] * radius / _MARGIN, RIM[1] * radius * _MARGIN


def _distances_mm(lid: Lid) -> Array:
    """(n, n) distances of the sites from each other, infinite from themselves."""
    distance = np.linalg.norm(lid.sites_mm[None] - lid.sites_mm[:, None], axis=2)
    np.fill_diagonal(distance, np.inf)
    return np.asarray(distance)


def _near_pairs(lid: Lid) -> list[tuple[int, int]]:
    """Ordered pairs of sites that are near neighbours: up to a third farther apart than neighbours usually are."""
    distance = _distances_mm(lid)
    reach = 1.3 * np.median(np.sort(distance, axis=1)[:, : min(4, len(distance) - 1)])
    return [(int(i), int(j)) for i, j in np.argwhere(distance <= reach)]


def first_poses(circles: Circles, lid: Lid, *, px_per_mm: float | None, most: int = 12) -> list[tuple[float, Array]]:
    """Similarities (angle, scale, shift) as complex pairs that put most sites on circles of the right size.

    ``px_per_mm`` narrows the scale where it is known (from tags).
    Returns (score, [a, b]) with pixel = a * mm + b in the complex plane. Turns of the lid onto itself are one of
    ``most`` each, but only one of a set is returned.
    """
    turns = len(symmetries(lid))
    n = min(len(circles.radii), 70)
    z = circles.centres[:n] @ np.array([1, 1j])
    sites = lid.sites_mm @ np.array([1, 1j])
    radius, support = circles.radii[:n], circles.support[:n]
    steps: dict[complex, list[tuple[int, int]]] = {}
    for i, j in _near_pairs(lid):
        step = sites[j] - sites[i]
        steps.setdefault(complex(round(step.real, 1), round(step.imag, 1)), []).append((i, j))
    # the other way round a pair says the same of the sites the other way round
    first, second = np.nonzero(np.triu(np.abs(np.log(radius[:, None] / radius[None])) < _ALIKE, 1))
    a_all, b_all = [], []
    for step, pairs in steps.items():
        a = (z[second] - z[first]) / step
        scale = np.abs(a)
        mean_radius = np.sqrt(radius[first] * radius[second]) / (scale * lid.hole_mm / 2)
        good = (mean_radius > RIM[0]) & (mean_radius < RIM[1]) & (np.abs(np.angle(a)) <= np.pi / turns + 1e-9)
        if px_per_mm is not None:
            good &= np.abs(np.log(scale / px_per_mm)) < _SCALES
        start = np.array([i for i, _ in pairs])
        a_all.append(np.repeat(a[good], len(start)))
        b_all.append((z[first[good]][:, None] - a[good][:, None] * sites[start][None]).ravel())
    if not a_all:
        return []
    a, b = np.concatenate(a_all), np.concatenate(b_all)
    if not len(a):
        return []
    tree = cKDTree(circles.centres[:n])
    scores = np.empty(len(a))
    pitch = np.min([abs(s) for s in steps])
    for low in range(0, len(a), 4000):
        part = slice(low, low + 4000)
        at = a[part, None] * sites[None] + b[part, None]
        scale = np.abs(a[part, None])
        reach = 0.28 * pitch * scale
        places = at.view(np.float64).reshape(-1, 2)
        distance, index = (of.reshape(at.shape) for of in tree.query(places, distance_upper_bound=reach.max()))
        index = np.minimum(index, n - 1)
        ratio = radius[index] / (scale * lid.hole_mm / 2)
        near = (ratio > 0.7) & (ratio < 1.55)
        scores[part] = (near * support[index] * np.maximum(1 - (distance / reach) ** 2, 0)).sum(1)
    scores = np.round(scores, 6)
    ends = a[:, None] * sites[[0, -1]] + b[:, None]
    kept: list[tuple[float, Array]] = []
    for _ in range(-(-most // turns)):
        k = int(scores.argmax())
        if scores[k] < 0:
            break
        kept.append((float(scores[k]), np.array([a[k], b[k]])))
        scores[np.abs(ends - ends[k]).max(1) < 0.3 * pitch * np.abs(a)] = -1
    return kept


def _match(seen: Array, scale: Array, circles: Circles, lid: Lid, tree: cKDTree, reach_mm: float) -> Indices:
    """The circle nearest to each predicted site if it is near and of the right size, else -1; no circle twice.

    ``seen`` is where m poses show the sites, (m, n, 2), ``scale`` (m, n) their pixels per mm there; so are the indices.
    """
    m, n = scale.shape
    distance, index = (of.reshape(m, n, -1) for of in tree.query(seen.reshape(-1, 2), k=min(3, len(circles.radii))))
    ratio = circles.radii[np.minimum(index, len(circles.radii) - 1)] / (scale * lid.hole_mm / 2)[..., None]
    fits = (ratio > RIM[0] - 0.1) & (ratio < RIM[1] + 0.1) & (distance < reach_mm * scale[..., None])
    cost = np.where(fits, distance, np.inf)
    best = cost.argmin(2)[..., None]
    cost, index = (np.take_along_axis(of, best, 2)[..., 0] for of in (cost, index))
    taken = np.full((m, n), -1)
    # of the sites that want a circle the nearest has it
    row, site = np.nonzero(np.isfinite(cost))
    nearest = np.argsort(cost[row, site], kind="stable")
    row, site = row[nearest], site[nearest]
    _, first = np.unique(row * len(circles.radii) + index[row, site], return_index=True)
    row, site = row[first], site[first]
    taken[row, site] = index[row, site]
    return taken


def grow(
    start: Pose,
    circles: Circles,
    lid: Lid,
    tree: cKDTree,
    *,
    belief: Callable[[Pose], Belief | None] | None = None,
) -> tuple[Fit, Indices] | None:
    """Match, fit, match again with the better pose, until the same circles come back.

    ``belief`` tells what else is known of a pose nearby.
    """
    return next(_grown([start], circles, lid, tree, belief), None)


def _grown(
    starts: Sequence[Pose],
    circles: Circles,
    lid: Lid,
    tree: cKDTree,
    belief: Callable[[Pose], Belief | None] | None = None,
) -> Iterator[tuple[Fit, Indices]]:
    """The same from several poses side by side, or from one with a belief; those that come to nothing are left out."""
    pitch = float(_distances_mm(lid).min())
    raised = np.ones(len(lid.sites_mm))
    numbers = np.array([pose.numbers for pose in starts])
    pivot, size = starts[0].pivot_mm, starts[0].size_px
    circle = np.full((len(starts), len(raised)), -1)
    information = np.zeros((len(starts), 9, 9))
    # a faint circle under a leaf must not pull the pose off holes that are sure
    firm = np.maximum(circles.support, 0.1) / (0.06 * circles.radii + 1)
    moving = np.arange(len(starts))
    for round_ in range(_ROUNDS):
        seen, slopes = see(numbers[moving], lid.sites_mm, raised, pivot, size)
        (xx, yx), (xy, yy) = slopes[9:]
        scale = np.sqrt(np.abs(xx * yy - xy * yx))
        reach = pitch * (0.28 if round_ < _WIDE else 0.16)
        found = _match(np.moveaxis(seen, 0, -1), scale, circles, lid, tree, reach)
        enough = (found >= 0).sum(1) >= (2 if belief is None else 1)
        circle[moving[~enough]] = -1
        fresh = enough & (found != circle[moving]).any(1)
        moving, found = moving[fresh], found[fresh]
        if not len(moving):
            break
        circle[moving] = found
        numbers[moving], information[moving] = fit_numbers(
            numbers[moving],
            lid.sites_mm,
            circles.centres[found],
            np.where(found >= 0, firm[found], 0.0),
            raised,
            pivot,
            size,
            belief=None if belief is None else belief(Pose(numbers[0], pivot, size)),
        )
    for k in np.flatnonzero((circle >= 0).any(1)):
        used = circle[k] >= 0
        at = circles.centres[circle[k, used]]
        yield Fit.of(Pose(numbers[k], pivot, size), information[k], lid.sites_mm[used], at, raised[used]), circle[k]


def _score(fit: Fit, circle: Indices, circles: Circles, lid: Lid) -> float:
    """Support of the circles used, weighed by how well place and size agree, less strong circles left over nearby."""
    reg = fit.pose.rims
    used = circle >= 0
    scale = reg.px_per_mm(lid.sites_mm[used])
    ratio = circles.radii[circle[used]] / scale / (lid.hole_mm / 2)
    off = np.linalg.norm(reg.to_px(lid.sites_mm[used]) - circles.centres[circle[used]], axis=1) / scale
    typical = np.median(ratio)
    agreement = np.exp(-0.5 * (off / (0.06 * lid.hole_mm)) ** 2) * np.exp(-0.5 * (np.log(ratio / typical) / 0.2) ** 2)
    score = float((circles.support[circle[used]] * agreement).sum())
    left = np.ones(len(circles.radii), bool)
    left[circle[used]] = False
    if left.any() and used.any():
        at = reg.to_mm(circles.centres[left])
        like = np.abs(np.log(circles.radii[left] / scale.mean() / (lid.hole_mm / 2) / typical)) < 0.15
        strong = circles.support[left] > 0.8 * np.median(circles.support[circle[used]])
        low, high = lid.sites_mm.min(0), lid.sites_mm.max(0)
        room = 1.5 * np.sqrt(lid.area_per_site_mm2)
        nearby = ((at > low - room) & (at < high + room)).all(1)
        score -= 0.5 * float(circles.support[left][like & strong & nearby].sum())
    return score


def same_place(place: Array, others: Sequence[Array]) -> bool:
    """Whether a placement covers the same places as one of the others, whichever site is where."""
    if not others:
        return False
    apart = np.linalg.norm(place[:, None] - place[None], axis=2)
    distance = np.linalg.norm(place[:, None] - np.array(others)[:, None], axis=3)
    return bool(distance.min(2).max(1).min() < 0.3 * np.median(np.sort(apart, axis=1)[:, 1]))


def place(
    circles: Circles, lid: Lid, size_px: tuple[int, int], *, px_per_mm: float | None = None, most: int = 12
) -> Iterator[Placement]:
    """Ways to lay the lid over the circles, each at another place of the picture; ``most`` are tried.

    The likeliest comes first and is grown alone: it is mostly right, and then the others are never asked for.
    Turns of the lid onto itself are not told apart here: of each set one is returned.
    """
    if len(circles.radii) < 2 or len(lid.sites_mm) < 2:
        return
    tree = cKDTree(circles.centres)
    pivot = lid.sites_mm.mean(0)
    starts = []
    for _, (a, b) in first_poses(circles, lid, px_per_mm=px_per_mm, most=most):
        centre = a * complex(*pivot) + b
        starts.append(
            Pose.facing(
                roll=float(np.angle(a)),
                centre_px=np.array([centre.real, centre.imag]),
                px_per_mm=float(np.abs(a)),
                pivot_mm=pivot,
                size_px=size_px,
            )
        )
    places: list[Array] = []
    for some in (starts[:1], starts[1:]):
        for fit, circle in _grown(some, circles, lid, tree) if some else ():
            where = fit.pose.rims.to_px(lid.sites_mm)
            if not same_place(where, places):
                places.append(where)
                score = _score(fit, circle, circles, lid)
                yield Placement(fit, circle, score)
                # any other place leaves some holes without
                if len(circle) >= PLENTY and (circle >= 0).all() and score > WELL_SEEN * len(circle):
                    return


def by_score(placements: Iterable[Placement]) -> list[Placement]:
    return sorted(placements, key=lambda p: -p.score)
