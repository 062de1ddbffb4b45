"""Whose tissue: every plant pixel goes to the site it grows from.

Plants have height, so in the picture they lean away from the point above which the camera stands (its foot): a leaf
that appears at lid place P may stand anywhere on the line from P towards the foot. A leaf's distance from a site is
therefore measured from that line, and carried on through the tissue along the shortest path, so that a long petiole
keeps its far leaf. Patches that only one site can reach are settled at once; where neighbours meet, the shortest paths
from all sites through the common patch (Dijkstra 1959, Numer. Math. 1:269-271) draw the border.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.registration import Registration

Array = npt.NDArray[np.float64]

_CELL_MM = 1.4
"""Side of the cells on which borders between plants are drawn."""
_CELL_SHARE = 0.1
"""Share of a cell that must be plant."""
_HEIGHT = 0.2
"""How tall plants may stand, as a share of the camera's height above the lid."""
_PATH_GAIN = 6.0
"""How much dearer a millimetre off the site's line of lean is than one through the tissue."""
_FOCAL = 0.71
_FOCALS = (0.6, 0.85)
"""Usual focal length of a phone's main lens, and its range, in long sides of the picture (common practice)."""


Window = tuple[slice, slice]
"""Rows and columns of a part of the working picture."""


@dataclass(frozen=True, eq=False)
class Owners:
    """Whose the plants of a photo are.

    Attributes
    ----------
    sites:
        (h, w) uint8 on working pixels, 0 where there is no plant, else its site's place in the lid's order + 1.
    windows:
        Where each site's tissue lies, at most a cell wider; None where it has none.
    """

    sites: npt.NDArray[np.uint8]
    windows: tuple[Window | None, ...]


@dataclass(frozen=True, eq=False)
class Camera:
    """Where the camera stood: its foot on the lid's plane, (2,) in mm, and its height above it in mm."""

    foot_mm: Array
    height_mm: float


def camera_of(registration: Registration) -> Camera:
    """The camera's place, from the homography of a plane (Zhang 2000, IEEE PAMI 22:1330-1334, eqs. 3 and 4).

    The axis is taken to pass through the picture's centre. The focal length follows from the perspective; where the
    lid faces the camera too squarely to tell, the usual one of phones is taken.
    """
    h, w = registration.size_px
    long = max(h, w)
    centred = np.array([[1, 0, -(w - 1) / 2], [0, 1, -(h - 1) / 2], [0, 0, 1.0]]) @ registration.homography
    (ax, ay, az), (bx, by, bz) = centred[:, 0], centred[:, 1]
    known = np.array([az * bz, az**2 - bz**2])
    wanted = -np.array([ax * bx + ay * by, ax**2 + ay**2 - bx**2 - by**2])
    square = float(known @ wanted / max(float(known @ known), 1e-300))
    focal = np.sqrt(square) if square > 0 else 0.0
    if not _FOCALS[0] * long < focal < _FOCALS[1] * long:
        focal = _FOCAL * long
    pose = np.diag([1 / focal, 1 / focal, 1.0]) @ centred
    pose /= np.sqrt(np.linalg.norm(pose[:, 0]) * np.linalg.norm(pose[:, 1]))
    if pose[2, 2] < 0:
        pose = -pose
    left, _, right = np.linalg.svd(np.column_stack([pose[:, :2], np.cross(pose[:, 0], pose[:, 1])]))
    centre = -(left @ right).T @ pose[:, 2]
    return Camera(centre[:2], abs(float(centre[2])))


def reach_mm(places: Array, sites: Array, camera: Camera) -> npt.NDArray[np.float32]:
    """Distance on the lid, in mm, between m ``sites`` (m, 2) and n leaves that appear at ``places`` (n, 2): (m, n).

    Each leaf is taken at the height (up to a share of the camera's) that brings it nearest to the site.
    """
    lean_x, lean_y = ((camera.foot_mm - places) * _HEIGHT).astype(np.float32).T
    x, y = (s[:, None] - p for s, p in zip(sites.astype(np.float32).T, places.astype(np.float32).T, strict=True))
    along = (x * lean_x + y * lean_y) / np.maximum(lean_x**2 + lean_y**2, np.float32(1e-9))
    np.clip(along, 0, 1, out=along)
    x -= along * lean_x
    y -= along * lean_y
    return np.asarray(np.sqrt(x * x + y * y))


def cell_px(registration: Registration, lid: Lid) -> int:
    """Side of a cell in whole working pixels."""
    return max(1, round(_CELL_MM * float(np.median(registration.px_per_mm(lid.sites_mm)))))


def _neighbours(index: npt.NDArray[np.int32]) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.int32]]:
    """Pairs of numbers >= 0 that lie next to each other (eight neighbours) in a map of numbers."""
    pairs = [
        (index[:, :-1], index[:, 1:]),
        (index[:-1], index[1:]),
        (index[:-1, :-1], index[1:, 1:]),
        (index[:-1, 1:], index[1:, :-1]),
    ]
    a = np.concatenate([p.ravel() for p, _ in pairs])
    b = np.concatenate([q.ravel() for _, q in pairs])
    both = (a >= 0) & (b >= 0)
    return a[both], b[both]


def _share_out(
    places: Array, index: npt.NDArray[np.int32], nearest: npt.NDArray[np.intp], reach: npt.NDArray[np.float32], m: int
) -> npt.NDArray[np.int64]:
    """Which of m sites each cell belongs to, by paths that start at a site's line of lean and go on through the cells.

    A path that starts in a cell starts from the site that is nearest to it, ``reach`` away.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    n = len(places)
    a, b = _neighbours(index)
    x, y = places.T
    step = np.hypot(x[a] - x[b], y[a] - y[b])
    cells = np.arange(n, dtype=np.int32)
    lengths = np.concatenate([step, _PATH_GAIN * reach + 1e-3])
    ends = np.concatenate([a, n + nearest.astype(np.int32)]), np.concatenate([b, cells])
    graph = coo_matrix((lengths, ends), shape=(n + m, n + m)).tocsr()
    _, _, source = dijkstra(graph, directed=False, indices=np.arange(n, n + m), min_only=True, return_predecessors=True)
    return np.asarray(source[:n] - n, np.int64)


def attribute(
    plant: npt.NDArray[np.uint8],
    registration: Registration,
    lid: Lid,
    *,
    standing: npt.NDArray[np.bool_] | None = None,
) -> Owners:
    """The site of each plant pixel.

    Parameters
    ----------
    plant:
        (h, w) on working pixels, 255 where there is plant, 0 elsewhere.
    standing:
        (n,) which sites may hold a plant; all if left out. Tissue beyond the reach of all of them is left out.
    """
    from scipy.ndimage import find_objects

    allowed = np.arange(len(lid.sites_mm)) if standing is None else np.flatnonzero(standing)
    out = np.zeros(plant.shape, np.uint8)
    left, top, w, h = cv2.boundingRect(plant)
    if not w or not len(allowed):
        return Owners(out, (None,) * len(lid.sites_mm))
    side = cell_px(registration, lid)
    left, top, w, h = left - left % side, top - top % side, w + left % side, h + top % side
    here = np.s_[top : top + h, left : left + w]
    rows, columns = -(-h // side), -(-w // side)
    padded = np.zeros((rows * side, columns * side), np.uint8)
    padded[:h, :w] = plant[here]
    share = cv2.resize(padded, (columns, rows), interpolation=cv2.INTER_AREA)
    cells = (share > 255 * _CELL_SHARE).astype(np.uint8)
    count, patches = cv2.connectedComponents(cells, connectivity=8, ltype=cv2.CV_32S)
    y, x = np.nonzero(cells)
    places = registration.to_mm(np.column_stack([x, y]) * side + (side - 1) / 2 + [left, top])
    reach = reach_mm(places, lid.sites_mm[allowed], camera_of(registration))
    patch = patches[y, x]
    owner, nearest = reach.argmin(0), reach.min(0)
    rooted = np.column_stack([np.bincount(patch[near], minlength=count) > 0 for near in reach < lid.hole_mm / 2])
    roots = rooted.sum(1)
    owner = np.where(roots[patch] == 1, rooted.argmax(1)[patch], owner)
    meeting = roots[patch] > 1
    if meeting.any():
        index = np.full(cells.shape, -1, np.int32)
        index[y[meeting], x[meeting]] = np.arange(np.count_nonzero(meeting))
        owner[meeting] = _share_out(places[meeting], index, owner[meeting], nearest[meeting], len(allowed))
    loose = roots[patch] == 0
    nearest_loose = np.full(count, np.inf)
    np.minimum.at(nearest_loose, patch[loose], nearest[loose])
    lost = loose & (nearest_loose[patch] > np.sqrt(lid.area_per_site_mm2))
    small = np.zeros(cells.shape, np.uint8)
    small[y, x] = np.where(lost, 0, allowed[owner] + 1)
    # cells that hold too little plant to count take the label of a neighbour
    spread = np.where(small > 0, small, cv2.dilate(small, np.ones((3, 3), np.uint8)))
    big = cv2.resize(spread, (columns * side, rows * side), interpolation=cv2.INTER_NEAREST)[:h, :w]
    np.bitwise_and(big, plant[here], out=out[here])
    windows = tuple(
        None
        if found is None
        else (
            slice(top + found[0].start * side, min(top + found[0].stop * side, top + h)),
            slice(left + found[1].start * side, min(left + found[1].stop * side, left + w)),
        )
        for found in find_objects(spread, max_label=len(lid.sites_mm))
    )
    return Owners(out, windows)
