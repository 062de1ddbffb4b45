"""The outlook: what is to come, from what was known on its day and nothing later."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from math import isnan, nan
from pathlib import Path
from typing import Any

import pytest
from benchmarks.outlook_backtest import backtest
from grows import LID, SOWN, add, begin, on, reading, survey, view

from sprout import columns
from sprout.book import Book, Grow
from sprout.calibration import find_crop
from sprout.cli import main
from sprout.errors import UsageError
from sprout.evidence import Evidence
from sprout.feed import parse_feed
from sprout.germination.prior import median_day
from sprout.lid import make_lid
from sprout.outlook import (
    EarlierGrow,
    Outlook,
    curve_table,
    earlier_grow,
    germination_table,
    growth_table,
    look_ahead,
    plug_table,
)
from sprout.outlook.advice import Condition, advise
from sprout.outlook.ahead import recent
from sprout.outlook.priors import priors
from sprout.plugs import Note, Sowing
from sprout.timeline import weigh

BIG = make_lid(name="classroom", pattern="grid", rows=3, columns=4, pitch_mm=[60, 60], hole_mm=30)
NEVER = 999


def grown(day: int, up: int, seedlings: int) -> dict[str, Any]:
    """A reading of a plug that came up on a day: leaf doubles every four days or so, to a limit."""
    size = 0.4 * 2 ** ((day - up) / 4)
    size = size / (1 + size / 60)
    return {"seedlings": seedlings, "tissue_cm2": size, "cover_pct": size / 36 * 100}


def shows(day: int, ups: dict[str, int], seedlings: int = 1) -> dict[str, dict[str, Any]]:
    return {site: reading(site, **grown(day, up, seedlings)) for site, up in ups.items() if day >= up}


def fill(book: Book, ups: dict[str, int], days: Iterable[int], *, seedlings: int = 1) -> None:
    add(book, *(survey(f"{d}.jpg", d, shows(d, ups, seedlings), lid=book.lid) for d in days))


def note(kind: str, day: int, site: str = "", to_site: str = "", **more: Any) -> Note:
    return Note(kind, datetime.combine(on(day), time()), site, to_site, **more)


def outlook_of(evidence: Evidence, day: int, **options: Any) -> Outlook:
    known = evidence.until(on(day))
    return look_ahead(known, weigh(known), as_of=on(day), **options)


def plug(ahead: Outlook, name: str) -> Any:
    return next(p for p in ahead.plugs if p.plug == name)


HALF = {label: 5 + k % 4 for k, label in enumerate(BIG.labels[:9])}


@pytest.fixture
def book(tmp_path: Path) -> Book:
    """Nine of twelve plugs up between day 5 and day 8, looked at every day to day 20."""
    book = begin(tmp_path / "b", lid=BIG)
    fill(book, HALF, range(1, 21))
    return book


# the record


def test_json_has_the_promised_keys(book: Book) -> None:
    found = outlook_of(book.evidence(), 12).as_json()
    assert found["as_of"] == on(12).isoformat()
    spans = ("sprouted_final", "germination_pct", "t50_days")
    assert {*spans, "sprouted_now"} <= set(found["grow"])
    keys = ["plug", "site", "status", "p_yet", "give_up_on", "seedlings", "first_pick", "advice", "why"]
    assert all(set(keys) <= set(p) for p in found["plugs"])
    assert {"cover_pct", "closure", "first_pick"} <= set(found["lid"])
    assert {"litres_per_day", "empty_on", "basis"} <= set(found["water"])
    assert {"start_on", "dose_ml", "dose_tsp", "litres", "basis"} <= set(found["feed"])
    assert all({"when", "what", "why"} <= set(task) for task in found["to_do"])
    for span in (*(found["grow"][s] for s in spans), found["lid"]["closure"], found["plugs"][0]["first_pick"]):
        assert list(span) == ["low", "mid", "high"]
        assert span["low"] <= span["mid"] <= span["high"]
    assert "NaN" not in json.dumps(found)


def test_a_dozen_plugs_in_the_second_week(book: Book) -> None:
    ahead = outlook_of(book.evidence(), 12)
    assert ahead.grow.sprouted_now == 9
    assert ahead.grow.plugs == 12
    assert 9 <= ahead.grow.sprouted_final.low <= ahead.grow.sprouted_final.high <= 12
    assert ahead.grow.t50_days.low < 6.5 < ahead.grow.t50_days.high
    empty, up = plug(ahead, "C4"), plug(ahead, "A1")
    assert 0 < empty.p_yet < 0.5
    assert isnan(up.p_yet)
    assert up.give_up_on is None
    assert up.first_pick.low is not None
    assert on(12) < up.first_pick.low < up.first_pick.high
    assert empty.first_pick.mid is None
    assert "in 100 would still come; the seed-testing calendar closes at day 14" in empty.why


def test_hope_fades_and_the_plug_is_given_up_on_the_day_foretold(book: Book) -> None:
    evidence = book.evidence()
    hopes = [plug(outlook_of(evidence, day), "C4").p_yet for day in range(8, 21, 3)]
    assert hopes == sorted(hopes, reverse=True)
    foretold = plug(outlook_of(evidence, 10), "C4").give_up_on
    assert foretold is not None
    assert on(10) < foretold <= on(20)
    day = (foretold - SOWN).days
    assert plug(outlook_of(evidence, 10), "C4").advice == "wait"
    assert plug(outlook_of(evidence, day + 1), "C4").advice == "give up"


def test_a_plug_nobody_has_looked_at_for_weeks_is_not_given_up_unseen(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        fill(book, {}, [1, 4])
        ahead = outlook_of(book.evidence(), 40)
    assert {p.advice for p in ahead.plugs} == {"look again"}
    assert "empty on day 4" in ahead.plugs[0].why
    assert ahead.to_do[0].what == "take a photo"


def test_the_growers_own_stop_rule(book: Book) -> None:
    evidence = book.evidence()
    days = [plug(outlook_of(evidence, 10, keep_until_chance=p), "C4").give_up_on for p in (0.3, 0.1, 0.02)]
    assert days == sorted(days)
    assert len(set(days)) == 3


def test_fruits_that_give_two_seedlings_may_show_more_seedlings_than_seeds(tmp_path: Path) -> None:
    book = begin(tmp_path / "b", crop="coriander", seeds=2)
    fill(book, dict.fromkeys(LID.labels[:5], 10), range(1, 19), seedlings=4)
    ahead = outlook_of(book.evidence(), 18)
    assert plug(ahead, "A1").seedlings in (3, 4)
    assert ahead.grow.germination_pct.high <= 100


# nothing later than its day


def later_words(book: Book) -> None:
    """Everything one may add to a book, all of it after day 10."""
    fill(book, dict.fromkeys(BIG.labels, 11), range(21, 30))
    book.add_entries([{"date": on(11).isoformat(), "site": "C4", "seedlings": 2}], source="looks.csv")
    book.add_fix({"date": on(12).isoformat(), "site": "A1", "seedlings": 0})
    book.describe_feed(parse_feed("liquid 2 ml/l"), since=on(12))
    book.add_notes(
        [
            note("retire", 11, "A1"),
            note("move", 12, "A2", "A1"),
            note("resow", 13, "B1", sowing=Sowing("lettuce", 4)),
            note("pick", 13),
            note("topup", 14, amount=1.0, unit="l"),
            note("level", 14, amount=60, unit="%"),
            note("feed", 15, amount=5.0, unit="ml"),
        ]
    )


def test_what_is_known_later_changes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "b", lid=BIG) as book:
        fill(book, HALF, range(1, 11))
        fill(book, HALF, range(11, 21))
        words = ["outlook", str(tmp_path / "b"), "--as-of", on(10).isoformat()]
        assert main([*words, "--json"]) == 0
        assert main(words) == 0
        before = capsys.readouterr().out
        later_words(book)
        assert main([*words, "--json"]) == 0
        assert main(words) == 0
    assert capsys.readouterr().out == before
    assert '"plug": "C4"' in before


def test_the_weighing_must_not_have_seen_more(book: Book) -> None:
    evidence = book.evidence()
    with pytest.raises(ValueError, match="something later"):
        look_ahead(evidence.until(on(10)), weigh(evidence), as_of=on(10))
    with pytest.raises(ValueError, match="something later"):
        look_ahead(evidence, weigh(evidence.until(on(10))), as_of=on(10))


def test_a_day_before_the_sowing_is_refused(book: Book) -> None:
    known = book.evidence().until(SOWN)
    with pytest.raises(UsageError, match="before the sowing"):
        look_ahead(known, weigh(known), as_of=SOWN - timedelta(days=1))


def test_the_day_meant_is_today_while_the_grow_goes_on(book: Book) -> None:
    evidence = book.evidence()
    assert recent(evidence, on(21)) == on(21)
    assert recent(evidence, on(34)) == on(34)
    assert recent(evidence, on(35)) == on(20)
    assert recent(evidence, on(3)) == on(20)  # a clock that is behind the photos'


# grows of every kind


def one_plug(book: Book) -> None:
    pass


def all_up(book: Book) -> None:
    fill(book, dict.fromkeys(book.lid.labels, 5), range(1, 30, 2))


def none_up(book: Book) -> None:
    fill(book, {}, range(1, 61, 5))


def one_photo(book: Book) -> None:
    fill(book, {}, [3])


def one_photo_of_a_grown_lid(book: Book) -> None:
    fill(book, dict.fromkeys(book.lid.labels, 5), [30])


def first_day(book: Book) -> None:
    fill(book, {}, [0])


def only_counts_by_eye(book: Book) -> None:
    rows = [
        {"date": on(d).isoformat(), "site": site, "seedlings": int(d > 7 and site == "A1")}
        for d in (4, 6, 8, 11)
        for site in LID.labels
    ]
    book.add_entries(rows, source="looks.csv")


def everything_retired(book: Book) -> None:
    all_up(book)
    book.add_notes([note("retire", 20, site) for site in book.lid.labels])


def retired_at_once(book: Book) -> None:
    book.add_notes([note("retire", 1, site) for site in book.lid.labels])


def resown(book: Book) -> None:
    fill(book, {"A1": 5}, range(1, 25))
    book.add_notes([note("resow", 12, site, sowing=Sowing("coriander", 3)) for site in ("A2", "A3")])


def moved(book: Book) -> None:
    book.add_notes([note("retire", 8, "B3"), note("move", 9, "A1", "B3"), note("move", 10, "A2", "A1")])
    fill(book, {"A2": 5, "B3": 12}, range(1, 25))


def some_retired(book: Book) -> None:
    fill(book, {"A1": 5, "A2": 6}, range(1, 25))
    book.add_notes([note("retire", 10, "B1"), note("retire", 24, "A2")])


def died(book: Book) -> None:
    fill(book, {"A1": 5, "A2": 6}, range(1, 12))
    fill(book, {"A2": 6}, range(12, 25))


def picked(book: Book) -> None:
    fill(book, dict.fromkeys(LID.labels, 5), range(1, 41))
    add(book, *(survey(f"p{d}.jpg", d, shows(d, dict.fromkeys(LID.labels, 25))) for d in range(41, 46)))
    book.add_notes([note("pick", 41), note("pick", 44, "A1")])


def hidden_all_along(book: Book) -> None:
    unseen = reading("A2", status="hidden", p_sprouted=0.5, tissue_cm2=nan, cover_pct=nan)
    add(book, *(survey(f"{d}.jpg", d, shows(d, {"A1": 5}) | {"A2": unseen}) for d in range(1, 20)))


Story = Callable[[Book], None]
STORIES: list[Story] = [
    one_plug,
    all_up,
    none_up,
    one_photo,
    one_photo_of_a_grown_lid,
    first_day,
    only_counts_by_eye,
    everything_retired,
    retired_at_once,
    resown,
    moved,
    some_retired,
    died,
    picked,
    hidden_all_along,
]


ON_SEVERAL_PLUGS = (everything_retired, retired_at_once, resown, moved, some_retired)


def check(ahead: Outlook) -> None:
    """What must hold of every outlook whatsoever."""
    grow = ahead.grow
    for span in (grow.sprouted_final, grow.germination_pct, grow.t50_days):
        assert all(map(isnan, span)) or span.low <= span.mid <= span.high
    assert grow.sprouted_final.low >= 0
    assert grow.sprouted_final.high <= grow.plugs
    assert grow.sprouted_now <= grow.plugs
    for p in ahead.plugs:
        assert isnan(p.p_yet) or 0 <= p.p_yet <= 1
        assert p.why
        assert "nan" not in p.why.lower()
        assert (p.status == "retired") == (p.site == "")
        assert p.status not in ("sprouted", "retired") or isnan(p.p_yet)
        if p.status == "empty" and p.advice in ("wait", "give up"):
            assert p.give_up_on is not None
            assert p.give_up_on >= ahead.as_of
            assert (p.advice == "give up") == (p.p_yet < 0.1)
            assert p.advice == "give up" or p.give_up_on > ahead.as_of
        else:
            assert p.advice not in ("wait", "give up")
    assert [t.when for t in ahead.to_do] == sorted(t.when for t in ahead.to_do)
    assert all(t.when >= ahead.as_of and t.what and t.why for t in ahead.to_do)
    assert "NaN" not in json.dumps(ahead.as_json())


@pytest.mark.parametrize("story", STORIES, ids=lambda s: s.__name__)
def test_no_grow_is_too_odd(story: Story, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    see_it_through(story, (), tmp_path, capsys)


@pytest.mark.parametrize("story", [s for s in STORIES if s not in ON_SEVERAL_PLUGS], ids=lambda s: s.__name__)
def test_nor_with_a_single_plug(story: Story, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    see_it_through(story, LID.labels[1:], tmp_path, capsys)


def see_it_through(story: Story, bare: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "b", bare=bare) as book:
        story(book)
        evidence = book.evidence()
    for day in sorted({0, 1, 10, 60, (evidence.last_day - SOWN).days}):
        known = evidence.until(on(day))
        weighed = weigh(known)
        ahead = look_ahead(known, weighed, as_of=on(day))
        check(ahead)
        assert list(plug_table(weighed, ahead).columns) == [c.name for c in columns.PLUGS]
    for kind in ("plugs", "germination", "curve", "growth"):
        assert main(["table", str(tmp_path / "b"), "--of", kind]) == 0
    assert main(["outlook", str(tmp_path / "b")]) == 0
    assert "nan" not in capsys.readouterr().out.lower()


def story_outlook(folder: Path, story: Story, day: int) -> Outlook:
    with begin(folder / "b") as book:
        story(book)
        return outlook_of(book.evidence(), day)


def test_with_none_up_on_day_60_all_are_given_up_and_nothing_is_promised(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, none_up, 60)
    assert {p.advice for p in ahead.plugs} == {"give up"}
    assert ahead.grow.sprouted_final.high <= 1
    assert ahead.lid.first_pick.mid is None
    assert ahead.lid.closure.mid is None


def test_before_the_first_photo_the_calendar_speaks(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, one_plug, 0)
    assert {p.advice for p in ahead.plugs} == {"take a photo"}
    assert isnan(ahead.lid.cover_pct)
    low, _, high = ahead.grow.t50_days
    assert low < 7 < high
    assert ahead.grow.sprouted_final.low < ahead.grow.sprouted_final.high
    assert ahead.to_do[0].what == "take a photo"


def test_retired_plugs_stay_in_the_list_and_count_no_more(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, some_retired, 24)
    assert [p.plug for p in ahead.plugs if p.status == "retired"] == ["A2", "B1"]
    assert ahead.grow.plugs == 4
    assert ahead.grow.sprouted_now == 1
    assert plug(ahead, "A2").advice == ""


def test_a_new_sowing_is_waited_for_from_its_own_day(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, resown, 24)
    new, old = plug(ahead, "A2#2"), plug(ahead, "B1")
    assert (new.site, new.crop) == ("A2", "coriander")
    assert new.p_yet > 0.4 > old.p_yet
    assert plug(ahead, "A2").status == "retired"


def test_a_plug_keeps_its_name_when_it_moves(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, moved, 24)
    assert (plug(ahead, "A1").site, plug(ahead, "A2").site) == ("B3", "A1")


def test_a_seedling_that_is_gone_counts_no_more(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, died, 24)
    lost = plug(ahead, "A1")
    assert lost.status == "empty"
    assert lost.advice == "resow or close the hole"
    assert lost.first_pick.mid is None
    assert ahead.grow.sprouted_now == ahead.grow.sprouted_final.low == 1


def test_a_plug_in_doubt_is_given_the_chance_that_it_is_up(tmp_path: Path) -> None:
    faint = {"p_sprouted": 0.85, "tissue_cm2": 0.2}
    with begin(tmp_path / "b") as book:
        fill(book, {"A1": 5}, range(1, 20))
        for day in (20, 21):
            add(book, survey(f"x{day}", day, shows(day, {"A1": 5}) | {"B1": reading("B1", 1, **faint)}))
        ahead = outlook_of(book.evidence(), 21)
    assert plug(ahead, "B1").status == "unsure"
    assert plug(ahead, "B1").p_yet > 0.1 > 2 * plug(ahead, "B2").p_yet


def test_after_a_picking_the_next_one_is_foretold(tmp_path: Path) -> None:
    ahead = story_outlook(tmp_path, picked, 45)
    first = plug(ahead, "A1")
    assert first.first_pick == (on(41),) * 3
    assert first.next_pick.mid is not None
    assert first.next_pick.mid > on(45)
    assert not ahead.warnings  # the loss is explained
    before = story_outlook(tmp_path / "c", picked, 40)
    assert plug(before, "A1").advice == "pick"


def test_a_picking_of_the_lid_is_none_of_a_plug_that_comes_up_later(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        fill(book, {"A1": 5, "A2": 30}, range(1, 41))
        book.add_notes([note("pick", 25)])
        ahead = outlook_of(book.evidence(), 40)
    assert plug(ahead, "A1").first_pick.mid == on(25)
    assert plug(ahead, "A2").first_pick.low > on(40)
    assert plug(ahead, "A2").next_pick.mid is None


def test_a_loss_nobody_noted_is_asked_about(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        picked(book)
        evidence = book.evidence()
    ahead = outlook_of(replace(evidence, notes=()), 45)
    assert {w.kind for w in ahead.warnings} == {"loss"}
    asked = plug(ahead, "A1")
    assert asked.advice == "look it over"
    assert "picked but not noted" in asked.why
    assert any("picked but not noted" in task.why for task in ahead.to_do)


@pytest.mark.parametrize(("lost_for_good", "kinds"), [(False, set()), (True, {"loss"})])
def test_leaf_that_a_neighbour_took_over_is_not_lost(lost_for_good: bool, kinds: set[str], tmp_path: Path) -> None:
    touching = {"flags": "touching", "yellow_pct": 0.0}
    with begin(tmp_path / "b") as book:
        fill(book, {"A1": 5, "A2": 5}, range(1, 31))
        one, two = (reading(s, 1, tissue_cm2=t, **touching) for s, t in (("A1", 5.0), ("A2", 50.0)))
        if lost_for_good:
            two["tissue_cm2"] = 24.0
        add(book, *(survey(f"t{d}.jpg", d, {"A1": one, "A2": two}) for d in range(31, 35)))
        assert {w.kind for w in outlook_of(book.evidence(), 34).warnings} == kinds


# what it starts from


def test_warmth_moves_the_prior_through_the_book(tmp_path: Path) -> None:
    days = {}
    for degrees in (10.0, 24.0):
        grow = Grow(SOWN, dict.fromkeys(LID.labels, Sowing("lettuce", 2)), temperature_c=degrees)
        with Book.begin(tmp_path / f"{degrees}", grow, lid=LID, view=view(), view_sha256="e" * 64) as book:
            ahead = outlook_of(book.evidence(), 0)
        days[degrees] = ahead.grow.t50_days.mid
        assert f"at {degrees:g} °C" in ahead.grow.basis
    # Harrington & Minges 1954: lettuce emerges after 7 days at 10 C and after 2 to 3 days at 20 to 25 C
    assert days[10.0] > 1.5 * days[24.0]


def test_an_earlier_book_of_the_crop_teaches(tmp_path: Path) -> None:
    with begin(tmp_path / "old", lid=BIG) as old:
        fill(old, dict.fromkeys(BIG.labels, 12), range(1, 21), seedlings=2)
        before = earlier_grow(old.evidence())
    with begin(tmp_path / "new", lid=BIG) as new:
        fill(new, {}, range(1, 9))
        evidence = new.evidence()
    alone, taught = (outlook_of(evidence, 8, earlier=e) for e in ((), (before,)))
    assert plug(taught, "A1").p_yet > plug(alone, "A1").p_yet
    first_day = [outlook_of(evidence, 1, earlier=e).grow.t50_days.mid for e in ((), (before,))]
    assert first_day[0] < first_day[1] < 12
    assert "1 earlier book with basil" in taught.grow.basis
    other = replace(before, plugs=tuple(replace(o, crop="lettuce") for o in before.plugs))
    assert outlook_of(evidence, 8, earlier=(other,)) == alone


def test_what_warmth_explains_is_not_learned_as_habit(tmp_path: Path) -> None:
    with begin(tmp_path / "old", lid=BIG, crop="lettuce") as old:
        fill(old, dict.fromkeys(BIG.labels, 8), range(1, 21))
        seen = earlier_grow(old.evidence()).plugs
    cold, unsaid = (EarlierGrow(seen, t) for t in (10.0, 21.0))
    (after_cold, after_warm) = (
        median_day(priors(["lettuce"], temperature_c=21.0, earlier=[e])["lettuce"]) for e in (cold, unsaid)
    )
    plain = median_day(priors(["lettuce"], temperature_c=21.0)["lettuce"])
    assert abs(after_cold - plain) < abs(after_warm - plain)


def test_an_earlier_book_is_read_no_further_than_the_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with begin(tmp_path / "old", lid=BIG) as old:
        fill(old, dict.fromkeys(BIG.labels, 12), range(15, 21))
    with begin(tmp_path / "new", lid=BIG) as new:
        fill(new, {}, range(1, 9))
    words = ["outlook", str(tmp_path / "new"), "--json", "--as-of", on(8).isoformat()]
    assert main(words) == 0
    alone = capsys.readouterr().out
    assert main([*words, "--learn-from", str(tmp_path / "old")]) == 0
    out = capsys.readouterr()
    assert out.out == alone
    assert "teaches nothing" in out.err


def test_a_book_does_not_teach_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begin(tmp_path / "b").close()
    assert main(["outlook", str(tmp_path / "b"), "--learn-from", str(tmp_path / "b")]) == 2
    assert "is the book itself" in capsys.readouterr().err


# advice


def condition(**changed: Any) -> Condition:
    plain = Condition("sprouted", on(12), day=12, day_sprouted=6, seedlings=1, fed_day=10)
    return replace(plain, **changed)


EMPTY: dict[str, Any] = {"status": "empty", "day_sprouted": None, "why_empty": "7 in 100 would still come"}


@pytest.mark.parametrize(
    ("changed", "advice"),
    [
        ({}, "nothing"),
        ({"status": "retired"}, ""),
        ({"day": None}, "take a photo"),
        (EMPTY | {"p_yet": 0.3, "give_up_on": on(13)}, "wait"),
        (EMPTY | {"p_yet": 0.3, "give_up_on": on(12)}, "look again"),
        (EMPTY | {"p_yet": 0.09, "give_up_on": on(12)}, "give up"),
        (EMPTY | {"p_yet": 0.09, "give_up_on": on(13), "give_up_below": 0.05}, "wait"),
        (EMPTY | {"day_sprouted": 6}, "resow or close the hole"),
        ({"status": "unsure"}, "look closer"),
        ({"status": "hidden"}, "look under the leaves"),
        ({"seedlings": 4, "day": 14}, "thin to 2"),
        ({"seedlings": 4, "day": 8}, "nothing"),
        ({"day": 14, "fed_day": None}, "feed"),
        ({"day": 30, "fed_day": 12}, "feed"),
        ({"yellow_pct": 30.0}, "check food and light"),
        ({"yellow_pct": 30.0, "fed_day": None}, "feed"),
        ({"dry_pct": 30.0, "seedlings": 4, "day": 14}, "check the water"),
        ({"pick_from": on(12)}, "pick"),
        ({"pick_from": on(13)}, "nothing"),
        ({"concerns": ("A1: yellowing",), "pick_from": on(12)}, "look it over"),
    ],
)
def test_the_rules_of_advice(changed: dict[str, Any], advice: str) -> None:
    given_advice, why = advise(condition(**changed), find_crop("basil"))
    assert given_advice == advice
    assert why
    assert "nan" not in why


# tables


def test_the_plug_table_and_the_outlook_say_the_same(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", str(book.path), "--of", "plugs", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert main(["outlook", str(book.path), "--as-of", on(20).isoformat(), "--json"]) == 0
    ahead = json.loads(capsys.readouterr().out)["plugs"]
    for row, told in zip(rows, ahead, strict=True):
        assert row["p_yet"] == pytest.approx(told["p_yet"], abs=1e-4)
        assert row["give_up_on"] == (told["give_up_on"] or "")
        assert (row["plug"], row["advice"], row["advice_why"]) == (told["plug"], told["advice"], told["why"])


def test_the_germination_table_gives_what_a_seed_test_gives(book: Book) -> None:
    (row,) = germination_table(weigh(book.evidence())).to_dict("records")
    assert (row["crop"], row["plugs"], row["plugs_up"], row["plugs_up_pct"]) == ("basil", 12, 9, 75)
    # Wilson 1927 for 9 of 12, computed from the formula: 46.8 to 91.1 %
    assert row["plugs_wilson_low_pct"] == pytest.approx(46.8, abs=0.05)
    assert row["plugs_wilson_high_pct"] == pytest.approx(91.1, abs=0.05)
    assert row["plugs_jeffreys_low_pct"] < 75 < row["plugs_jeffreys_high_pct"]
    # days 5, 6, 7, 8 with 3, 2, 2, 2 plugs, each half a day before the look that showed it
    assert row["mean_days"] == pytest.approx((3 * 4.5 + 2 * 5.5 + 2 * 6.5 + 2 * 7.5) / 9)
    assert row["velocity_pct_per_day"] == pytest.approx(100 / row["mean_days"])
    assert row["t50_coolbear_days"] == pytest.approx(row["t50_fit_days"], abs=0.7)


def test_several_crops_are_told_apart_and_together(tmp_path: Path) -> None:
    sowing = {site: Sowing("basil" if site < "B" else "lettuce", 2) for site in LID.labels}
    with Book.begin(tmp_path / "b", Grow(SOWN, sowing), lid=LID, view=view(), view_sha256="e" * 64) as book:
        fill(book, {"A1": 6, "B1": 3, "B2": 4}, range(1, 12))
        weighed = weigh(book.evidence())
    table = germination_table(weighed).set_index("crop")
    assert list(table.index) == ["basil", "lettuce", "all"]
    assert list(table["plugs_up"]) == [1, 2, 3]
    assert set(curve_table(weighed)["crop"]) == {"basil", "lettuce", "all"}


def test_the_curve_has_its_band_and_its_fit(book: Book) -> None:
    table = curve_table(weigh(book.evidence())).set_index("day")
    assert list(table.index) == list(range(21))
    assert table["up_pct"].is_monotonic_increasing
    assert table.loc[20, "up_pct"] == pytest.approx(75)
    assert (table["low_pct"] <= table["up_pct"] + 1e-9).all()
    assert (table["up_pct"] <= table["high_pct"] + 1e-9).all()
    assert abs(table["up_pct"] - table["fit_pct"]).max() < 15


def test_the_growth_table_finds_the_rate_that_was_drawn(tmp_path: Path) -> None:
    with begin(tmp_path / "b", lid=BIG) as book:
        fill(book, HALF, range(1, 17))
        evidence = book.evidence()
    table = growth_table(weigh(evidence), evidence)
    assert list(table["plug"]) == [*HALF, ""]
    together = table.iloc[-1]
    # leaf doubles in four days at first: 0.17 a day, less as it nears its limit
    assert 0.12 < together["growth_per_day"] < 0.175
    assert together["growth_se_per_day"] > 0
    assert set(table["model"][:-1]) <= {"logistic", "expolinear"}
    assert (abs(table["growth_per_day"] - table["classical_per_day"]) < 0.03).all()


def test_growth_is_told_since_the_last_picking(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        picked(book)
        evidence = book.evidence()
    table = growth_table(weigh(evidence), evidence).set_index("plug")
    assert table.loc["A2", "looks"] == 5
    assert table.loc["A2", "model"] == ""


# against grows whose end is known


def test_back_test_slice() -> None:
    got = backtest(12, seed=5)
    assert got["final plugs held %"] >= 75
    assert got["Brier below base rate %"] > 20
    assert abs(got["p_yet, mean"] - got["came, mean"]) < 0.2


# for a person


@pytest.mark.parametrize("width", [50, 80, 120])
def test_the_screen_shows_intervals_and_fits(
    width: int, book: Book, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from rich.console import Console

    monkeypatch.setattr("sprout.cli.forecasting.screen", lambda: Console(highlight=False, width=width))
    assert main(["outlook", str(book.path), "--as-of", on(10).isoformat()]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= width
    assert "9 of 12 now" in out
    assert " to " in out.split("Seeds up")[1].split("\n")[0]
    assert "in 100" in out
    assert "To do" in out


def test_a_day_that_is_none_is_refused(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["outlook", str(book.path), "--as-of", "tomorrow"]) == 2
    assert main(["outlook", str(book.path), "--as-of", date(2025, 1, 1).isoformat()]) == 2
    assert main(["outlook", str(book.path), "--keep-until-chance", "7"]) == 2
    assert "before the sowing" in capsys.readouterr().err
