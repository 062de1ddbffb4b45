"""Photo and lid in, registration out: hypotheses from tags and holes, refined on all rims, judged, or refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from sprout.errors import NotRegistered
from sprout.lid import Lid, symmetries
from sprout.photo import Photo
from sprout.pyramid import Pyramid
from sprout.registration.alignment import Comparison, similar_poses
from sprout.registration.camera import Fit, Pose, fit_pose
from sprout.registration.geometry import Array, LidView, Registration
from sprout.registration.holes import SEARCH_PX, Circles, Rims, find_circles, leafy, see_rims
from sprout.registration.lattice import PLENTY, Placement, by_score, grow, place, rim_radii_px, same_place
from sprout.registration.naming import name_sites, turned
from sprout.registration.tags import find_tags, px_per_mm

CORNER_PX = 0.7
"""Standard error of a tag's corner whose place on the lid is known."""
LOOSE_CORNER_PX = 2.0
"""The same where only the tag's size is known: the printed size itself is true to a few per cent."""

RIVAL = 0.85
"""Placements with this share of the best one's score are looked at more closely; the rest are out of the running."""
LEAST_SEEN = 0.4
"""Least share of the sites that must show with nothing to compare with."""
FEW = 0.6
"""With fewer holes than this share in sight, many ways to lay the lid over them are looked at."""
LEAST_LEAD = 0.4
"""Least lead of the best placement over the next: about half a hole seen or not seen."""
DECISIVE = (0.92, 0.7)
"""Share of the sites whose rims, when seen, settle the place alone: stickers and plants change a lid's look. On a small
picture a hole is overlooked more easily, and then a wrong way to lay the lid may have no rival."""
STILL_PX = 2.0
"""A pose that moves less from one look at the rims to the next is not looked at again."""
EXACT = (0.01, 0.06)
"""Nor is one that fits the rims of all sites to this share of a hole (root mean square), if their radii differ by no
more than this share: where they do, other edges than the rims were seen at some."""
LEAST_RIM = 0.4
"""Least share of a rim's circumference that must show."""
SURE = (0.4, 0.7)
"""The same at first, beside a known view: where many rims show in part they find each other; where few show, and foil
has round edges too, only the surest are to be trusted until the plate has its say."""
PLAIN = 0.4
"""The same where the photo looks like the known view as well."""
HALF_RIM = 0.5
"""Share of a rim that must show for its site to count as seen with nothing to compare with: by chance 0.4 to 0.5 of one
is found in mere grain."""
ALIKE = 0.7
"""Least correlation with the known view that is accepted: right fits reach 0.79 and more, wrong 0.65 at most."""
SETTLED = 0.9
"""Correlation with which no other place is looked at, and one rim is enough."""


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A refined pose; which rims agree with it, and how far they and the known tags are off, in mm.

    ``tags`` is how many known tags hold it, ``alike`` how well the photo agrees with the known view if it was compared.
    """

    fit: Fit
    rims: Rims
    used: npt.NDArray[np.bool_]
    residual_mm: Array
    tags: int
    alike: float = 0.0

    @property
    def support(self) -> float:
        """Sum of the rims seen; one unlike the others counts half: what is no hole may still have round edges."""
        radius = self.rims.radius[self.used]
        like = np.exp(-0.5 * ((radius - np.median(radius)) / 0.06) ** 2) if len(radius) else radius
        return float((self.rims.support[self.used] * (0.5 + 0.5 * like)).sum())


def _from_tags(tags_px: dict[int, Array], known: LidView, lid: Lid, size_px: tuple[int, int]) -> Pose | None:
    """The pose that lays the known tags on the seen ones."""
    ids = [k for k in tags_px if k in known.tags_mm]
    if not ids:
        return None
    mm, px = np.concatenate([known.tags_mm[k] for k in ids]), np.concatenate([tags_px[k] for k in ids])
    z_mm, z_px = (mm - mm.mean(0)) @ np.array([1, 1j]), (px - px.mean(0)) @ np.array([1, 1j])
    turn = np.vdot(z_mm, z_px) / np.vdot(z_mm, z_mm)
    pivot = lid.sites_mm.mean(0)
    shift = turn * ((pivot - mm.mean(0)) @ np.array([1, 1j]))
    start = Pose.facing(
        roll=float(np.angle(turn)),
        centre_px=px.mean(0) + [shift.real, shift.imag],
        px_per_mm=float(np.abs(turn)),
        pivot_mm=pivot,
        size_px=size_px,
    )
    return fit_pose(start, mm, px, CORNER_PX, raised=False).pose


def _refine(
    picture: Pyramid,
    lid: Lid,
    pose: Pose,
    tags_px: dict[int, Array],
    known: LidView | None,
    *,
    beside: Comparison | None = None,
    levels: tuple[int, ...] = (4, 4, 2, 2),
    sure: float = LEAST_RIM,
) -> _Candidate | None:
    """See all rims from the pose, fit, and look again; ``beside`` the known view what shows of the plate counts too."""
    anchored = [k for k in tags_px if known is not None and k in known.tags_mm]
    loose = [(tags_px[k], lid.tags.size_mm, LOOSE_CORNER_PX) for k in tags_px if k not in anchored and lid.tags]
    corners_mm = np.concatenate([known.tags_mm[k] for k in anchored]) if known and anchored else np.empty((0, 2))
    corners_px = np.concatenate([tags_px[k] for k in anchored]) if anchored else np.empty((0, 2))
    limit: Array | float = 0.3 * lid.hole_mm
    best: tuple[float, _Candidate] | None = None
    for level in levels if beside is not None else (2, 2, 2):
        rims = see_rims(picture, pose.rims, lid.sites_mm, lid.hole_mm)
        off = np.linalg.norm(np.nan_to_num(rims.offset_mm, nan=1e6), axis=1)
        # beside a view the surest rims come first, and others once the pose can tell which are true
        used = (rims.support > (sure if level > 2 else LEAST_RIM)) & (off < limit)
        if used.sum() + 2 * len(anchored) < (3 if beside is None else 1):
            return None
        seen = pose.rims.to_px(lid.sites_mm[used] + rims.offset_mm[used])
        sigma = np.hypot(rims.spread[used], 0.2) / rims.support[used] * pose.rims.px_per_mm(lid.sites_mm[used])
        fit = fit_pose(
            pose,
            np.concatenate([lid.sites_mm[used], corners_mm]),
            np.concatenate([seen, corners_px]),
            np.concatenate([sigma, np.full(len(corners_px), CORNER_PX)]),
            raised=np.arange(used.sum() + len(corners_mm)) < used.sum(),
            squares=loose,
            belief=None if beside is None else beside.belief(pose, level),
        )
        moved = np.abs(fit.pose.rims.to_px(lid.sites_mm) - pose.rims.to_px(lid.sites_mm)).max()
        pose = fit.pose
        residual = fit.residual_mm[: used.sum()]
        if beside is not None:
            limit = np.maximum(0.06 * lid.hole_mm, 3 * fit.error_mm(lid.sites_mm))
        elif used.any():
            limit = max(0.1 * lid.hole_mm, 3 * float(np.median(residual)))
        agrees = np.append(residual <= 0.06 * lid.hole_mm, np.ones(len(corners_mm), bool))
        held = used.copy()
        held[np.flatnonzero(used)[~agrees[: len(residual)]]] = False
        alike = 0.0 if beside is None else beside.agreement(pose.registration(), 2)
        # by rims alone every round is better than the one before; a view may also pull away
        if best is None or alike >= best[0]:
            best = alike, _Candidate(fit, rims, held, fit.residual_mm[agrees], len(anchored), alike)
        if beside is None and (moved < STILL_PX or (held.all() and _is_exact(residual / lid.hole_mm, rims.radius))):
            break
    return best[1] if best else None


def _is_exact(off: Array, radius: Array) -> bool:
    """Whether rims of all sites settle a pose: how far off they are, and their radii, as shares of a hole's."""
    return len(off) >= PLENTY and bool(np.sqrt((off**2).mean()) < EXACT[0] and np.ptp(radius) < EXACT[1])


def _misfits(photo: Photo, lid: Lid, candidate: _Candidate) -> float:
    """How many sites cannot be where a placement has them.

    A site is a hole: what looks like the ground around it is bare plate, or table. And there is plate around it: even
    ground of another colour than round the holes that show is not the plate, and speaks half as loud.
    """
    turn = np.linspace(0, 2 * np.pi, 25)[:-1]
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    # the first rings lie in the hole, the last on the plate around it
    rings = np.concatenate([radius * lid.hole_mm * unit for radius in (0.12, 0.24, 0.36, 0.85)])
    at = candidate.fit.pose.registration().to_px((lid.sites_mm[:, None] + rings[None]).reshape(-1, 2))
    h, w = photo.rgb.shape[:2]
    x, y = np.rint(at).astype(int).T
    outside = (x < 0) | (y < 0) | (x >= w) | (y >= h)
    colour = photo.rgb[y.clip(0, h - 1), x.clip(0, w - 1)]
    leaf = leafy(colour[None])[0] > 0
    seen = np.where((outside | leaf)[:, None], np.nan, colour).reshape(len(lid.sites_mm), 4, len(turn), 3)
    around, within = seen[:, 3], seen[:, :3].reshape(len(seen), -1, 3)
    open_ = np.isfinite(around[..., 0]).sum(1) >= 6
    if open_.sum() < 3:
        return 0.0
    typical = np.full((len(seen), 3), np.nan)
    typical[open_] = np.nanmedian(around[open_], axis=1)
    sure = open_ & candidate.used if (open_ & candidate.used).sum() >= 2 else open_
    uneven = np.full(len(seen), np.inf)
    uneven[open_] = np.nanmedian(np.linalg.norm(around[open_] - typical[open_, None], axis=2), axis=1)
    plate = np.nanmedian(typical[sure], axis=0)
    # a leaf's shade darkens a plate by a third and keeps its colour
    shade = np.clip(typical.sum(1) / plate.sum(), 0.6, 1.5)[:, None]
    apart = np.linalg.norm(typical - shade * plate, axis=1)
    stray = (apart > max(25.0, 3 * float(np.nanmedian(apart[sure])))) & (uneven < 12)
    bare = np.isfinite(within[..., 0]).sum(1)
    alike = (np.linalg.norm(within - typical[:, None], axis=2) < 25).sum(1)
    # a sticker of the plate's own colour has a rim all round
    no_hole = open_ & (bare > 20) & (alike > 0.9 * bare) & (candidate.rims.support < 0.75)
    return float(np.where(no_hole, 1.0, 0.5 * stray).sum())


def _laid(
    photo: Photo, lid: Lid, tags_px: dict[int, Array], circles: Circles, *, scale: float | None, many: bool
) -> list[tuple[float, _Candidate]]:
    """Ways to lay the lid over circles, refined, with their marks; ``many`` are tried if few holes show."""
    lay = partial(place, circles, lid, photo.pyramid.size_px, px_per_mm=scale)

    @cache
    def marked(way: Placement) -> tuple[float, _Candidate] | None:
        candidate = _refine(photo.pyramid, lid, way.fit.pose, tags_px, None)
        if candidate is None:
            return None
        # rims at its holes speak for a placement; circles left over and sites on another ground speak against it
        return way.score + candidate.support - _misfits(photo, lid, candidate), candidate

    def whole(candidate: _Candidate) -> bool:
        """A rim is seen round every hole: any other place leaves some without."""
        return len(lid.labels) >= PLENTY and bool(candidate.used.all())

    ways = lay()
    placements = list(islice(ways, 1))
    likely = bool(placements) and (placements[0].circle >= 0).mean() >= FEW
    if likely and (first := marked(placements[0])) and whole(first[1]):
        return [first]
    placements = by_score([*placements, *ways])
    if many and (not placements or (placements[0].circle >= 0).mean() < FEW):
        placements = by_score(lay(most=48))
    found: list[tuple[float, _Candidate]] = []
    for placement in placements[:12]:
        if placement.score < RIVAL * placements[0].score:
            break
        if (way := marked(placement)) is not None:
            found.append(way)
            if whole(way[1]):
                break
    return found


def _rivals(marked: list[tuple[float, _Candidate]], lid: Lid) -> list[tuple[float, _Candidate]]:
    """The best first, each at another place of the picture."""
    kept: list[tuple[float, _Candidate]] = []
    places: list[Array] = []
    for mark, candidate in sorted(marked, key=lambda m: -m[0]):
        where = candidate.fit.pose.rims.to_px(lid.sites_mm)
        if not same_place(where, places):
            places.append(where)
            kept.append((mark, candidate))
    return kept


def _by_holes(photo: Photo, lid: Lid, tags_px: dict[int, Array], known: LidView | None) -> _Candidate:
    """The best of the ways to lay the lid over the circles, checked against the known view if there is one."""
    marked: list[tuple[float, _Candidate]] = []
    scale = px_per_mm(tags_px, lid.tags) if lid.tags and tags_px else None
    radii_px = None if scale is None else rim_radii_px(lid, scale)
    for search_px, decisive in zip(SEARCH_PX, DECISIVE, strict=True):
        circles = find_circles(photo.pyramid, search_px=search_px, radii_px=radii_px)
        # what was found on the smaller picture stays in the running
        many = known is None and search_px == SEARCH_PX[-1]
        marked += _laid(photo, lid, tags_px, circles, scale=scale, many=many)
        marked = _rivals(marked, lid)
        lead = marked[0][0] - marked[1][0] if len(marked) > 1 else np.inf
        if marked and lead >= LEAST_LEAD and marked[0][1].used.mean() > decisive:
            return marked[0][1]
    if known is None:
        if not marked:
            raise NotRegistered(photo.path, "the lid was not found", "photograph the whole lid from straight above")
        if lead < LEAST_LEAD and marked[0][1].used.mean() >= LEAST_SEEN:
            raise NotRegistered(
                photo.path,
                "there is more than one way to lay the lid over the holes that show",
                "uncover a hole in each corner for the photo, or give a photo of the empty lid",
            )
        return marked[0][1]
    beside = Comparison(photo.pyramid, known, lid)
    ways = [rotation for rotation, _, _ in symmetries(lid)]
    starts = [
        max((turned(c.fit.pose, r) for r in ways), key=lambda way: beside.agreement(way.registration(), 4))
        for _, c in marked
    ]
    # the few that as much speaks for are laid beside the view; only if none will do the whole picture is searched
    close_by = [
        again
        for (mark, c), start in zip(marked, starts, strict=True)
        if marked[0][0] - mark < LEAST_LEAD and c.used.mean() > PLAIN
        if (again := _refine(photo.pyramid, lid, start, tags_px, None, beside=beside, levels=(4, 2, 2))) is not None
    ]
    if close_by and (plain := max(close_by, key=lambda c: c.alike)).alike > ALIKE:
        return plain
    return _by_view(photo, lid, circles, starts, tags_px, beside)


def _apart(marked: list[tuple[float, Pose]], lid: Lid, most: int) -> list[Pose]:
    """The poses of the highest marks, each at another place of the picture."""
    kept: list[tuple[Array, Pose]] = []
    for _, pose in sorted(marked, key=lambda m: -m[0]):
        where = pose.registration().to_px(lid.sites_mm)
        near = 0.3 * lid.hole_mm * np.exp(pose.numbers[5])
        if all(np.linalg.norm(where - other, axis=1).max() > near for other, _ in kept):
            kept.append((where, pose))
    return [pose for _, pose in kept[:most]]


def _by_view(
    photo: Photo,
    lid: Lid,
    circles: Circles,
    starts: list[Pose],
    tags_px: dict[int, Array],
    beside: Comparison,
) -> _Candidate:
    """The way to lay the lid over the photo that looks most like the known view."""
    tree = cKDTree(circles.centres)
    rough: list[tuple[float, Pose]] = []
    for start in [*starts, *similar_poses(beside, circles, lid)]:
        for level in (8, 4):
            grown = grow(start, circles, lid, tree, belief=partial(beside.belief, reduce=level))
            if grown is not None:
                rough.append((beside.agreement(grown[0].pose.registration(), 4), grown[0].pose))
    better: list[_Candidate] = []
    for pose in _apart(rough, lid, 6):
        tried = (_refine(photo.pyramid, lid, pose, tags_px, None, beside=beside, sure=sure) for sure in SURE)
        better += [candidate for candidate in tried if candidate is not None]
        if better and max(c.alike for c in better) > SETTLED:
            break
    found = [
        again
        for pose in _apart([(c.alike, c.fit.pose) for c in better], lid, 2)
        for rotation, _, _ in symmetries(lid)
        if (again := _refine(photo.pyramid, lid, turned(pose, rotation), tags_px, None, beside=beside, levels=(2, 2)))
    ]
    found.sort(key=lambda c: -c.alike)
    if not found or found[0].alike < ALIKE:
        raise NotRegistered(
            photo.path,
            "what shows between the leaves does not look like this lid",
            "check that it is the right lid, lift some leaves aside, or stick tags on the lid before the next grow",
        )
    return found[0]


def register(
    photo: Photo,
    lid: Lid,
    *,
    known: LidView | None = None,
    others: Sequence[LidView] = (),
    keep_labels: bool = True,
    max_fit_mm: float = 1.5,
) -> Registration:
    """Find the lid in a photo.

    Parameters
    ----------
    known:
        The lid's look; it settles the labels and tells where the tags are.
    others:
        Views of the lid on days near by, plants and all: they settle the labels where the known view cannot.
    keep_labels:
        Label the sites as in the known view; otherwise by this photo alone, ``A1`` nearest its upper left.
    max_fit_mm:
        Largest root-mean-square error that is accepted.

    Raises
    ------
    NotRegistered
        If the lid is not found, or not surely enough; ``SidesUnsure`` if only the labels are in doubt.
    """
    picture = photo.pyramid
    tags_px = find_tags(picture, lid.tags) if lid.tags else {}
    candidate: _Candidate | None = None
    by_tags = _from_tags(tags_px, known, lid, picture.size_px) if known is not None and len(tags_px) else None
    if by_tags is not None:
        candidate = _refine(picture, lid, by_tags, tags_px, known)
    if candidate is None:
        candidate = _by_holes(photo, lid, tags_px, known)
    pose = candidate.fit.pose
    held = candidate.used if candidate.alike > ALIKE else candidate.used & (candidate.rims.support > HALF_RIM)
    seen = int(held.sum())
    least = max(4, int(np.ceil(LEAST_SEEN * len(lid.labels))))
    if candidate.alike > ALIKE:
        least = 1 if candidate.alike > SETTLED else 2
    least = min(least, len(lid.labels))
    if candidate.tags < 2 and seen < least:
        raise NotRegistered(
            photo.path,
            f"only {seen} of {len(lid.labels)} sites show, too few to be sure where the lid lies",
            "lift some leaves aside, or stick tags on the lid before the next grow",
        )
    spread = candidate.fit.error_mm(lid.sites_mm)
    fit_mm = float(np.sqrt((candidate.residual_mm**2).mean() + (spread**2).mean()))
    if fit_mm > max_fit_mm or spread.max() > 0.25 * lid.hole_mm:
        raise NotRegistered(
            photo.path,
            f"the lid was found only to {fit_mm:.1f} mm",
            "photograph it again from straight above, the whole lid in the frame",
        )
    if not keep_labels or candidate.tags == 0:
        pose = name_sites(photo, lid, pose, known if keep_labels else None, others)
    words = (
        ["tags"] * (len(tags_px) > 0) + ["holes"] * (seen > 0) + ["view"] * (known is not None and not candidate.tags)
    )
    return replace(pose.registration(fit_mm, "+".join(words)), tags_px=tags_px)
