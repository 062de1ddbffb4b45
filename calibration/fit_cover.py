"""Fit the network of ``sprout cover``, which sees what is plant without being green, and write it as an ONNX file.

    python calibration/fit_cover.py --out calibration/cover.onnx [--steps 6000] [--makers 2]

It learns from drawn photos alone (see ``drawn_ground.py``), so photos with masks are left to measure it by. Needs
PyTorch and onnx, which sprout itself does not.
"""

from __future__ import annotations

import argparse
import warnings
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from drawn_ground import SIDE, drawn_ground
from fitting import Block, Descent, twice
from torch import nn
from truth import write_onnx

from sprout.cover import PLANES, planes
from sprout.light import lab

BATCH, NEW, STORE = 12, 3, 2500
"""So many of each batch are made anew, the rest comes from a store of what was made before."""
REACH_PX = (27, 45)
"""The side of the surroundings, as in photos of the working size and others."""

Made = tuple[np.ndarray, np.ndarray]
"""Planes (PLANES, SIDE, SIDE) as float16, and where plant is."""


def made(seed: int) -> Made:
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")  # of colours that no screen can show
    rng = np.random.default_rng([1, seed])
    rgb, plant = drawn_ground(rng)
    reach = 2 * int(rng.integers(*REACH_PX) // 2) + 1
    return planes(rgb, -lab(rgb)[..., 1], reach).astype(np.float16), plant


class Network(nn.Module):
    """Halves cells of 2 x 2 pixels three times and goes back to one score for each pixel of a cell."""

    def __init__(self, a: int = 20, b: int = 32, c: int = 48, d: int = 64) -> None:
        super().__init__()
        self.c1 = nn.Sequential(Block(4 * PLANES, a), Block(a, a))
        self.c2 = nn.Sequential(Block(a, b, 2), Block(b, b))
        self.c3 = nn.Sequential(Block(b, c, 2), Block(c, c))
        self.c4 = nn.Sequential(Block(c, d, 2), Block(d, d), Block(d, d))
        self.u3, self.e3 = nn.Conv2d(d, c, 1), Block(c, c)
        self.u2, self.e2 = nn.Conv2d(c, b, 1), Block(b, b)
        self.u1, self.e1 = nn.Conv2d(b, a, 1), Block(a, a)
        self.out = nn.Conv2d(a, 4, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x1 = self.c1(x)
        x2 = self.c2(x1)
        x3 = self.c3(x2)
        y = self.e3(x3 + twice(self.u3(self.c4(x3))))
        y = self.e2(x2 + twice(self.u2(y)))
        return self.out(self.e1(x1 + twice(self.u1(y))))


def loss_of(scores: torch.Tensor, plant: torch.Tensor) -> torch.Tensor:
    """Cross-entropy, and one minus the intersection over union."""
    p = scores.sigmoid()
    both = (p * plant).sum()
    return 3 * F.binary_cross_entropy_with_logits(scores, plant) + 1 - both / (p.sum() + plant.sum() - both)


def fit(steps: int, makers: int) -> Network:
    """The running mean of the weights (over about 250 steps) at the end of the fit."""
    torch.manual_seed(1)
    rng = np.random.default_rng(1)
    network = Network().to(memory_format=torch.channels_last)
    descent = Descent(network, steps, rate=3e-3, decay=0.02, memory=0.996)
    with Pool(makers) as pool:
        coming = pool.imap(made, range(BATCH + NEW * steps), chunksize=8)
        store: list[Made] = [next(coming) for _ in range(BATCH)]
        for _ in range(steps):
            new = [next(coming) for _ in range(NEW)]
            store = (store + new)[-STORE:]
            batch = new + [store[j] for j in rng.integers(0, len(store), BATCH - NEW)]
            x, plant = (torch.from_numpy(np.stack(v).astype(np.float32)) for v in zip(*batch, strict=True))
            quarter, flip = int(rng.integers(4)), [-1] if rng.random() < 0.5 else []
            x, plant = (torch.rot90(t, quarter, (-2, -1)).flip(flip) for t in (x, plant))
            x[:, :3] *= torch.from_numpy(np.exp(rng.normal(0, 0.12, (BATCH, 1, 1, 1))).astype(np.float32))
            cells = F.pixel_unshuffle(x, 2).contiguous(memory_format=torch.channels_last)
            with torch.autocast("cpu", torch.bfloat16):  # half the time where the processor has it
                scores = network(cells)
            loss = loss_of(F.pixel_shuffle(scores.float(), 2)[:, 0], plant)
            descent.step(loss)
    return descent.fitted()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--makers", type=int, default=2, help="processes that draw")
    a = parser.parse_args()
    torch.set_num_threads(1)
    write_onnx(fit(a.steps, a.makers), (4 * PLANES, SIDE // 2, SIDE // 2), a.out, any_size=True)


if __name__ == "__main__":
    main()
