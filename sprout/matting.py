"""Edges of leaves, finer than the network sees them.

Where a leaf's edge crosses a pixel, the light of the two mixes in proportion to the share of each. Within a few pixels
the share is therefore a linear function of linear RGB: the guided image filter (He, Sun & Tang 2013, IEEE PAMI
35:1397-1409, eqs. 5 to 8 and 19) fits that function to a coarse guess of the share, on a coarser grid as in He & Sun
2015 (arXiv:1505.00996), and gives the share of leaf in every pixel.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from sprout.light import Picture, to_linear

Float32 = npt.NDArray[np.float32]

_STEP = 2
"""Side of the coarse grid's cells, in pixels."""
_RADIUS = 3
"""Cells on each side over which one linear function holds."""
_SMOOTH = 2e-4
"""Variance of linear light below which a difference in colour tells nothing."""


def _box(a: Float32) -> Float32:
    return np.asarray(cv2.blur(a, (2 * _RADIUS + 1, 2 * _RADIUS + 1)), np.float32)


def leaf_share(rgb: Picture, guess: Float32) -> Float32:
    """Share of leaf in each pixel, (h, w) float32, about 0 to 1.

    Parameters
    ----------
    rgb:
        (h, w, 3) uint8 sRGB.
    guess:
        (h, w) float32, a coarse guess of the same, 0 to 1.
    """
    h, w = guess.shape
    table = to_linear(np.arange(256) / 255).astype(np.float32)
    light = np.asarray(cv2.LUT(rgb, table), np.float32)
    cells = (-(-w // _STEP), -(-h // _STEP))
    coarse = np.asarray(cv2.resize(light, cells, interpolation=cv2.INTER_AREA), np.float32)
    p = np.asarray(cv2.resize(guess, cells, interpolation=cv2.INTER_AREA), np.float32)
    mean, mean_p = _box(coarse), _box(p)
    with_p = _box(coarse * p[..., None]) - mean * mean_p[..., None]
    r, g, b = cv2.split(coarse)
    mr, mg, mb = cv2.split(mean)
    rr, gg, bb = (_box(x * x) - m * m + np.float32(_SMOOTH) for x, m in ((r, mr), (g, mg), (b, mb)))
    rg, rb, gb = (_box(x * y) - m * n for x, m, y, n in ((r, mr, g, mg), (r, mr, b, mb), (g, mg, b, mb)))
    # the covariance matrix inverted by its cofactors, for all cells at once
    c_rr, c_rg, c_rb = gg * bb - gb * gb, rb * gb - rg * bb, rg * gb - rb * gg
    c_gg, c_gb, c_bb = rr * bb - rb * rb, rb * rg - rr * gb, rr * gg - rg * rg
    determinant = rr * c_rr + rg * c_rg + rb * c_rb
    pr, pg, pb = cv2.split(with_p)
    slope = cv2.merge(
        [
            (c_rr * pr + c_rg * pg + c_rb * pb) / determinant,
            (c_rg * pr + c_gg * pg + c_gb * pb) / determinant,
            (c_rb * pr + c_gb * pg + c_bb * pb) / determinant,
        ]
    )
    offset = mean_p - np.einsum("hwk,hwk->hw", slope, mean)
    fine = cv2.resize(_box(slope), (w, h), interpolation=cv2.INTER_LINEAR)
    share = np.einsum("hwk,hwk->hw", fine, light)
    share += cv2.resize(_box(offset), (w, h), interpolation=cv2.INTER_LINEAR)
    return np.asarray(share, np.float32)
