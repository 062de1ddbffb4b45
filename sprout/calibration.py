"""What the advice leans on: crops, their calendars and growing conditions, each value with its source.

The data are the CSV and TOML files of the folder ``calibration``, read once and kept.
"""

from __future__ import annotations

import csv
import difflib
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sprout.errors import UsageError
from sprout.files import shipped

Range = tuple[float, float]


@dataclass(frozen=True)
class Source:
    """Where a value comes from, and how it got here (law, published, memory, computed, common practice)."""

    text: str
    provenance: str

    def __str__(self) -> str:
        return f"{self.text} ({self.provenance})"


@dataclass(frozen=True)
class Emergence:
    """Emergence at one steady temperature: degrees C, days from sowing to emergence, normal seedlings in % of seeds.

    ``days`` is None where nothing emerged or nothing was tested, ``pct`` where it was not reported.
    """

    temperature_c: float
    days: float | None
    pct: float | None


@dataclass(frozen=True)
class Crop:
    """What is known of a crop. Values that are not known are None or empty.

    Attributes
    ----------
    name, aliases:
        The grower's name in lower case, and other names for it.
    botanical_name:
        Latin name, "" for ``other``.
    first_count_day, final_count_day:
        Days after sowing on which a seed test counts first and last.
    germination_min_pct:
        The least share of seeds that must germinate for the seed to be sold unmarked, in %. Fresh seed does better.
    seedlings_per_seed:
        Seedlings that one sown seed (a fruit or ball in some crops) can give.
    keep:
        Plants to leave in one site when thinning.
    harvest_days, harvest_stage:
        Range of days from sowing to the first harvest in the garden, and what is harvested then.
    pick_cm2, pick:
        Visible leaf area of one site from which a first picking is worth while, in cm2; how to pick.
    ec_ms_cm, ph:
        Range of the nutrient solution's conductivity in mS/cm and of its pH, over all sources.
    emergence:
        Emergence at steady temperatures, coolest first, of this crop or of its nearest relative.
    sources:
        By field name: where the value comes from.
    """

    name: str
    aliases: tuple[str, ...]
    botanical_name: str
    first_count_day: int | None
    final_count_day: int
    germination_min_pct: float | None
    seedlings_per_seed: int
    keep: int
    harvest_days: Range | None
    harvest_stage: str
    pick_cm2: float
    pick: str
    ec_ms_cm: Range | None
    ph: Range | None
    emergence: tuple[Emergence, ...]
    sources: Mapping[str, tuple[Source, ...]]


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of ``calibration/NAME.csv`` as text, for instance of ``water_use`` or ``replicate_tolerance``."""
    text = (shipped("calibration") / f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


@cache
def crops() -> dict[str, Crop]:
    """All crops by name, in alphabetical order; ``other`` stands for any crop that has no entry."""
    entries = tomllib.loads((shipped("calibration") / "crops.toml").read_text(encoding="utf-8"))
    return {name: _crop(name, entries[name]) for name in sorted(entries)}


def find_crop(name: str) -> Crop:
    """The crop with this name or alias, whatever the case, hyphens and a plural s.

    Raises
    ------
    UsageError
        If no crop has that name; the message offers names that are spelt alike.
    """
    known, plain = _by_alias(), _plain(name)
    for candidate in (plain, plain.removesuffix("s")):
        if candidate in known:
            return known[candidate]
    alike = difflib.get_close_matches(plain, known, n=3, cutoff=0.7)
    mend = f"did you mean {' or '.join(alike)}?" if alike else f"known are {', '.join(crops())}"
    raise UsageError(name, "is not a known crop", f"{mend} (other: any crop that is not listed)")


@cache
def _by_alias() -> dict[str, Crop]:
    return {_plain(alias): crop for crop in crops().values() for alias in (crop.name, *crop.aliases)}


def emergence_days(crop: Crop, temperature_c: float) -> float | None:
    """Days from sowing to emergence at a steady temperature, None where nothing is known or nothing emerges.

    Between two tested temperatures the rate of emergence (1/days) is taken as linear in temperature: Garcia-Huidobro,
    Monteith & Squire 1982, J. Exp. Bot. 33:288-296 (from memory).
    """
    low, high, share = _between(crop, temperature_c)
    if low is None or high is None or low.days is None or high.days is None:
        return None
    return 1 / ((1 - share) / low.days + share / high.days)


def emergence_pct(crop: Crop, temperature_c: float) -> float | None:
    """Normal seedlings in % of seeds at a steady temperature, linear between tested ones; None where not known."""
    low, high, share = _between(crop, temperature_c)
    if low is None or high is None or low.pct is None or high.pct is None:
        return None
    return (1 - share) * low.pct + share * high.pct


def replicate_tolerance(germination_pct: float) -> int:
    """Largest difference in % that chance allows among four replicates of 100 seeds with this mean (7 CFR 201.55(a)).

    Raises
    ------
    ValueError
        If the mean is not between 2 and 99 %, where the table ends.
    """
    mean = round(germination_pct)
    for row in rows("replicate_tolerance"):
        if mean in (int(row["avg_germ_pct_high"]), int(row["avg_germ_pct_low_mirror"])):
            return int(row["max_range_4x100"])
    raise ValueError(f"the tolerance table runs from 2 to 99 %, not to {germination_pct} %")


def _between(crop: Crop, temperature_c: float) -> tuple[Emergence | None, Emergence | None, float]:
    table = crop.emergence
    k = bisect_right(table, temperature_c, key=lambda e: e.temperature_c) - 1
    if not 0 <= k < len(table):
        return None, None, 0.0
    if table[k].temperature_c == temperature_c:
        return table[k], table[k], 0.0
    if k + 1 == len(table):
        return None, None, 0.0
    low, high = table[k], table[k + 1]
    return low, high, (temperature_c - low.temperature_c) / (high.temperature_c - low.temperature_c)


def _plain(name: str) -> str:
    return " ".join(name.casefold().replace("-", " ").replace("_", " ").replace("'", "").split())


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _crop(name: str, entry: dict[str, Any]) -> Crop:
    values: dict[str, Any] = {"botanical_name": "", "first_count_day": None, "germination_min_pct": None}
    sources: dict[str, tuple[Source, ...]] = {}
    for key in ("seedlings_per_seed", "keep", "pick_cm2", "pick", "germination_min_pct"):
        if key in entry:
            values[key] = entry[key]["value"]
            sources[key] = (Source(entry[key]["source"], entry[key]["provenance"]),)
    if "calendar" in entry:
        (row,) = [r for r in rows("germination_calendar") if r["kind"] == entry["calendar"]]
        values["botanical_name"] = row["botanical_name"]
        values["first_count_day"] = int(row["first_count_day"]) if row["first_count_day"] else None
        values["final_count_day"] = int(row["final_count_day"])
        values["germination_min_pct"] = _number(row["min_germination_pct"])
        calendar = (Source(row["calendar_source"], row["calendar_provenance"]),)
        if row["min_germ_source"]:
            sources["germination_min_pct"] = (Source(row["min_germ_source"], row["min_germ_provenance"]),)
    else:
        days = entry["calendar_days"]
        values |= {"first_count_day": days["first"], "final_count_day": days["final"]}
        calendar = (Source(days["source"], days["provenance"]),)
    sources |= {"first_count_day": calendar, "final_count_day": calendar}

    harvest = [r for r in rows("days_to_first_harvest") if [r["crop"], r["stage"]] == entry.get("harvest")]
    solution = [r for r in rows("ec_ph") if r["crop"] in entry.get("ec_ph", ())]
    emergence = [r for r in rows("emergence_by_temperature") if r["kind"] == entry.get("emergence")]
    for fields, found in (("harvest_days", harvest), ("ec_ms_cm ph", solution), ("emergence", emergence)):
        if found:
            unique = dict.fromkeys(Source(r["source"], r["provenance"]) for r in found)
            sources |= dict.fromkeys(fields.split(), tuple(unique))
    return Crop(
        name=name,
        aliases=tuple(entry["aliases"]),
        harvest_days=_range(harvest, "days_from_sowing_low", "days_from_sowing_high"),
        harvest_stage=harvest[0]["stage"] if harvest else "",
        ec_ms_cm=_range(solution, "ec_low_mS_cm", "ec_high_mS_cm"),
        ph=_range(solution, "ph_low", "ph_high"),
        emergence=tuple(
            Emergence(
                float(r["soil_temp_C"]),
                _number(r["days_to_emergence"]),
                _number(r["pct_normal_seedlings"]),
            )
            for r in emergence
        ),
        sources=sources,
        **values,
    )


def _range(found: list[dict[str, str]], low: str, high: str) -> Range | None:
    return (min(float(r[low]) for r in found), max(float(r[high]) for r in found)) if found else None
