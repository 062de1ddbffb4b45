"""Presence: what is looked at lies where it should, and a plant outweighs a leaf that lies over a hole."""

from __future__ import annotations

import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid

from sprout.presence import (
    FEATURES,
    MM_PER_PX,
    PLANES,
    SIDE,
    Sight,
    against_lid,
    around,
    crowns,
    inputs,
    lean_mm,
    scene_of,
    shipped_model,
)
from sprout.tissue import ALGAE


@pytest.fixture(scope="module")
def grown() -> Drawing:
    return draw_lid(drawn_lid(), sprouts={"B2": Stand(2, leaf_mm=10, true_pairs=1)}, tilt_deg=10, seed=5)


def plant_of(drawing: Drawing) -> np.ndarray:
    return np.uint8(255) * ((drawing.tissue > 0) & (drawing.tissue < ALGAE))


def test_a_place_is_seen_in_the_middle_and_at_scale(grown: Drawing) -> None:
    scene = scene_of(grown.rgb, plant_of(grown), grown.registration, grown.lid)
    at = grown.lid.sites_mm[grown.lid.labels.index("B2")]
    _, plant = around(scene, at, 0.0)
    y, x = np.nonzero(plant > 127)
    area = MM_PER_PX**2 * len(x)
    assert area == pytest.approx(100 * grown.tissue_cm2("B2"), rel=0.12)
    assert np.hypot(x.mean() - SIDE / 2 + 0.5, y.mean() - SIDE / 2 + 0.5) < 8
    _, turned = around(scene, at, 0.0, np.array([[0.0, -1.0], [1.0, 0.0]]))
    assert np.abs(np.rot90(plant, -1).astype(int) - turned).mean() < 6


def test_a_leaning_plant_is_looked_for_where_its_top_appears(grown: Drawing) -> None:
    scene = scene_of(grown.rgb, plant_of(grown), grown.registration, grown.lid)
    foot, height = scene.camera.foot_mm, scene.camera.height_mm
    at = foot + [0.3 * height, 0.0]
    lean = lean_mm(scene, at)
    tall = lean / (0.3 * height + lean) * height
    assert tall == pytest.approx(min(120, 0.4 * height))
    got = inputs(scene, at)
    assert got.shape == (PLANES, SIDE, SIDE)
    hole, line = got[4:]
    y, x = np.unravel_index(hole.argmin(), hole.shape)
    top = min(SIDE - 1, round(x + lean / MM_PER_PX))
    assert x < SIDE / 2 < top
    assert line[y, x:top].max() < -0.9 < hole[y, top]
    assert (line <= hole).all()


def test_a_plant_has_a_crown_and_an_empty_hole_has_none(grown: Drawing) -> None:
    scene = scene_of(grown.rgb, plant_of(grown), grown.registration, grown.lid)
    found = dict(zip(grown.lid.labels, crowns(scene, grown.lid.sites_mm), strict=True))
    assert found["B2"] > max(odds for label, odds in found.items() if label != "B2")
    assert len(crowns(scene, np.empty((0, 2)))) == 0


def test_features_are_told_only_where_a_crown_was_looked_for() -> None:
    sights = [Sight(900, 0, 0.3, 0.3, 2.0), Sight(100, 0.5, 0.1, 0.3, -4.0), Sight(0, 1, 0, 0, None)]
    first, second, third = against_lid(sights)
    assert third is None
    assert first is not None
    assert second is not None
    assert set(first) == set(FEATURES) == set(shipped_model().features)
    assert first["crown_against_lid"] == pytest.approx(3)
    assert first["log_area_against_lid"] == pytest.approx(np.log(9) / 2, abs=0.6)
    assert against_lid([]) == []


def test_evidence_points_the_right_way() -> None:
    model = shipped_model()
    plain = {
        "nearness": 0.1,
        "inside": 0.2,
        "log_area_against_lid": -0.5,
        "contact": 0.3,
        "crown_against_lid": 0.0,
    }
    for name, better in (("crown_against_lid", 3.0), ("log_area_against_lid", 0.3)):
        assert model.log_odds({**plain, name: better}) > model.log_odds(plain)
    for name, worse in (("nearness", 0.6), ("contact", 0.7)):
        assert model.log_odds({**plain, name: worse}) < model.log_odds(plain)
