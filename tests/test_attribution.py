"""Whose tissue: drawn plants whose owner is known."""

from __future__ import annotations

import numpy as np
import pytest
from artificial import Stand, draw_lid, drawn_lid

from sprout.attribution import attribute
from sprout.tissue import ALGAE


@pytest.mark.parametrize("tilt", [0.0, 15.0])
def test_plants_apart_go_to_their_own_site(tilt: float) -> None:
    sprouts = {"A1": Stand(2, leaf_mm=9), "B3": Stand(1, leaf_mm=14, true_pairs=1), "C4": Stand(3, leaf_mm=8)}
    drawing = draw_lid(drawn_lid(), sprouts=sprouts, tilt_deg=tilt, roll_deg=20, seed=2)
    plant = (drawing.tissue > 0) & (drawing.tissue < ALGAE)
    owners = attribute(plant * np.uint8(255), drawing.registration, drawing.lid)
    owner = owners.sites
    assert owner.shape == plant.shape
    assert (owner[~plant] == 0).all()
    for k, window in enumerate(owners.windows):
        assert (owner == k + 1).sum() == (0 if window is None else (owner[window] == k + 1).sum())
    agree = owner[plant] == drawing.sites[plant]
    assert agree.mean() > 0.97


def test_meeting_leaves_are_shared_out_mostly_right() -> None:
    sprouts = {site: Stand(1, leaf_mm=24, true_pairs=1) for site in ("B1", "B2", "B3")}
    drawing = draw_lid(drawn_lid(), sprouts=sprouts, seed=3)
    plant = (drawing.tissue > 0) & (drawing.tissue < ALGAE)
    owner = attribute(plant * np.uint8(255), drawing.registration, drawing.lid).sites
    assert (owner[plant] == drawing.sites[plant]).mean() > 0.85


def test_a_site_that_cannot_hold_a_plant_gets_none() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"A1": 2, "A2": 2}, seed=4)
    plant = (drawing.tissue > 0) & (drawing.tissue < ALGAE)
    standing = np.array([label != "A2" for label in drawing.lid.labels])
    owner = attribute(plant * np.uint8(255), drawing.registration, drawing.lid, standing=standing).sites
    assert 2 not in np.unique(owner)
    assert 1 in np.unique(owner)


def test_nothing_grows_on_an_empty_lid() -> None:
    drawing = draw_lid(drawn_lid(), seed=5)
    assert attribute(np.zeros(drawing.tissue.shape, np.uint8), drawing.registration, drawing.lid).sites.max() == 0
