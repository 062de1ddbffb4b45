"""Keeps the plugs still from view to view.

A registration lays the lid's plane on its plan; the plugs sit below that plane, so a phone held a little differently
moves them by a pixel or two against the plate. Here what lies in and about the holes is moved so that it lies where it
lay in the first view, and the plate between them stays: a shift for each hole by normalised cross-correlation with a
parabola through its peak (Lewis 1995, Vision Interface, 120-123), then the shift, turn and stretch that most holes
agree on, fading out from the rims.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]
Grey = npt.NDArray[np.float32]

_REACH = 1.35  # half side of the patch about a hole, in hole radii
_SEARCH_MM = 1.8
_ALIKE = 0.75  # correlation from which a hole is taken for the same, not covered by leaves
_STRAY_PX = 0.6
_WHOLE, _NONE = 1.3, 2.0  # the move is full up to the one and fades out towards the other, in hole radii
_ROUNDS = 4
STILL = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


class Steady:
    """The holes as the first view shows them."""

    def __init__(self, first: Picture, places: FloatArray, *, hole_px: float, px_per_mm: float) -> None:
        """``places`` (n, 2) are the holes' centres, ``hole_px`` their diameter, in pixels of the view."""
        self._half, self._search = round(_REACH * hole_px / 2), max(2, round(_SEARCH_MM * px_per_mm))
        h, w = first.shape[:2]
        room = self._half + self._search
        self._places = places.round().astype(int)
        self._places = self._places[((self._places >= room) & (self._places < np.array([w, h]) - room)).all(1)]
        grey = _grey(first)
        self._patches = [
            grey[y - self._half : y + self._half + 1, x - self._half : x + self._half + 1] for x, y in self._places
        ]

        far = np.full((h, w), np.inf, np.float32)
        self._v, self._u = np.mgrid[0:h, 0:w].astype(np.float32)
        for x, y in places:
            np.minimum(far, np.hypot(self._u - np.float32(x), self._v - np.float32(y)), out=far)
        part = np.clip((_NONE - far / np.float32(hole_px / 2)) / (_NONE - _WHOLE), 0, 1)
        self._part = part * part * (3 - 2 * part)

    def stilled(self, view: Picture, move: FloatArray) -> Picture:
        """The view with its holes moved by :meth:`move`."""
        back = cv2.invertAffineTransform(move) - STILL
        u = self._u + self._part * (back[0, 0] * self._u + back[0, 1] * self._v + back[0, 2])
        v = self._v + self._part * (back[1, 0] * self._u + back[1, 1] * self._v + back[1, 2])
        at = (u.astype(np.float32), v.astype(np.float32))
        return np.asarray(cv2.remap(view, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.uint8)

    def move(self, view: Picture) -> FloatArray:
        """(2, 3) affine map from where the view shows the holes to where they belong; none where too few show."""
        grey, room = _grey(view), self._half + self._search
        found = []
        for (x, y), patch in zip(self._places, self._patches, strict=True):
            score = cv2.matchTemplate(
                grey[y - room : y + room + 1, x - room : x + room + 1], patch, cv2.TM_CCOEFF_NORMED
            )
            peak = _peak(score)
            if peak is not None:
                found.append(((x, y), peak - self._search))
        if not found:
            return STILL
        at, shifts = (np.array(part, float) for part in zip(*found, strict=True))
        return _agreed(at, shifts)


def _grey(picture: Picture) -> Grey:
    """Lightness, smoothed against the grain."""
    return np.asarray(cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), (0, 0), 1.0), np.float32)


def _peak(score: npt.NDArray[np.float32]) -> FloatArray | None:
    """(x, y) of the best correlation to a part of a pixel; None if it is poor or at the edge of the search."""
    y, x = np.unravel_index(int(score.argmax()), score.shape)
    if score[y, x] < _ALIKE or not (0 < x < score.shape[1] - 1 and 0 < y < score.shape[0] - 1):
        return None
    across, down = score[y, x - 1 : x + 2], score[y - 1 : y + 2, x]
    return np.array([x + _vertex(across), y + _vertex(down)])


def _vertex(three: npt.NDArray[np.float32]) -> float:
    """Place of a parabola's vertex through values at -1, 0, 1."""
    a, b, c = (float(v) for v in three)
    bend = a - 2 * b + c
    return 0.5 * (a - c) / bend if bend < 0 else 0.0


def _agreed(at: FloatArray, shifts: FloatArray) -> FloatArray:
    """The map that undoes the shifts most holes agree on: with few holes a shift only, with more a turn and stretch."""
    kept = np.linalg.norm(shifts - np.median(shifts, axis=0), axis=1) < 4 * _STRAY_PX
    matrix = STILL
    for _ in range(_ROUNDS):
        if kept.sum() < 2:
            return STILL
        matrix = _fitted(at[kept] + shifts[kept], at[kept])
        rest = np.linalg.norm((at + shifts) @ matrix[:, :2].T + matrix[:, 2] - at, axis=1)
        kept = rest < max(_STRAY_PX, 2.5 * float(np.median(rest[kept])))
    return matrix


def _fitted(seen: FloatArray, belong: FloatArray) -> FloatArray:
    """Least-squares map from where holes are seen to where they belong."""
    spread = np.ptp(seen, axis=0).min() > 0
    if len(seen) < 4 or not spread:
        return np.column_stack([np.eye(2), (belong - seen).mean(0)])
    middle = seen.mean(0)
    design = np.column_stack([seen - middle, np.ones(len(seen))])
    turned = np.linalg.lstsq(design, belong, rcond=None)[0].T
    return np.column_stack([turned[:, :2], turned[:, 2] - turned[:, :2] @ middle])
