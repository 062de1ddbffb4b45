"""Does a plant stand here, or do only its neighbours' leaves lie over the hole?

A plant shows where its leaves and stems come together: at its crown, which stands over its hole or leans out of it away
from the point above which the camera stands. A small convolutional network (``calibration/crowns.onnx``) looks for a
crown about each site. A logistic model (Cox 1958, J. R. Stat. Soc. B 20:215-242) weighs what it finds, against the
lid's other sites, with how much of the tissue is the site's own, how near the hole's centre it comes and how much of
its outline lies on neighbours. ``calibration/fit_presence.py`` fits both.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from statistics import median

import cv2
import numpy as np
import numpy.typing as npt

from sprout import networks
from sprout.attribution import Camera, camera_of
from sprout.files import shipped
from sprout.leaves import local_map
from sprout.lid import Lid
from sprout.light import Picture
from sprout.pyramid import smaller
from sprout.registration import Registration

Array = npt.NDArray[np.float64]

SIDE = 80
"""Side of the network's input in pixels."""
MM_PER_PX = 1.1
PLANES = 6
"""Input planes: lightness and the two colours against the plants' own; plant or not; how far from the hole, and from
where a plant of the hole may appear."""
_TALL_MM, _TALLEST = 120.0, 0.4
"""Height of a tall plant, and the most it is taken to be as a share of the camera's."""
_MOST_ASIDE_MM = 16.0
"""The view is moved so far, at most, to where a leaning plant shows its top."""
_SPREAD = np.array([25.0, 12.0, 14.0])
FEATURES = ("nearness", "inside", "log_area_against_lid", "contact", "crown_against_lid")
_LEAST_SHARE = 0.02
"""Log-ratio of a site's area to the lid's is not told below this share."""


@dataclass(frozen=True, eq=False)
class Scene:
    """A photo at the network's scale.

    Attributes
    ----------
    lab:
        (h, w, 3) uint8, CIE L*a*b* in OpenCV's scaling under corrected light.
    plant:
        (h, w) uint8, 255 where there is plant.
    shrink:
        Its scale, in its pixels per working pixel.
    """

    lab: Picture
    plant: npt.NDArray[np.uint8]
    shrink: float
    registration: Registration
    camera: Camera
    hole_mm: float


def scene_of(rgb: Picture, plant: npt.NDArray[np.uint8], registration: Registration, lid: Lid) -> Scene:
    """A scene from the picture under corrected light, (h, w, 3) uint8, and where there is plant, (h, w) uint8 255."""
    px_per_mm = float(np.median(registration.px_per_mm(lid.sites_mm)))
    shrink = min(1.0, 1 / (MM_PER_PX * px_per_mm))
    h, w = plant.shape
    size = (max(1, round(w * shrink)), max(1, round(h * shrink)))
    lab = cv2.cvtColor(smaller(rgb, size), cv2.COLOR_RGB2LAB)
    small = smaller(plant, size)
    return Scene(
        np.asarray(lab, np.uint8),
        small,
        size[0] / w,
        registration,
        camera_of(registration),
        lid.hole_mm,
    )


def lean_mm(scene: Scene, place_mm: Array) -> float:
    """How far from its hole the top of a tall plant appears."""
    tall = min(_TALL_MM, _TALLEST * scene.camera.height_mm)
    return float(np.linalg.norm(place_mm - scene.camera.foot_mm)) * tall / (scene.camera.height_mm - tall)


def around(
    scene: Scene, place_mm: Array, lean: float, change: Array | None = None
) -> tuple[Picture, npt.NDArray[np.uint8]]:
    """Picture and plants about a place on the lid, (SIDE, SIDE, 3) and (SIDE, SIDE), uint8.

    Plants lean to the right, a tall one's top by ``lean`` mm. ``change`` (2, 2) turns or stretches the picture, for
    learning.
    """
    off = place_mm - scene.camera.foot_mm
    c, s = off / max(float(np.linalg.norm(off)), 1e-9)
    to_view = np.array([[c, s], [-s, c]]) / MM_PER_PX
    if change is not None:
        to_view = np.asarray(change @ to_view, np.float64)
    to_mm = local_map(scene.registration, place_mm)
    turn = to_view @ to_mm[:, :2] / scene.shrink
    # the centre of a scene's pixel k is at working pixel (k + 1/2) / shrink - 1/2
    first = to_view @ (to_mm[:, :2] @ np.full(2, 0.5 / scene.shrink - 0.5) + to_mm[:, 2]) + SIDE / 2 - 0.5
    first[0] -= _aside_mm(lean) / MM_PER_PX
    matrix = np.column_stack([turn, first])
    lab = cv2.warpAffine(scene.lab, matrix, (SIDE, SIDE), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    plant = cv2.warpAffine(scene.plant, matrix, (SIDE, SIDE), flags=cv2.INTER_LINEAR)
    return np.asarray(lab, np.uint8), np.asarray(plant, np.uint8)


def _aside_mm(lean: float) -> float:
    return min(lean / 2, _MOST_ASIDE_MM)


_MIDDLE_MM = (np.arange(SIDE, dtype=np.float32) - np.float32(SIDE / 2 - 0.5)) * np.float32(MM_PER_PX)


def planes(lab: Picture, plant: npt.NDArray[np.uint8], hole_mm: float, lean: float) -> npt.NDArray[np.float32]:
    """The network's input, (PLANES, SIDE, SIDE) float32, from what :func:`around` gives."""
    inside = (plant > 127).view(np.uint8)
    mean = cv2.mean(lab, inside if np.count_nonzero(inside) > 20 else None)[:3]
    table = np.clip((np.arange(256)[:, None] - mean) / _SPREAD, -4, 4).astype(np.float32)
    out = np.empty((PLANES, SIDE, SIDE), np.float32)
    out[:3] = cv2.split(cv2.LUT(lab, table[None]))
    out[3] = plant.astype(np.float32) / 127.5 - 1
    x, y = _MIDDLE_MM + np.float32(_aside_mm(lean)), _MIDDLE_MM[:, None]
    for k, along in enumerate((x, x - np.clip(x, 0, np.float32(lean)))):
        out[4 + k] = np.clip(np.hypot(along, y) / np.float32(hole_mm / 2) - 1, -1, 1.5)
    return out


def inputs(scene: Scene, place_mm: Array) -> npt.NDArray[np.float32]:
    """The network's input for a place, (PLANES, SIDE, SIDE)."""
    lean = lean_mm(scene, place_mm)
    return planes(*around(scene, place_mm, lean), scene.hole_mm, lean)


def crowns(scene: Scene, places_mm: Array) -> Array:
    """(n,) log-odds that a plant stands at each of (n, 2) places, as the network sees it."""
    if not len(places_mm):
        return np.empty(0)
    return np.array(
        [networks.run("crowns", networks.cells(inputs(scene, place)))[0] for place in places_mm], np.float64
    )


@dataclass(frozen=True)
class Sight:
    """What tells whether a site's tissue is its own.

    Attributes
    ----------
    area_mm2:
        Its living tissue.
    nearness:
        How near to the hole's centre its tissue comes, in hole radii, 1 at most.
    inside:
        Share of its tissue that shows inside the hole.
    contact:
        Share of its outline that lies on a neighbour.
    crown:
        Log-odds of a crown, None where it was not looked for.
    """

    area_mm2: float
    nearness: float
    inside: float
    contact: float
    crown: float | None


def against_lid(sights: Sequence[Sight]) -> list[dict[str, float] | None]:
    """Features of all sites of one photo, None where no crown was looked for."""
    areas = [s.area_mm2 for s in sights if s.area_mm2 > 0]
    usual = median(areas) if areas else 1.0
    found = [min(max(s.crown, -6.0), 6.0) for s in sights if s.crown is not None]
    mean = float(np.mean(found)) if found else 0.0
    return [
        None
        if s.crown is None
        else {
            "nearness": s.nearness,
            "inside": s.inside,
            "log_area_against_lid": float(np.log(max(s.area_mm2 / usual, _LEAST_SHARE))),
            "contact": s.contact,
            "crown_against_lid": min(max(s.crown, -6.0), 6.0) - mean,
        }
        for s in sights
    ]


@dataclass(frozen=True, eq=False)
class Model:
    """A logistic model: log-odds = weights . (features - centre) / scale + offset."""

    features: tuple[str, ...]
    centre: Array
    scale: Array
    weights: Array
    offset: float

    def log_odds(self, seen: dict[str, float]) -> float:
        """Log-odds that a plant stands in a site where tissues meet."""
        z = (np.array([seen[f] for f in self.features]) - self.centre) / self.scale
        return float(self.weights @ np.clip(z, -4, 4) + self.offset)


@cache
def shipped_model() -> Model:
    """The fitted model that ships with the package."""
    data = json.loads((shipped("calibration") / "presence.json").read_text(encoding="utf-8"))
    return Model(
        tuple(data["features"]),
        np.array(data["centre"]),
        np.array(data["scale"]),
        np.array(data["weights"]),
        float(data["offset"]),
    )
