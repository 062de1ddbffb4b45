"""Fit the network that tells from a site's leaves how many seedlings they belong to, and write it as an ONNX file.

    python calibration/fit_leaves.py PHOTOS --out calibration/leaves.onnx --left-out SCORES.csv
        [--without calibration/aside.txt] [--steps 12000]

PHOTOS and ``--without`` are as in ``fit_tissue.py``. Few photos with known numbers go far: sites with one seedling are
cut out, turned, scaled and laid over each other, so that any number of seedlings can be made, and where each of them is
and where one ends and the next begins is known and learned too. Half of what the network learns from is drawn (see
``drawn.py``): more shapes than were photographed. SCORES.csv gets the scores of each site by a network that was fitted
without its grow, for ``fit_counting.py``. Needs PyTorch and onnx, which sprout itself does not.
"""

from __future__ import annotations

import argparse
import copy
import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from drawn import drawn_site
from fitting import Block, twice
from PIL import Image
from torch import nn
from truth import folds, grow_of, lid_and_registration, names, read, write_onnx

from sprout.counting import MOST
from sprout.leaves import PLANES, SIDE, Cutout, as_shown, framed, planes, shown
from sprout.networks import cells
from sprout.photo import read_photo
from sprout.readings import cutouts_of, living_of, whose
from sprout.tissue import classify

CELLS = SIDE // 4
"""Side of the grid on which seedlings and their borders are marked."""
LEAST_PX, MOST_CM2 = 30, 8.0
FOLDS = 3
BATCH, NEW, STORE = 64, 12, 6000
"""So many of each batch are made anew, the rest comes from a store of what was made before."""
REAL, DRAWN, SITES = 0.15, 0.5, 2500
"""Share of real sites and of drawn ones in what is made, the rest being pasted; how many drawn sites are kept."""
SHARES = (0.2, 0.3, 0.28, 0.13, 0.06, 0.03)
"""How often composites of 1 to 6 seedlings are made."""


@dataclass(frozen=True, eq=False)
class Example:
    photo: str
    site: str
    number: int
    habit: str
    area_cm2: float
    hole_mm: float
    alone: bool
    """One seedling, seen as a whole and with nothing of a neighbour: fit to be pasted."""
    levels: tuple[Cutout, ...]
    """The cutout at full, half and quarter size."""
    middle: np.ndarray


def half(c: Cutout) -> Cutout:
    size = (max(1, c.mask.shape[1] // 2), max(1, c.mask.shape[0] // 2))
    scale = np.array([c.mask.shape[1] / size[0], c.mask.shape[0] / size[1]])
    mask, lab = (cv2.resize(a, size, interpolation=cv2.INTER_AREA) for a in (c.mask, c.lab))
    turn = c.to_mm[:, :2]
    return Cutout(mask, lab, np.column_stack([turn * scale, turn @ (scale / 2 - 0.5) + c.to_mm[:, 2]]))


def example(
    photo: str, site: str, number: int, habit: str, area_cm2: float, hole_mm: float, alone: bool, cutout: Cutout
) -> Example:
    y, x = np.nonzero(cutout.mask > 127)
    middle = cutout.to_mm[:, :2] @ [x.mean(), y.mean()] + cutout.to_mm[:, 2]
    levels = (cutout, half(cutout), half(half(cutout)))
    return Example(photo, site, number, habit, area_cm2, hole_mm, alone, levels, middle)


def examples(photos: Path, name: str) -> list[Example]:
    truth = read(photos, name)
    lid, registration = lid_and_registration(truth)
    photo = read_photo(photos / f"{name}.jpg")
    tissue = classify(photo, registration, lid)
    owners = whose(photo, registration, tissue, lid)
    plants = np.array(Image.open(photos / f"{name}_plants.png"))
    plants = cv2.resize(plants, owners.sites.shape[::-1], interpolation=cv2.INTER_NEAREST)
    found = []
    cutouts = cutouts_of(registration, tissue.rgb, living_of(tissue, owners), lid)
    for k, (site, cutout) in enumerate(zip(truth["sites"], cutouts, strict=True)):
        number = site["seedlings_visible"]
        if cutout is None or not number or site["tissue_px"] < LEAST_PX or site["cover_mm2"] > 100 * MOST_CM2:
            continue
        own, true = owners.sites == k + 1, plants == site["index"]
        agree = (own & true).sum() / (own | true).sum()
        if (cutout.mask > 127).sum() < 3:
            continue
        habit, area = site["seedlings"][0]["habit"], site["cover_mm2"] / 100
        alone = number == 1 and agree > 0.75
        found.append(example(name, site["label"], min(number, MOST), habit, area, lid.hole_mm, alone, cutout))
    return found


def turn(rng: np.random.Generator, scale: float) -> np.ndarray:
    """Any turn, mirrored or not, and a little longer one way than the other."""
    first, second = (np.array([[np.cos(v), -np.sin(v)], [np.sin(v), np.cos(v)]]) for v in rng.uniform(0, 2 * np.pi, 2))
    stretch = np.exp(rng.normal(0, 0.13))
    return scale * first @ np.diag([rng.choice([-1, 1]) * stretch, 1 / stretch]) @ second


Layer = tuple[Example, np.ndarray, np.ndarray]
"""An example, and the turn (2, 2) and shift (2,) in mm under which it is laid down."""
Made = tuple[np.ndarray, np.ndarray, np.ndarray, int, bool]
"""Planes; density of seedlings and borders between them, (CELLS, CELLS); number - 1; are those two known."""


def cast_shadow(lab: np.ndarray, mask: np.ndarray, rng: np.random.Generator) -> None:
    x, y = rng.normal(0, 3, 2)
    moved = cv2.warpAffine(mask, np.array([[1, 0, x], [0, 1, y]]), (SIDE, SIDE))
    shadow = cv2.GaussianBlur(moved, (0, 0), rng.uniform(0.7, 2.5)).astype(np.float32) / 255
    lab[..., 0] = (lab[..., 0] * (1 - rng.uniform(0.1, 0.5) * shadow)).astype(np.uint8)


def bent(made: Made, rng: np.random.Generator) -> Made:
    """The same, as on a rubber sheet that was pulled here and there."""
    x, density, border, number, known = made
    knots = int(rng.integers(4, 9))
    pull = rng.normal(0, rng.uniform(0, 2.5), (2, knots, knots)).astype(np.float32)
    gy, gx = np.mgrid[:SIDE, :SIDE].astype(np.float32)
    to_x, to_y = (
        g + cv2.resize(p, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC) for g, p in zip((gx, gy), pull, strict=True)
    )
    x = np.stack([*(cv2.remap(plane, to_x, to_y, cv2.INTER_LINEAR) for plane in x[:-1]), x[-1]])
    cell_x, cell_y = (
        (cv2.resize(m, (CELLS, CELLS), interpolation=cv2.INTER_AREA) + 0.5) * CELLS / SIDE - 0.5 for m in (to_x, to_y)
    )
    moved = cv2.remap(density, cell_x, cell_y, cv2.INTER_LINEAR)
    moved *= density.sum() / max(float(moved.sum()), 1e-3)
    border = (cv2.remap(border, cell_x, cell_y, cv2.INTER_LINEAR) > 0.5).astype(np.float32)
    return x, moved, border, number, known


def compose(layers: list[Layer], rng: np.random.Generator) -> Made | None:
    """Lay seedlings over each other, the last on top; None if one is wholly covered."""
    hull = np.concatenate([e.levels[0].hull_mm() @ a.T + t for e, a, t in layers])
    frame = framed(hull, turn(rng, 1.0), rng.uniform(0.85, 1.0))
    scale = float(np.sqrt(abs(np.linalg.det(frame[:, :2]))))
    mask, which = np.zeros((SIDE, SIDE), np.uint8), np.zeros((SIDE, SIDE), np.int16)
    lab = np.zeros((SIDE, SIDE, 3), np.uint8)
    middles = []
    for j, (e, a, t) in enumerate(layers):
        placed = np.column_stack([frame[:, :2] @ a, frame[:, :2] @ t + frame[:, 2]])
        zoom = scale * np.sqrt(abs(np.linalg.det(a) * np.linalg.det(e.levels[0].to_mm[:, :2])))
        one, look = shown(e.levels[0 if zoom > 0.7 else 1 if zoom > 0.35 else 2], placed)
        if j == 0:
            lab = look
        else:
            look[..., 0] = np.clip(look[..., 0] * rng.normal(1, 0.07), 0, 255).astype(np.uint8)
            if rng.random() < 0.5:
                cast_shadow(lab, one, rng)
            cover = one.astype(np.float32)[..., None] / 255
            lab = (lab * (1 - cover) + look * cover).astype(np.uint8)
        mask = np.maximum(mask, one)
        which[one > 127] = j + 1
        middles.append(placed[:, :2] @ e.middle + placed[:, 2])
    if len(layers) > 1 and (np.bincount(which.ravel(), minlength=len(layers) + 1)[1:] < 3 * scale**2).any():
        return None
    kind = rng.random()
    worn = (
        cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3)))
        if kind < 0.15
        else cv2.dilate(mask, np.ones((2, 2)))
        if kind < 0.25
        else cv2.erode(mask, np.ones((2, 2)))
        if kind < 0.35
        else mask
    )
    mask = worn if (worn > 127).sum() > 10 else mask
    if rng.random() < 0.4:
        lab = cv2.GaussianBlur(lab, (0, 0), rng.uniform(0.4, 1.3))
    x = planes(mask, lab, scale)
    near = x[0] > 0
    x[1:4] = x[1:4] * rng.uniform(0.7, 1.25, (3, 1, 1)) + rng.normal(0, rng.uniform(0, 0.25), (3, SIDE, SIDE)) * near
    density, border = np.zeros((CELLS, CELLS), np.float32), np.zeros((CELLS, CELLS), np.float32)
    known = all(e.number == 1 for e, _, _ in layers)
    if known:
        gy, gx = np.mgrid[:CELLS, :CELLS]
        for middle in middles:
            u, v = np.clip((middle + 0.5) * CELLS / SIDE - 0.5, 0, CELLS - 1)
            spot = np.exp(-((gx - u) ** 2 + (gy - v) ** 2) / 2 / 1.2**2)
            density += (spot / spot.sum()).astype(np.float32)
        high = cv2.dilate(which, np.ones((3, 3)))
        low = cv2.erode(np.where(which == 0, 99, which).astype(np.int16), np.ones((3, 3)))
        meet = ((high != low) & (which > 0)).astype(np.float32)
        border = (cv2.resize(meet, (CELLS, CELLS), interpolation=cv2.INTER_AREA) > 0.06).astype(np.float32)
    made = x, density, border, sum(e.number for e, _, _ in layers) - 1, known
    return bent(made, rng) if rng.random() < 0.7 else made


class Source:
    """Makes what the network learns from: real sites, seedlings of one photo or of alike plants laid together, and
    drawn ones."""

    def __init__(self, fitted: list[Example]) -> None:
        self.ones = [e for e in fitted if e.alone]
        self.photos = sorted({e.photo for e in self.ones})
        self.of = {p: [e for e in self.ones if e.photo == p] for p in self.photos}
        self.numbered = {k: [e for e in fitted if e.number == k] for k in range(1, MOST + 1)}
        self.sites: list[list[Example]] = []

    def real(self, rng: np.random.Generator) -> list[Layer]:
        k = int(rng.choice([1, 2, 3, 4], p=[0.35, 0.35, 0.25, 0.05]))
        pool = self.numbered[k] or self.numbered[2]
        e = pool[rng.integers(len(pool))]
        return [(e, np.eye(2) + rng.normal(0, 0.06, (2, 2)), np.zeros(2))]

    def made(self, rng: np.random.Generator) -> list[Layer]:
        own = self.of[self.photos[rng.integers(len(self.photos))]]
        first = own[rng.integers(len(own))]
        layers = []
        for j in range(int(rng.choice(MOST, p=SHARES)) + 1):
            pool = own if rng.random() < 0.6 else self.ones
            e = first if j == 0 else pool[rng.integers(len(pool))]
            ratio = e.area_cm2 / max(first.area_cm2, 0.01)
            if not 0.25 < ratio < 4 or (e.habit != first.habit and e.photo != first.photo and rng.random() < 0.8):
                e, ratio = own[rng.integers(len(own))], 1.0
            a = turn(rng, rng.uniform(0.8, 1.2) * (1.0 if e.photo == first.photo else ratio**-0.25))
            layers.append((e, a, rng.normal(0, 0.08 * e.hole_mm, 2)))
        return [layers[j] for j in rng.permutation(len(layers))]

    def drawn(self, rng: np.random.Generator) -> list[Layer]:
        if len(self.sites) < SITES or rng.random() < 0.15:
            habit, cutouts = drawn_site(rng, int(rng.choice(MOST, p=SHARES)) + 1)
            if len(self.sites) == SITES:
                self.sites.pop(int(rng.integers(SITES)))
            self.sites.append([example("drawn", "", 1, habit, 0.0, 0.0, True, c) for c in cutouts])
        site = self.sites[rng.integers(len(self.sites))]
        a = turn(rng, rng.uniform(0.8, 1.2))
        return [(site[j], a, rng.normal(0, 0.3, 2)) for j in rng.permutation(len(site))]

    def sample(self, rng: np.random.Generator) -> Made:
        while True:
            kind = rng.random()
            layers = self.real if kind < REAL else self.drawn if kind < REAL + DRAWN else self.made
            made = compose(layers(rng), rng)
            if made is not None:
                return made


class Network(nn.Module):
    """Halves cells of 2 x 2 pixels three times and goes back to a quarter of the picture's side, where seedlings and
    borders are marked."""

    def __init__(self, a: int = 16, b: int = 24, c: int = 40, d: int = 56) -> None:
        super().__init__()
        self.c1 = nn.Sequential(Block(4 * PLANES, a), Block(a, b, 2), Block(b, b), Block(b, b))
        self.c2 = nn.Sequential(Block(b, c, 2), Block(c, c), Block(c, c))
        self.c3 = nn.Sequential(Block(c, d, 2), Block(d, d), Block(d, d))
        self.u3, self.e2 = nn.Conv2d(d, c, 1), Block(c, c)
        self.u2, self.e1, self.marks = nn.Conv2d(c, b, 1), Block(b, b), nn.Conv2d(b, 2, 1)
        self.mean, self.most = nn.AdaptiveAvgPool2d(1), nn.AdaptiveMaxPool2d(1)
        self.number = nn.Sequential(
            nn.Dropout(0.2),
            nn.Linear(2 * (d + b) + 2 + 4 * PLANES, 48),
            nn.ReLU(),
            nn.Dropout(0.2),
            nn.Linear(48, MOST),
        )

    def both(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        x1 = self.c1(x)
        x2 = self.c2(x1)
        x3 = self.c3(x2)
        y = self.e1(x1 + twice(self.u2(self.e2(x2 + twice(self.u3(x3))))))
        marks = self.marks(y)
        pooled = [self.mean(x3), self.most(x3), self.mean(y), self.most(y), self.mean(marks), self.mean(x)]
        return self.number(torch.cat(pooled, 1).flatten(1)), marks

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        return self.both(x)[0]


def follow(mean: Network, network: Network, step: int) -> None:
    """Move the running mean of the weights, which is what is used, towards the network's."""
    share = max(0.002, 1 / (step / 4 + 1))
    with torch.no_grad():
        for old, new in zip(mean.state_dict().values(), network.state_dict().values(), strict=True):
            if old.dtype.is_floating_point:
                old.lerp_(new, share)
            else:
                old.copy_(new)


def train(source: Source, steps: int, seed: int) -> Network:
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = Network().to(memory_format=torch.channels_last).train()
    mean = copy.deepcopy(network)
    optimiser = torch.optim.AdamW(network.parameters(), 2e-3, weight_decay=0.02)
    store: list[Made] = []
    right = 0.0
    for step in range(steps):
        for group in optimiser.param_groups:
            group["lr"] = 2e-3 * min(1, 0.02 + step / 100) * (1 - 0.95 * step / steps)
        new = [source.sample(rng) for _ in range(NEW)]
        store = (store + new)[-STORE:]
        batch = new + [store[j] for j in rng.integers(0, len(store), BATCH - len(new))]
        x, density, border = (torch.tensor(np.stack([m[i] for m in batch])) for i in range(3))
        number = torch.tensor([m[3] for m in batch])
        known = torch.tensor([float(m[4]) for m in batch])
        quarter, flip = int(rng.integers(4)), rng.random() < 0.5
        x, density, border = (torch.rot90(t, quarter, (-2, -1)) for t in (x, density, border))
        if flip:
            x, density, border = (t.flip(-1) for t in (x, density, border))
        with torch.autocast("cpu", torch.bfloat16):
            score, marks = network.both(F.pixel_unshuffle(x, 2).contiguous(memory_format=torch.channels_last))
        score, marks = score.float(), marks.float()
        spots = ((marks[:, 0] - 10 * density) ** 2).mean((1, 2))
        edges = F.binary_cross_entropy_with_logits(
            marks[:, 1], border, reduction="none", pos_weight=torch.tensor(3.0)
        ).mean((1, 2))
        loss = (
            F.cross_entropy(score, number, label_smoothing=0.02) + ((spots + 0.7 * edges) * known).sum() / known.sum()
        )
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        follow(mean, network, step)
        right = 0.98 * right + 0.02 * float((score.argmax(1) == number).float().mean())
        if step % 250 == 249:
            print(f"  step {step + 1}: loss {loss.item():.3f}, right {right:.3f}", flush=True)
    return mean.eval()


def scores(network: Network, some: list[Example]) -> np.ndarray:
    """(n, MOST) log-probabilities, as ``sprout.leaves.scores`` gives them."""
    with torch.no_grad():
        return np.stack(
            [torch.log_softmax(network(torch.tensor(cells(as_shown(e.levels[0])))[None]), 1)[0].numpy() for e in some]
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--left-out", type=Path, required=True)
    parser.add_argument("--without", type=Path)
    parser.add_argument("--steps", type=int, default=12000, help="of the final fit; three others get half")
    a = parser.parse_args()
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    some = [e for name in names(a.photos, a.without) for e in examples(a.photos, name)]
    fold = folds(Counter(grow_of(e.photo) for e in some), FOLDS)
    print(f"{len(some)} sites, {sum(e.alone for e in some)} single seedlings")
    with a.left_out.open("w", newline="") as f:
        out = csv.writer(f)
        out.writerow(["photo", "site", *range(1, MOST + 1)])
        for k in range(FOLDS):
            rest = [e for e in some if fold[grow_of(e.photo)] != k]
            left = [e for e in some if fold[grow_of(e.photo)] == k]
            got = scores(train(Source(rest), a.steps // 2, k), left)
            right = np.mean(got.argmax(1) + 1 == [e.number for e in left])
            print(f"fold {k}: {len(left)} sites left out, right {right:.3f}", flush=True)
            out.writerows([e.photo, e.site, *np.round(row, 4)] for e, row in zip(left, got, strict=True))
            f.flush()
    write_onnx(train(Source(some), a.steps, FOLDS), (4 * PLANES, SIDE // 2, SIDE // 2), a.out)


if __name__ == "__main__":
    main()
