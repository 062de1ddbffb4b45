"""Printed square tags (ArUco: Garrido-Jurado et al. 2014, Pattern Recognition 47:2280-2292).

The library's detector looks at every outline of the whole picture. Ink on paper stands out even on a small one, so what
could be a tag is picked out there, and only that is looked at closely.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Tags
from sprout.pyramid import Pyramid
from sprout.registration.geometry import Array

_SEARCH_PX = 504
"""Long side of the picture on which tags are searched."""
_AROUND_PX = 25
"""Width of the neighbourhood that ink is darker than."""
_INK = 0.7
"""Ink is darker than this share of what is around it; so are leaves and shade in places, but not paper."""
_LEAST_PX = 4
_MOST = 0.5
"""Widest outline of a tag, as a share of the long side."""
_SLENDER, _FILLED = 0.4, 0.7
"""Least ratio of the sides of a tag's outline, and least share of the box about it that it fills."""
_LEAST_CONTRAST = 0.12
"""Least standard deviation within a tag, whose cells are black and white, as a share of the brightest: 0.26 and more
for tags that can be read, even small ones."""
_SMALL_PX = 120
"""What is no wider is read at full size if half of it does not do."""
_ROOM_PX = 4
"""How much of the paper about the ink is looked at, in pixels of the small picture."""
_WINDOW_PX = 4
"""Half the side of the square in which a corner is looked for."""


def find_tags(picture: Pyramid, tags: Tags) -> dict[int, Array]:
    """Corners (4, 2) in working pixels of each of the lid's tags that is seen, clockwise from the tag's upper left.

    What could be a tag is read at half size, where a leaf on its rim matters less, and a small one then at full size.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{tags.family.upper()}"))
    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMax = 43
    options.adaptiveThreshWinSizeStep = 20
    # a tag all but fills what is looked at
    options.minMarkerPerimeterRate = 1.0
    options.minDistanceToBorder = 1
    # the paper's rim must not drive out the ink's
    options.minMarkerDistanceRate = 0.02
    detector = cv2.aruco.ArucoDetector(dictionary, options)
    found: dict[int, Array] = {}
    for box in _candidates(picture):
        for level in (1, 0) if np.ptp(box, axis=0).max() < _SMALL_PX else (1,):
            low, high = np.rint(picture.places(box[None], level)[0]).astype(int)
            near = cv2.cvtColor(picture.halved(level)[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY)
            corners, ids, _ = detector.detectMarkers(near)
            if ids is None:
                continue
            for tag, four in zip(np.ravel(ids).tolist(), corners, strict=True):
                if tag in tags.ids and tag not in found:
                    found[tag] = _exact(picture, np.asarray(four, float).reshape(4, 2) + low, level)
            break
        if len(found) == len(tags.ids):
            break
    return found


def px_per_mm(tags_px: dict[int, Array], tags: Tags) -> float:
    """About how large the lid is seen, by the corners (4, 2) of the tags found."""
    sides = [np.linalg.norm(np.roll(corners, 1, 0) - corners, axis=1).mean() for corners in tags_px.values()]
    return float(np.median(sides)) / tags.size_mm


def _candidates(picture: Pyramid) -> list[npt.NDArray[np.float32]]:
    """Boxes (2, 2), low and high corner, in the whole picture about what could be a tag, the most contrasting first."""
    level = picture.level(max(picture.size_px) / _SEARCH_PX)
    small = picture.halved(level)
    red, green, blue = cv2.split(small)
    bright = cv2.max(cv2.max(red, green), blue)
    around = cv2.convertScaleAbs(cv2.blur(bright, (_AROUND_PX, _AROUND_PX)), alpha=_INK)
    dark = cv2.compare(bright, around, cv2.CMP_LT)
    outlines, nesting = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    marked: list[tuple[float, Array]] = []
    for k, outline in enumerate(outlines):
        x, y, w, h = cv2.boundingRect(outline)
        inner = nesting[0, k, 3] >= 0
        if inner or max(w, h) < _LEAST_PX or min(w, h) < _SLENDER * max(w, h) or max(w, h) > _MOST * max(small.shape):
            continue
        _, sides, _ = cv2.minAreaRect(outline)
        hull = cv2.contourArea(cv2.convexHull(outline))
        if min(sides) < _SLENDER * max(sides) or hull < _FILLED * sides[0] * sides[1]:
            continue
        cells = bright[y + h // 4 : y + h - h // 4, x + w // 4 : x + w - w // 4]
        contrast = float(cells.std()) / max(1, int(bright[max(y - 2, 0) : y + h + 2, max(x - 2, 0) : x + w + 2].max()))
        if contrast > _LEAST_CONTRAST:
            marked.append((contrast, np.array([[x, y], [x + w, y + h]]) - 0.5))
    end = np.array(picture.size_px[::-1])
    room = np.array([[-_ROOM_PX], [_ROOM_PX]])
    boxes = (picture.whole(box + room, level) for _, box in sorted(marked, key=lambda m: -m[0]))
    return [np.clip(box, 0, end).astype(np.float32) for box in boxes]


def _exact(picture: Pyramid, corners: Array, level: int) -> Array:
    """Corners found in a halved picture, refined in the whole."""
    whole = picture.halved(0)
    px = picture.whole(corners, level)
    low = np.maximum(np.floor(px.min(0)).astype(int) - 4 * _WINDOW_PX, 0)
    high = np.ceil(px.max(0)).astype(int) + 4 * _WINDOW_PX
    near = cv2.cvtColor(whole[low[1] : high[1], low[0] : high[0]], cv2.COLOR_RGB2GRAY)
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 30, 0.1)
    window = (_WINDOW_PX, _WINDOW_PX)
    at = cv2.cornerSubPix(near, np.ascontiguousarray(px - low, np.float32), window, (-1, -1), stop)
    return np.asarray(at + low, float)
