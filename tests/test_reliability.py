"""What is said of sites is as sure as it sounds: the arithmetic, and a slice of it on the sample grow."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

from sprout.files import shipped
from sprout.lid import parse_lid
from sprout.survey import survey

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from reliability import Said, bins, calibration_error, ranges, wilson

SAMPLES = shipped("sample_images")


def test_sites_are_sorted_by_what_was_said() -> None:
    low, high = bins([0.01, 0.04, 0.9, 0.8, 0.85, 1.0], [False, False, True, True, False, True], [0, 0.5, 1])
    assert (low.sites, high.sites) == (2, 4)
    assert low.said == pytest.approx(0.025)
    assert high.stood == pytest.approx(0.75)
    assert high.share_low < 0.75 < high.share_high
    assert calibration_error([low, high]) == pytest.approx((2 * 0.025 + 4 * (0.8875 - 0.75)) / 6)


def test_wilson_interval_of_a_published_kind() -> None:
    # Wilson (1927) score interval by its formula: 0 of n gives 0 to z^2 / (n + z^2)
    assert wilson(0, 10) == (pytest.approx(0, abs=1e-9), pytest.approx(1.6449**2 / (10 + 1.6449**2)))


def test_only_what_can_be_counted_is_counted() -> None:
    some = [
        Said(0.9, 2, 1, 2, "sprouted", True, 3, 2.0),
        Said(0.9, 2, 1, 3, "sprouted", True, 2, 2.0),
        Said(0.9, 1, 1, 1, "sprouted", True, 4, 9.0),
        Said(0.9, 1, 1, 1, "sprouted", False, 0, 0.0),
    ]
    got = ranges(some)
    assert (got["sites"], got["exact"], got["within one"], got["range holds"]) == (2, 0.5, 1, 0.5)


@pytest.fixture(scope="module")
def said() -> list[Said]:
    truth = json.loads((SAMPLES / "truth" / "truth.json").read_text("utf-8"))["photos"]
    lid = parse_lid((SAMPLES / "lid.toml").read_text("utf-8"))
    out = []
    for name in ("day05.jpg", "day08.jpg", "day12.jpg", "day28.jpg"):
        rows = survey(SAMPLES / "photos" / name, lid).readings
        assert rows is not None
        places = np.array([[row["u_px"], row["v_px"]] for row in rows], float)
        for site in truth[name]["sites"].values():
            row = rows[int(np.linalg.norm(places - site["px"], axis=1).argmin())]
            stood = None if 0 < site["tissue_px"] < 40 else site["seedlings"] > 0
            number = (int(row["seedlings"]), int(row["seedlings_low"]), int(row["seedlings_high"]))
            told = (float(row["p_sprouted"]), *number, str(row["status"]))
            out.append(Said(*told, stood, site["seedlings"], site["tissue_cm2"]))
    return out


def test_the_sample_grow_is_said_as_surely_as_it_is_known(said: list[Said]) -> None:
    told = [s for s in said if s.stood is not None]
    some = bins([s.p_sprouted for s in told], [bool(s.stood) for s in told], [0, 0.1, 0.9, 1])
    assert calibration_error(some) < 0.06
    for b in some:
        assert b.share_low - 0.03 <= b.said <= b.share_high + 0.03


def test_the_sample_grow_is_counted_within_its_ranges(said: list[Said]) -> None:
    got = ranges(said)
    assert got["sites"] >= 20
    assert got["exact"] > 0.6
    assert got["within one"] > 0.95
    assert got["range holds"] > 0.8
    assert got["range width"] < 1.6
