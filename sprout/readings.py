"""Stage 5, Tissue and Lid -> readings: one row per site, always."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from sprout import counting, flags, leaves, presence
from sprout.attribution import Owners, Window, attribute
from sprout.counts import CROWDED_CM2, DOUBT, number_and_range
from sprout.leaves import Cutout, cut_out, local_maps
from sprout.lid import Lid
from sprout.light import Picture, burnt
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
_DRIED_MM2, _DRIED = 10.0, 0.25
"""So much dry tissue, and next to none that lives, may have been a seedling: with this probability the site is in
doubt, and a series does not take it for sprouted by this alone. Chosen so, not measured: hardly a photo shows one."""
_FAINT_PX = 40
"""Fewer full-size pixels than this are faint."""
_KINDS = (GREEN, YELLOW, DRY)


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
    def crowded(self) -> bool:
        return self.living_mm2 >= 100 * CROWDED_CM2

    @property
    def dried(self) -> bool:
        """Is there hardly anything but dry tissue: a seedling that came up and may be dead, or litter."""
        return self.dry_mm2 > max(_DRIED_MM2, 9 * self.living_mm2)

    @property
    def meets(self) -> bool:
        """Is there tissue that may be a neighbour's."""
        return self.plant_mm2 > 0 and (self.contact > _MEETING or self.overhung > _MEETING)


Living = tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64]]
"""One site's living tissue: a mask (h, w), 255 where it is, and the column and row at which the mask begins."""


def _mean_areas(registration: Registration, places_px: Array, spreads_px2: Array) -> Array:
    """(m,) mean areas on the lid's plane, in mm2, of pixels with these (m, 2) means and (m, 2, 2) covariances.

    The mean over four places with the same mean and covariance (Julier & Uhlmann 1997, Proc. SPIE 3068:182-193).
    """
    arms = np.sqrt(2) * np.linalg.cholesky(spreads_px2 + 1e-6 * np.eye(2)).transpose(0, 2, 1)
    four = places_px[:, None] + np.concatenate([arms, -arms], axis=1)
    return np.asarray(registration.mm2_per_px(four.reshape(-1, 2)).reshape(-1, 4).mean(1))


def _amounts(registration: Registration, tissue: Tissue, owners: Owners) -> tuple[Array, Array]:
    """Pixels and mm2 of green, yellowing and dry tissue of each site, (n, 3) each."""
    pixels, area = (np.zeros((len(owners.windows), len(_KINDS))) for _ in range(2))
    corners, moments = [], []
    for k, window in enumerate(owners.windows):
        if window is None:
            continue
        classes = tissue.classes[window] * (owners.sites[window] == k + 1)
        for j, kind in enumerate(_KINDS):
            some = classes == kind
            if some.any():
                m = cv2.moments(some.view(np.uint8))
                pixels[k, j] = m["m00"]
                corners.append((window[1].start, window[0].start))
                moments.append([m[name] for name in ("m10", "m01", "mu20", "mu11", "mu11", "mu02")])
    if moments:
        there = pixels > 0
        per_pixel = np.array(moments) / pixels[there][:, None]
        area[there] = _mean_areas(registration, corners + per_pixel[:, :2], per_pixel[:, 2:].reshape(-1, 2, 2))
    # the last bits of a moment hang on where memory lies: rounded off, a photo reads the same every time
    return pixels, np.round(area * pixels, 6)


def _discs(rims: Array, size_px: tuple[int, int]) -> Iterator[tuple[Window, list[npt.NDArray[np.bool_]]]]:
    """What lies inside rims (n, m, p, 2) about n places: the window of the m of a place, cut at the frame, and masks.

    A mask covers its place's window.
    """
    size = size_px[::-1]
    lows = np.clip(np.floor(rims.min((1, 2))), 0, size).astype(int)
    highs = np.maximum(np.clip(np.ceil(rims.max((1, 2))) + 1, 0, size).astype(int), lows)
    inner = (rims - lows[:, None, None]).round().astype(np.int32)
    for (left, top), (right, bottom), own in zip(lows.tolist(), highs.tolist(), inner, strict=True):
        masks = np.zeros((len(own), bottom - top, right - left), np.uint8)
        if masks.size:
            for mask, rim in zip(masks, own, strict=True):
                cv2.fillConvexPoly(mask, rim, 1)
        yield np.s_[top:bottom, left:right], list(masks.view(bool))


def _contacts(owners: Owners) -> Array:
    """Share of each site's outline that lies on another site, (n,)."""
    n, some = len(owners.windows), [w for w in owners.windows if w is not None]
    if not some:
        return np.zeros(n)
    top, left = (min(w[axis].start for w in some) for axis in (0, 1))
    bottom, right = (max(w[axis].stop for w in some) for axis in (0, 1))
    sites = owners.sites[max(0, top - 1) : bottom + 1, max(0, left - 1) : right + 1]
    meet = np.zeros((n + 1) ** 2)
    for a, b in ((sites[:, :-1], sites[:, 1:]), (sites[:-1], sites[1:])):
        at = np.flatnonzero(a != b)
        row, column = np.divmod(at, a.shape[1])
        meet += np.bincount(a[row, column] * np.int64(n + 1) + b[row, column], minlength=len(meet))
    both = meet.reshape(n + 1, n + 1) + meet.reshape(n + 1, n + 1).T
    return np.asarray(both[1:, 1:].sum(1) / np.maximum(both[1:].sum(1), 1))


def _number(mask: npt.NDArray[np.bool_]) -> int:
    """How many pixels are set."""
    return int(np.count_nonzero(mask))


def looks_of(photo: Photo, registration: Registration, tissue: Tissue, lid: Lid, owners: Owners) -> list[_Look]:
    contact = _contacts(owners)
    pixels, area = _amounts(registration, tissue, owners)
    places = registration.to_px(lid.sites_mm)
    rims = np.stack([registration.circles_px(lid.sites_mm, r * lid.hole_mm / 2) for r in (1.0, _PLUG)], axis=1)
    h, w = registration.size_px
    looks = []
    for k, ((u, v), (here, (hole, plug))) in enumerate(zip(places, _discs(rims, (h, w)), strict=True)):
        plants = owners.sites[here]
        own, bare = plants == k + 1, plug & (plants == 0)
        size, seen = max(_number(plug), 1), _number(bare)
        inside = own & hole
        off2 = np.square(np.arange(h)[here[0]] - v)[:, None] + np.square(np.arange(w)[here[1]] - u)
        radius = max(float(np.sqrt(_number(hole) / np.pi)), 1.0)
        some = _number(inside)
        looks.append(
            _Look(
                in_frame=bool(-0.5 <= u < w - 0.5 and -0.5 <= v < h - 0.5),
                green_mm2=float(area[k, 0]),
                yellow_mm2=float(area[k, 1]),
                dry_mm2=float(area[k, 2]),
                pixels=float(pixels[k, :2].sum()) / photo.scale**2,
                covered=(_number(plug) - seen) / size,
                overhung=(_number(plug & ~own) - seen) / size,
                film=_number(plug & (tissue.classes[here] == ALGAE)) / size,
                burnt=_number(bare & burnt(photo.rgb[here])) / size if seen else 0.0,
                contact=float(contact[k]),
                inside=some / max(float(pixels[k].sum()), 1.0),
                nearness=min(1.0, float(np.sqrt(off2[inside].min())) / radius) if some else 1.0,
            )
        )
    return looks


def _p_sprouted(look: _Look, seen: dict[str, float] | None) -> float:
    """Probability that a seedling stands in a site, from how much living tissue is its own and how sure that is.

    ``seen`` are the features of ``presence`` where plants meet.
    """
    if look.living_mm2 <= 0:
        return 0.01 + 0.49 * look.overhung
    odds = min(2.0 * log(max(look.living_mm2, 0.05) / 1.2) + 1.5, _SUREST)
    if look.meets and seen is not None:
        odds = min(odds, presence.shipped_model().log_odds(seen))
    return 1 / (1 + exp(-max(odds, -_LEAST)))


def living_of(tissue: Tissue, owners: Owners) -> list[Living | None]:
    """The living tissue of each site, None where there is none."""
    found: list[Living | None] = []
    for k, window in enumerate(owners.windows):
        found.append(None)
        if window is not None:
            own = (owners.sites[window] == k + 1) & (tissue.classes[window] != DRY)
            left, top, wide, high = cv2.boundingRect(own.view(np.uint8))
            if wide:
                corner = np.array([window[1].start + left, window[0].start + top])
                found[-1] = own[top : top + high, left : left + wide] * np.uint8(255), corner
    return found


def shapes_of(registration: Registration, living: Sequence[Living | None]) -> list[dict[str, float] | None]:
    """Features of the living tissue of each site (see :func:`living_of`), None where there is too little."""
    out: list[dict[str, float] | None] = [None] * len(living)
    some = [(k, *found) for k, found in enumerate(living) if found is not None]
    if not some:
        return out
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    px = np.concatenate([corner + unit * own.shape[::-1] for _, own, corner in some])
    corners = registration.to_mm(px).reshape(-1, 4, 2)
    low, extent = corners.min(1), np.ptp(corners, axis=1)
    steps = np.maximum(counting.STEP_MM, extent.max(1) / counting.MOST_STEPS)
    sizes = np.ceil(extent / steps[:, None]).astype(int) + 1
    laid = ((corners - low[:, None]) / steps[:, None, None]).astype(np.float32)
    for (k, own, _), at, size, step in zip(some, laid, sizes.tolist(), steps.tolist(), strict=True):
        # across one plant the lens bends next to nothing
        to_lid = cv2.getPerspectiveTransform((unit * own.shape[::-1]).astype(np.float32), at)
        straight = cv2.warpPerspective(own, to_lid, size, flags=cv2.INTER_LINEAR) > 127
        if _number(straight) >= 3:
            out[k] = counting.shape(straight, step_mm=step)
    return counting.against_lid(out)


def cutouts_of(
    registration: Registration,
    rgb: Picture,
    living: Sequence[Living | None],
    lid: Lid,
    *,
    asked: Sequence[bool] | None = None,
) -> list[Cutout | None]:
    """The living tissue of each site (see :func:`living_of`) cut out of the picture, None where there is none.

    ``rgb`` (h, w, 3) uint8 is the picture under corrected light; ``asked`` tells for which sites it is wanted, all if
    left out.
    """
    return [
        cut_out(rgb, *found, to_mm) if found is not None and ask else None
        for found, to_mm, ask in zip(
            living, local_maps(registration, lid.sites_mm), asked or [True] * len(living), strict=True
        )
    ]


def _status(p: float, look: _Look) -> str:
    if p >= _STANDS:
        return "sprouted"
    if look.overhung > _OVERHUNG or (p > _STANDS_NOT and look.meets and look.covered > _OVERHUNG):
        return "hidden"
    return "empty" if p <= _STANDS_NOT else "unsure"


def _row(
    registration: Registration, lid: Lid, k: int, full_px: Array, look: _Look, p: float, posterior: Array
) -> dict[str, Any]:
    fit = {"fit_mm": float(registration.fit_mm), "fit_by": registration.fit_by}
    place = {"site": lid.labels[k], "u_px": float(full_px[0]), "v_px": float(full_px[1])}
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
    model = counting.shipped_model()
    mass = model.crowded_mass if look.crowded else model.range_mass
    number, low, high = number_and_range(posterior, mass)
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
            ("dried", look.dried),
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
    p = [_p_sprouted(look, features) for look, features in zip(looks, seen, strict=True)]
    # what dried up alone may have been a seedling, what meets a plant that lives is a leaf of that
    return [
        max(chance, _DRIED) if look.dried and not look.meets else chance for chance, look in zip(p, looks, strict=True)
    ]


def _settle(
    photo: Photo, registration: Registration, tissue: Tissue, lid: Lid
) -> tuple[Owners, list[_Look], list[float]]:
    """Whose tissue, what each site looks like, and the probability that a seedling stands in it.

    Where none stands the tissue is the neighbours': it is shared out again among the others.
    """
    plant = cv2.inRange(tissue.classes, GREEN, DRY)
    owners = attribute(plant, registration, lid)
    looks = looks_of(photo, registration, tissue, lid, owners)
    crown: list[float | None] = [None] * len(looks)
    if any(look.meets for look in looks):
        scene = presence.scene_of(tissue.rgb, plant, registration, lid)
        sought = [k for k, look in enumerate(looks) if look.meets or look.living_mm2 > _CROWNED_MM2]
        for k, found in zip(sought, presence.crowns(scene, lid.sites_mm[sought]), strict=True):
            crown[k] = float(found)
    p = _probabilities(looks, crown)
    bare = np.array([0 < q < _STANDS_NOT and look.contact > 0 for q, look in zip(p, looks, strict=True)])
    if bare.any():
        owners = attribute(plant, registration, lid, standing=~bare)
        looks = looks_of(photo, registration, tissue, lid, owners)
        p = [q if b else again for q, b, again in zip(p, bare, _probabilities(looks, crown), strict=True)]
    return owners, looks, p


def whose(photo: Photo, registration: Registration, tissue: Tissue, lid: Lid) -> Owners:
    """Whose the tissue is, as :func:`read_sites` has it."""
    return _settle(photo, registration, tissue, lid)[0]


def _in_question(p: float, seeds: int | None) -> bool:
    """Can what the leaves show alter a reading: not where surely nothing stands or only one was sown."""
    return p >= DOUBT and seeds != 1


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
    owners, looks, p = _settle(photo, registration, tissue, lid)
    living = living_of(tissue, owners)
    shapes = shapes_of(registration, living)
    asked = [
        not look.crowded and _in_question(p[k], None if seeds is None else seeds[k]) for k, look in enumerate(looks)
    ]
    cutouts = cutouts_of(registration, tissue.rgb, living, lid, asked=asked)
    told = np.tile(counting.UNDECIDED, (len(looks), 1))
    told[[c is not None for c in cutouts]] = leaves.scores([c for c in cutouts if c is not None])
    full_px = photo.to_full(registration.to_px(lid.sites_mm))
    rows = []
    for k, (look, seen) in enumerate(zip(looks, shapes, strict=True)):
        posterior = counting.posterior(seen, p[k], leaves=told[k], seeds=None if seeds is None else seeds[k])
        rows.append(_row(registration, lid, k, full_px[k], look, p[k], posterior))
    return rows, owners.sites
