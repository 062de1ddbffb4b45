"""What the plugs of one crop say about the four numbers of the grow (see ``prior``), as weighted draws.

Each site holds n germs; k of them are able to come up, k beta-binomial; each of those comes up at its own
log-logistic time, a few of them in a later wave. So none is up by t with chance S(t)^k, which mixes a share that never
germinates with a time to event (Farewell 1982, Biometrics 38:1041-1046) and lets seeds of one site share their luck
(Williams 1975). In a site of very many germs the sum over k is one over the site's own share of able germs instead,
which says the same with far fewer terms.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from math import inf, log
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, comb, expit, ndtri

from sprout.germination.sites import beta_binomial_log_pmf

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from sprout.germination.onsets import Onset
    from sprout.germination.prior import Prior

FloatArray = npt.NDArray[np.float64]

MISCOUNT = 0.08  # chance weight of each seedling more or less than counted (leaves hide leaves)
MANY = 36  # germs of a site up to which each number of able ones is summed over; then the site's share in steps
_SHARE_STEPS, _MOST_OFF = 40, 3
# Seed seldom comes up as one: so many germs take their time by so much longer (chosen with the back-test).
_LATE_SHARE, _LATE = 0.1, 1.6


class Kinds(NamedTuple):
    """What a site may be: of kind c with chance ``chance[:, c]``, per draw.

    In kind c, ``germs[c]`` germs each come up independently of each other, each in the end with chance ``share[c]``.
    """

    chance: FloatArray
    germs: FloatArray
    share: FloatArray

    def not_yet(self, not_yet: FloatArray) -> FloatArray:
        """(..., kinds) chance that a germ is not up, from the (...) chance of an able one."""
        return np.asarray(1 - self.share + self.share * not_yet[..., None])

    def none(self, not_yet: FloatArray) -> FloatArray:
        """(m, days) chance that none of the site's germs is up, from the (m, days) chance of an able one."""
        return np.asarray((self.chance[:, None, :] * self.not_yet(not_yet) ** self.germs).sum(-1))


@dataclass(frozen=True, eq=False)
class Posterior:
    """Weighted draws of a grow's four numbers.

    Attributes
    ----------
    prior:
        What it started from.
    theta:
        (m, 4) draws.
    weights:
        (m,) their weights, summing to 1.
    """

    prior: Prior
    theta: FloatArray
    weights: FloatArray
    _kinds: dict[int, Kinds] = field(default_factory=dict, init=False, repr=False)

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """(4,) mean and (4, 4) covariance."""
        return _moments(self.theta, self.weights)

    def not_yet(self, days: npt.ArrayLike) -> FloatArray:
        """(m, *days.shape) chance that an able germ is not up by each day, per draw."""
        return _not_yet(self.theta, np.asarray(days, dtype=float))

    def kinds(self, germs: int) -> Kinds:
        """What a site of so many germs may be, per draw."""
        if germs not in self._kinds:
            self._kinds[germs] = _kinds(self.theta, germs)
        return self._kinds[germs]


def posterior(plugs: Iterable[Onset], prior: Prior, *, draws: int = 800, most_rounds: int = 12) -> Posterior:
    """Posterior by adaptive importance sampling with mixture weights, on evenly spread points: it repeats exactly.

    The first round draws from the prior, each later one from a normal fitted to what was found so far (Cornuet,
    Marin, Mira & Robert 2012, Scand. J. Stat. 39:798-812). With no plugs it is the prior.
    """
    log_likelihood = _Likelihood(plugs, prior.embryos)
    points = _even_points(draws, 4)
    proposals = [(prior.mean, prior.covariance)]
    theta = _normal(points, *proposals[0])
    level = log_likelihood(theta)
    if not log_likelihood.patterns:
        return Posterior(prior, theta, np.full(draws, 1 / draws))
    weights = _weights(theta, level, prior, proposals)
    while len(proposals) < 3 or (1 / np.sum(weights**2) < draws and len(proposals) < most_rounds):
        mean, covariance = _moments(theta, _tempered(weights, at_least=40))
        proposals.append((mean, 1.4 * covariance + 1e-4 * prior.covariance))
        new = _normal(points, *proposals[-1])
        theta, level = np.concatenate([theta, new]), np.concatenate([level, log_likelihood(new)])
        weights = _weights(theta, level, prior, proposals)
    heavy = weights > 1e-5 * weights.max()
    return Posterior(prior, theta[heavy], weights[heavy] / weights[heavy].sum())


def _not_yet(theta: FloatArray, days: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        log_days = np.log(days)
    shape = (-1,) + (1,) * days.ndim
    median, slope = theta[:, 1].reshape(shape), np.exp(theta[:, 2]).reshape(shape)
    timely, late = (expit(-slope * (log_days - median - delay)) for delay in (0.0, log(_LATE)))
    return np.asarray((1 - _LATE_SHARE) * timely + _LATE_SHARE * late)


def _kinds(theta: FloatArray, germs: int) -> Kinds:
    share, correlation = expit(theta[:, :1]), expit(theta[:, 3:])
    if germs <= MANY:
        k = np.arange(germs + 1.0)
        return Kinds(np.exp(beta_binomial_log_pmf(k, germs, share, correlation)), k, np.ones_like(k))
    # narrower than twice the binomial error of the share of 600 germs, which is even on the arcsine scale
    angles = np.linspace(0, np.pi / 2, _SHARE_STEPS + 1)
    together = (1 - correlation) / correlation
    up_to = betainc(np.maximum(share * together, 1e-6), np.maximum((1 - share) * together, 1e-6), np.sin(angles) ** 2)
    middle = np.sin((angles[:-1] + angles[1:]) / 2) ** 2
    return Kinds(np.diff(up_to, axis=1), np.full(_SHARE_STEPS, float(germs)), middle)


class _Likelihood:
    """Log likelihood of (m, 4) draws; plugs with the same evidence are worked out once."""

    def __init__(self, plugs: Iterable[Onset], embryos: int) -> None:
        self.patterns = Counter(
            (
                max(o.seeds * embryos, 1),
                o.empty_day,
                o.up_day,
                o.p_up,
                0 if o.seedlings is None or o.up_day == inf else min(o.seedlings, max(o.seeds * embryos, 1)),
                max(o.seen_day, o.up_day) if o.up_day < inf else 0.0,
            )
            for o in plugs
            if o.empty_day > 0 or o.up_day < inf
        )

    def __call__(self, theta: FloatArray) -> FloatArray:
        total = np.zeros(len(theta))
        for germs in {pattern[0] for pattern in self.patterns}:
            rows = [(p, times) for p, times in self.patterns.items() if p[0] == germs]
            table = np.array([p for p, _ in rows], dtype=float)
            times = np.array([n for _, n in rows], dtype=float)
            total += np.log(np.maximum(self._site(theta, germs, *table.T[1:]), 1e-300)) @ times
        return total

    @staticmethod
    def _site(
        theta: FloatArray,
        germs: int,
        empty_day: FloatArray,
        up_day: FloatArray,
        p_up: FloatArray,
        counted: FloatArray,
        seen_day: FloatArray,
    ) -> FloatArray:
        """(m, plugs) chance of each plug's evidence."""
        kinds = _kinds(theta, germs)
        at_empty = _not_yet(theta, empty_day)
        at_up = np.where(np.isinf(up_day), 0.0, _not_yet(theta, np.where(np.isinf(up_day), 1.0, up_day)))
        none_by_empty, none_by_up = kinds.none(at_empty), kinds.none(at_up)
        up_between = none_by_empty - none_by_up
        if np.any(counted > 0):
            at_seen = _not_yet(theta, np.maximum(seen_day, 1e-9))
            out = kinds.not_yet(at_seen)
            counts = np.zeros_like(up_between)
            for number in _near(counted, germs):
                # so many of the germs up by the last look, none by the last empty look, the first by ``up_day``
                so_many = number[:, None]
                ways = comb(kinds.germs, so_many) * kinds.share**so_many
                late = out ** np.maximum(kinds.germs - so_many, 0)
                timely = np.maximum(at_empty - at_seen, 0) ** number - np.maximum(at_up - at_seen, 0) ** number
                miscounted = MISCOUNT ** np.abs(counted - number)
                counts += miscounted * (kinds.chance[:, None, :] * ways * late).sum(-1) * timely
            up_between = np.where(counted > 0, counts, up_between)
        sure = np.where(np.isinf(up_day), 0.0, p_up)
        return np.asarray(sure * up_between + (1 - sure) * np.where(np.isinf(up_day), none_by_empty, none_by_up))


def _near(counted: FloatArray, germs: int) -> Iterator[FloatArray]:
    """Numbers of seedlings, (plugs,) at a time, that may stand where so many were counted.

    Where a site can hold very many, only those close by: further off the weight is less than a thousandth.
    """
    if germs <= MANY:
        yield from (np.full_like(counted, number) for number in range(1, germs + 1))
    else:
        middle = np.clip(counted, 1 + _MOST_OFF, germs - _MOST_OFF)
        yield from (middle + off for off in range(-_MOST_OFF, _MOST_OFF + 1))


def _even_points(number: int, dimensions: int) -> FloatArray:
    """(number, dimensions) points that fill the unit cube evenly: an additive recurrence.

    Steps 1/g, 1/g^2, … with g the root of g^(d+1) = g + 1 (Roberts 2018, from memory).
    """
    g = 1.5
    for _ in range(40):
        g = (1 + g) ** (1 / (dimensions + 1))
    steps = g ** -np.arange(1.0, dimensions + 1)
    return np.asarray((0.5 + np.arange(1, number + 1)[:, None] * steps) % 1)


def _normal(points: FloatArray, mean: FloatArray, covariance: FloatArray) -> FloatArray:
    return np.asarray(mean + ndtri(points) @ np.linalg.cholesky(covariance).T)


def _log_normal_density(theta: FloatArray, mean: FloatArray, covariance: FloatArray) -> FloatArray:
    root = np.linalg.cholesky(covariance)
    z = np.linalg.solve(root, (theta - mean).T)
    return np.asarray(-0.5 * (z * z).sum(axis=0) - np.log(np.diag(root)).sum())


def _weights(
    theta: FloatArray, level: FloatArray, prior: Prior, proposals: list[tuple[FloatArray, FloatArray]]
) -> FloatArray:
    drawn = np.logaddexp.reduce([_log_normal_density(theta, *p) for p in proposals], axis=0)
    log_weights = level + _log_normal_density(theta, prior.mean, prior.covariance) - drawn
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _tempered(weights: FloatArray, *, at_least: float) -> FloatArray:
    """Weights flattened until they stand for so many draws."""
    power = 1.0
    while 1 / np.sum(weights**2) < at_least and power > 0.01:
        power *= 0.8
        flat = weights**0.8
        weights = flat / flat.sum()
    return weights


def _moments(theta: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean = weights @ theta
    off = theta - mean
    return np.asarray(mean), np.asarray((off * weights[:, None]).T @ off)
