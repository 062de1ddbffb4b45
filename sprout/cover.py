"""Whole-frame tissue of a photo with no lid in it: a microgreens tray, a seed bed, a pot.

Greenness says where leaves are, but not to the pixel where they end: cameras store colour at half the resolution of
brightness (4:2:0 subsampling, ITU-T T.81 and JFIF), so that green runs over the edge of a leaf into the dark beside it.
Every edge is therefore drawn a second time by red, green and blue together, brightness included. And not all of a plant
is green: stalks and hearts as brown as the soil, spots and shine on a leaf are told by what they hang together with, by
a small network (`calibration/cover.onnx`, fitted by `calibration/fit_cover.py` to drawn plants on drawn ground).
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from sprout import networks
from sprout.flags import join
from sprout.light import LUMINANCE, UNKNOWN, Lamp, burnt, lab, to_linear
from sprout.photo import Photo
from sprout.tissue import GREEN, YELLOW

PLANES = 5
"""Input planes of the network."""
_SURE_PLANT, _SURE_GROUND = 8.0, 2.0
"""Greenness (-a* in CIELAB) above and below which a pixel says what plants and ground look like around it."""
_LEAST, _MOST = 3.0, 12.0
"""Bounds on the threshold: with no plant in sight it must not sink into the ground's own spread."""
_SHARE = 0.4
"""Where between the greenness of the ground and of the greenest leaves around the edge of a leaf is put."""
_AROUND = 1 / 120
"""Radius of the surroundings that are looked at, in long sides of the picture."""
_YELLOW_HUE = 112.0
"""CIELAB hue angle in degrees below which tissue counts as yellowing."""
_CELL_PX, _CELLS = 2, 2
"""Side of a cell in which colours are averaged, and how many cells on each side a box reaches around an edge."""
_NOISE = 6e-4
"""Variance of encoded sRGB (0..1) within leaf or ground that tells nothing: grain, and what compression leaves."""
_SPECK_PX = 16
_GREEN_PART = 0.5
"""How much of what hangs together must be green for the rest of it to count: a pale tray is no plant."""
_BLOCK = 16
"""The network halves its input four times."""
_STRIP_PX, _SIGHT_PX = 24 * _BLOCK, 6 * _BLOCK
"""Height of a strip, and how far beyond it the network must see."""
_ODDS, _WEIGHT = 6.0, 6.0
"""Most log-odds that the network may give, and what a share of tissue that is whole weighs against one that is none."""
_EARTHEN = 0.85
"""Ratio of green to the mean of red and blue in the least green quarter of a frame of bare soil by daylight."""


def _lamp(rgb: npt.NDArray[np.uint8]) -> Lamp:
    """The light, from the least green quarter of the frame, if it is more magenta than soil by daylight can be.

    Soil, wood and trays are neither green nor magenta; whether they are warm or the lamp is cannot be told.
    """
    small = to_linear(cv2.resize(rgb, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA).reshape(-1, 3) / 255)
    small = np.maximum(small[(small.max(1) > 0.01) & (small.max(1) < 0.95)], 1e-3)
    if len(small) < 50:
        return UNKNOWN
    ratio = small[:, 1] / np.sqrt(small[:, 0] * small[:, 2])
    green = float(np.quantile(ratio, 0.125)) / _EARTHEN
    if green > 0.95:
        return UNKNOWN
    gains = np.array([1, 1 / max(green, 0.4), 1])
    gains /= gains @ LUMINANCE
    return Lamp((float(gains[0]), float(gains[1]), float(gains[2])), "ground")


def _mean_around(
    values: npt.NDArray[np.float32], weight: npt.NDArray[np.float32], usual: float, reach: int
) -> npt.NDArray[np.float32]:
    """Weighted mean of the values around each pixel; ``usual`` where there is next to no weight."""
    total, count = cv2.blur(values * weight, (reach, reach)), cv2.blur(weight, (reach, reach))
    return np.asarray((total + 2e-3 * usual) / (count + 2e-3), np.float32)


def _tent(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Mean around each cell, those near it counting most: two box filters are a tent."""
    size = (2 * _CELLS + 1,) * 2
    return np.asarray(cv2.blur(cv2.blur(values, size), size), np.float32)


def _redrawn(rgb: npt.NDArray[np.uint8], tissue: npt.NDArray[np.bool_]) -> npt.NDArray[np.float32]:
    """How much of each pixel (h, w) is tissue, with edges where the colours change, not only their greenness.

    Around each cell the share of tissue is regressed on red, green and blue (the linear model of the guided filter, He,
    Sun & Tang 2013, IEEE PAMI 35:1397-1409, eqs. 5, 6 and 19), which gives each pixel a share by its own colour.
    """
    h, w = tissue.shape
    size = (max(w // _CELL_PX, 1), max(h // _CELL_PX, 1))
    pixels = rgb.astype(np.float32) / 255
    colour = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(tissue.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mean, mean_share = _tent(colour), _tent(share)
    edge = (mean_share > 1e-3) & (mean_share < 1 - 1e-3)
    squares = _tent((colour[..., :, None] * colour[..., None, :]).reshape(*edge.shape, 9))[edge].reshape(-1, 3, 3)
    spread = squares - mean[edge][:, :, None] * mean[edge][:, None, :] + _NOISE * np.eye(3, dtype=np.float32)
    with_share = _tent(colour * share[..., None])[edge] - mean[edge] * mean_share[edge][:, None]
    slope = np.zeros_like(mean)
    slope[edge] = np.linalg.solve(spread, with_share[..., None])[..., 0]
    slope_and_offset = cv2.resize(np.dstack([slope, mean_share - (slope * mean).sum(-1)]), (w, h))
    return np.asarray((slope_and_offset[..., :3] * pixels).sum(-1) + slope_and_offset[..., 3], np.float32)


def planes(rgb: npt.NDArray[np.uint8], green: npt.NDArray[np.float32], reach: int) -> npt.NDArray[np.float32]:
    """The network's input, (PLANES, h, w): red, green, blue, where between ground and plants, share of tissue.

    Parameters
    ----------
    rgb:
        (h, w, 3) under corrected light.
    green:
        (h, w) greenness, -a* in CIELAB.
    reach:
        Side in pixels, an odd number, of the surroundings that say what plants and ground look like.
    """
    # weighed by how green they are, so that soft edges do not pass for pale plants
    plants = _mean_around(green, np.maximum(green - _SURE_PLANT, 0), 2 * _SURE_PLANT, reach)
    ground = _mean_around(green, (green < _SURE_GROUND).astype(np.float32), -_SURE_GROUND, reach)
    share = _redrawn(rgb, green > np.clip(ground + _SHARE * (plants - ground), _LEAST, _MOST))
    out = np.empty((PLANES, *green.shape), np.float32)
    np.multiply(rgb.transpose(2, 0, 1), np.float32(1 / 255), out=out[:3])
    out[3] = np.clip((green - ground) / np.maximum(plants - ground, _LEAST), -1, 2)
    out[4] = np.clip(share, -0.5, 1.5)
    return out


def _log_odds(given: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Log-odds (h, w) of plant by the network, looked at in strips: all at once would take 300 MiB more."""
    h, w = given.shape[1:]
    strips = []
    for top in range(0, h, _STRIP_PX):
        first = max(0, top - _SIGHT_PX)
        strip = given[:, first : top + _STRIP_PX + _SIGHT_PX]
        strip = np.pad(strip, ((0, 0), (0, -strip.shape[1] % _BLOCK), (0, -w % _BLOCK)), mode="edge")
        odds = networks.from_cells(networks.run("cover", networks.cells(strip)))[0]
        strips.append(odds[top - first :][:_STRIP_PX])
    return np.concatenate(strips)[:h, :w]


def _weighed(given: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """How surely each pixel (h, w) is plant, above 0 if it is: the network, upright and upside down, and the share.

    About edges the share knows better, of what hangs together the network does.
    """
    upside_down = np.flip(_log_odds(np.flip(given, (1, 2))), (0, 1))
    odds = np.clip((_log_odds(given) + upside_down) / 2, -_ODDS, _ODDS)
    return np.asarray(odds + _WEIGHT * (given[4] - 0.5), np.float32)


def cover(photo: Photo) -> tuple[npt.NDArray[np.uint8], float, float, float, str]:
    """Find plant tissue anywhere in the frame.

    A pixel is tissue if it is greener than the middle between the plants and the ground around it; where only one of
    them is near, a fixed value stands in for the other, so that bare ground and a closed canopy are both read right.
    The edges of what is found so are redrawn by colour and brightness together. What the network adds must hang
    together with as much that was found so, and counts as green: its own colour is no sign of yellowing.

    Returns
    -------
    classes:
        (H, W) uint8 at the photo's full size: 0 other, 1 green, 2 yellowing. On bare ground dried tissue cannot be told
        from soil, so class 3 is never given.
    cover_pct, yellow_pct, dry_pct:
        Share of the frame that is tissue; share of the tissue that is yellowing; NaN, see above.
    flags:
        ``glare`` if more than a hundredth of the frame is burnt out, ``faint`` if there is next to no tissue.
    """
    rgb = _lamp(photo.rgb).correct(photo.rgb)
    colours = lab(rgb)
    given = planes(rgb, -colours[..., 1], 2 * round(_AROUND * max(rgb.shape)) + 1)
    sure, green = _weighed(given), given[4] > 0.5
    plant = sure > 0
    _, patches = cv2.connectedComponents(plant.view(np.uint8), connectivity=8)
    green_part = np.bincount(patches.ravel(), green.ravel()) / np.maximum(np.bincount(patches.ravel()), 1)
    plant &= green | (green_part > _GREEN_PART)[patches]
    _, patches, stats, _ = cv2.connectedComponentsWithStats(plant.view(np.uint8), connectivity=8)
    kept = plant & (stats[:, cv2.CC_STAT_AREA] >= _SPECK_PX)[patches]
    yellow = green & (
        colours[..., 2] * np.cos(np.radians(_YELLOW_HUE)) < colours[..., 1] * np.sin(np.radians(_YELLOW_HUE))
    )
    # in twentieths, interpolated before they are judged: so edges are no stairs at full size
    full = (photo.width_px, photo.height_px)
    level = np.rint(np.clip(128 + 20 * np.where(kept, np.maximum(sure, 0.05), np.minimum(sure, -0.05)), 0, 255))
    plant = cv2.resize(level.astype(np.uint8), full, interpolation=cv2.INTER_LINEAR) > 128
    yellow = plant & (cv2.resize(yellow.view(np.uint8), full, interpolation=cv2.INTER_NEAREST_EXACT) > 0)
    classes = np.where(yellow, YELLOW, np.where(plant, GREEN, 0)).astype(np.uint8)
    found = int(kept.sum())
    notes = [name for name, told in (("glare", burnt(photo.rgb).mean() > 0.01), ("faint", 0 < found < 40)) if told]
    return (
        classes,
        100 * float(plant.mean()),
        100 * float(yellow.sum()) / float(plant.sum()) if found else float("nan"),
        float("nan"),
        join(*notes),
    )
