"""Plants drawn from what botany says of them, to fit networks to more shapes than were photographed.

A seedling is a stem that leans, a pair of seed leaves opposite each other at its top, and later true leaves: in
opposite pairs across the pair below, or one by one at the golden angle (Bell & Bryan 2008, Plant Form, on phyllotaxis;
from memory). Sizes are by eye from photos of herbs and leafy greens and vary widely. All seedlings of a site share
crop, camera and light. An overgrown lid holds grown plants in some of its holes and none in others: rosettes, stems
with leaves, tufts of long stalks, straps; their leaves lean over their neighbours' holes as a camera above sees them.
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


@dataclass(frozen=True)
class Habit:
    """How grown plants of one sort look; lengths in mm, angles in radians."""

    leaf: str
    nodes: int
    """Leaves, or pairs of leaves, or leaflets' stalks of one plant."""
    opposite: bool
    length: float
    """Of the largest blades."""
    slender: float
    petiole: float
    height: float
    """Of the stem; 0 where all leaves come from the ground."""
    upright: float
    """Elevation of the youngest leaves."""
    leaflets: int


def some_habit(rng: np.random.Generator) -> Habit:
    kind = rng.choice(["rosette", "stem", "tuft", "straps"], p=[0.32, 0.36, 0.24, 0.08])
    if kind == "rosette":
        leaf = str(rng.choice(["spoon", "ovate", "lobed"]))
        length, slender = rng.uniform(30, 95), rng.uniform(0.4, 0.85)
        return Habit(leaf, int(rng.integers(5, 17)), False, length, slender, rng.uniform(0.05, 0.6), 0.0, 1.3, 1)
    if kind == "stem":
        leaf = str(rng.choice(["ovate", "oval", "lobed"]))
        length, slender = rng.uniform(22, 70), rng.uniform(0.35, 0.8)
        nodes, height = int(rng.integers(3, 9)), rng.uniform(20, 140)
        return Habit(leaf, nodes, bool(rng.random() < 0.7), length, slender, rng.uniform(0.05, 0.5), height, 1.1, 1)
    if kind == "tuft":
        length, petiole = rng.uniform(8, 26), rng.uniform(40, 120)
        leaf, slender = str(rng.choice(["lobed", "round", "ovate"])), rng.uniform(0.6, 1.1)
        nodes, leaflets = int(rng.integers(5, 16)), int(rng.choice([1, 3, 5]))
        return Habit(leaf, nodes, False, length, slender, petiole / length, 0.0, 1.45, leaflets)
    length, slender = rng.uniform(60, 150), rng.uniform(0.02, 0.06)
    return Habit("strap", int(rng.integers(6, 24)), False, length, slender, 0.0, 0.0, 1.5, 1)


def full_grown(rng: np.random.Generator, habit: Habit, root: Array) -> Plant:
    blades: list[Blade] = []
    stalks: list[tuple[Array, Array, float]] = []
    lean = direction(rng.uniform(0, 2 * np.pi), rng.uniform(1.1, 1.57))
    thick, turn = rng.uniform(1.5, 4.0), rng.uniform(0, 2 * np.pi)
    top = root + habit.height * rng.uniform(0.8, 1.15) * lean
    if habit.height:
        stalks.append((root, top, thick))
    for k in range(habit.nodes):
        age = 1 - k / habit.nodes
        share = (np.sin(np.pi * min(age + 0.12, 1.0)) ** 0.6 if habit.height else 1 - (1 - age) ** 2) * 0.9 + 0.1
        node = root + (top - root) * (0.15 + 0.85 * (1 - age) ** 0.8) + [*rng.normal(0, 1.0, 2), 0]
        for side in range(2 if habit.opposite else 1):
            azimuth = turn + (np.pi / 2 * k + np.pi * side if habit.opposite else _GOLDEN * k) + rng.normal(0, 0.2)
            low = 0.25 if habit.height else 0.1 + 0.4 * (habit.leaflets > 1)
            elevation = float(np.clip(low + (habit.upright - low) * (1 - age) ** 1.5 + rng.normal(0, 0.18), -0.3, 1.5))
            length = habit.length * share * rng.uniform(0.85, 1.15)
            along = direction(azimuth, elevation)
            base = node + habit.petiole * length * along
            if habit.petiole * length > 2:
                stalks.append((node, base, 0.5 * thick))
            for j in range(habit.leaflets):
                aside = (j - (habit.leaflets - 1) / 2) * 0.7
                own = along if habit.leaflets == 1 else direction(azimuth + aside, min(elevation, 0.7))
                one = blade(rng, habit.leaf, base, own, length, length * habit.slender * rng.uniform(0.85, 1.15))
                blades.append(Blade(np.maximum(one.points, [-1e9, -1e9, 0.5])))
    return Plant(blades, stalks)


@dataclass(frozen=True, eq=False)
class Overgrown:
    """A drawn lid under its plants, as it appears on the lid's plane.

    Attributes
    ----------
    lab, plant:
        (h, w, 3) and (h, w) uint8, ``mm_per_px`` apart, the first pixel's centre at the lid's origin.
    sites_mm, stands, overhung:
        (n, 2) holes; (n,) 1 where a plant is seen, 0 where none stands, -1 where it is hidden; (n,) share of the hole
        under plants of other holes.
    foot_mm, height_mm:
        Where the camera stood.
    """

    lab: npt.NDArray[np.uint8]
    plant: npt.NDArray[np.uint8]
    mm_per_px: float
    sites_mm: Array
    stands: npt.NDArray[np.int64]
    overhung: Array
    hole_mm: float
    foot_mm: Array
    height_mm: float


SCENE_MM = 0.55
_SEEN_PX = 60
"""Pixels of a plant that must show for it to be seen."""


def _hole(rng: np.random.Generator, lab: npt.NDArray[np.float32], at: Array, radius: float, look: list[Array]) -> None:
    rim, plug, foil = look
    centre = np.round(at / SCENE_MM * 16).astype(int).tolist()

    def disc(share: float, colour: Array) -> None:
        cv2.circle(lab, centre, max(1, round(16 * share * radius / SCENE_MM)), colour.tolist(), -1, cv2.LINE_8, 4)

    kind = rng.random()
    if kind < 0.12:
        disc(rng.uniform(1.2, 1.6), foil)
        return
    disc(rng.uniform(1.1, 1.4), rim)
    disc(rng.uniform(0.85, 1.0), plug)
    for _ in range(int(rng.integers(0, 30))):
        spot = plug + [rng.normal(0, 18), rng.normal(0, 3), rng.normal(0, 5)]
        place = at + rng.normal(0, 0.4 * radius, 2)
        cv2.circle(lab, np.round(place / SCENE_MM).astype(int).tolist(), int(rng.integers(1, 4)), spot.tolist(), -1)


def overgrown(rng: np.random.Generator) -> Overgrown:
    """A lid with plants in some of its holes and none in others, seen by a camera above it."""
    rows, columns, pitch = int(rng.integers(2, 5)), int(rng.integers(2, 5)), rng.uniform(45, 80)
    hole = rng.uniform(0.42, 0.65) * pitch
    grid = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), -1).reshape(-1, 2).astype(float)
    if rng.random() < 0.4:
        grid[:, 0] += 0.5 * (grid[:, 1] % 2)
    sites = (grid + 1.2) * pitch
    extent = sites.max(0) + 1.2 * pitch
    height = rng.uniform(200, 450)
    foot = extent / 2 + rng.normal(0, 0.25, 2) * extent
    w, h = (int(v) for v in np.ceil(extent / SCENE_MM))
    ground = np.array([rng.uniform(25, 240), rng.uniform(122, 138), rng.uniform(118, 150)])
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = ground
    lab[..., 0] += cv2.resize(rng.normal(0, rng.uniform(1, 12), (7, 9)).astype(np.float32), (w, h))
    look = [np.array([rng.uniform(20, 240), rng.uniform(122, 140), rng.uniform(118, 145)]) for _ in range(3)]
    look[1][0] = rng.uniform(20, 120) if rng.random() < 0.7 else rng.uniform(120, 220)
    for at in sites:
        _hole(rng, lab, at, hole / 2, look)
    habits = [some_habit(rng) for _ in range(int(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15])))]
    tall = 0.5 * height / max(hb.height + (hb.length * (1 + hb.petiole)) for hb in habits)
    size = min(tall, rng.uniform(0.6, 1.3)) * rng.uniform(0.8, 1.0)
    light = direction(rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.4))
    tone = np.array([rng.uniform(60, 175), rng.uniform(92, 118), rng.uniform(140, 190)])
    present = rng.random(len(sites)) < rng.uniform(0.35, 0.9)
    parts: list[tuple[float, int, Plant, int]] = []
    for k in np.flatnonzero(present):
        habit = habits[rng.integers(len(habits))]
        own = size * rng.uniform(0.75, 1.15)
        for _ in range(int(rng.choice([1, 2, 3], p=[0.6, 0.25, 0.15]))):
            plant = full_grown(rng, habit, np.zeros(3))
            root = np.append(sites[k] + rng.normal(0, 0.12 * hole, 2), 0.0)
            plant = Plant(
                [Blade(b.points * own + root) for b in plant.blades],
                [(a * own + root, b * own + root, t * own) for a, b, t in plant.stalks],
            )
            parts += [(float(b.points[:, 1, 2].mean()), j, plant, int(k)) for j, b in enumerate(plant.blades)]
            parts += [(float(s[0][2] + s[1][2]) / 2 - 1, -1 - j, plant, int(k)) for j, s in enumerate(plant.stalks)]
    which = np.zeros((h, w), np.uint8)
    stem = tone + [rng.normal(0, 20), rng.normal(4, 5), rng.normal(-4, 6)]
    old = [rng.uniform(10, 60), rng.uniform(8, 26), rng.uniform(0, 25)]
    ageing, contrast = rng.choice([0.0, 0.15, 0.5]), rng.uniform(10, 50)
    fall = light[:2] / max(light[2], 0.4)

    def px(points: Array) -> npt.NDArray[np.int32]:
        seen = foot + (points[..., :2] - foot) * (height / (height - np.minimum(points[..., 2:], 0.8 * height)))
        return np.asarray(np.round(seen / SCENE_MM * 16), np.int32)

    for z, j, plant, k in sorted(parts, key=lambda part: part[0]):
        if j < 0:
            a, b, width = plant.stalks[-1 - j]
            ends = px(np.array([a, b]))
            wide = max(1, round(width / SCENE_MM))
            cv2.line(lab, ends[0].tolist(), ends[1].tolist(), (stem + [rng.normal(0, 6), 0, 0]).tolist(), wide, 8, 4)
            cv2.line(which, ends[0].tolist(), ends[1].tolist(), k + 1, wide, 8, 4)
            continue
        p = plant.blades[j].points
        outline = px(np.concatenate([p[:, 0], p[::-1, 2]]))
        low = np.clip(outline.min(0) // 16 - 24, 0, [w, h])
        high = np.clip(outline.max(0) // 16 + 24, 0, [w, h])
        if (high - low).min() < 2:
            continue
        part = np.s_[low[1] : high[1], low[0] : high[0]]
        shade = np.zeros(tuple((high - low)[::-1]), np.uint8)
        away = np.round(np.clip(16 * fall * min(z, 25) * 0.4 / SCENE_MM, -300, 300)).astype(np.int32)
        cv2.fillPoly(shade, [outline - 16 * low.astype(np.int32) - away], 255, shift=4)
        dark = cv2.blur(shade, (int(rng.integers(3, 15)),) * 2).astype(np.float32) * (rng.uniform(0.1, 0.45) / 255)
        lab[part][..., 0] *= 1 - dark
        own = tone + [rng.normal(0, 8), rng.normal(0, 2), rng.normal(0, 3)]
        if rng.random() < ageing:
            own = own + old
        for first, second in ((p[:, 0], p[:, 1]), (p[:, 1], p[:, 2])):
            normal = np.cross(second[8] - first[8], first[12] - first[4])
            normal = normal / max(float(np.linalg.norm(normal)), 1e-6)
            bright = contrast * (abs(float(normal @ light)) - 0.7)
            cv2.fillPoly(lab, [px(np.concatenate([first, second[::-1]]))], (own + [bright, 0, 0]).tolist(), shift=4)
        cv2.fillPoly(which, [outline], k + 1, shift=4)
        if rng.random() < 0.8:
            rib = (own + [rng.normal(8, 10), 0, rng.normal(2, 3)]).tolist()
            cv2.polylines(lab, [px(p[:-2, 1])], False, rib, int(rng.integers(1, 3)), 8, 4)
        if rng.random() < 0.3 * ageing:
            spot = px(p[int(rng.integers(6, 16)), 1][None])[0].tolist()
            inside = np.zeros_like(shade)
            cv2.circle(inside, (np.array(spot) - 16 * low).tolist(), int(rng.integers(3, 12)) * 16, 255, -1, 8, 4)
            leaf = np.zeros_like(shade)
            cv2.fillPoly(leaf, [outline - 16 * low.astype(np.int32)], 255, shift=4)
            lab[part][(inside & leaf) > 0] = tone + old
    lab += rng.normal(0, rng.uniform(0.5, 6), (h, w, 1)).astype(np.float32)
    seen = np.bincount(which.ravel(), minlength=len(sites) + 1)[1:]
    stands = np.where(present, np.where(seen >= _SEEN_PX, 1, -1), 0)
    overhung = np.zeros(len(sites))
    reach = round(0.35 * hole / SCENE_MM)
    for k, (x, y) in enumerate(np.round(sites / SCENE_MM).astype(int)):
        inside = which[y - reach : y + reach, x - reach : x + reach]
        overhung[k] = np.mean((inside > 0) & (inside != k + 1))
    picture = np.clip(lab, 0, 255).astype(np.uint8)
    return Overgrown(picture, (which > 0) * np.uint8(255), SCENE_MM, sites, stands, overhung, hole, foot, height)
