"""Whole-frame tissue of a photo with no lid in it: a microgreens tray, a seed bed, a pot."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from sprout.flags import join
from sprout.light import LUMINANCE, UNKNOWN, Lamp, burnt, lab, to_linear
from sprout.photo import Photo
from sprout.tissue import GREEN, YELLOW

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
_SPECK_PX = 16
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


def cover(photo: Photo) -> tuple[npt.NDArray[np.uint8], float, float, float, str]:
    """Find plant tissue anywhere in the frame.

    A pixel is tissue if it is greener than the middle between the plants and the ground around it; where only one of
    them is near, a fixed value stands in for the other, so that bare ground and a closed canopy are both read right.

    Returns
    -------
    classes:
        (h, w) uint8 on the working pixels: 0 other, 1 green, 2 yellowing. On bare ground dried tissue cannot be told
        from soil, so class 3 is never given.
    cover_pct, yellow_pct, dry_pct:
        Share of the frame that is tissue; share of the tissue that is yellowing; NaN, see above.
    flags:
        ``glare`` if more than a hundredth of the frame is burnt out, ``faint`` if there is next to no tissue.
    """
    colours = lab(_lamp(photo.rgb).correct(photo.rgb))
    green = -colours[..., 1]
    reach = 2 * round(_AROUND * max(green.shape)) + 1
    # weighed by how green they are, so that soft edges do not pass for pale plants
    plants = _mean_around(green, np.maximum(green - _SURE_PLANT, 0), 2 * _SURE_PLANT, reach)
    ground = _mean_around(green, (green < _SURE_GROUND).astype(np.float32), -_SURE_GROUND, reach)
    tissue = green > np.clip(ground + _SHARE * (plants - ground), _LEAST, _MOST)
    _, patches, stats, _ = cv2.connectedComponentsWithStats(tissue.astype(np.uint8), connectivity=8)
    kept = stats[:, cv2.CC_STAT_AREA] >= _SPECK_PX
    kept[0] = False
    tissue = kept[patches]
    yellow = tissue & (
        colours[..., 2] * np.cos(np.radians(_YELLOW_HUE)) < colours[..., 1] * np.sin(np.radians(_YELLOW_HUE))
    )
    classes = np.where(yellow, YELLOW, np.where(tissue, GREEN, 0)).astype(np.uint8)
    found = int(tissue.sum())
    notes = [name for name, told in (("glare", burnt(photo.rgb).mean() > 0.01), ("faint", 0 < found < 40)) if told]
    return (
        classes,
        100 * found / tissue.size,
        100 * float(yellow.sum()) / found if found else float("nan"),
        float("nan"),
        join(*notes),
    )
