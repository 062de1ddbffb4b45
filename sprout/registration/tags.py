"""Printed square tags (ArUco: Garrido-Jurado et al. 2014, Pattern Recognition 47:2280-2292)."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Tags
from sprout.registration.geometry import Array


def find_tags(rgb: npt.NDArray[np.uint8], tags: Tags) -> dict[int, Array]:
    """Corners (4, 2) in working pixels of each of the lid's tags that is seen, clockwise from the tag's upper left."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{tags.family.upper()}"))
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    options.cornerRefinementWinSize = 4
    options.adaptiveThreshWinSizeMax = 43
    options.adaptiveThreshWinSizeStep = 20
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY))
    found: dict[int, Array] = {}
    if ids is not None:
        for tag, four in zip(np.ravel(ids).tolist(), corners, strict=True):
            if tag in tags.ids and tag not in found:
                found[tag] = np.asarray(four, float).reshape(4, 2)
    return found
