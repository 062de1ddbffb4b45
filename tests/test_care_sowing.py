"""The next sowing against closed forms and published tables."""

from __future__ import annotations

import json
from datetime import date, timedelta
from itertools import pairwise
from math import comb
from pathlib import Path

import icalendar
import numpy as np
import pytest
from grows import SOWN, add, begin, survey
from scipy.stats import betabinom

from sprout.calibration import find_crop, rows
from sprout.care.sowing import (
    MOST_SEEDS,
    Band,
    Seed,
    best_of,
    chance_of,
    choices,
    days_to_pick,
    interval_days,
    known_seed,
    lids_needed,
    seed_for,
    sowings,
)
from sprout.cli import main
from sprout.germination.onsets import Onset

EXAMPLES = {
    e["name"]: e for e in json.loads((Path(__file__).parent / "published" / "examples.json").read_text("utf-8"))
}


def test_published_twelve_sites_ten_wanted() -> None:
    # binomial of binomial, computed
    example = EXAMPLES["12 sites, at least 10 filled"]
    inputs = example["inputs"]
    for p, seeds, expected in zip(inputs["p"], inputs["seeds_per_site"], example["expected"], strict=True):
        got = chance_of(known_seed(p), want=inputs["need"], sites=inputs["sites"], seeds_per_site=seeds)
        assert got == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("row", rows("seeds_per_cell"), ids=lambda r: r["germination_pct_band"])
def test_published_nursery_table(row: dict[str, str]) -> None:
    # Tropical Nursery Manual, USDA FS Agric. Handbook 732 (2014), ch. 9: share of cells with at least one seedling
    low, high = map(int, row["germination_pct_band"].split("-"))
    least, most = map(float, row["published_pct_cells_with_1_or_more"].split("-"))
    seeds = int(row["seeds_per_cell"])
    filled = [100 * chance_of(known_seed(p / 100), want=1, sites=1, seeds_per_site=seeds) for p in (low, high)]
    assert filled == pytest.approx([least, most], abs=0.51)


def test_published_beta_binomial_fill() -> None:
    # Skellam 1948, JRSS-B 10:257-261, computed
    example = EXAMPLES["beta-binomial site fill"]
    seed = known_seed(example["inputs"]["p"], correlation=example["inputs"]["rho"])
    got = [chance_of(seed, want=1, sites=1, seeds_per_site=n) for n in example["inputs"]["n"]]
    assert got == pytest.approx(example["expected"], abs=1e-4)


def test_published_coriander_fruit_holds_two_germs() -> None:
    # Lee et al. 2015, Korean J. Med. Crop Sci. 23:305
    example = EXAMPLES["coriander fruit = 2 mericarps"]
    for fruit, germ in zip(example["inputs"]["fruit_germ"], example["expected"]["per_mericarp"], strict=True):
        seed = known_seed(fruit, germs=2)
        assert seed.chance[0] == pytest.approx(germ, abs=1e-4)
        counts = seed.counts(1)[0]
        assert 1 - counts[0] == pytest.approx(fruit)
        assert len(counts) == 3


def test_closed_form_binomial_for_single_seeds() -> None:
    p, want, sites = 0.7, 5, 9
    expected = sum(comb(sites, k) * p**k * (1 - p) ** (sites - k) for k in range(want, sites + 1))
    assert chance_of(known_seed(p), want=want, sites=sites, seeds_per_site=1) == pytest.approx(expected)


def test_counts_agree_with_an_independent_library() -> None:
    seed = known_seed(0.6, correlation=0.2)
    a, b = 0.6 * 0.8 / 0.2, 0.4 * 0.8 / 0.2
    assert seed.counts(4)[0] == pytest.approx(betabinom(4, a, b).pmf(np.arange(5)))


def test_the_table_names_the_fewest_sites_that_do() -> None:
    seed = known_seed(0.7)
    found = choices(seed, want=8, sites=15, chance=0.9)
    assert [c.seeds_per_site for c in found] == list(range(1, MOST_SEEDS + 1))
    for c in found:
        assert c.seeds == c.sites * c.seeds_per_site
        if c.enough:
            assert c.chance >= 0.9
            fewer = chance_of(seed, want=8, sites=c.sites - 1, seeds_per_site=c.seeds_per_site)
            assert c.sites == 8 or fewer < 0.9
    best = best_of(found)
    assert best.seeds == min(c.seeds for c in found if c.enough)


def test_thinning_counts_what_stands_beyond_those_kept() -> None:
    (one, two, *_) = choices(known_seed(0.8), want=1, sites=10, chance=0.999999, keep=1)
    assert not one.enough or one.thin == pytest.approx(0)
    # two seeds: both up with 0.64, one of them is thinned
    assert two.thin / two.sites == pytest.approx(0.64)
    assert two.seedlings / two.sites == pytest.approx(1.6)


def test_what_cannot_be_reached_says_so() -> None:
    found = choices(known_seed(0.05), want=10, sites=10, chance=0.9)
    assert not any(c.enough for c in found)
    assert best_of(found).seeds_per_site == MOST_SEEDS
    with pytest.raises(ValueError, match="can be wanted"):
        choices(known_seed(0.5), want=11, sites=10)
    with pytest.raises(ValueError, match="between 0 and 1"):
        choices(known_seed(0.5), want=5, sites=10, chance=1.5)


def mean_fill(seed: Seed) -> float:
    return chance_of(seed, want=1, sites=1, seeds_per_site=1)


def test_packet_and_own_books_move_what_is_expected() -> None:
    crop = find_crop("basil")
    standard, good, poor = seed_for(crop), seed_for(crop, packet_pct=92), seed_for(crop, packet_pct=40)
    assert mean_fill(poor) < mean_fill(standard) < mean_fill(good)
    assert mean_fill(good) == pytest.approx(0.92, abs=0.03)
    assert np.std(good.chance) < np.std(standard.chance)
    dud = [Onset(f"P{k}", "basil", 3, SOWN, empty_day=30.0, seen_day=30.0) for k in range(15)]
    taught = seed_for(crop, earlier=[dud, dud])
    assert mean_fill(taught) < 0.8 * mean_fill(standard)
    assert "2 of your grows" in taught.basis
    assert "germination standard" in standard.basis


def test_uncertain_seed_needs_more_than_a_sure_one() -> None:
    unsure = seed_for(find_crop("lettuce"), packet_pct=80)
    sure = known_seed(0.8)
    needed = [best_of(choices(s, want=10, sites=30, chance=0.95)).seeds for s in (sure, unsure)]
    assert needed[0] < needed[1]


def test_a_steady_supply_has_no_gap() -> None:
    days = days_to_pick(find_crop("lettuce"))
    assert days is not None
    every = interval_days(days, 28)
    rows = sowings(date(2026, 3, 1), days, every=every, pick_for=28, number=5)
    assert [b.sow_on - a.sow_on for a, b in pairwise(rows)] == [timedelta(days=every)] * 4
    assert all(later.pick_from[1] <= earlier.pick_until for earlier, later in pairwise(rows))
    # in a simulation of lids that are in pick for 28 days each, gaps are rare
    rng = np.random.default_rng(1)
    spread = (days.high - days.low) / 3.29
    shared, own = rng.normal(0, 0.85 * spread, 4000), rng.normal(0, 0.5 * spread, (4000, 2))
    starts = days.mid + shared[:, None] + own
    gaps = every + starts[:, 1] > starts[:, 0] + 28
    assert gaps.mean() < 0.07
    assert lids_needed(Band(30, 35, 40), 28, 21) == 3


def test_a_crop_without_published_days_has_no_dates() -> None:
    assert days_to_pick(find_crop("other")) is None


def test_the_command_shows_choices_and_dates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["sow", "--crop", "basil", "--want", "10", "--sites", "15", "--packet", "85", "--sowings", "3"]
    assert main([*words, "--from", "2026-03-01"]) == 0
    out = capsys.readouterr().out
    assert "the packet's 85 %" in out
    assert "2026-03-01" in out
    assert "not for food" in out
    assert main([*words, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["best"]["chance"] >= 0.9
    assert len(data["choices"]) == MOST_SEEDS
    assert len(data["sowings"]) == 3
    file = tmp_path / "sow.ics"
    assert main([*words, "--from", "2026-03-01", "--calendar", str(file)]) == 0
    events = icalendar.Calendar.from_ical(file.read_bytes()).walk("VEVENT")
    assert events[0].decoded("DTSTART") == date(2026, 3, 1)
    assert len(events) == 3
    assert main([*words[:-2], "--calendar", str(file)]) == 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--want", "20", "--sites", "15"], "more sites are wanted"),
        (["--want", "5", "--packet", "120"], "percentage"),
        (["--want", "5", "--crop", "unobtainium"], "not a known crop"),
    ],
)
def test_the_command_refuses_what_cannot_be(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    crop = [] if "--crop" in words else ["--crop", "basil"]
    assert main(["sow", *crop, *words]) == 2
    assert message in capsys.readouterr().err


def test_the_command_learns_from_books(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "b", crop="basil") as book:
        for day in range(1, 25):
            add(book, survey(f"d{day}.jpg", day, {"A1": 1, "B2": 2} if day > 7 else {}))
    assert main(["sow", "--crop", "basil", "--want", "4", "--learn-from", str(tmp_path / "b")]) == 0
    assert "1 of your grows of basil" in capsys.readouterr().out
