"""The report: valid, readable for everyone, self-contained, private, and it says what the tables say."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import date, datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import axe
import html5lib
import numpy as np
import pytest
from grows import LID, add, begin, on, reading, survey
from PIL import Image

from sprout.book import Book
from sprout.cli import main
from sprout.cli.forecasting import look_at
from sprout.lid import make_lid
from sprout.plugs import Note
from sprout.registration import LidView
from sprout.report.html import file_name, html_report, private
from sprout.report.views import day_views, grid_of, kept_views

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"
EVIL = '<script>alert("x")</script>&amp;'


def looks(lid: Any = LID) -> list[Any]:
    """A grow of 24 days: A1 up on day 6, A2 on day 8, A3 yellowing, B1 hidden in the end, B2 with algae."""
    found = []
    for day in range(0, 25, 2):
        leaf = 0.5 * 1.2 ** max(0, day - 6)
        seen: dict[str, Any] = {
            "A1": reading("A1", 2, tissue_cm2=leaf) if day >= 6 else 0,
            "A2": reading("A2", 1, tissue_cm2=0.7 * leaf) if day >= 8 else 0,
            "A3": reading("A3", 1, tissue_cm2=leaf, yellow_pct=max(0.0, 4.0 * (day - 16))) if day >= 6 else 0,
            "B2": reading("B2", algae="yes", flags="algae") if day >= 12 else 0,
        }
        one = survey(f"p{day}.jpg", day, seen, lid=lid)
        found.append(replace(one, path=Path(f"/home/someone/photos of {day}/p{EVIL.replace('/', '')}{day}.jpg")))
    return found


def page_of(book: Book, *, as_of: date | None = None) -> str:
    evidence = book.evidence()
    weighed, ahead = look_at(evidence, as_of=as_of)
    photos = book.photos()
    photos = photos[photos["date"] <= ahead.as_of.isoformat()]
    kept = kept_views(photos, book.path)
    grid = grid_of(kept)
    views = day_views(kept, book.lid, grid) if grid else ()
    made = datetime(2026, 4, 1, 12)
    known = evidence.until(ahead.as_of)
    return html_report(known, weighed, ahead, book.lid, photos=photos, views=views, grid=grid, made=made)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    lid = make_lid(name=f"lid {EVIL}", pattern="grid", rows=2, columns=3, pitch_mm=[60, 60], hole_mm=30)
    opened = begin(tmp_path_factory.mktemp("report") / "book", lid=lid)
    add(opened, *looks(lid))
    unread = survey("bad.jpg", 9, {})
    add(opened, replace(unread, reason=f"too blurred {EVIL} in /home/someone/x.jpg", readings=[], view=None))
    at = datetime.combine(on(15), time.min)
    opened.add_notes([
        Note("topup", at, amount=1.5, unit="l", comment=f"after school {EVIL}"),
        Note("pick", datetime.combine(on(20), time.min), site="A1"),
    ])  # fmt: skip
    return opened


@pytest.fixture(scope="module")
def page(book: Book) -> str:
    return page_of(book)


@pytest.fixture(scope="module")
def tree(page: str) -> ET.Element:
    return html5lib.HTMLParser(strict=True).parse(page)


def words(element: ET.Element) -> str:
    return " ".join("".join(element.itertext()).split())


def of(tree: ET.Element, *names: str) -> list[ET.Element]:
    return [e for e in tree.iter() if e.tag in {HTML + name for name in names}]


def test_the_page_is_valid_html(page: str, tree: ET.Element) -> None:
    """The strict parser stops at the first parse error of the HTML standard; ids are unique and lead somewhere."""
    assert page.lstrip().startswith("<!DOCTYPE html>")
    assert tree.get("lang") == "en"
    ids = Counter(e.get("id") for e in tree.iter() if e.get("id"))
    assert ids
    assert max(ids.values()) == 1
    named = {n for e in tree.iter() for n in (e.get("aria-labelledby") or "").split()}
    links = {a.get("href", "")[1:] for a in of(tree, "a")}
    drawn = set(re.findall(r"(?:url\(|href=\")#([\w-]+)", page))
    assert named | links | drawn <= set(ids)


def test_headings_are_in_order_and_there_is_a_way_past_the_contents(tree: ET.Element) -> None:
    levels = [int(h.tag[-1]) for h in of(tree, "h1", "h2", "h3", "h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))
    skip = of(tree, "a")[0]
    assert skip.get("href") == "#main"
    assert of(tree, "main")[0].get("id") == "main"


def test_pictures_have_words(tree: ET.Element) -> None:
    pictures = of(tree, "img")
    assert len(pictures) == 13
    assert all(p.get("alt") for p in pictures)
    figures = list(tree.iter(SVG + "svg"))
    assert len(figures) >= 8
    assert all(e.get("role") == "img" and e.get("aria-label") for e in figures)


def test_tables_have_captions_and_scopes(tree: ET.Element) -> None:
    tables = of(tree, "table")
    assert len(tables) >= 5
    for table in tables:
        assert words(of(table, "caption")[0])
        assert all(th.get("scope") in ("col", "row") for th in of(table, "th"))
        widths = {len(list(tr)) for tr in of(table, "tr")}
        assert len(widths) == 1


def test_the_page_needs_nothing_from_outside(page: str, tree: ET.Element) -> None:
    assert not of(tree, "script", "link", "iframe", "object", "embed", "base", "form")
    assert not [name for e in tree.iter() for name in e.attrib if name.lower().startswith("on")]
    sources = [v for e in tree.iter() for k, v in e.attrib.items() if k.split("}")[-1] in ("src", "href", "srcset")]
    assert sources
    assert all(v.startswith(("#", "data:image/jpeg;base64,")) for v in sources)
    assert not re.search(r"url\((?!#)|@import", page)
    policy = next(m.get("content", "") for m in of(tree, "meta") if m.get("http-equiv"))
    assert policy.startswith("default-src 'none'; img-src data:;")


def test_hostile_words_stay_words(page: str, tree: ET.Element) -> None:
    assert "<script" not in page
    assert words(of(tree, "h1")[0]) == f"lid {EVIL}"
    text = words(of(tree, "main")[0])
    assert f"after school {EVIL}" in text
    assert f"too blurred {EVIL} in x.jpg" in text


def test_the_page_tells_no_paths(page: str) -> None:
    assert "/home" not in page
    assert "someone" not in page
    assert str(Path.cwd()) not in page


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("a fault (OSError: '/home/me/My-photos/x.jpg')", "a fault (OSError: 'x.jpg')"),
        ('cannot open "/home/me/my photos/x.jpg": gone', 'cannot open "x.jpg": gone'),
        ("a <b>bold</b> word", "a <b>bold</b> word"),
        (r"C:\Users\me\x.jpg: too dark", "x.jpg: too dark"),
        ("1/2 teaspoon, 4 mL/l", "1/2 teaspoon, 4 mL/l"),
        ("look at https://example.org/a/b", "look at https://example.org/a/b"),
    ],
)
def test_paths_are_cut_down_to_names(given: str, told: str) -> None:
    assert private(given) == told


def test_file_names_of_any_system_lose_their_folder() -> None:
    assert file_name("/a/b/c.jpg") == file_name(r"D:\a\c.jpg") == file_name("c.jpg") == "c.jpg"


def test_the_page_says_what_the_outlook_says(book: Book, tree: ET.Element) -> None:
    _, ahead = look_at(book.evidence())
    text = words(of(tree, "body")[0])
    assert f"{ahead.grow.sprouted_now} of {ahead.grow.plugs}" in text
    assert ahead.to_do
    for task in ahead.to_do:
        assert task.what in text
        assert " ".join(task.why.split()) in text
    sections = [words(h) for h in of(tree, "h2")]
    assert sections == [
        "To do", "The lid", "What is to come", "Germination", "Leaf", "Health", "Water and food", "Day by day",
        "Tables", "How it was computed", "Cautions",
    ]  # fmt: skip
    plugs = next(t for t in of(tree, "table") if words(of(t, "caption")[0]) == "Every plug today")
    rows = {words(r[0]): [words(c) for c in list(r)[1:]] for r in of(plugs, "tr")[1:]}
    assert rows["A1"][:2] == ["sprouted", "2 of 2"]
    assert rows["B3"][0] == "empty"
    lid = next(e for e in tree.iter(SVG + "svg") if "straight from above" in e.get("aria-label", ""))
    assert "up: A1, A2, A3; empty: B1, B2, B3; amiss: A3 yellow, B2 algae" in lid.get("aria-label", "")


def test_figures_keep_their_text_and_follow_light_and_dark(page: str) -> None:
    figures = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    germination = next(f for f in figures if "of the plugs up by day" in f)
    assert "days since sowing</text>" in germination
    for figure in figures[1:]:
        assert "#0102" not in figure
        assert set(re.findall(r"(?:fill|stroke): ?([^;\"]+)", figure)) <= {
            "none", *(f"var(--{n})" for n in ("ink", "faint", "leaf", "band", "fit", "sick", "water")),
        }  # fmt: skip
    for name in ("ink", "faint", "leaf", "band", "fit", "sick"):
        assert len(re.findall(rf"--{name}:", page)) == 3  # light, dark, print


def test_a_page_of_an_earlier_day_knows_nothing_later(book: Book) -> None:
    early = page_of(book, as_of=on(8))
    tree = html5lib.HTMLParser(strict=True).parse(early)
    assert "day 8, 9 Mar 2026" in words(of(tree, "header")[0])
    assert len(of(tree, "img")) == 5
    assert "after school" not in early
    assert "too blurred" not in early


def test_a_book_without_a_photo_gives_a_page(tmp_path: Path) -> None:
    with begin(tmp_path / "book") as fresh:
        page = page_of(fresh)
    tree = html5lib.HTMLParser(strict=True).parse(page)
    assert "No photo has been read yet." in words(of(tree, "main")[0])
    assert "take a photo" in words(of(tree, "main")[0])


def test_several_crops_have_a_curve_each(tmp_path: Path) -> None:
    from grows import SOWN

    from sprout.book import Grow
    from sprout.plugs import Sowing

    sowing = {site: Sowing("dill" if site < "B" else "basil", 2) for site in LID.labels}
    with Book.begin(tmp_path / "book", Grow(SOWN, sowing), lid=LID) as mixed:
        add(mixed, *looks())
        page = page_of(mixed)
    tree = html5lib.HTMLParser(strict=True).parse(page)
    alts = [e.get("aria-label", "") for e in tree.iter(SVG + "svg")]
    assert [a.split(":")[0] for a in alts if "of the plugs up by day" in a] == ["Dill", "Basil", "Whole lid"]


def test_forty_days_stay_below_five_megabytes(tmp_path: Path) -> None:
    """Views as full of detail as a photo can be: noise does not compress."""
    rng = np.random.default_rng(3)
    rough = LidView(rng.integers(0, 255, (480, 640, 3), np.uint8), np.ones((480, 640), bool), (-60.0, -60.0), 640 / 240)
    with begin(tmp_path / "book") as long:
        for day in range(41):
            seen = {"A1": reading("A1", 2, tissue_cm2=0.1 * day)} if day > 5 else {}
            add(long, replace(survey(f"{day}.jpg", day, seen), view=rough))
        page = page_of(long)
    assert page.count("<img ") == 41
    assert len(page.encode()) < 5e6


def test_the_command_writes_the_page(book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "deep" / "my report.html"
    assert main(["report", str(book.path), "--html", str(file), "--as-of", on(20).isoformat()]) == 0
    told = capsys.readouterr()
    assert told.out == ""
    assert "written" in told.err
    html5lib.HTMLParser(strict=True).parse(file.read_text("utf-8"))
    assert [p.name for p in file.parent.iterdir()] == ["my report.html"]
    assert main(["report", str(book.path)]) == 2
    assert main(["report", str(tmp_path), "--html", str(file)]) == 5


def test_axe_finds_nothing(page: str, tmp_path: Path) -> None:
    assert axe.violations(page, tmp_path, width=390) == []
    assert axe.violations(page, tmp_path, width=1200, dark=True) == []


def test_axe_would_find_something(tmp_path: Path) -> None:
    """The check checks: a picture without words, letters too pale in the dark only, more than a phone is wide."""
    page = (
        '<!DOCTYPE html><html lang="en"><head><title>x</title><style>p { color: #000 }'
        "@media (prefers-color-scheme: dark) { body { background: #111 } p { color: #222 } }</style></head>"
        '<body><main><h1>x</h1><img src="a.png"><p>words</p></main></body></html>'
    )
    assert {v["id"] for v in axe.violations(page, tmp_path)} == {"image-alt"}
    assert {v["id"] for v in axe.violations(page, tmp_path, dark=True)} >= {"image-alt", "color-contrast"}
    wide = page.replace("<p>", '<p style="width: 450px">')
    assert {v["id"] for v in axe.violations(wide, tmp_path)} == {"image-alt", "wider-than-the-screen"}


@pytest.mark.parametrize(("width", "dark"), [(390, True), (1200, False)])
def test_pictures_of_the_page_are_kept(page: str, tmp_path: Path, width: int, dark: bool) -> None:
    """Look at them after a change; here they only must show the page in the light that was asked for."""
    file = Path(__file__).parents[1] / "artefacts" / "report" / f"{width}-{'dark' if dark else 'light'}.png"
    axe.picture(page, tmp_path, file, width=width, height=3000, dark=dark)
    with Image.open(file) as shown:
        assert shown.size == (max(width, 500), 3000)
        assert (np.median(np.asarray(shown.convert("L"))[:, :width]) < 80) == dark
