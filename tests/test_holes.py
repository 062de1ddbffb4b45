"""Holes as circles: on drawn discs, on drawn lids, and on a photograph of real coins."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.ndimage import binary_fill_holes
from scipy.optimize import linear_sum_assignment
from skimage import data
from skimage.filters import sobel
from skimage.measure import label, regionprops
from skimage.segmentation import watershed

from sprout.pyramid import Pyramid
from sprout.registration import Registration
from sprout.registration.holes import find_circles, see_rims


def drawn(
    circles: list[tuple[float, float, float]], size: tuple[int, int] = (480, 640), noise: float = 3
) -> np.ndarray:
    rgb = np.full((480, 640, 3), 210, np.uint8)
    for x, y, r in circles:
        cv2.circle(rgb, (round(x * 16), round(y * 16)), round(r * 16), (70, 60, 50), -1, cv2.LINE_AA, 4)
    grain = np.random.default_rng(1).normal(0, 3, rgb.shape)
    return np.clip(rgb + grain, 0, 255).astype(np.uint8)


def test_discs_are_found_where_they_are() -> None:
    truth = np.array([(120.3, 90.8, 22), (300.5, 240.2, 35), (520.7, 380.1, 48)])
    found = find_circles(Pyramid(drawn([tuple(t) for t in truth])))
    for x, y, r in truth:
        nearest = np.linalg.norm(found.centres[:3] - [x, y], axis=1).argmin()
        assert np.linalg.norm(found.centres[nearest] - [x, y]) < 2
        assert found.radii[nearest] == pytest.approx(r, rel=0.12)
        assert found.support[nearest] > 0.5


def test_an_even_picture_has_no_circles() -> None:
    assert (find_circles(Pyramid(drawn([]))).support < 0.45).all()


def test_a_picture_without_any_edge_has_neither_circles_nor_rims() -> None:
    blank = Pyramid(np.full((480, 640, 3), 128, np.uint8))
    assert not len(find_circles(blank).radii)
    reg = Registration(np.array([[3.0, 0, 150], [0, 3.0, 130], [0, 0, 1.0]]), 0.0, (480, 640), 0.0, "")
    rims = see_rims(blank, reg, np.array([[0.0, 0.0], [60.0, 0.0]]), 30.0)
    assert (rims.support == 0).all()
    assert np.isnan(rims.offset_mm).all()


def test_real_coins_in_rows_are_found() -> None:
    """The photograph ``coins`` shipped with scikit-image: 24 coins from Pompeii in four rows of six.

    Where they are is told by another method: watershed between dark and bright markers (Beucher & Meyer 1993).
    """
    grey = data.coins()
    markers = np.where(grey < 30, 1, np.where(grey > 150, 2, 0))
    coins = label(binary_fill_holes(watershed(sobel(grey), markers) == 2))
    truth = [region for region in regionprops(coins) if region.area > 200]
    assert len(truth) == 24
    found = find_circles(
        Pyramid(np.repeat(grey[..., None], 3, 2)), radii_px=(0.02 * max(grey.shape), 0.09 * max(grey.shape))
    )
    centres = np.array([region.centroid[::-1] for region in truth])
    distance = np.linalg.norm(found.centres[:24, None] - centres[None], axis=2)
    circle, coin = linear_sum_assignment(distance)
    assert distance[circle, coin].max() < 8
    radius = np.sqrt(np.array([truth[k].area for k in coin]) / np.pi)
    assert found.radii[circle] == pytest.approx(radius, rel=0.25)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (1.4, -0.8), (-2.0, 1.1)])
def test_the_centre_of_a_rim_is_found_to_a_tenth_of_a_millimetre(shift: tuple[float, float]) -> None:
    px_per_mm, hole = 3.0, 30.0
    sites = np.array([[0.0, 0.0], [60.0, 0.0], [0.0, 60.0], [60.0, 60.0]])
    reg = Registration(np.array([[px_per_mm, 0, 150], [0, px_per_mm, 130], [0, 0, 1.0]]), 0.0, (480, 640), 0.0, "")
    true = reg.to_px(sites + shift)
    rims = see_rims(Pyramid(drawn([(x, y, hole / 2 * px_per_mm) for x, y in true])), reg, sites, hole)
    assert np.abs(rims.offset_mm - shift).max() < 0.1
    assert (rims.support > 0.9).all()
    assert rims.radius == pytest.approx(1.0, abs=0.03)


def test_where_no_rim_is_nothing_is_said() -> None:
    sites = np.array([[0.0, 0.0], [60.0, 0.0]])
    reg = Registration(np.array([[3.0, 0, 150], [0, 3.0, 130], [0, 0, 1.0]]), 0.0, (480, 640), 0.0, "")
    rims = see_rims(Pyramid(drawn([(150, 130, 45)])), reg, sites, 30.0)
    assert rims.support[0] > 0.9
    assert rims.support[1] < 0.4
