"""Makes the shelf of bad and odd photo files: ``python make_shelf.py FOLDER``. The README beside it describes each."""

from __future__ import annotations

import io
import os
import struct
import sys
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFilter

Maker = Callable[[Path], object]
SIZE = (1200, 900)


@cache
def scene() -> Image.Image:
    """A drawn lid with 3 x 4 holes on a table, some of them sprouted, drawn at twice its size and shrunk."""
    picture = Image.new("RGB", (2 * SIZE[0], 2 * SIZE[1]), (118, 92, 70))
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((300, 240, 2100, 1560), 90, fill=(226, 226, 220), outline=(150, 150, 146), width=6)
    for row in range(3):
        for column in range(4):
            x, y = 570 + 420 * column, 480 + 420 * row
            draw.ellipse((x - 110, y - 110, x + 110, y + 110), fill=(52, 44, 38), outline=(170, 170, 166), width=8)
            if (row + column) % 2:
                draw.ellipse((x - 80, y - 30, x, y + 30), fill=(86, 150, 58))
                draw.ellipse((x, y - 30, x + 80, y + 30), fill=(92, 160, 62))
    return picture.resize(SIZE, Image.Resampling.BOX)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.from_pillow(image).save(out, quality=80, **options)
    else:
        image.save(out, kind, **options)
    return out.getvalue()


def exif(tags: dict[int, int | str], photo_tags: dict[int, str] | None = None) -> bytes:
    """An EXIF block (CIPA DC-008) with these tags of the picture and of the photo: whole numbers and texts."""

    def directory(entries: dict[int, int | str], at: int, *, long: tuple[int, ...] = ()) -> bytes:
        table, texts = struct.pack(">H", len(entries)), b""
        end = at + 2 + 12 * len(entries) + 4
        for tag, value in sorted(entries.items()):
            if isinstance(value, str):
                text = value.encode() + b"\0"
                table += struct.pack(">HHII", tag, 2, len(text), end + len(texts))
                texts += text
            elif tag in long:
                table += struct.pack(">HHII", tag, 4, 1, value)
            else:
                table += struct.pack(">HHIHH", tag, 3, 1, value, 0)
        return table + bytes(4) + texts

    pointer = 0x8769
    first = directory({**tags, pointer: 0}, 8, long=(pointer,))
    first = directory({**tags, pointer: 8 + len(first)}, 8, long=(pointer,))
    return b"Exif\0\0MM\0*\0\0\0\x08" + first + directory({**(photo_tags or {})}, 8 + len(first))


def saved(kind: str, image: Callable[[], Image.Image] = scene, **options: object) -> Maker:
    return lambda path: path.write_bytes(encoded(image(), kind, **options))


def cut(kind: str, share: float, **options: object) -> Maker:
    def make(path: Path) -> None:
        data = encoded(scene(), kind, **options)
        path.write_bytes(data[: int(len(data) * share)])

    return make


def content(data: bytes) -> Maker:
    return lambda path: path.write_bytes(data)


def zero_filled(path: Path) -> None:
    data = encoded(scene(), "JPEG")
    path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))


def with_film(path: Path) -> None:
    path.write_bytes(encoded(scene(), "JPEG") + b"\0\0\0\x18ftypmp42" + bytes(400))


def bomb(path: Path) -> None:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    pixels = zlib.compress(bytes(10_000_000), 9)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b""))


def text_bomb(path: Path) -> None:
    """A PNG with a text of two hundred million letters in two hundred kilobytes (zTXt, PNG 1.2, 4.2.3.2)."""
    data = encoded(scene(), "PNG")
    body = b"Comment\0\0" + zlib.compress(bytes(200_000_000), 9)
    text = struct.pack(">I", len(body)) + b"zTXt" + body + struct.pack(">I", zlib.crc32(b"zTXt" + body))
    path.write_bytes(data[:33] + text + data[33:])


def many_scans(path: Path) -> None:
    """A progressive JPEG whose last scan comes a thousand times."""
    data = encoded(scene(), "JPEG", progressive=True)
    last = data.rfind(b"\xff\xda")
    path.write_bytes(data[:-2] + data[last:-2] * 1000 + data[-2:])


def several(path: Path) -> None:
    """A HEIC of two pictures, the second of them the primary one."""
    import pillow_heif

    both = pillow_heif.from_pillow(scene().resize((400, 300)))
    both.add_from_pillow(scene())
    both.save(path, quality=80, primary_index=1)


def ten_bit(path: Path) -> None:
    """A HEIC of ten bits per channel, as phones take them in high dynamic range."""
    import pillow_heif

    values = np.asarray(scene()).astype(np.uint16) * 257
    pillow_heif.encode("RGB;16", SIZE, values.tobytes(), path, quality=80)


def located() -> bytes:
    """EXIF with a place, two hostile texts and a preview of another picture."""
    tags = Image.Exif()
    tags[0x010E] = "<script>alert('sprout')</script>"
    tags[0x013B] = "\x1b]0;sprout\x07{{ 7 * 7 }}"
    tags[0x8769] = {0x9003: "2026:08:28 10:00:00"}
    tags[0x8825] = {1: "N", 2: (47.0, 31.0, 23.4567), 3: "E", 4: (9.0, 17.0, 55.4321)}
    return tags.tobytes()


def animated(kind: str) -> Maker:
    def make(path: Path) -> None:
        frames = [scene().resize((400, 300)), scene().resize((400, 300)).transpose(Image.Transpose.ROTATE_180)]
        frames[0].save(path, kind, save_all=True, append_images=frames[1:], duration=100)

    return make


def mpo(path: Path) -> None:
    scene().save(path, "MPO", save_all=True, append_images=[scene().resize((400, 300))])


def sixteen_bit(*, grey: bool, suffix: str) -> Maker:
    def make(path: Path) -> None:
        values = (
            np.asarray(scene().convert("L") if grey else scene())[..., :: 1 if grey else -1].astype(np.uint16) * 257
        )
        done, data = cv2.imencode(suffix, values)
        assert done
        path.write_bytes(data.tobytes())

    return make


def floats(path: Path) -> None:
    scene().convert("F").save(path, "TIFF")


def raw(path: Path) -> None:
    scene().save(path, "TIFF", tiffinfo={254: 1})


def cut_out() -> Image.Image:
    """The lid cut out of its background."""
    mask = Image.new("L", SIZE, 0)
    ImageDraw.Draw(mask).rectangle((140, 110, 1060, 790), fill=255)
    picture = scene().copy()
    picture.putalpha(mask)
    return picture


def shaken() -> Image.Image:
    kernel = np.zeros((41, 41), np.float32)
    cv2.line(kernel, (0, 10), (40, 30), 1.0, 1, cv2.LINE_AA)
    return Image.fromarray(cv2.filter2D(np.asarray(scene()), -1, kernel / kernel.sum()))


def loop(path: Path) -> None:
    path.symlink_to(path.name)


def gigabytes(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(20_000_000_000)  # takes no room on the disk


def dangling(path: Path) -> None:
    path.symlink_to("gone.jpg")


def locked(path: Path) -> None:
    path.write_bytes(encoded(scene(), "JPEG"))
    path.chmod(0)


# name -> (how it is made, a phrase of the message it is refused with, or None where it is read)
SHELF: dict[str, tuple[Maker, str | None]] = {
    # cut short
    "cut-header.jpg": (content(b"\xff\xd8\xff\xe0\x00\x10JFIF"), "cut short"),
    "cut-tenth.jpg": (cut("JPEG", 0.1), "cut short"),
    "cut-half.jpg": (cut("JPEG", 0.5), "cut short"),
    "cut-tail.jpg": (cut("JPEG", 0.97), "cut short"),
    "cut-progressive.jpg": (cut("JPEG", 0.6, progressive=True), "cut short"),
    "cut-half.png": (cut("PNG", 0.5), "cut short"),
    "cut-half.webp": (cut("WEBP", 0.5), "cut short"),
    "cut-half.tif": (cut("TIFF", 0.5, compression="tiff_lzw"), "cut short"),
    "cut-half.heic": (cut("HEIF", 0.5), "cut short"),
    "zero-filled.jpg": (zero_filled, "filled with zeros"),
    # no photo at all
    "empty.jpg": (content(b""), "is empty"),
    "text.jpg": (content(b"Tuesday: topped up two litres.\n"), "is not a photo"),
    "film.jpg": (content(b"\0\0\0\x14ftypqt  " + bytes(200)), "is a film"),
    "document.jpg": (content(b"%PDF-1.7\n"), "is a PDF"),
    "page.jpg": (content(b"<!doctype html><title>Sign in</title>"), "is not a photo"),
    "archive.jpg": (content(b"PK\x03\x04" + bytes(60)), "is not a photo"),
    "picture.avif": (content(b"\0\0\0\x20ftypavif" + bytes(200)), "is an AVIF"),
    "animated.gif": (animated("GIF"), "is a GIF"),
    "animated.webp": (animated("WEBP"), "is an animation"),
    "animated.png": (animated("PNG"), "is an animation"),
    "folder.jpg": (Path.mkdir, "is a folder"),
    "loop.jpg": (loop, "cannot be opened"),
    "dangling.jpg": (dangling, "does not exist"),
    "pipe.jpg": (lambda path: os.mkfifo(path), "is not an ordinary file"),
    "endless.jpg": (lambda path: path.symlink_to("/dev/zero"), "is not an ordinary file"),
    "gigabytes.jpg": (gigabytes, "is too large for a photo"),
    "locked.jpg": (locked, "may not be read"),
    # wrong size or kind
    "bomb.png": (bomb, "3600 megapixels"),
    "text-bomb.png": (text_bomb, "is damaged"),
    "many-scans.jpg": (many_scans, "repeats itself without end"),
    "one-pixel.png": (saved("PNG", lambda: Image.new("RGB", (1, 1))), "is too small"),
    "thread.png": (saved("PNG", lambda: Image.new("L", (1, 20000), 90)), "is too small"),
    "preview.jpg": (saved("JPEG", lambda: scene().resize((160, 120))), "is too small"),
    "raw.tif": (raw, "is a raw photo"),
    "floats.tif": (floats, "stores its colours"),
    # whole, but nothing can be read in it
    "black.jpg": (saved("JPEG", lambda: scene().point(lambda v: v // 6)), "almost black"),
    "white.jpg": (saved("JPEG", lambda: scene().point(lambda v: min(255, 120 + 2 * v))), "burnt out"),
    "plain.jpg": (saved("JPEG", lambda: Image.new("RGB", SIZE, (120, 120, 120))), "shows nothing with an edge"),
    "blurred.jpg": (saved("JPEG", lambda: scene().filter(ImageFilter.GaussianBlur(8))), "too blurred"),
    "shaken.jpg": (saved("JPEG", shaken), "too blurred"),
    # odd, but read
    "jpeg-inside.heic": (saved("JPEG"), None),
    "heic-inside.jpg": (saved("HEIF"), None),
    "png-inside.jpg": (saved("PNG"), None),
    "two-pictures.jpg": (mpo, None),
    "two-pictures.heic": (several, None),
    "ten-bit.heic": (ten_bit, None),
    "with-alpha.heic": (saved("HEIF", lambda: scene().convert("RGBA")), None),
    "with-film.jpg": (with_film, None),
    "grey.jpg": (saved("JPEG", lambda: scene().convert("L")), None),
    "sixteen-bit-grey.png": (sixteen_bit(grey=True, suffix=".png"), None),
    "sixteen-bit-grey.tif": (sixteen_bit(grey=True, suffix=".tif"), None),
    "sixteen-bit.png": (sixteen_bit(grey=False, suffix=".png"), None),
    "sixteen-bit.tif": (sixteen_bit(grey=False, suffix=".tif"), None),
    "cmyk.jpg": (saved("JPEG", lambda: scene().convert("CMYK"), quality=90), None),
    "cmyk.tif": (saved("TIFF", lambda: scene().convert("CMYK")), None),
    "palette.png": (saved("PNG", lambda: scene().quantize(64)), None),
    "cut-out.png": (saved("PNG", cut_out), None),
    "lossless.webp": (saved("WEBP", lossless=True), None),
    "broken-exif.jpg": (saved("JPEG", exif=b"Exif\0\0MM\0*\xff\xff\xff\xff\x99\x12\x34"), None),
    "broken-profile.jpg": (saved("JPEG", icc_profile=b"no profile" * 20), None),
    "location.jpg": (saved("JPEG", exif=located()), None),
    "future.jpg": (saved("JPEG", exif=exif({}, {0x9003: "2199:12:31 23:59:59"})), None),
    "no-such-day.jpg": (saved("JPEG", exif=exif({}, {0x9003: "2026:02:31 10:00:00"})), None),
    "unset-clock.jpg": (saved("JPEG", exif=exif({}, {0x9003: "0000:00:00 00:00:00"})), None),
    "orientation-0.jpg": (saved("JPEG", exif=exif({0x0112: 0})), None),
    "orientation-9.jpg": (saved("JPEG", exif=exif({0x0112: 9})), None),
    os.fsdecode(b"not-utf8-\xe9.jpg"): (saved("JPEG"), None),
    "long-name-" + "x" * 236 + ".jpg": (saved("JPEG"), None),
}


def make(folder: Path, name: str) -> Path:
    """Make one file of the shelf in ``folder`` and return its path."""
    path = folder / name
    SHELF[name][0](path)
    return path


def main() -> None:
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name in SHELF:
        make(folder, name)


if __name__ == "__main__":
    main()
