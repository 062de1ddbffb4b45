"""The camera that took the photo: where the lid's plane stood before it, fitted to points and squares on the lid.

A pinhole with square pixels, its axis through the picture's centre, and one term of radial distortion. The nine
numbers carry weak priors (phones look down, not sideways; their main lens spans 65 to 80 degrees), so that even
two or three visible holes give a sensible pose and a dozen decide it alone.

Rims stand a little above the plate. Seen at an angle they are displaced away from the point below the camera, by up
to a millimetre for two millimetres of height, so the height is fitted along: tags on the plate tell it, else its
prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from sprout.registration.geometry import Array, Registration

FOCAL = 0.73
"""Usual focal length of a phone's main lens in long sides of a picture: 24 to 28 mm on 36 x 24 (common practice)."""
RISE_MM = 1.7
"""Usual height of a rim above the plate: the lip of a net cup or a collar lies on top of it (common practice)."""
_MIDDLE = np.array([0, 0, 0, 0, 0, 0, 0, -0.02, RISE_MM])
_SPREAD = np.array([0.25, 0.25, np.inf, np.inf, np.inf, np.inf, 0.12, 0.04, 1.2])
_UNIT = np.array([0.05, 0.05, 0.05, 5, 5, 0.03, 0.1, 0.02, 1.0])


@dataclass(frozen=True, eq=False)
class Pose:
    """The lid's plane before the camera.

    Attributes
    ----------
    numbers:
        (9,): tilt about x and about y, roll (the lid is rolled about its normal first, then tilted; radians); u, v,
        where ``pivot_mm`` appears, in ideal working pixels from the picture's centre; natural logarithms of the working
        pixels per mm there before foreshortening, and of the focal length over its usual value; radial distortion
        ``k1`` (see :class:`Registration`); height of the rims above the plate in mm.
    pivot_mm:
        The point of the lid about which it turns.
    size_px:
        (height, width) of the working picture.
    """

    numbers: Array
    pivot_mm: Array
    size_px: tuple[int, int]

    @classmethod
    def facing(
        cls, *, roll: float, centre_px: Array, px_per_mm: float, pivot_mm: Array, size_px: tuple[int, int]
    ) -> Pose:
        """A lid that faces the camera squarely."""
        h, w = size_px
        u, v = np.asarray(centre_px, float) - [(w - 1) / 2, (h - 1) / 2]
        return cls(
            np.array([0, 0, roll, u, v, np.log(px_per_mm), 0, -0.02, RISE_MM]), np.asarray(pivot_mm, float), size_px
        )

    def homography(self, height_mm: float = 0.0) -> Array:
        """(3, 3) lid mm to ideal working pixels, for points at a height above the plate."""
        a, b, c, u, v, log_scale, log_focal = self.numbers[:7]
        h, w = self.size_px
        f = FOCAL * max(h, w) * np.exp(log_focal)
        ca, sa, cb, sb, cc, sc = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.cos(c), np.sin(c)
        # columns 1 and 2 of Rx(a) Ry(b) Rz(c)
        spin = np.array([[cc, -sc], [sc, cc], [0.0, 0.0]])
        lean = np.array([[cb, 0, sb], [sa * sb, ca, -sa * cb], [-ca * sb, sa, ca * cb]])
        r = lean @ spin
        z = f / np.exp(log_scale)
        # the third axis points into the lid
        t = np.array([u * z / f, v * z / f, z]) - height_mm * lean[:, 2]
        camera = np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1.0]])
        shift = np.array([[1, 0, -self.pivot_mm[0]], [0, 1, -self.pivot_mm[1]], [0, 0, 1.0]])
        return np.asarray(camera @ np.column_stack([r, t]) @ shift)

    def registration(self, fit_mm: float = np.nan, fit_by: str = "", *, height_mm: float = 0.0) -> Registration:
        """The same as a map between millimetres on the plate (or on a plane above it) and pixels."""
        return Registration(self.homography(height_mm), float(self.numbers[7]), self.size_px, fit_mm, fit_by)

    @property
    def rims(self) -> Registration:
        """The map for the plane of the rims."""
        return self.registration(height_mm=float(self.numbers[8]))


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted pose.

    Attributes
    ----------
    residual_mm:
        (n,) distance of each point from its prediction, on the lid's plane.
    spread:
        (9, 9) covariance of the pose's numbers, for the error of a point given as ``sigma_px``.
    """

    pose: Pose
    residual_mm: Array
    spread: Array

    def error_mm(self, mm: Array) -> Array:
        """Standard error of the registration at (n, 2) places on the lid, in mm."""
        scale = np.exp(self.pose.numbers[5])
        step = 1e-3 * _UNIT
        base = self.pose.registration().to_px(mm)
        slopes = np.stack(
            [
                (
                    replace(self.pose, numbers=self.pose.numbers + step * (np.arange(9) == k)).registration().to_px(mm)
                    - base
                )
                / step[k]
                for k in range(9)
            ],
            axis=2,
        )
        variance = np.einsum("nik,kl,nil->n", slopes, self.spread, slopes)
        return np.asarray(np.sqrt(np.maximum(variance, 0)) / scale)


def fit_pose(
    start: Pose,
    mm: Array,
    px: Array,
    sigma_px: Array | float,
    *,
    raised: Array | bool = True,
    squares: Sequence[tuple[Array, float, float]] = (),
) -> Fit:
    """Fit the pose to points on the lid, robustly.

    Parameters
    ----------
    mm, px:
        (n, 2) points on the lid and where they are seen, in working pixels.
    raised:
        Which of them lie at the height of the rims, (n,) or one for all; the others lie on the plate.
    sigma_px:
        Standard error of each point, (n,) or one for all.
    squares:
        Squares of known side that lie somewhere on the lid: corners (4, 2) in working pixels, clockwise,
        the side in mm and the standard error of a corner in pixels. Where they lie is fitted along.
    """
    mm, px = np.asarray(mm, float).reshape(-1, 2), np.asarray(px, float).reshape(-1, 2)
    weight = 1 / np.broadcast_to(np.asarray(sigma_px, float), len(mm))
    high = np.broadcast_to(np.asarray(raised, bool), len(mm))[:, None]
    unit = np.concatenate([_UNIT, np.tile([1.0, 1.0, 0.03], len(squares))])
    places = []
    unit_square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    first = start.registration()
    for corners, _, _ in squares:
        at = first.to_mm(corners)
        edge = at[1] - at[0] + at[2] - at[3]
        places.append([*at.mean(0), np.arctan2(edge[1], edge[0])])
    x0 = np.concatenate([start.numbers, np.ravel(places)])

    def residuals(x: Array) -> Array:
        x = x * unit
        pose = replace(start, numbers=x[:9])
        reg = pose.registration()
        parts = []
        if len(mm):
            predicted = np.where(high, pose.rims.to_px(mm), reg.to_px(mm))
            parts.append(((predicted - px) * weight[:, None]).ravel())
        for k, (corners, side, sigma) in enumerate(squares):
            cx, cy, turn = x[9 + 3 * k : 12 + 3 * k]
            rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
            parts.append(((reg.to_px(side * unit_square @ rotation.T + [cx, cy]) - corners) / sigma).ravel())
        return np.concatenate([*parts, (x[:9] - _MIDDLE) / _SPREAD])

    solved = least_squares(residuals, x0 / unit, loss="soft_l1", f_scale=2.0, method="trf", max_nfev=60)
    numbers = solved.x * unit
    pose = replace(start, numbers=numbers[:9])
    # unit ridge: what the data leave open stays as wide as its scale
    information = solved.jac.T @ solved.jac + 1e-9 * np.eye(len(unit))
    spread = np.linalg.inv(information)[:9, :9] * np.outer(_UNIT, _UNIT)
    seen = np.where(high, pose.rims.to_mm(px), pose.registration().to_mm(px)) if len(mm) else mm
    residual = np.linalg.norm(seen - mm, axis=1)
    return Fit(pose, residual, spread)
