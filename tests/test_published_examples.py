"""Every published example of germination, calendars, site filling and growth is put to the test somewhere."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from grows import SOWN
from hypothesis import given
from hypothesis import strategies as st

from sprout.calibration import crops
from sprout.germination import indices
from sprout.germination.forecast import forecast
from sprout.germination.onsets import Onset
from sprout.germination.prior import prior_of

TESTS = Path(__file__).parent
FILES = ("germination", "growth", "examples")
ENTRIES: list[dict[str, Any]] = [
    entry
    for name in FILES
    for entry in json.loads((TESTS / "published" / f"{name}.json").read_text("utf-8"))
    if entry["section"] in "ABCDF"
]
TEXT = "".join(path.read_text("utf-8") for path in sorted(TESTS.glob("test_*.py")))
# the words by which a test picks its example: a whole name, or the beginning of one with or without a blank to fill
ASKED = {word.replace("{kind}", "").replace("{name}", "") for word in re.findall(r'f?"([\w ,:+%./={}\-]{6,})', TEXT)}


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda e: e["name"])
def test_every_example_names_its_source_and_is_used(entry: dict[str, Any]) -> None:
    assert entry["source"]
    assert entry["provenance"].startswith(("law", "published", "memory", "computed"))
    assert any(entry["name"].startswith(word) for word in ASKED if len(word) > 6), entry["name"]


def published(name: str) -> dict[str, Any]:
    return next(e for e in ENTRIES if e["name"] == name)


@given(st.lists(st.tuples(st.integers(1, 60), st.integers(1, 20)), min_size=1, max_size=12, unique_by=lambda x: x[0]))
def test_velocity_is_the_mean_time_turned_over(found: list[tuple[int, int]]) -> None:
    entry = published("identity")  # Kotowski 1926
    times, counts = (np.array(x, dtype=float) for x in zip(*sorted(found), strict=True))
    mean = indices.mean_germination_time(times, counts)
    assert indices.coefficient_of_velocity(times, counts) == pytest.approx(100 / mean, rel=entry["tolerance"])


@pytest.mark.parametrize("crop", ["basil", "lettuce", "parsley"])
def test_the_calendar_may_end_early_and_be_prolonged(crop: str) -> None:
    slack = published("calendar slack")["expected"]  # 7 CFR 201.58(a)(1)
    prior = prior_of(crops()[crop])

    def ahead(day: int, ups: int) -> Any:
        plugs = [
            Onset(f"A{k}", crop, 2, SOWN, float(day), seen_day=day)
            if k >= ups
            else Onset(f"A{k}", crop, 2, SOWN, day - 2.0, day - 1.0, seedlings=2, seen_day=day)
            for k in range(6)
        ]
        return forecast(plugs, {crop: prior}, as_of=SOWN + timedelta(days=day))

    assert slack["may_stop_early_if_maximum_reached"]
    early = ahead(prior.final_day - 1, 6)
    assert early.sprouted_final == (6, 6, 6)
    # where seedlings came late the count is prolonged, so the final day alone ends no hope
    late = ahead(prior.final_day + slack["extension_days_if_seedlings_not_evaluable"], 4)
    assert all(p.up or p.p_yet > 0 for p in late.plugs)
    assert late.plugs[-1].final_count_on == SOWN + timedelta(days=prior.final_day)
