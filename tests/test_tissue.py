"""Tissue: every pixel's class on drawn lids and, where they are at hand, on the test photos."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid
from PIL import Image

from sprout.photo import Photo, Quality, read_photo
from sprout.pixels import PX_PER_MM, geometry, look, planes, surroundings, window
from sprout.pyramid import Pyramid
from sprout.registration import register
from sprout.tissue import ALGAE, DRY, GREEN, OTHER, YELLOW, Tissue, classify

PHOTOS = Path(__file__).parents[1].parent / "shared" / "photos"


def photo_of(drawing: Drawing) -> Photo:
    h, w = drawing.rgb.shape[:2]
    return Photo(Path("drawn.jpg"), "", None, w, h, drawing.rgb, 1.0, Quality(0.6, 0.0, 0.0))


def read(drawing: Drawing) -> Tissue:
    return classify(photo_of(drawing), drawing.registration, drawing.lid)


def is_plant(classes: np.ndarray) -> np.ndarray:
    return (classes >= GREEN) & (classes <= DRY)


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    """Intersection over union."""
    return float((a & b).sum() / (a | b).sum())


@pytest.mark.parametrize("pattern", ["grid", "staggered", "ring", "points"])
@pytest.mark.parametrize("lid_colour", ["white", "black", "cream"])
def test_drawn_plants_are_found_on_every_kind_of_lid(pattern: str, lid_colour: str) -> None:
    lid = drawn_lid(pattern)
    stands = {lid.labels[0]: Stand(2, leaf_mm=8), lid.labels[2]: Stand(1, leaf_mm=16, true_pairs=2)}
    drawing = draw_lid(lid, sprouts=stands, lid_colour=lid_colour, tilt_deg=8, roll_deg=20)
    assert overlap(is_plant(read(drawing).classes), is_plant(drawing.tissue)) > 0.85


def test_an_empty_lid_has_no_tissue() -> None:
    drawing = draw_lid(drawn_lid(), look_alikes=True, stickers={"A1": "paper", "A2": "foil"})
    assert not is_plant(read(drawing).classes).any()


@pytest.mark.parametrize(("tissue", "leaf_mm"), [(GREEN, 14), (YELLOW, 14)])
def test_a_leaf_gets_its_own_class(tissue: int, leaf_mm: float) -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"B2": Stand(1, leaf_mm=leaf_mm, true_pairs=2, tissue=tissue)})
    classes = read(drawing).classes
    found = classes[(drawing.tissue == tissue) & is_plant(classes)]
    assert (found == tissue).mean() > 0.9


def test_leaves_are_followed_beyond_the_lid() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"A1": Stand(2, leaf_mm=45, true_pairs=3)}, fill=0.5)
    outside = is_plant(drawing.tissue).copy()
    tissue = read(drawing)
    assert tissue.outline_mm is not None
    corners = drawing.registration.to_px(tissue.outline_mm)
    low, high = np.floor(corners.min(0)).astype(int), np.ceil(corners.max(0)).astype(int)
    outside[low[1] : high[1], low[0] : high[0]] = False
    assert outside.sum() > 500
    assert is_plant(tissue.classes)[outside].mean() > 0.9


def test_a_broad_green_thing_that_touches_a_leaf_is_not_the_lids() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"A1": Stand(1, leaf_mm=30, true_pairs=1)}, fill=0.5)
    plant = is_plant(drawing.tissue)
    leaf = drawing.rgb[plant].mean(0)
    ys, xs = np.nonzero(plant)
    tip = np.array([xs[ys.argmin()], ys.min()])
    radius = 150
    y, x = np.mgrid[: plant.shape[0], : plant.shape[1]]
    outline = read(drawing).outline_mm
    assert outline is not None
    top = drawing.registration.to_px(outline).min(0)[1]
    # a cloth whose lower edge runs just outside the plate and touches the leaf's tip
    cloth = (np.hypot(x - tip[0], y - (min(tip[1], top - 12) - radius + 8)) < radius) & ~plant
    drawing.rgb[cloth] = (0.8 * leaf).astype(np.uint8)
    found = is_plant(read(drawing).classes)
    assert found[cloth].mean() < 0.1
    assert found[plant].mean() > 0.8


def test_a_leaf_that_reaches_no_site_is_not_the_lids() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"B2": 2}, fill=0.5)
    stray = drawing.rgb.copy()
    stray[:160, :240] = (84, 142, 52)
    photo = photo_of(drawing)
    classes = classify(replace(photo, rgb=stray), drawing.registration, drawing.lid).classes
    assert not classes[:200, :300].any()


def test_the_same_lid_under_a_cast_reads_the_same() -> None:
    stands = {"A1": Stand(2, leaf_mm=9), "C3": Stand(1, leaf_mm=14, true_pairs=1)}
    plain = read(draw_lid(drawn_lid(), sprouts=stands))
    magenta = read(draw_lid(drawn_lid(), sprouts=stands, cast=(1.12, 0.84, 1.12)))
    assert overlap(is_plant(plain.classes), is_plant(magenta.classes)) > 0.9


def test_the_window_keeps_to_the_lid() -> None:
    drawing = draw_lid(drawn_lid(), fill=0.35, table="stone")
    left, top, right, bottom = window(Pyramid(drawing.rgb), drawing.registration, drawing.lid, None)
    assert (right - left) * (bottom - top) < 0.5 * drawing.rgb.shape[0] * drawing.rgb.shape[1]
    for u, v in drawing.sites_px:
        assert left < u < right
        assert top < v < bottom


def test_only_where_something_grows_is_looked_at_closely() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"A1": Stand(2, leaf_mm=8), "C3": Stand(1, leaf_mm=8)}, fill=0.5)
    seen = look(Pyramid(drawing.rgb), drawing.registration, drawing.lid, None)
    counted = np.zeros(drawing.tissue.shape, int)
    for evidence in seen:
        counted[evidence.window] += 1
    assert counted.max() == 1
    assert counted[is_plant(drawing.tissue)].all()
    assert counted.mean() < 0.2
    assert not look(Pyramid(np.full_like(drawing.rgb, 200)), drawing.registration, drawing.lid, None)


def test_the_networks_input_is_in_whole_blocks_and_in_range() -> None:
    drawing = draw_lid(drawn_lid())
    given, (h, w) = planes(
        Pyramid(drawing.rgb), surroundings(drawing.registration, drawing.lid, None), (0, 0, 2016, 1512), 0.3
    )
    assert (h, w) == (454, 604)
    assert given.shape == (5, 464, 608)
    assert given.dtype == np.float32
    assert given[:3].min() >= 0
    assert np.abs(given).max() <= 1


def test_geometry_is_zero_on_a_site_and_negative_outside_the_plate() -> None:
    lid = drawn_lid()
    outline = np.array([lid.sites_mm.min(0) - 40, lid.sites_mm.max(0) + 40])
    corner = lid.sites_mm.min(0)
    places = np.array([lid.sites_mm[0], corner - 43.0, corner - 60.0, corner - 90.0])
    (on_site, deep), (_, outside), *far = geometry(places, lid, outline)
    assert on_site == 0
    assert deep == 1
    assert outside == pytest.approx(-0.15)
    # neither distance tells one far place from another
    assert np.array_equal(*far)
    assert PX_PER_MM > 0


@pytest.mark.skipif(not PHOTOS.is_dir(), reason="the test photos are not at hand")
@pytest.mark.parametrize(("name", "least"), [("singles/s003", 0.9), ("singles/s006", 0.9), ("singles/s024", 0.9)])
def test_photos_that_the_network_was_not_fitted_to(name: str, least: float) -> None:
    import json

    from sprout.lid import make_lid

    truth = json.loads((PHOTOS / f"{name}.json").read_text("utf-8"))
    plate = truth["lid"]
    lid = make_lid(
        name=name,
        pattern="staggered" if plate["stagger"] else "grid",
        rows=plate["rows"],
        columns=plate["cols"],
        pitch_mm=[plate["pitch_x_mm"], plate["pitch_y_mm"]],
        hole_mm=plate["hole_diameter_mm"],
        **({"stagger_mm": plate["pitch_x_mm"] / 2} if plate["stagger"] else {}),
    )
    photo = read_photo(PHOTOS / f"{name}.jpg")
    classes = classify(photo, register(photo, lid), lid).classes
    true = np.asarray(Image.open(PHOTOS / f"{name}_tissue.png"))
    assert photo.scale == 1
    assert overlap(is_plant(classes), is_plant(true)) > least
    assert (is_plant(classes) & (true == ALGAE)).sum() < 0.02 * is_plant(true).sum()
    assert (classes != OTHER).mean() < 0.5
