"""How well `sprout cover` finds plants on bare ground, beside the textbook's indices on the same photos.

    python tests/benchmarks/cover_benchmark.py IMAGES MASKS

IMAGES holds photos, MASKS a hand-made mask of the same name for each: white (> 127) is plant, upright, full size.
Printed is the intersection over union; for the published indices see ``eye_benchmark.py``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from eye_benchmark import overlap, textbook
from PIL import Image, ImageOps

from sprout.survey import survey_cover

TARGET = 0.92


def figures(image: Path, mask: Path) -> dict[str, float]:
    """The overlap of each method with a photo's mask."""
    with Image.open(image) as im:
        rgb = np.asarray(ImageOps.exif_transpose(im).convert("RGB"))
    with Image.open(mask) as im:
        plant = np.asarray(im.convert("L")) > 127
    classes = survey_cover(image, masks=True).classes
    if classes is None:
        raise SystemExit(f"{image}: not read")
    indices = textbook(rgb, np.ones(plant.shape, bool))
    return {"sprout": overlap(classes > 0, plant)} | {k: overlap(found, plant) for k, (found, _) in indices.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("images", type=Path)
    parser.add_argument("masks", type=Path)
    a = parser.parse_args()
    masks = {path.stem: path for path in a.masks.iterdir()}
    some = {path.name: figures(path, masks[path.stem]) for path in sorted(a.images.iterdir()) if path.stem in masks}
    width = max(map(len, some))
    methods = list(next(iter(some.values())))
    print(f"{'':{width}s}" + "".join(f"{name:>13s}" for name in methods))
    some["median"] = {name: float(np.median([one[name] for one in some.values()])) for name in methods}
    for name, one in some.items():
        print(f"{name:{width}s}" + "".join(f"{one[method]:13.3f}" for method in methods))
    print(f"median at least {TARGET}: {'met' if some['median']['sprout'] >= TARGET else 'MISSED'}")


if __name__ == "__main__":
    main()
