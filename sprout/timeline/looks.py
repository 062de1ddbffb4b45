"""One look at a plug, and what it says of every state the plug may be in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
import numpy.typing as npt

from sprout.counts import CROWDED_CM2

FloatArray = npt.NDArray[np.float64]

HONEST, SHOWING, BLIND = range(3)
_MISREAD = 0.02  # a single photo of a plain site is misread no more rarely than this, whatever it says of itself
_FOOLED_LOOKS = 0.9  # a fooled look shows the wrong thing this often
_FALSE_CM2, _OVERHUNG_CM2 = 1.0, 8.0  # tissue that moss or a sticker, and that a neighbour's leaf, commonly passes for
_COUNT_POWER = 0.5  # counting errors repeat from photo to photo, so a count weighs half
_BY_HAND = 0.97  # a count by eye is right this often
SHOWS_FROM = 0.3
_NEVER = 1e-30  # likelihood of what a correction rules out


@dataclass(frozen=True)
class Look:
    """The evidence of one moment on one plug.

    Attributes
    ----------
    day:
        Whole days since the plug was sown.
    p_sprouted:
        The photo's probability, NaN where the photo says nothing (hidden, unread, or no photo).
    seedlings, low, high:
        The photo's count and its range, NaN where there is none.
    tissue_cm2:
        NaN where not measured.
    overhung:
        Whether a neighbour's leaves reach the site.
    moved:
        Whether the plug stands elsewhere than at the look before.
    by_hand:
        Counts made by eye.
    fixed:
        Corrected number of seedlings as (least, most), None if not corrected.
    """

    day: float
    p_sprouted: float = nan
    seedlings: float = nan
    low: float = nan
    high: float = nan
    tissue_cm2: float = nan
    overhung: bool = False
    moved: bool = False
    by_hand: tuple[int, ...] = ()
    fixed: tuple[int, int] | None = None

    @property
    def shows(self) -> bool:
        """Whether this look by itself speaks for a seedling, be it faintly."""
        if self.fixed is not None:
            return self.fixed[0] > 0
        return self.p_sprouted >= SHOWS_FROM or any(self.by_hand)


def emissions(looks: Sequence[Look], germs: int) -> FloatArray:
    """(looks, 3, K + 1) likelihood of what each look says, given the state."""
    numbers = np.arange(germs + 1)
    p_sprouted = np.array([look.p_sprouted for look in looks])
    overhung = np.array([look.overhung for look in looks])
    tissue = np.nan_to_num(np.array([look.tissue_cm2 for look in looks]))
    seen = np.clip(p_sprouted, _MISREAD, 1 - _MISREAD)
    count = _count_likelihoods(looks, germs)
    wrongly_seen = _FOOLED_LOOKS * seen + (1 - _FOOLED_LOOKS) * (1 - seen)
    passes = np.exp(-tissue / np.where(overhung, _OVERHUNG_CM2, _FALSE_CM2))
    out = np.empty((len(looks), 3, germs + 1))
    out[..., 0], out[..., 1:] = (1 - seen)[:, None], (seen[:, None] * count)[:, None]
    of_one = count[:, 0] if germs else 1.0
    out[:, SHOWING, 0] = np.maximum(wrongly_seen * of_one * passes, _MISREAD * (1 - seen))
    out[:, BLIND, 1:] = (_FOOLED_LOOKS * (1 - seen))[:, None] + ((1 - _FOOLED_LOOKS) * seen)[:, None] * count
    out[np.isnan(p_sprouted)] = 1.0
    for k, look in enumerate(looks):
        if look.fixed is not None:
            least, most = look.fixed
            out[k] = np.where((numbers >= least) & (numbers <= most), 1.0, _NEVER)
            continue
        for n in look.by_hand:
            near = np.full(germs + 1, (1 - _BY_HAND) / (germs + 1))
            near[n] += _BY_HAND
            out[k] *= near
    return out


def _count_likelihoods(looks: Sequence[Look], germs: int) -> FloatArray:
    """(looks, K) likelihood of each count given 1…K seedlings, its largest value 1; flat if nothing was counted."""
    if not germs:
        return np.ones((len(looks), 0))
    seedlings, low, high = np.array([(look.seedlings, look.low, look.high) for look in looks]).T
    # the range holds 90 %: +- 1.645 standard deviations, of which counting whole seedlings leaves at least a third
    # that there may be none widens a range, but says nothing of how many they are if there are some
    down = np.maximum((seedlings - np.where(np.isnan(low), seedlings, np.maximum(low, 1))) / 1.645, 0.35)[:, None]
    up = np.maximum((np.where(np.isnan(high), seedlings, high) - seedlings) / 1.645, 0.35)[:, None]
    off = np.arange(1, germs + 1) - seedlings[:, None]
    z = off / np.where(off < 0, down, up)
    likelihood = (0.97 * np.exp(-(z**2) / 2) + 0.03) ** _COUNT_POWER
    counted = seedlings >= 1
    crowded = np.array([look.tissue_cm2 for look in looks]) > CROWDED_CM2
    # of crowded plants the number is better known from earlier; if it is not, any count is better than none
    if (counted & ~crowded).any():
        counted &= ~crowded
    return np.where(counted[:, None], likelihood / likelihood.max(1, keepdims=True), 1.0)
