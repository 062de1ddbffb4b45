"""The share of leaf in each pixel: edges where the light says, whatever the guess is a little off."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sprout.light import to_linear, to_srgb
from sprout.matting import leaf_share

LEAF, PLATE = np.array([0.20, 0.45, 0.12]), np.array([0.75, 0.76, 0.78])


def soft_disc(radius: float, *, blur_px: float = 1.2, noise: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A leaf on a plate as a lens blurs it, in linear light: the picture (8 bit) and the true mask."""
    y, x = np.mgrid[:160, :200]
    true = np.hypot(x - 100.3, y - 80.6) < radius
    share = cv2.GaussianBlur(true.astype(float), (0, 0), blur_px)[..., None]
    light = share * to_linear(LEAF) + (1 - share) * to_linear(PLATE)
    srgb = np.asarray(to_srgb(light)) + np.random.default_rng(1).normal(0, noise, light.shape)
    return np.clip(255 * srgb, 0, 255).round().astype(np.uint8), true


@pytest.mark.parametrize("noise", [0.0, 0.03])
@pytest.mark.parametrize("wrong_px", [-1.5, 1.5])
def test_the_edge_is_found_though_the_guess_is_off(wrong_px: float, noise: float) -> None:
    picture, true = soft_disc(40, noise=noise)
    y, x = np.mgrid[:160, :200]
    guess = (np.hypot(x - 100.3, y - 80.6) < 40 + wrong_px).astype(np.float32)
    found = leaf_share(picture, guess) > 0.5

    def overlap(mask: np.ndarray) -> float:
        return float((mask & true).sum() / (mask | true).sum())

    assert 1 - overlap(found) < 0.6 * (1 - overlap(guess > 0.5))


def test_a_guess_on_a_coarser_grid_gives_the_whole_picture() -> None:
    picture, true = soft_disc(30)
    guess = cv2.resize(true.astype(np.float32), (61, 49), interpolation=cv2.INTER_AREA)
    share = leaf_share(picture, guess)
    assert share.shape == true.shape
    assert ((share > 0.5) != true).mean() < 0.01


@pytest.mark.parametrize("shape", [(1, 1), (2, 7), (5, 3)])
@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
def test_a_plain_guess_stays_as_it_is(shape: tuple[int, int], level: float) -> None:
    picture = np.full((*shape, 3), 128, np.uint8)
    assert leaf_share(picture, np.full(shape, level, np.float32)) == pytest.approx(level, abs=1e-3)
