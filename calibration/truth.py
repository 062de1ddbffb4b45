"""Photos whose truth is known, as the fitting scripts read them.

A folder of photos holds NAME.jpg, NAME.json (the lid, where its sites are, what stands in them, the camera) and
NAME_tissue.png. Nothing of this ships: the package never sees the truth.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from sprout.lid import Lid
from sprout.registration import Registration


def names(photos: Path, without: Path | None) -> list[str]:
    """Usable photos of a folder, path without suffix, less those that a text file names, one per line."""
    kept_out = set(without.read_text().split()) if without else set()
    found = []
    for file in sorted(photos.rglob("*.json")):
        name = str(file.relative_to(photos).with_suffix(""))
        if (
            file.with_suffix(".jpg").exists()
            and name not in kept_out
            and not read(photos, name)["nuisances"]["unusable"]
        ):
            found.append(name)
    return found


def read(photos: Path, name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((photos / f"{name}.json").read_text())
    return truth


def grow_of(name: str) -> str:
    """What a photo must be left out together with: all photos of its grow, or itself."""
    return name if name.startswith("singles") else str(Path(name).parent)


def folds(sizes: Mapping[str, int], number: int) -> dict[str, int]:
    """Which fold each grow falls in, so that all hold about as much."""
    load, fold = [0] * number, {}
    for grow, size in sorted(sizes.items(), key=lambda item: (-item[1], item[0])):
        fold[grow] = int(np.argmin(load))
        load[fold[grow]] += size
    return fold


def write_onnx(network: Any, shape: tuple[int, ...], file: Path, *, any_size: bool = False) -> None:
    """A PyTorch network that takes any number of inputs of a shape, as the package reads it.

    With ``any_size`` height and width of ``shape`` are but an example.
    """
    import torch

    axes = {0: "n", 2: "h", 3: "w"} if any_size else {0: "n"}
    torch.onnx.export(
        network.to(memory_format=torch.contiguous_format).eval(),
        (torch.zeros(2, *shape),),
        str(file),
        input_names=["x"],
        output_names=["y"],
        dynamic_axes={"x": axes, "y": axes},
        opset_version=13,
        dynamo=False,
    )


def lid_and_registration(truth: dict[str, Any]) -> tuple[Lid, Registration]:
    """The lid as a ruler gives it, its first site as origin, and where it lies in the photo."""
    plate = truth["lid"]
    sites = np.array([[s["x_mm"], s["y_mm"]] for s in plate["sites"]])
    lid = Lid(
        name="",
        pattern="points",
        labels=tuple(s["label"] for s in plate["sites"]),
        sites_mm=sites - sites[0],
        hole_mm=plate["hole_diameter_mm"],
        area_per_site_mm2=plate["pitch_x_mm"] * plate["pitch_y_mm"],
        tags=None,
        source={},
    )
    w, h = truth["width_px"], truth["height_px"]
    centre, unit = np.array([(w - 1) / 2, (h - 1) / 2]), np.hypot(w, h) / 2
    k1 = truth["camera"]["k1"] * (unit / truth["camera"]["f_px"]) ** 2
    width, height = plate["width_mm"], plate["height_mm"]
    mm = np.vstack([sites, [[0, 0], [width, 0], [width, height], [0, height]]])
    seen = np.array([s["px"] for s in truth["sites"]] + truth["lid_corners_px"]) - centre
    ideal = seen.copy()
    for _ in range(8):
        ideal = seen / (1 + k1 * (ideal**2).sum(1, keepdims=True) / unit**2)
    homography, _ = cv2.findHomography(mm - sites[0], ideal + centre, 0)
    return lid, Registration(homography, k1, (h, w), 0.0, "truth")
