"""Stage 5, Tissue and Lid -> readings: one row per site, always."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout import counting, flags, leaves, presence
from sprout.attribution import attribute
from sprout.leaves import Cutout, cut_out, local_map
from sprout.lid import Lid
from sprout.photo import Photo
from sprout.registration import Registration
from sprout.tissue import ALGAE, DRY, GREEN, YELLOW, Tissue

Array = npt.NDArray[np.float64]

_STANDS, _STANDS_NOT = 0.7, 0.2
"""From the first probability on a site counts as sprouted, up to the second as empty."""
_SUREST, _LEAST = 4.0, 6.0
"""Most log-odds that one photo may give for a sprout, however much tissue is seen, and against one."""
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
_MEETING = 0.02
"""Share of a plant's outline on a neighbour from which its tissue may be the neighbour's; or of its plug under one."""
_CROWNED_MM2 = 50.0
"""A plant of this size shows a crown if it stands alone."""
_COUNTED_MM2 = 1000.0
"""Beyond this the leaves of one plant hide those of the next: the network was not fitted to count them."""
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
    inside: float
    """Share of the plant that shows inside the hole."""
    nearness: float
    """How near to the hole's centre it comes, in hole radii, 1 at most."""

    @property
    def living_mm2(self) -> float:
        return self.green_mm2 + self.yellow_mm2

    @property
    def plant_mm2(self) -> float:
        return self.living_mm2 + self.dry_mm2

    @property
    def meets(self) -> bool:
        """Is there tissue that may be a neighbour's."""
        return self.plant_mm2 > 0 and (self.contact > _MEETING or self.overhung > _MEETING)


def _area_map(registration: Registration) -> npt.NDArray[np.float32]:
    """(h, w) area of each working pixel on the lid's plane, in mm2."""
    h, w = registration.size_px
    y, x = np.linspace(0, h - 1, -(-h // _JACOBIAN_STEP) + 1), np.linspace(0, w - 1, -(-w // _JACOBIAN_STEP) + 1)
    nodes = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    coarse = registration.mm2_per_px(nodes).reshape(len(y), len(x)).astype(np.float32)
    shrink = np.array([[(len(x) - 1) / max(w - 1, 1), 0, 0], [0, (len(y) - 1) / max(h - 1, 1), 0]])
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(coarse, shrink, (w, h), flags=how, borderMode=cv2.BORDER_REPLICATE))


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


def looks_of(
    photo: Photo, registration: Registration, tissue: Tissue, lid: Lid, sites: npt.NDArray[np.uint8]
) -> list[_Look]:
    n = len(lid.labels)
    at = np.flatnonzero(sites)
    of_kind = sites.ravel()[at].astype(np.intp) * 5 + tissue.classes.ravel()[at]
    area = np.bincount(of_kind, _area_map(registration).ravel()[at], (n + 1) * 5).reshape(n + 1, 5)
    count = np.bincount(of_kind, minlength=(n + 1) * 5).reshape(n + 1, 5)
    owned, pixels = count.sum(1), (count[:, GREEN] + count[:, YELLOW]) / photo.scale**2
    contact = _contacts(sites, n)
    h, w = registration.size_px
    looks = []
    for k, centre in enumerate(lid.sites_mm):
        u, v = registration.to_px(centre)[0]
        rows, columns, disc = _disc(registration, centre, _PLUG * lid.hole_mm / 2)
        size = max(int(disc.sum()), 1)
        here, classes = sites[rows, columns], tissue.classes[rows, columns]
        hole_rows, hole_columns, hole = _disc(registration, centre, lid.hole_mm / 2)
        y, x = np.nonzero(hole & (sites[hole_rows, hole_columns] == k + 1))
        radius = max(float(np.sqrt(hole.sum() / np.pi)), 1.0)
        off = np.hypot(x + hole_columns.start - u, y + hole_rows.start - v)
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
                inside=len(x) / max(int(owned[k + 1]), 1),
                nearness=min(1.0, float(off.min()) / radius) if len(x) else 1.0,
            )
        )
    return looks


def _p_sprouted(look: _Look, seen: dict[str, float] | None) -> float:
    """Probability that a seedling stands in a site, from how much living tissue is its own and how sure that is.

    ``seen`` are the features of ``presence`` where plants meet.
    """
    if look.living_mm2 <= 0:
        return 0.01 + 0.49 * look.overhung
    odds = min(2.0 * np.log(max(look.living_mm2, 0.05) / 1.2) + 1.5, _SUREST)
    if look.meets and seen is not None:
        odds = min(odds, presence.shipped_model().log_odds(seen))
    return float(1 / (1 + np.exp(-np.clip(odds, -_LEAST, _SUREST))))


def _own(
    tissue: Tissue, sites: npt.NDArray[np.uint8], n: int
) -> Iterator[tuple[npt.NDArray[np.bool_], tuple[int, int]] | None]:
    """The living tissue of each site in its own window and the window's first column and row; None if there is none."""
    from scipy.ndimage import find_objects

    for k, box in enumerate(find_objects(sites, max_label=n)):
        own = None if box is None else (sites[box] == k + 1) & (tissue.classes[box] != DRY)
        yield None if own is None or not own.any() else (own, (box[1].start, box[0].start))


def shapes_of(
    registration: Registration, tissue: Tissue, sites: npt.NDArray[np.uint8], lid: Lid
) -> list[dict[str, float] | None]:
    """Features of the living tissue of each site in the lid's order, None where there is too little."""
    out: list[dict[str, float] | None] = []
    for found in _own(tissue, sites, len(lid.labels)):
        if found is None:
            out.append(None)
            continue
        own, (left, top) = found
        h, w = own.shape
        corners = registration.to_mm(np.array([[0, 0], [w, 0], [w, h], [0, h]], float) + [left, top])
        low, high = corners.min(0), corners.max(0)
        step = max(counting.STEP_MM, float((high - low).max()) / counting.MOST_STEPS)
        width, height = (int(s) for s in np.ceil((high - low) / step) + 1)
        grid = registration.grid_px(np.arange(width) * step + low[0], np.arange(height) * step + low[1])
        px = grid - np.array([left, top], np.float32)
        straight = cv2.remap(own.astype(np.uint8) * np.uint8(255), px[..., 0], px[..., 1], cv2.INTER_LINEAR) > 127
        out.append(counting.shape(straight, step_mm=step) if straight.sum() >= 3 else None)
    return counting.against_lid(out)


def cutouts_of(
    registration: Registration, tissue: Tissue, sites: npt.NDArray[np.uint8], lid: Lid
) -> list[Cutout | None]:
    """The living tissue of each site in the lid's order, cut out of the picture, None where there is none."""
    return [
        None if found is None else cut_out(tissue.rgb, *found, local_map(registration, centre))
        for found, centre in zip(_own(tissue, sites, len(lid.labels)), lid.sites_mm, strict=True)
    ]


def _status(p: float, look: _Look) -> str:
    if p >= _STANDS:
        return "sprouted"
    if look.overhung > _OVERHUNG or (p > _STANDS_NOT and look.meets and look.covered > _OVERHUNG):
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


def sights_of(looks: Sequence[_Look], crown: Sequence[float | None]) -> list[presence.Sight]:
    """What ``presence`` needs to know of each site."""
    return [
        presence.Sight(look.living_mm2, look.nearness, look.inside, look.contact, found)
        for look, found in zip(looks, crown, strict=True)
    ]


def _probabilities(looks: Sequence[_Look], crown: Sequence[float | None]) -> list[float]:
    seen = presence.against_lid(sights_of(looks, crown))
    return [_p_sprouted(look, features) for look, features in zip(looks, seen, strict=True)]


def _settle(
    photo: Photo, registration: Registration, tissue: Tissue, lid: Lid
) -> tuple[npt.NDArray[np.uint8], list[_Look], list[float]]:
    """Whose tissue, what each site looks like, and the probability that a seedling stands in it.

    Where none stands the tissue is the neighbours': it is shared out again among the others.
    """
    plant = (tissue.classes >= GREEN) & (tissue.classes <= DRY)
    sites = attribute(plant, registration, lid)
    looks = looks_of(photo, registration, tissue, lid, sites)
    crown: list[float | None] = [None] * len(looks)
    if any(look.meets for look in looks):
        scene = presence.scene_of(tissue.rgb, plant, registration, lid)
        sought = [k for k, look in enumerate(looks) if look.meets or look.living_mm2 > _CROWNED_MM2]
        for k, found in zip(sought, presence.crowns(scene, lid.sites_mm[sought]), strict=True):
            crown[k] = float(found)
    p = _probabilities(looks, crown)
    bare = np.array([0 < q < _STANDS_NOT and look.contact > 0 for q, look in zip(p, looks, strict=True)])
    if bare.any():
        sites = attribute(plant, registration, lid, standing=~bare)
        looks = looks_of(photo, registration, tissue, lid, sites)
        p = [q if b else again for q, b, again in zip(p, bare, _probabilities(looks, crown), strict=True)]
    return sites, looks, p


def whose(photo: Photo, registration: Registration, tissue: Tissue, lid: Lid) -> npt.NDArray[np.uint8]:
    """The map of sites that :func:`read_sites` gives, on its own."""
    return _settle(photo, registration, tissue, lid)[0]


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
    sites, looks, p = _settle(photo, registration, tissue, lid)
    shapes = shapes_of(registration, tissue, sites, lid)
    cutouts = cutouts_of(registration, tissue, sites, lid)
    asked = [c is not None and look.living_mm2 < _COUNTED_MM2 for c, look in zip(cutouts, looks, strict=True)]
    told = np.tile(counting.UNDECIDED, (len(looks), 1))
    told[asked] = leaves.scores([c for c, ask in zip(cutouts, asked, strict=True) if ask and c is not None])
    rows = []
    for k, (look, seen) in enumerate(zip(looks, shapes, strict=True)):
        posterior = counting.posterior(seen, p[k], leaves=told[k], seeds=None if seeds is None else seeds[k])
        rows.append(_row(photo, registration, lid, k, look, p[k], posterior))
    return rows, sites
