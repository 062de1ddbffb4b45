"""The lid's plate in a registered photo: what it looks like between the sites, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.light import LUMINANCE, UNKNOWN, Array, Lamp, lab, to_linear
from sprout.photo import Photo
from sprout.registration import LidView, Registration, straighten

_STEP_MM = 1.0
_COLLAR = 1.35
"""Radius kept clear around a hole's centre, in hole radii: the hole, its collar and a round sticker on it."""
_LEAF_EXG = 0.12
"""Above this excess green the plate is taken to be hidden by leaves or print (leaves 0.2 and more, see `light.exg`)."""
_NEAREST, _FARTHEST = 1.4, 1.6
"""Bounds on the plate's margin around the outer sites: in hole radii, and in distances between neighbours."""
_FAINTEST = 3.0
"""Colour step (CIELAB units) below which a side counts as not seen."""
_LINES = 48
"""So many lines that run outwards are looked at on each side."""


@dataclass(frozen=True, eq=False)
class _Straight:
    """A picture of the lid's plane: pixel (i, j) shows ``origin_mm + (j, i) * _STEP_MM``."""

    rgb: npt.NDArray[np.uint8]
    shown: npt.NDArray[np.bool_]
    origin_mm: Array

    def place(self, mm: Array) -> Array:
        return np.asarray((mm - self.origin_mm) / _STEP_MM)


def _farthest_mm(lid: Lid) -> float:
    return _FARTHEST * float(np.sqrt(lid.area_per_site_mm2))


def _straighten(photo: Photo, registration: Registration, lid: Lid, margin_mm: float) -> _Straight:
    low, high = lid.sites_mm.min(0) - margin_mm, lid.sites_mm.max(0) + margin_mm
    w, h = np.ceil((high - low) / _STEP_MM).astype(int).tolist()
    origin = (float(low[0]), float(low[1]))
    return _Straight(
        *straighten(photo.pyramid, registration, origin_mm=origin, size=(h + 1, w + 1), px_per_mm=1 / _STEP_MM), low
    )


def _between(shape: tuple[int, int], sites: Array, radius: float) -> npt.NDArray[np.bool_]:
    """Where the plate surely is: the hull of the sites, widened to their rims, without the sites themselves."""
    mask = np.zeros(shape, np.uint8)
    rim = (sites[:, None] + 0.9 * radius * np.array([[1, 0], [-1, 0], [0, 1], [0, -1]])).reshape(-1, 2)
    cv2.fillConvexPoly(mask, cv2.convexHull(rim.astype(np.float32)).astype(np.int32), 1)
    for u, v in sites:
        cv2.circle(mask, (round(u), round(v)), round(_COLLAR * radius), 0, -1)
    return mask > 0


def _bare(rgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Where neither leaves nor print show: excess green, see `light.exg`, below the bound, without its division."""
    e = _LEAF_EXG
    return np.asarray((rgb.reshape(-1, 3) @ np.array([-1 - e, 2 - e, -1 - e], np.float32)).reshape(rgb.shape[:-1]) <= 0)


def _plate_colour(rgb: npt.NDArray[np.uint8], where: npt.NDArray[np.bool_]) -> Array | None:
    """Median linear colour of the pixels that are no leaves, None if leaves hide nearly all of the plate."""
    pixels = rgb.reshape(-1, 3)[np.flatnonzero(where)]
    bare = pixels[_bare(pixels)]
    if len(bare) < max(50, 0.15 * len(pixels)):
        return None
    return np.asarray(to_linear(np.median(np.ascontiguousarray(bare.T), axis=1) / 255))


def _lamp(straight: _Straight, lid: Lid, view: LidView | None) -> Lamp:
    """The light on the lid, from its plate; green against magenta is corrected in full, warm against cool by half.

    A plate is grey, white, black, cream or wooden: none is green or magenta, so that axis is the light's. Between a
    cream plate and a warm lamp a single photo cannot decide; a known ``view`` of the lid can.
    """
    radius = lid.hole_mm / 2
    where = _between(straight.shown.shape, straight.place(lid.sites_mm), radius / _STEP_MM)
    seen = _plate_colour(straight.rgb, where & straight.shown)
    if seen is None:
        return UNKNOWN
    known = None
    if view is not None:
        place = (lid.sites_mm - view.origin_mm) * view.px_per_mm
        where = _between(view.shown.shape, place, radius * view.px_per_mm)
        known = _plate_colour(view.rgb, where & view.shown)
    seen = np.maximum(seen, 1e-3)
    if known is not None:
        gains = np.maximum(known, 1e-3) / seen
    else:
        r, g, b = seen
        warm, green = (r / b) ** 0.25, np.sqrt(r * b) / g
        gains = np.array([1 / warm, green, warm])
    gains = np.clip(gains / (gains @ LUMINANCE), 0.5, 2.0)
    return Lamp((float(gains[0]), float(gains[1]), float(gains[2])), "plate" if known is None else "view")


def _median_step(values: npt.NDArray[np.float32], reach: int) -> tuple[Array, Array]:
    """Median step of colour over the m lines of a strip (n, m, 3) at each place: (n,) size, (n,) share seen."""
    n = len(values) - 2 * reach
    size, seen = np.zeros(len(values)), np.zeros(len(values))
    step = np.sort(values[2 * reach :] - values[:n], axis=1)
    count = np.isfinite(step[..., 0]).sum(1)
    middle = step[np.arange(n), np.minimum(count // 2, step.shape[1] - 1)]
    size[reach : reach + n] = np.where(count > 0, np.linalg.norm(middle, axis=1), 0)
    seen[reach : reach + n] = count / step.shape[1]
    return size, seen


def _edge(values: npt.NDArray[np.float32]) -> Array:
    """How well the plate's edge lies at each distance: (n,) scores of a strip of colours (n, m, 3) that runs outwards.

    An edge is a step of colour that all of the strip's lines share, with other ground beyond it: a groove has the
    same plate on both sides, a leaf crosses a few lines only. What is hidden is NaN.
    """
    edge, seen = _median_step(values, round(2 / _STEP_MM))
    ground, seen_ground = _median_step(values, round(7 / _STEP_MM))
    seen = np.minimum(seen, seen_ground)
    return np.asarray(np.where(seen >= 0.1, np.sqrt(seen * edge * ground), 0))


def _lines(many: int) -> npt.NDArray[np.intp]:
    """Which of a strip's lines are looked at."""
    return np.linspace(0, many - 1, _LINES).astype(int)


def _outline(straight: _Straight, lid: Lid) -> Array | None:
    rgb, shown = np.asarray(cv2.blur(straight.rgb, (3, 3)), np.uint8), straight.shown
    low_mm, high_mm = lid.sites_mm.min(0), lid.sites_mm.max(0)
    first, last = (straight.place(mm).round().astype(int) for mm in (low_mm, high_mm))
    spread = round(lid.hole_mm / 2 / _STEP_MM)
    rows = slice(first[1] - spread, last[1] + spread + 1)
    columns = slice(first[0] - spread, last[0] + spread + 1)

    def strips(a: npt.NDArray[Any]) -> list[npt.NDArray[Any]]:
        """Lines that run outwards from the outer sites: left, up, right, down."""
        along, across = (lines[:, _lines(lines.shape[1])] for lines in (a[rows].swapaxes(0, 1), a[:, columns]))
        return [along[first[0] :: -1], across[first[1] :: -1], along[last[0] :], across[last[1] :]]

    sides = strips(rgb)
    colours = np.concatenate(sides)
    bare = np.concatenate(strips(shown)) & _bare(colours)
    values = np.where(bare[..., None], lab(colours), np.float32(np.nan))
    scores = [_edge(side) for side in np.split(values, np.cumsum([len(side) for side in sides])[:-1])]
    margins = np.full(4, np.nan)
    for k, score in enumerate(scores):
        at = np.arange(len(score)) * _STEP_MM
        score[(at < _NEAREST * lid.hole_mm / 2) | (at > _farthest_mm(lid))] = 0
        if score.max() > _FAINTEST:
            margins[k] = at[int(score.argmax())]
    margins = np.where(np.isnan(margins), np.roll(margins, 2), margins)
    if np.isnan(margins).any():
        return None
    (x0, y0), (x1, y1) = low_mm - margins[:2], high_mm + margins[2:]
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def read_plate(
    photo: Photo, registration: Registration, lid: Lid, *, view: LidView | None = None
) -> tuple[Array | None, Lamp]:
    """Where the plate ends, and the light on it (against ``view`` if that is known).

    The outline is the corners (4, 2) of a rectangle along the lid's axes, in lid mm; None if no edge shows. Each side
    is the straight line at which the colour steps all along the row of sites that it runs beside. A side that leaves
    hide gets the margin of the opposite one.
    """
    straight = _straighten(photo, registration, lid, _farthest_mm(lid) + 10)
    known = None if view is None else view.outline_mm
    return (_outline(straight, lid) if known is None else known), _lamp(straight, lid, view)
