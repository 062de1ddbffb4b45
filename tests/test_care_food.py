"""Plant food: units, descriptions, what the book keeps of it."""

from __future__ import annotations

import json
import sqlite3
from datetime import date
from pathlib import Path

import pytest
from grows import begin, on

from sprout.book import Book
from sprout.cli import main
from sprout.errors import UsageError
from sprout.feed import (
    METRIC_TEASPOON_ML,
    US_TEASPOON_ML,
    Feed,
    ec_of,
    parse_amount,
    parse_feed,
    ppm_of,
)

EXAMPLES = {
    e["name"]: e for e in json.loads((Path(__file__).parent / "published" / "examples.json").read_text("utf-8"))
}


def test_published_spoons() -> None:
    # NIST Handbook 44, Appendix C (gallon of 231 cubic inches); 21 CFR 101.9(b)(5)(viii) for the spoon of labels
    expected = EXAMPLES["spoons"]["expected"]
    assert expected["us_tsp_mL"] == US_TEASPOON_ML
    assert expected["label_tsp_mL"] == METRIC_TEASPOON_ML
    assert pytest.approx(expected["us_gal_L"] * 1000, rel=1e-12) == 768 * US_TEASPOON_ML
    # 1 teaspoon per US gallon, full and half strength: arithmetic
    per_gallon = EXAMPLES["tsp per US gallon"]["expected"]
    feed = Feed("liquid", 1 / expected["us_gal_L"], "us tsp")
    assert feed.dose(1).ml == pytest.approx(per_gallon["mL_per_L"], abs=1e-6)
    assert feed.dose(1, strength=0.5).ml == pytest.approx(per_gallon["half_strength"], abs=1e-6)


def test_half_a_teaspoon_per_litre_is_two_teaspoons_in_four_litres() -> None:
    # common practice
    metric, us = parse_feed("dry 0.5 tsp/l").dose(4), parse_feed("dry 0.5 us tsp/l").dose(4)
    assert (metric.tsp, metric.ml) == (2.0, 10.0)
    assert (us.tsp, us.ml) == (2.0, 2 * US_TEASPOON_ML)
    assert str(metric) == "10 mL (2 teaspoons of 5 mL)"
    assert str(us) == "9.86 mL (2 US teaspoons)"


@pytest.mark.parametrize(("scale", "key"), [(500, "ppm500"), (640, "ppm640"), (700, "ppm700")])
def test_published_ppm_of_each_scale(scale: int, key: str) -> None:
    # meter scales 500 (NaCl), 640, 700 (442/KCl), from memory
    example = EXAMPLES["EC to ppm"]
    ec = example["inputs"]["EC_mS_cm"]
    assert ppm_of(ec, scale) == pytest.approx(example["expected"][key], abs=1e-9)
    assert ec_of(ppm_of(ec, scale), scale) == pytest.approx(ec)


def test_an_unnamed_ppm_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="500, 640 or 700"):
        ppm_of(1.2, 600)


@pytest.mark.parametrize(
    ("text", "feed"),
    [
        ("dry 0.5 tsp/l", Feed("dry", 0.5, "tsp", 0.5)),
        ("Liquid 2,5 mL per litre", Feed("liquid", 2.5, "ml", 0.5)),
        ("1.2 g/L, seedlings 40 %", Feed("dry", 1.2, "g", 0.4)),
        ("0.5 us tsp/l", Feed("liquid", 0.5, "us tsp", 0.5)),
        ("dry 0.5 ustsp/liter seedlings 100%", Feed("dry", 0.5, "us tsp", 1.0)),
    ],
)
def test_descriptions(text: str, feed: Feed) -> None:
    assert parse_feed(text) == feed
    assert parse_feed(str(feed)) == feed


@pytest.mark.parametrize(
    "text", ["", "some food", "dry 0 ml/l", "2 spoons/l", "liquid 3 g/l", "dry 1 tsp/l seedlings 0%"]
)
def test_what_is_no_description_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="feed"):
        parse_feed(text)


def test_a_feed_in_grams_has_no_spoons() -> None:
    dose = parse_feed("dry 1.5 g/l").dose(4, strength=0.5)
    assert (dose.g, dose.ml, dose.tsp) == (3.0, None, None)


@pytest.mark.parametrize(
    ("text", "amount"),
    [("6", (6.0, "ml")), ("2 tsp", (10.0, "ml")), ("2ustsp", (2 * US_TEASPOON_ML, "ml")), ("5g", (5.0, "g"))],
)
def test_amounts(text: str, amount: tuple[float, str]) -> None:
    assert parse_amount(text) == amount


def test_no_amount_is_refused() -> None:
    with pytest.raises(UsageError, match="is no amount"):
        parse_amount("-3")


def test_the_book_keeps_feeds_with_their_days(tmp_path: Path) -> None:
    with begin(tmp_path / "b") as book:
        assert book.grow.feed is None
        book.describe_feed(parse_feed("liquid 2 ml/l"), since=on(5))
        book.describe_feed(parse_feed("dry 1 g/l"), since=on(12))
        with pytest.raises(UsageError, match="before the sowing"):
            book.describe_feed(parse_feed("dry 1 g/l"), since=date(2020, 1, 1))
        evidence = book.evidence()
    assert [(since, feed.unit) for since, feed in evidence.feeds] == [(on(5), "ml"), (on(12), "g")]
    assert [feed.unit for _, feed in evidence.until(on(11)).feeds] == ["ml"]


def test_an_older_book_learns_of_feeds(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    file = tmp_path / "b" / "book.sqlite"
    file.unlink()
    with sqlite3.connect(file) as connection:
        connection.executescript((Path(__file__).parent / "book_v1.sql").read_text("utf-8"))
        assert connection.execute("SELECT name FROM sqlite_master WHERE name = 'feed'").fetchone() is None
    connection.close()
    with Book(tmp_path / "b") as book:
        assert book.evidence().feeds == ()
        assert len(book.notes()) == 2
        book.describe_feed(parse_feed("dry 0.5 tsp/l"), since=book.grow.sown)
    with Book(tmp_path / "b") as book:
        assert book.grow.feed == Feed("dry", 0.5, "tsp")


def test_commands_note_water_and_food(tmp_path: Path) -> None:
    begin(tmp_path / "b").close()
    note = ["note", str(tmp_path / "b")]
    for words in (["food", "dry 0.5 tsp/l"], ["feed", "2tsp"], ["change"], ["change", "3"], ["level", "60%"]):
        assert main([*note, *words, "--on", str(on(3))]) == 0
    assert main([*note, "feed", "0"]) == 2
    assert main([*note, "food", "a spoonful"]) == 2
    with Book(tmp_path / "b") as book:
        kinds = [(n.kind, n.amount, n.unit) for n in book.notes()]
        assert book.evidence().feeds == ((on(3), Feed("dry", 0.5, "tsp")),)
    assert kinds == [("feed", 10.0, "ml"), ("change", None, "l"), ("change", 3.0, "l"), ("level", 60.0, "%")]
