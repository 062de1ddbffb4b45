"""Fit the model that counts seedlings from a site's outline and from what the leaves' network says; write it as JSON.

    python calibration/fit_counting.py PHOTOS --leaves SCORES.csv --out calibration/counting.json
        [--without calibration/aside.txt]

PHOTOS and ``--without`` are as in ``fit_tissue.py``, SCORES.csv comes from ``fit_leaves.py``. The outlines come from
the package's own class maps, so run it again when the tissue network changes. A multinomial logistic model with a
Gaussian prior that shrinks the weights and makes neighbouring numbers alike; one factor says how far the network is
trusted. It prints how well grows left out in turn are counted, and how often ranges hold by how much they must hold.
"""

from __future__ import annotations

import argparse
import csv
import json
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from truth import grow_of, lid_and_registration, names, read

from sprout import counting
from sprout.counts import narrowest
from sprout.photo import read_photo
from sprout.readings import living_of, shapes_of, whose
from sprout.tissue import classify

PRIOR = 20.0
"""Weight of the prior: from 3 to 80 the photos left out are told ever better, beyond 20 fewer exactly."""
LEAST_PX, MOST_CM2 = 40, 7.0
"""Sites with less tissue are not surely seen; with more, seedlings can no longer be told apart."""
RARER = np.array([0, 0, -0.5, -2, -3, -4.0])
"""Where the features say nothing, many seedlings are rarer than few: growers sow two or three (common practice)."""
MASSES = (0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9)
RANGE_MASS, CROWDED_MASS = 0.54, 0.7
"""What a 90 % range must hold of the posterior: for plants up to 10 cm2 so that it holds in nine sites of ten set aside
(grows left out would say 0.7, but the networks that scored them had learned from a third fewer sites), for larger ones,
which nothing was fitted to, in nine of ten of all photos."""


Example = tuple[dict[str, float], np.ndarray, int]
"""Features, the network's log-probabilities, and the true number of a site's seedlings."""


def examples(photos: Path, name: str, leaves: dict[tuple[str, str], np.ndarray]) -> list[Example]:
    """Each countable site of a photo."""
    truth = read(photos, name)
    lid, registration = lid_and_registration(truth)
    photo = read_photo(photos / f"{name}.jpg")
    tissue = classify(photo, registration, lid)
    shapes = shapes_of(registration, living_of(tissue, whose(photo, registration, tissue, lid)))
    return [
        (seen, leaves[name, site["label"]], min(site["seedlings_visible"], counting.MOST))
        for seen, site in zip(shapes, truth["sites"], strict=True)
        if seen
        and (name, site["label"]) in leaves
        and site["tissue_px"] >= LEAST_PX
        and site["cover_mm2"] <= 100 * MOST_CM2
    ]


def fit(x: np.ndarray, leaves: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Centre and scale of the features, their weights (MOST, features + 1), and the network's."""
    centre, scale = x.mean(0), x.std(0) + 1e-6
    z = np.column_stack([np.clip((x - centre) / scale, -4, 4), np.ones(len(x))])
    true = np.eye(counting.MOST)[y - 1]
    bend = np.diff(np.eye(counting.MOST), n=2, axis=0)
    roughness = bend.T @ bend
    share = np.append(np.ones(x.shape[1]), 0.3)

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = flat[:-1].reshape(counting.MOST, -1)
        score = z @ w.T + RARER + flat[-1] * leaves
        score -= score.max(1, keepdims=True)
        p = np.exp(score) / np.exp(score).sum(1, keepdims=True)
        slopes = w.copy()
        slopes[:, -1] = 0
        prior = (share * w**2).sum() + 2 * (slopes * (roughness @ slopes)).sum()
        gradient = (p - true).T @ z + PRIOR * (2 * share * w + 4 * roughness @ slopes)
        trust = ((p - true) * leaves).sum()
        return float(-np.log((p * true).sum(1)).sum() + PRIOR * prior), np.append(gradient.ravel(), trust)

    start = np.zeros(counting.MOST * z.shape[1] + 1)
    found = minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 1000}).x
    w = found[:-1].reshape(counting.MOST, -1)
    w[:, -1] += RARER
    return centre, scale, w, float(found[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--leaves", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--without", type=Path)
    a = parser.parse_args()
    with a.leaves.open(newline="") as f:
        rows = list(csv.reader(f))[1:]
    leaves = {(photo, site): np.array(scores, float) for photo, site, *scores in rows}
    found = {name: examples(a.photos, name, leaves) for name in names(a.photos, a.without)}
    group = np.array([grow_of(name) for name, some in found.items() for _ in some])
    every = [one for some in found.values() for one in some]
    features = np.array([[seen[f] for f in counting.FEATURES] for seen, _, _ in every])
    scores = np.array([s for _, s, _ in every])
    number = np.array([n for _, _, n in every])
    left_out = []
    for one in np.unique(group):
        rest = group != one
        model = counting.Model(counting.FEATURES, *fit(features[rest], scores[rest], number[rest]), 0.9, 0.9)
        left_out += [(model.posterior(every[i][0], every[i][1]), every[i][2]) for i in np.flatnonzero(~rest)]
    error = np.array([p.argmax() + 1 - n for p, n in left_out])
    print(f"{len(error)} sites, left out: exact {np.mean(error == 0):.3f}, within one {np.mean(abs(error) <= 1):.3f}")
    for mass in MASSES:
        ends = [(narrowest(p, mass), n) for p, n in left_out]
        print(f"mass {mass}: ranges hold {np.mean([low <= n - 1 <= high for (low, high), n in ends]):.3f}")
    centre, scale, weights, trust = fit(features, scores, number)
    model_file = {
        "features": counting.FEATURES,
        "centre": centre.round(4).tolist(),
        "scale": scale.round(4).tolist(),
        "weights": weights.round(4).tolist(),
        "leaves_weight": round(trust, 4),
        "range_mass": RANGE_MASS,
        "crowded_mass": CROWDED_MASS,
    }
    a.out.write_text(json.dumps(model_file) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
