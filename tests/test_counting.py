"""Counting: probabilities that add up, bounds that hold, and more leaves meaning more seedlings."""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "calibration"))

from drawn import MM_PER_PX, drawn_site

from sprout.counting import MOST, STEP_MM, against_lid, posterior, shape, shipped_model
from sprout.counts import narrowest, number_and_range
from sprout.leaves import Cutout, scores


def cotyledons(pairs: int, *, leaf_mm: float = 7.0) -> np.ndarray:
    """Pairs of elliptic leaves about stems set on a circle, on the grid that :func:`shape` works on."""
    grid = np.zeros((160, 160), np.uint8)
    half = leaf_mm / STEP_MM / 2
    for k in range(pairs):
        stem = np.array([80, 80]) + (0 if pairs == 1 else 26) * np.array([np.cos(2.1 * k), np.sin(2.1 * k)])
        for side in (1, -1):
            along = np.array([np.cos(0.7 * k), np.sin(0.7 * k)])
            centre = stem + side * half * along
            axes = (round(half), round(0.55 * half))
            cv2.ellipse(grid, tuple(np.rint(centre).astype(int).tolist()), axes, np.degrees(0.7 * k), 0, 360, 1, -1)
    return grid > 0


def stand(rng: np.random.Generator, number: int) -> Cutout:
    """A site of so many drawn seedlings, laid over each other."""
    plants = drawn_site(rng, number)[1]
    corners = np.round([p.to_mm[:, 2] / MM_PER_PX for p in plants]).astype(int)
    corners -= corners.min(0)
    high, wide = np.max(
        [(y + p.mask.shape[0], x + p.mask.shape[1]) for (x, y), p in zip(corners, plants, strict=True)], 0
    )
    mask, lab = np.zeros((high, wide), np.uint8), np.full((high, wide, 3), 128, np.uint8)
    for (x, y), plant in zip(corners, plants, strict=True):
        place = slice(y, y + plant.mask.shape[0]), slice(x, x + plant.mask.shape[1])
        lab[place][plant.mask > 127] = plant.lab[plant.mask > 127]
        mask[place] |= plant.mask
    return Cutout(mask, lab, plants[0].to_mm)


def test_more_seedlings_count_as_more() -> None:
    rng = np.random.default_rng(1)
    means = []
    for number in (1, 2, 3):
        sites = [stand(rng, number) for _ in range(20)]
        shapes = [shape(cv2.resize(s.mask, None, fx=MM_PER_PX / STEP_MM, fy=MM_PER_PX / STEP_MM) > 127) for s in sites]
        told = [posterior(a, 1.0, leaves=b) for a, b in zip(against_lid(shapes), scores(sites), strict=True)]
        means.append(float(np.mean(told, 0) @ np.arange(MOST + 1)))
    assert means[0] < 1.6
    assert means[0] + 0.3 < means[1] < means[2] - 0.3


@pytest.mark.parametrize("p", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("seeds", [None, 1, 2])
def test_posterior_adds_up_and_keeps_to_what_was_sown(p: float, seeds: int | None) -> None:
    (seen,) = against_lid([shape(cotyledons(2))])
    for features in (seen, None):
        got = posterior(features, p, seeds=seeds)
        assert got.shape == (MOST + 1,)
        assert got.sum() == pytest.approx(1)
        assert got[0] == pytest.approx(1 - p)
        if seeds is not None:
            assert (got[seeds + 1 :] == 0).all()


def test_what_the_leaves_show_weighs() -> None:
    (seen,) = against_lid([shape(cotyledons(2))])
    told = [np.log(np.where(np.arange(1, MOST + 1) == k, 0.9, 0.02)) for k in (1, 2, 3)]
    means = [float(posterior(seen, 1.0, leaves=scores) @ np.arange(MOST + 1)) for scores in told]
    assert means[0] < means[1] < means[2]


def test_an_empty_lid_has_no_shapes() -> None:
    assert against_lid([None, None]) == [None, None]


def test_the_range_is_the_narrowest_run_about_the_mode() -> None:
    p = np.array([0.1, 0.55, 0.3, 0.05, 0, 0])
    assert narrowest(p, 0.5) == (1, 1)
    assert narrowest(p, 0.8) == (1, 2)
    assert narrowest(p, 0.9) == (0, 2)
    assert narrowest(np.array([1.0, 0, 0]), 0.9) == (0, 0)


@pytest.mark.parametrize(
    ("p_none", "expected"), [(0.04, (2, 2, 3)), (0.3, (2, 0, 3)), (0.6, (0, 0, 3)), (0.95, (0, 0, 0))]
)
def test_none_at_all_is_ruled_out_only_by_nine_in_ten(p_none: float, expected: tuple[int, int, int]) -> None:
    given_some = np.array([0.1, 0.55, 0.3, 0.05, 0, 0])
    assert number_and_range(np.append(p_none, (1 - p_none) * given_some), 0.8) == expected


def test_the_shipped_model_fits_its_features() -> None:
    model = shipped_model()
    assert model.weights.shape == (MOST, len(model.features) + 1)
    assert model.leaves_weight > 0
    assert 0.5 < model.range_mass < model.crowded_mass < 1
