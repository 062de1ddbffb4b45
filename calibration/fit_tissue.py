"""Fit the network that gives every pixel its class, and write it as an ONNX file.

    python calibration/fit_tissue.py PHOTOS --out wide.onnx --channels 16 20 28 32 [--without calibration/aside.txt]
    python calibration/fit_tissue.py PHOTOS --out calibration/tissue.onnx --teacher wide.onnx [--without ...]

A network narrow enough for a phone photo a day on one core learns rare tissue badly from the truth alone, so a wide one
is fitted first, and the narrow one learns from the truth and from what the wide one thinks (Hinton et al. 2015,
"Distilling the knowledge in a neural network").

PHOTOS is a folder of photos with ground truth: NAME.jpg, NAME.json (where the sites are) and NAME_tissue.png (0 other,
1 green, 2 yellowing, 3 dry, 4 algae). ``--without`` names a text file with one photo per line (path in PHOTOS, without
suffix) to be kept out of the fit. Needs PyTorch and onnx, which sprout itself does not.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from fitting import Block, Descent, twice
from PIL import Image, ImageOps
from torch import nn
from truth import lid_and_registration, names, read, write_onnx

from sprout.light import to_linear, to_srgb
from sprout.photo import Photo, Quality
from sprout.pixels import PLANES, PX_PER_MM, geometry
from sprout.plate import read_plate

CLASSES = 5
STORE_PX_PER_MM = 1.25 * PX_PER_MM


class Network(nn.Module):
    """A U-Net that looks at half resolution down to a sixteenth, and gives (5, 2, 2) scores per cell of a quarter."""

    def __init__(self, a: int, b: int, c: int, d: int) -> None:
        super().__init__()
        self.c1 = nn.Sequential(Block(PLANES, a, 2, 2), Block(a, b, 2), Block(b, b))
        self.c2 = nn.Sequential(Block(b, c, 2), Block(c, c), Block(c, c))
        self.c3 = nn.Sequential(Block(c, d, 2), Block(d, d), Block(d, d))
        self.up3, self.up2 = nn.Conv2d(d, c, 1), nn.Conv2d(c, b, 1)
        self.e2, self.e1 = Block(c, c), Block(b, b)
        self.out = nn.Conv2d(b, 4 * CLASSES, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x1 = self.c1(x)
        x2 = self.c2(x1)
        y = self.up3(self.c3(x2))
        y = self.up2(self.e2(x2 + twice(y)))
        return self.out(self.e1(x1 + twice(y)))


def read_rgb(path: Path) -> np.ndarray:
    with Image.open(path) as im:
        return np.asarray(ImageOps.exif_transpose(im).convert("RGB"))


class Example:
    """One photo at two scales, its classes, and what is needed to build the network's planes for any window."""

    def __init__(self, photos: Path, name: str) -> None:
        self.name = name
        truth = read(photos, name)
        rgb = read_rgb(photos / f"{name}.jpg")
        classes = np.array(Image.open(photos / f"{name}_tissue.png"))
        plants = np.array(Image.open(photos / f"{name}_plants.png"))
        self.lid, self.registration = lid_and_registration(truth)
        h, w = rgb.shape[:2]
        photo = Photo(photos / f"{name}.jpg", "", None, w, h, rgb, 1.0, Quality(0, 0, 0))
        self.outline, lamp = read_plate(photo, self.registration, self.lid)
        true_gains = 1 / np.array(truth["nuisances"]["wb_gain"])
        self.gains = [np.array(lamp.gains), true_gains / (true_gains @ [0.2126, 0.7152, 0.0722])]
        self.px_per_mm = float(self.registration.px_per_mm(self.lid.sites_mm.mean(0)[None])[0])
        small = np.isin(plants, [s["index"] for s in truth["sites"] if 0 < s["plant_px"] < 1500]) & (classes > 0)
        plant = (classes >= 1) & (classes <= 3)
        self.levels = []
        for store in (STORE_PX_PER_MM, STORE_PX_PER_MM / 2):
            scale = min(1.0, store / self.px_per_mm)
            size = (round(w * scale), round(h * scale))
            share = [
                cv2.resize((classes == k).astype(np.float32), size, interpolation=cv2.INTER_AREA)
                for k in range(CLASSES)
            ]
            label = np.argmax(share, axis=0).astype(np.uint8)
            near = cv2.resize(
                cv2.dilate(small.astype(np.uint8), np.ones((7, 7))), size, interpolation=cv2.INTER_NEAREST
            )
            self.levels.append((cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), label, near, size[0] / w))
        ys, xs = np.nonzero(plant[::8, ::8] | (classes[::8, ::8] == 4))
        self.plant_px = np.column_stack([xs, ys]) * 8.0
        ys, xs = np.nonzero((classes[::4, ::4] == 2) | (classes[::4, ::4] == 3))
        self.ill_px = np.column_stack([xs, ys]) * 4.0
        self.sites_px = self.registration.to_px(self.lid.sites_mm)

    def window(self, rng: np.random.Generator, side: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """A random window: planes (PLANES, side, side), classes and weights (side, side)."""
        kind = rng.random()
        h, w = self.registration.size_px
        if kind < 0.30 and len(self.plant_px):
            at = self.plant_px[rng.integers(len(self.plant_px))]
        elif kind < 0.42 and len(self.ill_px):
            at = self.ill_px[rng.integers(len(self.ill_px))]
        elif kind < 0.85:
            at = self.sites_px[rng.integers(len(self.sites_px))]
        else:
            at = rng.uniform([0, 0], [w, h])
        nearness = rng.uniform(0.8, 1.1) if rng.random() < 0.75 else rng.uniform(0.4, 0.8)
        target = min(nearness * PX_PER_MM, 1.15 * self.px_per_mm)
        rgb, label, near, store = self.levels[0 if target > STORE_PX_PER_MM / 2 else 1]
        zoom = target / self.px_per_mm / store
        angle = rng.uniform(0, 2 * np.pi)
        c, s = zoom * np.cos(angle), zoom * np.sin(angle)
        flip = rng.choice([-1, 1])
        turn = np.array([[c, -s * flip], [s, c * flip]])
        centre = np.asarray(at) * store + rng.normal(0, side / 6, 2) / zoom
        matrix = np.column_stack([turn, side / 2 - turn @ centre])

        def warp(a: np.ndarray, how: int) -> np.ndarray:
            return cv2.warpAffine(a, matrix, (side, side), flags=how, borderMode=cv2.BORDER_REFLECT_101)

        picture = relit(warp(rgb, cv2.INTER_LINEAR), self.gains[int(rng.random() < 0.3)], rng)
        yy, xx = np.mgrid[0 : side + 8 : 8, 0 : side + 8 : 8]
        back = np.linalg.inv(turn)
        px = ((np.column_stack([xx.ravel(), yy.ravel()]) - matrix[:, 2]) @ back.T + 0.5) / store - 0.5
        mm = self.registration.to_mm(px) + rng.normal(0, 0.5, 2)
        outline = self.outline
        if outline is not None:
            low, high = outline.min(0) + rng.normal(0, 1.5, 2), outline.max(0) + rng.normal(0, 1.5, 2)
            wrong = rng.random(4) < 0.03
            low, high = low - wrong[:2] * rng.uniform(0, 25, 2), high + wrong[2:] * rng.uniform(0, 25, 2)
            outline = None if rng.random() < 0.05 else np.array([low, high])
        planes = geometry(mm, self.lid, outline).reshape(*xx.shape, 2)
        planes = cv2.warpAffine(planes, np.array([[8.0, 0, 0], [0, 8.0, 0]]), (side, side), flags=cv2.INTER_LINEAR)
        classes = warp(label, cv2.INTER_NEAREST)
        weight = 1 + 3.0 * warp(near, cv2.INTER_NEAREST) + 1.0 * (classes == 2) + 3.0 * (classes == 3)
        return np.concatenate([picture, planes], axis=2).transpose(2, 0, 1), classes, weight.astype(np.float32)


def relit(rgb: np.ndarray, gains: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The window under another lamp, exposure and camera: (side, side, 3) float32 in 0..1."""
    warm, green = rng.normal(0, 0.10), rng.normal(0, 0.035)
    cast = np.exp(np.array([warm - green / 2, green, -warm - green / 2])) * 2 ** rng.normal(0, 0.45)
    linear = to_linear(np.arange(256) / 255)[:, None] * gains * cast
    table = to_srgb(np.clip(linear, 0, 1)).astype(np.float32)
    picture = cv2.LUT(rgb, table[:, None])
    side = len(rgb)
    if rng.random() < 0.4:
        ramp = np.linspace(-1, 1, side)
        slope = rng.normal(0, 0.12, 2)
        picture *= np.exp(slope[0] * ramp[:, None] + slope[1] * ramp[None]).astype(np.float32)[..., None]
    if rng.random() < 0.15:
        spot = np.zeros((side, side), np.float32)
        corners = rng.uniform(0, side, 2) + rng.normal(0, side / 3, (4, 2))
        cv2.fillConvexPoly(spot, cv2.convexHull(corners.astype(np.int32)), 1.0)
        spot = cv2.GaussianBlur(spot, (0, 0), rng.uniform(1, 12))
        picture *= 1 + (rng.uniform(0.6, 1.5) - 1) * spot[..., None]
    grey = cv2.transform(picture, np.full((1, 3), 1 / 3))[..., None]
    picture = grey + (picture - grey) * np.float32(rng.uniform(0.8, 1.2))
    if rng.random() < 0.4:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 1.3))
    noise = rng.standard_normal(picture.shape, np.float32) * np.float32(abs(rng.normal(0, 0.02)))
    if rng.random() < 0.5:
        noise = 1.6 * cv2.GaussianBlur(noise, (0, 0), 0.7)
    return np.clip(picture + noise, 0, 1).astype(np.float32)


def loss_of(
    scores: torch.Tensor, shares: torch.Tensor, weight: torch.Tensor, taught: torch.Tensor | None
) -> torch.Tensor:
    """Weighted cross-entropy, plus one minus the soft intersection over union of plant against the rest.

    ``shares`` (n, 5, h, w) are those of the classes in each cell that is scored; ``taught`` are what the teacher takes
    them for, and then count for half of the cross-entropy.
    """
    scores = F.pixel_shuffle(scores, 2)
    target = shares if taught is None else (shares + taught) / 2
    entropy = (F.cross_entropy(scores, target, reduction="none") * weight).mean()
    p, t = (a[:, 1:4].sum(1) for a in (scores.softmax(1), shares))
    both, either = (p * t).sum((1, 2)), (p + t - p * t).sum((1, 2))
    return entropy + 0.3 * (1 - (both + 12) / (either + 12)).mean()


def fit(
    examples: list[Example],
    channels: tuple[int, int, int, int],
    teacher: Path | None,
    steps: int,
    side: int,
    batch: int,
) -> Network:
    """The running mean of the weights (over about 500 steps) at the end of the fit."""
    torch.manual_seed(1)
    rng = np.random.default_rng(1)
    network = Network(*channels).to(memory_format=torch.channels_last)
    descent = Descent(network, steps, rate=4e-3, decay=1e-4, memory=0.998)
    wide = cv2.dnn.readNetFromONNX(str(teacher)) if teacher else None
    for _ in range(steps):
        chosen = rng.choice(len(examples), batch)
        x, y, w = (np.stack(v) for v in zip(*(examples[i].window(rng, side) for i in chosen), strict=True))
        shares = F.avg_pool2d(F.one_hot(torch.from_numpy(y.astype(np.int64)), CLASSES).permute(0, 3, 1, 2).float(), 2)
        taught = None
        if wide:
            wide.setInput(x)
            taught = F.pixel_shuffle(torch.from_numpy(np.array(wide.forward())), 2).softmax(1)
            taught = F.avg_pool2d(taught, taught.shape[-1] // shares.shape[-1])  # its cells may be smaller
        with torch.autocast("cpu", torch.bfloat16):  # half the time where the processor has it
            scores = network(torch.from_numpy(x).to(memory_format=torch.channels_last))
        loss = loss_of(scores.float(), shares, F.avg_pool2d(torch.from_numpy(w), 2), taught)
        descent.step(loss)
    return descent.fitted()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--without", type=Path)
    parser.add_argument("--channels", type=int, nargs=4, default=(16, 24, 32, 48))
    parser.add_argument("--teacher", type=Path, help="network that was fitted before, as ONNX")
    parser.add_argument("--steps", type=int, default=12000)
    parser.add_argument("--batch", type=int, default=8)
    parser.add_argument("--side", type=int, default=240)
    parser.add_argument("--threads", type=int, default=1)
    a = parser.parse_args()
    torch.set_num_threads(a.threads)
    cv2.setNumThreads(1)
    examples = [Example(a.photos, name) for name in names(a.photos, a.without)]
    print(len(examples), "photos")
    write_onnx(fit(examples, a.channels, a.teacher, a.steps, a.side, a.batch), (PLANES, 64, 96), a.out, any_size=True)


if __name__ == "__main__":
    main()
