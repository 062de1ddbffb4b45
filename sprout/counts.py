"""Numbers of seedlings by their chances: the likeliest, and a range that holds the true one nine times in ten."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

CROWDED_CM2 = 10.0
"""Beyond this the leaves of one seedling hide those of the next: no more can its number be read off a photo."""
DOUBT = 0.1
"""What is less likely than this lies outside a range."""


def narrowest(p: Array, mass: float) -> tuple[int, int]:
    """The ends of the narrowest run of numbers around the likeliest that holds ``mass``."""
    low = high = int(p.argmax())
    while p[low : high + 1].sum() < mass and (low > 0 or high < len(p) - 1):
        down = p[low - 1] if low > 0 else -1.0
        up = p[high + 1] if high < len(p) - 1 else -1.0
        low, high = (low - 1, high) if down > up else (low, high + 1)
    return low, high


def number_and_range(p: Array, mass: float) -> tuple[int, int, int]:
    """Likeliest number, and between which numbers the true one lies nine times in ten.

    Parameters
    ----------
    p:
        (K + 1,) probabilities of 0 … K seedlings.
    mass:
        What of the numbers from 1 on must be held for that; that there are none at all is left out or is all that is
        left only if that is surer than nine in ten.
    """
    some = 1 - float(p[0])
    if some < DOUBT or len(p) == 1:
        return 0, 0, 0
    low, high = narrowest(p[1:] / some, mass)
    return int(p.argmax()), 0 if some < 1 - DOUBT else low + 1, high + 1
