"""The camera that took the photo: where the lid's plane stood before it, fitted to points and squares on the lid.

A pinhole with square pixels, its axis through the picture's centre, and one term of radial distortion. The nine
numbers carry weak priors (phones look down, not sideways; their main lens spans 65 to 80 degrees), so that even
two or three visible holes give a sensible pose and a dozen decide it alone.

Rims stand a little above the plate. Seen at an angle they are displaced away from the point below the camera, by up
to a millimetre for two millimetres of height, so the height is fitted along: tags on the plate tell it, else its
prior.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sprout.registration.geometry import Array, Registration

FOCAL = 0.73
"""Usual focal length of a phone's main lens in long sides of a picture: 24 to 28 mm on 36 x 24 (common practice)."""
RISE_MM = 1.7
"""Usual height of a rim above the plate: the lip of a net cup or a collar lies on top of it (common practice)."""
MIDDLE = np.array([0, 0, 0, 0, 0, 0, 0, -0.02, RISE_MM])
SPREAD = np.array([0.25, 0.25, np.inf, np.inf, np.inf, np.inf, 0.12, 0.04, 1.2])
_OUTLYING = 2.0
"""Residuals larger than this, in standard errors, pull less than in proportion."""
_MOST_STEPS = 40
UNIT = np.array([0.05, 0.05, 0.05, 5, 5, 0.03, 0.1, 0.02, 1.0])


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
        return np.asarray(_homographies(self.numbers[None], np.array([height_mm]), self.pivot_mm, self.size_px)[0])

    def registration(self, fit_mm: float = np.nan, fit_by: str = "", *, height_mm: float = 0.0) -> Registration:
        """The same as a map between millimetres on the plate (or on a plane above it) and pixels."""
        return Registration(self.homography(height_mm), float(self.numbers[7]), self.size_px, fit_mm, fit_by)

    @property
    def rims(self) -> Registration:
        """The map for the plane of the rims."""
        return self.registration(height_mm=float(self.numbers[8]))


def _homographies(numbers: Array, height_mm: Array, pivot_mm: Array, size_px: tuple[int, int]) -> Array:
    """(m, 3, 3) lid mm to ideal working pixels for (m, 9) poses, for points at (m,) heights above the plate."""
    a, b, c, u, v, log_scale, log_focal = numbers[:, :7].T
    h, w = size_px
    f = FOCAL * max(h, w) * np.exp(log_focal)
    ca, sa, cb, sb, cc, sc = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.cos(c), np.sin(c)
    z = f / np.exp(log_scale)
    # columns 1 and 2 of Rx(a) Ry(b) Rz(c), then the shift; the third axis, (sb, -sa cb, ca cb), points into the lid
    r = np.empty((len(numbers), 3, 3))
    r[:, 0, 0], r[:, 0, 1], r[:, 0, 2] = cb * cc, -cb * sc, u * z / f - height_mm * sb
    r[:, 1, 0], r[:, 1, 1], r[:, 1, 2] = sa * sb * cc + ca * sc, ca * cc - sa * sb * sc, v * z / f + height_mm * sa * cb
    r[:, 2, 0], r[:, 2, 1], r[:, 2, 2] = sa * sc - ca * sb * cc, ca * sb * sc + sa * cc, z - height_mm * ca * cb
    r[:, :, 2] -= r[:, :, :2] @ pivot_mm
    r[:, 0] = f[:, None] * r[:, 0] + (w - 1) / 2 * r[:, 2]
    r[:, 1] = f[:, None] * r[:, 1] + (h - 1) / 2 * r[:, 2]
    return np.asarray(r)


def _see(numbers: Array, height_mm: Array, mm: Array, pivot_mm: Array, size_px: tuple[int, int]) -> Array:
    """Where (m, 9) poses show points of the lid, (n, 2) or (m, n, 2), at (m,) heights: (m, n, 2) working pixels."""
    homography = _homographies(numbers, height_mm, pivot_mm, size_px)
    seen = mm @ homography[:, :, :2].swapaxes(1, 2) + homography[:, None, :, 2]
    h, w = size_px
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    d = seen[..., :2] / seen[..., 2:] - centre
    r2 = (d**2).sum(-1, keepdims=True) / (np.hypot(w, h) / 2) ** 2
    return np.asarray(centre + d * (1 + numbers[:, 7, None, None] * r2))


def slopes_px(pose: Pose, mm: Array) -> Array:
    """(9, n, 2) working pixels that points on the plate move by as each of the pose's numbers grows by one."""
    step = 1e-3 * UNIT
    around = pose.numbers + np.concatenate([np.zeros((1, 9)), np.diag(step)])
    seen = _see(around, np.zeros(10), np.asarray(mm, float), pose.pivot_mm, pose.size_px)
    return np.asarray((seen[1:] - seen[0]) / step[:, None, None])


@dataclass(frozen=True, eq=False)
class Belief:
    """What else is known of a pose: the numbers it should have (9,), and the (k, 9) root of their information."""

    numbers: Array
    root: Array

    @classmethod
    def of(cls, numbers: Array, information: Array, gradient: Array) -> Belief:
        """From the information (9, 9) and the gradient (9,) of a sum of squares at some numbers."""
        values, vectors = np.linalg.eigh(information * np.outer(UNIT, UNIT))
        firm = values > 1e-6 * values.max()
        values, vectors = values[firm], vectors[:, firm]
        step = -vectors @ ((vectors.T @ (gradient * UNIT)) / values)
        return cls(numbers + step * UNIT, np.sqrt(values)[:, None] * vectors.T / UNIT)


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
        slopes = slopes_px(self.pose, mm)
        variance = np.einsum("kni,kl,lni->n", slopes, self.spread, slopes)
        return np.asarray(np.sqrt(np.maximum(variance, 0)) / np.exp(self.pose.numbers[5]))


def _least(residuals: Callable[[Array], Array], x: Array) -> tuple[Array, Array]:
    """The (p,) numbers at which the residuals are least, robustly, and the (p, p) information on them there.

    Damped Gauss-Newton steps (Levenberg 1944, Q. Appl. Math. 2:164-168) on the smooth approximation of absolute values
    (Charbonnier et al. 1997, IEEE Trans. Image Process. 6:298-311). ``residuals`` maps (m, p) trials to (m, r): all
    slopes come from one call, which for so few numbers costs far less than a general solver's bookkeeping.
    """
    nudges = 1e-6 * np.concatenate([np.zeros((1, len(x))), np.eye(len(x))])
    damping, best = 1e-4, np.inf
    trial = x
    for _ in range(_MOST_STEPS):
        around = residuals(trial + nudges)
        soft = np.sqrt(1 + (around[0] / _OUTLYING) ** 2)
        cost = float(soft.sum()) - len(soft)
        gain = best - cost
        if gain > 0:
            x, best = trial, cost
            slopes = (around[1:] - around[0]) / 1e-6
            gradient, information = slopes @ (around[0] / soft), (slopes / soft**3) @ slopes.T
            damping /= 10
        else:
            damping *= 20
        trial = x - np.linalg.solve(information + damping * np.diag(1e-9 + np.diag(information)), gradient)
        if abs(gain) <= 1e-5 * best:
            break
    return x, information


def fit_pose(
    start: Pose,
    mm: Array,
    px: Array,
    sigma_px: Array | float,
    *,
    raised: Array | bool = True,
    squares: Sequence[tuple[Array, float, float]] = (),
    belief: Belief | None = None,
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
    belief:
        What else is known of the pose.
    """
    mm, px = np.asarray(mm, float).reshape(-1, 2), np.asarray(px, float).reshape(-1, 2)
    weight = 1 / np.broadcast_to(np.asarray(sigma_px, float), len(mm))
    high = np.broadcast_to(np.asarray(raised, bool), len(mm))[:, None]
    unit = np.concatenate([UNIT, np.tile([1.0, 1.0, 0.03], len(squares))])
    places = []
    unit_square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    first = start.registration()
    for corners, _, _ in squares:
        at = first.to_mm(corners)
        edge = at[1] - at[0] + at[2] - at[3]
        places.append([*at.mean(0), np.arctan2(edge[1], edge[0])])
    x0 = np.concatenate([start.numbers, np.ravel(places)])
    order = np.argsort(~high.ravel(), kind="stable")
    n_high = int(high.sum())

    def residuals(x: Array) -> Array:
        """(m, p) trials to (m, r) residuals."""
        x = x * unit
        numbers, flat = x[:, :9], np.zeros(len(x))
        raised_px = _see(numbers, numbers[:, 8], mm[order[:n_high]], start.pivot_mm, start.size_px)
        flat_px = _see(numbers, flat, mm[order[n_high:]], start.pivot_mm, start.size_px)
        predicted = np.concatenate([raised_px, flat_px], axis=1)
        parts = [((predicted - px[order]) * weight[order, None]).reshape(len(x), -1)]
        for k, (corners, side, sigma) in enumerate(squares):
            cx, cy, turn = x[:, 9 + 3 * k : 12 + 3 * k].T
            rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]).transpose(2, 0, 1)
            at = side * unit_square @ rotation + np.column_stack([cx, cy])[:, None]
            seen = _see(numbers, flat, at, start.pivot_mm, start.size_px)
            parts.append(((seen - corners) / sigma).reshape(len(x), -1))
        if belief is not None:
            parts.append((numbers - belief.numbers) @ belief.root.T)
        return np.concatenate([*parts, (numbers - MIDDLE) / SPREAD], axis=1)

    x, information = _least(residuals, x0 / unit)
    numbers = x * unit
    pose = replace(start, numbers=numbers[:9])
    # unit ridge: what the data leave open stays as wide as its scale
    spread = np.asarray(np.linalg.inv(information + 1e-9 * np.eye(len(unit))), float)[:9, :9] * np.outer(UNIT, UNIT)
    seen = np.where(high, pose.rims.to_mm(px), pose.registration().to_mm(px)) if len(mm) else mm
    residual = np.linalg.norm(seen - mm, axis=1)
    return Fit(pose, residual, spread)
