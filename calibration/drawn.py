"""Seedlings drawn from what botany says of them, to fit the counting network to more shapes than were photographed.

A seedling is a stem that leans, a pair of seed leaves opposite each other at its top, and later true leaves: in
opposite pairs across the pair below, or one by one at the golden angle (Bell & Bryan 2008, Plant Form, on phyllotaxis;
from memory). Sizes are by eye from photos of herbs and leafy greens and vary widely. All seedlings of a site share
crop, camera and light.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.leaves import Cutout

Array = npt.NDArray[np.float64]

MM_PER_PX = 0.2
_GOLDEN = np.radians(137.5)
_ALONG = np.linspace(0, 1, 17)


@dataclass(frozen=True)
class Crop:
    """How plants of one sort look; lengths in mm, fully grown, ages in days after emergence."""

    seed_leaf: str
    true_leaf: str
    opposite: bool
    length: float
    """Of a seed leaf's blade."""
    slender: float
    """Width of its blade over its length."""
    petiole: float
    height: float
    first_true: float
    """Age at which the first true leaves show."""


def some_crop(rng: np.random.Generator) -> Crop:
    kind = rng.choice(["strap", "round", "oval"])
    if kind == "strap":
        size, slender, petiole, height = rng.uniform(13, 28), rng.uniform(0.11, 0.2), rng.uniform(1, 5), (20, 40)
    elif kind == "round":
        size, slender, petiole, height = rng.uniform(7, 14), rng.uniform(0.85, 1.2), rng.uniform(2, 6), (12, 34)
    else:
        size, slender, petiole, height = rng.uniform(6, 14), rng.uniform(0.42, 0.75), rng.uniform(1, 6), (5, 20)
    usual = {"strap": ("lobed", False), "round": ("ovate", True), "oval": ("spoon", False)}[str(kind)]
    if rng.random() < 0.2:
        usual = (str(rng.choice(["lobed", "ovate", "spoon"])), bool(rng.random() < 0.5))
    return Crop(str(kind), *usual, size, slender, petiole, rng.uniform(*height), rng.uniform(4, 11))


def half_widths(shape: str) -> Array:
    """Half width of a blade along its length, 1 at the widest."""
    t = _ALONG
    w = {
        "strap": (t + 0.02) ** 0.45 * (1.0 - t) ** 0.4,
        "round": np.maximum(t + 0.03, 0) ** 0.36 * (1.0 - t) ** 0.36,
        "oval": (t + 0.01) ** 0.6 * (1.0 - t) ** 0.5,
        "ovate": (t + 0.01) ** 0.55 * (1.0 - t) ** 0.85,
        "spoon": (t + 0.02) ** 0.95 * (1.0 - t) ** 0.5,
        "lobed": (t + 0.05) ** 0.5 * (1.0 - t) ** 0.35 * (1 + 0.4 * np.cos(2 * np.pi * 3 * t)),
    }[shape]
    return np.asarray(w / w.max())


@dataclass(frozen=True, eq=False)
class Blade:
    """One leaf's blade: points (17, 3, 3) along it, each at the left edge, the midrib and the right edge."""

    points: Array


def blade(rng: np.random.Generator, shape: str, base: Array, along: Array, length: float, width: float) -> Blade:
    """A blade that starts at ``base``, goes along a direction with a bend, and is folded and rolled a little."""
    level = np.array([-along[1], along[0], 0.0])
    level /= max(float(np.linalg.norm(level)), 1e-6)
    up = np.cross(along, level)
    roll = rng.normal(0, 0.3)
    across = np.cos(roll) * level + np.sin(roll) * up
    normal = np.cross(along, across)
    droop, sway, fold = rng.normal(-0.1, 0.2), rng.normal(0, 0.12), abs(rng.normal(0.15, 0.2))
    t = _ALONG[:, None]
    rib = base + length * (t * along + t**2 * (droop * normal + sway * across))
    w = width / 2 * half_widths(shape)[:, None]
    w = w * (1 + rng.normal(0, 0.06, w.shape)) if shape == "lobed" else w * (1 + rng.normal(0, 0.015, w.shape))
    side = np.cos(fold) * across
    lift = np.sin(fold) * normal
    return Blade(np.stack([rib - w * side + w * lift, rib, rib + w * side + w * lift], axis=1))


def direction(azimuth: float, elevation: float) -> Array:
    return np.array(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)], float
    )


@dataclass(frozen=True, eq=False)
class Plant:
    blades: list[Blade]
    stalks: list[tuple[Array, Array, float]]
    """From, to, and width."""


def grown(rng: np.random.Generator, crop: Crop, root: Array, age: float) -> Plant:
    grown_up = 1 - np.exp(-(age + 0.3) / 2.5)
    lean = direction(rng.uniform(0, 2 * np.pi), rng.uniform(0.7, 1.55))
    height = crop.height * (1 - np.exp(-(age + 0.4) / 1.6)) * rng.uniform(0.8, 1.15)
    middle = root + 0.5 * height * direction(rng.uniform(0, 2 * np.pi), rng.uniform(1.0, 1.57))
    crown = middle + 0.5 * height * lean
    thick = rng.uniform(0.7, 1.6)
    stalks = [(root, middle, thick), (middle, crown, thick)]
    blades = []

    def leaf(shape: str, azimuth: float, elevation: float, petiole: float, length: float, width: float) -> None:
        along = direction(azimuth, elevation)
        base = crown + petiole * along
        if petiole > 0.5:
            stalks.append((crown, base, 0.65 * thick))
        blades.append(blade(rng, shape, base, along, length, width))

    azimuth = rng.uniform(0, 2 * np.pi)
    size = crop.length * (0.35 + 0.65 * grown_up) * rng.uniform(0.85, 1.15)
    opening = 1.2 * np.exp(-age / 1.2)
    for k in range(2):
        if rng.random() < 0.03:
            continue
        own = size * rng.normal(1, 0.07)
        leaf(
            crop.seed_leaf,
            azimuth + np.pi * k + rng.normal(0, 0.2),
            float(np.clip(opening + rng.normal(0.15, 0.25), -0.6, 1.45)),
            crop.petiole * grown_up * rng.uniform(0.7, 1.3),
            own,
            own * crop.slender * rng.normal(1, 0.07),
        )
    pace = rng.uniform(2.0, 4.0)
    for k in range(8):
        born = crop.first_true + pace * (k // 2 * 2 if crop.opposite else k)
        if age <= born:
            break
        share = 1 - np.exp(-(age - born) / 5)
        length = rng.uniform(0.9, 1.1) * (0.6 if crop.seed_leaf == "strap" else 1.3) * crop.length * share + 1.0
        slender = {"lobed": 0.9, "ovate": 0.58, "spoon": 0.55}[crop.true_leaf] * rng.uniform(0.85, 1.15)
        turn = (
            azimuth + np.pi / 2 * (1 + k // 2) + np.pi * (k % 2)
            if crop.opposite
            else azimuth + np.pi / 2 + (np.pi * k if k < 2 else _GOLDEN * k)
        )
        stalk = {"lobed": 1.1, "ovate": 0.2, "spoon": 0.25}[crop.true_leaf] * length
        leaf(
            crop.true_leaf,
            turn + rng.normal(0, 0.25),
            float(np.clip(0.3 + 0.9 * (1 - share) + rng.normal(0, 0.2), -0.2, 1.4)),
            stalk * rng.uniform(0.7, 1.3),
            length,
            length * slender,
        )
    return Plant(blades, stalks)


def painted(rng: np.random.Generator, plant: Plant, view: Array, light: Array, tone: Array, ground: Array) -> Cutout:
    """A plant as the camera sees it, ``view`` (2,) being how far a point moves in the picture per mm of height."""

    def flat(points: Array) -> Array:
        return np.asarray(points[..., :2] + points[..., 2:] * view)

    every = np.concatenate(
        [flat(b.points).reshape(-1, 2) for b in plant.blades] + [flat(np.array(s[:2])) for s in plant.stalks]
    )
    low = every.min(0) - 2
    size = tuple(int(v) for v in np.ceil((every.max(0) + 2 - low) / MM_PER_PX))
    lab = np.empty((size[1], size[0], 3), np.float32)
    lab[:] = ground
    lab[..., 0] += rng.normal(0, 12) + cv2.resize(rng.normal(0, 15, (9, 9)).astype(np.float32), size)
    mask = np.zeros(lab.shape[:2], np.uint8)

    def px(points: Array) -> npt.NDArray[np.int32]:
        return np.asarray(np.round((flat(points) - low) / MM_PER_PX * 16), np.int32)

    stem = tone + [rng.normal(0, 18), rng.normal(4, 4), rng.normal(-4, 5)]
    parts: list[tuple[float, int]] = [(float(s[1][2] + s[0][2]) / 2 - 1, -1 - k) for k, s in enumerate(plant.stalks)]
    parts += [(float(b.points[:, 1, 2].mean()), k) for k, b in enumerate(plant.blades)]
    for _, k in sorted(parts):
        if k < 0:
            a, b, width = plant.stalks[-1 - k]
            ends = px(np.array([a, b]))
            wide = max(1, round(width / MM_PER_PX))
            for target, colour in ((lab, stem.tolist()), (mask, 255)):
                cv2.line(
                    target, ends[0].tolist(), ends[1].tolist(), colour, wide, cv2.LINE_AA if target is mask else 8, 4
                )
            continue
        p = plant.blades[k].points
        own = tone + [rng.normal(0, 6), rng.normal(0, 1.5), rng.normal(0, 2.5)]
        outline = px(np.concatenate([p[:, 0], p[::-1, 2]]))
        if rng.random() < 0.8:
            shade = np.zeros_like(mask)
            cv2.fillPoly(shade, [outline + np.round(16 * rng.normal(0, 5, 2)).astype(np.int32)], 255, shift=4)
            dark = cv2.GaussianBlur(shade, (0, 0), rng.uniform(2, 8)).astype(np.float32) / 255
            lab[..., 0] *= 1 - rng.uniform(0.05, 0.5) * dark
        for first, second in ((p[:, 0], p[:, 1]), (p[:, 1], p[:, 2])):
            normal = np.cross(second[8] - first[8], first[12] - first[4])
            normal = normal / max(float(np.linalg.norm(normal)), 1e-6)
            bright = 26 * (abs(float(normal @ light)) - 0.8)
            cv2.fillPoly(lab, [px(np.concatenate([first, second[::-1]]))], (own + [bright, 0, 0]).tolist(), shift=4)
        cv2.fillPoly(mask, [outline], 255, shift=4)
        if rng.random() < 0.7:
            rib = (own + [rng.normal(8, 8), 0, rng.normal(2, 2)]).tolist()
            cv2.polylines(lab, [px(p[:-3, 1])], False, rib, int(rng.integers(1, 4)), 8, 4)
    if rng.random() < 0.2:
        blotch = cv2.resize(
            rng.normal(0, 1, (7, 7)).astype(np.float32), size, interpolation=cv2.INTER_CUBIC
        ) > rng.uniform(0.2, 1.2)
        lab[blotch] += [rng.uniform(10, 50), rng.uniform(5, 20), rng.uniform(5, 25)]
    lab += rng.normal(0, rng.uniform(0.5, 7), (*lab.shape[:2], 1)).astype(np.float32)
    to_mm = np.array([[MM_PER_PX, 0, low[0]], [0, MM_PER_PX, low[1]]])
    return Cutout(mask, np.clip(lab, 0, 255).astype(np.uint8), to_mm)


def drawn_site(rng: np.random.Generator, number: int) -> tuple[str, list[Cutout]]:
    """The kind of seed leaf, and each of a site's seedlings as if it stood alone."""
    crop = some_crop(rng)
    tilt = abs(rng.normal(0, 0.3))
    view = tilt * direction(rng.uniform(0, 2 * np.pi), 0)[:2]
    light = direction(rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.4))
    tone = np.array([rng.uniform(70, 170), rng.uniform(95, 118), rng.uniform(145, 180)])
    ground = np.array([rng.uniform(20, 235), rng.uniform(124, 138), rng.uniform(120, 150)])
    age, spread = rng.gamma(2.0, 3.5), rng.uniform(0.3, 3.0)
    ages = np.maximum(0.2, age + rng.normal(0, spread, number))
    room = rng.uniform(1.0, 7.0)
    return crop.seed_leaf, [
        painted(rng, grown(rng, crop, np.append(rng.normal(0, room / 2, 2), 0.0), float(a)), view, light, tone, ground)
        for a in ages
    ]
