"""What the germination forecast starts from: the crop's calendar, the warmth given, and the grower's earlier books."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sprout.calibration import find_crop
from sprout.germination.onsets import Onset, onsets
from sprout.germination.prior import Prior, learned, prior_of

if TYPE_CHECKING:
    from sprout.evidence import Evidence


@dataclass(frozen=True)
class EarlierGrow:
    """What an earlier book tells: when its plugs came up, and how warm it was (None: not known)."""

    plugs: tuple[Onset, ...]
    temperature_c: float | None


def earlier_grow(evidence: Evidence) -> EarlierGrow:
    """What a book teaches; ``evidence`` holds nothing later than the day of the outlook it is for."""
    from sprout.timeline import weigh

    weighed = weigh(evidence)
    looked_at = set(weighed.days["plug"])
    plugs = (o for o in onsets(weighed.days, weighed.plugs) if o.plug in looked_at)
    return EarlierGrow(tuple(plugs), evidence.temperature_c)


def priors(
    names: Iterable[str], *, temperature_c: float | None = None, earlier: Sequence[EarlierGrow] = ()
) -> dict[str, Prior]:
    """Prior of each crop, moved by the temperature in C and taught by earlier grows.

    An earlier grow is judged by the calendar at its own warmth; only what that does not explain is carried over.
    """
    return {name: _prior(name, temperature_c, earlier) for name in dict.fromkeys(names)}


def _prior(name: str, temperature_c: float | None, earlier: Sequence[EarlierGrow]) -> Prior:
    crop = find_crop(name)
    start = prior = prior_of(crop, temperature_c=temperature_c)
    for grow in earlier:
        warmth = prior_of(crop, temperature_c=grow.temperature_c).mean - start.mean
        there = learned(replace(prior, mean=prior.mean + warmth), [grow.plugs])
        prior = replace(there, mean=there.mean - warmth)
    return prior


def basis(priors: Iterable[Prior], temperature_c: float | None) -> str:
    """In words, what the priors rest on."""
    warmth = "at room warmth" if temperature_c is None else f"at {temperature_c:g} °C"
    taught = [f"{p.grows} earlier book{'' if p.grows == 1 else 's'} with {p.crop}" for p in priors if p.grows]
    return "; ".join(["the seed-testing calendar and tables of emergence " + warmth, *taught])
