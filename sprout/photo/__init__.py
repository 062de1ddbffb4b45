"""Stage 1, file -> Photo: decoded at working size, upright, in sRGB, dated and judged.

Files are known by their content, never by their name. What cannot be decoded whole is refused: half a lid that
passes for a whole one would poison every reading after it.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sprout.errors import PhotoUnfit
from sprout.photo.exif import exif_tags, orientation, taken_at, upright
from sprout.photo.opening import check_file, decoding, open_picture, read_bytes, stored_size
from sprout.photo.pixels import draft, flat_and_small, shrunk, srgb
from sprout.photo.quality import Quality, judge
from sprout.settings import Settings

if TYPE_CHECKING:
    from sprout.pyramid import Pyramid

__all__ = ["Photo", "PhotoHeader", "Quality", "check_file", "judge", "photo_header", "read_photo", "refuse_unfit"]

# Limits beyond which no reading is possible, each far from every usable photo it was checked on (2016 px long side):
# blur 5.5 px (usable up to 3.6, lost from 12), nearly black 95 % (up to 75, lost at 100), clipped 50 % (up to 7,
# lost at 78).
MAX_BLUR_SHARE = 5.5 / 2016
MAX_DARK_PCT = 95.0
MAX_BURNT_PCT = 50.0


@dataclass(frozen=True)
class PhotoHeader:
    """What a file tells without its pixels being decoded; the attributes are those of :class:`Photo`."""

    path: Path
    sha256: str
    taken_at: datetime | None
    width_px: int
    height_px: int


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

    @cached_property
    def pyramid(self) -> Pyramid:
        """The picture at working size and its halves, each made once for all stages."""
        from sprout.pyramid import Pyramid

        return Pyramid(self.rgb)

    def to_full(self, working: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Working pixels (n, 2) to upright pixels of the full-size photo; pixel centres are whole numbers in both."""
        return (working + 0.5) / self.scale - 0.5


def read_photo(path: Path | str, *, settings: Settings | None = None, judged: bool = True) -> Photo:
    """Read a JPEG, MPO, PNG, WebP, TIFF or HEIC photo.

    Its long side comes out at most ``settings.working_px`` and, for photos large enough, at least 0.95 of it: within
    that range a JPEG is decoded straight at half, quarter or eighth size. Transparent parts come out mid-grey.
    With ``judged=False`` a photo too poor to be read is returned all the same (see :func:`refuse_unfit`).

    Raises
    ------
    PhotoError
        If the file cannot be read whole: missing, not a photo, cut short, too large, too small.
    PhotoUnfit
        If no reading is possible because the photo is blurred, almost black or burnt out (only when ``judged``).
    """
    from sprout.pyramid import Pyramid

    settings = settings or Settings()
    path = Path(path)
    data = read_bytes(path, settings)
    with decoding(path):
        image = open_picture(path, data, settings)
        full = image.size
        drafted = draft(image, settings.working_px)
        image.load()
        if image.format == "TIFF":  # turned upright while loading
            full = image.size
        tags = exif_tags(image)
        profile = image.info.get("icc_profile")
        image, fraction = flat_and_small(path, image, settings.working_px)
        image, scale = shrunk(image, full, drafted * fraction, settings.working_px)
        rgb = upright(np.asarray(srgb(image, profile)), tags)
    width, height = full[::-1] if orientation(tags) >= 5 else full
    picture = Pyramid(rgb)
    photo = Photo(path, hashlib.sha256(data).hexdigest(), taken_at(tags), width, height, rgb, scale, judge(picture))
    vars(photo)["pyramid"] = picture
    if judged:
        refuse_unfit(photo)
    return photo


def photo_header(path: Path | str, *, settings: Settings | None = None) -> PhotoHeader:
    """Identity, time and size of a photo, without decoding it.

    Raises
    ------
    PhotoError
        As :func:`read_photo` does, except for damage that only decoding brings to light.
    """
    settings = settings or Settings()
    path = Path(path)
    data = read_bytes(path, settings)
    with decoding(path):
        image = open_picture(path, data, settings)
        full = stored_size(image)
        tags = exif_tags(image)
    width, height = full[::-1] if orientation(tags) >= 5 else full
    return PhotoHeader(path, hashlib.sha256(data).hexdigest(), taken_at(tags), width, height)


def refuse_unfit(photo: Photo) -> None:
    """Do nothing for a photo that can be read.

    Raises
    ------
    PhotoUnfit
        If it is almost black, burnt out, without any edge, or badly blurred.
    """
    q = photo.quality
    if q.dark_pct > MAX_DARK_PCT:
        raise PhotoUnfit(photo.path, "almost black", "switch a light on and take it again")
    if q.burnt_pct > MAX_BURNT_PCT:
        raise PhotoUnfit(
            photo.path, "burnt out", "tap the lid on the phone's screen so that it sets the exposure by it"
        )
    if math.isinf(q.blur_px):
        raise PhotoUnfit(photo.path, "shows nothing with an edge", "uncover the lens and hold the phone above the lid")
    # a very small picture holds no edge sharper than its own pixels
    if q.blur_px > max(1.5, MAX_BLUR_SHARE * max(photo.rgb.shape[:2])):
        raise PhotoUnfit(photo.path, "too blurred", "hold still or wipe the lens")
