"""How well photos are read, beside the methods of the textbooks on the same photos in the same run.

    python tests/benchmarks/eye_benchmark.py PHOTOS [--gallery FOLDER] [--match TEXT]

PHOTOS is a folder of photos whose truth is known (see ``calibration/truth.py``). Every photo is read as a grower would
have it read, by a lid file that says what a ruler says. Figures are given apart for the photos that nothing was fitted
to (``calibration/aside.txt``) and for the others. ``--gallery`` keeps a page with the worst cases: look at them, find
the cause, mend it.

The textbook methods are given the lid's true outline, which flatters them: ExG + Otsu (Woebbecke et al. 1995, Trans.
ASAE 38:259-269; Otsu 1979, IEEE SMC 9:62-66), ExGR > 0 (Meyer & Neto 2008, CEA 63:282-293), CIVE + Otsu (Kataoka et
al. 2003, Proc. IEEE/ASME AIM), CIELAB a* + Otsu, and for the holes a circle Hough transform with the true radius (Yuen
et al. 1990, Image and Vision Computing 8:71-77).
"""

from __future__ import annotations

import argparse
import base64
import html
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from time import process_time
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps
from scipy.optimize import linear_sum_assignment
from skimage.filters import threshold_otsu
from targets import Targets, print_tables

sys.path.insert(0, str(Path(__file__).parents[2] / "calibration"))

from truth import names, read

from sprout.lid import Lid, make_lid
from sprout.light import cive, exg, exgr
from sprout.survey import Survey, learn_view, survey

Mask = npt.NDArray[np.bool_]

SURE_PX, EARLY_CM2 = 40, 6.0
"""A sprout this large must be seen; up to this much tissue seedlings are counted one by one."""
TARGETS: Targets = {
    "photos read, share": (0.97, 1),
    "lost registrations": (0, 0),
    "site error, median, mm": (0, 0.6),
    "site error, 95 %, mm": (0, 1.5),
    "tissue IoU, median": (0.95, 1),
    "tissue IoU, 10 %": (0.82, 1),
    "sprouted F1": (0.985, 1),
    "algae called a sprout": (0, 0),
    "count exact": (0.80, 1),
    "count within one": (0.97, 1),
    "count range holds": (0.85, 0.95),
    "area, bias": (-0.03, 0.03),
    "area, median error": (0, 0.06),
}


@dataclass(eq=False)
class Case:
    """One photo: what is true, what was read, and what the textbook makes of it."""

    name: str
    aside: bool
    truth: dict[str, Any]
    got: Survey
    rgb: npt.NDArray[np.uint8]
    times: dict[str, float]
    site_error_mm: npt.NDArray[np.float64] | None
    iou: dict[str, float] = field(default_factory=dict)
    hough_found: float = np.nan
    sites: list[dict[str, Any]] = field(default_factory=list)


def ruler_lid(truth: dict[str, Any]) -> Lid:
    """The lid by what a ruler tells of it."""
    plate, tags = truth["lid"], truth["fiducials"]
    keys: dict[str, object] = {"name": "benchmark", "hole_mm": round(plate["hole_diameter_mm"], 1)}
    if plate["layout"] == "ring":
        keys |= {"pattern": "ring", "ring_sites": 6, "ring_mm": 2 * round(plate["pitch_x_mm"], 1), "centre_site": True}
    else:
        pitch = [round(plate["pitch_x_mm"], 1), round(plate["pitch_y_mm"], 1)]
        stagger = {"stagger_mm": pitch[0] / 2} if plate.get("stagger") else {}
        keys |= {"pattern": "staggered" if stagger else "grid", "rows": plate["rows"], "columns": plate["cols"]}
        keys |= {"pitch_mm": pitch, **stagger}
    if tags:
        keys["tags"] = {"family": "4x4_50", "size_mm": 20.0, "ids": [0, 1, 2, 3]}
    return make_lid(**keys)


def overlap(a: Mask, b: Mask) -> float:
    """Intersection over union."""
    return float((a & b).sum() / max((a | b).sum(), 1))


def textbook(rgb: npt.NDArray[np.uint8], inside: Mask) -> dict[str, tuple[Mask, float]]:
    """Tissue by published colour indices inside the lid's outline, and the seconds that each took."""

    def otsu(index: npt.NDArray[np.floating]) -> Mask:
        return np.asarray(index > threshold_otsu(index[inside]))

    methods: dict[str, Callable[[], Mask]] = {
        "ExG + Otsu": lambda: otsu(exg(rgb / 255)),
        "ExGR > 0": lambda: np.asarray(exgr(rgb / 255) > 0),
        "CIVE + Otsu": lambda: otsu(-cive(rgb / 255)),
        "a* + Otsu": lambda: otsu(-cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)[..., 1].astype(np.float32)),
    }
    out = {}
    for name, method in methods.items():
        begun = process_time()
        out[name] = (method() & inside, process_time() - begun)
    return out


def hough_found(rgb: npt.NDArray[np.uint8], truth: dict[str, Any]) -> float:
    """Share of the true sites that a plain circle Hough transform finds."""
    radius = truth["lid"]["hole_diameter_mm"] / 2 * truth["px_per_mm"]
    grey = cv2.medianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), 5)
    circles = cv2.HoughCircles(
        grey,
        cv2.HOUGH_GRADIENT,
        1.5,
        radius * 1.6,
        param1=120,
        param2=40,
        minRadius=int(radius * 0.8),
        maxRadius=int(radius * 1.25),
    )
    if circles is None:
        return 0.0
    sites = np.array([s["px"] for s in truth["sites"]])
    distance = np.linalg.norm(sites[:, None] - circles.reshape(-1, 3)[None, :, :2], axis=2)
    return float((distance.min(1) < radius / 2).mean())


def matched(truth: dict[str, Any], got: Survey) -> tuple[npt.NDArray[np.float64], list[int]]:
    """Error in mm of each true site, and which reading is nearest to it."""
    true = np.array([s["px"] for s in truth["sites"]])
    seen = np.array([[r["u_px"], r["v_px"]] for r in got.readings], float)
    distance = np.linalg.norm(true[:, None] - seen[None], axis=2)
    rows, columns = linear_sum_assignment(distance)
    scale = np.array([s["local_px_per_mm"] for s in truth["sites"]])
    return distance[rows, columns] / scale[rows], list(columns)


def read_case(photos: Path, name: str, *, aside: bool) -> Case:
    """Read one photo by sprout and by the textbook."""
    truth = read(photos, name)
    path = photos / f"{name}.jpg"
    lid = ruler_lid(truth)
    empty = path.with_name("day00.jpg") if "runs" in path.parts else path.with_name(truth["reference_photo"] or "none")
    known = None
    if empty.exists():
        try:
            known = learn_view(empty, lid)
        except Exception as error:  # an empty photo that cannot be used is left out, as `sprout measure` does
            print(f"{name}: {error}", file=sys.stderr)
    begun = process_time()
    with Image.open(path) as picture:
        rgb = np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))
    decoded = process_time()
    got = survey(path, lid, known=known, keep_labels=False, masks=True)
    times = {"decode": decoded - begun, "sprout": process_time() - decoded}
    case = Case(name, aside, truth, got, rgb, times, None)
    classes = np.asarray(Image.open(photos / f"{name}_tissue.png"))
    plant = (classes >= 1) & (classes <= 3)
    inside = np.zeros(plant.shape, np.uint8)
    cv2.fillPoly(inside, [np.array(truth["lid_corners_px"], np.int32)], 1)
    if plant.sum() > 400:
        for method, (mask, seconds) in textbook(rgb, inside > 0).items():
            case.iou[method] = overlap(mask, plant & (inside > 0))
            times[method] = seconds
    case.hough_found = hough_found(rgb, truth)
    if got.reason:
        return case
    if got.classes is not None and plant.sum() > 400:
        case.iou["sprout"] = overlap((got.classes >= 1) & (got.classes <= 3), plant)
    case.site_error_mm, order = matched(truth, got)
    for site, place in zip(truth["sites"], order, strict=True):
        case.sites.append({"truth": site, "read": got.readings[place], "place": place, "case": case})
    return case


def is_lost(case: Case) -> bool:
    """Whether any site is off by more than a hole's radius."""
    return case.site_error_mm is not None and bool(
        (case.site_error_mm > case.truth["lid"]["hole_diameter_mm"] / 2).any()
    )


def figures(cases: list[Case]) -> dict[str, float]:
    """The figures of the table for some photos."""
    was_read = [c for c in cases if not c.got.reason]
    errors = [float(np.sqrt((c.site_error_mm**2).mean())) for c in was_read if c.site_error_mm is not None]
    iou = [c.iou["sprout"] for c in was_read if "sprout" in c.iou]
    sites = [s for c in was_read for s in c.sites if s["truth"]["in_frame"]]
    says_up = [s["read"]["status"] == "sprouted" for s in sites]
    up = [s["truth"]["tissue_px"] >= SURE_PX for s in sites]
    none = [s["truth"]["plant_px"] == 0 for s in sites]
    right = sum(a and b for a, b in zip(says_up, up, strict=True))
    false = sum(a and b for a, b in zip(says_up, none, strict=True))
    missed = sum(up) - right
    early = [
        s
        for s in sites
        if s["read"]["status"] == "sprouted"
        and s["truth"]["tissue_px"] >= SURE_PX
        and s["truth"]["cover_mm2"] <= 100 * EARLY_CM2
    ]
    off = np.array([s["read"]["seedlings"] - s["truth"]["seedlings_visible"] for s in early])
    holds = [
        s["read"]["seedlings_low"] <= s["truth"]["seedlings_visible"] <= s["read"]["seedlings_high"] for s in early
    ]
    area = np.array(
        [
            s["read"]["tissue_cm2"] / (s["truth"]["cover_mm2"] / 100) - 1
            for s in sites
            if s["read"]["status"] == "sprouted" and s["truth"]["cover_mm2"] > 50
        ]
    )
    algae = sum(s["read"]["status"] == "sprouted" and s["truth"]["algae"] and not s["truth"]["plant_px"] for s in sites)
    return {
        "photos": len(cases),
        "photos read, share": len(was_read) / len(cases),
        "lost registrations": sum(map(is_lost, was_read)),
        "site error, median, mm": float(np.median(errors)),
        "site error, 95 %, mm": float(np.quantile(errors, 0.95)),
        "tissue IoU, median": float(np.median(iou)),
        "tissue IoU, 10 %": float(np.quantile(iou, 0.1)),
        "sprouted F1": 2 * right / max(2 * right + false + missed, 1),
        "algae called a sprout": algae,
        "count exact": float((off == 0).mean()),
        "count within one": float((abs(off) <= 1).mean()),
        "count range holds": float(np.mean(holds)),
        "area, bias": float(np.median(area)),
        "area, median error": float(np.median(abs(area))),
    }


def print_methods(cases: list[Case]) -> None:
    """Tissue and holes beside the textbook: overlap with the truth, and CPU time against decoding the photo."""
    shown = [c for c in cases if "sprout" in c.iou]
    print(f"\n{'tissue IoU':24s}{'median':>8s}{'10 %':>8s}{'time':>8s}")
    for method in shown[0].iou:
        iou = [c.iou[method] for c in shown]
        time = np.median([c.times[method] / c.times["decode"] for c in shown])
        print(f"{method:24s}{np.median(iou):8.3f}{np.quantile(iou, 0.1):8.3f}{time:8.1f}")
    print("times in decodes of the same photo; of sprout for the whole reading, of the others for the index alone")
    found = [
        (c.site_error_mm < c.truth["lid"]["hole_diameter_mm"] / 4).mean() for c in shown if c.site_error_mm is not None
    ]
    print(f"sites found: Hough {np.mean([c.hough_found for c in shown]):.3f}, sprout {np.mean(found):.3f}")


def crop(case: Case, at: tuple[float, float], side: float, size: int = 220) -> npt.NDArray[np.uint8]:
    """A square of the photo about a place, true outline of plants in white, what was read in red."""
    left, top = int(at[0] - side / 2), int(at[1] - side / 2)
    matrix = np.array([[size / side, 0, -left * size / side], [0, size / side, -top * size / side]])
    out = cv2.warpAffine(case.rgb, matrix, (size, size), flags=cv2.INTER_AREA)
    if case.got.sites is not None:
        mask = cv2.warpAffine(case.got.sites, matrix, (size, size), flags=cv2.INTER_NEAREST)
        for number in np.unique(mask[mask > 0]):
            outlines, _ = cv2.findContours((mask == number).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            cv2.drawContours(out, outlines, -1, (230, 60, 60), 1)
    return np.asarray(out, np.uint8)


def worst(cases: list[Case]) -> Iterable[tuple[str, str, npt.NDArray[np.uint8]]]:
    """(kind, caption, picture) of what went wrong, kind by kind."""
    for c in cases:
        h, w = c.rgb.shape[:2]
        whole = ((w / 2, h / 2), float(max(h, w)))
        if c.got.reason:
            yield "not read", f"{c.name}: {c.got.reason}", crop(c, *whole)
        elif is_lost(c):
            yield "lost", c.name, crop(c, *whole)
    for c in sorted((c for c in cases if "sprout" in c.iou), key=lambda c: c.iou["sprout"])[:8]:
        h, w = c.rgb.shape[:2]
        yield "least overlap", f"{c.name}: IoU {c.iou['sprout']:.2f}", crop(c, (w / 2, h / 2), float(max(h, w)), 440)
    for s in (s for c in cases for s in c.sites if s["truth"]["in_frame"]):
        truth, seen, c = s["truth"], s["read"], s["case"]
        says_up, true = seen["status"] == "sprouted", truth["seedlings_visible"]
        kind = ""
        if says_up and truth["plant_px"] == 0:
            kind = "sprout where there is none"
        elif not says_up and truth["tissue_px"] >= SURE_PX:
            kind = "sprout not seen"
        elif says_up and truth["tissue_px"] >= SURE_PX and truth["cover_mm2"] <= 100 * EARLY_CM2:
            kind = "count off" if seen["seedlings"] != true else ""
        if kind:
            side = 1.3 * truth["local_px_per_mm"] * np.sqrt(c.truth["lid"]["pitch_x_mm"] * c.truth["lid"]["pitch_y_mm"])
            caption = (
                f"{c.name} {truth['label']}: true {true}, read {seen['seedlings']} "
                f"({seen['seedlings_low']} to {seen['seedlings_high']}), p {seen['p_sprouted']:.2f}"
            )
            yield kind, caption, crop(c, (truth["px"][0], truth["px"][1]), side)


def write_gallery(cases: list[Case], folder: Path) -> None:
    """One page with the worst cases of each kind."""
    folder.mkdir(parents=True, exist_ok=True)
    parts = ["<!doctype html><html lang=en><meta charset=utf-8><title>Worst cases</title><h1>Worst cases</h1>"]
    for kind, group in groupby(sorted(worst(cases), key=lambda item: item[0]), key=lambda item: item[0]):
        items = list(group)
        parts.append(f"<h2>{html.escape(kind)} ({len(items)})</h2><p>")
        for _, caption, picture in items:
            data = base64.b64encode(cv2.imencode(".jpg", picture[..., ::-1])[1].tobytes()).decode()
            words = html.escape(caption)
            parts.append(f'<img src="data:image/jpeg;base64,{data}" alt="{words}" title="{words}"> ')
        parts.append("</p>")
    (folder / "worst.html").write_text("\n".join(parts), encoding="utf-8")
    print(f"worst cases: {folder / 'worst.html'}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("photos", type=Path)
    parser.add_argument("--gallery", type=Path)
    parser.add_argument("--match", default="")
    a = parser.parse_args()
    cv2.setNumThreads(1)
    aside = set((Path(__file__).parents[2] / "calibration" / "aside.txt").read_text().split())
    chosen = [n for n in names(a.photos, None) if a.match in n and not n.endswith("_ref")]
    cases = [read_case(a.photos, name, aside=name in aside) for name in chosen]
    parts = {"set aside": [c for c in cases if c.aside], "the others": [c for c in cases if not c.aside]}
    print_tables({name: figures(some) for name, some in parts.items() if some}, TARGETS)
    print_methods(cases)
    if a.gallery:
        write_gallery(cases, a.gallery)


if __name__ == "__main__":
    main()
