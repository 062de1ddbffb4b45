"""Registration on drawn lids whose truth is known, and the maths of the map itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid
from skimage.draw import polygon

from sprout.errors import BookError, NotRegistered
from sprout.photo import Photo, Quality
from sprout.pyramid import Pyramid
from sprout.registration import (
    Registration,
    learn_view,
    load_view,
    register,
    save_view,
    straighten,
)
from sprout.registration.alignment import LEVELS, Comparison
from sprout.registration.camera import RISE_MM, UNIT, Pose, fit_numbers, fit_pose, see
from sprout.registration.holes import Circles
from sprout.registration.lattice import place


def photo_of(drawing: Drawing) -> Photo:
    h, w = drawing.rgb.shape[:2]
    return Photo(Path("drawn.jpg"), "0" * 64, None, w, h, drawing.rgb, 1.0, Quality(0.6, 0, 0))


def site_errors_mm(found: Registration, drawing: Drawing) -> np.ndarray:
    """Distance of each labelled site from its truth, in mm; a wrong label is a large error."""
    sites = drawing.lid.sites_mm
    return np.linalg.norm(found.to_mm(drawing.registration.to_px(sites)) - sites, axis=1)


def test_to_px_and_back() -> None:
    reg = Registration(np.array([[3.9, 0.5, 200], [-0.5, 3.8, 500], [1e-5, 6e-5, 1]]), -0.05, (1512, 2016), 0, "")
    mm = np.random.default_rng(0).uniform(0, 300, (50, 2))
    assert np.allclose(reg.to_mm(reg.to_px(mm)), mm, atol=1e-3)


def test_area_of_drawn_discs_is_pi_r_squared_after_tilt() -> None:
    pose = Pose(np.array([0.3, -0.15, 0.7, 40, -60, np.log(4.0), 0.05, -0.03, 0.0]), np.zeros(2), (1512, 2016))
    reg = pose.registration()
    for centre in ([-90.0, -60.0], [0.0, 0.0], [80.0, 70.0]):
        turn = np.linspace(0, 2 * np.pi, 400)
        rim = reg.to_px(np.array(centre) + 12 * np.column_stack([np.cos(turn), np.sin(turn)]))
        y, x = polygon(rim[:, 1], rim[:, 0])
        area = reg.mm2_per_px(np.column_stack([x, y]).astype(float)).sum()
        assert area == pytest.approx(np.pi * 12**2, rel=0.01)


def test_straightening_undoes_a_known_homography() -> None:
    board = np.kron(np.indices((12, 16)).sum(0) % 2, np.ones((30, 30))).astype(np.uint8) * 200 + 20
    board = np.repeat(board[..., None], 3, 2)
    matrix = np.array([[1.9, 0.3, 120], [-0.2, 1.8, 260], [2e-4, 1e-4, 1]])
    seen = cv2.warpPerspective(board, matrix, (1200, 1000))
    reg = Registration(matrix, 0.0, (1000, 1200), 0.0, "")
    back, inside = straighten(Pyramid(seen), reg, origin_mm=(0.0, 0.0), size=board.shape[:2], px_per_mm=1.0)
    assert inside.all()
    assert np.median(np.abs(back.astype(int) - board)) <= 2


def test_pose_is_recovered_from_noisy_points() -> None:
    true = Pose(np.array([0.2, 0.1, -1.2, 30, 50, np.log(3.5), -0.05, -0.03, RISE_MM]), np.full(2, 100.0), (1512, 2016))
    x, y = np.meshgrid(np.arange(5) * 50.0, np.arange(4) * 50.0)
    mm = np.column_stack([x.ravel(), y.ravel()])
    px = true.rims.to_px(mm) + np.random.default_rng(2).normal(0, 0.5, mm.shape)
    start = replace(true, numbers=true.numbers + [-0.2, -0.1, 0.1, 20, -15, 0.05, 0.05, 0.01, 0])
    fit = fit_pose(start, mm, px, 0.5)
    off = np.linalg.norm(fit.pose.rims.to_px(mm) - true.rims.to_px(mm), axis=1) / 3.5
    assert off.max() < 0.4
    assert 0.2 < off.max() / fit.error_mm(mm).max() < 3


def test_what_a_pose_shows_changes_by_the_slopes_given() -> None:
    numbers = np.array(
        [[0.1, -0.2, 0.7, 30, -50, 1.2, 0.1, -0.04, 2.0], [-0.3, 0.05, 2.7, -130, -50, 1.0, -0.1, 0.02, 1.0]]
    )
    mm = np.random.default_rng(4).uniform(0, 300, (6, 2))
    raised = np.array([1.0, 0, 1, 1, 0, 1])
    rest = (raised, np.array([150.0, 100.0]), (1512, 2016))
    seen, slopes = see(numbers, mm, *rest)
    for k, row in enumerate(numbers):
        pose = Pose(row, *rest[1:])
        assert np.allclose(seen[:, k].T[raised > 0], pose.rims.to_px(mm[raised > 0]))
        assert np.allclose(seen[:, k].T[raised == 0], pose.registration().to_px(mm[raised == 0]))
    for k, step in enumerate(1e-4 * np.diag(UNIT)):
        change = see(numbers + step, mm, *rest)[0] - see(numbers - step, mm, *rest)[0]
        assert np.allclose(change / (2 * step[k]), slopes[k], rtol=1e-4, atol=1e-3)
    for k, step in enumerate(1e-3 * np.eye(2)):
        change = see(numbers, mm + step, *rest)[0] - see(numbers, mm - step, *rest)[0]
        assert np.allclose(change / 2e-3, slopes[9 + k], rtol=1e-5)


def test_the_local_scale_is_what_an_area_grows_by() -> None:
    reg = Registration(np.array([[3.9, 0.5, 200], [-0.5, 3.8, 500], [1e-5, 6e-5, 1]]), -0.05, (1512, 2016), 0, "")
    mm = np.random.default_rng(0).uniform(0, 300, (20, 2))
    x, y = ((reg.to_px(mm + d) - reg.to_px(mm - d)) / 2e-3 for d in np.eye(2) * 1e-3)
    assert np.allclose(reg.px_per_mm(mm) ** 2, x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0], rtol=1e-6)
    assert np.allclose(reg.mm2_per_px(reg.to_px(mm)) * reg.px_per_mm(mm) ** 2, 1, rtol=1e-6)


def test_poses_fitted_side_by_side_are_those_fitted_alone() -> None:
    true = Pose(np.array([0.2, 0.1, -1.2, 30, 50, np.log(3.5), -0.05, -0.03, RISE_MM]), np.full(2, 100.0), (1512, 2016))
    x, y = np.meshgrid(np.arange(5) * 50.0, np.arange(4) * 50.0)
    mm = np.column_stack([x.ravel(), y.ravel()])
    rng = np.random.default_rng(3)
    px = true.rims.to_px(mm) + rng.normal(0, 0.5, (2, *mm.shape))
    weight = np.array([np.ones(20), np.arange(20) % 3 > 0]) * 2.0
    start = np.tile(true.numbers + [-0.2, -0.1, 0.1, 20, -15, 0.05, 0.05, 0.01, 0], (2, 1))
    both, _ = fit_numbers(start, mm, px, weight, np.ones(20), true.pivot_mm, true.size_px)
    for k in range(2):
        used = weight[k] > 0
        alone = fit_pose(replace(true, numbers=start[k]), mm[used], px[k, used], 0.5).pose
        off = alone.rims.to_px(mm) - replace(true, numbers=both[k]).rims.to_px(mm)
        assert np.abs(off).max() < 0.05


def test_a_pose_that_cannot_be_fitted_is_unsure_and_no_crash() -> None:
    start = Pose.facing(roll=0, centre_px=np.zeros(2), px_per_mm=3, pivot_mm=np.zeros(2), size_px=(1512, 2016))
    fit = fit_pose(start, np.eye(2), np.full((2, 2), np.nan), 1.0)
    assert (fit.pose.numbers == start.numbers).all()
    assert fit.error_mm(np.eye(2)).min() > 100


@pytest.mark.parametrize("pattern", ["grid", "staggered", "ring"])
@pytest.mark.parametrize(("tilt", "roll"), [(0, 0), (12, 25), (20, 100)])
def test_sites_are_found_and_named(pattern: str, tilt: float, roll: float) -> None:
    drawing = draw_lid(drawn_lid(pattern), tilt_deg=tilt, tilt_towards_deg=40, roll_deg=roll, look_alikes=True, seed=3)
    found = register(photo_of(drawing), drawing.lid)
    px, true = found.to_px(drawing.lid.sites_mm), drawing.registration.to_px(drawing.lid.sites_mm)
    scale = float(np.median(found.px_per_mm(drawing.lid.sites_mm)))
    nearest = np.linalg.norm(px[:, None] - true[None], axis=2).min(1) / scale
    assert nearest.max() < 2.0
    if pattern == "grid":
        corners = np.linalg.norm(px[[0, -1]], axis=1)
        assert corners[0] < corners[1], "A1 lies nearer the upper left than the last site"


def test_labels_stick_when_the_photo_is_taken_from_the_other_side() -> None:
    lid = drawn_lid("grid", tags=True)
    first = photo_of(draw_lid(lid, roll_deg=3, seed=1))
    begun = register(first, lid)
    known = learn_view(first.pyramid, begun, lid)
    assert set(known.tags_mm) == set(lid.tags.ids)
    for roll in (5, 95, 183, 275):
        drawing = draw_lid(lid, roll_deg=roll, tilt_deg=8, sprouts={"A1": 2, "B2": 1}, seed=roll)
        found = register(photo_of(drawing), lid, known=known)
        assert site_errors_mm(found, drawing).max() < 1.5
        assert "tags" in found.fit_by


def test_a_faint_circle_under_a_leaf_does_not_pull_the_lattice_off() -> None:
    lid = drawn_lid("ring")
    size = (1512, 2016)
    pose = Pose.facing(
        roll=0.4, centre_px=np.array([940.0, 740.0]), px_per_mm=2.3, pivot_mm=lid.sites_mm.mean(0), size_px=size
    )
    holes = pose.registration().to_px(lid.sites_mm)
    holes[3] += [0.2 * np.linalg.norm(holes[1] - holes[0]), 0]  # a leaf lies over this hole, its tip looks like one
    support = np.full(len(holes), 0.9)
    support[3] = 0.15
    circles = Circles(holes, np.full(len(holes), 2.3 * lid.hole_mm / 2), support)
    found = next(place(circles, lid, size)).fit.pose.registration().to_px(lid.sites_mm)
    true = np.delete(pose.registration().to_px(lid.sites_mm), 3, axis=0)
    off = np.linalg.norm(true[:, None] - found[None], axis=2).min(1)
    assert off.max() < 3


def test_leaves_over_most_holes_do_not_shift_the_lattice() -> None:
    lid = drawn_lid("grid", tags=True)
    first = photo_of(draw_lid(lid, seed=1))
    known = learn_view(first.pyramid, register(first, lid), lid)
    grown = {label: Stand(2, leaf_mm=22, true_pairs=2) for label in lid.labels[: len(lid.labels) * 2 // 3]}
    drawing = draw_lid(lid, sprouts=grown, roll_deg=10, tilt_deg=6, seed=4)
    assert site_errors_mm(register(photo_of(drawing), lid, known=known), drawing).max() < 1.5


@pytest.mark.parametrize("seed", [0, 3])
def test_a_picture_without_a_lid_is_refused(seed: int) -> None:
    grain = np.random.default_rng(seed).normal(120, 25, (1512, 2016, 3)).clip(0, 255).astype(np.uint8)
    nothing = Photo(Path("table.jpg"), "0" * 64, None, 2016, 1512, grain, 1.0, Quality(0.6, 0, 0))
    said = r"table\.jpg: .*(lid was not found|more than one way|sites show|found only to)"
    with pytest.raises(NotRegistered, match=said):
        register(nothing, drawn_lid("grid"))


def test_another_lid_is_refused() -> None:
    drawing = draw_lid(drawn_lid("ring"), seed=5)
    with pytest.raises(NotRegistered, match=r"lid|sites"):
        register(photo_of(drawing), drawn_lid("grid", rows=4, columns=6))


def test_agreement_tells_a_right_registration_from_a_shifted_one() -> None:
    lid = drawn_lid("grid")
    first = photo_of(draw_lid(lid, look_alikes=True, seed=1))
    begun = register(first, lid)
    known = learn_view(first.pyramid, begun, lid)
    shifted = replace(begun, homography=begun.homography @ np.array([[1, 0, 62.0], [0, 1, 0], [0, 0, 1]]))
    beside = Comparison(Pyramid(first.rgb), known, lid)
    for level in LEVELS:
        assert beside.agreement(begun, level) > 0.9
        assert beside.agreement(shifted, level) < 0.6


def test_a_view_survives_its_file(tmp_path: Path) -> None:
    lid = drawn_lid("grid", tags=True)
    first = photo_of(draw_lid(lid, seed=1))
    known = learn_view(first.pyramid, register(first, lid), lid)
    save_view(known, tmp_path / "view.npz")
    back = load_view(tmp_path / "view.npz")
    assert (back.rgb == known.rgb).all()
    assert (back.shown == known.shown).all()
    assert back.origin_mm == known.origin_mm
    assert all(np.allclose(back.tags_mm[k], known.tags_mm[k]) for k in known.tags_mm)
    (tmp_path / "view.npz").write_bytes(b"half")
    with pytest.raises(BookError, match="missing or damaged"):
        load_view(tmp_path / "view.npz")


def test_without_a_book_a1_is_named_by_the_photo_itself() -> None:
    lid = drawn_lid("grid", tags=True)
    first = photo_of(draw_lid(lid, roll_deg=3, seed=1))
    known = learn_view(first.pyramid, register(first, lid), lid)
    turned = photo_of(draw_lid(lid, roll_deg=183, seed=2))
    for keep_labels, a1_first in ((True, False), (False, True)):
        found = register(turned, lid, known=known, keep_labels=keep_labels)
        a1, last = np.linalg.norm(found.to_px(lid.sites_mm[[0, -1]]), axis=1)
        assert (a1 < last) == a1_first


def test_holes_that_fit_two_ways_are_not_guessed_at() -> None:
    """With foil over both end columns the pattern could lie a column to either side: right, or refused."""
    lid = drawn_lid("grid", rows=2, columns=5)
    ends = {site: "foil" for site in lid.labels if site[1:] in "15"}
    drawing = draw_lid(lid, stickers=ends, seed=3)
    try:
        found = register(photo_of(drawing), lid)
    except NotRegistered:
        return
    off = found.to_mm(drawing.sites_px)[:, None] - lid.sites_mm[None]
    assert np.linalg.norm(off, axis=2).min(1).max() < lid.hole_mm / 2


def test_grid_map_is_the_map() -> None:
    reg = Registration(np.array([[3.9, 0.5, 200], [-0.5, 3.8, 500], [1e-5, 6e-5, 1]]), -0.05, (1512, 2016), 0, "")
    x, y = np.arange(0, 250, 0.5), np.arange(0, 180, 0.5)
    exact = reg.to_px(np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)).reshape(len(y), len(x), 2)
    assert np.abs(reg.grid_px(x, y) - exact).max() < 0.02


def test_foil_over_an_end_leaves_the_bare_plate_to_tell() -> None:
    """A column farther on there are no holes but plain table: that settles it."""
    lid = drawn_lid("grid", rows=2, columns=5)
    drawing = draw_lid(lid, stickers={"A1": "foil", "B1": "foil", "A4": "foil"}, table="stone", roll_deg=8, seed=3)
    found = register(photo_of(drawing), lid)
    off = found.to_mm(drawing.sites_px)[:, None] - lid.sites_mm[None]
    assert np.linalg.norm(off, axis=2).min(1).max() < 2
