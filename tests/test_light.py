"""Light: tables that correct a cast, clipped highlights, and what the colour indices say of plain surfaces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sprout.light import UNKNOWN, Lamp, burnt, dgci, exg, lab, to_linear, to_srgb

gain = st.floats(0.6, 1.6)


def picture(*pixels: tuple[int, int, int]) -> np.ndarray:
    return np.array([pixels], np.uint8)


def test_the_unknown_lamp_changes_nothing() -> None:
    every = np.arange(256, dtype=np.uint8).repeat(3).reshape(16, 16, 3)
    assert np.array_equal(UNKNOWN.correct(every), every)


@given(gain, gain, gain)
def test_correcting_by_the_cast_makes_grey_grey_again(r: float, g: float, b: float) -> None:
    cast = np.array([r, g, b])
    seen = np.rint(255 * to_srgb(0.25 * cast)).astype(np.uint8).reshape(1, 1, 3)
    corrected = Lamp((1 / r, 1 / g, 1 / b), "plate").correct(seen)[0, 0].astype(int)
    assert np.ptp(corrected) <= 3
    assert corrected.mean() == pytest.approx(255 * to_srgb(0.25), abs=2)


def test_what_is_clipped_stays_clipped() -> None:
    assert Lamp((1.5, 1.2, 1.8), "plate").correct(picture((255, 255, 255)))[0, 0].tolist() == [255, 255, 255]


def test_burnt_needs_two_clipped_channels() -> None:
    seen = burnt(picture((255, 255, 255), (255, 252, 90), (255, 60, 30), (240, 240, 240), (20, 255, 251)))
    assert seen.tolist() == [[True, True, False, False, True]]


@given(st.floats(0.02, 1))
def test_grey_is_no_plant_at_any_exposure(level: float) -> None:
    assert exg([level] * 3) == pytest.approx(0, abs=1e-12)
    assert np.isnan(dgci([level] * 3))


def test_black_gives_numbers() -> None:
    assert np.isfinite(exg([0.0, 0.0, 0.0]))


def test_lab_of_white_and_of_a_leaf() -> None:
    white, leaf = lab(picture((255, 255, 255), (60, 120, 40)))[0]
    assert white == pytest.approx([100, 0, 0], abs=0.1)
    assert leaf[1] < -20
    assert leaf[2] > 20


def test_linear_light_halves_where_the_code_does_not() -> None:
    assert to_linear(0.5) < 0.25
