"""Stage 5, Tissue and Lid -> readings: one row per site, always."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout import counting, flags
from sprout.attribution import attribute
from sprout.lid import Lid
from sprout.photo import Photo
from sprout.registration import Registration
from sprout.tissue import ALGAE, DRY, GREEN, YELLOW, Tissue

Array = npt.NDArray[np.float64]

_STANDS, _STANDS_NOT = 0.8, 0.2
"""From the first probability on a site counts as sprouted, up to the second as empty."""
_SUREST = 4.0
"""Most log-odds of a sprout that one photo may give, however much tissue is seen: it may be a neighbour's."""
_PLUG = 0.85
"""Radius of what is taken for the plug, in hole radii."""
_OVERHUNG = 0.5
"""Share of the plug that another plant must cover for the site to count as overhung."""
_GLARE = 0.15
"""Share of the plug that must be burnt out to be told."""
_ALGAE = 0.04
"""Share of the plug that a film must cover to be told."""
_TOUCHING = 0.05
"""Share of a plant's outline that must lie on a neighbour to be told."""
_FAINT_PX = 40
"""Fewer full-size pixels than this are faint."""
_JACOBIAN_STEP = 32


@dataclass(frozen=True)
class _Look:
    """What the pixels of one site say before it is judged; areas in mm2 on the lid's plane."""

    in_frame: bool
    green_mm2: float
    yellow_mm2: float
    dry_mm2: float
    pixels: float
    covered: float
    """Share of the plug under any plant."""
    overhung: float
    """Share of the plug under other plants."""
    film: float
    """Share of the plug under algae."""
    burnt: float
    contact: float
    """Share of the plant's outline that lies on a neighbour."""

    @property
    def living_mm2(self) -> float:
        return self.green_mm2 + self.yellow_mm2

    @property
    def plant_mm2(self) -> float:
        return self.living_mm2 + self.dry_mm2


def _area_map(registration: Registration) -> npt.NDArray[np.float32]:
    """(h, w) area of each working pixel on the lid's plane, in mm2."""
    h, w = registration.size_px
    y, x = np.linspace(0, h - 1, -(-h // _JACOBIAN_STEP) + 1), np.linspace(0, w - 1, -(-w // _JACOBIAN_STEP) + 1)
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    coarse = registration.mm2_per_px(nodes).reshape(len(y), len(x)).astype(np.float32)
    u = np.broadcast_to(np.linspace(0, len(x) - 1, w, dtype=np.float32), (h, w))
    v = np.broadcast_to(np.linspace(0, len(y) - 1, h, dtype=np.float32)[:, None], (h, w))
    return np.asarray(cv2.remap(coarse, np.ascontiguousarray(u), np.ascontiguousarray(v), cv2.INTER_LINEAR))


def _disc(registration: Registration, centre_mm: Array, radius_mm: float) -> tuple[slice, slice, npt.NDArray[np.bool_]]:
    """A disc on the lid as rows, columns and (h, w) mask of the working picture, cut at the frame."""
    turn = np.linspace(0, 2 * np.pi, 33)[:-1]
    rim = registration.to_px(centre_mm + radius_mm * np.column_stack([np.cos(turn), np.sin(turn)]))
    h, w = registration.size_px
    left, top = np.clip(np.floor(rim.min(0)), 0, [w, h]).astype(int)
    right, bottom = np.clip(np.ceil(rim.max(0)) + 1, 0, [w, h]).astype(int)
    mask = np.zeros((max(0, bottom - top), max(0, right - left)), np.uint8)
    if mask.size:
        cv2.fillConvexPoly(mask, (rim - [left, top]).round().astype(np.int32), 1)
    return slice(top, bottom), slice(left, right), mask > 0


def _contacts(sites: npt.NDArray[np.uint8], n: int) -> Array:
    """Share of each site's outline that lies on another site, (n,)."""
    outline, contact = np.zeros(n + 1), np.zeros(n + 1)
    for a, b in ((sites[:, :-1], sites[:, 1:]), (sites[:-1], sites[1:])):
        differ = a != b
        p, q = a[differ], b[differ]
        both = (p > 0) & (q > 0)
        for side in (p, q):
            outline += np.bincount(side, minlength=n + 1)
            contact += np.bincount(side[both], minlength=n + 1)
    return np.asarray(contact[1:] / np.maximum(outline[1:], 1))


def _looks(
    photo: Photo, registration: Registration, tissue: Tissue, lid: Lid, sites: npt.NDArray[np.uint8]
) -> list[_Look]:
    n = len(lid.labels)
    at = np.flatnonzero(sites)
    owner, kind = sites.ravel()[at].astype(np.intp), tissue.classes.ravel()[at].astype(np.intp)
    weights = _area_map(registration).ravel()[at]
    area = np.bincount(owner * 5 + kind, weights=weights, minlength=(n + 1) * 5).reshape(n + 1, 5)
    pixels = np.bincount(owner[kind != DRY], minlength=n + 1) / photo.scale**2
    contact = _contacts(sites, n)
    h, w = registration.size_px
    looks = []
    for k, centre in enumerate(lid.sites_mm):
        u, v = registration.to_px(centre)[0]
        rows, columns, disc = _disc(registration, centre, _PLUG * lid.hole_mm / 2)
        size = max(int(disc.sum()), 1)
        here, classes = sites[rows, columns], tissue.classes[rows, columns]
        looks.append(
            _Look(
                in_frame=bool(-0.5 <= u < w - 0.5 and -0.5 <= v < h - 0.5),
                green_mm2=float(area[k + 1, GREEN]),
                yellow_mm2=float(area[k + 1, YELLOW]),
                dry_mm2=float(area[k + 1, DRY]),
                pixels=float(pixels[k + 1]),
                covered=float((disc & (here > 0)).sum()) / size,
                overhung=float((disc & (here > 0) & (here != k + 1)).sum()) / size,
                film=float((disc & (classes == ALGAE)).sum()) / size,
                burnt=float((disc & ~tissue.usable[rows, columns] & (here == 0)).sum()) / size,
                contact=float(contact[k]),
            )
        )
    return looks


def _p_sprouted(look: _Look) -> float:
    """Probability that a seedling stands in a site, from how much living tissue is its own and how sure that is."""
    if look.living_mm2 <= 0:
        return 0.01 + 0.49 * look.overhung
    seen = 2.0 * np.log(max(look.living_mm2, 0.05) / 1.2) + 1.5
    doubt = 3.0 * look.contact + 2.0 * look.overhung
    return float(1 / (1 + np.exp(-np.clip(min(seen, _SUREST) - doubt, -6, 6))))


def shape_of(
    registration: Registration, tissue: Tissue, sites: npt.NDArray[np.uint8], place: int
) -> dict[str, float] | None:
    """Features of the living tissue of the site at a place in the lid's order, None if there is too little."""
    rows, columns = (np.flatnonzero((sites == place + 1).any(axis)) for axis in (1, 0))
    if not len(rows):
        return None
    top, bottom, left, right = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    own = (sites[top:bottom, left:right] == place + 1) & (tissue.classes[top:bottom, left:right] != DRY)
    corners = registration.to_mm(np.array([[left, top], [right, top], [right, bottom], [left, bottom]], float))
    low, high = corners.min(0), corners.max(0)
    step = counting.STEP_MM
    width, height = (int(s) for s in np.ceil((high - low) / step) + 1)
    grid = np.stack(np.meshgrid(np.arange(width) * step + low[0], np.arange(height) * step + low[1]), axis=-1)
    px = (registration.to_px(grid.reshape(-1, 2)) - [left, top]).astype(np.float32).reshape(height, width, 2)
    straight = cv2.remap(own.astype(np.uint8) * np.uint8(255), px[..., 0], px[..., 1], cv2.INTER_LINEAR) > 127
    return counting.shape(straight) if straight.sum() >= 3 else None


def _status(p: float, look: _Look) -> str:
    if p >= _STANDS:
        return "sprouted"
    if look.overhung > _OVERHUNG:
        return "hidden"
    return "empty" if p <= _STANDS_NOT else "unsure"


def _row(
    photo: Photo, registration: Registration, lid: Lid, k: int, look: _Look, p: float, posterior: Array
) -> dict[str, Any]:
    u, v = photo.to_full(registration.to_px(lid.sites_mm[k]))[0]
    fit = {"fit_mm": float(registration.fit_mm), "fit_by": registration.fit_by}
    place = {"site": lid.labels[k], "u_px": float(u), "v_px": float(v)}
    if not look.in_frame:
        return {
            **place,
            "status": "unsure",
            "p_sprouted": None,
            "seedlings": None,
            "seedlings_low": None,
            "seedlings_high": None,
            "tissue_cm2": None,
            "cover_pct": None,
            "yellow_pct": None,
            "dry_pct": None,
            "algae": "",
            "flags": flags.join("out-of-frame"),
            **fit,
        }
    status = _status(p, look)
    number, low, high = counting.mode_and_range(posterior, counting.shipped_model().range_mass)
    if status == "sprouted" and number == 0:
        number = int(posterior[1:].argmax()) + 1
    plant = look.plant_mm2
    told = [
        name
        for name, true in (
            ("touching", look.contact > _TOUCHING),
            ("overhung", look.overhung > _OVERHUNG),
            ("glare", look.burnt > _GLARE),
            ("algae", look.film > _ALGAE),
            ("faint", 0 < look.pixels < _FAINT_PX),
        )
        if true
    ]
    return {
        **place,
        "status": status,
        "p_sprouted": p,
        "seedlings": number,
        "seedlings_low": min(low, number),
        "seedlings_high": max(high, number),
        "tissue_cm2": look.living_mm2 / 100,
        "cover_pct": 100 * look.living_mm2 / lid.area_per_site_mm2,
        "yellow_pct": 100 * look.yellow_mm2 / plant if plant else None,
        "dry_pct": 100 * look.dry_mm2 / plant if plant else None,
        "algae": "yes" if look.film > _ALGAE else "no",
        "flags": flags.join(*told),
        **fit,
    }


def read_sites(
    photo: Photo,
    registration: Registration,
    tissue: Tissue,
    lid: Lid,
    *,
    seeds: Sequence[int] | None = None,
) -> tuple[list[dict[str, Any]], npt.NDArray[np.uint8]]:
    """Read every site of a lid.

    Parameters
    ----------
    seeds:
        Number of seeds sown per site in the lid's order, if known.

    Returns
    -------
    rows:
        One mapping per site in the lid's order, keys as in ``columns.SITE_READINGS``; None where nothing was measured.
    sites:
        (h, w) uint8 on working pixels: 0 none, else the place in the lid's order + 1 of the site that the tissue
        belongs to.
    """
    plant = (tissue.classes >= GREEN) & (tissue.classes <= DRY)
    sites = attribute(plant, registration, lid)
    looks = _looks(photo, registration, tissue, lid, sites)
    p = [_p_sprouted(look) for look in looks]
    bare = np.array([0 < q < _STANDS_NOT and look.contact > 0 for q, look in zip(p, looks, strict=True)])
    if bare.any():
        sites = attribute(plant, registration, lid, standing=~bare)
        looks = _looks(photo, registration, tissue, lid, sites)
        p = [min(q, 0.5) if b else _p_sprouted(look) for q, b, look in zip(p, bare, looks, strict=True)]
    shapes = counting.against_lid([shape_of(registration, tissue, sites, k) for k in range(len(looks))])
    rows = []
    for k, (look, seen) in enumerate(zip(looks, shapes, strict=True)):
        posterior = counting.posterior(seen, p[k], seeds=None if seeds is None else seeds[k])
        rows.append(_row(photo, registration, lid, k, look, p[k], posterior))
    return rows, sites
