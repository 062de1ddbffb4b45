"""Plants over bare ground, drawn: what the network of ``sprout cover`` is fitted to, for lack of photos with masks.

Ground is clods, stones, straw and moss; plants are leaves on stalks about a root, in pairs or at the golden angle.
What greenness misses is drawn often: stalks and hearts of leaves as brown as soil, spots, dead tips, gloss; what it
wrongly finds too: moss, grey stones that look green beside red soil. Then comes a camera: blur, noise, its smoothing
and sharpening, JPEG with colour at half the resolution. Colours are CIELAB; sizes and ranges are by eye.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from drawn import half_widths
from skimage.color import lab2rgb

Plane = npt.NDArray[np.float32]

SIDE = 256
_ALONG = np.linspace(0, 1, 60)
_LEAVES = ("strap", "round", "oval", "ovate", "spoon", "lobed", "star")
_OFTEN = (0.18, 0.14, 0.14, 0.16, 0.12, 0.12, 0.14)


def colour(lightness: float, chroma: float, hue_deg: float) -> Plane:
    hue = np.radians(hue_deg)
    return np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], np.float32)


def noise(rng: np.random.Generator, scale: float, shape: tuple[int, ...] = (SIDE, SIDE)) -> Plane:
    """A plane of mean about 0 and deviation 1: waves of a length in px, and of two shorter ones."""
    out = np.zeros(shape, np.float32)
    for octave in range(3):
        knots = [int(side / max(1.5, scale / 2.2**octave)) + 3 for side in shape]
        waves = rng.normal(0, 0.55**octave, knots).astype(np.float32)
        out += cv2.resize(waves, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return out / (out.std() + np.float32(1e-6))


def slope(height: Plane, towards: float) -> Plane:
    return np.asarray(
        np.cos(towards) * cv2.Sobel(height, -1, 1, 0) + np.sin(towards) * cv2.Sobel(height, -1, 0, 1), np.float32
    )


def clods(rng: np.random.Generator, size: float) -> tuple[Plane, npt.NDArray[np.int32], int]:
    """Round clods, some px wide: their height from 0 to 1, and which clod each pixel belongs to, of how many."""
    spots = np.full((SIDE, SIDE), 255, np.uint8)
    x, y = rng.integers(0, SIDE, (2, max(4, int((SIDE / size) ** 2))))
    spots[y, x] = 0
    distance, label = cv2.distanceTransformWithLabels(spots, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    radius = size * rng.uniform(0.35, 0.8, label.max() + 1)[label]
    return np.sqrt(np.clip(1 - (distance / radius) ** 2, 0, 1)).astype(np.float32), label, int(label.max()) + 1


def laid(lab: Plane, mask: Plane, over: Plane) -> Plane:
    return np.asarray(lab * (1 - mask[..., None]) + over * mask[..., None], np.float32)


def filled(outline: npt.NDArray[np.float64]) -> Plane:
    mask = np.zeros((SIDE, SIDE), np.uint8)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return mask.astype(np.float32) / 255


def lined(points: npt.NDArray[np.float64], width: float) -> Plane:
    mask = np.zeros((SIDE, SIDE), np.uint8)
    cv2.polylines(mask, [np.round(points * 16).astype(np.int32)], False, 255, max(1, round(width)), cv2.LINE_AA, 4)
    return cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 0.5)


def stone(rng: np.random.Generator, lab: Plane, towards: float) -> Plane:
    angle = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(6, 14)))
    reach = rng.uniform(8, 60) * rng.uniform(0.6, 1.1, (2, len(angle)))
    outline = rng.uniform(0, SIDE, 2) + np.column_stack([reach[0] * np.cos(angle), reach[1] * np.sin(angle)])
    mask = cv2.GaussianBlur(filled(outline), (0, 0), rng.uniform(1, 3))
    look = np.empty((SIDE, SIDE, 3), np.float32)
    brown_grey_blue = [(rng.uniform(0, 14), rng.uniform(30, 100)), (rng.uniform(0, 5), rng.uniform(100, 190))]
    brown_grey_blue.append((rng.uniform(0, 14), rng.uniform(190, 290)))
    look[:] = colour(rng.uniform(25, 95), *brown_grey_blue[rng.integers(3)])
    look[..., 0] += 3 * noise(rng, 20) + rng.uniform(0, 20) * slope(cv2.GaussianBlur(mask, (0, 0), 3), towards)
    return laid(lab, mask, look)


def ground(rng: np.random.Generator) -> Plane:
    """(SIDE, SIDE, 3) bare ground."""
    lab = np.empty((SIDE, SIDE, 3), np.float32)
    lab[:] = colour(rng.uniform(18, 62), rng.uniform(4, 24), rng.uniform(48, 88))
    rough, towards = rng.uniform(3, 9), rng.uniform(0, 2 * np.pi)
    lab[..., 0] += 0.8 * rough * noise(rng, rng.uniform(20, 90))
    lab[..., 1] += rng.uniform(0.3, 1.2) * noise(rng, rng.uniform(10, 60))
    lab[..., 2] += rng.uniform(0.5, 2.5) * noise(rng, rng.uniform(10, 60))
    for _ in range(rng.integers(1, 4)):
        height, which, number = clods(rng, rng.uniform(6, 60))
        height = cv2.GaussianBlur(height, (0, 0), rng.uniform(0.8, 2))
        own = rng.normal(0, 1, (2, number)).astype(np.float32)[:, which] * (height > 0.3)
        shade = rng.uniform(0.5, 2) * (height - height.mean()) + rng.uniform(0.3, 2) * slope(height, towards)
        lab[..., 0] += rough * shade + rng.uniform(0, 5) * own[0]
        lab[..., 1:] *= 1 - rng.uniform(0, 0.5) * np.clip(own[1], 0, 1)[..., None]
    for _ in range(rng.integers(1, 6) if rng.random() < 0.6 else 0):
        lab = stone(rng, lab, towards)
    if rng.random() < 0.45:  # moss, most of it where the ground is dark
        green = np.clip(noise(rng, rng.uniform(15, 120)) - rng.uniform(-0.5, 0.8), 0, 1) * rng.uniform(1, 7)
        green *= np.clip(1 + rng.uniform(0, 0.6) * noise(rng, rng.uniform(2, 12)), 0, 2)
        if rng.random() < 0.6:
            green *= 1 / (1 + np.exp((lab[..., 0] - lab[..., 0].mean()) / rng.uniform(1, 6)))
        lab[..., 1] -= green
        lab[..., 2] += green * rng.uniform(0.5, 1.5)
    for _ in range(rng.integers(1, 5) if rng.random() < 0.25 else 0):  # straw and twigs
        start = rng.uniform(0, SIDE, 2)
        look = np.empty_like(lab)
        look[:] = colour(rng.uniform(25, 80), rng.uniform(3, 30), rng.uniform(15, 88))
        lab = laid(lab, lined(np.array([start, start + rng.normal(0, 40, 2)]), rng.integers(1, 6)), look)
    return lab


def leaf_outline(rng: np.random.Generator, shape: str, length: float, width: float) -> npt.NDArray[np.float64]:
    """A blade from (0, 0) along x."""
    if shape == "star":
        angle = np.linspace(-0.92 * np.pi, 0.92 * np.pi, 120)
        lobes = int(rng.choice([3, 5, 7]))
        reach = 0.55 + rng.uniform(0.08, 0.34) * np.cos(lobes * angle / 1.84)
        reach *= length * (1 + rng.uniform(0, 0.09) * np.cos(rng.integers(9, 30) * angle) + rng.normal(0, 0.01, 120))
        return np.column_stack([length / 2 + reach * np.cos(angle), reach * np.sin(angle) * rng.uniform(0.8, 1.1)])
    usual = np.interp(_ALONG, np.linspace(0, 1, 17), half_widths(shape)) * width / 2
    teeth, depth = int(rng.integers(5, 14)), rng.uniform(0, 0.09) if rng.random() < 0.5 else 0.0
    bend = rng.normal(0, 0.14) * length * _ALONG**2
    sides = [
        usual * (1 + 2 * depth * ((teeth * _ALONG + first) % 1 - 0.5) + rng.normal(0, 0.012, 60)) for first in (0, 0.3)
    ]
    left, right = (np.column_stack([length * _ALONG, bend + side]) for side in (sides[0], -sides[1]))
    return np.vstack([left, right[::-1]])


@dataclass(frozen=True)
class Sort:
    """What the leaves of one plant have in common; chances are per leaf."""

    shape: str
    leaf: Plane
    stem: Plane
    slender: float
    vein: float
    """How marked veins are, from 0 to 1, and by how much they are lighter and redder, and how far apart."""
    vein_look: tuple[float, float]
    vein_gap: float
    spotted: float
    brown_heart: float
    """Chance of another colour where the stalk meets the blade."""
    dead_tip: float
    gloss: float


def some_sort(rng: np.random.Generator) -> Sort:
    shape = str(rng.choice(_LEAVES, p=_OFTEN))
    slender = {"strap": (0.08, 0.22), "round": (0.8, 1.1), "lobed": (0.4, 0.9)}.get(shape, (0.35, 0.8))
    hue = rng.uniform(108, 150) if rng.random() < 0.9 else rng.uniform(100, 112)
    leaf = colour(rng.uniform(24, 78), rng.uniform(11, 46), hue)
    if rng.random() < 0.015:  # a reddish seedling
        leaf = np.array([rng.uniform(25, 55), rng.uniform(-4, 16), rng.uniform(0, 16)], np.float32)
    soil = np.array([rng.uniform(25, 70), rng.uniform(-6, 14), rng.uniform(4, 24)], np.float32)
    brown = rng.beta(0.9, 1.1) if rng.random() < 0.7 else 0.0
    stem = leaf * (1 - brown) + soil * brown + np.array([rng.normal(0, 5), 0, 0])
    return Sort(
        shape,
        leaf,
        stem.astype(np.float32),
        rng.uniform(*slender),
        rng.uniform(0, 1) if rng.random() < 0.7 else 0.0,
        (rng.normal(2, 5), rng.normal(1, 2)),
        rng.uniform(6, 25),
        *(float(rng.choice(chances)) for chances in ((0, 0.3, 0.8), (0, 0.2, 0.8), (0, 0.1, 0.4), (0, 0.2, 0.6))),
    )


def blended(lab: Plane, share: Plane, to: Plane) -> Plane:
    return laid(lab, np.clip(share, 0, 1), np.broadcast_to(to, lab.shape))


def blade_look(rng: np.random.Generator, sort: Sort, x: Plane, y: Plane, length: float, width: float) -> Plane:
    """A leaf's colours, given how far along and across it each pixel lies, in px."""

    def waves(shortest: float, longest: float) -> Plane:
        return noise(rng, rng.uniform(shortest, longest), x.shape)

    lab = np.empty((*x.shape, 3), np.float32)
    lab[:] = sort.leaf + rng.normal(0, [5, 2, 3])
    along, across = x / length, y / width
    lab[..., 0] += rng.normal(0, 8) * across + rng.normal(0, 6) * (along - 0.5)
    lab[..., 0] += rng.uniform(0.5, 3) * waves(6, 30)
    mottle = rng.uniform(0.3, 1.5) * waves(8, 40)
    lab[..., 1] -= mottle
    lab[..., 2] += mottle * rng.normal(1, 0.5)
    if sort.vein:
        midrib = np.exp(-((y / rng.uniform(1.2, 3)) ** 2))
        side_veins = 0.5 * np.exp(-((((0.8 * np.abs(y) + x) % sort.vein_gap) / 1.6) ** 2))
        lab[..., :2] += (sort.vein * (midrib + side_veins))[..., None] * np.array(sort.vein_look, np.float32)
    lightness = float(sort.leaf[0])
    if rng.random() < sort.spotted:
        spots = np.clip((waves(8, 50) - rng.uniform(0.9, 2.2)) * rng.uniform(1, 4), 0, 1)
        brown = np.array([lightness + rng.normal(3, 8), rng.uniform(-2, 9), rng.uniform(3, 16)], np.float32)
        lab = blended(lab, spots * rng.uniform(0.3, 1), brown)
    if rng.random() < sort.brown_heart:
        heart = np.exp(-(x**2 + y**2) / (rng.uniform(0.05, 0.22) * length + 2) ** 2)
        brown = np.array([lightness + rng.normal(-3, 7), rng.uniform(-2, 14), rng.uniform(2, 16)], np.float32)
        lab = blended(lab, heart * rng.uniform(0.4, 1), brown)
    if rng.random() < sort.dead_tip:
        tip = 1 / (1 + np.exp(np.clip((rng.uniform(0.72, 1.0) - along) * rng.uniform(10, 30), -30, 30)))
        lab = blended(lab, tip, np.array([rng.uniform(35, 80), rng.uniform(0, 8), rng.uniform(8, 28)], np.float32))
    if rng.random() < sort.gloss:
        at = rng.uniform(0.1, 0.9) * length, rng.normal(0, 0.3) * width
        shine = np.exp(-(((x - at[0]) / rng.uniform(8, 40)) ** 2) - ((y - at[1]) / rng.uniform(4, 20)) ** 2)
        lab = blended(lab, shine * rng.uniform(0.2, 0.95), np.array([rng.uniform(65, 95), -1, 1], np.float32))
    if rng.random() < 0.5:  # folded: light falls on one half
        lab[..., 0] *= 1 + rng.uniform(-0.25, 0.15) * (y > 0)
    return lab


@dataclass(eq=False)
class Scene:
    """A ground on which plants are laid, the last on top, each with its shadow on what lies below."""

    rng: np.random.Generator
    lab: Plane
    plant: Plane = field(default_factory=lambda: np.zeros((SIDE, SIDE), np.float32))

    def __post_init__(self) -> None:
        rng = self.rng
        towards = rng.uniform(0, 2 * np.pi)
        self.fall = np.array([np.cos(towards), np.sin(towards)])
        self.shadow = rng.uniform(0, 0.65) if rng.random() < 0.85 else 0.0
        self.soft = rng.uniform(1, 7)

    def lay(self, mask: Plane, look: Plane, height: float, window: tuple[slice, slice]) -> None:
        """Lay down what looks so in a window and is nowhere else."""
        x, y = self.fall * height
        moved = cv2.warpAffine(mask, np.array([[1, 0, x], [0, 1, y]]), (SIDE, SIDE))
        light = 1 - self.shadow * cv2.GaussianBlur(moved, (0, 0), self.soft)
        self.lab *= np.dstack([light, 0.5 + 0.5 * light, 0.5 + 0.5 * light])
        self.lab[window] = laid(self.lab[window], mask[window], look)
        self.plant = np.maximum(self.plant, mask)

    def leaf(self, sort: Sort, base: npt.NDArray[np.float64], azimuth: float, length: float, height: float) -> None:
        width = length * sort.slender * self.rng.uniform(0.75, 1.2)
        c, s = np.cos(azimuth), np.sin(azimuth)
        mask = filled(base + leaf_outline(self.rng, sort.shape, length, width) @ np.array([[c, s], [-s, c]]))
        left, top, wide, high = cv2.boundingRect((mask > 0).view(np.uint8))
        if min(wide, high) > 2:
            window = np.s_[top : top + high, left : left + wide]
            y, x = (np.mgrid[window] - base[::-1, None, None]).astype(np.float32)
            look = blade_look(self.rng, sort, c * x + s * y, c * y - s * x, length, max(width, 1))
            self.lay(mask, look, height, window)

    def stalk(
        self, sort: Sort, start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], width: float, height: float
    ) -> None:
        t = np.linspace(0, 1, 12)[:, None]
        middle = (start + end) / 2 + self.rng.normal(0, 0.1, 2) * np.linalg.norm(end - start)
        look = np.empty_like(self.lab)
        look[:] = sort.stem + self.rng.normal(0, 2, 3)
        look[..., 0] += self.rng.uniform(0.5, 3) * noise(self.rng, 12)
        self.lay(lined((1 - t) ** 2 * start + 2 * t * (1 - t) * middle + t**2 * end, width), look, height, np.s_[:, :])

    def grow(self) -> None:
        """One plant, anywhere."""
        rng = self.rng
        sort, root = some_sort(rng), rng.uniform(-20, SIDE + 20, 2)
        size = rng.uniform(14, 150) if rng.random() < 0.7 else rng.uniform(8, 30)
        number = int(rng.integers(2, 4) if size < 30 else rng.integers(2, 11))
        petiole, width = size * rng.uniform(0, 1.6) * rng.beta(1, 1.6), np.clip(size * rng.uniform(0.03, 0.12), 1, 10)
        height, first, opposite = rng.uniform(1, 18), rng.uniform(0, 2 * np.pi), rng.random() < 0.6
        leaves = []
        for j in range(number):
            turned = first + (np.pi * j + np.pi / 2 * (j // 2) if opposite else 2.4 * j) + rng.normal(0, 0.25)
            share = rng.uniform(0.45, 1.1)
            base = root + petiole * share * np.array([np.cos(turned), np.sin(turned)])
            leaves.append((share, turned, base))
            self.stalk(sort, root, base, width * rng.uniform(0.7, 1.1), height / 2)
        for share, turned, base in sorted(leaves, key=lambda one: -one[0]):
            length = size * share * rng.uniform(0.7, 1.2)
            self.leaf(sort, base, turned + rng.normal(0, 0.25), length, height * rng.uniform(0.4, 1.2))
        if rng.random() < 0.3:
            self.stalk(sort, root, root + rng.normal(0, size / 2, 2), 1.3 * width, 0.3 * height)


def photographed(rng: np.random.Generator, lab: Plane) -> npt.NDArray[np.uint8]:
    """(SIDE, SIDE, 3) RGB, as a phone delivers it."""
    rgb = cv2.GaussianBlur(np.clip(lab2rgb(lab), 0, 1).astype(np.float32), (0, 0), rng.uniform(0.5, 1.9))
    rgb = np.clip(rgb * np.exp(rng.normal(0, 0.05, 3)), 0, 1) ** rng.uniform(0.85, 1.2)
    rgb += rng.uniform(0, 0.025) * rng.normal(0, 1, rgb.shape)
    out = np.clip(255 * rgb, 0, 255).astype(np.uint8)
    if rng.random() < 0.6:
        out = cv2.bilateralFilter(out, 5, rng.uniform(5, 30), 2)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(out, (0, 0), rng.uniform(1, 2.5))
        share = rng.uniform(0.2, 1)
        out = cv2.addWeighted(out, 1 + share, soft, -share, 0)
    _, file = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))])
    return np.ascontiguousarray(cv2.imdecode(file, cv2.IMREAD_COLOR)[..., ::-1])


def drawn_ground(rng: np.random.Generator) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """A photo (SIDE, SIDE, 3) of none to eight plants on the ground, and where plant is."""
    scene = Scene(rng, ground(rng))
    for _ in range(int(rng.choice([0, 1, 2, 3, 5, 8], p=[0.08, 0.17, 0.25, 0.2, 0.18, 0.12]))):
        scene.grow()
    lab = scene.lab
    if rng.random() < 0.4:  # in the shade of something out of sight
        light = 1 - rng.uniform(0.1, 0.5) * np.clip(0.5 + noise(rng, rng.uniform(60, 250)) * rng.uniform(1, 4), 0, 1)
        lab = lab * np.dstack([light, 0.4 + 0.6 * light, 0.4 + 0.6 * light])
    lab[..., 0] = np.clip(lab[..., 0], 0, 100)
    return photographed(rng, lab), scene.plant > 0.5
