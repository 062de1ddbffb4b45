"""Plant food: what a feed is, how it is measured out, and what a conductivity meter says of it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sprout.errors import UsageError

METRIC_TEASPOON_ML = 5.0  # also the spoon of nutrition labels, 21 CFR 101.9(b)(5)(viii) (from memory)
US_TEASPOON_ML = 4.92892159375  # 1/768 of a US gallon of 231 cubic inches: NIST Handbook 44, Appendix C
PPM_SCALES = (500, 640, 700)  # ppm that meters show per mS/cm (from memory): they differ, so the scale is always named

_UNIT_ML = {"ml": 1.0, "tsp": METRIC_TEASPOON_ML, "us tsp": US_TEASPOON_ML}
_DESCRIPTION = re.compile(
    r"(?P<form>dry|liquid)?\s*(?P<amount>\d+(?:[.,]\d+)?)\s*(?P<unit>ml|g|us\s*tsp|tsp)\s*(?:/|per)\s*l(?:it(?:re|er))?"
    r"(?:\s*,?\s*seedlings\s*(?P<share>\d+(?:[.,]\d+)?)\s*%)?",
    re.IGNORECASE,
)
_EXAMPLE = 'write for instance "dry 0.5 tsp/l" (us tsp: US teaspoons), "liquid 2 ml/l, seedlings 50%" or "dry 1.2 g/l"'

_HALF = 0.5


@dataclass(frozen=True)
class Dose:
    """So much of a feed: ``amount`` in ``unit``, and the same in mL, teaspoons and grams where that is known.

    ``tsp`` are teaspoons of the feed's own kind, metric unless it is measured in US ones; of a feed weighed in grams
    only ``g`` is known.
    """

    amount: float
    unit: str
    litres: float

    @property
    def ml(self) -> float | None:
        return self.amount * _UNIT_ML[self.unit] if self.unit in _UNIT_ML else None

    @property
    def tsp(self) -> float | None:
        return None if self.ml is None else self.ml / (US_TEASPOON_ML if self.unit == "us tsp" else METRIC_TEASPOON_ML)

    @property
    def g(self) -> float | None:
        return self.amount if self.unit == "g" else None

    def __str__(self) -> str:
        if self.ml is None:
            return f"{self.amount:.3g} g"
        spoon = "US teaspoons" if self.unit == "us tsp" else "teaspoons of 5 mL"
        return f"{self.ml:.3g} mL ({self.tsp:.2g} {spoon})"


@dataclass(frozen=True)
class Feed:
    """A concentrate, as its label describes it.

    Attributes
    ----------
    form:
        ``dry`` or ``liquid``.
    amount, unit:
        Full dose per litre of water: ``ml``, ``tsp`` (5 mL), ``us tsp`` (4.93 mL) or ``g``.
    seedling_share:
        Share of the full dose for seedlings; half is common practice.
    """

    form: str
    amount: float
    unit: str
    seedling_share: float = _HALF

    def dose(self, litres: float, *, strength: float = 1.0) -> Dose:
        """What so many litres need, at full dose times ``strength``."""
        return Dose(self.amount * litres * strength, self.unit, litres)

    def __str__(self) -> str:
        return f"{self.form} {self.amount:g} {self.unit}/l, seedlings {100 * self.seedling_share:g}%"


def parse_feed(text: str) -> Feed:
    """The feed that a line such as ``dry 0.5 tsp/l, seedlings 50%`` describes; :class:`Feed` prints it so.

    Without a form, what is weighed in grams is dry and anything else liquid.

    Raises
    ------
    UsageError
        If the text is no such line, or a number is out of reason.
    """
    found = _DESCRIPTION.fullmatch(text.strip())
    if found is None:
        raise UsageError(f'feed "{text}"', "is not understood", _EXAMPLE)
    unit = " ".join(found["unit"].lower().replace("ustsp", "us tsp").split())
    form = (found["form"] or ("dry" if unit == "g" else "liquid")).lower()
    amount = float(found["amount"].replace(",", "."))
    share = float((found["share"] or "50").replace(",", ".")) / 100
    if form == "liquid" and unit == "g":
        raise UsageError(f'feed "{text}"', "a liquid is measured in ml or teaspoons", _EXAMPLE)
    if not 0 < amount * _UNIT_ML.get(unit, 1.0) <= 100:
        raise UsageError(f'feed "{text}"', "is no dose per litre", "give what the label says for one litre of water")
    if not 0 < share <= 1:
        raise UsageError(f'feed "{text}"', f"seedlings cannot get {100 * share:g} % of it", "give 1 to 100 %")
    return Feed(form, amount, unit, share)


def parse_amount(text: str) -> tuple[float, str]:
    """An amount of feed as (number, ``ml`` or ``g``): ``6``, ``6 ml``, ``2 tsp``, ``2 us tsp`` or ``5 g``.

    Raises
    ------
    UsageError
        If it is none, or no amount above 0.
    """
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(ml|g|us\s*tsp|tsp)?\s*", text, re.IGNORECASE)
    amount = float(found[1].replace(",", ".")) if found else 0.0
    if found is None or not 0 < amount <= 10_000:
        raise UsageError(f"feed {text}", "is no amount", "give mL as a number above 0, or 2tsp, or 5g")
    unit = " ".join((found[2] or "ml").lower().replace("ustsp", "us tsp").split())
    return (amount, "g") if unit == "g" else (amount * _UNIT_ML[unit], "ml")


def ppm_of(ec_ms_cm: float, scale: int) -> float:
    """What a ppm meter of the scale (500, 640 or 700) shows at a conductivity in mS/cm.

    Raises
    ------
    ValueError
        If there is no such scale.
    """
    return ec_ms_cm * _checked(scale)


def ec_of(ppm: float, scale: int) -> float:
    """Conductivity in mS/cm behind a reading in ppm of the scale; raises as :func:`ppm_of`."""
    return ppm / _checked(scale)


def _checked(scale: int) -> int:
    if scale not in PPM_SCALES:
        raise ValueError(f"ppm meters use scale 500, 640 or 700, not {scale}")
    return scale
