"""Grows side by side: statistics, words, tables, picture, command."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from grows import LID, SOWN, add, begin, reading, survey
from PIL import Image

from sprout.book import Book, Grow
from sprout.cli import main
from sprout.columns import COMPARED, COMPARED_DAYS
from sprout.comparison import Grown, as_json, compare_grows, day_table, group_table, grouped, grown
from sprout.errors import UsageError
from sprout.germination.onsets import Onset
from sprout.growth.canopy import Canopy
from sprout.intervals import newcombe_difference, wilson
from sprout.plugs import Sowing
from sprout.report.compared import draw_comparison


def book(
    name: str, up: list[float | None], *, last: int = 20, rate: float = 0.2, crop: str = "basil", **more: object
) -> Grown:
    """A book looked at every day; ``up``: the day each plug came up."""
    plugs, leaf = [], []
    for k, day in enumerate(up):
        bare = {"plug": f"P{k}", "crop": crop, "seeds": more.get("seeds", 2), "sown": SOWN, "seen_day": float(last)}
        if day is None or day > last:
            plugs.append(Onset(**bare, empty_day=float(last)))
            leaf.append(Canopy(f"P{k}", crop, SOWN, None, np.zeros(0), np.zeros(0)))
        else:
            plugs.append(Onset(**bare, empty_day=day - 1, up_day=day, seedlings=1))
            days = np.arange(day, last + 1)
            areas = 0.4 * np.exp(rate * (days - day) + 0.1 * np.sin(7.0 * k))
            leaf.append(Canopy(f"P{k}", crop, SOWN, day, days, areas))
    return Grown(name, more.get("labels", {}), more.get("temperature_c"), tuple(plugs), tuple(leaf))


EARLY = [3.0, 4, 4, 5, 5, 5, 6, 6, 7, 4, 5, None]
LATE = [8.0, 9, 9, 10, 10, 11, 12, None, None, 9, 10, None]


def test_books_that_differ_are_told_apart_with_numbers_and_cautions():
    got = compare_grows(grouped([book("warm", EARLY), book("cold", LATE)]))
    (pair,) = got.pairs
    assert (pair.up, pair.plugs, pair.day) == ((11, 9), (12, 12), 20)
    low, high = newcombe_difference(11, 12, 9, 12)
    assert pair.difference_pct == pytest.approx((100 * low, 100 * 2 / 12, 100 * high))
    assert got.groups[0].up_pct == pytest.approx((100 * wilson(11, 12).low, 1100 / 12, 100 * wilson(11, 12).high))
    assert got.groups[0].t50_days.low < 4.5 < got.groups[0].t50_days.high
    assert pair.p_germination < 0.01
    assert got.tests == 2
    words = " ".join(got.verdict)
    assert "warm came up sooner or more fully than cold" in words
    assert "11 of 12 plugs (92 %) against 9 of 12 plugs (75 %)" in words
    assert "warm has" in got.verdict[1]
    against = " ".join(got.cautions)
    assert "share water, food and light" in against
    assert "dealt out by lot" in against
    assert "Holm" in against


def test_order_of_books_does_not_change_who_is_ahead():
    one, other = (
        compare_grows(grouped(books))
        for books in ([book("a", EARLY), book("b", LATE)], [book("b", LATE), book("a", EARLY)])
    )
    assert one.verdict[0].startswith("a came up sooner")
    assert other.verdict[0].startswith("a came up sooner")
    assert one.pairs[0].leaf.ratio == pytest.approx(1 / other.pairs[0].leaf.ratio)


def test_books_that_are_alike_show_no_difference_and_do_not_claim_there_is_none():
    got = compare_grows(grouped([book("a", EARLY[:6]), book("b", EARLY[1:7])]))
    assert got.pairs[0].p_germination > 0.3
    assert "no difference in coming up is shown" in got.verdict[0]
    assert any("does not mean none" in words for words in got.cautions)


def test_several_lids_to_a_group_are_shuffled_whole():
    label = [{"start": "pre"}, {"start": "direct"}]
    books = [book(f"{k}", up, labels=label[k % 2]) for k, up in enumerate([EARLY, LATE, EARLY, LATE])]
    got = compare_grows(grouped(books, by="start"), by="start")
    assert [group.books for group in got.groups] == [("0", "2"), ("1", "3")]
    assert got.groups[0].plugs == 24
    assert got.together.p_lids == pytest.approx(1 / 3)
    assert any("cannot be below 0.33" in words for words in got.cautions)
    assert any("along with start" in words for words in got.cautions)


def test_different_crops_seeds_warmth_and_lengths_are_told():
    got = compare_grows(
        grouped(
            [
                book("a", EARLY, temperature_c=19.0),
                book("b", LATE, crop="dill", seeds=4, temperature_c=24.0, last=16),
                book("c", [None], last=3),
            ]
        )
    )
    against = " ".join(got.cautions)
    for words in (
        "a: basil; b: dill",
        "a: 2; b: 4",
        "19 to 24 °C",
        "3 to 20 days",
        "Few plugs (c: 1)",
        "4 comparisons",
    ):
        assert words in against
    days = {(pair.first, pair.second): pair.day for pair in got.pairs}
    assert days == {("a", "b"): 16, ("a", "c"): 3, ("b", "c"): 3}  # a short book limits only its own pairs


def test_p_values_grow_with_the_number_of_comparisons():
    two = compare_grows(grouped([book("a", EARLY), book("b", LATE)]))
    four = compare_grows(grouped([book("a", EARLY), book("b", LATE), book("c", EARLY), book("d", LATE)]))
    assert four.tests > two.tests
    assert four.pairs[0].p_germination > two.pairs[0].p_germination


@pytest.mark.parametrize(
    "books",
    [
        [book("a", []), book("b", [])],
        [book("a", EARLY), book("b", [], last=0)],
        [book("a", [None], last=0), book("b", [None], last=0)],
        [book("a", [3.0], last=3), book("b", [None], last=1)],
        [book("a", [5.0] * 3, last=20), book("b", [5.0], last=60)],
        [book("a", [None] * 4, last=60), book("b", [None] * 4, last=60)],
        [book("a", [1.0] * 4, last=1), book("b", [1.0] * 4, last=1)],
    ],
)
def test_odd_books_never_fail(tmp_path, books):
    got = compare_grows(grouped(books))
    assert len(group_table(got)) == 2
    json.dumps(as_json(got), allow_nan=False)
    day_table(got)
    assert got.verdict
    draw_comparison(got, tmp_path / "odd.svg")


def test_tables_hold_the_curves_day_by_day():
    got = compare_grows(grouped([book("a", EARLY), book("b", LATE, last=15)]))
    days = day_table(got)
    assert list(days.columns) == [c.name for c in COMPARED_DAYS]
    assert list(group_table(got).columns) == [c.name for c in COMPARED]
    a = days[days["group"] == "a"].set_index("day")
    assert list(a.index) == list(range(21))
    assert a["up_pct"].is_monotonic_increasing
    assert a.loc[4, "up_pct"] == pytest.approx(100 * 4 / 12)
    assert a.loc[20, "up_pct"] == pytest.approx(100 * 11 / 12)
    assert (a["up_low_pct"] <= a["up_pct"]).all()
    assert days.loc[days["group"] == "b", "day"].max() == 15


def test_picture_is_the_same_each_time_and_refuses_what_it_cannot_show(tmp_path):
    got = compare_grows(grouped([book("a", EARLY), book("b", LATE)]))
    for name in ("one.svg", "two.svg", "three.png"):
        draw_comparison(got, tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()
    with Image.open(tmp_path / "three.png") as picture:
        grey = np.asarray(picture.convert("L"))
    assert picture.size == (1500, 660)
    assert grey.min() < 100 < grey.max()
    with pytest.raises(UsageError, match="no kind of picture"):
        draw_comparison(got, tmp_path / "four.txt")
    many = compare_grows(grouped([book(str(k), [3.0]) for k in range(7)]))
    with pytest.raises(UsageError, match="7 groups cannot be told apart"):
        draw_comparison(many, tmp_path / "five.svg")


# --- the command ---


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """Three books: basil early, basil late, one with nothing looked at."""
    for name, day, label in (("early", 4, "pre"), ("late", 9, "direct"), ("bare", 0, "direct")):
        sowing = {site: Sowing("basil", 2) for site in LID.labels}
        made = Book.begin(tmp_path / name, Grow(SOWN, sowing, labels={"start": label}), lid=LID)
        looks = range(2, 14, 2) if day else ()
        with made:
            for d in looks:
                up = {x: reading(x, 1, tissue_cm2=0.4 * (d - day + 1)) for x in LID.labels if d >= day}
                add(made, survey(f"{name}{d}", d, up))
    return tmp_path


def test_command_says_what_is_shown(shelf, capsys):
    assert main(["compare", str(shelf / "early"), str(shelf / "late")]) == 0
    out = capsys.readouterr().out
    assert "early came up sooner or more fully than late" in out
    assert "Hold against it" in out


def test_command_writes_tables_and_picture(shelf, capsys):
    words = [str(shelf / "early"), str(shelf / "late"), "--json", "--csv", str(shelf / "groups.csv")]
    words += ["--curves", str(shelf / "days.csv"), "--plot", str(shelf / "curves.png")]
    assert main(["compare", *words]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [g["group"] for g in found["groups"]] == ["early", "late"]
    assert found["pairs"][0]["up"] == [6, 6]
    with (shelf / "groups.csv").open(newline="", encoding="utf-8") as file:
        assert [row["up"] for row in csv.DictReader(file)] == ["6", "6"]
    assert (shelf / "days.csv").read_text("utf-8").startswith("group,day,up_pct")
    assert (shelf / "curves.png").stat().st_size > 5000


def test_command_groups_by_label_and_leaves_out_what_has_none(shelf, capsys):
    with begin(shelf / "nameless"):
        pass
    books = [str(shelf / name) for name in ("early", "late", "bare", "nameless")]
    assert main(["compare", *books, "--by", "start"]) == 0
    told = capsys.readouterr()
    assert "left out, no label start: nameless" in told.err
    assert "pre came up sooner" in told.out


@pytest.mark.parametrize(
    ("words", "phrase", "status"),
    [
        (["early"], "name two at least", 2),
        (["early", "early"], "names a book twice", 2),
        (["early", "late", "--by", "lamp"], "labels there are: start", 2),
        (["late", "bare", "--by", "start"], "all have start=direct", 2),
        (["early", "late", "--crop", "dill"], "it has basil", 2),
        (["early", "late", "--crop", "nonsuch"], "nonsuch", 2),
        (["early", "missing"], "begin one with", 5),
        (["early", "late", "--plot", "x.gif"], "end the name in", 2),
    ],
)
def test_command_says_what_is_wrong(shelf, capsys, monkeypatch, words, phrase, status):
    monkeypatch.chdir(shelf)
    assert main(["compare", *words]) == status
    assert phrase in capsys.readouterr().err


def test_days_of_a_book_are_counted_from_its_sowing(shelf):

    with Book(shelf / "late") as opened:
        got = grown("late", opened.evidence())
    assert got.last_day == 12
    assert {(p.empty_day, p.up_day) for p in got.plugs} == {(8.0, 10.0)}
