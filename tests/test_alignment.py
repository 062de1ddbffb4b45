"""A photo laid on the known look of its lid, and which way round it lies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from artificial import LEAVES, Drawing, Stand, draw_lid, drawn_lid

from sprout.errors import NotRegistered, SidesUnsure
from sprout.lid import Lid
from sprout.photo import Photo, Quality
from sprout.plate import read_plate
from sprout.pyramid import Pyramid
from sprout.registration import LidView, Registration, learn_view, register
from sprout.registration.alignment import Comparison, similar_poses
from sprout.registration.camera import Pose, fit_pose
from sprout.registration.holes import find_circles, leafy
from sprout.registration.naming import prefer, prefer_by_plants

SIZE = (1134, 1512)


def photo_of(drawing: Drawing) -> Photo:
    h, w = drawing.rgb.shape[:2]
    return Photo(Path("drawn.jpg"), "0" * 64, None, w, h, drawing.rgb, 1.0, Quality(0.6, 0, 0))


def view_of(drawing: Drawing) -> LidView:
    outline, _ = read_plate(photo_of(drawing), drawing.registration, drawing.lid)
    assert outline is not None
    return learn_view(Pyramid(drawing.rgb), drawing.registration, drawing.lid, outline_mm=outline)


def half_turn(registration: Registration, lid: Lid) -> Registration:
    x, y = 2 * lid.sites_mm.mean(0)
    return replace(registration, homography=registration.homography @ np.array([[-1, 0, x], [0, -1, y], [0, 0, 1.0]]))


@pytest.fixture(scope="module")
def marked() -> tuple[Lid, LidView]:
    lid = drawn_lid("grid")
    return lid, view_of(draw_lid(lid, look_alikes=True, size=SIZE, seed=1))


@pytest.fixture(scope="module")
def overgrown(marked: tuple[Lid, LidView]) -> Drawing:
    """Two holes in three hidden, the filling port in sight, from the other side of the table."""
    lid, _ = marked
    stands = {site: Stand(2, leaf_mm=24, true_pairs=2) for site in lid.labels if site not in ("A2", "A3", "B4", "C2")}
    return draw_lid(lid, sprouts=stands, look_alikes=True, roll_deg=190, tilt_deg=10, size=SIZE, seed=2)


def test_a_pose_is_pulled_onto_the_known_look(marked: tuple[Lid, LidView]) -> None:
    lid, known = marked
    drawing = draw_lid(lid, look_alikes=True, roll_deg=20, size=SIZE, seed=3)
    beside = Comparison(Pyramid(drawing.rgb), known, lid)
    nothing = np.empty((0, 2))
    middle = drawing.registration.to_px(lid.sites_mm.mean(0)[None])[0]
    scale = float(drawing.registration.px_per_mm(lid.sites_mm.mean(0)[None])[0])
    pose = Pose.facing(
        roll=np.radians(20.5),
        centre_px=middle + [3 * scale, -2 * scale],
        px_per_mm=scale,
        pivot_mm=lid.sites_mm.mean(0),
        size_px=SIZE,
    )
    for level in (4, 4, 2, 2, 2, 2):
        belief = beside.belief(pose, level)
        assert belief is not None
        pose = fit_pose(pose, nothing, nothing, 1.0, belief=belief).pose
    off = np.linalg.norm(pose.registration().to_px(lid.sites_mm) - drawing.sites_px, axis=1) / scale
    assert off.max() < 0.8


def test_the_plate_among_leaves_tells_where_the_lid_lies(marked: tuple[Lid, LidView], overgrown: Drawing) -> None:
    lid, known = marked
    beside = Comparison(Pyramid(overgrown.rgb), known, lid)
    poses = similar_poses(beside, find_circles(Pyramid(overgrown.rgb)), lid)
    off = [
        np.linalg.norm(p.registration().to_px(lid.sites_mm)[:, None] - overgrown.sites_px[None], axis=2) for p in poses
    ]
    scale = float(np.median(overgrown.registration.px_per_mm(lid.sites_mm)))
    assert min(d.min(1).max() for d in off[:4]) / scale < 0.8 * lid.hole_mm


def test_an_overgrown_lid_is_found_and_its_labels_stick(marked: tuple[Lid, LidView], overgrown: Drawing) -> None:
    lid, known = marked
    found = register(photo_of(overgrown), lid, known=known)
    off = np.linalg.norm(found.to_mm(overgrown.sites_px) - lid.sites_mm, axis=1)
    assert off.max() < 2.0
    assert "view" in found.fit_by


def test_the_look_of_another_lid_is_refused(overgrown: Drawing) -> None:
    lid = drawn_lid("grid", pitch_mm=[72.0, 70.0], hole_mm=26.0)
    known = view_of(draw_lid(lid, lid_colour="black", size=SIZE, seed=1))
    with pytest.raises(NotRegistered, match=r"does not look like this lid|lid was not found|sites show|found only to"):
        register(photo_of(overgrown), lid, known=known)


def test_small_marks_tell_which_way_round(marked: tuple[Lid, LidView], overgrown: Drawing) -> None:
    lid, known = marked
    right, wrong = overgrown.registration, half_turn(overgrown.registration, lid)
    assert prefer(Pyramid(overgrown.rgb), right, wrong, known, lid) > 0.3
    assert prefer(Pyramid(overgrown.rgb), wrong, right, known, lid) < -0.3


@pytest.mark.parametrize("colour", ["white", "black", "cream"])
def test_a_bare_symmetric_plate_has_no_preference(colour: str) -> None:
    lid = drawn_lid("grid")
    known = view_of(draw_lid(lid, lid_colour=colour, size=SIZE, seed=4))
    drawing = draw_lid(
        lid, lid_colour=colour, sprouts={"A2": 2, "C3": 2}, roll_deg=100, tilt_deg=8, shading=0.3, size=SIZE, seed=5
    )
    way = prefer(Pyramid(drawing.rgb), drawing.registration, half_turn(drawing.registration, lid), known, lid)
    assert abs(way) < 0.2
    with pytest.raises(NotRegistered, match="nothing visible tells one side of the lid from the other"):
        register(photo_of(drawing), lid, known=known)


@pytest.fixture(scope="module")
def bare_days() -> tuple[Lid, LidView, LidView, Drawing]:
    """A plate without a mark: its empty look, a day with plants, and a later one from the other side of the table."""
    lid = drawn_lid("grid")
    early = {
        "A1": Stand(2, leaf_mm=14, true_pairs=1),
        "B2": Stand(1, leaf_mm=16, true_pairs=1),
        "A4": Stand(2, leaf_mm=9),
    }
    late = {site: Stand(s.seedlings, leaf_mm=1.5 * s.leaf_mm, true_pairs=s.true_pairs) for site, s in early.items()}
    return (
        lid,
        view_of(draw_lid(lid, size=SIZE, seed=4)),
        view_of(draw_lid(lid, sprouts=early, roll_deg=3, size=SIZE, seed=6)),
        draw_lid(lid, sprouts=late, roll_deg=175, tilt_deg=9, shading=0.3, size=SIZE, seed=7),
    )


def test_plants_of_another_day_tell_which_way_round(bare_days: tuple[Lid, LidView, LidView, Drawing]) -> None:
    lid, known, other, drawing = bare_days
    with pytest.raises(SidesUnsure, match="nothing visible tells one side of the lid from the other"):
        register(photo_of(drawing), lid, known=known)
    found = register(photo_of(drawing), lid, known=known, others=[other])
    assert np.linalg.norm(found.to_mm(drawing.sites_px) - lid.sites_mm, axis=1).max() < 2.0


def test_days_that_say_different_things_say_nothing(bare_days: tuple[Lid, LidView, LidView, Drawing]) -> None:
    lid, _, other, drawing = bare_days
    right, wrong = drawing.registration, half_turn(drawing.registration, lid)
    turned = learn_view(Pyramid(drawing.rgb), wrong, lid)
    assert prefer_by_plants(Pyramid(drawing.rgb), right, wrong, [other], lid) > 0.25
    assert prefer_by_plants(Pyramid(drawing.rgb), right, wrong, [other, turned], lid) == 0
    assert prefer_by_plants(Pyramid(drawing.rgb), right, wrong, [], lid) == 0


def test_leaves_are_told_from_teal_and_plates() -> None:
    colours = np.array([[*LEAVES.values()], [(40, 130, 135), (232, 231, 226), (104, 72, 48)]], float)
    leaf = leafy(colours.round().astype(np.uint8))
    assert leaf[0, :2].all(), "green and yellowing"
    assert not leaf[1].any(), "a teal collar, a white plate, coir"
    assert leafy(np.array([[[14, 24, 10]]], np.uint8)).all(), "a leaf in the shade"
