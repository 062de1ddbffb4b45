"""Learn a lid's measures from a photo of it: the layout is told, one true length gives the scale, the photo the rest.

Trial lids of many proportions are laid over the circles of the photo; the one that fits best is then refined. Its
proportions and the camera's pose are fitted together by variable projection (Golub & Pereyra 1973, SIAM J. Numer.
Anal. 10:413-432): for any proportions the best pose is found, and what that pose leaves over is made least.

The circle seen round a hole may be the outer rim of a collar, a few per cent wider than the hole itself: a ruler
across the hole knows better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from sprout.errors import LidError, NotRegistered, UsageError
from sprout.lid import HOLE_MM, Lid, make_lid
from sprout.photo import Photo
from sprout.pyramid import Pyramid
from sprout.registration.camera import Fit, Pose, fit_pose
from sprout.registration.geometry import Array
from sprout.registration.holes import Circles, find_circles, see_rims
from sprout.registration.lattice import by_score, first_poses, grow, place

RULER_MM = 0.5
"""Standard error of a length read off a ruler from centre to centre (common practice)."""
LENGTH_MM = (10.0, 3000.0)
LEAST_SITES = 4
"""Fewer holes leave the camera's tilt open: a ruler is quicker and better."""
LEAST_SEEN = 0.75
"""Least share of the sites whose rims must show."""
MOST_RESIDUAL = 0.01
"""Largest root-mean-square distance of the rims from the learned pattern, in distances between neighbours: a rim is
seen to a few tenths of a per cent, and more means that lips, collars and their shadows were taken for each other."""
MOST_ERROR = 0.02
"""Largest standard error of a learned proportion, in pitches along a row."""

_ALONG = 60.0  # trial lids are about as large as lids are; the true length scales them at the end
_RATIOS = np.geomspace(0.55, 1.8, 13)
_HOLES = (0.27, 0.38, 0.54, 0.76)
_MOST_GUESSES = 2
_LENGTHS = ("pitch_mm", "stagger_mm", "ring_mm")


@dataclass(frozen=True, eq=False)
class LearnedLid:
    """A lid learned from a photo.

    Attributes
    ----------
    lid:
        The lid, its lengths rounded to a tenth of a millimetre.
    error_mm:
        Standard errors in mm of the lengths under the same keys of the lid file, in the same order: how well the rims
        agree, and how well a ruler is read. That the rim seen may be a collar's is not part of them.
    fit_mm:
        Root-mean-square distance of the seen rims from the learned pattern, in mm.
    seen:
        Number of sites whose rims were seen.
    """

    lid: Lid
    error_mm: dict[str, tuple[float, ...]]
    fit_mm: float
    seen: int


@dataclass(frozen=True)
class _Layout:
    """What is told of a lid. What stays open, if anything, are its proportions: the row distance and, for a staggered
    lid, the shift, both in pitches along a row.
    """

    pattern: str
    rows: int | None
    columns: int | None
    ring_sites: int | None
    centre_site: bool

    @property
    def open(self) -> int:
        """How many proportions are to be learned."""
        if self.pattern == "staggered":
            return 2
        return int(self.pattern == "grid" and 1 not in (self.rows, self.columns))

    def keys(self, proportions: Array, along_mm: float) -> dict[str, Any]:
        """The keys of a lid file, its hole left out; ``along_mm`` is the pitch along a row, or half a ring."""
        if self.pattern == "ring":
            return {
                "pattern": "ring",
                "ring_sites": self.ring_sites,
                "ring_mm": 2 * along_mm,
                "centre_site": self.centre_site,
            }
        between = along_mm * float(proportions[0]) if self.open else along_mm
        stagger = {"stagger_mm": along_mm * float(proportions[1])} if self.pattern == "staggered" else {}
        return {
            "pattern": self.pattern,
            "rows": self.rows,
            "columns": self.columns,
            "pitch_mm": [along_mm, between],
            **stagger,
        }

    def trial(self, proportions: Array, *, hole_mm: float | None = None, hole_share: float = 0.5) -> Lid:
        """A lid in the unit of the search; without ``hole_mm`` its holes are a share of the neighbours' distance."""
        lid = make_lid(**self.keys(proportions, _ALONG), hole_mm=HOLE_MM[0])
        return replace(lid, hole_mm=hole_share * _spacing(lid) if hole_mm is None else hole_mm)


@dataclass(frozen=True, eq=False)
class _Learned:
    """Proportions with their covariance, the lid they make in the unit of the search, and what they rest on."""

    proportions: Array
    covariance: Array
    lid: Lid
    fit: Fit
    used: npt.NDArray[np.bool_]
    radius: Array


def _spacing(lid: Lid) -> float:
    """Distance between the two sites that are nearest to each other, in mm."""
    distance = np.linalg.norm(lid.sites_mm[:, None] - lid.sites_mm[None], axis=2)
    np.fill_diagonal(distance, np.inf)
    return float(distance.min())


def learn_lid(
    photo: Photo,
    *,
    pattern: str,
    length_mm: float,
    between: tuple[str, str] | None = None,
    rows: int | None = None,
    columns: int | None = None,
    ring_sites: int | None = None,
    centre_site: bool = False,
) -> LearnedLid:
    """Learn a lid's distances and hole size from a photo of the whole lid, all its holes in sight.

    Parameters
    ----------
    pattern:
        ``grid``, ``staggered`` or ``ring``.
    rows, columns:
        Of a grid or a staggered lid. Of a single row or column both distances come out alike: only one is seen.
    ring_sites, centre_site:
        Of a ring: how many sites it has, and whether there is one in its middle.
    length_mm:
        A true length in mm: from centre to centre of the two sites of ``between``.
    between:
        Labels of two sites; left out, the first and the last of row A (a single column: of the column), and for a
        ring its diameter through the sites' centres.

    Raises
    ------
    UsageError
        If the layout or the length makes no sense.
    NotRegistered
        If the lid is not found in the photo, or not surely enough.
    """
    layout = _Layout(pattern, rows, columns, ring_sites, centre_site)
    _check(layout, length_mm, between)
    picture = photo.pyramid
    circles = find_circles(picture)
    refusal = NotRegistered(
        photo.path, "no such lid was found", "check rows and columns; photograph the empty lid from straight above"
    )
    for proportions, share in _first_guesses(circles, layout)[:_MOST_GUESSES]:
        learned = _refine(picture, layout, circles, proportions, share)
        if learned is None:
            continue
        try:
            _judge(photo, picture, learned)
        except NotRegistered as e:
            refusal = e
            continue
        return _measured(photo, layout, learned, length_mm, between)
    raise refusal


def _check(layout: _Layout, length_mm: float, between: tuple[str, str] | None) -> None:
    if not LENGTH_MM[0] <= length_mm <= LENGTH_MM[1]:
        mend = f"give millimetres, from {LENGTH_MM[0]:g} to {LENGTH_MM[1]:g}"
        raise UsageError(f"length {length_mm:g}", "is no length on a lid", mend)
    if layout.pattern not in ("grid", "staggered", "ring"):
        raise UsageError(f"pattern {layout.pattern}", "cannot be learned", "choose grid, staggered or ring")
    try:
        lid = layout.trial(np.array([1.0, 0.5]))
    except LidError as e:
        raise UsageError(f"pattern {layout.pattern}", e.wrong, e.mend) from None
    if len(lid.labels) < LEAST_SITES or (layout.pattern == "staggered" and 1 in (layout.rows, layout.columns)):
        wrong = f"has too few holes in this layout ({len(lid.labels)}) to learn from a photo"
        raise UsageError("the lid", wrong, "measure it with a ruler")
    if between is not None:
        for label in between:
            if label not in lid.labels:
                raise UsageError(f"between {label}", "is no site of this lid", f"sites are {', '.join(lid.labels)}")
        if between[0] == between[1]:
            raise UsageError(f"between {' '.join(between)}", "names one site twice", "name two sites")


def _first_guesses(circles: Circles, layout: _Layout) -> list[tuple[Array, float]]:
    """Proportions and hole sizes (shares of the neighbours' distance) to start from, best first."""
    ratios = _RATIOS if layout.open else [1.0]
    guesses = [(np.array([ratio, 0.5]), share) for ratio in ratios for share in _HOLES]
    scores = []
    for proportions, share in guesses:
        poses = first_poses(circles, layout.trial(proportions, hole_share=share), px_per_mm=None, most=1)
        scores.append(poses[0][0] if poses else 0.0)
    return [guesses[k] for k in np.argsort(scores)[::-1] if scores[k] > 0]


def _refine(picture: Pyramid, layout: _Layout, circles: Circles, proportions: Array, share: float) -> _Learned | None:
    """Lay the trial lid over the circles; then see the rims, fit proportions and pose, and look again."""
    lid = layout.trial(proportions, hole_share=share)
    placements = by_score(place(circles, lid, picture.size_px))
    if not placements:
        return None
    pose, taken = placements[0].fit.pose, placements[0].circle
    tree = cKDTree(circles.centres)
    # the circles come first: a rim is seen only where the trial lid is nearly right
    for _ in range(2):
        held = taken >= 0
        if held.sum() < LEAST_SITES:
            return None
        sigma = 0.06 * circles.radii[taken[held]] + 1
        proportions, _, fit = _fit(layout, proportions, pose, held, circles.centres[taken[held]], sigma)
        hole = float(np.median(2 * circles.radii[taken[held]] / fit.pose.rims.px_per_mm(lid.sites_mm[held])))
        lid = layout.trial(proportions, hole_mm=hole)
        grown = grow(fit.pose, circles, lid, tree)
        if grown is None:
            return None
        pose, taken = grown[0].pose, grown[1]
    covariance = np.zeros((layout.open, layout.open))
    limit = 0.3 * hole
    for _ in range(3):
        lid = layout.trial(proportions, hole_mm=hole)
        rims = see_rims(picture, pose.rims, lid.sites_mm, hole)
        off = np.linalg.norm(np.nan_to_num(rims.offset_mm, nan=1e6), axis=1)
        used = (rims.support > 0.4) & (off < limit)
        if used.any():
            used &= np.abs(np.log(np.nan_to_num(rims.radius, nan=9.0) / np.median(rims.radius[used]))) < 0.15
        if used.sum() < LEAST_SITES:
            return None
        seen = pose.rims.to_px(lid.sites_mm[used] + rims.offset_mm[used])
        sigma = np.hypot(rims.spread[used], 0.2) / rims.support[used] * pose.rims.px_per_mm(lid.sites_mm[used])
        proportions, covariance, fit = _fit(layout, proportions, pose, used, seen, sigma)
        pose = fit.pose
        limit = max(0.04 * hole, 3 * float(np.median(fit.residual_mm)))
        radius = rims.radius[used] * hole
        hole = float(np.median(radius))
    return _Learned(proportions, covariance, layout.trial(proportions, hole_mm=hole), fit, used, radius)


def _fit(
    layout: _Layout, start: Array, pose: Pose, used: npt.NDArray[np.bool_], seen_px: Array, sigma_px: Array
) -> tuple[Array, Array, Fit]:
    """Proportions, their covariance, and the pose."""

    def posed(proportions: Array) -> tuple[Fit, Array]:
        sites = layout.trial(proportions).sites_mm[used]
        fit = fit_pose(pose, sites, seen_px, sigma_px)
        return fit, np.ravel((fit.pose.rims.to_px(sites) - seen_px) / sigma_px[:, None])

    if not layout.open:
        return start, np.zeros((0, 0)), posed(start)[0]
    rest = start[layout.open :]
    solved = least_squares(
        lambda x: posed(np.concatenate([x, rest]))[1],
        start[: layout.open],
        bounds=([0.3, 0.05][: layout.open], [3.0, 0.95][: layout.open]),
        x_scale=0.05,
        diff_step=3e-3,
        loss="soft_l1",
        f_scale=2.0,
        max_nfev=12,
    )
    free = max(1, 2 * len(seen_px) - 6 - layout.open)
    noise = max(1.0, float((solved.fun**2).sum()) / free)
    covariance = noise * np.linalg.pinv(solved.jac.T @ solved.jac)
    proportions = np.concatenate([solved.x, rest])
    return proportions, covariance, posed(proportions)[0]


def _judge(photo: Photo, picture: Pyramid, learned: _Learned) -> None:
    """Refuse what is not sure."""
    seen, sites = int(learned.used.sum()), len(learned.lid.labels)
    if seen < max(LEAST_SITES, LEAST_SEEN * sites):
        raise NotRegistered(
            photo.path,
            f"only {seen} of {sites} holes were found",
            "check rows and columns; photograph the empty lid, all of it, without glare",
        )
    residual = float(np.sqrt((learned.fit.residual_mm**2).mean())) / _spacing(learned.lid)
    if residual > MOST_RESIDUAL:
        raise NotRegistered(
            photo.path,
            f"the holes do not lie in this pattern: they are off by {100 * residual:.1f} % of their distance",
            "check pattern, rows and columns; photograph the empty lid from straight above",
        )
    error = float(np.sqrt(np.diag(learned.covariance).max(initial=0)))
    if error > MOST_ERROR:
        raise NotRegistered(
            photo.path,
            f"the distances come out only to {100 * error:.0f} %",
            "photograph the empty lid larger and from straight above, or measure it with a ruler",
        )
    more = _further_holes(picture, learned)
    if more >= 2:
        raise NotRegistered(
            photo.path,
            f"{more} more holes of the same size show beside the {sites} of this layout",
            "check pattern, rows, columns and the number of sites",
        )


def _further_holes(picture: Pyramid, learned: _Learned) -> int:
    """How many holes show where a larger or denser layout would have some."""
    lid = learned.lid
    if lid.pattern == "ring":
        n = len(lid.labels) - bool(lid.source.get("centre_site"))
        turn = 2 * np.pi * (np.arange(n) + 0.5) / n
        places = np.linalg.norm(lid.sites_mm[-1]) * np.column_stack([np.sin(turn), -np.cos(turn)])
    else:
        along, between = np.array(lid.source["pitch_mm"], float)
        columns, rows = np.ptp(lid.sites_mm, axis=0) / [along, between]
        x, y = np.meshgrid(np.arange(-1, columns + 1.1, 0.5), np.arange(-1, rows + 1.1, 0.5))
        places = np.column_stack([x.ravel() * along, y.ravel() * between])
    apart = np.linalg.norm(places[:, None] - lid.sites_mm[None], axis=2).min(1)
    places = places[apart > 0.4 * _spacing(lid)]
    known = see_rims(picture, learned.fit.pose.rims, np.concatenate([lid.sites_mm, places]), lid.hole_mm)
    off = np.linalg.norm(np.nan_to_num(known.offset_mm, nan=1e6), axis=1)
    alike = (known.support > 0.6) & (off < 0.12 * lid.hole_mm) & (np.abs(np.log(known.radius)) < 0.1)
    return int(alike[len(lid.labels) :].sum())


def _measured(
    photo: Photo,
    layout: _Layout,
    learned: _Learned,
    length_mm: float,
    between: tuple[str, str] | None,
) -> LearnedLid:
    """The lid in millimetres, with its errors."""
    proportions = learned.proportions.copy()
    roll = learned.fit.pose.numbers[2]
    if layout.pattern == "grid" and layout.rows == layout.columns and abs(np.sin(roll)) > abs(np.cos(roll)):
        # nothing but the photo tells the rows of a square layout: they run from left to right in it
        proportions[0] = 1 / proportions[0]

    def keys_at(x: Array) -> dict[str, Any]:
        proportions_at = np.concatenate([x, proportions[layout.open :]])
        scale = length_mm / _told(layout, layout.trial(proportions_at), between)
        return layout.keys(proportions_at, _ALONG * scale)

    def lengths(x: Array) -> Array:
        keys = keys_at(x)
        return np.hstack([np.array(keys[key], float) for key in _LENGTHS if key in keys])

    x = proportions[: layout.open]
    keys, values = keys_at(x), lengths(x)
    step = 1e-4
    slopes = np.array([(lengths(x + step * unit) - values) / step for unit in np.eye(layout.open)])
    slopes = slopes.reshape(layout.open, len(values))
    ruler = RULER_MM / length_mm
    errors = np.sqrt(np.diag(slopes.T @ learned.covariance @ slopes) + (values * ruler) ** 2)
    error_mm = {}
    for key in _LENGTHS:
        if key in keys:
            n = np.size(np.array(keys[key], float))
            error_mm[key], errors = tuple(errors[:n].tolist()), errors[n:]
    # shares of the neighbours' distance hold in the photo's unit and in millimetres alike
    spacing_mm = _spacing(make_lid(**keys, hole_mm=HOLE_MM[0]))
    per_unit = spacing_mm / _spacing(learned.lid)
    hole_mm = learned.lid.hole_mm * per_unit
    # the standard error of a median is 1.25 times that of a mean
    scatter = 1.25 * float(np.std(learned.radius, ddof=1)) * 2 * per_unit / np.sqrt(len(learned.radius))
    error_mm["hole_mm"] = (float(np.hypot(scatter, hole_mm * ruler)),)
    rounded = {key: np.round(np.array(keys[key], float), 1).tolist() for key in _LENGTHS if key in keys}
    try:
        lid = make_lid(origin=str(photo.path), **{**keys, **rounded}, hole_mm=round(hole_mm, 1))
    except LidError as e:
        raise UsageError(f"length {length_mm:g}", f"makes an impossible lid: {e.wrong}", "measure it again") from None
    fit_mm = float(np.sqrt((learned.fit.residual_mm**2).mean())) * per_unit
    return LearnedLid(lid, error_mm, fit_mm, int(learned.used.sum()))


def _told(layout: _Layout, lid: Lid, between: tuple[str, str] | None) -> float:
    """The length that the user tells, in the unit of the search."""
    if between is None and layout.pattern == "ring":
        return 2 * _ALONG
    if between is None:
        columns = layout.columns or 1
        between = (lid.labels[0], lid.labels[columns - 1 if columns > 1 else -1])
    first, second = (lid.sites_mm[lid.labels.index(label)] for label in between)
    return float(np.linalg.norm(second - first))
