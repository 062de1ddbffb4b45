"""A lid learned from a drawn photo and one true length."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from artificial import Drawing, draw_lid, drawn_lid, save_jpeg

from sprout.cli import main
from sprout.errors import NotRegistered, UsageError
from sprout.lid import Lid, make_lid, read_lid
from sprout.photo import Photo, Quality
from sprout.registration.learning import learn_lid

GRID: dict[str, Any] = {"pattern": "grid", "rows": 3, "columns": 4}
STAGGERED: dict[str, Any] = {"pattern": "staggered", "rows": 3, "columns": 4}
RING: dict[str, Any] = {"pattern": "ring", "ring_sites": 6, "centre_site": True}


def draw_small(lid: Lid, **how: Any) -> Drawing:
    return draw_lid(lid, size=(900, 1200), **how)


def photo_of(drawing: Drawing) -> Photo:
    h, w = drawing.rgb.shape[:2]
    return Photo(Path("empty.jpg"), "0" * 64, None, w, h, drawing.rgb, 1.0, Quality(0.6, 0, 0))


@pytest.mark.parametrize(("tilt", "roll"), [(0, 0), (10, 20)])
@pytest.mark.parametrize(("layout", "length"), [(GRID, 180.0), (STAGGERED, 180.0), (RING, 150.0)])
def test_lengths_are_learned(layout: dict[str, Any], length: float, tilt: float, roll: float) -> None:
    true = drawn_lid(layout["pattern"])
    drawing = draw_small(true, tilt_deg=tilt, tilt_towards_deg=60, roll_deg=roll, look_alikes=True, seed=2)
    learned = learn_lid(photo_of(drawing), **layout, length_mm=length)
    assert learned.lid.labels == true.labels
    for key in ("pitch_mm", "stagger_mm", "ring_mm"):
        if key in true.source:
            assert learned.lid.source[key] == pytest.approx(true.source[key], rel=0.015)
            off = np.abs(np.subtract(learned.lid.source[key], true.source[key]))
            assert (off < 3 * np.array(learned.error_mm[key]) + 0.05).all()
    assert learned.lid.hole_mm == pytest.approx(true.hole_mm, rel=0.08)
    assert 0 < learned.error_mm["hole_mm"][0] < 0.1 * true.hole_mm
    assert learned.seen == len(true.labels)
    assert learned.fit_mm < 1


def test_the_length_may_lie_between_any_two_sites() -> None:
    photo = photo_of(draw_small(drawn_lid(), seed=2))
    length = float(np.hypot(60, 2 * 56))
    learned = learn_lid(photo, **GRID, length_mm=length, between=("B2", "A1"))
    assert learned.lid.source["pitch_mm"] != pytest.approx([60, 56], rel=0.1)
    learned = learn_lid(photo, **GRID, length_mm=length, between=("A2", "C3"))
    assert learned.lid.source["pitch_mm"] == pytest.approx([60, 56], rel=0.015)


@pytest.mark.parametrize(("roll", "pitch"), [(5, [64, 52]), (95, [52, 64])])
def test_rows_of_a_square_layout_run_from_left_to_right(roll: float, pitch: list[float]) -> None:
    true = drawn_lid(rows=3, columns=3, pitch_mm=[64.0, 52.0], hole_mm=28.0)
    photo = photo_of(draw_small(true, roll_deg=roll, seed=3))
    learned = learn_lid(photo, pattern="grid", rows=3, columns=3, length_mm=2 * pitch[0])
    assert learned.lid.source["pitch_mm"] == pytest.approx(pitch, rel=0.015)
    assert learned.lid.hole_mm == pytest.approx(28, rel=0.08)


@pytest.mark.parametrize(
    "wrong",
    [
        {"pattern": "grid", "rows": 3, "columns": 3},
        {"pattern": "grid", "rows": 4, "columns": 5},
        {"pattern": "staggered", "rows": 3, "columns": 4},
        {"pattern": "ring", "ring_sites": 8, "centre_site": False},
    ],
    ids=["fewer columns", "more rows", "staggered", "ring"],
)
def test_another_layout_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(NotRegistered, match=r"empty\.jpg: .*: check (pattern|rows)"):
        learn_lid(photo_of(draw_small(drawn_lid(), seed=2)), **wrong, length_mm=180)


def test_every_second_site_of_a_ring_is_no_ring() -> None:
    ring = make_lid(pattern="ring", ring_sites=8, ring_mm=170.0, hole_mm=30.0)
    with pytest.raises(NotRegistered, match=r"4 more holes of the same size show beside the 4"):
        learn_lid(photo_of(draw_small(ring, seed=2)), pattern="ring", ring_sites=4, length_mm=170)


def test_a_picture_without_a_lid_is_refused() -> None:
    grain = np.random.default_rng(0).normal(120, 25, (900, 1200, 3)).clip(0, 255).astype(np.uint8)
    nothing = Photo(Path("table.jpg"), "0" * 64, None, 1200, 900, grain, 1.0, Quality(0.6, 0, 0))
    with pytest.raises(NotRegistered, match=r"table\.jpg: .*check"):
        learn_lid(nothing, **GRID, length_mm=180)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ({"length_mm": 3}, "length 3: is no length on a lid"),
        ({"between": ("A1", "D9")}, "between D9: is no site of this lid"),
        ({"between": ("A2", "A2")}, "names one site twice"),
        ({"rows": 1, "columns": 3}, r"too few holes in this layout \(3\)"),
        ({"rows": 0}, '"rows" is 0'),
        ({"rows": None}, '"rows" is missing'),
        ({"pattern": "points"}, "cannot be learned"),
    ],
)
def test_layouts_and_lengths_that_make_no_sense(words: dict[str, Any], message: str) -> None:
    nothing = Photo(Path("x.jpg"), "0" * 64, None, 40, 30, np.zeros((30, 40, 3), np.uint8), 1.0, Quality(0.6, 0, 0))
    with pytest.raises(UsageError, match=message):
        learn_lid(nothing, **{**GRID, "length_mm": 180, **words})


def test_the_command_writes_what_it_learned_and_the_ruler_wins(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo, file = tmp_path / "empty.jpg", tmp_path / "lid.toml"
    save_jpeg(draw_small(drawn_lid(), seed=2), photo)
    words = ["lid", file, "--pattern", "grid", "--rows", 3, "--columns", 4, "--from-photo", photo]
    words += ["--between", "A1", "C1", "--length", 112, "--tag-size", 20]
    assert main([str(w) for w in words]) == 0
    said = capsys.readouterr().err
    assert "learned from 12 holes" in said
    assert re.search(r"from row to row: 5[56]\.\d mm, standard error 0\.[23] mm", said)
    assert "give --hole" in said
    made = read_lid(file)
    assert made.source["pitch_mm"] == pytest.approx([60, 56], rel=0.015)
    assert made.tags is not None
    assert main([str(w) for w in [*words, "--force", "--hole", 29.5]]) == 0
    assert read_lid(file).hole_mm == 29.5
    assert "give --hole" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--length", "180", "--hole", "30"], "belong to --from-photo"),
        (["--from-photo", "x.jpg", "--pitch", "60", "56"], "learns these lengths itself"),
        (["--from-photo", "x.jpg"], "--length: is missing"),
    ],
)
def test_options_that_do_not_go_together(
    words: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = ["--pattern", "grid", "--rows", "3", "--columns", "4"]
    assert main(["lid", str(tmp_path / "l.toml"), *layout, *words]) == 2
    assert message in capsys.readouterr().err
