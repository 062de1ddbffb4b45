"""Leaves: cut out where they are, shown at one size, and more of them meaning more seedlings."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid

from sprout.counting import MOST
from sprout.leaves import FINEST_MM, PLANES, SIDE, Cutout, as_shown, cut_out, framed, local_map, scores, shown


@pytest.fixture(scope="module")
def grown() -> Drawing:
    sprouts = {label: Stand(k, leaf_mm=9) for label, k in (("A1", 1), ("B2", 2), ("C4", 3))}
    return draw_lid(drawn_lid(), sprouts=sprouts, tilt_deg=12, seed=3)


def cutout(drawing: Drawing, label: str) -> Cutout:
    k = drawing.lid.labels.index(label)
    y, x = np.nonzero(drawing.sites == k + 1)
    window = slice(y.min(), y.max() + 1), slice(x.min(), x.max() + 1)
    to_mm = local_map(drawing.registration, drawing.lid.sites_mm[k])
    own = (drawing.sites[window] == k + 1) * np.uint8(255)
    return cut_out(drawing.rgb, own, np.array([x.min(), y.min()]), to_mm)


def test_a_cutout_knows_where_it_is(grown: Drawing) -> None:
    for label in ("A1", "B2", "C4"):
        one = cutout(grown, label)
        y, x = np.nonzero(one.mask > 127)
        mm = np.column_stack([x, y]) @ one.to_mm[:, :2].T + one.to_mm[:, 2]
        k = grown.lid.labels.index(label)
        rows, columns = np.nonzero(grown.sites == k + 1)
        true = grown.registration.to_mm(np.column_stack([columns, rows]).astype(float)) - grown.lid.sites_mm[k]
        assert mm.mean(0) == pytest.approx(true.mean(0), abs=0.4)
        area = len(x) * abs(np.linalg.det(one.to_mm[:, :2]))
        assert area == pytest.approx(100 * grown.tissue_cm2(label), rel=0.1)


def test_a_plant_fills_the_frame_but_is_never_blown_up(grown: Drawing) -> None:
    for scale in (1.0, 0.2):
        one = cutout(grown, "C4")
        one = Cutout(one.mask, one.lab, one.to_mm * scale)
        hull = one.hull_mm()
        frame = framed(hull, np.eye(2))
        assert frame[0, 0] <= 1 / FINEST_MM + 1e-9
        mask, lab = shown(one, frame)
        assert mask.shape == (SIDE, SIDE)
        assert lab.shape == (SIDE, SIDE, 3)
        wanted = min(SIDE - 6, float(np.ptp(hull, axis=0).max()) / FINEST_MM)
        assert max(np.ptp(np.argwhere(mask > 127), axis=0)) == pytest.approx(wanted, abs=3)


def test_the_network_sees_the_plant_alone(grown: Drawing) -> None:
    one = cutout(grown, "B2")
    other = Cutout(one.mask, np.where(cv2.dilate(one.mask, np.ones((9, 9)))[..., None] > 0, one.lab, 200), one.to_mm)
    assert as_shown(one).shape == (PLANES, SIDE, SIDE)
    assert np.abs(as_shown(one) - as_shown(other)).max() < 0.6


def test_scores_are_log_probabilities_and_rise_with_the_leaves(grown: Drawing) -> None:
    got = scores([cutout(grown, label) for label in ("A1", "B2", "C4")])
    assert got.shape == (3, MOST)
    assert (got <= 0).all()
    mean = np.exp(got) @ np.arange(1, MOST + 1) / np.exp(got).sum(1)
    assert mean[0] < mean[1] < mean[2]


def test_nothing_cut_out_gives_no_scores() -> None:
    assert len(scores([])) == 0


def test_a_speck_at_the_frame_can_be_cut_out() -> None:
    picture = np.full((40, 40, 3), 90, np.uint8)
    one = cut_out(picture, np.full((1, 1), 255, np.uint8), np.array([39, 0]), np.array([[0.25, 0, 0], [0, 0.25, 0]]))
    assert np.isfinite(scores([one])).all()
