"""Fit the model that counts seedlings from the shape of a site's tissue, and write it as JSON.

    python calibration/fit_counting.py PHOTOS --out calibration/counting.json [--without calibration/aside.txt]

PHOTOS and ``--without`` are as in ``fit_tissue.py``. The shapes come from the package's own class maps, so run it again
when the tissue network changes. A multinomial logistic model with a Gaussian prior that shrinks the weights and makes
neighbouring numbers alike; how far a 90 % range must reach is set on photos left out in turn, a whole grow at a time.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from truth import lid_and_registration, names, read

from sprout import counting
from sprout.attribution import attribute
from sprout.photo import read_photo
from sprout.readings import shape_of
from sprout.tissue import DRY, GREEN, classify

PRIOR = 3.0
"""Weight of the prior: chosen from 1, 3 and 10 by the photos left out."""
LEAST_PX, MOST_CM2 = 40, 7.0
"""Sites with less tissue are not surely seen; with more, seedlings can no longer be told apart."""
RARER = np.array([0, 0, -0.5, -2, -3, -4.0])
"""Where the features say nothing, many seedlings are rarer than few: growers sow two or three (common practice)."""
MASSES = (0.75, 0.8, 0.85, 0.9, 0.95)


def examples(photos: Path, name: str) -> list[tuple[dict[str, float], int]]:
    """Features and true number of the seedlings of each countable site of a photo."""
    truth = read(photos, name)
    lid, registration = lid_and_registration(truth)
    photo = read_photo(photos / f"{name}.jpg")
    tissue = classify(photo, registration, lid)
    sites = attribute((tissue.classes >= GREEN) & (tissue.classes <= DRY), registration, lid)
    shapes = counting.against_lid([shape_of(registration, tissue, sites, k) for k in range(len(lid.labels))])
    return [
        (seen, min(site["seedlings_visible"], counting.MOST))
        for seen, site in zip(shapes, truth["sites"], strict=True)
        if seen and site["seedlings_visible"] and site["tissue_px"] >= LEAST_PX and site["cover_mm2"] <= 100 * MOST_CM2
    ]


def fit(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre and scale of the features, and weights (MOST, features + 1)."""
    centre, scale = x.mean(0), x.std(0) + 1e-6
    z = np.column_stack([np.clip((x - centre) / scale, -4, 4), np.ones(len(x))])
    true = np.eye(counting.MOST)[y - 1]
    bend = np.diff(np.eye(counting.MOST), n=2, axis=0)
    roughness = bend.T @ bend
    share = np.append(np.ones(x.shape[1]), 0.3)

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = flat.reshape(counting.MOST, -1)
        score = z @ w.T + RARER
        score -= score.max(1, keepdims=True)
        p = np.exp(score) / np.exp(score).sum(1, keepdims=True)
        slopes = w.copy()
        slopes[:, -1] = 0
        prior = (share * w**2).sum() + 2 * (slopes * (roughness @ slopes)).sum()
        gradient = (p - true).T @ z + PRIOR * (2 * share * w + 4 * roughness @ slopes)
        return float(-np.log((p * true).sum(1)).sum() + PRIOR * prior), gradient.ravel()

    start = np.zeros(counting.MOST * z.shape[1])
    w = minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 1000}).x.reshape(counting.MOST, -1)
    w[:, -1] += RARER
    return centre, scale, w


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--without", type=Path)
    a = parser.parse_args()
    x, y, grow = [], [], []
    for name in names(a.photos, a.without):
        for seen, number in examples(a.photos, name):
            x.append([seen[f] for f in counting.FEATURES])
            y.append(number)
            grow.append(name if name.startswith("singles") else str(Path(name).parent))
    features, number, group = np.array(x), np.array(y), np.array(grow)
    left_out = []
    for one in np.unique(group):
        rest = group != one
        model = counting.Model(counting.FEATURES, *fit(features[rest], number[rest]), 0.9)
        left_out += [
            (model.posterior(dict(zip(counting.FEATURES, row, strict=True))), n)
            for row, n in zip(features[~rest], number[~rest], strict=True)
        ]
    error = np.array([p.argmax() + 1 - n for p, n in left_out])
    print(f"{len(error)} sites, left out: exact {np.mean(error == 0):.3f}, within one {np.mean(abs(error) <= 1):.3f}")
    holds = {}
    for mass in MASSES:
        ends = [(counting.mode_and_range(np.append(0, p), mass), n) for p, n in left_out]
        holds[mass] = np.mean([low <= n <= high for (_, low, high), n in ends])
        print(f"mass {mass}: ranges hold {holds[mass]:.3f}")
    centre, scale, weights = fit(features, number)
    model_file = {
        "features": counting.FEATURES,
        "centre": centre.round(4).tolist(),
        "scale": scale.round(4).tolist(),
        "weights": weights.round(4).tolist(),
        "range_mass": min(MASSES, key=lambda mass: abs(holds[mass] - 0.9)),
    }
    a.out.write_text(json.dumps(model_file) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
