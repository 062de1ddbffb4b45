"""Log-logistic time-to-event model with a share that never germinates, fitted to counts between looks.

Least squares on the cumulative curve treats one and the same seed as new evidence at every look and gives standard
errors many times too small; the likelihood of the interval counts does not (Ritz, Pipper & Streibig 2013, Eur. J.
Agron. 45:1-6).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log, nan

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

FloatArray = npt.NDArray[np.float64]

_STEEPEST = 200.0  # events all between two looks leave the slope without an upper bound
_EXACT = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000}
_SHARE_OF_ALL = 1 - 1e-6


@dataclass(frozen=True, eq=False)
class TimeToEvent:
    """F(t) = d / (1 + exp(b (ln t - ln e))).

    Attributes
    ----------
    b, d, e:
        Slope (negative), share that ever germinates, median time of those, in the unit of the times.
    se_b, se_d, se_e:
        Standard errors from the observed information; NaN where the data do not bound the value.
    covariance:
        (3, 3) of (b, d, e).
    log_likelihood:
        At the estimate.
    """

    b: float
    d: float
    e: float
    covariance: FloatArray
    log_likelihood: float

    @property
    def se_b(self) -> float:
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def se_d(self) -> float:
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def se_e(self) -> float:
        return float(np.sqrt(self.covariance[2, 2]))

    def germinated(self, times: npt.ArrayLike) -> FloatArray:
        """Share of the sown seeds germinated by each time."""
        return _curve(self.b, self.d, self.e, np.asarray(times, dtype=float))

    def time_of(self, share: float) -> tuple[float, float]:
        """Time by which this share of the germinable seeds is up, and its standard error (delta method).

        ``share`` = 0.1, 0.5, 0.9 gives t10, t50, t90: t_q = e exp(-logit(q) / b).
        """
        q = logit(share)
        time = self.e * np.exp(-q / self.b)
        gradient = np.array([time * q / self.b**2, 0.0, time / self.e])
        return float(time), float(np.sqrt(gradient @ self.covariance @ gradient))

    def still_to_come(self, times: npt.ArrayLike, *, seeds: int = 1) -> FloatArray:
        """Chance that at least one of ``seeds`` independent seeds germinates yet, given none by each time.

        1 - ((1-d) / (1-d + d S0(t)))^n; Farewell 1982, Biometrics 38:1041-1046.
        """
        none_by = 1 - self.germinated(times)
        return np.asarray(1 - ((1 - self.d) / none_by) ** seeds)


def _curve(b: float, d: float, e: float, t: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(d * expit(-b * (np.log(t) - np.log(e))))


def _log_likelihood(theta: FloatArray, start: FloatArray, end: FloatArray, counts: FloatArray) -> float:
    b, d, e = theta
    if not (b < 0 < d <= 1 and e > 0):
        return -np.inf
    upper = np.where(np.isinf(end), 1.0, _curve(b, d, e, np.where(np.isinf(end), 1.0, end)))
    chance = upper - _curve(b, d, e, start)
    return float(counts @ np.log(np.maximum(chance, 1e-300)))


def fit_time_to_event(start: npt.ArrayLike, end: npt.ArrayLike, counts: npt.ArrayLike) -> TimeToEvent:
    """Fit by maximum likelihood: ln L = Σ n_j ln[F(end_j) - F(start_j)], with F(inf) = 1.

    Parameters
    ----------
    start, end, counts:
        (m,) looks before and after, and the number of seeds that germinated between them; ``end`` = inf for those
        that had not germinated by ``start``. Interval bounds in one unit, d or h.

    Returns
    -------
    TimeToEvent
        With no germination at all: d = 0, the rest NaN. With every seed up, d = 1 and has no standard error.

    Raises
    ------
    ValueError
        If the lists differ in length, an interval is empty, a count negative, or all counts are 0.
    """
    from scipy.optimize import minimize

    a, z, n = (np.asarray(x, dtype=float) for x in (start, end, counts))
    if not a.shape == z.shape == n.shape or a.ndim != 1:
        raise ValueError("start, end and counts must be three lists of one length")
    if not np.all(a < z) or np.any(n < 0):
        raise ValueError("every interval needs start < end and a count that is not negative")
    a, z, n = a[n > 0], z[n > 0], n[n > 0]
    if not n.size:
        raise ValueError("no seeds at all")
    events = np.isfinite(z)
    unknown = np.full((3, 3), nan)
    if not events.any():
        return TimeToEvent(nan, 0.0, nan, unknown, 0.0)

    def theta(x: FloatArray) -> FloatArray:
        share = expit(x[2]) if x.size == 3 else 1.0
        return np.array([-np.exp(min(x[0], log(_STEEPEST))), share, np.exp(np.clip(x[1], -30, 30))])

    def cost(x: FloatArray) -> float:
        return -_log_likelihood(theta(x), a, z, n)

    def best(x0: list[float]) -> FloatArray:
        found = minimize(
            cost, np.array(x0), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000}
        )
        return np.asarray(found.x)

    middle = float(np.average((a[events] + z[events]) / 2, weights=n[events]))
    share = float(n[events].sum() / n.sum())
    x = best([log(5.0), log(middle), float(logit(min(share, 0.95)))])
    if expit(x[2]) > _SHARE_OF_ALL:
        x = best([x[0], x[1]])
    at = theta(x)
    covariance = unknown.copy()
    share_free = [1] if x.size == 3 else []
    covariance = _covariance(lambda v: _log_likelihood(v, a, z, n), at, sorted([0, 2, *share_free]))
    if not covariance[0, 0] < at[0] ** 2:  # a burst between two looks bounds neither the slope nor the median
        covariance = _covariance(lambda v: _log_likelihood(v, a, z, n), at, share_free)
    return TimeToEvent(float(at[0]), float(at[1]), float(at[2]), covariance, _log_likelihood(at, a, z, n))


def _covariance(f: Callable[[FloatArray], float], at: FloatArray, free: list[int]) -> FloatArray:
    """(3, 3) inverse of the observed information of f in the components ``free``; NaN elsewhere or if not positive."""
    covariance = np.full((3, 3), nan)
    steps = np.zeros((len(free), at.size))
    for row, k in enumerate(free):
        steps[row, k] = 1e-4 * abs(at[k])
    information = np.empty((len(free), len(free)))
    for i, u in enumerate(steps):
        for j, v in enumerate(steps):
            corners = f(at + u + v) - f(at + u - v) - f(at - u + v) + f(at - u - v)
            information[i, j] = -corners / (4 * u[free[i]] * v[free[j]])
    if np.all(np.isfinite(information)) and np.all(np.linalg.eigvalsh(information) > 0):
        covariance[np.ix_(free, free)] = np.linalg.inv(information)
    return covariance
