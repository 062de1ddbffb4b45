"""Fit what tells a plant that stands in a hole from neighbours' leaves over it: a network and a logistic model.

    python calibration/fit_presence.py PHOTOS --network calibration/crowns.onnx --model calibration/presence.json
        [--without calibration/aside.txt] [--minutes 1.7]

PHOTOS and ``--without`` are as in ``fit_tissue.py``. Empty holes under leaves are rare in photos, so a network first
learns from drawn lids alone (see ``drawn.py``), then from these and photos by halves, thrice, each time without a third
of the grows; the mean of the three is what ships. Places without a plant under leaves are not rare: it learns from any
place in the canopy, and from the canopy of one place laid over another, be a plant there or not. The logistic model is
fitted to what the one of the three says that has not seen the grow. Needs PyTorch and onnx, which sprout itself does
not.
"""

from __future__ import annotations

import argparse
import copy
import json
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from drawn import overgrown
from fitting import Block
from scipy.optimize import minimize
from torch import nn
from truth import folds, grow_of, lid_and_registration, names, read, write_onnx

from sprout import presence
from sprout.attribution import Camera, attribute
from sprout.lid import Lid
from sprout.networks import cells
from sprout.photo import read_photo
from sprout.presence import MM_PER_PX, PLANES, SIDE, Scene, around, inputs, lean_mm, planes, scene_of
from sprout.pyramid import smaller
from sprout.readings import looks_of, sights_of
from sprout.registration import Registration
from sprout.tissue import DRY, GREEN, classify

LEAST_PX, GROWN_CM2 = 40, 4.0
"""Smaller sprouts are not surely seen; smaller plants have no canopy that could be mistaken."""
FOLDS = 3
BATCH, STORE = 64, 4000
DRAWN, FIRST_SCENES, SCENES, NEW_SCENE = 0.5, 40, 400, 0.015
"""Share of drawn lids in what is learned from, how many of them are kept, how often a new one is drawn."""
PRIOR = 1.0
"""Weight of the logistic model's Gaussian prior: chosen from 1 and 3 by the photos left out."""


@dataclass(frozen=True, eq=False)
class Example:
    name: str
    lid: Lid
    scene: Scene
    looks: list
    stands: np.ndarray
    """(n,) 1 where a sprout is surely seen, 0 where none stands, -1 between the two."""
    grown: np.ndarray
    canopy_mm: np.ndarray
    """(m, 2) places with plant."""
    share: float
    """Share of the picture that is plant."""


def example(photos: Path, name: str) -> Example:
    truth = read(photos, name)
    lid, registration = lid_and_registration(truth)
    photo = read_photo(photos / f"{name}.jpg")
    tissue = classify(photo, registration, lid)
    plant = cv2.inRange(tissue.classes, GREEN, DRY)
    looks = looks_of(photo, registration, tissue, lid, attribute(plant, registration, lid))
    sites = truth["sites"]
    up = np.array([s["seedlings_visible"] > 0 and s["tissue_px"] >= LEAST_PX for s in sites])
    stands = np.where(up, 1, np.where([s["plant_px"] == 0 for s in sites], 0, -1))
    grown = up & np.array([s["cover_mm2"] > 100 * GROWN_CM2 for s in sites])
    y, x = np.nonzero(plant[::16, ::16])
    canopy = registration.to_mm(np.column_stack([x, y]) * 16.0) if len(x) else np.empty((0, 2))
    share = float((plant > 0).mean())
    return Example(name, lid, scene_of(tissue.rgb, plant, registration, lid), looks, stands, grown, canopy, share)


Place = tuple[Scene, np.ndarray]


def drawn_places(rng: np.random.Generator) -> tuple[list[list[Place]], list[np.ndarray]]:
    """Holes of a drawn lid that are empty, with plants near, and holes in which plants stand; chances of each.

    The more of a hole is under neighbours' leaves, the more often it is learned from.
    """
    lid = overgrown(rng)
    h, w = lid.plant.shape
    size = (round(w * lid.mm_per_px / MM_PER_PX), round(h * lid.mm_per_px / MM_PER_PX))
    scale = [size[0] / w / lid.mm_per_px, size[1] / h / lid.mm_per_px]
    shift = np.array(scale) * lid.mm_per_px / 2 - 0.5
    homography = np.array([[scale[0], 0, shift[0]], [0, scale[1], shift[1]], [0, 0, 1]])
    registration = Registration(homography, 0.0, size[::-1], 0.0, "truth")
    camera = Camera(lid.foot_mm, lid.height_mm)
    plant = smaller(lid.plant, size)
    scene = Scene(smaller(lid.lab, size), plant, 1.0, registration, camera, lid.hole_mm)
    near = cv2.dilate(plant, np.ones((2 * round(0.5 * lid.hole_mm / MM_PER_PX) + 1,) * 2))
    x, y = np.round(lid.sites_mm @ np.diag(scale) + shift).astype(int).T
    chosen = [np.flatnonzero((lid.stands == 0) & (near[y, x] > 127)), np.flatnonzero(lid.stands == 1)]
    places = [[(scene, at) for at in lid.sites_mm[some]] for some in chosen]
    return places, [(weight := 0.1 + lid.overhung[some]) / max(weight.sum(), 1e-9) for some in chosen]


@dataclass
class Source:
    """Places with and without a plant, and pictures of them."""

    fitted: list[Example]
    plants: list[Place] = field(default_factory=list)
    weights: np.ndarray = field(default_factory=lambda: np.empty(0))
    covered: list[Place] = field(default_factory=list)
    bare: list[Place] = field(default_factory=list)
    share: float = DRAWN
    """Of drawn lids in what is made."""
    drawn: list[tuple[list[list[Place]], list[np.ndarray]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        weights = []
        for e in self.fitted:
            for at, look, stands, grown in zip(e.lid.sites_mm, e.looks, e.stands, e.grown, strict=True):
                if not look.in_frame:
                    continue
                if grown:
                    self.plants.append((e.scene, at))
                    weights.append(4.0 if look.meets else 1.0)
                elif stands == 0:
                    (self.covered if look.covered > 0.01 or look.contact > 0 else self.bare).append((e.scene, at))
        self.weights = np.array(weights) / np.sum(weights)
        self.canopies = [e for e in self.fitted if e.share > 0.03 and (e.stands == 1).any()]
        chance = np.array([min(e.share, 0.3) for e in self.canopies])
        self.chances = chance / chance.sum()

    def plant(self, rng: np.random.Generator) -> Place:
        return self.plants[rng.choice(len(self.plants), p=self.weights)]

    def leaf(self, rng: np.random.Generator) -> Place:
        """A place in the canopy where no plant stands."""
        while True:
            e = self.canopies[rng.choice(len(self.canopies), p=self.chances)]
            place = e.canopy_mm[rng.integers(len(e.canopy_mm))] + rng.normal(0, 6, 2)
            pitch = np.sqrt(e.lid.area_per_site_mm2)
            if 0.42 * pitch < np.linalg.norm(e.lid.sites_mm[e.stands != 0] - place, axis=1).min() < 1.2 * pitch:
                return e.scene, place

    def drawing(self, rng: np.random.Generator) -> tuple[Place, int]:
        """A drawn place, and whether a plant stands there."""
        while True:
            if len(self.drawn) < FIRST_SCENES or rng.random() < NEW_SCENE:
                self.drawn = [*self.drawn, drawn_places(rng)][-SCENES:]
            places, chances = self.drawn[rng.integers(len(self.drawn))]
            stands = int(rng.random() < 0.5)
            if places[stands]:
                return places[stands][rng.choice(len(places[stands]), p=chances[stands])], stands

    def picture(
        self, place: Place, rng: np.random.Generator, zoom: float, lean: float, *, anyhow: bool = False
    ) -> tuple[np.ndarray, np.ndarray]:
        scene, at = place
        a = rng.uniform(0, 2 * np.pi) if anyhow else rng.normal(0, 0.25)
        change = (
            np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]) @ np.diag([1.0, rng.choice([-1, 1])]) * zoom
        )
        return around(scene, at + rng.normal(0, 1.5, 2), lean, change)

    def sample(self, rng: np.random.Generator) -> tuple[np.ndarray, int]:
        """The network's input, and whether a plant stands there."""
        kind, zoom = rng.random(), rng.uniform(0.85, 1.2)
        above: Place | None = None
        if rng.random() < self.share:
            place, stands = self.drawing(rng)
            kind = 0.0
        elif kind < 0.3:
            place, stands = self.plant(rng), 1
        elif kind < 0.4 and self.covered:
            place, stands = self.covered[rng.integers(len(self.covered))], 0
        elif kind < 0.55:
            place, stands = self.leaf(rng), 0
        elif kind < 0.75:
            place, above, stands = self.bare[rng.integers(len(self.bare))], self.leaf(rng), 0
        elif kind < 0.88:
            place, above, stands = self.bare[rng.integers(len(self.bare))], self.plant(rng), 1
        else:
            place, above, stands = self.plant(rng), self.leaf(rng), 1
        leaning = above if above is not None and 0.75 <= kind < 0.88 else place
        lean = lean_mm(*leaning) * zoom * rng.uniform(0.85, 1.15)
        lab, plant = self.picture(place, rng, zoom, lean)
        hole_mm = place[0].hole_mm * zoom
        if above is not None:
            over, cover = self.picture(above, rng, rng.uniform(0.85, 1.2), lean, anyhow=kind < 0.75 or kind >= 0.88)
            if kind >= 0.88:
                # a leaf may hide the crown, but not all of it
                a, far = rng.uniform(0, 2 * np.pi), rng.uniform(6, 22)
                shift = np.array([[1, 0, far * np.cos(a)], [0, 1, far * np.sin(a)]])
                over, cover = (cv2.warpAffine(m, shift, (SIDE, SIDE)) for m in (over, cover))
                middle = planes(lab, plant, hole_mm, lean)[4] < 0
                if (cover[middle] > 127).mean() > 0.6:
                    cover = np.zeros_like(cover)
            if rng.random() < 0.6:
                x, y = rng.normal(0, 3, 2)
                moved = cv2.warpAffine(cover, np.array([[1, 0, x], [0, 1, y]]), (SIDE, SIDE))
                shadow = cv2.GaussianBlur(moved, (0, 0), rng.uniform(1, 4)).astype(np.float32) / 255
                lab[..., 0] = (lab[..., 0] * (1 - rng.uniform(0.1, 0.5) * shadow)).astype(np.uint8)
            share = cover.astype(np.float32)[..., None] / 255
            lab, plant = (lab * (1 - share) + over * share).astype(np.uint8), np.maximum(plant, cover)
        if rng.random() < 0.3:
            lab = cv2.GaussianBlur(lab, (0, 0), rng.uniform(0.4, 1.2))
        x = planes(lab, plant, hole_mm, lean)
        colour = x[:3] * rng.uniform(0.75, 1.25, (3, 1, 1)) + rng.normal(0, 0.15, (3, 1, 1))
        x[:3] = colour + rng.uniform(0, 0.15) * rng.standard_normal(colour.shape, np.float32)
        return x, stands


class Network(nn.Module):
    """Halves cells of 2 x 2 pixels three times; what is in the middle counts apart from what is anywhere."""

    def __init__(self, a: int = 16, b: int = 24, c: int = 36, d: int = 48) -> None:
        super().__init__()
        self.down = nn.Sequential(
            Block(4 * PLANES, a),
            Block(a, b, 2),
            Block(b, b),
            Block(b, c, 2),
            Block(c, c),
            Block(c, d, 2),
            Block(d, d),
        )
        self.mean, self.most = nn.AdaptiveAvgPool2d(1), nn.AdaptiveMaxPool2d(1)
        self.odds = nn.Sequential(nn.Dropout(0.3), nn.Linear(3 * d, 32), nn.ReLU(), nn.Linear(32, 1))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = self.down(x)
        pooled = [self.mean(y), self.most(y), self.mean(y[:, :, 1:4, 1:4])]
        return self.odds(torch.cat(pooled, 1).flatten(1))


def train(source: Source, seconds: float, seed: int, begun: Network | None = None) -> Network:
    """Train a network, or train one further at half the pace."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    network = (copy.deepcopy(begun) if begun else Network()).to(memory_format=torch.channels_last).train()
    pace = 1.5e-3 if begun else 3e-3
    optimiser = torch.optim.AdamW(network.parameters(), pace, weight_decay=0.02)
    store: list[tuple[np.ndarray, int]] = []
    start, step, right = time.process_time(), 0, 0.0
    while (spent := (time.process_time() - start) / seconds) < 1:
        for group in optimiser.param_groups:
            group["lr"] = 1e-5 + pace * min(1, 0.03 + step / 60) * (0.5 + 0.5 * np.cos(np.pi * spent))
        new = [source.sample(rng) for _ in range(BATCH // 6)]
        store = (store + new)[-STORE:]
        batch = new + [store[j] for j in rng.integers(0, len(store), BATCH - len(new))]
        x = torch.tensor(np.stack([b[0] for b in batch]))
        stands = torch.tensor([float(b[1]) for b in batch])
        if rng.random() < 0.5:
            x = x.flip(-2)
        with torch.autocast("cpu", torch.bfloat16):
            odds = network(F.pixel_unshuffle(x, 2).contiguous(memory_format=torch.channels_last))
        odds = odds.float()[:, 0]
        loss = F.binary_cross_entropy_with_logits(odds, 0.02 + 0.96 * stands)
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        step += 1
        right = 0.98 * right + 0.02 * float(((odds > 0) == (stands > 0.5)).float().mean())
        if step % 200 == 0:
            print(f"  step {step}, {time.process_time() - start:.0f} s: right {right:.3f}", flush=True)
    return network.eval()


def mean_of(networks: list[Network]) -> Network:
    """One network with the mean weights of several that began as one (Wortsman et al. 2022, Proc. ICML 162)."""
    states = [network.state_dict() for network in networks]
    mean = Network()
    mean.load_state_dict({name: torch.stack([s[name].float() for s in states]).mean(0) for name in states[0]})
    return mean.eval()


def crowns(network: Network, e: Example) -> list[float | None]:
    """As ``sprout.presence.crowns`` gives them, None where there is no tissue."""
    found: list[float | None] = []
    with torch.no_grad():
        for at, look in zip(e.lid.sites_mm, e.looks, strict=True):
            sought = look.meets or look.living_mm2 > 50
            found.append(float(network(torch.tensor(cells(inputs(e.scene, at)))[None])) if sought else None)
    return found


def fit(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre and scale of the features, and weights (features + 1,)."""
    centre, scale = x.mean(0), x.std(0) + 1e-6
    z = np.column_stack([np.clip((x - centre) / scale, -4, 4), np.ones(len(x))])

    def cost(w: np.ndarray) -> float:
        return float(np.logaddexp(0, -(2 * y - 1) * (z @ w)).sum() + PRIOR * (w[:-1] ** 2).sum())

    return centre, scale, minimize(cost, np.zeros(z.shape[1])).x


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--network", type=Path, required=True)
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--without", type=Path)
    parser.add_argument("--minutes", type=float, default=1.7, help="of CPU for drawn lids; a fifth more for the rest")
    a = parser.parse_args()
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    some = [example(a.photos, name) for name in names(a.photos, a.without)]
    meeting = Counter()
    for e in some:
        meeting[grow_of(e.name)] += sum(look.meets for look in e.looks)
    fold = folds(meeting, FOLDS)
    first = Source(some, share=1.0)
    begun = train(first, 60 * a.minutes, FOLDS)
    x, y, grow, networks = [], [], [], []
    for k in range(FOLDS):
        source = Source([e for e in some if fold[grow_of(e.name)] != k], drawn=first.drawn)
        network = train(source, 24 * a.minutes, k, begun)
        networks.append(network)
        for e in some:
            if fold[grow_of(e.name)] != k:
                continue
            seen = presence.against_lid(sights_of(e.looks, crowns(network, e)))
            for features, look, stands in zip(seen, e.looks, e.stands, strict=True):
                if features and look.meets and look.in_frame and stands >= 0:
                    x.append([features[f] for f in presence.FEATURES])
                    y.append(stands)
                    grow.append(grow_of(e.name))
    features, stands, group = np.array(x), np.array(y), np.array(grow)
    print(f"{len(y)} sites where plants meet, {int((stands == 0).sum())} of them empty")
    p = np.empty(len(stands))
    for one in np.unique(group):
        rest = group != one
        model = presence.Model(presence.FEATURES, *split(*fit(features[rest], stands[rest])))
        odds = [model.log_odds(dict(zip(presence.FEATURES, row, strict=True))) for row in features[~rest]]
        p[~rest] = 1 / (1 + np.exp(-np.array(odds)))
    invented, lost = int(((p > 0.5) & (stands == 0)).sum()), int(((p < 0.5) & (stands == 1)).sum())
    loss = -np.log(np.where(stands == 1, p, 1 - p)).mean()
    print(f"left out: {invented} empty taken for sprouted, {lost} sprouted for empty; log loss {loss:.3f}")
    centre, scale, weights, offset = split(*fit(features, stands))
    model_file = {
        "features": presence.FEATURES,
        "centre": centre.round(4).tolist(),
        "scale": scale.round(4).tolist(),
        "weights": weights.round(4).tolist(),
        "offset": round(offset, 4),
    }
    a.model.write_text(json.dumps(model_file) + "\n", encoding="utf-8")
    write_onnx(mean_of(networks), (4 * PLANES, SIDE // 2, SIDE // 2), a.network)


def split(centre: np.ndarray, scale: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    return centre, scale, w[:-1], float(w[-1])


if __name__ == "__main__":
    main()
