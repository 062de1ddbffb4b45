"""Stage 1, file -> Photo: decoded at working size, upright, in sRGB, dated and judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Quality:
    """How usable a photo is.

    Attributes
    ----------
    blur_px:
        Estimated standard deviation of the blur, in working pixels.
    dark_pct, burnt_pct:
        Share of the frame that is nearly black, and that is clipped in at least two channels.
    """

    blur_px: float
    dark_pct: float
    burnt_pct: float


@dataclass(frozen=True, eq=False)
class Photo:
    """A photo after intake.

    Attributes
    ----------
    path, sha256:
        The file, and the SHA-256 of its bytes (the photo's identity).
    taken_at:
        Wall time of the exposure from EXIF, with offset where the photo tells it; None if unknown.
    width_px, height_px:
        Size of the upright photo at full size.
    rgb:
        (h, w, 3) uint8, sRGB, upright, at working size.
    scale:
        Working pixels per full-size pixel (<= 1).
    quality:
        The judgement of blur and exposure.
    """

    path: Path
    sha256: str
    taken_at: datetime | None
    width_px: int
    height_px: int
    rgb: npt.NDArray[np.uint8]
    scale: float
    quality: Quality

    def to_full(self, working: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Working pixels (n, 2) to upright pixels of the full-size photo; pixel centres are whole numbers in both."""
        return (working + 0.5) / self.scale - 0.5
