"""The marked photo: every site signed by shape, letter and colour."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sprout.photo import Photo, Quality
from sprout.report.marked import ALARM, COLOURS, _on, amiss, draw, headline, label
from sprout.survey import Survey

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns of its own optional parts
    import colour


def reading(site: str, x: float, status: str, **more: Any) -> dict[str, Any]:
    return {
        "site": site, "u_px": x, "v_px": 200.0, "status": status, "seedlings": 2 if status == "sprouted" else 0,
        "algae": "no", "yellow_pct": None, "dry_pct": None, **more,
    }  # fmt: skip


def blank() -> Photo:
    rgb = np.full((400, 900, 3), 128, np.uint8)
    return Photo(Path("p.jpg"), "0", None, 900, 400, rgb, 1.0, Quality(0.6, 0, 0))


@pytest.mark.parametrize(("status", "sign"), [("sprouted", "2"), ("empty", "0"), ("unsure", "?"), ("hidden", "H")])
def test_labels_tell_the_state_by_letter(status: str, sign: str) -> None:
    assert label(reading("A1", 0, status)) == ("A1", sign)


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({}, ""),
        ({"yellow_pct": 30.0}, "yellow"),
        ({"yellow_pct": 30.0, "dry_pct": 12.0}, "dry"),
        ({"algae": "yes", "dry_pct": 12.0}, "algae"),
        ({"yellow_pct": float("nan"), "dry_pct": 9.0}, ""),
    ],
)
def test_what_is_amiss_is_a_word(more: dict[str, Any], word: str) -> None:
    assert amiss(reading("A1", 0, "sprouted", **more)) == word


def test_the_count_of_the_lid_is_told() -> None:
    found = [reading("A1", 0, "sprouted", seedlings=1), reading("A2", 0, "empty"), reading("A3", 0, "hidden")]
    assert headline(found) == "1 of 3 sites up, 1 seedling"


def contrast(a: tuple[int, int, int], b: tuple[int, int, int]) -> float:
    """WCAG 2.2, contrast ratio, by an independent library's luminance."""
    bright, dark = sorted((colour.sRGB_to_XYZ(np.array(c) / 255)[1] for c in (a, b)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("fill", [*COLOURS.values(), ALARM])
def test_letters_stand_out_from_their_plates(fill: tuple[int, int, int]) -> None:
    assert contrast(fill, _on(fill)) >= 4.5  # WCAG 2.2, success criterion 1.4.3


def test_states_can_be_told_apart_by_people_with_the_common_kinds_of_colour_vision() -> None:
    """Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291-1298, full severity."""
    for deficiency in ("Protanomaly", "Deuteranomaly"):
        seen_as = colour.matrix_cvd_Machado2009(deficiency, 1.0)
        seen = [
            colour.XYZ_to_Lab(colour.sRGB_to_XYZ(np.clip(np.array(c) / 255 @ seen_as.T, 0, 1)))
            for c in COLOURS.values()
        ]
        for i, a in enumerate(seen):
            for b in seen[i + 1 :]:
                assert colour.delta_E(a, b, method="CIE 2000") > 10, deficiency


def test_long_labels_do_not_cover_their_neighbours() -> None:
    found = [reading("north-west-1", 250, "sprouted"), reading("north-west-2", 450, "unsure")]
    drawn = draw(Survey(Path("p.jpg"), readings=found), blank(), legend=False)
    changed = (drawn != 128).any(-1)
    assert changed[260:300, 150:345].any()
    assert not changed[:, 349:351].any()


def test_the_legend_stands_below_the_photo_and_hides_nothing() -> None:
    survey = Survey(Path("p.jpg"), readings=[reading("A1", 250, "empty"), reading("A2", 650, "unsure")])
    bare, full = draw(survey, blank(), legend=False), draw(survey, blank())
    assert bare.shape == (400, 900, 3)
    assert (full[:400] == bare).all()
    assert full.shape[0] > 400


def test_states_differ_in_shape_not_only_in_colour() -> None:
    """Painted in one colour, no two signs cover the same pixels."""
    signs = []
    for status in COLOURS:
        survey = Survey(Path("p.jpg"), readings=[reading("A1", 250, status), reading("A2", 650, status)])
        drawn = draw(survey, blank(), legend=False)
        signs.append((drawn != 128).any(-1))
    for i, a in enumerate(signs):
        for b in signs[i + 1 :]:
            assert (a ^ b).sum() > 400


def test_the_photo_itself_is_left_alone_away_from_the_signs() -> None:
    photo = blank()
    before = photo.rgb.copy()
    drawn = draw(Survey(Path("p.jpg"), readings=[reading("A1", 250, "empty"), reading("A2", 650, "empty")]), photo)
    assert (photo.rgb == before).all()
    assert (drawn[:20] == 128).all()


def test_tissue_is_outlined() -> None:
    classes = np.zeros((400, 900), np.uint8)
    classes[100:150, 400:480] = 1
    drawn = draw(Survey(Path("p.jpg"), classes=classes), blank())
    changed = (drawn != 128).any(-1)
    assert changed[100, 440]
    assert not changed[125, 440]
