"""How many seedlings: from the shape of a site's tissue to a posterior over their number.

Up to the first true leaves a seedling is a pair of seed leaves about one stem. The number of leaves shows in the
outline: lobes, dents, patches, area over the square of a leaf's half width, symmetry about a centre (one pair has it,
two seldom do). A multinomial logistic model (McCullagh & Nelder 1989, Generalized Linear Models, ch. 5) weighs these
features with what the network in ``leaves`` sees; ``calibration/fit_counting.py`` fits it and writes
``calibration/counting.json``.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import median

import cv2
import numpy as np
import numpy.typing as npt

from sprout.files import shipped

Array = npt.NDArray[np.float64]

STEP_MM = 0.4
"""Grid on which shapes are measured, on the lid's plane."""
MOST_STEPS = 120
"""Plants that reach further than this many steps are measured on a coarser grid."""
MOST = 6
"""Largest number of seedlings told apart."""
UNDECIDED = np.full(MOST, -np.log(MOST))
"""Log-probabilities of somebody who has seen nothing."""
FEATURES = (
    "log_area",
    "log_half_width",
    "leaves_by_area",
    "lobes",
    "patches",
    "largest_patch",
    "solidity",
    "log_extent",
    "dents",
    "symmetry",
    "tips",
    "elongation",
    "log_area_against_lid",
    "log_half_width_against_lid",
    "log_area_of_lid",
)


def _tops(heights: npt.NDArray[np.float32], radius: int, least: float) -> npt.NDArray[np.bool_]:
    """Where a map (h, w) is above ``least`` and nowhere higher within an ellipse of a radius.

    Only what is no lower than its next neighbours is held against the whole ellipse.
    """
    around = cv2.copyMakeBorder(heights, radius, radius, radius, radius, cv2.BORDER_CONSTANT)
    cross, ellipse = (cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * r + 1,) * 2) for r in (min(radius, 1), radius))
    y, x = np.divmod(np.flatnonzero((heights >= cv2.dilate(heights, cross)) & (heights > least)), heights.shape[1])
    dy, dx = np.nonzero(ellipse)
    highest = around[y[:, None] + dy, x[:, None] + dx].max(1)
    tops = np.zeros(heights.shape, bool)
    tops[y, x] = heights[y, x] >= highest
    return tops


def _symmetry(mask: npt.NDArray[np.uint8]) -> float:
    """The largest share of a mask, at half its size, that half a turn about any one point lays onto itself.

    The overlaps for all points are the mask folded with itself (convolution theorem).
    """
    coarse = cv2.resize(mask.astype(np.float32), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    h, w = coarse.shape
    high, wide = (cv2.getOptimalDFTSize(2 * side) for side in (h, w))
    spectrum = cv2.dft(cv2.copyMakeBorder(coarse, 0, high - h, 0, wide - w, cv2.BORDER_CONSTANT), nonzeroRows=h)
    overlap = cv2.idft(cv2.mulSpectrums(spectrum, spectrum, 0), flags=cv2.DFT_SCALE)
    return float(overlap.max() / np.square(coarse).sum())


_RING = 48
"""In so many directions from its middle it is told how far tissue reaches."""
_NEXT, _BESIDE, _ABOUT = ((np.arange(_RING) + np.arange(-reach, reach + 1)[:, None]) % _RING for reach in (2, 3, 6))
"""The directions within so many of each."""


def _tips(mask: npt.NDArray[np.uint8], middle: tuple[float, float]) -> int:
    """In how many directions from the middle (x, y) tissue reaches out, farther than in those around."""
    # in every direction what is farthest lies on the rim
    rim = mask - cv2.erode(mask, np.ones((5, 5), np.uint8))
    x, y = (cv2.findNonZero(rim).reshape(-1, 2) - middle).T
    profile = np.zeros(_RING)
    np.maximum.at(profile, (np.arctan2(y, x) / (2 * np.pi) * _RING).astype(int) % _RING, np.hypot(x, y))
    reach = np.array([0.1, 0.2, 0.4, 0.2, 0.1]) @ profile[_NEXT]
    farthest = reach == reach[_BESIDE].max(0)
    return int(np.count_nonzero(farthest & (reach - reach[_ABOUT].min(0) > 0.15 * reach.max())))


def shape(tissue: npt.NDArray[np.bool_], *, step_mm: float = STEP_MM) -> dict[str, float]:
    """Features of one site's tissue, an (h, w) mask with some of it set, ``step_mm`` per pixel."""
    mask = cv2.copyMakeBorder(tissue.view(np.uint8), 3, 3, 3, 3, cv2.BORDER_CONSTANT)
    about = cv2.moments(mask)
    pixels = about["m00"]
    area = pixels * step_mm**2
    depth = cv2.GaussianBlur(cv2.distanceTransform(mask, cv2.DIST_L2, 5), (0, 0), 1.0) * step_mm
    half_width = float(depth.max())
    tops = _tops(depth, round(0.8 * half_width / step_mm), 0.45 * half_width)
    lobes = cv2.connectedComponents(tops.view(np.uint8), connectivity=8)[0] - 1
    count, patches = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_16U)
    patch_area = np.array([area]) if count == 2 else np.bincount(patches.ravel())[1:] * step_mm**2
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.concatenate(outlines))
    hull_area = cv2.contourArea(hull) * step_mm**2
    extent = cv2.minEnclosingCircle(hull)[1] * step_mm
    outline = max(outlines, key=len)
    dents = 0
    if len(outline) > 8:
        corners = cv2.convexHull(outline, returnPoints=False)
        defects = cv2.convexityDefects(outline, np.sort(corners, axis=0)[::-1])
        if defects is not None:
            dents = int((np.asarray(defects).reshape(-1, 4)[:, 3] / 256 * step_mm > 0.5 * half_width).sum())
    tips = _tips(mask, (about["m10"] / pixels, about["m01"] / pixels))
    xx, xy, yy = (about[name] * step_mm**2 / (pixels - 1) for name in ("mu20", "mu11", "mu02"))
    mean, off = (xx + yy) / 2 + 0.1, np.hypot((xx - yy) / 2, xy)
    return {
        "log_area": np.log(area),
        "log_half_width": np.log(half_width),
        "leaves_by_area": np.log(area / half_width**2),
        "lobes": np.sqrt(lobes),
        "patches": np.sqrt(float((patch_area > max(1.5, 0.05 * area)).sum())),
        "largest_patch": float(patch_area.max()) / area,
        "solidity": area / max(hull_area, 1e-3),
        "log_extent": np.log(extent / half_width),
        "dents": np.sqrt(dents),
        "symmetry": _symmetry(mask),
        "tips": np.sqrt(tips),
        "elongation": float(np.log((mean - off) / (mean + off))),
    }


def against_lid(shapes: Sequence[dict[str, float] | None]) -> list[dict[str, float] | None]:
    """Shapes of all sites of one photo, None where there is no tissue, each with what the other plants are like."""
    some = [s for s in shapes if s is not None]
    if not some:
        return list(shapes)
    area, width = (median(s[k] for s in some) for k in ("log_area", "log_half_width"))
    return [
        None
        if s is None
        else {
            **s,
            "log_area_against_lid": s["log_area"] - area,
            "log_half_width_against_lid": s["log_half_width"] - width,
            "log_area_of_lid": area,
        }
        for s in shapes
    ]


@dataclass(frozen=True, eq=False)
class Model:
    """A multinomial logistic model over 1 … MOST seedlings, and the mass that a 90 % range must hold.

    ``crowded_mass`` is that for plants so large that the leaves of one hide those of the next.
    """

    features: tuple[str, ...]
    centre: Array
    scale: Array
    weights: Array
    leaves_weight: float
    range_mass: float
    crowded_mass: float

    def posterior(self, seen: dict[str, float], leaves: Array) -> Array:
        """(MOST,) probabilities of 1 … MOST seedlings, given that there is at least one.

        ``leaves`` (MOST,) are the log-probabilities that ``leaves.scores`` gives.
        """
        z = (np.array([seen[f] for f in self.features]) - self.centre) / self.scale
        score = self.weights @ np.append(np.clip(z, -4, 4), 1.0) + self.leaves_weight * leaves
        p = np.exp(score - score.max())
        return np.asarray(p / p.sum())


@cache
def shipped_model() -> Model:
    """The fitted model that ships with the package."""
    data = json.loads((shipped("calibration") / "counting.json").read_text(encoding="utf-8"))
    return Model(
        tuple(data["features"]),
        np.array(data["centre"]),
        np.array(data["scale"]),
        np.array(data["weights"]),
        float(data["leaves_weight"]),
        float(data["range_mass"]),
        float(data["crowded_mass"]),
    )


def posterior(
    seen: dict[str, float] | None, p_sprouted: float, *, leaves: Array = UNDECIDED, seeds: int | None = None
) -> Array:
    """(MOST + 1,) probabilities of 0 … MOST seedlings in a site.

    Parameters
    ----------
    seen:
        The site's features (see :func:`shape` and :func:`against_lid`), None where no tissue is seen.
    p_sprouted:
        Probability that there is at least one.
    leaves:
        What the network sees (see ``leaves.scores``), :data:`UNDECIDED` where it was not asked.
    seeds:
        Number of seeds sown, if known: no more seedlings than that.
    """
    # with nothing to count on, what was sown may all be there, few more likely than many
    up = 0.5 ** np.arange(MOST) if seen is None else shipped_model().posterior(seen, leaves)
    if seeds is not None and 1 <= seeds < MOST:
        up[seeds:] = 0
    up = up / up.sum()
    return np.concatenate([[1 - p_sprouted], p_sprouted * up])
