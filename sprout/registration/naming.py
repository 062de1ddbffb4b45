"""Which way round: of the ways a lid falls onto itself, the one whose small marks lie where the known view has them.

Only marks on the plate count (print, tags, screws, specks, a filling port), and only where two ways predict different
looks: light falls on the plate from another side every day, leaves throw shade, and the plugs grow. Where leaves hide
all marks, the plants themselves tell: they stand where they stood some days before or after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from sprout.errors import SidesUnsure
from sprout.lid import Lid, symmetries
from sprout.photo import Photo
from sprout.pyramid import Pyramid
from sprout.registration.alignment import Grey, even_light, log_light
from sprout.registration.camera import Pose
from sprout.registration.geometry import LidView, Registration
from sprout.registration.holes import leafy
from sprout.registration.view import straighten

LEAST_PREFERENCE = 0.2
"""Least preference for one way round over the others that settles the labels: right ones reach 0.3 and more where
marks show, wrong ones 0.15 on bare plates."""
LEAST_BY_PLANTS = 0.25
"""The same by the plants of days near by, which say 0.3 to 0.8 on a lid that is all but closed."""
_EDGE_MM = 3.0
"""Kept clear along the plate's edge, where the light is never the same twice."""
_FINE_MM = 4.0
"""Marks are smaller than this, and shading is wider."""
_FAINT = 0.06
"""Least difference of the two looks in log lightness."""
_PLENTY_MM2 = 50.0
"""With less ground than this on which the two looks differ, a preference counts for less."""
_SHIFT_MM = 1.5
"""How far off the registration may be while marks are compared."""
_PLANTS_PX_PER_MM = 1.5
_CROWN_MM, _BLADE_MM, _SHADE_MM = 2.7, 1.3, 9.0
"""Leaves sway and grow: their place counts to a few millimetres, their light and dark between a blade's width and a
plant's."""


def turned(pose: Pose, turn: npt.NDArray[np.float64]) -> Pose:
    """The same pose with the lid turned onto itself about its middle."""
    numbers = pose.numbers.copy()
    numbers[2] += np.arctan2(turn[1, 0], turn[0, 0])
    return replace(pose, numbers=numbers)


def name_sites(photo: Photo, lid: Lid, pose: Pose, known: LidView | None, others: Sequence[LidView]) -> Pose:
    """Of the ways the lid falls onto itself, the one that agrees with the known view, else with A1 upper left."""
    ways = [turned(pose, rotation) for rotation, _, _ in symmetries(lid)]
    if len(ways) == 1:
        return pose
    if known is None:
        ring = lid.pattern == "ring"
        anchor = lid.sites_mm[[lid.labels.index("B1") if ring else 0]]
        corner = np.array([photo.rgb.shape[1] / 2, -1e6]) if ring else np.zeros(2)
        return min(ways, key=lambda way: float(np.linalg.norm(way.registration().to_px(anchor)[0] - corner)))
    maps = [way.registration() for way in ways]
    best: int = 0
    lead = np.full(len(maps), np.nan)
    for k in range(1, len(maps)):
        value = prefer(photo.pyramid, maps[best], maps[k], known, lid)
        if value < 0:
            best, lead = k, np.where(np.arange(len(maps)) == best, -value, np.nan)
        else:
            lead[k] = value
    for k in np.flatnonzero(np.isnan(lead)).tolist():
        lead[k] = prefer(photo.pyramid, maps[best], maps[k], known, lid) if k != best else np.inf
    if lead.min() >= LEAST_PREFERENCE:
        return ways[best]
    for k, way in enumerate(maps):
        rest = [other for j, other in enumerate(maps) if j != k]
        if all(prefer_by_plants(photo.pyramid, way, other, others, lid) > LEAST_BY_PLANTS for other in rest):
            return ways[k]
    raise SidesUnsure(
        photo.path,
        "nothing visible tells one side of the lid from the other",
        "lift the leaves off the print, or stick tags on the lid before the next grow",
    )


def prefer(photo: Pyramid, first: Registration, second: Registration, known: LidView, lid: Lid) -> float:
    """Which of two ways round a photo shows the lid: positive for the first, negative for the second, -2 to 2.

    Two measures must say the same, each look laid on the photo as well as it goes: the correlation of what is seen with
    the difference of the looks, which shade can feign, and how much nearer what is seen comes to the one look than to
    the other, which clutter can feign. The weaker of them counts.
    """
    per_mm = known.px_per_mm
    h, w = known.rgb.shape[:2]
    now, inside = straighten(photo, first, origin_mm=known.origin_mm, size=(h, w), px_per_mm=per_mm)
    turn, _ = cv2.estimateAffinePartial2D(lid.sites_mm, first.to_mm(second.to_px(lid.sites_mm)))
    origin = np.array(known.origin_mm)
    matrix = np.column_stack([turn[:, :2], (turn[:, :2] @ origin + turn[:, 2] - origin) * per_mm])
    other = np.asarray(cv2.warpAffine(known.rgb, matrix, (w, h), borderMode=cv2.BORDER_REPLICATE), np.uint8)
    both = known.shown & (cv2.warpAffine(known.shown.astype(np.uint8), matrix, (w, h)) > 0)
    leaf = cv2.dilate(leafy(now), np.ones((2 * round(1.5 * per_mm) + 1,) * 2, np.uint8))
    shown = _plate(known, lid) & both & inside & (leaf == 0)
    # a highlight is no more than a mark
    one, two, seen = (
        np.clip(marks, -0.5, 0.5)
        for marks in even_light(
            [cv2.GaussianBlur(log_light(picture), (0, 0), 0.8) for picture in (known.rgb, other, now)],
            shown.astype(np.float32),
            _FINE_MM * per_mm,
        )
    )
    reach = max(1, round(_SHIFT_MM * per_mm))
    core = cv2.erode(shown.astype(np.uint8), np.ones((round(1.5 * per_mm) | 1,) * 2, np.uint8)) > 0
    core[:reach] = core[-reach:] = core[:, :reach] = core[:, -reach:] = False
    differ = (np.abs(one - two) > _FAINT).astype(np.uint8)
    y, x = np.nonzero((cv2.dilate(differ, np.ones((2 * reach + 1,) * 2, np.uint8)) > 0) & core)
    if not len(y):
        return 0.0
    value, shifts = seen[y, x], np.unique(np.linspace(-reach, reach, 5).round().astype(int))
    best, area = np.full((2, 2), -np.inf), 0
    for dy in shifts:
        for dx in shifts:
            a, b = one[y - dy, x - dx], two[y - dy, x - dx]
            apart = a - b
            apart[np.abs(apart) < _FAINT] = 0
            area = max(area, int((apart != 0).sum()))
            between, energy = float((apart**2).sum()), float((value[apart != 0] ** 2).sum())
            if between > 0 and energy > 0:
                like = round(float((apart * value).sum()) / np.sqrt(between * energy), 4)
                near = round(float((apart * (2 * value - a - b)).sum()) / between, 4)
                best = np.maximum(best, [[like, near], [-like, -near]])
    ways = best[0] - best[1]
    if not np.isfinite(ways).all() or ways[0] * ways[1] <= 0:
        return 0.0
    return float(np.sign(ways[0]) * np.abs(ways).min() * min(1.0, np.sqrt(area / per_mm**2 / _PLENTY_MM2)))


def prefer_by_plants(
    photo: Pyramid, first: Registration, second: Registration, others: Sequence[LidView], lid: Lid
) -> float:
    """Which of two ways round the plants of other days speak for: positive for the first, -2 to 2.

    ``others`` are views of the same lid on other days, plants and all, with labels that are sure. Where the leaf lies
    and how light and dark lie in it are both compared, each by correlation; their mean counts, and nothing if they or
    the days do not say the same.
    """
    room = 0.6 * np.sqrt(lid.area_per_site_mm2)
    low, high = lid.sites_mm.min(0) - room, lid.sites_mm.max(0) + room
    w, h = np.ceil((high - low) * _PLANTS_PX_PER_MM).astype(int).tolist()
    origin = (float(low[0]), float(low[1]))
    looks = [
        _plants(straighten(photo, way, origin_mm=origin, size=(h, w), px_per_mm=_PLANTS_PX_PER_MM)[0])
        for way in (first, second)
    ]
    said = []
    for other in others:
        zoom = _PLANTS_PX_PER_MM / other.px_per_mm
        matrix = np.array([[zoom, 0, 0], [0, zoom, 0]])
        matrix[:, 2] = (np.array(other.origin_mm) - low) * _PLANTS_PX_PER_MM
        there = _plants(cv2.warpAffine(other.rgb, matrix, (w, h), borderMode=cv2.BORDER_REPLICATE))
        said += [_correlation(a, c) - _correlation(b, c) for a, b, c in zip(looks[0], looks[1], there, strict=True)]
    if not said or min(said) * max(said) <= 0:
        return 0.0
    return float(np.mean(said))


def _plants(rgb: npt.NDArray[np.uint8]) -> tuple[Grey, Grey]:
    """Where leaf lies, and how light and dark lie in the picture; both on the scale of leaves."""
    leaf = cv2.GaussianBlur(leafy(rgb).astype(np.float32), (0, 0), _CROWN_MM * _PLANTS_PX_PER_MM)
    light = log_light(rgb)
    fine, broad = (cv2.GaussianBlur(light, (0, 0), s * _PLANTS_PX_PER_MM) for s in (_BLADE_MM, _SHADE_MM))
    return np.asarray(leaf, np.float32), np.asarray(fine - broad, np.float32)


def _correlation(a: Grey, b: Grey) -> float:
    a, b = a - a.mean(), b - b.mean()
    return float((a * b).sum() / np.sqrt(max(float((a**2).sum() * (b**2).sum()), 1e-12)))


def _plate(known: LidView, lid: Lid) -> npt.NDArray[np.bool_]:
    """Where a view shows bare plate: within the outline, holes and their rims left out."""
    if known.outline_mm is not None:
        low, high = known.outline_mm.min(0) + _EDGE_MM, known.outline_mm.max(0) - _EDGE_MM
    else:
        low, high = lid.sites_mm.min(0) - lid.hole_mm, lid.sites_mm.max(0) + lid.hole_mm
    mask = np.zeros(known.shown.shape, np.uint8)
    corners = np.rint((np.array([low, high]) - known.origin_mm) * known.px_per_mm).astype(int)
    cv2.rectangle(mask, corners[0].tolist(), corners[1].tolist(), 1, -1)
    for x, y in (lid.sites_mm - known.origin_mm) * known.px_per_mm:
        cv2.circle(mask, (round(x), round(y)), round(0.8 * lid.hole_mm * known.px_per_mm), 0, -1)
    return np.asarray(mask > 0)
