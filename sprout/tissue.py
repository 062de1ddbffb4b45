"""Stage 4, Photo and Registration -> Tissue: corrected light and a class for every pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.light import Array, Picture
from sprout.matting import leaf_share
from sprout.photo import Photo
from sprout.pixels import ROOT, look
from sprout.plate import read_plate
from sprout.registration import LidView, Registration

OTHER, GREEN, YELLOW, DRY, ALGAE = range(5)

_FAINT = -3.0
"""Log-odds from which a pixel may be plant: the thin stem that joins a leaf to its site."""
_EVEN, _SURE = -0.3, 2.0
"""Log-odds at which a pixel of the network's grid is as likely more than half leaf as not, and beyond which it is
taken for all leaf or none."""
_GAP_MM = 1.5
"""How much of a stem may not be seen at all."""
_BROAD, _BROAD_MM = 2.0, 6.0
"""How much broader than any leaf over the lid something green outside it must be to be none of the lid's, and the least
half width for which this is asked."""
_PLUG = 1.05
"""How far from a site's centre a film of algae may reach, in hole radii."""


@dataclass(frozen=True, eq=False)
class Tissue:
    """The class map of one photo.

    Attributes
    ----------
    classes:
        (h, w) uint8 on the photo's working pixels: 0 other, 1 green tissue, 2 yellowing, 3 dry, 4 algae.
    rgb:
        (h, w, 3) uint8, the picture under corrected light.
    outline_mm:
        (n, 2) outline of the lid's plate in the lid's frame, None if no edge of it shows.
    """

    classes: npt.NDArray[np.uint8]
    rgb: npt.NDArray[np.uint8]
    outline_mm: Array | None = None


def _discs(registration: Registration, lid: Lid, radius: float) -> npt.NDArray[np.bool_]:
    """Discs of ``radius`` hole radii about all sites, as seen in the photo."""
    out = np.zeros(registration.size_px, np.uint8)
    for rim in registration.circles_px(lid.sites_mm, radius * lid.hole_mm / 2).round().astype(np.int32):
        cv2.fillConvexPoly(out, rim, 1)
    return out.view(bool)


def _rooted(
    plant: npt.NDArray[np.bool_], faint: npt.NDArray[np.bool_], roots: npt.NDArray[np.bool_], gap_px: float
) -> npt.NDArray[np.bool_]:
    """The parts of ``plant`` that are joined to a site: what grows elsewhere is not the lid's.

    A thin stem may show only as ``faint`` evidence, or not at all for ``gap_px``: leaves at its end are joined by it.
    Which parts are joined is found at half size.
    """
    h, w = plant.shape
    half = (-(-w // 2), -(-h // 2))
    some = cv2.resize(faint * np.uint8(255), half, interpolation=cv2.INTER_AREA) > 0
    reach = max(3, round(gap_px / 2) + 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    _, patches = cv2.connectedComponents(cv2.dilate(some.astype(np.uint8), disc), connectivity=8, ltype=cv2.CV_32S)
    rooted = cv2.resize((roots & plant) * np.uint8(255), half, interpolation=cv2.INTER_AREA) > 0
    kept = np.zeros(int(patches.max()) + 1, np.uint8)
    kept[patches[rooted]] = 1
    return np.asarray(
        plant & (cv2.resize(kept[patches], (2 * half[0], 2 * half[1]), interpolation=cv2.INTER_NEAREST)[:h, :w] > 0)
    )


def _too_broad(
    plant: npt.NDArray[np.uint8], registration: Registration, outline_mm: Array, px_per_mm: float
) -> npt.NDArray[np.bool_] | None:
    """Green cloth, a big leaf of a house plant: what lies beside the lid and is far broader than any leaf over it.

    ``plant`` is 1 where there is any, at a quarter of the size, and so is the answer; None if there is nothing broad.
    Half widths are distances to the nearest pixel that is no plant.
    """
    (x0, y0), (x1, y1) = outline_mm.min(0), outline_mm.max(0)
    corners = registration.to_px(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    over = np.zeros(plant.shape, np.uint8)
    cv2.fillConvexPoly(over, (corners / 4).round().astype(np.int32), 1)
    half_width = cv2.distanceTransform(np.pad(plant, 1, mode="edge"), cv2.DIST_L2, 5)[1:-1, 1:-1]
    own = max(float((half_width * over).max()), _BROAD_MM * px_per_mm / 4 / _BROAD)
    foreign = (half_width > _BROAD * own) & (over == 0)
    if not foreign.any():
        return None
    # all of it that a leaf of the lid could not be, and the rim around that
    body = cv2.distanceTransform((half_width <= own).astype(np.uint8), cv2.DIST_L2, 5) <= own + 1
    _, parts = cv2.connectedComponents(body & plant, connectivity=8)
    return np.isin(parts, np.unique(parts[foreign]))


def _at_a_quarter(window: tuple[slice, slice]) -> tuple[slice, slice]:
    rows, columns = (slice(side.start // 4, -(-side.stop // 4)) for side in window)
    return rows, columns


def _leaf(rgb: Picture, plant: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Where there is leaf in a window, and where there may be, by log-odds of being plant on a grid that spans it."""
    faint = cv2.resize(plant, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR) > _FAINT
    if not faint.any():
        return faint, faint
    guess = 1 / (1 + cv2.exp(-np.clip(plant - np.float32(_EVEN), -_SURE, _SURE)))
    return (leaf_share(rgb, guess) > 0.5) & faint, faint


def classify(photo: Photo, registration: Registration, lid: Lid, *, view: LidView | None = None) -> Tissue:
    """Give every pixel of a registered photo its class.

    ``view`` is the known look of the same lid, if there is one; it settles the colour and the outline of the plate.
    """
    outline, lamp = read_plate(photo, registration, lid, view=view)
    picture = photo.pyramid.recoloured(lamp.correct)
    rgb = picture.halved(0)
    px_per_mm = float(registration.px_per_mm(lid.sites_mm.mean(0)[None])[0])
    h, w = rgb.shape[:2]
    classes, quarter = np.zeros((h, w), np.uint8), np.zeros((-(-h // 4), -(-w // 4)), np.uint8)
    parts = []
    for evidence in look(picture, registration, lid, outline):
        leaf, faint = _leaf(rgb[evidence.window], evidence.plant)
        coarse = quarter[_at_a_quarter(evidence.window)]
        coarse[:] = cv2.resize(leaf * np.uint8(255), coarse.shape[::-1], interpolation=cv2.INTER_AREA) > 127
        parts.append((evidence, leaf, faint))
    foreign = None if outline is None else _too_broad(quarter, registration, outline, px_per_mm)
    roots, plugs = (_discs(registration, lid, radius) for radius in (ROOT, _PLUG))
    for evidence, leaf, faint in parts:
        window = evidence.window
        kind, film = (
            cv2.resize(a, leaf.shape[::-1], interpolation=cv2.INTER_NEAREST) for a in (evidence.kind, evidence.film)
        )
        if foreign is not None:
            coarse = foreign[_at_a_quarter(window)].view(np.uint8)
            own = cv2.resize(coarse, leaf.shape[::-1], interpolation=cv2.INTER_NEAREST) == 0
            leaf, faint = leaf & own, faint & own
        plant = _rooted(leaf, faint, roots[window], _GAP_MM * px_per_mm)
        film &= plugs[window]
        classes[window] = np.where(plant, kind, film * np.uint8(ALGAE))
    return Tissue(classes, rgb, outline)
