"""Holes as circles: candidates anywhere in a picture, and the exact centre of a hole whose place is nearly known.

Candidates come from a gradient Hough transform: every edge pixel votes along its own gradient for the centres of
circles of each radius (Kimme, Ballard & Sklansky 1975, Commun. ACM 18:120-122; the vote normalised by the circumference
as in Loy & Zelinsky 2003, IEEE Trans. PAMI 25:959-973). A tilt of 25 degrees flattens a circle by a tenth, which
the width of the voting cells absorbs; the exact centre is then found on the straightened patch, where holes are round.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.registration.geometry import Array, Registration

SEARCH_PX = 800
"""Long side of the picture on which candidates are searched."""


@dataclass(frozen=True, eq=False)
class Circles:
    """Candidate circles: (n, 2) centres and (n,) radii in working pixels, (n,) support (share of the rim seen)."""

    centres: Array
    radii: Array
    support: Array


def _gradient(rgb: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Gradient (gx, gy) of the channel that changes most at each pixel, on a perceptual scale (CIELAB)."""
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    best: npt.NDArray[np.float32] | None = None
    gx = gy = np.empty(0, np.float32)
    for channel, weight in zip(cv2.split(lab), (1.0, 1.6, 1.6), strict=True):
        smooth = cv2.GaussianBlur(channel, (0, 0), 1.0)
        x = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=weight / 16)
        y = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=weight / 16)
        size = x * x + y * y
        if best is None:
            best, gx, gy = size, x, y
        else:
            stronger = size > best
            gx = np.where(stronger, x, gx)
            gy = np.where(stronger, y, gy)
            best = np.maximum(best, size)
    return gx, gy


def leafy(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """1 where a pixel is greener than it is red and blue, as leaves are, else 0; teal is no leaf."""
    r, g, b = cv2.split(rgb.astype(np.int16))
    least = 8 + (r + g + b) // 16
    return np.asarray((2 * g - r - b > least) & (2 * (g - b) > least), np.uint8)


def _within_leaf(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Where only leaf is near: an edge there is a vein or another leaf, never a rim."""
    return np.asarray(cv2.erode(leafy(rgb), np.ones((5, 5), np.uint8)) > 0)


def _thin_edges(gx: npt.NDArray[np.float32], gy: npt.NDArray[np.float32]) -> tuple[Array, Array, Array, Array]:
    """Pixels that are a maximum of the gradient along the gradient: x, y and the unit direction (ux, uy)."""
    # not cv2.magnitude: its last bit depends on where memory lies, and equal neighbours are compared below
    size = np.sqrt(gx * gx + gy * gy)
    # the weak rim of a sticker on a lid of its own colour must pass; noise of a dark photo must not
    floor = max(1.2, 1.3 * float(np.median(size)))
    y, x = np.nonzero(size[2:-2, 2:-2] > floor)
    y, x = y + 2, x + 2
    s = size[y, x]
    ux, uy = gx[y, x] / s, gy[y, x] / s
    dx, dy = np.rint(ux).astype(int), np.rint(uy).astype(int)
    keep = (s >= size[y + dy, x + dx]) & (s > size[y - dy, x - dx])
    return x[keep].astype(float), y[keep].astype(float), ux[keep].astype(float), uy[keep].astype(float)


def find_circles(
    rgb: npt.NDArray[np.uint8],
    *,
    least_px: float = 0.008,
    most_px: float = 0.11,
    most: int = 160,
) -> Circles:
    """Candidate circles of a picture, best supported first.

    Parameters
    ----------
    rgb:
        (h, w, 3) uint8.
    least_px, most_px:
        Range of radii as a share of the picture's long side.
    most:
        How many candidates at the most.
    """
    shrink = min(1.0, SEARCH_PX / max(rgb.shape[:2]))
    small = cv2.resize(rgb, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1 else rgb
    h, w = small.shape[:2]
    x, y, ux, uy = _thin_edges(*_gradient(small))
    bare = ~_within_leaf(small)[y.astype(int), x.astype(int)]
    x, y, ux, uy = x[bare], y[bare], ux[bare], uy[bare]
    long = max(h, w)
    radii = np.geomspace(max(4.0, least_px * long), most_px * long, 30)
    stack = np.empty((len(radii), h, w), np.float32)
    for i, r in enumerate(radii):
        # the cell is as wide as a tilted rim scatters its votes; wide ones are counted on a coarser grid
        sigma = 0.7 + 0.045 * r
        cell = 2 if sigma > 1.8 else 1
        rows, columns = -(-h // cell), -(-w // cell)
        votes = np.zeros(rows * columns, np.int64)
        for sign in (1, -1):
            cx, cy = (x + (sign * r * ux + 0.5)).astype(np.int32), (y + (sign * r * uy + 0.5)).astype(np.int32)
            inside = (cx >= 0) & (cx < w) & (cy >= 0) & (cy < h)
            votes += np.bincount((cy // cell * columns + cx // cell)[inside], minlength=rows * columns)
        grid = cv2.GaussianBlur(votes.reshape(rows, columns).astype(np.float32), (0, 0), sigma / cell)
        grid *= sigma**2 / r / cell**2
        stack[i] = grid if cell == 1 else cv2.resize(grid, (columns * 2, rows * 2))[:h, :w]
    # the last bits of a blur depend on where memory lies: round them off, so that ties fall the same way every time
    np.round(stack, 4, out=stack)
    best = stack.max(0)
    peak = (best >= cv2.dilate(best, np.ones((5, 5), np.uint8))) & (best > 0.25)
    py, px = np.nonzero(peak)
    order = np.argsort(-best[py, px], kind="stable")[: 3 * most]
    found: list[tuple[float, float, float, float]] = []
    for k in order:
        column = stack[:, py[k], px[k]]
        i = int(column.argmax())
        candidate = (float(px[k]), float(py[k]), float(radii[i]), float(column[i]))
        if all(np.hypot(candidate[0] - f[0], candidate[1] - f[1]) > 0.5 * min(candidate[2], f[2]) for f in found):
            found.append(candidate)
        if len(found) == most:
            break
    table = np.array(found, float).reshape(-1, 4)
    return Circles((table[:, :2] + 0.5) / shrink - 0.5, table[:, 2] / shrink, table[:, 3])


RIM = (0.78, 1.42)
"""Radius of what may be seen round a hole (plug, rim, collar, sticker) as a share of the hole's own radius."""
_UNIT = 26.0
_HALF = 46
_REACH = 9


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


def see_rims(rgb: npt.NDArray[np.uint8], registration: Registration, sites_mm: Array, hole_mm: float) -> Rims:
    """Find the rim round each predicted hole on the straightened patch, where rims are circles.

    All holes of a lid look alike: the radius on which most of them agree weighs more at each of them.
    """
    mm_px = hole_mm / 2 / _UNIT
    side = 2 * _HALF + 1
    step = (np.arange(side) - _HALF) * mm_px
    n = len(sites_mm)
    at = np.concatenate([registration.grid_px(x + step, y + step) for x, y in sites_mm])
    scale = float(np.median(registration.px_per_mm(sites_mm))) * mm_px
    source, placed = rgb, at
    if scale > 1.6:
        shrink = 1 / round(scale)
        size = round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink)
        source = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        placed = ((at + 0.5) * (np.array(size) / rgb.shape[1::-1]) - 0.5).astype(np.float32)
    patches = cv2.remap(source, placed, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = np.asarray(np.all((at >= 0) & (at <= [rgb.shape[1] - 1, rgb.shape[0] - 1]), axis=-1))
    inside &= ~_within_leaf(patches)
    radii = np.arange(RIM[0] * _UNIT, RIM[1] * _UNIT, 0.75)
    cells = 2 * _REACH + 1
    votes = np.zeros((n, len(radii), cells, cells), np.float32)
    signed = np.concatenate([radii, -radii])[:, None]
    slot = np.tile(np.arange(len(radii)), 2)[:, None] * cells * cells
    edges = []
    for k in range(n):
        gx, gy = _gradient(patches[k * side : (k + 1) * side])
        x, y, ux, uy = _thin_edges(gx, gy)
        seen = inside[k * side : (k + 1) * side][y.astype(int), x.astype(int)]
        x, y, ux, uy = x[seen] - _HALF, y[seen] - _HALF, ux[seen], uy[seen]
        edges.append((x, y, ux, uy))
        cx = np.rint(x + signed * ux + _REACH).astype(int)
        cy = np.rint(y + signed * uy + _REACH).astype(int)
        hit = (cx >= 0) & (cx < cells) & (cy >= 0) & (cy < cells)
        votes[k] = np.bincount((slot + cy * cells + cx)[hit], minlength=votes[k].size).reshape(votes[k].shape)
    apart = np.subtract.outer(np.arange(cells), np.arange(cells))
    blur = np.exp(-0.5 * (apart / 1.2) ** 2) / (1.2 * np.sqrt(2 * np.pi))
    votes = (blur @ votes @ blur / (2 * np.pi * radii[:, None, None])).astype(np.float32)
    np.round(votes, 4, out=votes)
    common = cv2.GaussianBlur(votes.max((2, 3)).clip(0, 0.1).sum(0).reshape(1, -1), (0, 0), 1.5).ravel()
    weight = 0.2 + 0.8 * (common / max(float(common.max()), 1e-9)) ** 2
    offset, radius, support, spread = np.full((n, 2), np.nan), np.full(n, np.nan), np.zeros(n), np.full(n, np.nan)
    for k, (x, y, ux, uy) in enumerate(edges):
        weighed = np.round(votes[k] * weight[:, None, None], 4)
        best, cy, cx = np.unravel_index(int(weighed.argmax()), weighed.shape)
        c, r = np.array([cx - _REACH, cy - _REACH], float), float(radii[best])
        for _ in range(4):
            dx, dy = x - c[0], y - c[1]
            distance = np.hypot(dx, dy)
            along = np.abs(dx * ux + dy * uy) / np.maximum(distance, 1e-9)
            on = (np.abs(distance - r) < 2.2) & (along > 0.92)
            if on.sum() < 12:
                break
            nx, ny = dx[on] / distance[on], dy[on] / distance[on]
            # a weak prior holds the centre where only a short arc is seen
            normal = np.column_stack([nx, ny, np.ones(on.sum())])
            system = normal.T @ normal + np.diag([1.0, 1.0, 0.1])
            change = np.linalg.solve(system, normal.T @ (distance[on] - r))
            c += change[:2]
            r += float(change[2])
        else:
            bins = np.unique((np.arctan2(dy[on], dx[on]) * 36 / (2 * np.pi)).astype(int) % 36)
            support[k] = len(bins) / 36
            left = np.std(distance[on] - r) + 0.5
            spread[k] = (
                mm_px * left * float(np.sqrt(np.linalg.inv(normal.T @ normal / 2.5 + np.eye(3) * 1e-3)[:2, :2].trace()))
            )
            offset[k], radius[k] = c * mm_px, r / _UNIT
    return Rims(offset, radius, support, spread)
