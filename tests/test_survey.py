"""Photos in, rows out: one bad photo never stops the others, and workers change nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from artificial import Drawing, Stand, draw_lid, drawn_lid, save_jpeg

from sprout.errors import PhotoError
from sprout.lid import Lid
from sprout.survey import cover_many, learn_view, survey, survey_many


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Drawing]:
    sprouts = {"A1": Stand(1, leaf_mm=9), "A3": Stand(2, leaf_mm=9), "C4": Stand(2, leaf_mm=11, true_pairs=1)}
    drawing = draw_lid(drawn_lid(), sprouts=sprouts, tilt_deg=6, roll_deg=4, seed=7)
    path = tmp_path_factory.mktemp("drawn") / "day09.jpg"
    save_jpeg(drawing, path)
    return path, drawing


@pytest.fixture(scope="module")
def lid(grown: tuple[Path, Drawing]) -> Lid:
    return grown[1].lid


def test_every_site_has_its_row_and_the_sprouts_are_seen(grown: tuple[Path, Drawing], lid: Lid) -> None:
    path, drawing = grown
    read = survey(path, lid, masks=True)
    assert read.reason == ""
    assert [r["site"] for r in read.readings] == list(lid.labels)
    up = {r["site"] for r in read.readings if r["status"] == "sprouted"}
    assert up == {"A1", "A3", "C4"}
    at = np.array([[r["u_px"], r["v_px"]] for r in read.readings])
    assert np.linalg.norm(at - drawing.sites_px, axis=1).max() < 8
    for r in read.readings:
        if r["site"] in up:
            assert r["tissue_cm2"] == pytest.approx(drawing.tissue_cm2(r["site"]), rel=0.3)
            assert r["seedlings_low"] <= drawing.seedlings[r["site"]] <= r["seedlings_high"]
    assert read.classes is not None
    assert read.sites is not None
    assert read.classes.shape == read.sites.shape == (read.height_px, read.width_px) == (1512, 2016)
    plant, true = (read.classes >= 1) & (read.classes <= 3), (drawing.tissue >= 1) & (drawing.tissue <= 3)
    assert (plant & true).sum() / (plant | true).sum() > 0.75


def test_a_bad_photo_among_good_ones_gives_its_reason(grown: tuple[Path, Drawing], lid: Lid, tmp_path: Path) -> None:
    path, _ = grown
    cut = tmp_path / "cut.jpg"
    cut.write_bytes(path.read_bytes()[:40_000])
    missing = tmp_path / "missing.jpg"
    got = list(survey_many([cut, path, missing], lid))
    assert [s.path for s in got] == [cut, path, missing]
    assert [bool(s.reason) for s in got] == [True, False, True]
    assert "cut short" in got[0].reason or "incomplete" in got[0].reason or "damaged" in got[0].reason
    assert got[0].readings == []


def test_two_workers_read_the_same(grown: tuple[Path, Drawing], lid: Lid) -> None:
    path, _ = grown
    alone, (first, second) = survey(path, lid), survey_many([path, path], lid, workers=2)
    assert alone.readings == first.readings == second.readings


def test_learning_a_view_from_a_photo_without_the_lid_is_refused(tmp_path: Path) -> None:
    bare = draw_lid(drawn_lid("points"), seed=2)
    save_jpeg(bare, tmp_path / "other.jpg")
    with pytest.raises(PhotoError, match=r"other\.jpg"):
        learn_view(tmp_path / "other.jpg", drawn_lid("grid", rows=5, columns=8, pitch_mm=[40.0, 40.0], hole_mm=20.0))


def test_cover_reads_a_photo_without_a_lid(grown: tuple[Path, Drawing], tmp_path: Path) -> None:
    path, _ = grown
    (tmp_path / "no.jpg").write_text("not a picture")
    good, bad = cover_many([path, tmp_path / "no.jpg"], masks=True)
    assert good.reason == ""
    assert good.cover_pct is not None
    assert 0 < good.cover_pct < 20
    assert good.classes is not None
    assert bad.reason
    assert bad.cover_pct is None
