"""Picture -> pixels: scaled while decoding, flattened to 8 bit, in sRGB."""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageCms

from sprout.errors import PhotoError
from sprout.photo.opening import AS_JPEG

_LARGE_PX = 32_000_000  # below it, copies of the whole picture do no harm


def draft(image: Image.Image, working_px: int) -> float:
    """Let the JPEG decoder deliver 1/2, 1/4 or 1/8 of the size where that is enough; return that fraction."""
    if image.format not in ("JPEG", "MPO"):
        return 1.0
    width, height = image.size
    wanted = 0.95 * working_px / max(width, height)
    drafted = image.draft(None, (max(1, int(width * wanted)), max(1, int(height * wanted))))
    return drafted[1][2] / width if drafted and wanted < 1 else 1.0


def flat_and_small(path: Path, image: Image.Image, working_px: int) -> tuple[Image.Image, float]:
    """The picture flat, as :func:`flat`, and the fraction of its size that it has now.

    A very large one is made a whole number of times smaller, piece by piece, before copies of it fill the memory.
    """
    times = max(image.size) // (2 * working_px)
    if times < 2 or image.width * image.height < _LARGE_PX:
        return flat(path, image), 1.0
    rows = max(1, _LARGE_PX // 4 // image.width // times) * times
    pieces = [
        flat(path, image.crop((0, top, image.width, min(top + rows, image.height)))).reduce(times)
        for top in range(0, image.height, rows)
    ]
    out = Image.new(pieces[0].mode, (pieces[0].width, sum(piece.height for piece in pieces)))
    top = 0
    for piece in pieces:
        out.paste(piece, (0, top))
        top += piece.height
    return out, 1 / times


def flat(path: Path, image: Image.Image) -> Image.Image:
    """The same picture in mode L, RGB or CMYK: 8 bit per channel, without palette and transparency."""
    mode = image.mode
    if mode in ("L", "RGB", "CMYK"):
        return image
    if mode == "1":
        return image.convert("L")
    if mode == "I" or mode.startswith("I;16"):
        values = np.asarray(image)
        if values.min() >= 0 and values.max() <= 65535:
            return Image.fromarray(((values.astype(np.uint32) + 128) // 257).astype(np.uint8))
    elif mode in ("P", "PA", "LA", "La", "RGBA", "RGBa"):
        if mode == "P" and "transparency" not in image.info:
            return image.convert("RGB")
        seen = image.convert("RGBA")
        return Image.alpha_composite(Image.new("RGBA", seen.size, (128, 128, 128, 255)), seen).convert("RGB")
    elif mode in ("YCbCr", "RGBX", "HSV"):
        return image.convert("RGB")
    raise PhotoError(path, f"stores its colours in a way that is not read here ({mode})", AS_JPEG)


def shrunk(image: Image.Image, full: tuple[int, int], drafted: float, working_px: int) -> tuple[Image.Image, float]:
    """The picture with a long side of at most ``working_px``, and its pixels per full-size pixel, alike in x and y."""
    if max(image.size) <= working_px:
        return image, drafted
    scale = working_px / max(full)
    ratio = scale / drafted
    size = (max(1, int(full[0] * scale + 1e-6)), max(1, int(full[1] * scale + 1e-6)))
    box = (0.0, 0.0, min(size[0] / ratio, image.width), min(size[1] / ratio, image.height))
    return image.resize(size, Image.Resampling.HAMMING, box=box), scale


@lru_cache(maxsize=8)
def _to_srgb(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    """The transform from an embedded profile to sRGB; None if there is nothing to convert or the profile is broken."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        if source.profile.xcolor_space.strip() != {"L": "GRAY"}.get(mode, mode):
            return None
        transform = ImageCms.buildTransform(
            source,
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
        if mode == "RGB":
            steps = np.linspace(0, 255, 9).astype(np.uint8)
            probe = np.stack(np.meshgrid(steps, steps, steps), -1).reshape(27, 27, 3)
            after = np.asarray(transform.apply(Image.fromarray(probe)))
            if np.abs(after.astype(int) - probe).max() <= 2:
                return None
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None
    return transform


def srgb(image: Image.Image, profile: object) -> Image.Image:
    """The picture of mode L, RGB or CMYK in sRGB; without a usable profile its colours are taken for sRGB already."""
    transform = _to_srgb(profile, image.mode) if isinstance(profile, bytes) else None
    if transform:
        return transform.apply(image)
    return image if image.mode == "RGB" else image.convert("RGB")
