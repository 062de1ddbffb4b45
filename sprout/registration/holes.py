"""Holes as circles: candidates anywhere in a picture, and the exact centre of a hole whose place is nearly known.

Candidates come from a gradient Hough transform: every edge pixel votes along its own gradient for the centres of
circles of each radius (Kimme, Ballard & Sklansky 1975, Commun. ACM 18:120-122; the vote normalised by the circumference
as in Loy & Zelinsky 2003, IEEE Trans. PAMI 25:959-973). A tilt of 25 degrees flattens a circle by a tenth, which
the width of the voting cells absorbs; the exact centre is then found on the straightened patch, where holes are round.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement

import cv2
import numpy as np
import numpy.typing as npt

from sprout.pyramid import Pyramid
from sprout.registration.geometry import Array, Registration

Grey = npt.NDArray[np.float32]

SEARCH_PX = (400, 800)
"""Long side of the picture on which candidates are searched: where holes are plain to see, and where they are not."""
_RADII = (0.008, 0.11)
"""Radii that are looked for, as shares of a picture's long side, if they are not known better."""
_LEAST_PX = 4.0
_VOTE = 1e4
_STEP = 0.06
"""How much wider the votes of a radius scatter than those of the next smaller one."""


@dataclass(frozen=True, eq=False)
class Circles:
    """Candidate circles: (n, 2) centres and (n,) radii in working pixels, (n,) support (share of the rim seen)."""

    centres: Array
    radii: Array
    support: Array


def _gradient(rgb: npt.NDArray[np.uint8]) -> tuple[Grey, Grey, Grey]:
    """Gradient (gx, gy) and its size of the channel that changes most at each pixel, on a perceptual scale (CIELAB)."""
    smooth = cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB), (0, 0), 1.0)
    most: tuple[Grey, ...] = ()
    for channel, weight in zip(cv2.split(smooth), (1.0, 1.6, 1.6), strict=True):
        gx, gy = (cv2.Scharr(channel, cv2.CV_32F, *d, scale=weight / 16) for d in ((1, 0), (0, 1)))
        # not cv2.magnitude: its last bit depends on where memory lies, and equal neighbours are compared later
        this = (gx, gy, gx * gx + gy * gy)
        if most:
            stronger = (this[2] > most[2]).view(np.uint8)
            for kept, new in zip(most, this, strict=True):
                cv2.copyTo(new, stronger, kept)
        most = most or this
    return most[0], most[1], np.sqrt(most[2])


def leafy(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """1 where a pixel is greener than it is red and blue, as leaves are, else 0; teal is no leaf."""
    r, g, b = cv2.split(rgb.astype(np.int16))
    least = 8 + (r + g + b) // 16
    return np.asarray((2 * g - r - b > least) & (2 * (g - b) > least), np.uint8)


def _within_leaf(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Where only leaf is near: an edge there is a vein or another leaf, never a rim."""
    return np.asarray(cv2.erode(leafy(rgb), np.ones((5, 5), np.uint8)) > 0)


@dataclass(frozen=True, eq=False)
class _Edges:
    """Pixels that are a maximum of the gradient along the gradient: places x, y and unit direction (ux, uy), (n,)."""

    x: Grey
    y: Grey
    ux: Grey
    uy: Grey


def _thin_edges(rgb: npt.NDArray[np.uint8], pictures: int = 1) -> _Edges:
    """The edges of a picture, or of several of one size that stand one below the other; those within leaf left out."""
    gx, gy, size = _gradient(rgb)
    strips = size.reshape(pictures, -1, size.shape[1])
    # the weak rim of a sticker on a lid of its own colour must pass; noise of a dark photo must not
    floor = np.maximum(1.2, 1.3 * np.median(strips.reshape(pictures, -1)[:, ::7], axis=1))
    strong = strips > floor[:, None, None].astype(np.float32)
    strong[:, :2] = strong[:, -2:] = strong[:, :, :2] = strong[:, :, -2:] = False
    here = np.flatnonzero(strong.reshape(size.shape) & ~_within_leaf(rgb))
    s = size.take(here)
    ux, uy = gx.take(here) / s, gy.take(here) / s
    ahead = (np.rint(uy) * np.float32(size.shape[1]) + np.rint(ux)).astype(np.intp)
    after, before = size.take(here + ahead), size.take(here - ahead)
    keep = np.flatnonzero((s >= after) & (s > before))
    y, x = np.divmod(here.take(keep), size.shape[1])
    ux, uy, s, after, before = (values.take(keep) for values in (ux, uy, s, after, before))
    # the top of the parabola through the three
    peak = (after - before) / (2 * (2 * s - after - before))
    return _Edges(x.astype(np.float32) + peak * np.rint(ux), y.astype(np.float32) + peak * np.rint(uy), ux, uy)


def _scatter(radius: float) -> float:
    """How far the votes for a circle lie from its centre, in pixels: by the grain of pixels and by the lid's tilt."""
    return 0.7 + 0.045 * radius


def _ballot(edges: _Edges, radii: Array, scatter: Array, cell: int, size: tuple[int, int]) -> Grey:
    """How much of a rim of each radius votes for a centre in each cell, in parts of _VOTE: (radii, rows, columns)."""
    rows, columns = (-(-side // cell) for side in size)
    x, y = (np.tile((p + np.float32(0.5)) / np.float32(cell), 2) for p in (edges.x, edges.y))
    ux, uy = (np.concatenate([u, -u]) / np.float32(cell) for u in (edges.ux, edges.uy))
    votes = np.zeros((len(radii), rows, columns), np.float32)
    if not len(x):
        return votes
    for r, sigma, out in zip(radii.astype(np.float32), scatter, votes, strict=True):
        at = [(y + r * uy)[None], (x + r * ux)[None]]
        grid = cv2.calcHist(at, [0, 1], None, [rows, columns], [0, rows, 0, columns])
        grid = cv2.GaussianBlur(grid, (0, 0), sigma / cell)
        # the last bits of a blur depend on where memory lies: round them off, so that ties fall the same way every time
        np.rint(grid * np.float32(_VOTE * sigma**2 / r / cell**2), out=out)
    return votes


def find_circles(
    picture: Pyramid,
    *,
    search_px: int = SEARCH_PX[-1],
    radii_px: tuple[float, float] | None = None,
    most: int = 160,
) -> Circles:
    """Candidate circles of a picture, best supported first.

    Parameters
    ----------
    search_px:
        Long side of the picture on which they are searched.
    radii_px:
        Least and greatest radius in pixels of the whole picture; left out, from 0.8 to 11 % of its long side.
    most:
        How many candidates at the most.
    """
    small, shrink = picture.shrunk(search_px)
    h, w = small.shape[:2]
    least, greatest = (r * shrink for r in radii_px or (share * max(picture.size_px) for share in _RADII))
    # a tilted rim scatters its votes in proportion to its radius
    low, high = _scatter(max(_LEAST_PX, least)), _scatter(max(_LEAST_PX, greatest))
    scatter = np.geomspace(low, high, int(np.ceil(np.log(high / low) / _STEP)) + 1)
    radii = (scatter - _scatter(0)) / (_scatter(1) - _scatter(0))
    edges = _thin_edges(small)
    # cells are as wide as the votes scatter
    cells = np.select([scatter > 3.2, scatter > 1.6], [4, 2], 1)
    ballots = [
        (cell, radii[cells == cell], _ballot(edges, radii[cells == cell], scatter[cells == cell], cell, (h, w)))
        for cell in np.unique(cells).tolist()
    ]
    maps = [np.rint(cv2.resize(votes.max(0), None, fx=cell, fy=cell)[:h, :w]) for cell, _, votes in ballots]
    best = np.asarray(np.maximum.reduce(maps), np.float32)
    peak = (best >= cv2.dilate(best, np.ones((5, 5), np.uint8))) & (best > 0.25 * _VOTE)
    at = np.flatnonzero(peak)
    py, px = np.divmod(at[np.argsort(-best.take(at), kind="stable")[: 3 * most]], w)
    voted = [some[votes[:, py // cell, px // cell].argmax(0)] for cell, some, votes in ballots]
    radius = np.choose(np.argmax([votes[py, px] for votes in maps], axis=0), voted)
    place, reach = (px + 1j * py).astype(np.complex64), (0.5 * radius).astype(np.float32)
    free = np.ones(len(place), bool)
    kept: list[int] = []
    for k in range(len(place)):
        if free[k] and len(kept) < most:
            kept.append(k)
            free &= np.abs(place - place[k]) > np.minimum(reach, reach[k])
    centres = np.column_stack([px[kept], py[kept]]).astype(float)
    support = best[py[kept], px[kept]].astype(float) / _VOTE
    return Circles((centres + 0.5) / shrink - 0.5, radius[kept] / shrink, support)


RIM = (0.78, 1.42)
"""Radius of what may be seen round a hole (plug, rim, collar, sticker) as a share of the hole's own radius."""
_UNIT = 26.0
"""Pixels of a straightened patch to a hole's radius: the edges of plug, collar and hole must stay apart."""
_HALF = 46
_REACH = 9
_BINS = 36
_BAND = 2.2
"""How far from a rim an edge may lie to count as its own, in pixels of a patch."""


@dataclass(frozen=True, eq=False)
class Rims:
    """What is seen of the rims round predicted holes.

    Attributes
    ----------
    offset_mm:
        (n, 2) from the predicted to the seen centre, on the lid; NaN where no rim is seen.
    radius:
        (n,) radius of the rim as a share of the hole's own radius.
    support:
        (n,) share of the rim's circumference that is seen, 0 to 1.
    spread:
        (n,) standard error of the centre in mm.
    """

    offset_mm: Array
    radius: Array
    support: Array
    spread: Array


def see_rims(picture: Pyramid, registration: Registration, sites_mm: Array, hole_mm: float) -> Rims:
    """Find the rim round each predicted hole on the straightened patch, where rims are circles.

    All holes of a lid look alike: the radius on which most of them agree weighs more at each of them.
    """
    mm_px = hole_mm / 2 / _UNIT
    side = 2 * _HALF + 1
    step = (np.arange(side) - _HALF) * mm_px
    n = len(sites_mm)
    at = registration.grid_px(sites_mm[:, :1] + step, sites_mm[:, 1:] + step)
    # the patches stand one below the other
    edges = _thin_edges(picture.sampled(at).reshape(n * side, side, 3), n)
    column, row = np.rint(edges.x).astype(np.intp), np.rint(edges.y).astype(np.intp)
    site = row // side
    x, y, ux, uy = edges.x - _HALF, edges.y - (site * side + _HALF).astype(np.float32), edges.ux, edges.uy
    # what is drawn beyond the photo's border is no edge, nor is one that passes the middle by
    h, w = picture.size_px
    inside = cv2.inRange(at.reshape(n * side, side, 2), (0, 0), (w - 1, h - 1)).take(row * side + column) > 0
    near = np.flatnonzero(inside & (np.abs(x * uy - y * ux) < 1.5 * _REACH))
    site = site.take(near)
    x, y, ux, uy = (values.take(near) for values in (x, y, ux, uy))
    radii = np.arange(RIM[0] * _UNIT, RIM[1] * _UNIT, 0.75, dtype=np.float32)
    votes = _votes(n, radii, site, (x, y), (ux, uy))
    common = cv2.GaussianBlur(votes.max((2, 3)).clip(0, 0.1).sum(0).reshape(1, -1), (0, 0), 1.5).ravel()
    weight = 0.2 + 0.8 * (common / max(float(common.max()), 1e-9)) ** 2
    best = np.round(votes * weight[:, None, None], 4).reshape(n, -1).argmax(1)
    which, row, column = np.unravel_index(best, votes.shape[1:])
    circle = np.column_stack([column - _REACH, row - _REACH, radii[which]]).astype(float)
    close = np.flatnonzero(np.abs(np.hypot(x - circle[site, 0], y - circle[site, 1]) - circle[site, 2]) < 3 * _BAND)
    site = site.take(close)
    x, y, ux, uy = (values.take(close) for values in (x, y, ux, uy))
    seen = np.ones(n, bool)
    for _ in range(4):
        middle_x, middle_y, radius = circle.T.astype(np.float32).take(site, axis=1)
        dx, dy = x - middle_x, y - middle_y
        distance = np.hypot(dx, dy)
        off = distance - radius
        on = np.flatnonzero((np.abs(off) < _BAND) & (np.abs(dx * ux + dy * uy) > 0.92 * distance))
        of, off, dx, dy = site.take(on), off.take(on), dx.take(on), dy.take(on)
        terms = (dx / distance.take(on), dy / distance.take(on), np.ones(len(on)), off)
        sums = np.empty((n, 4, 4))
        for i, j in combinations_with_replacement(range(4), 2):
            sums[:, i, j] = sums[:, j, i] = np.bincount(of, terms[i] * terms[j], minlength=n)
        seen &= sums[:, 2, 2] >= 12
        # a weak prior holds the centre where only a short arc is seen
        circle += np.linalg.solve(sums[:, :3, :3] + np.diag([1.0, 1.0, 0.1]), sums[:, :3, 3:])[..., 0]
    bins = (np.arctan2(dy, dx) * (_BINS / (2 * np.pi))).astype(int) % _BINS
    support = (np.bincount(of * _BINS + bins, minlength=n * _BINS).reshape(n, _BINS) > 0).mean(1)
    count = np.maximum(sums[:, 2, 2], 1)
    left = np.sqrt(np.maximum(sums[:, 3, 3] / count - (sums[:, 2, 3] / count) ** 2, 0)) + 0.5
    variance = np.linalg.inv(sums[:, :3, :3] / 2.5 + 1e-3 * np.eye(3))
    spread = mm_px * left * np.sqrt(variance[:, 0, 0] + variance[:, 1, 1])
    nothing = np.where(seen, 0.0, np.nan)
    return Rims(
        circle[:, :2] * mm_px + nothing[:, None], circle[:, 2] / _UNIT + nothing, support * seen, spread + nothing
    )


def _votes(n: int, radii: Grey, site: npt.NDArray[np.intp], at: tuple[Grey, Grey], way: tuple[Grey, Grey]) -> Grey:
    """Share of a circle's rim that votes for it, by site, radius and place round the predicted centre."""
    cells, many = 2 * _REACH + 1, len(radii)
    (x, y), (ux, uy) = at, way
    # the middle lies on one side of an edge, and farther off than its place is unsure: votes go that way alone
    inward = -np.sign(x * ux + y * uy)
    column, row = (p + (_REACH + np.float32(0.5)) + radii[:, None] * (inward * u) for p, u in ((x, ux), (y, uy)))
    hit = np.flatnonzero((column >= 0) & (column < cells) & (row >= 0) & (row < cells))
    slot = site * many + np.arange(many)[:, None]
    cell = (slot.ravel().take(hit) * cells + row.ravel().take(hit).astype(np.intp)) * cells
    cell += column.ravel().take(hit).astype(np.intp)
    votes = np.bincount(cell, minlength=n * many * cells**2).reshape(n, many, cells, cells).astype(np.float32)
    apart = np.subtract.outer(np.arange(cells), np.arange(cells))
    blur = (np.exp(-0.5 * (apart / 1.2) ** 2) / (1.2 * np.sqrt(2 * np.pi))).astype(np.float32)
    return np.asarray(np.round(blur @ votes @ blur / (2 * np.pi * radii[:, None, None]), 4), np.float32)
