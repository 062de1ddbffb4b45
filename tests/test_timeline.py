"""Weighing the series: no photo alone makes or breaks a seedling."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from grows import LID, SOWN, add, begin, hidden, on, reading, survey
from hypothesis import given, settings
from hypothesis import strategies as st

from sprout import columns
from sprout.book import Book
from sprout.plugs import Sowing
from sprout.timeline import changes, weigh
from sprout.timeline.chain import weigh_looks
from sprout.timeline.looks import Look, emissions
from sprout.timeline.prior import Prior, prior_for

BASIL = prior_for(Sowing("basil", 2))


def looks(chances: list[float], *, every: int = 1, **more: Any) -> list[Look]:
    up = [c > 0.5 for c in chances]
    tissue = np.cumsum(np.where(up, 0.4, 0.0))
    return [
        Look(k * every, c, *([1.0, 1.0, 2.0] if u else [0.0, 0.0, 0.0]), tissue_cm2=t if u else 0.0, **more)
        for k, (c, u, t) in enumerate(zip(chances, up, tissue, strict=True))
    ]


# one plug


def test_a_clear_series_is_believed() -> None:
    belief = weigh_looks(looks([0.02] * 5 + [0.97] * 7), BASIL)
    assert (belief.p_sprouted[:5] < 0.05).all()
    assert (belief.p_sprouted[5:] > 0.85).all()
    assert belief.first.argmax() == 5
    assert belief.seedlings.sum(1) == pytest.approx(1)
    assert belief.first.sum() == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("bad", range(2, 11))
def test_one_bad_photo_invents_no_seedling(bad: int) -> None:
    chances = [0.02] * 12
    chances[bad] = 0.98
    belief = weigh_looks(looks(chances), BASIL)
    assert belief.p_sprouted.max() < 0.25
    assert belief.p_sprouted[-1] < 0.25


@pytest.mark.parametrize("bad", range(7, 11))
def test_one_bad_photo_kills_no_seedling(bad: int) -> None:
    chances = [0.02] * 5 + [0.97] * 7
    chances[bad] = 0.02
    belief = weigh_looks(looks(chances), BASIL)
    assert (belief.p_sprouted[6:] > 0.9).all()


def test_a_single_detection_is_trusted_in_season_and_left_open_out_of_it() -> None:
    in_season = weigh_looks(looks([0.02] * 5 + [0.97]), BASIL).p_sprouted[-1]
    late = weigh_looks(looks([0.02] * 12 + [0.97], every=2), BASIL).p_sprouted[-1]
    assert in_season > 0.8
    assert 0.1 < late < 0.65


def test_a_neighbours_leaf_over_a_late_plug_counts_less_than_a_bare_sight() -> None:
    chances = [0.02] * 10 + [0.95] * 3
    bare = weigh_looks(looks(chances, every=2), BASIL).p_sprouted[-1]
    under = weigh_looks(looks(chances, every=2, overhung=True), BASIL).p_sprouted[-1]
    assert under < bare


def test_a_plant_that_is_gone_for_good_is_let_go() -> None:
    belief = weigh_looks(looks([0.02] * 5 + [0.97] * 7 + [0.02] * 8), BASIL)
    assert belief.p_sprouted[8] > 0.95
    assert belief.p_sprouted[-1] < 0.2


def test_the_same_mistake_on_every_photo_is_not_so_many_witnesses() -> None:
    sure = weigh_looks(looks([0.02] * 10 + [0.9], every=3), BASIL).p_sprouted[-1]
    steady = [replace(x, tissue_cm2=0.3) if x.shows else x for x in looks([0.02] * 10 + [0.9] * 8, every=3)]
    repeated = weigh_looks(steady, BASIL).p_sprouted[-1]
    odds = repeated / (1 - repeated) / (sure / (1 - sure))
    assert odds < (0.9 / 0.1) ** 7 / 100


def test_a_count_by_hand_outweighs_a_photo() -> None:
    photo = Look(8, 0.9, 1, 1, 1, 0.3)
    by_hand = Look(8, by_hand=(0,))
    alone = weigh_looks([*looks([0.02] * 8), photo], BASIL).p_sprouted[-1]
    both = weigh_looks([*looks([0.02] * 8), photo, by_hand], BASIL).p_sprouted[-1]
    assert alone > 0.5
    assert both < 0.2


def test_a_crowded_plug_is_not_counted_again() -> None:
    prior = prior_for(Sowing("basil", 3))
    early = [Look(d, 0.97, 3, 2, 3, 0.5 * d) for d in range(5, 10)]
    crowded = [Look(d, 0.97, 1, 1, 2, 3.0 * d) for d in range(12, 22)]
    assert weigh_looks([*early, *crowded], prior).seedlings[-1].argmax() == 3
    # where nothing else was seen it is better than nothing
    assert weigh_looks(crowded, prior).seedlings[-1].argmax() == 1


def test_a_doubtful_sprout_is_no_smaller_count() -> None:
    prior = prior_for(Sowing("basil", 3))
    sure, doubtful = (
        weigh_looks([Look(d, 0.8, 2, low, 2, 1.0) for d in range(8, 14)], prior).seedlings[-1] for low in (1, 0)
    )
    assert np.allclose(sure, doubtful)


def test_counts_of_several_photos_settle_the_number() -> None:
    prior = prior_for(Sowing("basil", 3))
    series = [Look(d, 0.02, 0, 0, 0, 0.0) for d in range(5)]
    series += [Look(d, 0.97, k, max(1, k - 1), k + 1, 0.5 * d) for d, k in enumerate([1, 2, 2, 3, 2, 2, 2], 5)]
    chances = weigh_looks(series, prior).seedlings[-1]
    assert chances.argmax() == 2
    assert chances[2] < 0.98  # counting errors repeat, so no number of photos makes it certain


def test_several_plants_can_come_from_one_seed() -> None:
    prior = prior_for(Sowing("coriander", 2))
    assert prior.germs == 4
    assert weigh_looks([Look(12, 0.97, 4, 4, 4, 3.0)], prior).seedlings.shape == (1, 5)


def test_even_impossible_corrections_are_followed() -> None:
    series = [Look(0, fixed=(3, 3)), Look(1, fixed=(0, 0)), Look(2, fixed=(1, 10**6))]
    belief = weigh_looks(series, BASIL)
    assert belief.seedlings[0, 3] > 0.99
    assert belief.p_sprouted[1] < 0.01
    assert belief.p_sprouted[2] > 0.99


chance = st.one_of(st.just(nan), st.floats(0, 1))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 60), chance, st.integers(0, 5), st.floats(0, 50)), min_size=1, max_size=12),
    st.integers(0, 6),
)
def test_whatever_the_looks_say_the_beliefs_are_chances(rows: list[tuple[int, float, int, float]], seeds: int) -> None:
    series = [Look(day, p, k, max(0, k - 1), k + 1, tissue) for day, p, k, tissue in sorted(rows)]
    belief = weigh_looks(series, prior_for(Sowing("basil", seeds)))
    assert np.isfinite(belief.seedlings).all()
    assert belief.seedlings.sum(1) == pytest.approx(1)
    assert (belief.first > -1e-9).all()
    assert belief.first.sum() < 1 + 1e-9


def test_the_chain_agrees_with_adding_up_every_path() -> None:
    """Forward-backward against brute force over all hidden paths of a short series."""
    from itertools import product

    from sprout.timeline import chain

    prior = Prior(1, 5.0, 3.0, np.array([0.8]))
    series = looks([0.1, 0.3, 0.9], every=3)
    total = np.zeros((3, 2))
    for path in product(product(range(3), range(2)), repeat=3):
        weight, before, at = 1.0, 0.0, None
        for look, (fooled, k) in zip(series, path, strict=True):
            start = {(0, 0): 1 - chain._SHOWING_AT_START, (1, 0): chain._SHOWING_AT_START}
            flags = chain._fooled_step(look.moved, look.overhung, look.day - before)
            births = chain._seedling_step(prior, before, look.day, 1)[0]
            came_from = start if at is None else {at: 1.0}
            weight *= sum(p * flags[f, fooled] * births[j, k] for (f, j), p in came_from.items())
            weight *= emissions([look], 1)[0, fooled, k]
            before, at = look.day, (fooled, k)
        for i, (_, k) in enumerate(path):
            total[i, k] += weight
    assert weigh_looks(series, prior).seedlings == pytest.approx(total / total.sum(1, keepdims=True), rel=1e-9)


@pytest.mark.parametrize("at_once", [1, 1000, 10**6])
def test_plugs_weighed_together_do_not_know_of_one_another(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    from sprout.timeline import chain

    monkeypatch.setattr(chain, "_MOST_AT_ONCE", at_once)
    lettuce = prior_for(Sowing("lettuce", 3))
    series = [
        (looks([0.02] * 5 + [0.97] * 4), BASIL),
        (looks([0.02] * 9, overhung=True), BASIL),
        ([Look(9, fixed=(4, 4))], BASIL),
        (looks([0.02] * 3 + [0.8] * 6), lettuce),
        ([*looks([0.3] * 8), Look(8, 0.6, by_hand=(5, 4), moved=True)], BASIL),
        ([*looks([0.02] * 8), Look(8, 0.97, 1, 1, 2, 0.5, moved=True)], BASIL),
    ]
    for (alone, prior), together in zip(series, chain.weigh_all(series), strict=True):
        assert together.seedlings == pytest.approx(weigh_looks(alone, prior).seedlings, abs=1e-12)
        assert together.first == pytest.approx(weigh_looks(alone, prior).first, abs=1e-12)


@pytest.mark.parametrize("by_hand", [False, True])
def test_many_seedlings_known_in_steps_are_weighed_as_if_one_by_one(
    by_hand: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sprout.timeline import chain

    prior = prior_for(Sowing("coriander", 15))
    counts = {day: round(22 / (1 + (day / 12) ** -6)) for day in range(1, 31)}
    series = [
        Look(day, by_hand=(k,)) if by_hand else Look(day, 0.97 if k else 0.03, k, max(0, k - 3), k + 3)
        for day, k in counts.items()
    ]
    singly = weigh_looks(series, prior)
    monkeypatch.setattr(chain, "_SINGLY", 8)
    for cached in (chain._steps, chain._between, chain._changes, chain._seedling_step):
        cached.cache_clear()
    in_steps = weigh_looks(series, prior)
    for cached in (chain._steps, chain._between, chain._changes, chain._seedling_step):
        cached.cache_clear()
    assert len(chain._steps(30)) < 31
    numbers = np.arange(31)
    assert in_steps.p_sprouted == pytest.approx(singly.p_sprouted, abs=0.01)
    assert in_steps.seedlings @ numbers == pytest.approx(singly.seedlings @ numbers, abs=0.5)
    if by_hand:
        assert list(in_steps.seedlings.argmax(1)) == list(counts.values())


def test_a_site_of_two_hundred_seeds_is_weighed() -> None:
    counts = [round(250 / (1 + (day / 12) ** -6)) for day in range(1, 41)]
    series = [Look(day, by_hand=(k,)) for day, k in enumerate(counts, start=1)]
    belief = weigh_looks([*series, Look(41, fixed=(137, 137))], prior_for(Sowing("coriander", 200)))
    assert belief.seedlings.shape == (41, 401)
    assert belief.seedlings.sum(1) == pytest.approx(1)
    assert list(belief.seedlings.argmax(1))[14:] == [*counts[14:], 137]


# the prior


@pytest.mark.parametrize("crop", ["basil", "lettuce", "coriander", "parsley", "kale", "thyme", "other"])
def test_most_are_up_by_the_final_count(crop: str) -> None:
    from sprout.calibration import find_crop

    assert prior_for(Sowing(crop, 2)).up_by(find_crop(crop).final_count_day) == pytest.approx(0.95)


def test_a_known_temperature_moves_the_calendar() -> None:
    cold, warm = (prior_for(Sowing("spinach", 2), temperature_c=t).median_days for t in (10.0, 20.0))
    # Harrington & Minges 1954: spinach emerges after 12 days at 10 C and 6 at 20 C
    assert (cold, warm) == (12, 6)


# the tables


def days_of(book: Book, plug: str) -> pd.DataFrame:
    return weigh(book.evidence()).days.query(f"plug == '{plug}'")


def test_first_sprouted_is_the_first_look_that_shows_it_with_bounds(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        for day in (0, 2, 4, 7, 9, 11):
            add(book, survey(f"{day}.jpg", day, {"A1": 1} if day >= 7 else {}))
        plug = weigh(book.evidence()).plugs.set_index("plug").loc["A1"]
    assert (plug["first_sprouted"], plug["day_sprouted"]) == (on(7).isoformat(), 7)
    assert (plug["day_sprouted_low"], plug["day_sprouted_high"]) == (4, 7)


def test_a_plug_that_is_hidden_keeps_what_was_known_of_it(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        for day in range(4, 12):
            up = {"A1": 1} if day >= 6 else {}
            add(book, survey(f"{day}.jpg", day, {s: hidden(s) for s in ("A1", "A2")} if day >= 10 else up))
        a1, a2 = days_of(book, "A1").iloc[-1], days_of(book, "A2").iloc[-1]
    assert (a1["status"], a1["seedlings"]) == ("sprouted", 1)
    assert isnan(a1["tissue_cm2"])
    assert a2["status"] == "hidden"


def test_what_no_look_has_shown_is_never_called_sprouted(tmp_path: Path) -> None:
    with begin(tmp_path / "b", seeds=5) as book:
        for day in range(8, 30, 3):
            add(book, survey(f"{day}.jpg", day, {"A1": hidden("A1")}))
        weighed = weigh(book.evidence())
    assert set(days_of_frame(weighed.days, "A1")["status"]) == {"hidden"}
    plug = weighed.plugs.set_index("plug").loc["A1"]
    assert plug["first_sprouted"] == ""
    assert pd.isna(plug["day_sprouted"])


def days_of_frame(days: pd.DataFrame, plug: str) -> pd.DataFrame:
    return days[days["plug"] == plug]


def test_green_that_was_there_from_the_start_is_no_seedling_until_it_grows(tmp_path: Path) -> None:
    moss = {"A1": reading("A1", 1, p_sprouted=0.8, tissue_cm2=0.5)}
    with begin(tmp_path / "b") as book:
        for day in range(12):
            add(book, survey(f"{day}.jpg", day, moss))
        still = weigh(book.evidence()).plugs.set_index("plug").loc["A1"]
        for day in range(12, 16):
            grown = reading("A1", 1, tissue_cm2=0.5 + 0.6 * (day - 11))
            add(book, survey(f"{day}.jpg", day, {"A1": grown}))
        grew = weigh(book.evidence()).plugs.set_index("plug").loc["A1"]
    assert still["status"] != "sprouted"
    assert still["first_sprouted"] == ""
    assert (grew["status"], grew["day_sprouted"]) == ("sprouted", 12)


def test_a_missing_day_is_no_zero(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("6.jpg", 6, {"A1": 1}), survey("9.jpg", 9, {"A1": 1}))
        book.add_entries([{"date": on(7).isoformat(), "site": "A2", "seedlings": 0}], source="x")
        weighed = weigh(book.evidence())
    assert sorted(set(weighed.days["date"])) == [on(6).isoformat(), on(7).isoformat(), on(9).isoformat()]
    middle = weighed.grow.set_index("day").loc[7]
    assert (middle["plugs"], middle["sprouted"], middle["seedlings"]) == (6, 1, 1)  # what was up stays up
    assert pd.isna(middle["tissue_cm2"])
    assert pd.isna(middle["cover_pct"])


def test_of_several_photos_of_a_day_the_last_that_measured_the_plug_is_shown(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(
            book,
            survey("early.jpg", 6, {"A1": reading("A1", 1, tissue_cm2=0.3)}, hour=7),
            survey("noon.jpg", 6, {"A1": reading("A1", 1, tissue_cm2=0.5)}, hour=12),
            survey("late.jpg", 6, {"A1": hidden("A1")}, hour=19),
        )
        days = weigh(book.evidence()).days
    assert len(days) == len(LID.labels)
    shown = days.set_index("plug")[["photo", "tissue_cm2"]]
    assert shown.loc["A1"].tolist() == ["noon.jpg", 0.5]
    assert shown.loc["A2", "photo"] == "late.jpg"


def test_the_grow_table_adds_up(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"]) as book:
        add(book, *(survey(f"{d}.jpg", d, {"A1": 2, "A2": 1}) for d in (6, 7, 8)))
        row = weigh(book.evidence()).grow.iloc[-1]
    assert row[["plugs", "sprouted", "seedlings"]].tolist() == [5, 2, 3]
    assert row["tissue_cm2"] == pytest.approx(1.2)
    assert row["cover_pct"] == pytest.approx(100 * 1.2 / (6 * 36))  # of the whole lid, bare sites included


def test_tables_have_the_declared_columns_and_kinds(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        add(book, survey("6.jpg", 6, {"A1": 1}))
        weighed = weigh(book.evidence())
    of_plugs = (weighed.plugs, columns.PLUG_STATES)
    for table, declared in ((weighed.days, columns.DAYS), of_plugs, (weighed.grow, columns.GROW)):
        assert list(table.columns) == [c.name for c in declared]
        assert table.equals(columns.frame(table.to_dict("records"), declared))
    assert weighed.plugs["sown"].unique().tolist() == [SOWN.isoformat()]


# news


def test_news_are_what_changed_since_the_look_before(tmp_path: Path) -> None:
    with begin(tmp_path / "b", bare=["B3"], seeds=3) as book:
        for day in range(4, 12):
            seen: dict[str, Any] = {"A1": 2, "A2": 1}
            if day >= 11:
                seen |= {"B1": 1, "A2": 3, "A1": reading("A1", 2, yellow_pct=25.0), "B2": reading("B2", 0, algae="yes")}
            add(book, survey(f"{day}.jpg", day, seen))
        # the newest look alone is not believed at once in everything, so one more says the same
        add(book, survey("12.jpg", 12, seen))
        days = weigh(book.evidence()).days
    news = {(c.plug, c.kind): c.text for c in changes(days, on=on(11).isoformat())}
    assert news["B1", "sprouted"] == "sprouted: 1 seedling"
    assert news["A1", "yellowing"] == "25 % of the tissue is yellowing"
    assert ("B2", "algae") in news
    assert ("A2", "more") in news
    assert changes(days) == []
    assert changes(days.iloc[:0]) == []
