"""What a photo says of itself: which side is up, and when it was taken."""

from __future__ import annotations

import re
from datetime import datetime

import numpy as np
import numpy.typing as npt
from PIL import Image
from PIL.ExifTags import IFD, Base


def exif_tags(image: Image.Image) -> dict[int, object]:
    """EXIF tags, those of the photo's own directory included; empty when the block is broken."""
    try:
        exif = image.getexif()
        return {**exif, **exif.get_ifd(IFD.Exif)}
    except Exception:  # parsing a broken block can fail in any way, and the pixels are whole without it
        return {}


def orientation(tags: dict[int, object]) -> int:
    """The EXIF orientation, 1 to 8; what cannot be is 1."""
    value = tags.get(Base.Orientation)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def upright(rgb: npt.NDArray[np.uint8], tags: dict[int, object]) -> npt.NDArray[np.uint8]:
    """The picture (h, w, 3) turned and mirrored the way its orientation asks for."""
    import cv2

    turn = orientation(tags)
    if turn in (5, 6, 7, 8):
        rgb = np.asarray(cv2.transpose(rgb), np.uint8)
    about = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}  # codes of cv2.flip: 1 left and right, 0 top and bottom, -1 both
    return np.asarray(cv2.flip(rgb, about[turn]), np.uint8) if turn in about else rgb


def taken_at(tags: dict[int, object]) -> datetime | None:
    """When the photo was taken; the file's own time is no evidence, so None when EXIF does not tell."""
    for when, offset in (
        (Base.DateTimeOriginal, Base.OffsetTimeOriginal),
        (Base.DateTimeDigitized, Base.OffsetTimeDigitized),
        (Base.DateTime, Base.OffsetTime),
    ):
        moment = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d:\d\d:\d\d)", _text(tags.get(when)))
        if not moment or int(moment[1]) < 1990:  # a camera's clock that was never set
            continue
        iso = f"{moment[1]}-{moment[2]}-{moment[3]}T{moment[4]}"
        zones = [zone for zone in (_text(tags.get(offset)), _text(tags.get(Base.OffsetTime))) if zone]
        for zone in [*zones, ""]:
            try:
                return datetime.fromisoformat(iso + zone)
            except ValueError:
                continue
    return None


def _text(value: object) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    return value.strip(" \0") if isinstance(value, str) else ""
