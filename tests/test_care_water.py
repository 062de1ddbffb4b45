"""The water account: what it learns from notes, what it promises, what it says before any."""

from __future__ import annotations

import json
import sys
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from sprout.calibration import find_crop, rows
from sprout.care.leaf import AHEAD_DAYS, LidLeaf, lid_leaf
from sprout.care.tasks import Urgency
from sprout.care.water import Water, thirst_of_air, water_account, water_prior, water_tasks
from sprout.plugs import Note

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
from water_backtest import backtest

EXAMPLES = Path(__file__).parent / "published" / "examples.json"
SOWN = date(2026, 3, 1)
LID_CM2 = 600.0


def on(day: float) -> datetime:
    return datetime.combine(SOWN, datetime.min.time()) + timedelta(days=day)


def steady(day: int, leaf_cm2: float) -> LidLeaf:
    return LidLeaf(np.full(day + 1, leaf_cm2), np.full((10, AHEAD_DAYS), leaf_cm2))


def account(day: int, *notes: Note, leaf_cm2: float = 300.0, **more) -> Water:
    options = {"reservoir_litres": 4.0, "lid_cm2": LID_CM2} | more
    return water_account(notes, steady(day, leaf_cm2), sown=SOWN, as_of=SOWN + timedelta(days=day), **options)


def topup(day: float, litres: float, number: int = 1) -> Note:
    return Note("topup", on(day), amount=litres, unit="l", number=number)


def level(day: float, amount: float, unit: str = "l", number: int = 9) -> Note:
    return Note("level", on(day), amount=amount, unit=unit, number=number)


def left(water: Water, day: int) -> tuple[int, int, int]:
    assert water.empty_on is not None
    low, mid, high = ((d - SOWN).days - day for d in water.empty_on)
    return low, mid, high


def test_top_ups_to_the_mark_tell_the_use() -> None:
    # 0.2 litres a day: 2 litres after each ten days
    water = account(20, topup(10, 2.0), topup(20.9, 2.1, 2))
    assert water.litres_per_day.mid == pytest.approx(0.2, rel=0.1)
    low, mid, high = left(water, 20)
    assert low <= 20 <= high
    assert mid == pytest.approx(20, abs=2)
    assert "2 top-ups" in water.basis


def test_notes_narrow_the_interval() -> None:
    without = left(account(20), 20)
    one = left(account(20, topup(20.9, 4 * 20 / 30)), 20)
    two = left(account(20, topup(10, 4 / 3), topup(20.9, 4 / 3, 2)), 20)
    widths = [(high - low) / mid for low, mid, high in (without, one, two)]
    assert widths[0] > 2 * max(widths[1:])


def test_without_a_note_it_works_and_says_so() -> None:
    water = account(5)
    assert "no note of water yet" in water.basis
    low, mid, high = left(water, 5)
    assert high - low > mid


@pytest.mark.parametrize(("amount", "unit"), [(1.0, "l"), (25.0, "%")])
def test_a_level_is_believed(amount: float, unit: str) -> None:
    water = account(10, level(10.9, amount, unit))
    assert water.level_litres is not None
    assert water.level_litres.low < 1.0 < water.level_litres.high
    assert water.level_litres.high - water.level_litres.low < 0.8


def test_a_level_settles_a_top_up_short_of_the_mark() -> None:
    # use is known from three top-ups to the mark; then half a litre goes into 1.2
    told = (topup(10, 2.0), topup(20, 2.0, 2), topup(34, 0.5, 3), level(34, 1.7, number=4))
    assert account(34, *told).level_litres.mid == pytest.approx(1.5, abs=0.3)


def test_a_full_change_fills_it() -> None:
    water = account(20, Note("change", on(20.9), unit="l"))
    assert water.level_pct is not None
    assert water.level_pct.mid > 95


def test_leaf_to_come_brings_the_date_forward() -> None:
    past = np.full(21, 100.0)
    more = np.tile(np.linspace(100, 1200, AHEAD_DAYS), (10, 1))
    kept = LidLeaf(past, np.full((10, AHEAD_DAYS), 100.0))
    dates = [
        water_account((), leaf, sown=SOWN, as_of=SOWN + timedelta(days=20), lid_cm2=LID_CM2, reservoir_litres=4.0)
        for leaf in (kept, LidLeaf(past, more))
    ]
    assert dates[1].empty_on.mid < dates[0].empty_on.mid


def test_heat_to_come_brings_the_date_forward() -> None:
    usual = account(20, topup(20.9, 2.0), temperature_c=21.0)
    hot = account(20, topup(20.9, 2.0), temperature_c=21.0, coming_temperature_c=30.0)
    assert hot.empty_on.mid < usual.empty_on.mid
    assert hot.litres_per_day.mid / usual.litres_per_day.mid == pytest.approx(thirst_of_air(30.0), rel=0.02)


def test_published_vapour_pressure() -> None:
    # Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Annex 2, Table 2.3 (from memory): 2.487 kPa at 21 C,
    # 4.243 kPa at 30 C
    assert thirst_of_air(30.0) == pytest.approx(4.243 / 2.487, abs=0.001)


def test_the_size_of_the_reservoir_is_needed_for_a_date() -> None:
    unknown = account(10, reservoir_litres=None)
    assert (unknown.empty_on, unknown.level_litres) == (None, None)
    assert "not known" in unknown.basis
    assert unknown.litres_per_day.low > 0
    assert account(10, level(10.9, 3.0), reservoir_litres=None).empty_on is not None


def test_nothing_later_than_the_day_counts() -> None:
    assert account(10, topup(12, 1.0)) == account(10)


def test_the_prior_holds_what_is_published() -> None:
    # transpiration per m2 of canopy: field lysimeters with basil (Horticultura Brasileira 37(4):373, 2019) at the upper
    # end; 50 to 250 mL a plant of 300 to 600 cm2 near harvest (calibration/water_use.csv, from memory)
    entry = water_prior()["transpiration_l_per_m2_day"]
    low, high = (entry["value"] * np.exp(z * entry["log_sd"]) for z in (-1.645, 1.645))
    (basil,) = [r for r in rows("water_use") if r["unit"].startswith("mm/d")]
    field_low, field_high = map(float, basil["value"].split("-"))
    assert low < field_low < high
    assert high < field_high
    assert low < 0.05 / 0.06
    assert high > 0.25 / 0.06


def test_published_water_per_kilogram() -> None:
    # Barbosa et al. 2015 (20 L/kg) and Carotti et al. 2023 (28.1 and 52.9 g/L), in calibration/water_use.csv
    table = {row["value"]: row for row in rows("water_use")}
    example = next(e for e in json.loads(EXAMPLES.read_text("utf-8")) if e["name"] == "water per kg")
    for grams, litres in zip(example["inputs"]["g_per_L"], example["expected"]["L_per_kg"], strict=True):
        assert f"{litres:.1f} L/kg" in table[f"{grams:g}"]["unit"]
        assert 1000 / grams == pytest.approx(litres, abs=0.001)
    # a lid of lettuce by the model: heads of 150 g on 0.065 m2 that grew by a fifth a day
    per_kg = water_prior()["transpiration_l_per_m2_day"]["value"] * 0.065 / 0.2 / 0.15
    assert 0.2 * 20 < per_kg < 20


@pytest.mark.parametrize("name", ["water_use", "ec_ph"])
def test_every_row_names_its_source(name: str) -> None:
    assert all(row["source"] and row["provenance"] for row in rows(name))


def test_every_entry_of_the_prior_names_its_source() -> None:
    for name, entry in water_prior().items():
        assert entry["source"], name
        assert entry["provenance"], name


def test_warnings_come_before_the_low_end() -> None:
    water = account(20, topup(10, 3.0), topup(19.9, 3.0, 2))
    as_of = SOWN + timedelta(days=20)
    (task,) = water_tasks(water, as_of=as_of)
    assert as_of <= task.when < water.empty_on.low
    assert task.urgency is Urgency.WATER
    assert str(water.empty_on.low) in task.interval
    assert "your notes" in task.basis


def test_dry_leaf_and_low_water_together_warn_at_once() -> None:
    low = account(12, topup(5, 2.0), topup(10, 2.0, 2), level(12.9, 0.5, number=3))
    as_of = SOWN + timedelta(days=12)
    (task,) = water_tasks(low, as_of=as_of, dry_sites=("A1", "B2"), dry_pct=30)
    assert (task.when, task.urgency) == (as_of, Urgency.WILTING)
    assert "A1, B2 look dry" in task.what
    full = account(12, topup(12.9, 1.0))
    assert all(t.urgency is not Urgency.WILTING for t in water_tasks(full, as_of=as_of, dry_sites=("A1",), dry_pct=30))


def test_leaf_area_follows_the_looks_and_goes_on() -> None:
    crop = find_crop("lettuce")
    looked = [SOWN + timedelta(days=d) for d in range(0, 25, 2)]
    true = 400 / (1 + np.exp(-0.3 * (np.arange(0, 60) - 22)))
    seen = np.where(np.arange(0, 25, 2) < 6, 0.0, true[0:25:2])
    leaf = lid_leaf(looked, seen, sown=SOWN, as_of=looked[-1], lid_cm2=LID_CM2, crop=crop, plugs=12)
    assert leaf.past_cm2[24] == pytest.approx(true[24], rel=0.15)
    assert leaf.past_cm2[:5].max() == 0
    low, high = np.quantile(leaf.ahead_cm2[:, 9], [0.05, 0.95])
    assert low < true[34] < high
    assert high <= 1.3 * LID_CM2


def test_leaf_area_before_anything_is_up_comes_from_the_calendar() -> None:
    crop = find_crop("basil")
    leaf = lid_leaf([], [], sown=SOWN, as_of=SOWN + timedelta(days=2), lid_cm2=LID_CM2, crop=crop, plugs=12)
    assert leaf.ahead_cm2[:, 0].mean() < 5 < np.median(leaf.ahead_cm2[:, 60])


def test_intervals_hold_on_simulated_reservoirs() -> None:
    figures = backtest(24, seed=7)
    assert figures["evening: held %"] >= 80
    assert figures["evening: width % of days left, median"] <= 50
    assert figures["no note: held %"] >= 75
