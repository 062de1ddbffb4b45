"""Lid files: geometry, labels, faults named with their mend, symmetries, and writing them back."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sprout.errors import LidError
from sprout.lid import Lid, Tags, lid_toml, make_lid, parse_lid, read_lid, symmetries

GRID: dict[str, Any] = {"pattern": "grid", "rows": 3, "columns": 5, "pitch_mm": [62.0, 68.0], "hole_mm": 34.0}
STAGGERED: dict[str, Any] = {
    "pattern": "staggered", "rows": 3, "columns": 4, "pitch_mm": [60, 55], "stagger_mm": 30, "hole_mm": 30,
}  # fmt: skip
RING: dict[str, Any] = {"pattern": "ring", "ring_sites": 6, "ring_mm": 150.0, "centre_site": True, "hole_mm": 34.0}
POINTS: dict[str, Any] = {"pattern": "points", "points_mm": [[0, 0], [62, 0], [20, 70.5]], "hole_mm": 40}
TAGS: dict[str, Any] = {"family": "4x4_50", "size_mm": 20.0, "ids": [0, 1, 2, 3]}


def site(lid: Lid, label: str) -> tuple[float, float]:
    x, y = lid.sites_mm[lid.labels.index(label)]
    return float(x), float(y)


# ---- geometry and labels


def test_grid() -> None:
    lid = make_lid(**GRID, name="sill", tags=TAGS)
    assert lid.labels == tuple(f"{row}{column}" for row in "ABC" for column in range(1, 6))
    assert site(lid, "A1") == (0, 0)
    assert site(lid, "A5") == (4 * 62, 0)
    assert site(lid, "C2") == (62, 2 * 68)
    assert lid.area_per_site_mm2 == 62 * 68
    assert lid.tags == Tags("4x4_50", 20.0, (0, 1, 2, 3))
    assert (lid.name, lid.hole_mm, lid.pattern) == ("sill", 34.0, "grid")


def test_every_second_row_is_shifted_right() -> None:
    lid = make_lid(**STAGGERED)
    assert site(lid, "A1") == (0, 0)
    assert site(lid, "B1") == (30, 55)
    assert site(lid, "C1") == (0, 110)
    assert lid.area_per_site_mm2 == 60 * 55


def test_ring_runs_clockwise_from_the_top() -> None:
    lid = make_lid(**RING)
    assert lid.labels == ("A1", "B1", "B2", "B3", "B4", "B5", "B6")
    assert site(lid, "A1") == (0, 0)
    assert site(lid, "B1") == pytest.approx((0, -75))
    x, y = site(lid, "B2")
    assert x == pytest.approx(75 * np.sqrt(3) / 2)
    assert y == pytest.approx(-37.5)
    assert site(lid, "B4") == pytest.approx((0, 75))
    assert lid.area_per_site_mm2 == pytest.approx(75**2)


def test_ring_without_a_centre_keeps_its_labels() -> None:
    lid = make_lid(**{**RING, "centre_site": None})
    assert lid.labels == ("B1", "B2", "B3", "B4", "B5", "B6")


def test_points_stay_where_they_are_given() -> None:
    lid = make_lid(**POINTS, labels=["left", "right", "C-3"])
    assert site(lid, "C-3") == (20, 70.5)
    assert make_lid(**POINTS).labels == ("A1", "A2", "A3")


def test_more_than_26_rows() -> None:
    lid = make_lid(pattern="grid", rows=60, columns=2, pitch_mm=[30, 30], hole_mm=20)
    assert [lid.labels[2 * row] for row in (0, 25, 26, 27, 51, 52, 59)] == [
        "A1",
        "Z1",
        "AA1",
        "AB1",
        "AZ1",
        "BA1",
        "BH1",
    ]
    assert len(set(lid.labels)) == 120


def test_as_many_sites_as_a_mask_can_hold() -> None:
    assert len(make_lid(pattern="grid", rows=15, columns=17, pitch_mm=[30, 30], hole_mm=20).labels) == 255
    with pytest.raises(LidError, match=r'"rows" times "columns" makes 256 sites: a lid has at most 255'):
        make_lid(pattern="grid", rows=16, columns=16, pitch_mm=[30, 30], hole_mm=20)


# ---- faults


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({**GRID, "colums": 5}, r'"colums" is not known: did you mean "columns"\?'),
        ({**GRID, "zzz": 5}, r'"zzz" is not known: the keys are name, pattern, rows'),
        ({**GRID, "ring_mm": 90.0}, r'"ring_mm" does not belong to pattern "grid": remove it, or set pattern = "ring"'),
        ({**GRID, "pattern": None}, r'"pattern" is missing: add pattern = "grid"'),
        ({**GRID, "pattern": "gird"}, r"\"pattern\" is 'gird': choose one of grid, staggered, ring, points"),
        ({**GRID, "pattern": ["grid"]}, r'"pattern" is \['),
        ({**GRID, "rows": None}, r'"rows" is missing: add rows = 3'),
        ({**GRID, "rows": 3.0}, r'"rows" is 3\.0, not a whole number: write rows = 3'),
        ({**GRID, "rows": True}, r'"rows" is True, not a whole number'),
        ({**GRID, "rows": "3"}, r"\"rows\" is '3', not a whole number"),
        ({**GRID, "rows": 0}, r'"rows" is 0: give a whole number from 1 to 255'),
        ({**GRID, "columns": -2}, r'"columns" is -2: give a whole number from 1'),
        ({**GRID, "pitch_mm": 62.0}, r'"pitch_mm" is 62\.0: write two numbers, \[along a row, between rows\]'),
        ({**GRID, "pitch_mm": [62.0]}, r'"pitch_mm" is \[62\.0\]: write two numbers'),
        ({**GRID, "pitch_mm": [62.0, "68"]}, r"\"pitch_mm\" is '68', not a number of millimetres"),
        ({**GRID, "pitch_mm": [62.0, float("nan")]}, r'"pitch_mm" is nan, not a number of millimetres'),
        ({**GRID, "pitch_mm": [62.0, 10**400]}, r'"pitch_mm" is 10+…, not a number'),
        ({**GRID, "pitch_mm": [30.0, 68.0]}, r'"pitch_mm" is \[30, 68\], not wider than "hole_mm" = 34'),
        ({**GRID, "pitch_mm": [62.0, 34.0]}, r'"pitch_mm" is \[62, 34\], not wider than "hole_mm" = 34'),
        ({**GRID, "hole_mm": None}, r'"hole_mm" is missing: add hole_mm = 34\.0'),
        ({**GRID, "hole_mm": 3.4}, r'"hole_mm" has the length 3\.4: give millimetres, from 5 to 300'),
        ({**GRID, "hole_mm": "34"}, r"\"hole_mm\" is '34', not a number of millimetres"),
        ({**GRID, "name": 7}, r'"name" is 7, not a line of text'),
        ({**GRID, "name": "a\nb"}, r'"name" is .*not a line of text'),
        ({**STAGGERED, "stagger_mm": None}, r'"stagger_mm" is missing: add stagger_mm = 30'),
        ({**STAGGERED, "stagger_mm": 60}, r'"stagger_mm" is 60: give less than the pitch along a row, 60'),
        ({**STAGGERED, "stagger_mm": 0}, r'"stagger_mm" has the length 0: give millimetres'),
        (
            {**STAGGERED, "pitch_mm": [60, 8]},
            r"the holes of A1 and C1 overlap: centres 16\.0 mm apart, \"hole_mm\" is 30",
        ),
        ({**RING, "ring_sites": 1}, r'"ring_sites" is 1: give a whole number from 2'),
        ({**RING, "ring_sites": 255}, r'"ring_sites" is 255: give a whole number from 2 to 254'),
        ({**RING, "ring_mm": 60.0}, r"the holes of .* overlap: centres 30\.0 mm apart"),
        ({**RING, "centre_site": "yes"}, r"\"centre_site\" is 'yes': write true or false"),
        ({**POINTS, "points_mm": []}, r'"points_mm" is \[\]: write a list of places'),
        ({**POINTS, "points_mm": [[0, 0], [62]]}, r'"points_mm" has \[62\] as place 2: write each place as \[x, y\]'),
        (
            {**POINTS, "points_mm": [[0, 0], [62, 9000]]},
            r'"points_mm" has \[62, 9000\] as place 2: stay within 3000 mm',
        ),
        ({**POINTS, "points_mm": [[0, 0], [30, 0]]}, r"the holes of A1 and A2 overlap: centres 30\.0 mm apart"),
        ({**POINTS, "points_mm": [[k * 50, 0] for k in range(60)] * 5}, r'"points_mm" has 300 places: .* at most 255'),
        ({**POINTS, "labels": ["a", "b"]}, r'"labels" has 2 labels: "points_mm" has 3 places'),
        ({**POINTS, "labels": "abc"}, r"\"labels\" is 'abc'"),
        ({**POINTS, "labels": ["a", "b", "A"]}, r'"labels" has "A" twice'),
        ({**POINTS, "labels": ["a", "b", "c d"]}, r"\"labels\" has 'c d': a label is up to 12 letters and digits"),
        ({**GRID, "labels": ["a"]}, r'"labels" does not belong to pattern "grid"'),
        ({**GRID, "tags": 5}, r'"tags" is 5, not a table: write \[tags\] on a line of its own'),
        ({**GRID, "tags": {**TAGS, "sizes": 3}}, r'"tags.sizes" is not known: did you mean "size_mm"\?'),
        ({**GRID, "tags": {**TAGS, "family": "4x4_55"}}, r"\"tags.family\" is '4x4_55': did you mean \"4x4_50\"\?"),
        ({**GRID, "tags": {**TAGS, "size_mm": 2.0}}, r'"tags.size_mm" has the length 2: give millimetres, from 5'),
        ({**GRID, "tags": {"size_mm": 20.0}}, r'"tags.ids" is missing: add ids = \[0, 1, 2, 3\]'),
        ({**GRID, "tags": {**TAGS, "ids": [0, 1, 1]}}, r'"tags.ids" is \[0, 1, 1\], with a number twice'),
        ({**GRID, "tags": {**TAGS, "ids": [50]}}, r'"tags.ids" has 50: the numbers of family 4x4_50 run from 0 to 49'),
        ({**GRID, "tags": {**TAGS, "ids": []}}, r'"tags.ids" is \[\]: write the numbers of the tags'),
    ],
)
def test_a_fault_names_its_key_and_the_mend(keys: dict[str, Any], message: str) -> None:
    with pytest.raises(LidError, match=message) as caught:
        make_lid(**keys, origin="my.toml")
    assert caught.value.subject == "my.toml"
    assert caught.value.mend
    assert caught.value.exit_code == 5


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("rows = 3\ncolumns = = 5\n", r"is not valid TOML: .*line 2"),
        ("name = “sill”\n", r"is not valid TOML: .*line 1.*straight quotes"),
        ("hole_mm = 34,5\n", r"is not valid TOML: .*line 1.*decimals take a point"),
        ("rows = 3\nrows = 4\n", r"is not valid TOML"),
        ("", r'"pattern" is missing'),
    ],
)
def test_bad_toml_names_its_line(text: str, message: str) -> None:
    with pytest.raises(LidError, match=message):
        parse_lid(text)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LidError, match=r"none\.toml: does not exist: check the name"):
        read_lid(tmp_path / "none.toml")
    with pytest.raises(LidError, match="is not a file"):
        read_lid(tmp_path)
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.raises(LidError, match="is not a file"):
        read_lid(tmp_path / "pipe.toml")
    (tmp_path / "photo.toml").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(LidError, match="is not UTF-8 text"):
        read_lid(tmp_path / "photo.toml")


def test_a_byte_order_mark_and_other_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "lid.toml"
    path.write_bytes(b"\xef\xbb\xbf" + lid_toml(GRID).replace("\n", "\r\n").encode())
    assert len(read_lid(path).labels) == 15


# ---- symmetries


@pytest.mark.parametrize(
    ("keys", "count"),
    [
        (GRID, 2),
        ({**GRID, "rows": 3, "columns": 3}, 2),
        ({**GRID, "rows": 3, "columns": 3, "pitch_mm": [62.0, 62.0]}, 4),
        ({**GRID, "rows": 3, "columns": 3, "pitch_mm": [62.0, 62.5]}, 4),
        ({**GRID, "rows": 2, "columns": 4, "pitch_mm": [62.0, 62.0]}, 2),
        ({**GRID, "rows": 1, "columns": 4}, 2),
        ({**GRID, "rows": 1, "columns": 1}, 1),
        (STAGGERED, 1),
        ({**STAGGERED, "rows": 2}, 2),
        ({**STAGGERED, "rows": 4}, 2),
        (RING, 6),
        ({**RING, "ring_sites": 5, "centre_site": False}, 5),
        (POINTS, 1),
        ({**POINTS, "points_mm": [[0, 0], [60, 0], [30, 30 * 3**0.5]]}, 3),
    ],
)
def test_symmetries(keys: dict[str, Any], count: int) -> None:
    lid = make_lid(**keys)
    found = symmetries(lid)
    assert len(found) == count
    assert found[0][2].tolist() == list(range(len(lid.labels)))
    assert found[0][0] == pytest.approx(np.eye(2))
    assert len({tuple(order.tolist()) for _, _, order in found}) == count
    for rotation, shift, order in found:
        assert np.linalg.det(rotation) == pytest.approx(1), "no mirror images"
        assert np.abs(lid.sites_mm @ rotation.T + shift - lid.sites_mm[order]).max() < 0.02 * 62


def test_quarter_turn_of_a_square_grid() -> None:
    """Clockwise as seen from above: A1 goes where A3 was, A3 where C3 was."""
    lid = make_lid(**{**GRID, "columns": 3, "pitch_mm": [62.0, 62.0]})
    goes_to = {lid.labels[i]: lid.labels[k] for i, k in enumerate(symmetries(lid)[1][2])}
    assert (goes_to["A1"], goes_to["A3"], goes_to["C3"], goes_to["B2"]) == ("A3", "C3", "C1", "B2")


def test_sixth_turn_of_a_ring() -> None:
    lid = make_lid(**RING)
    assert [lid.labels[k] for k in symmetries(lid)[1][2]] == ["A1", "B2", "B3", "B4", "B5", "B6", "B1"]


# ---- writing


def same(one: Lid, other: Lid) -> bool:
    return (
        (one.name, one.pattern, one.labels, one.hole_mm, one.area_per_site_mm2, one.tags, one.source)
        == (other.name, other.pattern, other.labels, other.hole_mm, other.area_per_site_mm2, other.tags, other.source)
    ) and bool((one.sites_mm == other.sites_mm).all())


@pytest.mark.parametrize("keys", [GRID, STAGGERED, RING, POINTS], ids=lambda keys: keys["pattern"])
@pytest.mark.parametrize("tags", [None, TAGS], ids=["bare", "tags"])
def test_a_written_lid_reads_back(keys: dict[str, Any], tags: dict[str, Any] | None, tmp_path: Path) -> None:
    lid = make_lid(**keys, tags=tags, name='Ada\'s "sill" \\ 3 × 5')
    path = tmp_path / "lid.toml"
    path.write_text(lid_toml(lid), encoding="utf-8")
    assert same(read_lid(path), lid)
    assert tomllib.loads(lid_toml(lid)) == lid.source


def test_numbers_from_arrays_are_written_plainly() -> None:
    lid = make_lid(pattern="points", points_mm=[tuple(p) for p in np.array([[0.0, 0.0], [0.1, 62.25]])], hole_mm=34.0)
    assert "points_mm = [[0.0, 0.0], [0.1, 62.25]]\n" in lid_toml(lid)
    assert (parse_lid(lid_toml(lid)).sites_mm == lid.sites_mm).all()


@settings(max_examples=60, deadline=None)
@given(
    rows=st.integers(1, 12),
    columns=st.integers(1, 12),
    pitch=st.tuples(st.floats(30, 200), st.floats(30, 200)),
    share=st.floats(0.05, 0.95),
    hole=st.floats(5, 29),
    name=st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=30),
)
def test_any_grid_reads_back(
    rows: int, columns: int, pitch: tuple[float, float], share: float, hole: float, name: str
) -> None:
    keys: dict[str, Any] = {"rows": rows, "columns": columns, "pitch_mm": list(pitch), "hole_mm": hole}
    if name.strip() and name.isprintable():
        keys["name"] = name
    for lid in (
        make_lid(pattern="grid", **keys),
        make_lid(pattern="staggered", stagger_mm=share * pitch[0], **keys),
    ):
        assert same(parse_lid(lid_toml(lid)), lid)
        assert len(lid.labels) == rows * columns


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(sorted({*GRID, *STAGGERED, *RING, *POINTS, "labels", "tags", "name", "odd"})),
        st.one_of(
            st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=4),
            st.sampled_from(["grid", "staggered", "ring", "points"]),
            st.lists(st.one_of(st.integers(), st.floats(), st.lists(st.integers(), max_size=3)), max_size=3),
            st.dictionaries(st.sampled_from(["family", "size_mm", "ids", "odd"]), st.integers(), max_size=3),
        ),
    )
)  # fmt: skip
def test_nothing_but_a_lid_or_a_lid_error_comes_out(changes: dict[str, Any]) -> None:
    for base in (GRID, STAGGERED, RING, POINTS):
        try:
            lid = make_lid(**{**base, **changes})
        except LidError:
            continue
        assert same(parse_lid(lid_toml(lid)), lid)
