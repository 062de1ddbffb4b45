"""The drawing module tells the truth: its pictures, its maps and its numbers agree."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
from artificial import Stand, draw_lid, drawn_lid, save_jpeg
from PIL import Image, ImageOps

from sprout.tissue import ALGAE, DRY, GREEN, YELLOW

SMALL = (720, 960)


def test_tags_lie_where_the_registration_says() -> None:
    drawing = draw_lid(drawn_lid(tags=True), size=(1080, 1440), tilt_deg=15, tilt_towards_deg=50, roll_deg=20)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(drawing.rgb)
    assert sorted(ids.ravel()) == [0, 1, 2, 3]
    for seen, tag in zip(corners, ids.ravel(), strict=True):
        told = drawing.registration.to_px(drawing.tags_mm[int(tag)])
        assert np.linalg.norm(seen[0] - told, axis=1).max() < 2.0


def test_holes_are_dark_where_the_sites_are() -> None:
    drawing = draw_lid(drawn_lid(), size=SMALL, tilt_deg=20, roll_deg=200, look_alikes=True)
    for u, v in drawing.sites_px:
        assert drawing.rgb[round(v), round(u)].max() < 110
    plate = drawing.registration.to_px(np.array([[30.0, 28.0]]))[0]
    assert drawing.rgb[round(plate[1]), round(plate[0])].min() > 150


def test_leaves_are_green_where_the_mask_says() -> None:
    drawing = draw_lid(drawn_lid(), sprouts={"A1": 2, "B2": Stand(2, 10, 1)}, size=SMALL, blur_px=0, noise=0)
    r, g, b = np.moveaxis(drawing.rgb.astype(int), 2, 0)
    green = 2 * g - r - b > 25
    plant = drawing.tissue == GREEN
    assert (green & plant).sum() / (green | plant).sum() > 0.85
    assert set(np.unique(drawing.sites)) == {0, 1, 6}
    assert drawing.seedlings["B2"] == 2
    assert drawing.seedlings["A2"] == 0


def test_area_does_not_depend_on_the_camera() -> None:
    sprouts = {"B2": Stand(2, 14, 1)}
    straight = draw_lid(drawn_lid(), sprouts=sprouts, size=(1080, 1440))
    leaning = draw_lid(drawn_lid(), sprouts=sprouts, size=(1080, 1440), tilt_deg=25, roll_deg=70)
    assert straight.tissue_cm2("B2") > 3
    assert leaning.tissue_cm2("B2") == pytest.approx(straight.tissue_cm2("B2"), rel=0.05)
    assert straight.tissue_cm2("A1") == 0


def test_every_kind_of_tissue_is_marked() -> None:
    stands = {"A1": Stand(1, 8, 0, YELLOW), "A2": Stand(1, 8, 0, DRY), "A3": 1}
    drawing = draw_lid(drawn_lid(), sprouts=stands, algae=["C4"], size=SMALL)
    assert set(np.unique(drawing.tissue)) == {0, GREEN, YELLOW, DRY, ALGAE}
    assert (drawing.sites[drawing.tissue == ALGAE] == 0).all()


def test_the_same_arguments_give_the_same_picture() -> None:
    first, again, other = (draw_lid(drawn_lid("ring"), sprouts={"B3": 2}, size=SMALL, seed=s) for s in (1, 1, 2))
    assert np.array_equal(first.rgb, again.rgb)
    assert not np.array_equal(first.rgb, other.rgb)


def test_light_and_highlights() -> None:
    plain = draw_lid(drawn_lid(), size=SMALL, noise=0)
    warm = draw_lid(drawn_lid(), size=SMALL, noise=0, cast=(1.0, 0.8, 0.5), exposure_ev=-1, glare=2)
    ratio = warm.rgb.reshape(-1, 3).astype(float).mean(0) / plain.rgb.reshape(-1, 3).astype(float).mean(0)
    assert ratio[0] > ratio[1] > ratio[2]
    assert (warm.rgb.min(2) == 255).any()
    assert not (plain.rgb.min(2) == 255).any()


def test_an_unknown_site_is_refused() -> None:
    with pytest.raises(KeyError, match=r"no such sites.*Z9"):
        draw_lid(drawn_lid(), sprouts={"Z9": 1}, size=SMALL)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_saved_photo_is_dated_and_turned(tmp_path: Path, orientation: int) -> None:
    rgb = np.zeros((60, 80, 3), np.uint8)
    rgb[:20, :20] = [255, 0, 0]
    rgb[-20:, :20] = [0, 0, 255]
    taken = datetime(2026, 9, 1, 8, 30, tzinfo=timezone(timedelta(hours=2)))
    with Image.open(save_jpeg(rgb, tmp_path / "x.jpg", taken_at=taken, orientation=orientation)) as image:
        assert image.size == ((80, 60) if orientation < 5 else (60, 80))
        details = image.getexif().get_ifd(0x8769)
        assert (details[0x9003], details[0x9011]) == ("2026:09:01 08:30:00", "+02:00")
        upright = np.asarray(ImageOps.exif_transpose(image)).astype(int)
    assert np.abs(upright - rgb).mean() < 4
