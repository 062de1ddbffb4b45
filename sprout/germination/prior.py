"""What is known of a crop's germination before a single plug has been looked at, and what earlier grows taught.

Four numbers describe a grow of one crop: logit of the chance that a germ comes up at all, log of the median day of
those that do, log of the slope of the log-logistic curve of days, logit of the correlation between the germs of one
site. A germ is one potential seedling: a seed, or one of the several in a fruit or ball.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, sqrt
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import logit

from sprout.calibration import crops, emergence_days, emergence_pct
from sprout.germination.sites import chance_per_embryo

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sprout.calibration import Crop
    from sprout.germination.onsets import Onset

FloatArray = npt.NDArray[np.float64]

_ROOM_C = 21.0  # taken where nobody gave a temperature
# Fresh seed stands a third of the way from the least that the law allows to all, lots far apart (common practice).
_ABOVE_LEAST, _SHARE_SPREAD = 1 / 3, 0.8
_LEAST = 0.53  # where no law names one
# Median day over the geometric mean of the test calendar's first and final day: mean of the logs over the crops
# that both tables have (computed from 7 CFR 201.58 and Harrington & Minges 1954; spread 0.42).
_DAY_TO_CALENDAR = log(0.63)
# Slope: 6 means that nine tenths are up at twice the day of the first tenth (from memory: 3 to 20 in the literature).
_SLOPE = log(6.0)
# Correlation between seeds of a site: 0.01 to 0.1 in plates (Crowder 1978), more where sponges dry unevenly.
_CORRELATION = float(logit(0.06))
# Spread between grows of one crop by one grower, as standard deviations; other seed, other corner of the house.
_BETWEEN_GROWS = np.array([0.55, 0.20, 0.25, 0.5])


@dataclass(frozen=True, eq=False)
class Prior:
    """Normal prior of the four numbers of a grow.

    Attributes
    ----------
    crop:
        Name of the crop.
    embryos:
        Germs per sown seed.
    final_day:
        The seed-testing calendar's final count day.
    mean:
        (4,) logit share, log median day, log slope, logit correlation.
    habit:
        (4, 4) covariance of what is not known about this crop in this grower's hands.
    between:
        (4, 4) covariance between such grows.
    grows:
        Number of earlier grows it has learned from.
    """

    crop: str
    embryos: int
    final_day: int
    mean: FloatArray
    habit: FloatArray
    between: FloatArray
    grows: int = 0

    @property
    def covariance(self) -> FloatArray:
        """(4, 4) of the grow to come."""
        return self.habit + self.between


def prior_of(crop: Crop, *, temperature_c: float | None = None) -> Prior:
    """Prior from the crop calendar and the table of emergence by temperature.

    The share starts from the least germination at which seed of the crop may be sold, the day from the days to
    emergence at the temperature (in C; about 21 C and a wider spread if not known), or for crops without such a table
    from the calendar, moved by the temperature as the tabled crops are on average. Where few seedlings of the crop
    came up at that temperature, the share is lower too.
    """
    known = temperature_c is not None
    temperature = _ROOM_C if temperature_c is None else float(temperature_c)
    least = _LEAST if crop.germination_min_pct is None else crop.germination_min_pct / 100
    share = chance_per_embryo(least + _ABOVE_LEAST * (1 - least), crop.seedlings_per_seed)
    middle = float(logit(share)) + (_heat_effect(crop, temperature) if known else 0.0)
    first = crop.first_count_day or max(2.0, crop.final_count_day / 3)
    by_calendar = _DAY_TO_CALENDAR + log(sqrt(first * crop.final_count_day))
    days = emergence_days(crop, temperature)
    if days is not None:
        # one day for a first sign above the sponge at least; the calendar keeps a say, the tables disagree
        day, spread = 0.75 * log(max(days, 2.0) + 0.5) + 0.25 * (by_calendar + _delay(temperature)), 0.33
    else:
        day, spread = by_calendar + _delay(temperature), 0.42
    spreads = np.array([_SHARE_SPREAD, spread if known else sqrt(spread**2 + 0.2**2), 0.55, 1.1])
    between = np.minimum(_BETWEEN_GROWS, 0.9 * spreads)
    return Prior(
        crop=crop.name,
        embryos=crop.seedlings_per_seed,
        final_day=crop.final_count_day,
        mean=np.array([middle, day, _SLOPE, _CORRELATION]),
        habit=np.diag(spreads**2 - between**2),
        between=np.diag(between**2),
    )


def learned(prior: Prior, earlier: Sequence[Sequence[Onset]]) -> Prior:
    """Prior for the next grow after earlier grows of the same crop, each given as its plugs' onsets.

    Grows vary about the grower's habit with covariance T = ``between``; habit has covariance M = ``habit``. With a
    grow's posterior N(m1, C1) under the prior N(m0, M + T) and G = M (M + T)^-1, the habit becomes
    N(m0 + G (m1 - m0), M - G M + G C1 G'). Grows may come in any order, but the approximation is normal.
    """
    from sprout.germination.posterior import posterior

    for grow in earlier:
        plugs = [o for o in grow if o.crop == prior.crop]
        if not plugs:
            continue
        after = posterior(plugs, prior)
        mean, covariance = after.moments()
        gain = prior.habit @ np.linalg.inv(prior.covariance)
        habit = prior.habit - gain @ prior.habit + gain @ covariance @ gain.T
        prior = replace(
            prior, mean=prior.mean + gain @ (mean - prior.mean), habit=(habit + habit.T) / 2, grows=prior.grows + 1
        )
    return prior


def _delay(temperature_c: float) -> float:
    """Log of days to emergence against 20 C, mean over the crops of the emergence table."""
    at = min(max(temperature_c, 5.0), 30.0)
    pairs = ((emergence_days(crop, at), emergence_days(crop, 20.0)) for crop in crops().values())
    logs = [log(here / there) for here, there in pairs if here and there]
    return sum(logs) / len(logs)


def _heat_effect(crop: Crop, temperature_c: float) -> float:
    """Shift of the logit share by a temperature that few seedlings of the crop stand; half of what the table says."""
    pct = emergence_pct(crop, temperature_c)
    best = max((e.pct for e in crop.emergence if e.pct is not None), default=None)
    if pct is None or best is None:
        return 0.0
    here, there = (float(logit(min(max(x / 100, 0.03), 0.97))) for x in (pct, best))
    return max(0.5 * (here - there), -2.0)


def median_day(prior: Prior) -> float:
    """Median day of emergence that the prior expects, in days after sowing."""
    return exp(float(prior.mean[1]))
