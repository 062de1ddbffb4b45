"""Sudden losses of leaf: pickings, matched with the grower's notes, and losses nobody noted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_LOSS = 0.4  # share of the leaf that must go at once; less is noise, shade or a leaf turned edge on
_LEAST_CM2 = 1.0
_RATE_DAYS = 3  # nearer looks tell noise from growth badly
_NOTE_DAYS = 1  # a note may be a day off the looks it falls between


@dataclass(frozen=True)
class Loss:
    """Leaf that went between two looks.

    Attributes
    ----------
    after, by:
        The last look before it and the first one that shows it.
    share:
        Share of the leaf that went, 0 to 1.
    lost_cm2:
        The same as an area.
    picked_on:
        The noted picking that explains it, None if none was noted.
    sure:
        Whether two more looks confirm it; a single low reading may be a bad photo.
    """

    after: date
    by: date
    share: float
    lost_cm2: float
    picked_on: date | None
    sure: bool


def losses(looked: Sequence[date], areas_cm2: npt.ArrayLike, *, picks: Iterable[date] = ()) -> tuple[Loss, ...]:
    """Sudden losses in one plug's series, in order of time.

    Up to four looks before and three after are brought to the day of the step by their common rate of growth (median
    of the slopes between looks of one side: Sen 1968, JASA 63:1379-1389) and their medians compared, so that neither
    growth between the looks nor a single bad reading decides. Where a picking was noted, half the loss suffices.

    Parameters
    ----------
    looked, areas_cm2:
        Dates of the looks in order, and the leaf area at each in cm2 (NaN: not measured).
    picks:
        Dates on which the grower noted a picking of this plug.
    """
    area = np.asarray(areas_cm2, dtype=float)
    measured = np.flatnonzero(np.isfinite(area) & (area > 0)).tolist()
    dates, size = [looked[k] for k in measured], np.log(area[measured])
    day = np.array([(d - dates[0]).days for d in dates], dtype=float)
    noted = sorted(picks)
    found: list[Loss] = []
    start = 0
    for k in range(1, size.size):
        before, after = slice(max(start, k - 4), k), slice(k, k + 3)
        rate = _rate([(day[side], size[side]) for side in (slice(max(start, k - 8), k), slice(k, k + 4))])
        high, low = size[before] + rate * (day[k] - day[before]), size[after] - rate * (day[after] - day[k])
        level = median(high)
        change = median(low) - level
        share, lost = 1 - float(np.exp(change)), float(np.exp(level) - np.exp(level + change))
        pick = _explaining(noted, dates[k - 1], dates[k], {loss.picked_on for loss in found})
        # no look after it has the leaf again, and the look before it had it still
        lasting = low.max() < level + change / 2 and high[-1] > level + change / 2
        if share < (_LOSS / 2 if pick else _LOSS) or lost < _LEAST_CM2 or not lasting:
            continue
        found.append(Loss(dates[k - 1], dates[k], share, lost, pick, sure=k + 2 < size.size))
        start = k
    return tuple(found)


def _rate(sides: Sequence[tuple[FloatArray, FloatArray]]) -> float:
    """Median growth per day between looks of one side, not negative; 0 where too few looks tell."""
    slopes = [
        (size[j] - size[i]) / (day[j] - day[i])
        for day, size in sides
        for i in range(day.size)
        for j in range(i + 1, day.size)
        if day[j] - day[i] >= _RATE_DAYS
    ]
    return max(0.0, median(slopes)) if len(slopes) > 2 else 0.0


def _explaining(noted: Sequence[date], after: date, by: date, used: set[date | None]) -> date | None:
    """The first noted picking that falls between two looks and explains no earlier loss."""
    for pick in noted:
        if pick not in used and (after - pick).days <= _NOTE_DAYS and (pick - by).days <= _NOTE_DAYS:
            return pick
    return None
