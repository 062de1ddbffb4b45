"""What each pixel seems to be: class scores from a small convolutional network over the lid's neighbourhood.

The network (`calibration/tissue.onnx`, fitted by `calibration/fit_tissue.py`) sees the picture under corrected light,
how far each pixel is from the nearest site, and how far inside the plate's outline. Whether a leaf belongs to the lid
at all is decided later, by where it is rooted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import cv2
import numpy as np
import numpy.typing as npt

from sprout import networks
from sprout.lid import Lid
from sprout.light import Array, exg
from sprout.pyramid import Pyramid, smaller
from sprout.registration import Registration

PLANES = 5
"""Input planes: red, green, blue, and the two of `geometry`."""
PX_PER_MM = 3.0
"""Finest scale that the network is given, the one that it was mostly fitted at. It scores cells of two pixels."""
_BLOCK = 16
_GLANCE_PX_PER_MM, _GLANCE_PX = 1.2, 1.1e5
"""Finest scale at which the whole window is glanced at, and the most pixels of that glance."""
_DOUBT = -3.0
"""Log-odds of plant or film in the glance from which a place is looked at closely."""
ROOT = 1.2
"""How far from a site's centre a plant may first show, in hole radii (it leans out of its hole)."""
_SIGHT_MM = 4.0
"""How much around such places the network must see to judge them."""
_MOST_PX = 7e5
"""Most pixels of all that is looked at closely: more is scaled down, which bounds time and memory. Where there is so
much to see, leaves are broad."""
_RARE = 1.0
"""Log-odds by which dry tissue is likelier than the network says: in what it was fitted to, hardly any was dry."""
_SITE_REACH, _FAR = 4.0, 0.8
_DEPTH_MM, _OUTSIDE = 20.0, -0.25
_MOST_HALVED = 3
_CELL = 2**_MOST_HALVED
"""Geometry varies slowly: it is computed for cells of so many working pixels, and windows are made of whole cells."""

Box = tuple[int, int, int, int]
"""(left, top, right, bottom) of a window of the photo, in working pixels, the last two exclusive."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What the pixels of a window seem to be.

    Attributes
    ----------
    window:
        Its rows and columns in working pixels.
    plant:
        float32 log-odds of plant tissue against all else, on the network's grid, which spans the window.
    kind:
        uint8 on the network's grid, the likeliest class if it is tissue: 1 green, 2 yellowing, 3 dry.
    film:
        uint8 on the network's grid, 1 where a film of algae is likeliest.
    """

    window: tuple[slice, slice]
    plant: npt.NDArray[np.float32]
    kind: npt.NDArray[np.uint8]
    film: npt.NDArray[np.uint8]


def geometry(mm: Array, lid: Lid, outline_mm: Array | None) -> npt.NDArray[np.float32]:
    """The two geometric inputs at (n, 2) places on the lid's plane: (n, 2) float32.

    First the distance to the nearest site, in hole radii over 4, up to 0.8; second the depth inside the outline over
    20 mm, from -0.25 to 1, and 1 everywhere if no outline is known. How far out a pixel is beyond that does not tell a
    leaf of the lid from one of a neighbour.
    """
    x, y = np.asarray(mm, np.float32).T
    distance2 = np.full(len(x), np.inf, np.float32)
    for u, v in lid.sites_mm.astype(np.float32):
        np.minimum(distance2, (x - u) ** 2 + (y - v) ** 2, out=distance2)
    depth = np.full(len(x), np.inf, np.float32)
    if outline_mm is not None:
        (x0, y0), (x1, y1) = outline_mm.min(0).astype(np.float32), outline_mm.max(0).astype(np.float32)
        depth = np.minimum.reduce([x - x0, x1 - x, y - y0, y1 - y])
    planes = np.column_stack([np.sqrt(distance2) / (lid.hole_mm / 2) / _SITE_REACH, depth / _DEPTH_MM])
    return np.asarray(np.clip(planes, [0, _OUTSIDE], [_FAR, 1]), np.float32)


def surroundings(registration: Registration, lid: Lid, outline_mm: Array | None) -> npt.NDArray[np.float32]:
    """The two geometric inputs for every cell of a photo, (rows, columns, 2) float32."""
    rows, columns = (-(-side // _CELL) for side in registration.size_px)
    # millimetres are all but linear within a few cells
    yy, xx = np.mgrid[0 : rows + 4 : 4, 0 : columns + 4 : 4]
    nodes_mm = registration.to_mm(_CELL * (np.column_stack([xx.ravel(), yy.ravel()]) + 0.5) - 0.5)
    stretch = np.array([[4, 0, 0], [0, 4, 0]], float)
    nodes = nodes_mm.astype(np.float32).reshape(*xx.shape, 2)
    mm = cv2.warpAffine(nodes, stretch, (columns, rows), flags=cv2.INTER_LINEAR)
    return geometry(mm.reshape(-1, 2), lid, outline_mm).reshape(rows, columns, 2)


def window(picture: Pyramid, registration: Registration, lid: Lid, outline_mm: Array | None) -> Box:
    """The part of the photo that holds the lid and all that grows out of it, with some room around.

    ``picture`` is the photo under corrected light. Leaves are followed beyond the lid as connected green.
    """
    h, w = picture.size_px
    room = np.sqrt(lid.area_per_site_mm2)
    low, high = (
        (lid.sites_mm.min(0) - room, lid.sites_mm.max(0) + room)
        if outline_mm is None
        else (outline_mm.min(0) - 12, outline_mm.max(0) + 12)
    )
    corners = registration.to_px(np.array([low, [high[0], low[1]], high, [low[0], high[1]]]))
    green = (exg(picture.sized((max(1, w // _CELL), max(1, h // _CELL)))) > 0.06).astype(np.uint8)
    lid_mask = np.zeros_like(green)
    cv2.fillConvexPoly(lid_mask, (corners / _CELL).round().astype(np.int32), 1)
    count, patches = cv2.connectedComponents(green | lid_mask, connectivity=8)
    own = np.zeros(count, np.uint8)
    own[patches[lid_mask > 0]] = 1
    x, y, wide, high = cv2.boundingRect(own[patches])
    if not wide:
        return 0, 0, w, h
    pad = 4
    return (
        max(0, x - pad) * _CELL,
        max(0, y - pad) * _CELL,
        min(w, (x + wide + pad) * _CELL),
        min(h, (y + high + pad) * _CELL),
    )


def planes(
    picture: Pyramid, around: npt.NDArray[np.float32], box: Box, scale: float
) -> tuple[npt.NDArray[np.float32], tuple[int, int]]:
    """The network's input for a window at a scale, (5, h, w) float32, h and w multiples of 16; and its true size.

    ``around`` is that of `surroundings`, and the window is made of whole cells. What it lacks to a multiple of 16 is
    filled by repeating its right and lower edge; its height and width without that come second, even numbers.
    """
    left, top, right, bottom = box
    w, h = (2 * max(1, round(side * scale / 2)) for side in (right - left, bottom - top))
    cells = around[top // _CELL : -(-bottom // _CELL), left // _CELL : -(-right // _CELL)]
    level = min(int(np.log2(1 / scale)), _MOST_HALVED)
    near = picture.halved(level)[top >> level : -(-bottom >> level), left >> level : -(-right >> level)]
    shown = smaller(near, (w, h))
    place = np.asarray(cv2.resize(cells, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)
    fill = (0, -h % _BLOCK, 0, -w % _BLOCK, cv2.BORDER_REPLICATE)
    shown, place = cv2.copyMakeBorder(shown, *fill), cv2.copyMakeBorder(place, *fill)
    out = np.empty((PLANES, *shown.shape[:2]), np.float32)
    for plane, channel in zip(out, cv2.split(shown), strict=False):
        np.multiply(channel, np.float32(1 / 255), out=plane)
    cv2.split(place, [*out[3:]])
    return out, (h, w)


def _scores(given: npt.NDArray[np.float32], size: tuple[int, int]) -> npt.NDArray[np.float32]:
    """The scores (5, h / 2, w / 2) of input planes whose true size is ``size``, two pixels of them in each cell."""
    return networks.from_cells(networks.run("tissue", given))[:, : size[0] // 2, : size[1] // 2]


def _apart(boxes: list[Box]) -> list[Box]:
    """Boxes that do not overlap: those that do are made one."""
    apart: list[Box] = []
    for box in boxes:
        for other in [o for o in apart if o[0] < box[2] and box[0] < o[2] and o[1] < box[3] and box[1] < o[3]]:
            apart.remove(other)
            box = (min(box[0], other[0]), min(box[1], other[1]), max(box[2], other[2]), max(box[3], other[3]))
        apart.append(box)
    return apart if len(apart) == len(boxes) else _apart(apart)


def _worth_a_look(picture: Pyramid, around: npt.NDArray[np.float32], box: Box, px_per_mm: float) -> list[Box]:
    """The windows that hold whatever may be plant or film and hangs together with a site, by a glance from afar."""
    left, top, right, bottom = box
    scale = min(1.0, _GLANCE_PX_PER_MM / px_per_mm, float(np.sqrt(_GLANCE_PX / ((right - left) * (bottom - top)))))
    given, (h, w) = planes(picture, around, box, scale)
    other, *some = _scores(given, (h, w))
    doubtful = reduce(np.maximum, some) - other > _DOUBT
    sight = round(_SIGHT_MM * px_per_mm * scale / 2)
    near = cv2.dilate(doubtful.astype(np.uint8), np.ones((2 * sight + 1, 2 * sight + 1), np.uint8))
    _, patches, stats, _ = cv2.connectedComponentsWithStats(near, connectivity=8)
    by_a_site = np.unique(patches[(given[3, :h:2, :w:2] < _FAR) & (patches > 0)])
    x, y, wide, high, _ = stats[by_a_site].T * 2 / scale
    found = np.column_stack([left + x, top + y, left + x + wide, top + y + high])
    found = np.minimum(np.rint(found / _CELL).astype(int) * _CELL, [right, bottom] * 2)
    return _apart([tuple(box) for box in found.tolist()])


def look(picture: Pyramid, registration: Registration, lid: Lid, outline_mm: Array | None) -> list[Evidence]:
    """What the pixels around the lid seem to be, in windows apart from each other; elsewhere nothing of it grows.

    ``picture`` is the whole photo under corrected light.
    """
    px_per_mm = float(registration.px_per_mm(lid.sites_mm.mean(0)[None])[0])
    around = surroundings(registration, lid, outline_mm)
    boxes = _worth_a_look(picture, around, window(picture, registration, lid, outline_mm), px_per_mm)
    area = sum((right - left) * (bottom - top) for left, top, right, bottom in boxes)
    scale = min(1.0, PX_PER_MM / px_per_mm, float(np.sqrt(_MOST_PX / max(area, 1))))
    return [
        _evidence(np.s_[top:bottom, left:right], *planes(picture, around, (left, top, right, bottom), scale))
        for left, top, right, bottom in boxes
    ]


def _evidence(window: tuple[slice, slice], given: npt.NDArray[np.float32], size: tuple[int, int]) -> Evidence:
    other, green, yellow, dry, film = _scores(given, size)
    dry = dry + np.float32(_RARE)
    living = np.maximum(green, yellow)
    tissue = np.maximum(living, dry)
    return Evidence(
        window,
        tissue - np.maximum(other, film),
        np.maximum(1 + (yellow > green).view(np.uint8), 3 * (dry > living).view(np.uint8)),
        (film > np.maximum(other, tissue)).view(np.uint8),
    )
