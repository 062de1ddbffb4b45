"""The sample grow holds together: photos, lid, what the class told, and the truth say the same."""

from __future__ import annotations

import json
import tomllib
from datetime import date, datetime

import numpy as np
import pytest
from PIL import Image, ImageOps

from sprout.calibration import find_crop
from sprout.files import shipped
from sprout.lid import parse_lid

SAMPLES = shipped("sample_images")
TRUTH = json.loads((SAMPLES / "truth" / "truth.json").read_text("utf-8"))
GROW = tomllib.loads((SAMPLES / "grow.toml").read_text("utf-8"))
LID = parse_lid((SAMPLES / "lid.toml").read_text("utf-8"))
PHOTOS = sorted(p.name for p in (SAMPLES / "photos").iterdir())


def test_the_class_and_the_truth_agree() -> None:
    assert sorted(TRUTH["photos"]) == PHOTOS
    assert 12 <= len(PHOTOS) <= 18
    assert GROW["sown"] == date.fromisoformat(TRUTH["sown"])
    assert find_crop(GROW["crop"]).name == "basil"
    told = {label: GROW["seeds_at"].get(label, GROW["seeds"]) for label in LID.labels}
    assert told == {label: plug["seeds"] for label, plug in TRUTH["plugs"].items()}
    assert (SAMPLES / GROW["empty"]).is_file()


@pytest.mark.parametrize("name", PHOTOS)
def test_photo_and_truth_agree(name: str) -> None:
    truth = TRUTH["photos"][name]
    with Image.open(SAMPLES / "photos" / name) as image:
        taken = datetime.strptime(image.getexif()[306], "%Y:%m:%d %H:%M:%S")
        upright = ImageOps.exif_transpose(image)
        assert upright.size == (truth["width_px"], truth["height_px"])
        rgb = np.asarray(upright).astype(int)
    assert (taken.date() - GROW["sown"]).days == truth["day"] == int(name[3:5])
    assert tuple(truth["sites"]) == LID.labels
    stem = name.removesuffix(".jpg")
    tissue, sites = (np.asarray(Image.open(SAMPLES / "truth" / f"{stem}_{k}.png")) for k in ("tissue", "sites"))
    assert tissue.shape == sites.shape == rgb.shape[:2]
    plant = (tissue >= 1) & (tissue <= 3)
    assert np.array_equal(plant, sites > 0)
    for k, site in enumerate(truth["sites"].values(), start=1):
        living = ((sites == k) & (tissue != 3)).sum()
        assert living == site["tissue_px"]
        assert site["seedlings"] <= site["emerged"]
    if plant.sum() > 1000:
        r, g, b = np.moveaxis(rgb, 2, 0)
        assert np.median((g - np.maximum(r, b))[tissue == 1]) > 10


def test_labels_are_the_growers() -> None:
    first = TRUTH["photos"]["day00.jpg"]["sites"]
    distance = {label: np.hypot(*site["px"]) for label, site in first.items()}
    assert min(distance, key=distance.__getitem__) == "A1"
