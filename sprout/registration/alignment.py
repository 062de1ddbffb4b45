"""Lay a photo on the lid's known look: the pose is moved until the straightened photo and the view agree.

Direct alignment by Gauss-Newton on the pose's own numbers (Lucas & Kanade 1981, Proc. IJCAI, 674-679; Baker & Matthews
2004, Int. J. Comput. Vis. 56:221-255), with the mean of both pictures' gradients (Benhimane & Malis 2004, Proc. IROS,
943-948) and weights that let plants, foil and shadows go. The plate's edge, its print and its screws pull; holes are
left out, for what stands in them changes. What comes out is a belief: where the pose should be and how surely, to be
fitted together with rims and tags.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.pyramid import Pyramid, spacing_px
from sprout.registration.camera import Belief, Pose, slopes_px
from sprout.registration.geometry import Array, LidView, Registration
from sprout.registration.holes import Circles, leafy

Grey = npt.NDArray[np.float32]

LEVELS = (8, 4, 2)
"""Coarse to fine: how much smaller than the known view the compared pictures are."""
_LEAST_SHOWN = 0.05
"""Least share of what the view shows of the plate that a photo must show to be compared."""
_LOCAL = 3.0
_AROUND_MM = 12.0
"""How much of the table round the plate is compared."""
_SAMPLE_MM = 10.0
_SMALL_PX = 250
_FEW, _MANY = 5, 2000
_ALIKE = 12.0
"""How many neighbouring pixels err alike, in pixels of a level."""
_PARTS = 24
"""Of a view, each way: within one all pixels move alike."""


@dataclass(frozen=True, eq=False)
class _Level:
    """The known view, reduced.

    Attributes
    ----------
    light:
        (h, w) log lightness.
    shown:
        (h, w) float32, 1 where it shows the lid's plane, 0 under plants and in holes.
    x_mm, y_mm:
        (w,) and (h,) places of the pixels on the lid.
    part:
        (h, w) which of ``_PARTS`` times ``_PARTS`` equal parts a pixel lies in.
    """

    light: Grey
    shown: Grey
    x_mm: Array
    y_mm: Array
    part: npt.NDArray[np.intp]

    @property
    def mm_per_px(self) -> float:
        return float(self.x_mm[1] - self.x_mm[0])


def log_light(rgb: npt.NDArray[np.uint8]) -> Grey:
    return np.asarray(np.log1p(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)), np.float32)


def _bare(rgb: npt.NDArray[np.uint8]) -> Grey:
    """1 where no plant is seen, 0 on plants and beside them."""
    return np.asarray(1 - cv2.dilate(leafy(rgb), np.ones((5, 5), np.uint8)), np.float32)


class Comparison:
    """A photo beside the known view of its lid: how well a pose makes them agree, and where the pose should move."""

    def __init__(self, picture: Pyramid, known: LidView, lid: Lid) -> None:
        self._levels = {}
        h, w = known.rgb.shape[:2]
        mask = known.shown.astype(np.uint8)
        if known.outline_mm is not None:
            # the lid may stand elsewhere on the table, whose print must not pull
            near = np.zeros_like(mask)
            low, high = known.outline_mm.min(0) - _AROUND_MM, known.outline_mm.max(0) + _AROUND_MM
            corners = np.rint((np.array([low, high]) - known.origin_mm) * known.px_per_mm).astype(int)
            cv2.rectangle(near, corners[0].tolist(), corners[1].tolist(), 1, -1)
            mask &= near
        for x, y in (lid.sites_mm - known.origin_mm) * known.px_per_mm:
            cv2.circle(mask, (round(x), round(y)), round(0.8 * lid.hole_mm * known.px_per_mm), 0, -1)
        for reduce in LEVELS:
            size = (w // reduce, h // reduce)
            shown = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
            per_px = np.array([w, h]) / size / known.px_per_mm
            first = np.array(known.origin_mm) + (per_px - 1 / known.px_per_mm) / 2
            self._levels[reduce] = _Level(
                log_light(np.asarray(cv2.resize(known.rgb, size, interpolation=cv2.INTER_AREA), np.uint8)),
                (shown > 0.7).astype(np.float32),
                first[0] + per_px[0] * np.arange(size[0]),
                first[1] + per_px[1] * np.arange(size[1]),
                np.add.outer(
                    *(np.arange(side) * _PARTS // side * by for side, by in zip(size[::-1], (_PARTS, 1), strict=True))
                ),
            )
        self._picture = picture
        self._seen: dict[int, tuple[Grey, Grey]] = {}

    def _now(self, registration: Registration, level: _Level) -> tuple[Grey, Grey]:
        """Log lightness of the photo straightened to a level, and where both show the bare plane (0 to 1)."""
        grid = registration.grid_px(level.x_mm, level.y_mm)
        k = self._picture.level(spacing_px(grid))
        if k not in self._seen:
            rgb = self._picture.halved(k)
            self._seen[k] = (log_light(rgb), _bare(rgb))
        light, bare = self._seen[k]
        at = self._picture.places(grid, k)
        now = cv2.remap(light, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        shown = cv2.remap(bare, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return np.asarray(now, np.float32), np.asarray((shown > 0.8) * level.shown, np.float32)

    @property
    def size_px(self) -> tuple[int, int]:
        """(height, width) of the working picture."""
        return self._picture.size_px

    def samples(self) -> tuple[Array, Grey]:
        """Places on the lid (n, 2) in mm, holes left out, some hundred, and the view's log lightness there (n,)."""
        level = self._levels[LEVELS[0]]
        step = max(1, round(_SAMPLE_MM / level.mm_per_px))
        light = cv2.GaussianBlur(level.light, (0, 0), 0.25 * step) if step > 1 else level.light
        y, x = np.nonzero(level.shown[::step, ::step] > 0)
        mm = np.column_stack([level.x_mm[::step][x], level.y_mm[::step][y]])
        return mm, np.asarray(light[::step, ::step][y, x], np.float32)

    def smallest(self) -> tuple[Grey, Grey, float]:
        """The photo's log lightness at about 250 px, where no plant is seen (0 or 1), and how much it was shrunk."""
        small, shrink = self._picture.shrunk(_SMALL_PX)
        bare = 1 - cv2.dilate(leafy(small), np.ones((3, 3), np.uint8))
        light = cv2.GaussianBlur(log_light(small), (0, 0), 1.0)
        return np.asarray(light, np.float32), np.asarray(bare, np.float32), shrink

    def agreement(self, registration: Registration, reduce: int) -> float:
        """Correlation of photo and view at a level, -1 to 1, slow changes of light left out."""
        level = self._levels[reduce]
        now, shown = self._now(registration, level)
        if shown.sum() < _LEAST_SHOWN * level.shown.sum():
            return 0.0
        total = 0.0
        for sigma in (8.0 / reduce, 50.0 / reduce):
            a, n = even_light((level.light, now), shown, sigma)
            norm = float(np.sqrt((a**2).sum() * (n**2).sum()))
            total += float((a * n).sum()) / norm / 2 if norm > 0 else 0.0
        return total

    def belief(self, pose: Pose, reduce: int) -> Belief | None:
        """Where the pose should be by a step of Gauss-Newton; None where nothing can be compared."""
        level = self._levels[reduce]
        now, shown = self._now(pose.registration(), level)
        a, n = _contrast((level.light, now), shown)
        use = cv2.erode(shown, np.ones((3, 3), np.uint8)) > 0
        if use.sum() < 50:
            return None
        off = (n - a)[use]
        noise = max(1.48 * float(np.median(np.abs(off))), 0.3 * float(np.sqrt((a[use] ** 2).mean())))
        both = (a + n) / 2
        mm = 1 / 8 / level.mm_per_px
        gx, gy = (cv2.Sobel(both, cv2.CV_32F, *d, ksize=3, scale=mm) for d in ((1, 0), (0, 1)))
        # where nothing changes nothing pulls
        size = gx * gx + gy * gy
        at = np.flatnonzero(use & (size > 0.03 * float(size[use].mean())))
        off, gx, gy = (values.take(at) for values in (n - a, gx, gy))
        weight = 1 / (1 + (off / (3 * noise)) ** 2)
        part = level.part.take(at)
        xx, xy, yy, x_off, y_off = (
            np.bincount(part, weight * values, minlength=_PARTS**2)
            for values in (gx * gx, gx * gy, gy * gy, gx * off, gy * off)
        )
        moves = _moves(pose, level)
        pull = np.stack([np.stack([xx, xy], 1), np.stack([xy, yy], 1)], 2)
        per = noise**2 * _ALIKE * (reduce / 2) ** 2
        weighted = np.einsum("kpi,pij->kpj", moves, pull)
        information = weighted.reshape(9, -1) @ moves.reshape(9, -1).T / per
        return Belief.of(pose.numbers, information, np.einsum("kpi,pi->k", moves, np.stack([x_off, y_off], 1)) / per)


def _moves(pose: Pose, level: _Level) -> Array:
    """How far, in mm on the lid, what is seen in each part of a level moves as each of the pose's numbers grows by one.

    (9, parts, 2). Within a part all pixels are taken to move like its middle.
    """
    share = (np.arange(_PARTS) + 0.5) / _PARTS
    axes = [axis[0] + (axis[-1] - axis[0]) * share for axis in (level.x_mm, level.y_mm)]
    mm = np.stack(np.meshgrid(*axes), -1).reshape(-1, 2)
    step = np.array([0.5, 0.0])
    reg = pose.registration()
    jacobian = np.stack([reg.to_px(mm + d) - reg.to_px(mm - d) for d in (step, step[::-1])], axis=2)
    return np.asarray(np.einsum("nij,knj->kni", np.linalg.inv(jacobian), slopes_px(pose, mm)))


def similar_poses(
    comparison: Comparison, circles: Circles, lid: Lid, *, most: int = 8, most_circles: int = 20
) -> list[Pose]:
    """Poses without tilt that lay any site on any of the strongest circles and look most like the known view.

    Every circle is tried as every site, at every angle and at the few scales its radius allows, each on a few hundred
    samples of the view: the plate against its surroundings tells most of them apart.
    """
    mm, light = comparison.samples()
    small, bare, shrink = comparison.smallest()
    h, w = small.shape
    sites = lid.sites_mm @ np.array([1, 1j])
    centres = circles.centres[:most_circles] @ np.array([1, 1j])
    turns = np.exp(1j * np.radians(np.arange(0, 360, 7.5)))
    scales = 2 * circles.radii[:most_circles, None] / lid.hole_mm / np.array([0.83, 1.0, 1.2])
    extent = float(np.ptp(mm, axis=0).max())
    long = max(h, w) / shrink
    a = (scales[:, :, None] * turns).reshape(len(centres), -1)
    b = (centres[:, None, None] - a[:, :, None] * sites).ravel()
    a = np.repeat(a.ravel(), len(sites))
    plausible = (np.abs(a) * extent > 0.25 * long) & (np.abs(a) * extent < 1.6 * long)
    a, b = a[plausible], b[plausible]
    z = (mm @ np.array([1, 1j])).astype(np.complex64)

    def scores(a: npt.NDArray[np.complex128], b: npt.NDArray[np.complex128], every: int) -> Grey:
        """Correlations of the photo with every so many samples of the view."""
        at = ((a[:, None] * z[::every] + b[:, None] + (0.5 + 0.5j)) * shrink).astype(np.complex64)
        x, y = at.real.astype(np.int32), at.imag.astype(np.int32)
        inside = (at.real >= 0) & (at.imag >= 0) & (x < w) & (y < h)
        place = y.clip(0, h - 1) * w + x.clip(0, w - 1)
        weight = (bare.ravel()[place] * inside).astype(np.float32)
        now, then = small.ravel()[place], light[::every]
        n = weight.sum(1) + 1e-6
        one = then - (weight @ then / n)[:, None]
        two = now - ((weight * now).sum(1) / n)[:, None]
        norm = np.sqrt((weight * one**2).sum(1) * (weight * two**2).sum(1)) + 1e-6
        likeness = (weight * one * two).sum(1) / norm * np.minimum(1, n / (0.15 * len(then)))
        return np.asarray(np.round(likeness, 5), np.float32)

    if not len(a):
        return []
    # few samples tell which are worth many
    rough = np.concatenate([scores(a[low : low + 4000], b[low : low + 4000], _FEW) for low in range(0, len(a), 4000)])
    first = np.argsort(-rough, kind="stable")[:_MANY]
    a, b = a[first], b[first]
    kept: list[npt.NDArray[np.complex128]] = []
    poses: list[Pose] = []
    pivot = lid.sites_mm.mean(0)
    ends = np.array([sites[0], sites[-1]])
    for k in np.argsort(-scores(a, b, 1), kind="stable"):
        where = a[k] * ends + b[k]
        if any(np.abs(where - other).max() < 0.5 * lid.hole_mm * abs(a[k]) for other in kept):
            continue
        kept.append(where)
        centre = a[k] * complex(*pivot) + b[k]
        poses.append(
            Pose.facing(
                roll=float(np.angle(a[k])),
                centre_px=np.array([centre.real, centre.imag]),
                px_per_mm=float(np.abs(a[k])),
                pivot_mm=pivot,
                size_px=comparison.size_px,
            )
        )
        if len(poses) == most:
            break
    return poses


def _contrast(lights: Sequence[Grey], shown: Grey) -> list[Grey]:
    """Log lightness less its local mean, in local standard deviations: a faint edge pulls where a strong one does."""
    weight = np.maximum(_blurred(shown, _LOCAL), 1e-3)
    evened = even_light(lights, shown, _LOCAL)
    return [np.asarray(even / (np.sqrt(_blurred(even * even, _LOCAL) / weight) + 0.05), np.float32) for even in evened]


def even_light(lights: Sequence[Grey], shown: Grey, sigma: float) -> list[Grey]:
    """Log lightness less its local mean over what is shown: what light and exposure cannot change."""
    weight = np.maximum(_blurred(shown, sigma), 1e-3)
    return [np.asarray((light - _blurred(light * shown, sigma) / weight) * shown, np.float32) for light in lights]


def _blurred(picture: Grey, sigma: float) -> Grey:
    """Blurred by a Gaussian; by a wide one on a smaller copy, for what is left is smooth."""
    shrink = 2 ** max(0, int(np.log2(sigma / 3)))
    if shrink == 1:
        return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)
    h, w = picture.shape
    small = cv2.resize(picture, (-(-w // shrink), -(-h // shrink)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / shrink), (w, h)), np.float32)
