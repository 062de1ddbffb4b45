"""The marked photo: every site signed by shape, letter and colour."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sprout.photo import Photo, Quality
from sprout.report.marked import COLOURS, draw, label
from sprout.survey import Survey


def reading(site: str, x: float, status: str, **more: Any) -> dict[str, Any]:
    return {
        "site": site, "u_px": x, "v_px": 200.0, "status": status, "seedlings": 2 if status == "sprouted" else 0,
        "algae": "no", "yellow_pct": None, "dry_pct": None, **more,
    }  # fmt: skip


def blank() -> Photo:
    rgb = np.full((400, 900, 3), 128, np.uint8)
    return Photo(Path("p.jpg"), "0", None, 900, 400, rgb, 1.0, Quality(0.6, 0, 0))


@pytest.mark.parametrize(
    ("status", "more", "text"),
    [
        ("sprouted", {}, "A1 2"),
        ("empty", {}, "A1 0"),
        ("unsure", {}, "A1 ?"),
        ("hidden", {}, "A1 H"),
        ("sprouted", {"yellow_pct": 30.0}, "A1 2 !"),
        ("empty", {"algae": "yes"}, "A1 0 !"),
    ],
)
def test_labels_tell_state_and_alarm(status: str, more: dict[str, Any], text: str) -> None:
    assert label(reading("A1", 0, status, **more)) == text


def test_states_differ_in_shape_not_only_in_colour() -> None:
    """Painted in one colour, no two signs cover the same pixels."""
    signs = []
    for status in COLOURS:
        survey = Survey(Path("p.jpg"), readings=[reading("A1", 250, status), reading("A2", 650, status)])
        drawn = draw(survey, blank())
        signs.append((drawn != 128).any(-1))
    for i, a in enumerate(signs):
        for b in signs[i + 1 :]:
            assert (a ^ b).sum() > 400


def test_the_photo_itself_is_left_alone_away_from_the_signs() -> None:
    photo = blank()
    before = photo.rgb.copy()
    drawn = draw(Survey(Path("p.jpg"), readings=[reading("A1", 250, "empty"), reading("A2", 650, "empty")]), photo)
    assert (photo.rgb == before).all()
    assert (drawn[:20] == 128).all()


def test_tissue_is_outlined() -> None:
    classes = np.zeros((400, 900), np.uint8)
    classes[100:150, 400:480] = 1
    drawn = draw(Survey(Path("p.jpg"), classes=classes), blank())
    changed = (drawn != 128).any(-1)
    assert changed[100, 440]
    assert not changed[125, 440]
