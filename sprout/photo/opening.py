"""File -> picture with its header read and checked: known by its content, refused with the mend."""

from __future__ import annotations

import io
import logging
import re
import stat
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image, UnidentifiedImageError

from sprout.errors import PhotoError
from sprout.settings import Settings

logging.getLogger("PIL").addHandler(logging.NullHandler())  # or its remarks on broken files reach the user

MIN_LONG_PX = 200
MIN_SHORT_PX = 100

_BYTES_PER_PIXEL = 2.5  # a file with more than so many for each pixel of the largest photo is none
_MOST_SCANS = 64  # a progressive JPEG has about ten; each of a thousand is decoded over the whole picture
# These decoders take several times the memory of others: share of the limit in megapixels that stays below 1 GiB.
_COSTLY = {"HEIF": 0.7, "WEBP": 0.3, "progressive JPEG": 0.7}

_FORMATS = {
    "JPEG": rb"\xff\xd8\xff",
    "PNG": rb"\x89PNG\r\n\x1a\n",
    "WEBP": rb"RIFF....WEBP",
    "TIFF": rb"II[*+]\x00|MM\x00[*+]",
    "HEIF": rb"....ftyp(hei[cxms]|hev[cxms]|mif1|msf1)",
}
_OTHER_FORMATS = {
    "is a GIF, not a photo": rb"GIF8",
    "is a PDF, not a photo": rb"%PDF",
    "is an AVIF picture": rb"....ftypavi[fs]",
    "is a film, not a photo": rb"....ftyp|\x1aE\xdf\xa3|RIFF....AVI ",
}
_MARKER = re.compile(rb"\xff([\x02-\xcf\xd9-\xfe])")
AS_JPEG = "export it as JPEG"
_ANOTHER = "choose a photo, or export this as JPEG"
_AGAIN = "copy it again from the phone"


def check_file(path: Path, settings: Settings) -> None:
    """Refuse what is no ordinary file of a bearable size: opening it could block, or reading it never end.

    Raises
    ------
    PhotoError
        If it is such a file, or is not there.
    """
    with _reaching(path):
        status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise PhotoError(path, "is a folder, not a photo", "name the photos in it")
    if not stat.S_ISREG(status.st_mode):
        raise PhotoError(path, "is not an ordinary file", "save the photo to a file first")
    if status.st_size > settings.max_megapixels * _BYTES_PER_PIXEL * 1e6:
        raise PhotoError(path, f"is too large for a photo ({status.st_size / 1e6:.0f} MB)", AS_JPEG)


@contextmanager
def _reaching(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise PhotoError(path, "does not exist", "check the name") from None
    except PermissionError:
        raise PhotoError(path, "may not be read", "change its permissions") from None
    except OSError as e:
        raise PhotoError(path, f"cannot be opened ({e.strerror or e})", "check the name and the disk") from None


def read_bytes(path: Path, settings: Settings) -> bytes:
    """All bytes of an ordinary file; nothing that would block or never end is opened."""
    check_file(path, settings)
    with _reaching(path):
        data = path.read_bytes()
    if not data:
        raise PhotoError(path, "is empty (0 bytes)", _AGAIN)
    return data


@contextmanager
def decoding(path: Path) -> Iterator[None]:
    """Turn whatever a decoder raises into a PhotoError, silence its warnings, lift its own size limit for ours."""
    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except PhotoError:
        raise
    except MemoryError:
        raise PhotoError(path, "needs more memory than there is", "export it as a smaller JPEG") from None
    except Exception as e:  # a broken file leads decoders to errors of every type
        words = " ".join(str(e).split())[:90] or type(e).__name__
        raise PhotoError(path, f"is damaged or cut short ({words})", _AGAIN) from e
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def open_picture(path: Path, data: bytes, settings: Settings) -> Image.Image:
    """The picture with its header read and checked, its pixels not yet decoded."""
    kind = next((k for k, pattern in _FORMATS.items() if re.match(pattern, data, re.DOTALL)), None)
    if kind is None:
        other = (what for what, pattern in _OTHER_FORMATS.items() if re.match(pattern, data, re.DOTALL))
        raise PhotoError(path, next(other, "is not a photo (JPEG, PNG, WebP, TIFF or HEIC)"), _ANOTHER)
    if kind == "HEIF":
        from pillow_heif import HeifImageFile

        image: Image.Image = HeifImageFile(io.BytesIO(data))  # type: ignore[no-untyped-call,unused-ignore]
    else:
        try:
            image = Image.open(io.BytesIO(data), formats=("JPEG", "MPO") if kind == "JPEG" else (kind,))
        except UnidentifiedImageError:
            raise PhotoError(path, "is damaged or cut short (its header makes no sense)", _AGAIN) from None
    if kind == "JPEG" and _zero_filled(data):
        raise PhotoError(path, "is cut short (its end is filled with zeros)", _AGAIN)
    if kind == "JPEG" and _scans(data) > _MOST_SCANS:
        raise PhotoError(path, "is damaged (it repeats itself without end)", _AGAIN)
    if kind == "TIFF" and _is_raw(image):
        raise PhotoError(path, "is a raw photo", AS_JPEG)
    if kind in ("PNG", "WEBP") and getattr(image, "is_animated", False):
        raise PhotoError(path, "is an animation, not a photo", "take a still photo")
    width, height = image.size
    coded = "progressive JPEG" if image.info.get("progressive") else kind
    limit = settings.max_megapixels * _COSTLY.get(coded, 1.0)
    if width * height > limit * 1e6:
        raise PhotoError(
            path,
            f"has {width * height / 1e6:.0f} megapixels, more than the limit of {limit:g}"
            + (f" for {coded}" if coded in _COSTLY else ""),
            "export it smaller, or raise the limit with --max-megapixels or SPROUT_MAX_MEGAPIXELS",
        )
    if max(width, height) < MIN_LONG_PX or min(width, height) < MIN_SHORT_PX:
        raise PhotoError(
            path, f"is too small ({width} x {height} pixels)", "send the photo itself, not a preview of it"
        )
    return image


def stored_size(image: Image.Image) -> tuple[int, int]:
    """Width and height before the orientation is applied; versions of Pillow differ in what a TIFF's size means."""
    tags: Any = getattr(image, "tag_v2", {})
    width, length = 256, 257
    return (tags[width], tags[length]) if width in tags and length in tags else image.size


def _zero_filled(jpeg: bytes) -> bool:
    """Whether an interrupted copy left zeros where the end of the picture should be.

    Zeros after the end marker are harmless, and so are those of a film clip that some phones append.
    """
    kept = jpeg.rstrip(b"\0")
    return len(jpeg) - len(kept) >= 64 and not kept.endswith(b"\xff\xd9") and b"ftyp" not in kept


def _scans(jpeg: bytes) -> int:
    """How often the decoder passes over the picture: the scans of the first picture in the file (ITU-T T.81, B.1)."""
    at, scans = 2, 0
    for _ in range(100_000):
        marker = _MARKER.search(jpeg, at)
        if marker is None or marker[1] == b"\xd9":
            break
        scans += marker[1] == b"\xda"
        # a segment tells its length; the picture's data, which follow a scan's segment, hold no marker but restarts
        at = marker.end() + int.from_bytes(jpeg[marker.end() : marker.end() + 2], "big")
    return scans


def _is_raw(tiff: Image.Image) -> bool:
    """Whether a TIFF is a camera's raw file, whose first picture is but a preview."""
    tags: Any = getattr(tiff, "tag_v2", {})
    dng_version, new_subfile_type = 50706, 254
    return dng_version in tags or tags.get(new_subfile_type, 0) & 1 == 1
