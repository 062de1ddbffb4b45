"""Printed square tags (ArUco: Garrido-Jurado et al. 2014, Pattern Recognition 47:2280-2292)."""

from __future__ import annotations

import cv2
import numpy as np

from sprout.lid import Tags
from sprout.pyramid import Pyramid
from sprout.registration.geometry import Array

_WINDOW_PX = 4
"""Half the side of the square in which a corner is looked for."""


def find_tags(picture: Pyramid, tags: Tags) -> dict[int, Array]:
    """Corners (4, 2) in working pixels of each of the lid's tags that is seen, clockwise from the tag's upper left.

    Looked for at half size, for a quarter of the cost, and at full size if one is missing there: the far side of a
    tilted lid is small, and where the lid lies hangs on every tag.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{tags.family.upper()}"))
    options = cv2.aruco.DetectorParameters()
    options.adaptiveThreshWinSizeMax = 43
    options.adaptiveThreshWinSizeStep = 20
    detector = cv2.aruco.ArucoDetector(dictionary, options)
    found: dict[int, Array] = {}
    for level in (1, 0):
        grey = cv2.cvtColor(picture.halved(level), cv2.COLOR_RGB2GRAY)
        corners, ids, _ = detector.detectMarkers(grey)
        if ids is None:
            continue
        seen: dict[int, Array] = {}
        for tag, four in zip(np.ravel(ids).tolist(), corners, strict=True):
            if tag in tags.ids and tag not in seen:
                seen[tag] = _exact(picture, np.asarray(four, float).reshape(4, 2), level)
        found |= seen
        if len(found) == len(tags.ids):
            break
    return found


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
