"""Classical germination indices.

Throughout, ``times`` are the days (or hours) of the events, strictly increasing, and ``counts`` the numbers newly
germinated at them: n_i at t_i, with G = Σ n_i. A seed found up this morning came up between two looks, so times
should be the middles of the intervals between looks (:func:`midpoints`); dated at the look that found it, every
time-based index is late by about half an interval. Formulas as collected by Ranal & Santana 2006, Rev. Bras. Bot.
29:1-11. With no germination (G = 0) an index that divides by G is NaN.
"""

from __future__ import annotations

from math import nan
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def midpoints(looks: npt.ArrayLike, *, start: float = 0.0) -> FloatArray:
    """Middles of the intervals that end at the ``looks``, the first beginning at ``start``; same unit as the looks."""
    ends = np.asarray(looks, dtype=float)
    return np.asarray((ends + np.concatenate([[start], ends[:-1]])) / 2)


def _events(times: npt.ArrayLike, counts: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    t, n = np.asarray(times, dtype=float), np.asarray(counts, dtype=float)
    if t.shape != n.shape or t.ndim != 1:
        raise ValueError("times and counts must be two lists of one length")
    if np.any(n < 0):
        raise ValueError("counts must not be negative")
    if np.any(np.diff(t) <= 0) or np.any(t <= 0):
        raise ValueError("times must be positive and increase")
    return t, n


def final_germination_pct(counts: npt.ArrayLike, seeds: float) -> float:
    """100 G / N, in % of the seeds sown (ISTA Rules, chapter 5)."""
    return float(100 * np.sum(np.asarray(counts, dtype=float)) / seeds) if seeds else nan


def mean_germination_time(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """MGT = Σ n_i t_i / G, in the unit of ``times`` (Ellis & Roberts 1981, Seed Sci. Technol. 9:373-409)."""
    t, n = _events(times, counts)
    return float(n @ t / n.sum()) if n.sum() else nan


def variance_of_time(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """Σ n_i (t_i - MGT)² / (G - 1), in the square of the unit of ``times`` (Ranal & Santana 2006)."""
    t, n = _events(times, counts)
    if n.sum() < 2:
        return nan
    return float(n @ (t - mean_germination_time(t, n)) ** 2 / (n.sum() - 1))


def mean_rate(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """1 / MGT, per unit of ``times`` (Labouriau 1983)."""
    return 1 / mean_germination_time(times, counts)


def coefficient_of_velocity(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """100 G / Σ n_i t_i = 100 / MGT, in % per unit of ``times`` (Kotowski 1926, Proc. ASHS 23:176-184)."""
    return 100 * mean_rate(times, counts)


def speed(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """Σ n_i / t_i, in seeds per unit of ``times`` (Maguire 1962, Crop Sci. 2:176-177)."""
    t, n = _events(times, counts)
    return float(np.sum(n / t))


def _t50(times: npt.ArrayLike, counts: npt.ArrayLike, *, more: int) -> float:
    t, n = _events(times, counts)
    total = n.sum()
    if total == 0:
        return nan
    half, cumulative = (total + more) / 2, np.cumsum(n)
    j = int(np.argmax(cumulative >= half - 1e-9))
    if j == 0:
        return float(t[0])
    return float(t[j - 1] + (half - cumulative[j - 1]) * (t[j] - t[j - 1]) / (cumulative[j] - cumulative[j - 1]))


def t50_coolbear(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """Time at which the (G+1)/2-th of the germinated seeds came up, interpolated between looks.

    The median of the seeds that germinated, not of those sown. Coolbear, Francis & Grierson 1984, J. Exp. Bot.
    35:1609-1617. If half of them are up at the first look, that look's time.
    """
    return _t50(times, counts, more=1)


def t50_farooq(times: npt.ArrayLike, counts: npt.ArrayLike) -> float:
    """As :func:`t50_coolbear` with G/2; Farooq et al. 2005, J. Integr. Plant Biol. 47:187-193."""
    return _t50(times, counts, more=0)


def uncertainty(counts: npt.ArrayLike) -> float:
    """U = -Σ f_i log2 f_i with f_i = n_i / G, in bit, 0 to log2 G (Labouriau & Valadares 1976)."""
    n = np.asarray(counts, dtype=float)
    if n.sum() == 0:
        return nan
    f = n[n > 0] / n.sum()
    return float(abs(np.sum(f * np.log2(f))))


def synchrony(counts: npt.ArrayLike) -> float:
    """Z = Σ C(n_i, 2) / C(G, 2), 0 to 1 (Primack 1980). NaN for fewer than two seeds."""
    n = np.asarray(counts, dtype=float)
    total = n.sum()
    return float(np.sum(n * (n - 1)) / (total * (total - 1))) if total >= 2 else nan


def timson(times: npt.ArrayLike, counts: npt.ArrayLike, seeds: float, *, last_day: int) -> float:
    """Sum over days 1…``last_day`` of the cumulative germination in %, in % d (Timson 1965, Nature 207:216).

    Divided by ``last_day`` it is on a scale of 0 to 100 (Khan & Ungar 1984).
    """
    t, n = _events(times, counts)
    days = np.arange(1, last_day + 1)
    return float(100 / seeds * np.sum(n[:, None] * (t[:, None] <= days)))


class Czabator(NamedTuple):
    """Germination value and its factors: peak value (%/d), mean daily germination (%/d), their product."""

    peak_value: float
    mean_daily: float
    germination_value: float


def czabator(times: npt.ArrayLike, counts: npt.ArrayLike, seeds: float) -> Czabator:
    """GV = PV x MDG, PV = max(cumulative % / t), MDG = final % / last day (Czabator 1962, For. Sci. 8:386-396)."""
    t, n = _events(times, counts)
    if not t.size:
        return Czabator(nan, nan, nan)
    cumulative = 100 * np.cumsum(n) / seeds
    peak, mean_daily = float(np.max(cumulative / t)), float(cumulative[-1] / t[-1])
    return Czabator(peak, mean_daily, peak * mean_daily)


def lot_tolerance_pct(label_pct: float) -> int:
    """How far a test of 400 or more seeds may fall from the packet's germination, in % points (7 CFR 201.63)."""
    steps = ((96, 5), (90, 6), (80, 7), (70, 8), (60, 9))
    return next((tolerance for floor, tolerance in steps if label_pct >= floor), 10)
