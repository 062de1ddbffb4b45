"""Whole-frame tissue: bare ground, sparse seedlings, a canopy that fills the frame, odd lamps."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "calibration"))

from drawn_ground import drawn_ground

from sprout.cover import cover, planes
from sprout.light import lab, to_linear, to_srgb
from sprout.photo import Photo, Quality
from sprout.settings import Settings
from sprout.survey import survey_cover

SOIL, LEAF, YELLOWED = (112, 86, 66), (84, 142, 52), (196, 184, 62)


def photo_of(rgb: np.ndarray) -> Photo:
    h, w = rgb.shape[:2]
    return Photo(Path("drawn.jpg"), "", None, w, h, rgb, 1.0, Quality(0.6, 0.0, 0.0))


def drawn(
    ground: tuple[int, int, int], leaves: list[tuple[int, int, int]], *, leaf_px: int = 26
) -> tuple[np.ndarray, np.ndarray]:
    """A rough ground with leaves in rows, blurred and noisy as a photo is; and where the leaves are."""
    rng = np.random.default_rng(7)
    h, w = 480, 640
    rough = cv2.GaussianBlur(rng.normal(0, 1, (h, w, 1)).astype(np.float32), (0, 0), 3)[..., None]
    rgb = np.asarray(ground, np.float32) * (1 + 0.8 * rough)
    mask = np.zeros((h, w), np.uint8)
    for k, colour in enumerate(leaves):
        centre = (60 + 90 * (k % 6), 60 + 90 * (k // 6))
        leaf = np.zeros_like(mask)
        cv2.ellipse(leaf, centre, (leaf_px, leaf_px // 2), 30.0 * k, 0, 360, 1, -1)
        rgb[leaf > 0] = np.asarray(colour, np.float32) * (1 + 0.2 * rough[leaf > 0])
        mask |= leaf
    rgb = cv2.GaussianBlur(rgb, (0, 0), 0.8) + rng.normal(0, 2, rgb.shape)
    return np.clip(rgb, 0, 255).astype(np.uint8), mask > 0


def test_bare_soil_has_no_cover() -> None:
    rgb, _ = drawn(SOIL, [])
    _, cover_pct, yellow_pct, dry_pct, flags = cover(photo_of(rgb))
    assert cover_pct < 0.02
    assert np.isnan(dry_pct)
    assert np.isnan(yellow_pct) or cover_pct > 0
    assert flags in ("", "faint")


@pytest.mark.parametrize("ground", [SOIL, (60, 52, 48), (205, 200, 190)])
@pytest.mark.parametrize("leaf_px", [8, 40])
def test_seedlings_on_any_ground(ground: tuple[int, int, int], leaf_px: int) -> None:
    rgb, mask = drawn(ground, [LEAF] * 20, leaf_px=leaf_px)
    classes, cover_pct, *_ = cover(photo_of(rgb))
    found = classes > 0
    assert (found & mask).sum() / (found | mask).sum() > 0.85
    assert cover_pct == pytest.approx(100 * mask.mean(), rel=0.15)


def test_leaves_end_where_brightness_does_though_colour_runs_over_their_edges() -> None:
    rgb, mask = drawn((58, 48, 42), [(150, 178, 118)] * 20, leaf_px=40)
    ycc = cv2.cvtColor(rgb, cv2.COLOR_RGB2YCrCb)
    ycc[..., 1:] = cv2.GaussianBlur(ycc[..., 1:], (0, 0), 3)
    classes, *_ = cover(photo_of(cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)))
    found = classes > 0
    assert (found & mask).sum() / (found | mask).sum() > 0.97


def mask_of_a_disc(folder: Path, *, size_px: tuple[int, int], radius_px: int, working_px: int) -> np.ndarray:
    """The classes at full size of a photo with one green disc in its middle."""
    w, h = size_px
    rgb = np.full((h, w, 3), SOIL, np.uint8)
    cv2.circle(rgb, (w // 2, h // 2), radius_px, LEAF, -1)
    path = folder / "bed.png"
    cv2.imwrite(str(path), cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))
    classes = survey_cover(path, settings=Settings(working_px=working_px), masks=True).classes
    assert classes is not None
    return classes


def test_a_mask_at_full_size_lies_over_its_leaf(tmp_path: Path) -> None:
    classes = mask_of_a_disc(tmp_path, size_px=(960, 720), radius_px=150, working_px=600)
    assert classes.shape == (720, 960)
    y, x = np.nonzero(classes)
    assert (x.mean(), y.mean()) == pytest.approx((480, 360), abs=0.1)


def test_edges_of_a_mask_at_full_size_are_no_stairs(tmp_path: Path) -> None:
    classes = mask_of_a_disc(tmp_path, size_px=(1920, 1440), radius_px=300, working_px=480)
    y, x = np.nonzero((classes > 0) & (cv2.erode(classes, np.ones((3, 3), np.uint8)) == 0))
    radius = np.hypot(x - 960, y - 720)
    assert radius.std() < 0.8


def test_what_is_not_green_about_a_plant_belongs_to_it() -> None:
    # twelve scenes that nothing was fitted to: stalks and spots as brown as the soil, moss and grey stones beside them
    rng = np.random.default_rng(2)
    scenes = [drawn_ground(rng) for _ in range(12)]
    rgb, true = (np.vstack([np.hstack([s[k] for s in scenes[j : j + 4]]) for j in (0, 4, 8)]) for k in (0, 1))
    found = cover(photo_of(rgb))[0] > 0
    green = planes(rgb, -lab(rgb)[..., 1], 35)[4] > 0.5
    overlap = [(some & true).sum() / (some | true).sum() for some in (found, green)]
    assert overlap[0] > overlap[1] + 0.05
    assert (green & true & ~found).sum() < 0.02 * true.sum()


def test_a_cream_tray_is_no_plant() -> None:
    rgb, _ = drawn((78, 80, 84), [])
    rgb[80:400, 120:520] = np.clip(rgb[80:400, 120:520].astype(int) + (140, 132, 96), 0, 255)
    assert cover(photo_of(rgb))[1] < 0.1


def test_a_full_canopy_is_full() -> None:
    rgb, _ = drawn(LEAF, [])
    _, cover_pct, yellow_pct, *_ = cover(photo_of(rgb))
    assert cover_pct > 99
    assert yellow_pct < 1


def test_yellow_leaves_are_told_from_green_ones() -> None:
    rgb, _ = drawn(SOIL, [LEAF] * 15 + [YELLOWED] * 5, leaf_px=40)
    _, _, yellow_pct, *_ = cover(photo_of(rgb))
    assert yellow_pct == pytest.approx(25, abs=4)


def test_a_magenta_lamp_does_not_hide_the_seedlings() -> None:
    rgb, mask = drawn(SOIL, [LEAF] * 20, leaf_px=40)
    lit = np.rint(255 * to_srgb(np.clip(to_linear(rgb / 255) * [1.3, 0.6, 1.4], 0, 1))).astype(np.uint8)
    classes, *_ = cover(photo_of(lit))
    assert ((classes > 0) & mask).sum() / ((classes > 0) | mask).sum() > 0.8


def test_glare_is_told() -> None:
    rgb, _ = drawn(SOIL, [LEAF] * 5)
    rgb[:60, :200] = 255
    assert cover(photo_of(rgb))[4] == "glare"
