"""Stage 4, Photo and Registration -> Tissue: corrected light and a class for every pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.light import Array, burnt
from sprout.photo import Photo
from sprout.pixels import Box, look
from sprout.plate import read_plate
from sprout.registration import LidView, Registration

OTHER, GREEN, YELLOW, DRY, ALGAE = range(5)

_ROOT = 1.2
"""How far from a site's centre a plant may first show, in hole radii (it leans out of its hole)."""
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
    usable:
        (h, w) bool, False where highlights are burnt out and the class is not to be trusted.
    outline_mm:
        (n, 2) outline of the lid's plate in the lid's frame, None if no edge of it shows.
    notes:
        Words on how the light was corrected and what was left out.
    """

    classes: npt.NDArray[np.uint8]
    rgb: npt.NDArray[np.uint8]
    usable: npt.NDArray[np.bool_]
    outline_mm: Array | None = None
    notes: tuple[str, ...] = ()


def _discs(registration: Registration, lid: Lid, box: Box, radius: float) -> npt.NDArray[np.bool_]:
    """Discs of ``radius`` hole radii about all sites, as seen in a window of the photo."""
    left, top, right, bottom = box
    out = np.zeros((bottom - top, right - left), np.uint8)
    circle = radius * lid.hole_mm / 2 * np.array([[np.cos(a), np.sin(a)] for a in np.linspace(0, 2 * np.pi, 33)[:-1]])
    for site in lid.sites_mm:
        rim = registration.to_px(site + circle) - [left, top]
        cv2.fillConvexPoly(out, rim.round().astype(np.int32), 1)
    return out > 0


def _rooted(plant: npt.NDArray[np.bool_], roots: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The connected patches of ``plant`` that reach a site: what grows elsewhere is not the lid's."""
    _, patches = cv2.connectedComponents(plant.astype(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    kept = np.zeros(int(patches.max()) + 1, bool)
    kept[np.unique(patches[roots & plant])] = True
    kept[0] = False
    return np.asarray(kept[patches])


def classify(photo: Photo, registration: Registration, lid: Lid, *, view: LidView | None = None) -> Tissue:
    """Give every pixel of a registered photo its class.

    ``view`` is the known look of the same lid, if there is one; it settles the colour and the outline of the plate.
    """
    outline, lamp = read_plate(photo, registration, lid, view=view)
    rgb = lamp.correct(photo.rgb)
    seen = look(rgb, registration, lid, outline)
    left, top, right, bottom = seen.box
    plant = _rooted(seen.plant > 0, _discs(registration, lid, seen.box, _ROOT))
    film = seen.film & _discs(registration, lid, seen.box, _PLUG) & ~plant
    classes = np.zeros(photo.rgb.shape[:2], np.uint8)
    part = classes[top:bottom, left:right]
    part[plant] = seen.kind[plant]
    part[film] = ALGAE
    return Tissue(classes, rgb, ~burnt(photo.rgb), outline, (f"light: {lamp.basis}",))
