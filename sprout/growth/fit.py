"""Fit growth curves, many plugs at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, log

import numpy as np
import numpy.typing as npt

from sprout.growth.curves import CURVES, GOMPERTZ, LOGISTIC, Curve

FloatArray = npt.NDArray[np.float64]

_TAIL = 5.0  # degrees of freedom of the residuals' t distribution: a bad photo counts little
_ROUNDS = 60
_STEP = 1e-5


@dataclass(frozen=True, eq=False)
class Fit:
    """Curves fitted to p series.

    Attributes
    ----------
    curve:
        The curve.
    theta:
        (p, 3) its inside numbers: log limit, log rate, log area on day 0 of the time axis.
    covariance:
        (p, 3, 3) of theta.
    sigma:
        (p,) standard deviation of the residuals, in log area (or in area, for plain residuals).
    cost:
        (p,) minus twice the log likelihood (and log prior).
    points:
        (p,) number of looks.
    """

    curve: Curve
    theta: FloatArray
    covariance: FloatArray
    sigma: FloatArray
    cost: FloatArray
    points: npt.NDArray[np.int64]

    @property
    def aicc(self) -> FloatArray:
        """(p,) Akaike's criterion, corrected for small samples (Hurvich & Tsai 1989); inf below six looks."""
        numbers = 4.0
        spare = self.points - numbers - 1
        correction = np.where(spare > 0, 2 * numbers * (numbers + 1) / np.maximum(spare, 1e-9), inf)
        return np.asarray(self.cost + 2 * numbers + correction)


def fit_curve(
    curve: Curve,
    days: FloatArray,
    areas: FloatArray,
    *,
    start: FloatArray,
    prior: tuple[FloatArray, FloatArray] | None = None,
    sigma: float | None = None,
    log_residuals: bool = True,
    robust: bool = True,
) -> Fit:
    """Fit one curve to each row of ``areas`` by damped least squares (Levenberg-Marquardt).

    Parameters
    ----------
    days, areas:
        (p, m) day on each row's own axis, and area in cm2; NaN where there is none. Areas must be positive.
    start:
        (p, 3) or (3,) first guess of theta.
    prior:
        ((p, 3) or (3,) mean, (3, 3) covariance) of theta; None for plain maximum likelihood.
    sigma:
        Known standard deviation of the residuals; None to estimate it for each row.
    log_residuals, robust:
        Residuals in log area; with the long tails of a t distribution (5 degrees of freedom) instead of normal.
    """
    there = np.isfinite(areas)
    t, y = np.where(there, days, 0.0), np.where(there, areas, 1.0)
    y = np.log(y) if log_residuals else y
    rows, points = len(areas), there.sum(axis=1)
    precision = np.linalg.inv(prior[1]) if prior else np.zeros((3, 3))
    centre = np.broadcast_to(prior[0], (rows, 3)) if prior else np.zeros((rows, 3))

    def model(theta: FloatArray) -> FloatArray:
        value = curve.log_area(t, theta[:, None, :])
        return value if log_residuals else np.asarray(np.exp(np.minimum(value, 50.0)))

    def spread(residual: FloatArray, weight: FloatArray) -> FloatArray:
        if sigma is not None:
            return np.full(rows, sigma)
        return np.asarray(np.sqrt(np.maximum((weight * residual**2 * there).sum(1) / np.maximum(points, 1), 1e-12)))

    def loss(residual: FloatArray, scale: FloatArray, theta: FloatArray) -> FloatArray:
        z = residual**2 / scale[:, None] ** 2
        each = (_TAIL + 1) * np.log1p(z / _TAIL) if robust else z
        off = theta - centre
        return np.asarray(
            (each * there).sum(1) + points * 2 * np.log(scale) + np.einsum("pi,ij,pj->p", off, precision, off)
        )

    theta = np.broadcast_to(start, (rows, 3)).astype(float).copy()
    residual = np.where(there, y - model(theta), 0.0)
    weight = np.ones_like(residual)
    damping = np.full(rows, 1e-2)
    jacobian = np.empty((*residual.shape, 3))
    for _ in range(_ROUNDS):
        scale = spread(residual, weight)
        weight = (_TAIL + 1) / (_TAIL + residual**2 / scale[:, None] ** 2) if robust else weight
        for k in range(3):
            jacobian[..., k] = np.where(there, (model(theta + _STEP * np.eye(3)[k]) - y + residual) / _STEP, 0.0)
        pull = weight[..., None] * jacobian / scale[:, None, None] ** 2
        curvature = np.einsum("pmi,pmj->pij", pull, jacobian) + precision
        slope = np.einsum("pmi,pm->pi", pull, residual) - (theta - centre) @ precision
        damped = curvature + damping[:, None, None] * (curvature * np.eye(3) + 1e-9 * np.eye(3))
        step = np.clip(np.linalg.solve(damped, slope[..., None])[..., 0], -1.0, 1.0)
        before = loss(residual, scale, theta)
        tried = theta + step
        new = np.where(there, y - model(tried), 0.0)
        better = loss(new, scale, tried) <= before
        theta = np.where(better[:, None], tried, theta)
        residual = np.where(better[:, None], new, residual)
        damping = np.clip(np.where(better, damping / 5, damping * 4), 1e-9, 1e6)
        if np.all(np.abs(step) < 1e-7):
            break
    scale = spread(residual, weight)
    covariance = np.linalg.pinv(curvature, hermitian=True)
    return Fit(curve, theta, covariance, scale, loss(residual, scale, theta), points)


@dataclass(frozen=True)
class Growth:
    """The growth curve of one series.

    Attributes
    ----------
    model:
        ``logistic``, ``gompertz`` or ``expolinear``.
    limit, rate, at:
        The curve's numbers as in ``curves``: limit in cm2 (expolinear: cm2 per day in the end), rate per day, and the
        day ``middle`` (expolinear: ``lost``).
    sigma:
        Standard deviation of the residuals in log area.
    aicc:
        By model, of all that were tried; the least was chosen.
    """

    model: str
    limit: float
    rate: float
    at: float
    sigma: float
    aicc: dict[str, float]


def fit_growth(
    days: npt.ArrayLike,
    areas_cm2: npt.ArrayLike,
    *,
    models: Sequence[str] = ("logistic", "expolinear"),
    log_residuals: bool = True,
    robust: bool = True,
) -> Growth:
    """The best of the models for one series of days and areas, by AICc.

    With fewer than six looks AICc does not exist and the first model is taken.

    Raises
    ------
    ValueError
        If there are fewer than four looks, an area is not positive, or a model is not known.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(areas_cm2, dtype=float)
    if t.shape != y.shape or t.size < 4:
        raise ValueError("a growth curve needs at least four looks, each with a day and an area")
    if not np.all(y > 0):
        raise ValueError("areas must be positive")
    if unknown := [m for m in models if m not in CURVES]:
        raise ValueError(f"{unknown[0]} is not a growth model: {', '.join(CURVES)}")
    origin, span = float(t.min()), max(float(np.ptp(t)), 1.0)
    overall = max(log(y[t.argmax()] / y[t.argmin()]) / span, 1.0 / span)
    fits = {}
    for name in models:
        top = log(y.max()) - (log(span) if name == "expolinear" else 0.0)
        starts = np.array(
            [
                [top + up, log(overall * times), log(y[t.argmin()])]
                for up in (0.1, 0.7, 1.5)
                for times in (0.8, 1.5, 3.0)
            ]
        )
        rows = np.ones((len(starts), 1))
        fit = fit_curve(
            CURVES[name], rows * (t - origin), rows * y, start=starts, log_residuals=log_residuals, robust=robust
        )
        fits[name] = (fit, int(np.argmin(fit.cost)))
    aicc = {name: float(fit.aicc[k]) for name, (fit, k) in fits.items()}
    name = min(aicc, key=lambda n: aicc[n])
    fit, k = fits[name]
    limit, rate, at = outside(fit.curve, fit.theta[k])
    return Growth(name, limit, rate, at + origin, float(fit.sigma[k]), aicc)


def outside(curve: Curve, theta: FloatArray) -> tuple[float, float, float]:
    """(limit, rate, day) of the plain functions in ``curves`` from the inside numbers (3,)."""
    limit, r, start = float(np.exp(theta[0])), float(np.exp(theta[1])), float(theta[2])
    if curve is LOGISTIC:
        return limit, r, log(np.expm1(max(log(limit) - start, 1e-9))) / r
    if curve is GOMPERTZ:
        span = max(log(limit) - start, 1e-9)
        return limit, r / span, log(span) * span / r
    return limit, r, -log(np.expm1(np.exp(start) * r / limit)) / r
