"""Seeds that share a site: alike, but not independent of each other."""

from __future__ import annotations

from math import ceil, log, log1p

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

FloatArray = npt.NDArray[np.float64]


def beta_binomial_log_pmf(
    germinated: npt.ArrayLike, seeds: npt.ArrayLike, chance: npt.ArrayLike, correlation: npt.ArrayLike
) -> FloatArray:
    """Log chance that ``germinated`` of ``seeds`` come up in one site.

    ``chance`` is that of one seed, ``correlation`` r the one between two seeds of a site: the site's own chance is
    beta distributed with a = p(1-r)/r and b = (1-p)(1-r)/r, and the number has variance n p (1-p) (1 + (n-1) r).
    Skellam 1948, JRSS-B 10:257-261; Williams 1975, Biometrics 31:949-952. Written as a product over seeds, which
    holds down to r = 0, the binomial. Arguments broadcast.
    """
    k, n, p, r = (np.asarray(x, dtype=float) for x in (germinated, seeds, chance, correlation))
    p = np.clip(p, 1e-12, 1 - 1e-12)
    total = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    for i in range(int(n.max())):
        total = total + np.where(i < k, np.log(p * (1 - r) + i * r), 0.0)
        total = total + np.where(i < n - k, np.log((1 - p) * (1 - r) + i * r), 0.0)
        total = total - np.where(i < n, np.log1p((i - 1) * r), 0.0)
    return np.asarray(total)


def chance_filled(chance: float, seeds: int, *, correlation: float = 0.0) -> float:
    """Chance that a site with so many seeds shows at least one seedling: 1 - B(a, b+n) / B(a, b)."""
    return float(-np.expm1(beta_binomial_log_pmf(0, seeds, chance, correlation)))


def seeds_for(chance: float, wanted: float) -> int:
    """Independent seeds a site needs to be filled with the chance ``wanted``: ceil(ln(1-wanted) / ln(1-chance))."""
    return ceil(log1p(-wanted) / log(1 - chance)) if chance < 1 else 1


def chance_per_embryo(chance: float, embryos: int) -> float:
    """Chance of one embryo when ``chance`` is that of a fruit with so many to give at least one seedling.

    1 - (1-p)^(1/m), the embryos taken as independent. A coriander fruit has two (Lee et al. 2015, Korean J. Med. Crop
    Sci. 23:305).
    """
    return float(1 - (1 - chance) ** (1 / embryos))
