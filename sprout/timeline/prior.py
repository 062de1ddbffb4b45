"""What is expected of a sown plug before anybody has looked: when its seeds come up, and how many ever do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sprout.plugs import Sowing

if TYPE_CHECKING:
    from sprout.calibration import Crop

FloatArray = npt.NDArray[np.float64]

# Sites are alike but not equal (one sponge sits drier than the next): intra-site correlation of the seeds' fate.
# The values of fresh seed in cell trays are of this order (from memory).
_CORRELATION = 0.3
_DONE_BY_FINAL_COUNT = 0.95  # share of the seeds that will come up which the final count finds up


@dataclass(frozen=True, eq=False)
class Prior:
    """Expectation for the germs of one plug.

    Attributes
    ----------
    germs:
        Seedlings that can come up at most: seeds times seedlings per seed.
    median_days, shape:
        Log-logistic time of emergence of those that ever come up: F(t) = 1 / (1 + (t / median) ** -shape).
    share:
        (m,) the share of germs that ever come up, as a few equally likely values of a beta distribution.
    """

    germs: int
    median_days: float
    shape: float
    share: FloatArray

    def up_by(self, day: float) -> float:
        """Share of the germs that ever come up which are up by this day after sowing."""
        return 0.0 if day <= 0 else 1 / (1 + (day / self.median_days) ** -self.shape)


@cache
def prior_for(sowing: Sowing, *, temperature_c: float | None = None) -> Prior:
    """The expectation that the crop's germination calendar gives.

    The median is set midway between the first count (half the final one where there is none) and half the final
    count; at a known temperature the published days to emergence replace it. The calendars count seedlings that can
    be judged, so this is a broad prior on purpose. The share is that of seed a little better than the law asks for.

    Raises
    ------
    UsageError
        If the crop is not known.
    """
    from sprout.calibration import emergence_days, find_crop

    crop = find_crop(sowing.crop)
    final = float(crop.final_count_day)
    median = ((crop.first_count_day or final / 2) + final / 2) / 2
    if temperature_c is not None and (published := emergence_days(crop, temperature_c)) is not None:
        final *= published / median
        median = published
    shape = math.log(_DONE_BY_FINAL_COUNT / (1 - _DONE_BY_FINAL_COUNT)) / math.log(final / median)
    return Prior(sowing.seeds * crop.seedlings_per_seed, median, shape, _shares(_germ_share(crop)))


def _germ_share(crop: Crop) -> float:
    least = (crop.germination_min_pct or 60.0) / 100
    fruit = least + (1 - least) / 2
    return 1 - float((1 - fruit) ** (1 / crop.seedlings_per_seed))  # the law counts a fruit or ball once


def _shares(mean: float) -> FloatArray:
    from scipy.special import betaincinv

    spread = 1 / _CORRELATION - 1
    middles = (np.arange(7) + 0.5) / 7
    return np.asarray(betaincinv(mean * spread, (1 - mean) * spread, middles))
