"""What a site's leaves look like: cut out, scaled to one size, and judged by a small convolutional network.

Leaf boundaries, blades and stems show how many pairs of leaves there are where the outline does not. The network
(``calibration/leaves.onnx``, fitted by ``calibration/fit_leaves.py``) sees one site's tissue alone and gives a score to
each number of seedlings; ``counting`` weighs it with the outline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout import networks
from sprout.light import Picture
from sprout.registration import Registration

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.uint8]

SIDE = 96
"""Side of the network's input in pixels."""
FINEST_MM = 0.3
"""Small plants are not shown larger than at this many millimetres per pixel."""
PLANES = 5
"""Input planes: tissue or not; lightness and the two colours against the plant's own; the scale."""
_RIM = 3
_AROUND = 6
"""Pixels of the working picture kept around the tissue."""
_SPREAD = (6.0, 10.0, 12.0)
"""Differences of lightness (on top of the plant's own spread) and of colour that count as one, in 8-bit CIE L*a*b*."""


@dataclass(frozen=True, eq=False)
class Cutout:
    """The tissue of one site, cut out of a photo.

    Attributes
    ----------
    mask:
        (h, w) uint8, 255 where it is, 0 elsewhere.
    lab:
        (h, w, 3) uint8, CIE L*a*b* in OpenCV's scaling, under corrected light.
    to_mm:
        (2, 3) from its pixels to millimetres on the lid, with the site's centre as origin.
    """

    mask: Mask
    lab: Picture
    to_mm: Array

    def hull_mm(self) -> Array:
        """(n, 2) convex outline of the tissue in mm from the site's centre."""
        outlines, _ = cv2.findContours(self.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        hull = cv2.convexHull(np.concatenate(outlines))[:, 0].astype(float)
        return np.asarray(hull @ self.to_mm[:, :2].T + self.to_mm[:, 2])


def local_maps(registration: Registration, centres_mm: Array) -> Array:
    """(n, 2, 3) from pixels to mm about (n, 2) places on the lid, the origins: straight enough over one plant."""
    corners = np.array([[10.0, 0], [0, 10], [-10, 0], [0, -10]])
    px = registration.to_px((centres_mm[:, None] + corners).reshape(-1, 2)).reshape(-1, 4, 2)
    back = np.linalg.inv(np.stack([px[:, 0] - px[:, 2], px[:, 1] - px[:, 3]], axis=2) / 20)
    return np.concatenate([back, -back @ px.mean(1)[..., None]], axis=2)


def local_map(registration: Registration, centre_mm: Array) -> Array:
    """(2, 3) from pixels to mm about one place, see :func:`local_maps`."""
    return np.asarray(local_maps(registration, centre_mm[None])[0])


def cut_out(rgb: Picture, own: Mask, at_px: npt.NDArray[np.int64], to_mm: Array) -> Cutout:
    """Cut one site's tissue out of a photo, not much finer than it will be shown.

    Parameters
    ----------
    rgb:
        (H, W, 3) uint8, the whole picture under corrected light.
    own:
        (h, w) uint8, 255 where the site's tissue is in a window of the picture, 0 elsewhere.
    at_px:
        (2,) column and row of the window's first pixel.
    to_mm:
        From pixels of the whole picture to mm, see :func:`local_map`.
    """
    (left, top), (h, w) = at_px, own.shape
    low = np.maximum(at_px - _AROUND, 0)
    high = np.minimum(at_px + [w, h] + _AROUND, rgb.shape[1::-1])
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    mask[top - low[1] :, left - low[0] :][:h, :w] = own
    picture = rgb[low[1] : high[1], low[0] : high[0]]
    (a, b, _), (c, d, _) = to_mm.tolist()
    mm_per_px = abs(a * d - b * c) ** 0.5
    shown_px = max(FINEST_MM / mm_per_px, max(h, w) / SIDE)
    # halved as in the pictures that the network was fitted to, and interpolated from there
    halvings = int(np.log2(max(1.0, min(1.4 * shown_px, *mask.shape))))
    for _ in range(halvings):
        mask, picture = (cv2.resize(p, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for p in (mask, picture))
    scale = 2.0**halvings
    first = np.array([[scale, 0, low[0] + scale / 2 - 0.5], [0, scale, low[1] + scale / 2 - 0.5], [0, 0, 1]])
    return Cutout(mask, cv2.cvtColor(picture, cv2.COLOR_RGB2LAB), to_mm @ first)


def framed(hull_mm: Array, turn: Array, fill: float = 1.0) -> Array:
    """(2, 3) from mm to the network's pixels that brings an outline into the middle of the frame, turned by (2, 2)."""
    turned = hull_mm @ turn.T
    low, high = turned.min(0), turned.max(0)
    scale = fill * min((SIDE - 2 * _RIM) / max(float((high - low).max()), 1e-6), 1 / FINEST_MM)
    return np.concatenate([scale * turn, (SIDE / 2 - 0.5 - scale * (low + high) / 2)[:, None]], axis=1)


def shown(cutout: Cutout, frame: Array) -> tuple[Mask, Picture]:
    """A cutout's mask and picture, (SIDE, SIDE) and (SIDE, SIDE, 3), in a frame given by :func:`framed`."""
    matrix = frame[:, :2] @ cutout.to_mm
    matrix[:, 2] += frame[:, 2]
    size = (SIDE, SIDE)
    mask = cv2.warpAffine(cutout.mask, matrix, size, flags=cv2.INTER_LINEAR)
    lab = cv2.warpAffine(cutout.lab, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(mask, np.uint8), np.asarray(lab, np.uint8)


def planes(mask: Mask, lab: Picture, px_per_mm: float) -> npt.NDArray[np.float32]:
    """The network's input, (PLANES, SIDE, SIDE) float32, from what :func:`shown` gives."""
    tissue = mask.astype(np.float32) / 255
    inside = mask > 127
    if np.count_nonzero(inside) < 3:
        inside = tissue >= tissue.max() / 2
    mean, deviation = (m[:, 0] for m in cv2.meanStdDev(lab, mask=inside.view(np.uint8)))
    spread = np.array(_SPREAD) + [deviation[0], 0, 0]
    table = np.clip((np.arange(256)[:, None] - mean) / spread, -3, 3).astype(np.float32)
    near = cv2.dilate(tissue, np.ones((5, 5), np.uint8))
    out = np.empty((PLANES, SIDE, SIDE), np.float32)
    out[0] = tissue
    for plane, colour in zip(out[1:4], cv2.split(cv2.LUT(lab, table[None])), strict=True):
        np.multiply(colour, near, out=plane)
    out[4] = np.log(px_per_mm * FINEST_MM)
    return out


def as_shown(cutout: Cutout) -> npt.NDArray[np.float32]:
    """The network's input for a cutout, (PLANES, SIDE, SIDE)."""
    frame = framed(cutout.hull_mm(), np.eye(2))
    return planes(*shown(cutout, frame), float(frame[0, 0]))


def scores(cutouts: Sequence[Cutout]) -> Array:
    """(n, 6) log-probabilities of 1, 2, … seedlings in each cutout, as the network sees them."""
    if not cutouts:
        return np.empty((0, 6))
    raw = np.stack([networks.run("leaves", networks.cells(as_shown(c))) for c in cutouts]).astype(np.float64)
    return np.asarray(raw - np.logaddexp.reduce(raw, axis=1, keepdims=True))
