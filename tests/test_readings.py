"""Readings: one row per site, always, from class maps whose truth is known."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid

from sprout import columns
from sprout.flags import FLAGS
from sprout.photo import Photo, Quality
from sprout.readings import read_sites
from sprout.tissue import ALGAE, DRY, YELLOW, Tissue


def rows_of(drawing: Drawing, classes: np.ndarray | None = None) -> dict[str, dict[str, Any]]:
    h, w = drawing.rgb.shape[:2]
    photo = Photo(Path("p.jpg"), "0", None, w, h, drawing.rgb, 1.0, Quality(0.6, 0, 0))
    classes = drawing.tissue if classes is None else classes
    tissue = Tissue(classes, drawing.rgb)
    rows, sites = read_sites(photo, drawing.registration, tissue, drawing.lid)
    assert sites.shape == (h, w)
    assert [r["site"] for r in rows] == list(drawing.lid.labels)
    return {r["site"]: r for r in rows}


@pytest.fixture(scope="module")
def grown() -> Drawing:
    sprouts = {
        "A1": Stand(1, leaf_mm=9),
        "B2": Stand(2, leaf_mm=10, true_pairs=1),
        "C4": Stand(1, leaf_mm=12, tissue=YELLOW),
    }
    return draw_lid(drawn_lid(), sprouts=sprouts, algae=["C1"], tilt_deg=8, seed=1)


def test_every_row_has_the_declared_keys_and_known_flags(grown: Drawing) -> None:
    for row in rows_of(grown).values():
        assert set(row) == {c.name for c in columns.SITE_READINGS}
        assert set(row["flags"].split()) <= set(FLAGS)
        assert row["seedlings_low"] <= row["seedlings"] <= row["seedlings_high"]
        assert 0 <= row["p_sprouted"] <= 1


def test_status_area_and_health(grown: Drawing) -> None:
    rows = rows_of(grown)
    assert {s for s, r in rows.items() if r["status"] == "sprouted"} == {"A1", "B2", "C4"}
    for site in ("A1", "B2", "C4"):
        assert rows[site]["tissue_cm2"] == pytest.approx(grown.tissue_cm2(site), rel=0.05)
        share = 100 * 100 * grown.tissue_cm2(site) / grown.lid.area_per_site_mm2
        assert rows[site]["cover_pct"] == pytest.approx(share, rel=0.05)
    assert rows["C4"]["yellow_pct"] > 90
    assert rows["A1"]["yellow_pct"] < 5


def test_what_is_dry_as_a_whole_is_in_doubt_and_told() -> None:
    stands = {"B2": Stand(2, leaf_mm=10, tissue=DRY), "A1": Stand(1, leaf_mm=9)}
    rows = rows_of(draw_lid(drawn_lid(), sprouts=stands))
    assert rows["B2"]["status"] == "unsure"
    assert rows["B2"]["dry_pct"] == 100
    assert rows["B2"]["flags"] == "dried"
    assert "dried" not in rows["A1"]["flags"]
    assert rows["C3"]["status"] == "empty"


def test_glare_on_a_plug_is_told() -> None:
    drawing = draw_lid(drawn_lid())
    u, v = np.round(drawing.registration.to_px(drawing.lid.sites_mm[1])[0]).astype(int)
    drawing.rgb[v - 40 : v + 40, u - 40 : u + 40] = 255
    told = {site for site, row in rows_of(drawing).items() if "glare" in row["flags"]}
    assert told == {drawing.lid.labels[1]}


def test_algae_is_no_sprout(grown: Drawing) -> None:
    assert (grown.tissue == ALGAE).any()
    row = rows_of(grown)["C1"]
    assert row["algae"] == "yes"
    assert row["status"] == "empty"
    assert row["seedlings"] == 0


def test_an_empty_lid_is_empty() -> None:
    rows = rows_of(draw_lid(drawn_lid("staggered"), seed=6))
    assert {r["status"] for r in rows.values()} == {"empty"}
    assert all(r["tissue_cm2"] == 0 for r in rows.values())


def test_a_speck_is_not_a_sure_sprout(grown: Drawing) -> None:
    classes = np.zeros_like(grown.tissue)
    x, y = np.rint(grown.sites_px[5]).astype(int)
    classes[y : y + 2, x : x + 2] = 1
    row = rows_of(grown, classes)[grown.lid.labels[5]]
    assert row["p_sprouted"] < 0.9


def test_a_site_outside_the_photo_says_so() -> None:
    drawing = draw_lid(drawn_lid(), shift_px=(-700.0, 0.0), seed=7)
    rows = rows_of(drawing)
    outside = [s for s, (x, _) in zip(drawing.lid.labels, drawing.sites_px, strict=True) if x < -20]
    assert outside
    for site in outside:
        assert "out-of-frame" in rows[site]["flags"]
        assert rows[site]["status"] != "empty"
