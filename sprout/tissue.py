"""Stage 4, Photo and Registration -> Tissue: corrected light and a class for every pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from sprout.lid import Lid
from sprout.light import burnt
from sprout.photo import Photo
from sprout.plate import read_plate
from sprout.registration import Array, LidView, Registration

OTHER, GREEN, YELLOW, DRY, ALGAE = range(5)

_ROOT = 1.3
"""How far from a site's centre a plant may first show, in hole radii (it leans out of its hole)."""


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


def _rooted(plant: npt.NDArray[np.bool_], registration: Registration, lid: Lid) -> npt.NDArray[np.bool_]:
    """The connected patches of ``plant`` that reach a site: what grows elsewhere is not the lid's."""
    roots = np.zeros(plant.shape, np.uint8)
    scale = registration.px_per_mm(lid.sites_mm)
    for (u, v), s in zip(registration.to_px(lid.sites_mm), scale, strict=True):
        cv2.circle(roots, (round(u), round(v)), round(_ROOT * lid.hole_mm / 2 * s), 1, -1)
    _, patches = cv2.connectedComponents(plant.astype(np.uint8), connectivity=8, ltype=cv2.CV_32S)
    kept = np.zeros(int(patches.max()) + 1, bool)
    kept[np.unique(patches[(roots > 0) & plant])] = True
    kept[0] = False
    return np.asarray(kept[patches])


def classify(photo: Photo, registration: Registration, lid: Lid, *, view: LidView | None = None) -> Tissue:
    """Give every pixel of a registered photo its class.

    ``view`` is the known look of the same lid, if there is one; it settles the colour of the plate.
    """
    outline, lamp = read_plate(photo, registration, lid, view=view)
    rgb = lamp.correct(photo.rgb)
    r, g, b = (rgb[..., k].astype(np.int16) for k in range(3))
    green = (20 * g - 10 * r - 10 * b > r + g + b) & (g > 25)
    plant = _rooted(green, registration, lid)
    classes = np.where(plant, np.where(100 * r > 108 * g, YELLOW, GREEN), OTHER).astype(np.uint8)
    return Tissue(classes, rgb, ~burnt(photo.rgb), outline, (f"light: {lamp.basis}",))
