"""Can a photo be read at all: its blur and its exposure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from sprout.pyramid import Pyramid

# four stops below the white of a lid as phones expose it
NEARLY_BLACK = 56


@dataclass(frozen=True)
class Quality:
    """How usable a photo is.

    Attributes
    ----------
    blur_px:
        Estimated standard deviation of the blur, in working pixels; below about 1 it means sharp, infinite means
        that no edge was found at all.
    dark_pct, burnt_pct:
        Share of the frame that is nearly black, and that is clipped in at least two channels.
    """

    blur_px: float
    dark_pct: float
    burnt_pct: float


def judge(picture: Pyramid) -> Quality:
    """Blur and exposure of an sRGB picture, from a copy of at most 672 px."""
    import cv2

    from sprout.light import burnt
    from sprout.pyramid import smaller

    h, w = picture.size_px
    shrink = min(1.0, 672 / max(h, w))
    small = picture.sized((max(1, round(w * shrink)), max(1, round(h * shrink))))
    # averaged over blocks, so that the noise of a dark photo does not pass for light
    light = smaller(small, (max(1, small.shape[1] // 4), max(1, small.shape[0] // 4)))
    dark = cv2.inRange(light, (0, 0, 0), (NEARLY_BLACK - 1,) * 3)
    blur = _blur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32), shrink)
    dark_pct, burnt_pct = (100 * np.count_nonzero(mask) / mask.size for mask in (dark, burnt(small)))
    return Quality(blur, dark_pct, burnt_pct)


def _blur(grey: npt.NDArray[np.float32], shrink: float) -> float:
    """Standard deviation of the blur, in pixels of the picture that ``grey`` is a ``shrink``-sized copy of.

    Across a step edge of width s, a Gaussian of width a leaves a gradient proportional to 1 / sqrt(s^2 + a^2), so
    the ratio of the gradients after two known blurs gives s (Zhuo & Sim 2011, "Defocus map estimation from a single
    image"). Both blurs are wide enough to silence noise, and the strongest edges weigh most, so bare tables do not
    matter. Camera shake widens only the edges across it: the answer is the widest of eight edge directions that a
    neighbouring direction bears out.
    """
    import cv2

    narrow, wide, n_directions, n_steps, margin = 0.8, 2.4, 8, 4000, 6

    soft, softer = (cv2.GaussianBlur(grey, (0, 0), sigma) for sigma in (narrow, wide))
    inner = softer[margin - 1 : 1 - margin, margin - 1 : 1 - margin]
    # differences across two pixels, all twice the gradient
    x, y = inner[1:-1, 2:] - inner[1:-1, :-2], inner[2:, 1:-1] - inner[:-2, 1:-1]
    strength = cv2.magnitude(x, y)
    beside, below = (strength >= cv2.dilate(strength, np.ones(size, np.uint8)) for size in ((1, 3), (3, 1)))
    steep = np.abs(x) > np.abs(y)
    crest = np.flatnonzero((strength > 2) & (beside & steep | below & ~steep))
    s, wx, wy = (a.ravel()[crest] for a in (strength, x, y))
    across = grey.shape[1]
    row, column = np.divmod(crest, strength.shape[1])
    at = (row + margin) * across + column + margin
    nx, ny = (soft.ravel()[at + step] - soft.ravel()[at - step] for step in (1, across))
    ratio2 = np.maximum((nx * wx + ny * wy) / s**2, 1.0001) ** 2
    of_difference = 1 / 3  # variance of the central difference itself, a box two pixels wide
    of_shrinking = (1 / shrink**2 - 1) / 12  # and of averaging over the pixels that became one
    variance = (wide**2 + of_difference - ratio2 * (narrow**2 + of_difference)) / (ratio2 - 1)
    sigma = np.sqrt(np.maximum(variance / shrink**2 - of_shrinking, 0))

    # the weighted quantile of each direction, from a histogram in steps of a hundredth of a pixel
    direction = np.round(np.arctan2(wy, wx) / np.pi * n_directions).astype(int) % n_directions
    step = np.minimum(sigma * 100, n_steps - 1).astype(int)
    weight = np.bincount(direction * n_steps + step, s, n_directions * n_steps).reshape(n_directions, n_steps).cumsum(1)
    widths = (weight < 0.4 * weight[:, -1:]).sum(1) / 100
    widths[np.bincount(direction, minlength=n_directions) < 50] = np.nan
    borne_out = np.fmin(widths, np.roll(widths, 1))
    known = borne_out[np.isfinite(borne_out)]
    return float(known.max()) if len(known) else math.inf
