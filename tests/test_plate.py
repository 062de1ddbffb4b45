"""The plate: where it ends and what the light on it is, on drawn lids."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from artificial import EDGE_MM, Drawing, Stand, draw_lid, drawn_lid

from sprout.photo import Photo, Quality
from sprout.plate import read_plate
from sprout.pyramid import Pyramid
from sprout.registration import learn_view


def photo_of(drawing: Drawing) -> Photo:
    h, w = drawing.rgb.shape[:2]
    return Photo(Path("drawn.jpg"), "", None, w, h, drawing.rgb, 1.0, Quality(0.6, 0.0, 0.0))


def true_outline(drawing: Drawing) -> np.ndarray:
    margin = drawing.lid.hole_mm / 2 + EDGE_MM
    sites = drawing.lid.sites_mm
    return np.array([sites.min(0) - margin, sites.max(0) + margin])


@pytest.mark.parametrize("lid_colour", ["white", "grey", "black", "cream"])
@pytest.mark.parametrize(("tilt_deg", "roll_deg"), [(0, 0), (18, 35)])
def test_the_outline_is_found_on_any_plate(lid_colour: str, tilt_deg: float, roll_deg: float) -> None:
    drawing = draw_lid(
        drawn_lid(), lid_colour=lid_colour, tilt_deg=tilt_deg, roll_deg=roll_deg, fill=0.6, table="stone"
    )
    outline, _ = read_plate(photo_of(drawing), drawing.registration, drawing.lid)
    assert outline is not None
    assert np.array([outline.min(0), outline.max(0)]) == pytest.approx(true_outline(drawing), abs=3)


def test_leaves_over_one_edge_do_not_move_it() -> None:
    lid = drawn_lid()
    big = Stand(2, leaf_mm=40, true_pairs=2)
    drawing = draw_lid(lid, sprouts=dict.fromkeys(("A1", "A2", "A3"), big), fill=0.6, table="stone")
    outline, _ = read_plate(photo_of(drawing), drawing.registration, lid)
    assert outline is not None
    assert np.array([outline.min(0), outline.max(0)]) == pytest.approx(true_outline(drawing), abs=4)


def test_no_outline_where_plate_and_table_are_one() -> None:
    drawing = draw_lid(drawn_lid(), fill=0.6)
    blank = np.full_like(drawing.rgb, 180)
    photo = photo_of(drawing)
    assert read_plate(replace(photo, rgb=blank), drawing.registration, drawing.lid)[0] is None


def test_a_magenta_lamp_is_seen_on_a_plain_plate() -> None:
    cast = (1.15, 0.85, 1.15)
    drawing = draw_lid(drawn_lid(), lid_colour="grey", cast=cast, shading=0)
    _, lamp = read_plate(photo_of(drawing), drawing.registration, drawing.lid)
    assert lamp.basis == "plate"
    assert lamp.gains[1] / np.sqrt(lamp.gains[0] * lamp.gains[2]) == pytest.approx(1.15 / 0.85, rel=0.04)


def test_a_known_view_tells_a_cream_plate_from_a_warm_lamp() -> None:
    lid = drawn_lid()
    empty = draw_lid(lid, lid_colour="cream", shading=0)
    view = learn_view(Pyramid(empty.rgb), empty.registration, lid)
    warm = draw_lid(lid, lid_colour="cream", cast=(1.2, 1.0, 0.75), shading=0, sprouts={"A1": 2})
    _, lamp = read_plate(photo_of(warm), warm.registration, lid, view=view)
    assert lamp.basis == "view"
    assert lamp.gains[0] / lamp.gains[2] == pytest.approx(0.75 / 1.2, rel=0.05)
    _, plain = read_plate(photo_of(empty), empty.registration, lid, view=view)
    assert plain.gains == pytest.approx((1, 1, 1), abs=0.03)
