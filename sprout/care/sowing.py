"""The next sowing: how many sites and seeds, what to thin, and when to sow again.

A site's seedlings are beta-binomial: seeds of one site share their luck. What is not known about the seed is carried as
draws of a germ's chance and of that correlation, from the seed-testing standard, the packet or earlier grows; given a
draw, sites fill independently, so the number that fill is binomial, and the draws are averaged over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil, floor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit
from scipy.stats import binom

from sprout.germination.prior import learned, prior_of
from sprout.germination.sites import beta_binomial_log_pmf, chance_per_embryo

if TYPE_CHECKING:
    from sprout.calibration import Crop
    from sprout.germination.onsets import Onset
    from sprout.germination.prior import Prior

FloatArray = npt.NDArray[np.float64]

MOST_SEEDS = 8
_DRAWS = 600
_PACKET_SPREAD = 0.3  # logit: a test of a few hundred seeds, some time ago (rough)
_GARDEN_TO_LID = 0.85  # sooner than in the garden (common practice)
# Days to picking differ between two lids of one grower by about a third of the range that is published (rough).
_UNLIKE = 0.35


class Band(NamedTuple):
    """Ends and middle of a 90 % interval."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True, eq=False)
class Seed:
    """What is known of the seed.

    Attributes
    ----------
    chance, correlation:
        (draws,) chance that a germ comes up, and correlation between the germs of a site.
    germs:
        Seedlings that one sown seed can give: two in the fruit of coriander, several in a ball of beet.
    basis:
        Where that comes from.
    """

    chance: FloatArray
    correlation: FloatArray
    germs: int
    basis: str

    def counts(self, seeds: int) -> FloatArray:
        """(draws, seeds * germs + 1) chance of each number of seedlings in a site with so many seeds."""
        k = np.arange(seeds * self.germs + 1)
        n = seeds * self.germs
        return np.exp(beta_binomial_log_pmf(k, n, self.chance[:, None], self.correlation[:, None]))


@dataclass(frozen=True)
class Choice:
    """So many seeds in each of so many sites.

    Attributes
    ----------
    chance:
        That at least the wanted number of sites fill.
    enough:
        Whether that is the chance asked for; if not, ``sites`` are all there are.
    filled:
        Sites that fill, 90 % interval.
    seedlings, thin:
        Expected number in all, and of those to be thinned.
    """

    seeds_per_site: int
    sites: int
    seeds: int
    chance: float
    enough: bool
    filled: Band
    seedlings: float
    thin: float


@dataclass(frozen=True)
class Sowing:
    """One of a row of sowings: when to sow, when the first picking is due (90 % interval), until when it gives."""

    sow_on: date
    pick_from: tuple[date, date, date]
    pick_until: date


def known_seed(chance: float, *, germs: int = 1, correlation: float = 0.0) -> Seed:
    """Seed of which exactly the share ``chance`` gives at least one seedling."""
    per_germ = chance_per_embryo(chance, germs)
    return Seed(np.array([per_germ]), np.array([correlation]), germs, f"{100 * chance:g} % of seeds, taken as exact")


def seed_for(
    crop: Crop,
    *,
    packet_pct: float | None = None,
    earlier: Sequence[Sequence[Onset]] = (),
    temperature_c: float | None = None,
) -> Seed:
    """What to expect of seed of a crop.

    Parameters
    ----------
    packet_pct:
        Germination in % of seeds as the packet says; else the standard at which seed of the crop may be sold, and a
        little.
    earlier:
        Earlier grows as their plugs' onsets: the posterior after all of them.
    """
    prior = prior_of(crop, temperature_c=temperature_c)
    basis = (
        f"the germination standard for {crop.name} ({crop.sources['germination_min_pct'][0]})"
        if (crop.germination_min_pct is not None)
        else f"what seed of most crops does, {crop.name} has no standard here (common practice)"
    )
    if packet_pct is not None:
        prior, basis = (
            _by_packet(prior, packet_pct / 100),
            f"the packet's {packet_pct:g} %, and what differs from grow to grow (rough)",
        )
    taught = learned(prior, earlier)
    if taught.grows:
        basis = f"{taught.grows} of your grows of {crop.name}, starting from {basis}"
    return seed_from(taught, basis)


def _by_packet(prior: Prior, share: float) -> Prior:
    mean, habit = prior.mean.copy(), prior.habit.copy()
    mean[0] = logit(min(max(chance_per_embryo(share, prior.embryos), 0.01), 0.99))
    habit[0, :] = habit[:, 0] = 0.0
    habit[0, 0] = _PACKET_SPREAD**2
    return replace(prior, mean=mean, habit=habit)


def seed_from(prior: Prior, basis: str) -> Seed:
    """Draws of the grow to come from what is known of the crop."""
    z = np.random.default_rng(17).standard_normal((_DRAWS, 4))
    theta = prior.mean + z @ np.linalg.cholesky(prior.covariance + 1e-12 * np.eye(4)).T
    return Seed(expit(theta[:, 0]), expit(theta[:, 3]), prior.embryos, basis)


def chance_of(seed: Seed, *, want: int, sites: int, seeds_per_site: int) -> float:
    """Chance that at least ``want`` of ``sites`` sites with so many seeds each fill."""
    return float(binom.sf(want - 1, sites, 1 - seed.counts(seeds_per_site)[:, 0]).mean())


def choices(seed: Seed, *, want: int, sites: int, chance: float = 0.9, keep: int = 1) -> tuple[Choice, ...]:
    """For each number of seeds in a site the fewest sites, up to ``sites``, that do.

    Parameters
    ----------
    want, chance:
        At least so many sites are to fill, with this chance.
    keep:
        Plants left in a site when thinning.

    Raises
    ------
    ValueError
        If more sites are wanted than there are, or the chance is not between 0 and 1.
    """
    if not 1 <= want <= sites:
        raise ValueError(f"between 1 and {sites} sites can be wanted, not {want}")
    if not 0 < chance < 1:
        raise ValueError(f"the chance must lie between 0 and 1, not at {chance}")
    return tuple(_choice(seed, n, want, sites, chance, keep) for n in range(1, MOST_SEEDS + 1))


def _choice(seed: Seed, seeds: int, want: int, sites: int, chance: float, keep: int) -> Choice:
    counts = seed.counts(seeds)
    fills = 1 - counts[:, 0]
    tried = np.arange(want, sites + 1)
    reached = binom.sf(want - 1, tried[:, None], fills).mean(axis=1)
    enough = bool(reached[-1] >= chance)
    k = int(np.argmax(reached >= chance)) if enough else len(tried) - 1
    used = int(tried[k])
    below = np.cumsum(binom.pmf(np.arange(used + 1)[:, None], used, fills).mean(axis=1))
    numbers = np.arange(counts.shape[1])
    average = counts.mean(axis=0)
    return Choice(
        seeds_per_site=seeds,
        sites=used,
        seeds=used * seeds,
        chance=float(reached[k]),
        enough=enough,
        filled=Band(*(float(np.searchsorted(below, share)) for share in (0.05, 0.5, 0.95))),
        seedlings=used * float(average @ numbers),
        thin=used * float(average @ np.maximum(numbers - keep, 0)),
    )


def best_of(found: Sequence[Choice]) -> Choice:
    """The choice with the fewest seeds that reaches the chance, then the fewest sites; the likeliest if none does."""
    good = [c for c in found if c.enough]
    return min(good, key=lambda c: (c.seeds, c.sites)) if good else max(found, key=lambda c: c.chance)


def days_to_pick(crop: Crop) -> Band | None:
    """Days from sowing to the first picking on a lid; None where nothing is published for the crop."""
    if crop.harvest_days is None:
        return None
    low, high = (_GARDEN_TO_LID * d for d in crop.harvest_days)
    return Band(low, (low + high) / 2, high)


def interval_days(days: Band, pick_for: int) -> int:
    """Sow again so many days later, and the next lid is in pick before this one is done, nine times in ten."""
    return max(1, floor(pick_for - _UNLIKE * (days.high - days.low)))


def lids_needed(days: Band, pick_for: int, every: int) -> int:
    """Lids that are in use at the same time."""
    return ceil((days.mid + pick_for) / every)


def sowings(first: date, days: Band, *, every: int, pick_for: int, number: int) -> tuple[Sowing, ...]:
    """Dated sowings, ``every`` so many days, each with its first picking and its end."""
    out = []
    for k in range(number):
        on = first + timedelta(days=k * every)
        low, mid, high = (on + timedelta(days=round(d)) for d in days)
        out.append(Sowing(on, (low, mid, high), mid + timedelta(days=pick_for)))
    return tuple(out)
