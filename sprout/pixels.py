"""What each pixel seems to be: class scores from a small convolutional network over the lid's neighbourhood.

The network (`calibration/tissue.onnx`, fitted by `calibration/fit_tissue.py`) sees the picture under corrected light,
how far each pixel is from the nearest site, and how far inside the plate's outline. Whether a leaf belongs to the lid
at all is decided later, by where it is rooted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout.files import shipped
from sprout.lid import Lid
from sprout.light import Array, Picture, exg
from sprout.registration import Registration

PLANES = 5
"""Input planes: red, green, blue, and the two of `geometry`."""
PX_PER_MM = 4.0
"""Finest scale that the network is given; it was fitted to leaves and holes of about this size in pixels."""
_BLOCK = 16
_MOST_PX = 1.1e6
"""Largest window that the network is run on: more is scaled down, which bounds time and memory."""
_STRIP, _SIGHT = 512, 96
"""Rows that the network is run on at a time, which bounds its memory, and how far it sees beyond them: both multiples
of the block, so that the strips give what the whole would."""
_SITE_REACH = 4.0
_DEPTH_MM = 20.0
_GRID = 8
"""Geometry varies slowly: it is computed at every eighth pixel and interpolated."""

Box = tuple[int, int, int, int]
"""(left, top, right, bottom) of a window of the photo, in working pixels, the last two exclusive."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the pixels of a window seem to be; outside the window nothing was looked for.

    Attributes
    ----------
    box:
        The window.
    plant:
        float32 log-odds of plant tissue against all else, on the network's grid, which spans the window.
    kind:
        (h, w) uint8, the likeliest class if it is tissue: 1 green, 2 yellowing, 3 dry.
    film:
        (h, w) bool, where a film of algae is likeliest.
    """

    box: Box
    plant: npt.NDArray[np.float32]
    kind: npt.NDArray[np.uint8]
    film: npt.NDArray[np.bool_]


def geometry(mm: Array, lid: Lid, outline_mm: Array | None) -> npt.NDArray[np.float32]:
    """The two geometric inputs at (n, 2) places on the lid's plane: (n, 2) float32, both at most 1.

    First the distance to the nearest site, in hole radii over 4; second the depth inside the outline over 20 mm, not
    below -1, and 1 everywhere if no outline is known.
    """
    distance = np.full(len(mm), np.inf)
    for site in lid.sites_mm:
        np.minimum(distance, np.hypot(*(mm - site).T), out=distance)
    depth = np.full(len(mm), np.inf)
    if outline_mm is not None:
        (x0, y0), (x1, y1) = outline_mm.min(0), outline_mm.max(0)
        depth = np.minimum.reduce([mm[:, 0] - x0, x1 - mm[:, 0], mm[:, 1] - y0, y1 - mm[:, 1]])
    planes = np.column_stack([distance / (lid.hole_mm / 2) / _SITE_REACH, depth / _DEPTH_MM])
    return np.asarray(np.clip(planes, -1, 1), np.float32)


def window(rgb: Picture, registration: Registration, lid: Lid, outline_mm: Array | None) -> Box:
    """The part of the photo that holds the lid and all that grows out of it, with some room around.

    ``rgb`` is the picture under corrected light. Leaves are followed beyond the lid as connected green.
    """
    h, w = rgb.shape[:2]
    room = np.sqrt(lid.area_per_site_mm2)
    low, high = (
        (lid.sites_mm.min(0) - room, lid.sites_mm.max(0) + room)
        if outline_mm is None
        else (outline_mm.min(0) - 12, outline_mm.max(0) + 12)
    )
    corners = registration.to_px(np.array([low, [high[0], low[1]], high, [low[0], high[1]]]))
    shrink = 8
    small = cv2.resize(rgb, (max(1, w // shrink), max(1, h // shrink)), interpolation=cv2.INTER_AREA)
    green = (exg(small) > 0.06).astype(np.uint8)
    lid_mask = np.zeros_like(green)
    cv2.fillConvexPoly(lid_mask, (corners / shrink).round().astype(np.int32), 1)
    _, patches = cv2.connectedComponents(green | lid_mask, connectivity=8)
    own = np.isin(patches, np.unique(patches[lid_mask > 0]))
    ys, xs = np.nonzero(own)
    if not len(ys):
        return 0, 0, w, h
    pad = 4
    return (
        max(0, (int(xs.min()) - pad) * shrink),
        max(0, (int(ys.min()) - pad) * shrink),
        min(w, (int(xs.max()) + 1 + pad) * shrink),
        min(h, (int(ys.max()) + 1 + pad) * shrink),
    )


@cache
def _network() -> Any:
    model = (shipped("calibration") / "tissue.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(model, np.uint8))


def _size(registration: Registration, lid: Lid, box: Box) -> tuple[int, int]:
    """Width and height at which the network sees a window."""
    left, top, right, bottom = box
    centre = float(registration.px_per_mm(lid.sites_mm.mean(0)[None])[0])
    scale = min(1.0, PX_PER_MM / centre, float(np.sqrt(_MOST_PX / ((right - left) * (bottom - top)))))
    return max(1, round((right - left) * scale)), max(1, round((bottom - top) * scale))


def planes(
    rgb: Picture, registration: Registration, lid: Lid, outline_mm: Array | None, box: Box
) -> npt.NDArray[np.float32]:
    """The network's input for a window, (5, h, w) float32, h and w multiples of 16.

    What the window lacks to a multiple of 16 is filled by repeating its right and lower edge.
    """
    left, top, right, bottom = box
    w, h = _size(registration, lid, box)
    scale = np.array([w / (right - left), h / (bottom - top)])
    picture = cv2.resize(rgb[top:bottom, left:right], (w, h), interpolation=cv2.INTER_AREA)
    picture = cv2.copyMakeBorder(picture, 0, -h % _BLOCK, 0, -w % _BLOCK, cv2.BORDER_REPLICATE)
    high, wide = picture.shape[:2]
    yy, xx = np.mgrid[0 : high + _GRID : _GRID, 0 : wide + _GRID : _GRID]
    px = (np.column_stack([xx.ravel(), yy.ravel()]) + 0.5) / scale - 0.5 + [left, top]
    coarse = geometry(registration.to_mm(px), lid, outline_mm).reshape(*xx.shape, 2)
    out = np.empty((PLANES, high, wide), np.float32)
    for k in range(3):
        np.multiply(picture[..., k], np.float32(1 / 255), out=out[k])
    stretch = np.array([[_GRID, 0, 0], [0, _GRID, 0]], float)
    for k in range(2):
        out[3 + k] = cv2.warpAffine(np.ascontiguousarray(coarse[..., k]), stretch, (wide, high), flags=cv2.INTER_LINEAR)
    return out


def _scores(given: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """The scores of input planes (5, h, w): (5, 2, 2, h / 2, w / 2) float32, by class and place in the cell."""
    network = _network()
    _, high, wide = given.shape
    out = np.empty((5, 2, 2, high // 2, wide // 2), np.float32)
    for top in range(0, high, _STRIP):
        bottom = min(high, top + _STRIP)
        first, last = max(0, top - _SIGHT), min(high, bottom + _SIGHT)
        network.setInput(np.ascontiguousarray(given[None, :, first:last]))
        seen = np.asarray(network.forward()).reshape(5, 2, 2, (last - first) // 2, wide // 2)
        out[..., top // 2 : bottom // 2, :] = seen[..., (top - first) // 2 : (bottom - first) // 2, :]
    return out


def look(rgb: Picture, registration: Registration, lid: Lid, outline_mm: Array | None) -> Evidence:
    """What the pixels around the lid seem to be; ``rgb`` is the whole picture under corrected light."""
    box = window(rgb, registration, lid, outline_mm)
    left, top, right, bottom = box
    given = planes(rgb, registration, lid, outline_mm, box)
    scores = _scores(given)
    tissue = scores[1:4].max(0)
    kind = (1 + scores[1:4].argmax(0)).astype(np.uint8)
    film = (scores[4] > np.maximum(scores[0], tissue)).astype(np.uint8)
    margin = tissue - np.maximum(scores[0], scores[4])
    w, h = _size(registration, lid, box)

    def lay(cells: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Cells of 2 x 2 (2, 2, h/2, w/2) side by side, without the filled edge."""
        flat = np.ascontiguousarray(cells.transpose(2, 0, 3, 1)).reshape(given.shape[1:])
        return np.asarray(flat[:h, :w])

    def spread(cells: npt.NDArray[Any]) -> npt.NDArray[Any]:
        size = (right - left, bottom - top)
        return np.asarray(cv2.resize(lay(cells), size, interpolation=cv2.INTER_NEAREST))

    return Evidence(box, lay(margin), spread(kind), spread(film) > 0)
