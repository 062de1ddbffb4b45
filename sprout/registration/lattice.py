"""From loose circles to the lid: which circle is which hole.

Two circles of like size that could be two near holes of the lid give a first pose (RANSAC over pairs: Fischler &
Bolles 1981, Commun. ACM 24:381-395). From there the pattern is grown: the pose predicts the other holes, the
circles found there improve the pose. The whole pattern decides, never a single circle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from sprout.lid import Lid
from sprout.registration.camera import Belief, Fit, Pose, fit_pose
from sprout.registration.geometry import Array
from sprout.registration.holes import RIM, Circles


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
    circle: np.ndarray[tuple[int], np.dtype[np.int64]]
    score: float


PLENTY = 6
WELL_SEEN = 0.45
"""A lid of :data:`PLENTY` sites or more lies where all of them hold circles that reach this score per site."""


def _near_pairs(lid: Lid) -> list[tuple[int, int]]:
    """Ordered pairs of sites that are near neighbours: up to a third farther apart than neighbours usually are."""
    delta = lid.sites_mm[None] - lid.sites_mm[:, None]
    distance = np.linalg.norm(delta, axis=2)
    np.fill_diagonal(distance, np.inf)
    reach = 1.3 * np.median(np.sort(distance, axis=1)[:, : min(4, len(distance) - 1)])
    return [(int(i), int(j)) for i, j in np.argwhere(distance <= reach)]


def first_poses(circles: Circles, lid: Lid, *, px_per_mm: float | None, most: int = 12) -> list[tuple[float, Array]]:
    """Similarities (angle, scale, shift) as complex pairs that put most sites on circles of the right size.

    ``px_per_mm`` narrows the scale where it is known (from tags).
    Returns (score, [a, b]) with pixel = a * mm + b in the complex plane.
    """
    n = min(len(circles.radii), 70)
    z = circles.centres[:n] @ np.array([1, 1j])
    sites = lid.sites_mm @ np.array([1, 1j])
    radius, support = circles.radii[:n], circles.support[:n]
    steps: dict[complex, list[tuple[int, int]]] = {}
    for i, j in _near_pairs(lid):
        step = sites[j] - sites[i]
        steps.setdefault(complex(round(step.real, 1), round(step.imag, 1)), []).append((i, j))
    first, second = np.nonzero((np.abs(np.log(radius[:, None] / radius[None])) < 0.3) & ~np.eye(n, dtype=bool))
    a_all, b_all = [], []
    for step, pairs in steps.items():
        a = (z[second] - z[first]) / step
        scale = np.abs(a)
        mean_radius = np.sqrt(radius[first] * radius[second]) / (scale * lid.hole_mm / 2)
        good = (mean_radius > RIM[0]) & (mean_radius < RIM[1])
        if px_per_mm is not None:
            good &= np.abs(np.log(scale / px_per_mm)) < 0.2
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
        distance, index = tree.query(np.column_stack([at.real.ravel(), at.imag.ravel()]))
        distance, index = distance.reshape(at.shape), index.reshape(at.shape)
        scale = np.abs(a[part, None])
        ratio = radius[index] / (scale * lid.hole_mm / 2)
        near = (distance < 0.28 * pitch * scale) & (ratio > 0.7) & (ratio < 1.55)
        scores[part] = (near * support[index] * (1 - (distance / (0.28 * pitch * scale)) ** 2)).sum(1)
    order = np.argsort(-np.round(scores, 6), kind="stable")
    kept: list[tuple[float, Array]] = []
    ends = sites[[0, -1]] if len(sites) > 1 else sites
    seen: list[Array] = []
    for k in order:
        where = a[k] * ends + b[k]
        if any(np.abs(where - s).max() < 0.3 * pitch * abs(a[k]) for s in seen):
            continue
        seen.append(where)
        kept.append((float(scores[k]), np.array([a[k], b[k]])))
        if len(kept) == most:
            break
    return kept


def _match(
    pose: Pose, circles: Circles, lid: Lid, tree: cKDTree, reach: float
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """The circle nearest to each predicted site if it is near and of the right size, else -1; no circle twice."""
    reg = pose.rims
    scale = reg.px_per_mm(lid.sites_mm)
    distance, index = tree.query(reg.to_px(lid.sites_mm), k=min(3, len(circles.radii)))
    distance, index = distance.reshape(len(scale), -1), index.reshape(len(scale), -1)
    ratio = circles.radii[np.minimum(index, len(circles.radii) - 1)] / (scale * lid.hole_mm / 2)[:, None]
    cost = np.where(
        (ratio > RIM[0] - 0.1) & (ratio < RIM[1] + 0.1) & (distance < reach * scale[:, None]), distance, np.inf
    )
    best = cost.argmin(1)
    taken = np.where(np.isfinite(cost.min(1)), index[np.arange(len(best)), best], -1)
    for k in np.unique(taken[taken >= 0]):
        rivals = np.flatnonzero(taken == k)
        if len(rivals) > 1:
            taken[rivals[cost[rivals, best[rivals]].argsort()[1:]]] = -1
    return taken


def grow(
    start: Pose,
    circles: Circles,
    lid: Lid,
    tree: cKDTree,
    *,
    belief: Callable[[Pose], Belief | None] | None = None,
) -> tuple[Fit, np.ndarray[tuple[int], np.dtype[np.int64]]] | None:
    """Match, fit, match again with the better pose, until the same circles come back.

    ``belief`` tells what else is known of a pose nearby.
    """
    distance = np.linalg.norm(lid.sites_mm[None] - lid.sites_mm[:, None], axis=2)
    np.fill_diagonal(distance, np.inf)
    pitch = float(distance.min())
    pose, before, fit = start, None, None
    for round_ in range(8):
        circle = _match(pose, circles, lid, tree, pitch * (0.28 if round_ < 4 else 0.16))
        if before is not None and (circle == before).all():
            break
        used = circle >= 0
        if used.sum() < (2 if belief is None else 1):
            return None
        # a faint circle under a leaf must not pull the pose off holes that are sure
        sigma = (0.06 * circles.radii[circle[used]] + 1) / np.maximum(circles.support[circle[used]], 0.1)
        known = None if belief is None else belief(pose)
        fit = fit_pose(pose, lid.sites_mm[used], circles.centres[circle[used]], sigma, belief=known)
        pose, before = fit.pose, circle
    return (fit, circle) if fit is not None else None


def _score(fit: Fit, circle: np.ndarray[tuple[int], np.dtype[np.int64]], circles: Circles, lid: Lid) -> float:
    """Support of the circles used, weighed by how well place and size agree, less strong circles left over nearby."""
    reg = fit.pose.rims
    used = circle >= 0
    scale = reg.px_per_mm(lid.sites_mm[used])
    ratio = circles.radii[circle[used]] / scale / (lid.hole_mm / 2)
    off = np.linalg.norm(reg.to_px(lid.sites_mm[used]) - circles.centres[circle[used]], axis=1) / scale
    typical = np.median(ratio)
    agreement = np.exp(-0.5 * (off / (0.06 * lid.hole_mm)) ** 2) * np.exp(-0.5 * (np.log(ratio / typical) / 0.2) ** 2)
    score = float((circles.support[circle[used]] * agreement).sum())
    left = np.setdiff1d(np.arange(len(circles.radii)), circle[used])
    if len(left) and used.any():
        at = reg.to_mm(circles.centres[left])
        like = np.abs(np.log(circles.radii[left] / scale.mean() / (lid.hole_mm / 2) / typical)) < 0.15
        strong = circles.support[left] > 0.8 * np.median(circles.support[circle[used]])
        low, high = lid.sites_mm.min(0), lid.sites_mm.max(0)
        room = 1.5 * np.sqrt(lid.area_per_site_mm2)
        nearby = ((at > low - room) & (at < high + room)).all(1)
        score -= 0.5 * float(circles.support[left][like & strong & nearby].sum())
    return score


def _same_place(a: Array, b: Array) -> bool:
    """Whether two placements cover the same places, whichever site is where."""
    distance = np.linalg.norm(a[:, None] - b[None], axis=2)
    apart = np.linalg.norm(a[:, None] - a[None], axis=2)
    return bool(distance.min(1).max() < 0.3 * np.median(np.sort(apart, axis=1)[:, 1]))


def place(
    circles: Circles, lid: Lid, size_px: tuple[int, int], *, px_per_mm: float | None = None, most: int = 12
) -> list[Placement]:
    """Ways to lay the lid over the circles, best first, each at another place of the picture; ``most`` are tried.

    Turns of the lid onto itself are not told apart here: of each set one is returned.
    """
    if len(circles.radii) < 2 or len(lid.sites_mm) < 2:
        return []
    tree = cKDTree(circles.centres)
    pivot = lid.sites_mm.mean(0)
    placements: list[Placement] = []
    places: list[Array] = []
    for _, (a, b) in first_poses(circles, lid, px_per_mm=px_per_mm, most=most):
        centre = a * complex(*pivot) + b
        start = Pose.facing(
            roll=float(np.angle(a)),
            centre_px=np.array([centre.real, centre.imag]),
            px_per_mm=float(np.abs(a)),
            pivot_mm=pivot,
            size_px=size_px,
        )
        grown = grow(start, circles, lid, tree)
        if grown is None:
            continue
        fit, circle = grown
        where = fit.pose.rims.to_px(lid.sites_mm)
        if any(_same_place(where, other) for other in places):
            continue
        places.append(where)
        placements.append(Placement(fit, circle, _score(fit, circle, circles, lid)))
        # a circle in every hole: any other place leaves some without
        if len(circle) >= PLENTY and (circle >= 0).all() and placements[-1].score > WELL_SEEN * len(circle):
            break
    return sorted(placements, key=lambda p: -p.score)
