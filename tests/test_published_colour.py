"""Colour against the outside world: published examples, a chart's published values, and an independent library."""

from __future__ import annotations

import csv
import json
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sprout import calibration, light

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it warns of its own optional parts
    import colour

PUBLISHED = Path(__file__).parent / "published"
EXAMPLES = {e["name"]: e for e in json.loads((PUBLISHED / "examples.json").read_text("utf-8"))}
INDICES: dict[str, Callable[[Any], Any]] = {
    "ExG": light.exg,
    "ExGR": light.exgr,
    "CIVE": light.cive,
    "NDI": light.ndi,
    "DGCI": light.dgci,
}
unit = st.floats(0, 1)


def test_srgb_decoding_and_encoding() -> None:
    """IEC 61966-2-1:1999 (computed from the standard's constants)."""
    decode, encode = EXAMPLES["sRGB decode"], EXAMPLES["sRGB encode"]
    assert light.to_linear(decode["inputs"]["v"]) == pytest.approx(decode["expected"], abs=decode["tolerance"])
    assert light.to_srgb(encode["inputs"]["lin"]) == pytest.approx(encode["expected"], abs=encode["tolerance"])


@given(unit)
def test_srgb_agrees_with_an_independent_library(value: float) -> None:
    # the standard's rounded thresholds leave steps of about 1e-8 and 1e-7 between the two halves of the curve
    assert light.to_linear(value) == pytest.approx(float(colour.cctf_decoding(value, "sRGB")), abs=1e-8)
    assert light.to_srgb(value) == pytest.approx(float(colour.cctf_encoding(value, "sRGB")), abs=1e-6)
    assert light.to_srgb(light.to_linear(value)) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize("name", [n for n in EXAMPLES if n.startswith("indices on")])
def test_vegetation_indices(name: str) -> None:
    """Woebbecke et al. 1995; Meyer & Neto 2008; Kataoka et al. 2003; Karcher & Richardson 2003 (worked by hand)."""
    example = EXAMPLES[name]
    rgb = np.array([example["inputs"]["RGB8"]]) / 255
    checked = [key for key in INDICES if key in example["expected"]]
    assert len(checked) >= 3
    for key in checked:
        assert float(INDICES[key](rgb)[0]) == pytest.approx(example["expected"][key], abs=example["tolerance"]), key


def test_dark_green_colour_index_of_the_two_reference_discs() -> None:
    """Rorie et al. 2011, Agron. J. 103:1593-1599: discs of known hue, saturation and brightness (from memory)."""
    example = EXAMPLES["DGCI internal standards"]
    for disc, expected in zip(("green_HSB", "yellow_HSB"), example["expected"], strict=True):
        hue, saturation, brightness = example["inputs"][disc]
        rgb = colour.HSV_to_RGB([hue / 360, saturation, brightness])
        assert float(light.dgci(rgb[None])[0]) == pytest.approx(expected, abs=5e-4), disc


def test_dark_green_colour_index_means_nothing_off_green() -> None:
    red_blue_grey = np.array([[200, 40, 30], [20, 40, 220], [90, 90, 90]]) / 255
    assert np.isnan(light.dgci(red_blue_grey)).all()


@given(st.lists(st.tuples(unit, unit, unit), min_size=1, max_size=20), st.floats(0.2, 1))
def test_chromatic_indices_do_not_depend_on_brightness(colours: list[tuple[float, float, float]], dim: float) -> None:
    rgb = np.array(colours) * 0.98 + 0.02
    for index in (light.exg, light.exgr, light.ndi):
        assert index(rgb * dim) == pytest.approx(index(rgb), abs=1e-6)


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_lab_agrees_with_an_independent_library(rgb8: tuple[int, int, int]) -> None:
    """CIE 15:2004 with the D65 white of IEC 61966-2-1; our library interpolates its tables."""
    expected = colour.XYZ_to_Lab(
        colour.sRGB_to_XYZ(np.array(rgb8) / 255), colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    )
    assert light.lab(np.array([[rgb8]], np.uint8))[0, 0] == pytest.approx(expected, abs=0.4)


def test_lab_gives_the_lightness_of_a_published_chart() -> None:
    """A 24-patch chart's published values, in both editions; saturated patches shift with the white point."""
    charts = [r for r in calibration.rows("colour_references") if min(int(r[f"sRGB_{c}"]) for c in "RGB") > 0]
    assert len(charts) > 40
    rgb = np.array([[int(r[f"sRGB_{c}"]) for c in "RGB"] for r in charts], np.uint8)
    difference = light.lab(rgb[None])[0, :, 0] - [float(r["L_D50"]) for r in charts]
    greys = [k for k, r in enumerate(charts) if abs(float(r["a_D50"])) < 1.5 and abs(float(r["b_D50"])) < 1.5]
    assert len(greys) >= 8
    assert np.abs(difference[greys]).max() < 0.4
    assert np.abs(difference).max() < 3.5


def test_luminance_of_a_published_chart() -> None:
    rows = [r for r in calibration.rows("colour_references") if "neutral" in r["patch"] or "white" in r["patch"]]
    assert len(rows) >= 8
    for r in rows:
        linear = light.to_linear(np.array([int(r[f"sRGB_{c}"]) for c in "RGB"]) / 255)
        assert float(linear @ light.LUMINANCE) == pytest.approx(float(r["Y"]), rel=0.03), r["patch"]


def test_the_yardstick_of_colour_differences_equals_the_34_published_pairs() -> None:
    """Sharma, Wu & Dalal 2005, Color Res. Appl. 30:21-30, Table 1 (from memory; all reproduced)."""
    with (PUBLISHED / "ciede2000_pairs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 34
    first = np.array([[float(r["L1"]), float(r["a1"]), float(r["b1"])] for r in rows])
    second = np.array([[float(r["L2"]), float(r["a2"]), float(r["b2"])] for r in rows])
    published = np.array([float(r["dE00_published"]) for r in rows])
    # between exactly opposed hues either mean is right, and rounding chooses
    opposed = (first[:, 1:] == -second[:, 1:]).all(1)
    assert opposed.sum() == 2
    assert ciede2000(first, second)[~opposed] == pytest.approx(published[~opposed], abs=1e-4)


@pytest.mark.parametrize("gains", [(0.6, 1.0, 1.9), (1.4, 1.0, 0.7), (0.8, 1.6, 0.9)], ids=["warm", "cool", "magenta"])
def test_correcting_the_light_brings_back_the_colours_of_a_chart(gains: tuple[float, float, float]) -> None:
    """A 24-patch chart under a coloured lamp: CIEDE2000 from its published colours, before and after."""
    chart = [r for r in calibration.rows("colour_references") if r["chart"].endswith("2005")]
    true = np.array([[int(r[f"sRGB_{c}"]) for c in "RGB"] for r in chart], np.uint8)[None] // 2
    lit = np.rint(255 * light.to_srgb(light.to_linear(true / 255) / gains)).clip(0, 255).astype(np.uint8)
    assert lit.max() < light.BURNT
    before = ciede2000(light.lab(lit)[0], light.lab(true)[0])
    after = ciede2000(light.lab(light.Lamp(gains, "paper").correct(lit))[0], light.lab(true)[0])
    assert np.median(before) > 5
    assert after.max() < 1.5
    assert np.median(after) < 0.6


def ciede2000(first: Any, second: Any) -> Any:
    return colour.delta_E(np.asarray(first, float), np.asarray(second, float), method="CIE 2000")
