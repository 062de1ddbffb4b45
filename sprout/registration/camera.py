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
_CORNER = np.array([[-0.5, 0.5, 0.5, -0.5], [-0.5, -0.5, 0.5, 0.5]])
"""x and y of the corners of a square of side 1 about its middle."""
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
        a, b, c, u, v, log_scale, log_focal = self.numbers[:7]
        h, w = self.size_px
        f = FOCAL * max(h, w) * np.exp(log_focal)
        z = f / np.exp(log_scale)
        ca, sa, cb, sb, cc, sc = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.cos(c), np.sin(c)
        # columns 1 and 2 of Rx(a) Ry(b) Rz(c), then the shift; the third axis, (sb, -sa cb, ca cb), points into the lid
        plane = np.array(
            [
                [cb * cc, -cb * sc, u * z / f - height_mm * sb],
                [sa * sb * cc + ca * sc, ca * cc - sa * sb * sc, v * z / f + height_mm * sa * cb],
                [sa * sc - ca * sb * cc, ca * sb * sc + sa * cc, z - height_mm * ca * cb],
            ]
        )
        plane[:, 2] -= plane[:, :2] @ self.pivot_mm
        camera = np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1]])
        return np.asarray(camera @ plane)

    def registration(self, fit_mm: float = np.nan, fit_by: str = "", *, height_mm: float = 0.0) -> Registration:
        """The same as a map between millimetres on the plate (or on a plane above it) and pixels."""
        return Registration(self.homography(height_mm), float(self.numbers[7]), self.size_px, fit_mm, fit_by)

    @property
    def rims(self) -> Registration:
        """The map for the plane of the rims."""
        return self.registration(height_mm=float(self.numbers[8]))


def see(numbers: Array, mm: Array, raised: Array, pivot_mm: Array, size_px: tuple[int, int]) -> tuple[Array, Array]:
    """Where poses show points of the lid, and how that changes.

    Parameters
    ----------
    numbers:
        (m, 9) numbers of poses (see :class:`Pose`).
    mm:
        (n, 2) points, or (m, n, 2), others for each pose.
    raised:
        (n,) 1 for points at the height of the rims, 0 for those on the plate.

    Returns
    -------
    seen, slopes:
        (2, m, n) working pixels; (11, 2, m, n) by how much they grow with each of the numbers, and with the points' x
        and y in mm.
    """
    a, b, c, u, v, log_scale, log_focal, k1, rise = numbers.T[..., None]
    h, w = size_px
    f = FOCAL * max(h, w) * np.exp(log_focal)
    near = np.exp(-log_scale)
    ca, sa, cb, sb, cc, sc = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.cos(c), np.sin(c)
    x, y = mm[..., 0] - pivot_mm[0], mm[..., 1] - pivot_mm[1]
    height = rise * raised
    # rolled, then tilted about y, then about x
    x, y = cc * x - sc * y, sc * x + cc * y
    px, z = cb * x - sb * height, -sb * x - cb * height
    py, pz = ca * y - sa * z, sa * y + ca * z
    moves = np.zeros((11, 3, *px.shape))
    moves[0, 1], moves[0, 2] = -pz, py
    moves[1, 0], moves[1, 1], moves[1, 2] = z, sa * px, -ca * px
    moves[2, 0], moves[2, 1], moves[2, 2] = -cb * y, ca * x - sa * sb * y, sa * x + ca * sb * y
    moves[3, 0] = moves[4, 1] = near
    moves[5, 0], moves[5, 1], moves[5, 2] = -near * u, -near * v, -near * f
    moves[6, 2] = near * f
    moves[8, 0], moves[8, 1], moves[8, 2] = -sb * raised, sa * cb * raised, -ca * cb * raised
    moves[9, 0], moves[9, 1], moves[9, 2] = cb * cc, sa * sb * cc + ca * sc, sa * sc - ca * sb * cc
    moves[10, 0], moves[10, 1], moves[10, 2] = -cb * sc, ca * cc - sa * sb * sc, ca * sb * sc + sa * cc
    depth = pz + near * f
    d = np.stack([px + near * u, py + near * v]) * (f / depth)
    slopes = moves[:, :2] * (f / depth) - moves[:, 2:] * (d / depth)
    slopes[6] += d
    unit2 = (w**2 + h**2) / 4
    r2 = (d**2).sum(0) / unit2
    stretch = 1 + k1 * r2
    slopes = slopes * stretch + d * (2 * k1 / unit2 * (slopes * d).sum(1))[:, None]
    slopes[7] = d * r2
    centre = np.array([(w - 1) / 2, (h - 1) / 2])[:, None, None]
    return np.asarray(centre + d * stretch), slopes


def slopes_px(pose: Pose, mm: Array) -> Array:
    """(9, n, 2) working pixels that points on the plate move by as each of the pose's numbers grows by one."""
    mm = np.asarray(mm, float)
    _, slopes = see(pose.numbers[None], mm, np.zeros(len(mm)), pose.pivot_mm, pose.size_px)
    return np.asarray(slopes[:9, :, 0].swapaxes(1, 2))


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

    @classmethod
    def of(cls, pose: Pose, information: Array, mm: Array, px: Array, raised: Array) -> Fit:
        """The fit of a pose to points (n, 2) seen at px (n, 2), with the information on it in units of :data:`UNIT`."""
        # unit ridge: what the data leave open stays as wide as its scale
        spread = np.linalg.inv(information + 1e-9 * np.eye(len(information)))[:9, :9] * np.outer(UNIT, UNIT)
        seen = np.where(raised[:, None] > 0, pose.rims.to_mm(px), pose.registration().to_mm(px)) if len(mm) else mm
        return cls(pose, np.linalg.norm(seen - mm, axis=1), np.asarray(spread, float))

    def error_mm(self, mm: Array) -> Array:
        """Standard error of the registration at (n, 2) places on the lid, in mm."""
        slopes = slopes_px(self.pose, mm)
        variance = np.einsum("kni,kl,lni->n", slopes, self.spread, slopes)
        return np.asarray(np.sqrt(np.maximum(variance, 0)) / np.exp(self.pose.numbers[5]))


def _least(residuals: Callable[[Array], tuple[Array, Array]], x: Array) -> tuple[Array, Array]:
    """The numbers at which residuals are least, robustly, of m problems at once, and the information on them there.

    Damped Gauss-Newton steps (Levenberg 1944, Q. Appl. Math. 2:164-168) on the smooth approximation of absolute values
    (Charbonnier et al. 1997, IEEE Trans. Image Process. 6:298-311). ``residuals`` maps (m, p) trials to (m, r) and
    their (m, p, r) slopes: for so few numbers a general solver's bookkeeping would cost far more than the steps.
    Steps reweight what lies far off (Holland & Welsch 1977, Commun. Stat. A6:813-827), for by its true curvature they
    would overshoot; the information is by that. Returns (m, p) and (m, p, p).
    """
    m, p = x.shape
    damping, best = np.full((m, 1, 1), 1e-4), np.full(m, np.inf)
    gradient, curvature, information = np.zeros((m, p, 1)), np.zeros((m, p, p)), np.zeros((m, p, p))
    trial = x
    for _ in range(_MOST_STEPS):
        off, slopes = residuals(trial)
        soft = np.sqrt(1 + (off / _OUTLYING) ** 2)
        cost = soft.sum(1) - soft.shape[1]
        gain = best - cost
        better = gain > 0
        x, best = np.where(better[:, None], trial, x), np.where(better, cost, best)
        better = better[:, None, None]
        pull = slopes / soft[:, None]
        gradient = np.where(better, pull @ off[..., None], gradient)
        curvature = np.where(better, pull @ slopes.swapaxes(1, 2), curvature)
        information = np.where(better, (pull / soft[:, None] ** 2) @ slopes.swapaxes(1, 2), information)
        damping = np.where(better, damping / 10, damping * 20)
        diagonal = np.einsum("mpp->mp", curvature)[..., None] * np.eye(p)
        step = np.linalg.solve(curvature + damping * (diagonal + 1e-9 * np.eye(p)), gradient)
        trial = x - step[..., 0]
        if (np.abs(gain) <= 1e-5 * best).all():
            break
    return x, information


def fit_numbers(
    start: Array,
    mm: Array,
    px: Array,
    weight: Array,
    raised: Array,
    pivot_mm: Array,
    size_px: tuple[int, int],
    *,
    squares: Sequence[tuple[Array, float, float]] = (),
    belief: Belief | None = None,
) -> tuple[Array, Array]:
    """Fit m poses to points on the lid at once, robustly.

    Parameters
    ----------
    start:
        (m, 9) numbers to start from.
    mm:
        (n, 2) points on the lid.
    px, weight:
        (m, n, 2) where they are seen, in working pixels, and (m, n) one over the standard errors, 0 for points that
        are not seen.
    raised:
        (n,) 1 for points at the height of the rims, 0 for those on the plate.
    squares, belief:
        As for :func:`fit_pose`, for one pose alone.

    Returns
    -------
    numbers, information:
        (m, 9), and (m, p, p) in units of :data:`UNIT`; the places of squares come last.
    """
    m, n, k = len(start), len(mm), len(squares)
    corners, side, sigma = (np.array([square[i] for square in squares]) for i in range(3))
    x0 = start
    if k:
        at = Pose(start[0], pivot_mm, size_px).registration().to_mm(corners.reshape(-1, 2)).reshape(k, 4, 2)
        edge = at[:, 1] - at[:, 0] + at[:, 2] - at[:, 3]
        x0 = np.append(start, np.column_stack([at.mean(1), np.arctan2(edge[:, 1], edge[:, 0])]))[None]
        px = np.concatenate([px, corners.reshape(1, -1, 2)], axis=1)
        weight = np.append(weight, np.repeat(1 / sigma, 4))[None]
        raised = np.append(raised, np.zeros(4 * k))
    unit = np.concatenate([UNIT, np.tile([1.0, 1.0, 0.03], k)])
    seen_px = np.moveaxis(px, -1, 0)
    known = np.diag(1 / SPREAD) if belief is None else np.column_stack([np.diag(1 / SPREAD), belief.root.T])
    known = np.broadcast_to(np.eye(len(unit), 9) @ known, (m, len(unit), known.shape[1]))

    def residuals(x: Array) -> tuple[Array, Array]:
        x = x * unit
        at = mm
        if k:
            cx, cy, turn = x[0, 9:].reshape(k, 3).T[..., None]
            arm = side[:, None] * np.stack(
                [
                    np.cos(turn) * _CORNER[0] - np.sin(turn) * _CORNER[1],
                    np.sin(turn) * _CORNER[0] + np.cos(turn) * _CORNER[1],
                ]
            )
            at = np.concatenate([mm, np.stack([cx + arm[0], cy + arm[1]], -1).reshape(-1, 2)])
        predicted, slopes = see(x[:, :9], at, raised, pivot_mm, size_px)
        off, slopes = (predicted - seen_px) * weight, slopes * weight
        ways = np.zeros((m, len(unit), 2, len(at)))
        ways[:, :9] = slopes[:9].transpose(2, 0, 1, 3)
        for q in range(k):
            of = slice(n + 4 * q, n + 4 * q + 4)
            by_x, by_y = slopes[9:, :, 0, of]
            ways[0, 9 + 3 * q : 12 + 3 * q, :, of] = by_x, by_y, by_y * arm[0, q] - by_x * arm[1, q]
        parts = [off.swapaxes(0, 1).reshape(m, -1), (x[:, :9] - MIDDLE) / SPREAD]
        if belief is not None:
            parts.append((x[:, :9] - belief.numbers) @ belief.root.T)
        all_ways = np.concatenate([ways.reshape(m, len(unit), -1), known], axis=2)
        return np.concatenate(parts, axis=1), all_ways * unit[:, None]

    x, information = _least(residuals, x0 / unit)
    return (x * unit)[:, :9], information


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
    high = np.broadcast_to(np.asarray(raised, float), len(mm))
    numbers, information = fit_numbers(
        start.numbers[None],
        mm,
        px[None],
        weight[None],
        high,
        start.pivot_mm,
        start.size_px,
        squares=squares,
        belief=belief,
    )
    return Fit.of(replace(start, numbers=numbers[0]), information[0], mm, px, high)
