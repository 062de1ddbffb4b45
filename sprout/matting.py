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

_STEP = 3
"""Side of the coarse grid's cells, in pixels."""
_RADIUS = 2
"""Cells on each side over which one linear function holds."""
_SMOOTH = 2e-4
"""Variance of linear light below which a difference in colour tells nothing."""
_CLEAR = 0.15
"""A cell is clear where the guess differs by no more than this from none or all leaf, all around."""
_LINEAR = to_linear(np.arange(256) / 255).astype(np.float32)


def _box(a: Float32) -> Float32:
    return np.asarray(cv2.blur(a, (2 * _RADIUS + 1, 2 * _RADIUS + 1)), np.float32)


def _mixing(light: Float32, p: Float32) -> tuple[Float32, Float32]:
    """Slopes (h, w, 3) and offset (h, w) of the linear function that gives ``p`` from ``light`` around each cell."""
    mean, mean_p = _box(light), _box(p)
    with_p = _box(light * p[..., None]) - mean * mean_p[..., None]
    rr, gg, bb = cv2.split(_box(light * light) - mean * mean + np.float32(_SMOOTH))
    turned, mean_turned = (np.roll(a, -1, axis=2) for a in (light, mean))
    rg, gb, rb = cv2.split(_box(light * turned) - mean * mean_turned)
    # the covariance matrix inverted by its cofactors, for all cells at once
    c_rr, c_rg, c_rb = gg * bb - gb * gb, rb * gb - rg * bb, rg * gb - rb * gg
    c_gg, c_gb, c_bb = rr * bb - rb * rb, rb * rg - rr * gb, rr * gg - rg * rg
    scale = 1 / (rr * c_rr + rg * c_rg + rb * c_rb)
    pr, pg, pb = cv2.split(with_p)
    slope = cv2.merge(
        [
            (c_rr * pr + c_rg * pg + c_rb * pb) * scale,
            (c_rg * pr + c_gg * pg + c_gb * pb) * scale,
            (c_rb * pr + c_gb * pg + c_bb * pb) * scale,
        ]
    )
    return _box(slope), _box(mean_p - (slope * mean).sum(-1))


def leaf_share(rgb: Picture, guess: Float32) -> Float32:
    """Share of leaf in each pixel, (h, w) float32, about 0 to 1.

    Parameters
    ----------
    rgb:
        (h, w, 3) uint8 sRGB.
    guess:
        float32, a coarse guess of the same, 0 to 1, on any grid that spans the picture.
    """
    h, w = rgb.shape[:2]
    rows, columns = -(-h // _STEP), -(-w // _STEP)
    padded = cv2.copyMakeBorder(rgb, 0, rows * _STEP - h, 0, columns * _STEP - w, cv2.BORDER_REPLICATE)
    x, y = _STEP * guess.shape[1] / w, _STEP * guess.shape[0] / h
    of_cell = np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    p = cv2.warpAffine(guess, of_cell, (columns, rows), flags=how, borderMode=cv2.BORDER_REPLICATE)
    around = np.ones((2 * _RADIUS + 1,) * 2, np.uint8)
    edge = (cv2.dilate(p, around) > _CLEAR) & (cv2.erode(p, around) < 1 - _CLEAR)
    share = np.repeat(np.repeat(p, _STEP, 0), _STEP, 1)
    left, top, wide, high = cv2.boundingRect(edge.view(np.uint8))
    if wide:
        reach = 2 * _RADIUS  # what cells on the edge depend on
        some = np.s_[max(0, top - reach) : top + high + reach, max(0, left - reach) : left + wide + reach]
        small = cv2.resize(padded, (columns, rows), interpolation=cv2.INTER_AREA)[some]
        slope, offset = _mixing(np.asarray(cv2.LUT(small, _LINEAR), np.float32), p[some])
        # every cell of the edge is a block of pixels that one linear function holds for
        blocks = (rows, _STEP, columns, _STEP)
        at = np.take(_LINEAR, padded.reshape(*blocks, 3).swapaxes(1, 2)[edge])
        slope, offset = slope[edge[some]][:, None, None], offset[edge[some]][:, None, None]
        share.reshape(blocks).swapaxes(1, 2)[edge] = sum(at[..., k] * slope[..., k] for k in range(3)) + offset
    return share[:h, :w]
