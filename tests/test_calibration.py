"""The calibration data: sourced throughout, and equal to the texts that they were taken from."""

from __future__ import annotations

import dataclasses
import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sprout import calibration
from sprout.calibration import crops, emergence_days, emergence_pct, find_crop
from sprout.errors import UsageError
from sprout.files import shipped
from sprout.lid import read_lid

DATA = Path(__file__).parents[1] / "calibration"
TABLES = [p.stem for p in sorted(DATA.glob("*.csv"))]
EXAMPLES = {
    e["name"]: e for e in json.loads((Path(__file__).parent / "published" / "examples.json").read_text("utf-8"))
}
PROVENANCES = ("law", "published", "memory", "computed", "common practice", "library data")


def known_provenance(text: str) -> bool:
    return text.startswith(PROVENANCES)


@pytest.mark.parametrize("name", TABLES)
def test_every_row_names_source_and_provenance(name: str) -> None:
    for k, row in enumerate(calibration.rows(name), start=2):
        pairs = [(c, c.replace("source", "provenance")) for c in row if c.endswith("source") and "min_germ" not in c]
        assert pairs, f"{name}.csv has no source column"
        if row.get("min_germination_pct"):
            pairs.append(("min_germ_source", "min_germ_provenance"))
        for source, provenance in pairs:
            assert row[source], f"{name}.csv line {k}: no source"
            assert known_provenance(row[provenance]), f"{name}.csv line {k}: {row[provenance]!r}"


def test_every_value_of_a_crop_names_its_source() -> None:
    unsourced = {"name", "aliases", "botanical_name", "harvest_stage", "sources"}
    for crop in crops().values():
        for field in dataclasses.fields(crop):
            value = getattr(crop, field.name)
            if field.name in unsourced or value is None or value == ():
                continue
            found = crop.sources[field.name]
            assert found, (crop.name, field.name)
            assert all(s.text and known_provenance(s.provenance) for s in found), (crop.name, field.name)


def test_every_row_a_crop_names_exists() -> None:
    entries = tomllib.loads((DATA / "crops.toml").read_text("utf-8"))
    kinds = {r["kind"] for r in calibration.rows("emergence_by_temperature")}
    harvests = {(r["crop"], r["stage"]) for r in calibration.rows("days_to_first_harvest")}
    solutions = {r["crop"] for r in calibration.rows("ec_ph")}
    for name, entry in entries.items():
        assert entry.get("emergence", "Lettuce") in kinds, name
        assert tuple(entry.get("harvest", ("Basil", "leaf"))) in harvests, name
        assert set(entry.get("ec_ph", ())) <= solutions, name


def test_crops_are_plausible() -> None:
    for crop in crops().values():
        assert crop.final_count_day >= (crop.first_count_day or 1), crop.name
        assert crop.germination_min_pct is None or 0 < crop.germination_min_pct < 100, crop.name
        assert 1 <= crop.seedlings_per_seed <= 4, crop.name
        assert crop.keep >= 1, crop.name
        assert crop.pick_cm2 > 0, crop.name
        for low_high in (crop.harvest_days, crop.ec_ms_cm, crop.ph):
            assert low_high is None or 0 < low_high[0] <= low_high[1], crop.name


def test_no_name_stands_for_two_crops() -> None:
    names = [n for crop in crops().values() for n in (crop.name, *crop.aliases)]
    assert len(names) == len(set(names))
    assert all(n == n.casefold() for n in names)


def test_other_has_the_widest_calendar() -> None:
    other = find_crop("other")
    rest = [c for c in crops().values() if c.name != "other"]
    assert other.first_count_day == min(c.first_count_day for c in rest if c.first_count_day is not None)
    assert other.final_count_day == max(c.final_count_day for c in rest)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("Basil", "basil"),
        ("cilantro", "coriander"),
        ("Arugula", "rocket"),
        ("bok-choy", "pak choi"),
        ("lamb's lettuce", "cornsalad"),
        ("  swiss   chard ", "chard"),
        ("beets", "beet"),
        ("chives", "chives"),
        ("chive", "chives"),
    ],
)
def test_crops_are_found_by_their_other_names(said: str, meant: str) -> None:
    assert find_crop(said).name == meant


def test_an_unknown_crop_is_refused_with_names_spelt_alike() -> None:
    with pytest.raises(UsageError, match="corriander: is not a known crop: did you mean coriander"):
        find_crop("corriander")
    with pytest.raises(UsageError, match=r"known are amaranth, basil.*other: any crop"):
        find_crop("zzz")


@pytest.mark.parametrize("name", ["parsley", "spinach", "lettuce"])
def test_calendar_equals_the_law(name: str) -> None:
    """7 CFR 201.58 Table 2 and 201.31 (law)."""
    example = EXAMPLES[f"calendar: {name}"]
    crop, expected = find_crop(name), example["expected"]
    assert (crop.first_count_day, crop.final_count_day) == (expected["first"], expected["final"])
    assert crop.germination_min_pct == expected["min_germ"]
    (row,) = [r for r in calibration.rows("germination_calendar") if r["kind"] == example["inputs"]["kind"]]
    assert row["temperature_C"] == expected["temp"]
    assert row["calendar_provenance"] == example["provenance"] == "law"


@pytest.mark.parametrize(
    ("name", "first", "final"),
    [
        # 7 CFR 201.58 Table 2 (law)
        ("dill", 7, 21),
        ("chard", 3, 14),
        ("kale", 3, 10),
        ("pak choi", 3, 7),
        ("cress", 4, 10),
        ("chives", 6, 14),
        ("celery", 10, 21),
        # ISTA Rules Table 5A (from memory)
        ("basil", 4, 14),
        ("coriander", 7, 21),
        ("rocket", 4, 7),
    ],
)
def test_calendar_of_common_crops(name: str, first: int, final: int) -> None:
    crop = find_crop(name)
    assert (crop.first_count_day, crop.final_count_day) == (first, final)


@pytest.mark.parametrize("name", ["lettuce", "parsley", "spinach"])
def test_emergence_equals_the_published_table(name: str) -> None:
    """Harrington & Minges 1954 (published)."""
    example = EXAMPLES[f"emergence vs temperature, {name}"]
    crop = find_crop(name)
    temperatures = [(f - 32) / 1.8 for f in example["inputs"]["temp_F"]]
    expected = example["expected"]
    assert [emergence_days(crop, t) for t in temperatures] == pytest.approx(expected["days"])
    if "pct" in expected:
        assert [emergence_pct(crop, t) for t in temperatures] == pytest.approx(expected["pct"])


def test_emergence_between_tested_temperatures() -> None:
    lettuce = find_crop("lettuce")
    assert emergence_days(lettuce, 17.5) == pytest.approx(1 / ((1 / 4 + 1 / 3) / 2))  # 4 d at 15 C, 3 d at 20 C
    assert emergence_pct(lettuce, 27.5) == pytest.approx((99 + 12) / 2)


def test_emergence_is_not_invented() -> None:
    lettuce = find_crop("lettuce")
    assert emergence_days(lettuce, -3) is None
    assert emergence_days(lettuce, 60) is None
    assert emergence_days(lettuce, 33) is None  # between 30 C and 35 C, where nothing emerged
    assert emergence_days(find_crop("basil"), 20) is None
    assert emergence_pct(find_crop("basil"), 20) is None


@given(st.sampled_from(sorted(crops())), st.floats(-10, 50))
def test_emergence_stays_within_the_tested_values(name: str, temperature_c: float) -> None:
    crop = find_crop(name)
    days, pct = emergence_days(crop, temperature_c), emergence_pct(crop, temperature_c)
    tested = [e.days for e in crop.emergence if e.days is not None]
    assert days is None or min(tested) - 1e-9 <= days <= max(tested) + 1e-9
    assert pct is None or 0 <= pct <= 100


def test_replicate_tolerance_equals_the_law() -> None:
    """7 CFR 201.55(a) (law)."""
    example = EXAMPLES["replicate range tolerance"]
    assert [calibration.replicate_tolerance(p) for p in example["inputs"]["avg"]] == example["expected"]
    assert calibration.replicate_tolerance(21) == calibration.replicate_tolerance(80)
    with pytest.raises(ValueError, match="runs from 2 to 99"):
        calibration.replicate_tolerance(100)


def test_seeds_per_cell_follow_from_the_binomial() -> None:
    """Tropical Nursery Manual, USDA Forest Service Agriculture Handbook 732 (2014), ch. 9 (from memory)."""
    for row in calibration.rows("seeds_per_cell"):
        p = np.array([float(x) for x in row["germination_pct_band"].split("-")]) / 100
        published = [float(x) for x in row["published_pct_cells_with_1_or_more"].split("-")]
        filled = 100 * (1 - (1 - p) ** int(row["seeds_per_cell"]))
        assert filled == pytest.approx(published, abs=0.51)


@pytest.mark.parametrize("path", sorted((DATA / "lids").glob("*.toml")), ids=lambda p: p.stem)
def test_example_lids_are_read(path: Path) -> None:
    shown = read_lid(path)
    declared = tomllib.loads(path.read_text("utf-8"))
    count = {
        "grid": lambda: declared["rows"] * declared["columns"],
        "staggered": lambda: declared["rows"] * declared["columns"],
        "ring": lambda: declared["ring_sites"] + declared["centre_site"],
        "points": lambda: len(declared["points_mm"]),
    }[declared["pattern"]]()
    assert len(shown.labels) == len(shown.sites_mm) == count
    assert shown.labels[0] == "A1"
    assert (shown.tags is None) == ("tags" not in declared)


def test_shipped_data_are_found() -> None:
    assert (shipped("calibration") / "crops.toml").is_file()
    assert {p.name for p in (shipped("calibration") / "lids").iterdir()} >= {"grid-3x5.toml", "ring-6.toml"}
