"""Stage 4, Photo and Registration -> Tissue: corrected light and a class for every pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

OTHER, GREEN, YELLOW, DRY, ALGAE = range(5)


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
    notes:
        Words on how the light was corrected and what was left out.
    """

    classes: npt.NDArray[np.uint8]
    rgb: npt.NDArray[np.uint8]
    usable: npt.NDArray[np.bool_]
    notes: tuple[str, ...] = ()
