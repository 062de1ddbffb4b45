"""Photo intake, against pictures whose every corner, colour and date is known."""

from __future__ import annotations

import csv
import hashlib
import io
import pickle
import struct
import subprocess
import sys
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from bad_photos.make_shelf import exif
from PIL import Image, ImageFile

from sprout.errors import PhotoError, PhotoUnfit
from sprout.photo import (
    MAX_BLUR_SHARE,
    MAX_BURNT_PCT,
    MAX_DARK_PCT,
    Photo,
    Quality,
    judge,
    photo_header,
    read_photo,
    refuse_unfit,
)
from sprout.pyramid import Pyramid
from sprout.settings import Settings

TEST_PHOTOS = Path(__file__).parents[1].parent / "shared" / "photos"

RGB = npt.NDArray[np.uint8]


def lid_picture(width: int = 1008, height: int = 756) -> RGB:
    """A pale plate with dark holes on a brown table: edges in every direction."""
    picture = np.full((height, width, 3), (118, 92, 70), np.uint8)
    u = width / 1008
    cv2.rectangle(picture, (int(90 * u), int(70 * u)), (int(920 * u), int(690 * u)), (226, 226, 220), -1, cv2.LINE_AA)
    for x in range(200, 900, 200):
        for y in range(180, 690, 200):
            cv2.circle(picture, (int(x * u), int(y * u)), int(55 * u), (52, 44, 38), -1, cv2.LINE_AA)
    return picture


def write(path: Path, rgb: RGB, kind: str = "PNG", **options: Any) -> Path:
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.from_pillow(Image.fromarray(rgb)).save(path, quality=95, **options)
    else:
        Image.fromarray(rgb).save(path, kind, **options)
    return path


# ---- orientation

UPPER_LEFT, UPPER_RIGHT, LOWER_LEFT = (230, 40, 40), (40, 200, 40), (40, 60, 230)

# EXIF 2.32 (CIPA DC-008-2019), tag Orientation: what the stored 0th row and 0th column are in the upright picture
STORED = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def stored_with_marks(row0: str, column0: str) -> RGB:
    """A stored picture with three corner marks, painted where the upright picture's corners are stored."""
    upright_is_wide = row0 in ("top", "bottom")
    stored = lid_picture(600, 400) if upright_is_wide else lid_picture(600, 400)[:, ::-1].transpose(1, 0, 2).copy()
    h, w = stored.shape[:2]

    def mark(sides: tuple[str, str], colour: tuple[int, int, int]) -> None:
        y = slice(0, 40) if row0 in sides else slice(h - 40, h)
        x = slice(0, 40) if column0 in sides else slice(w - 40, w)
        stored[y, x] = colour

    mark(("top", "left"), UPPER_LEFT)
    mark(("top", "right"), UPPER_RIGHT)
    mark(("bottom", "left"), LOWER_LEFT)
    return stored


def assert_marks(photo: Photo) -> None:
    assert photo.rgb.shape == (400, 600, 3)
    assert (photo.width_px, photo.height_px) == (600, 400)
    rgb = photo.rgb.astype(int)
    assert np.abs(rgb[20, 20] - UPPER_LEFT).max() < 16
    assert np.abs(rgb[20, 580] - UPPER_RIGHT).max() < 16
    assert np.abs(rgb[380, 20] - LOWER_LEFT).max() < 16


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF", "MPO"])
@pytest.mark.parametrize("orientation", STORED)
def test_orientation_is_applied_once(orientation: int, kind: str, tmp_path: Path) -> None:
    options: dict[str, Any] = {"exif": exif({0x0112: orientation})}
    if kind == "MPO":
        options |= {"save_all": True, "append_images": [Image.new("RGB", (300, 200))]}
    path = write(tmp_path / "photo", stored_with_marks(*STORED[orientation]), kind, **options)
    assert_marks(read_photo(path))
    header = photo_header(path)
    assert (header.width_px, header.height_px) == (600, 400)


@pytest.mark.parametrize("orientation", STORED)
def test_orientation_of_heic_is_left_to_its_decoder(orientation: int, tmp_path: Path) -> None:
    """The encoder writes a rotation into the file beside EXIF; the two must not add up."""
    block = exif({0x0112: orientation})
    photo = read_photo(write(tmp_path / "photo", stored_with_marks(*STORED[orientation]), "HEIF", exif=block))
    assert_marks(photo)


# ---- size


@pytest.mark.parametrize(
    ("kind", "full", "working"),
    [
        ("JPEG", (4032, 3024), (2016, 1512)),
        ("JPEG", (4000, 3000), (2000, 1500)),
        ("JPEG", (3000, 4001), (1500, 2001)),
        ("JPEG", (3264, 2448), (2016, 1512)),
        ("JPEG", (2017, 1513), (2016, 1512)),
        ("JPEG", (8064, 6048), (2016, 1512)),
        ("PNG", (4032, 3024), (2016, 1512)),
        ("JPEG", (2016, 1512), (2016, 1512)),
        ("JPEG", (640, 480), (640, 480)),
    ],
)
def test_working_size(kind: str, full: tuple[int, int], working: tuple[int, int], tmp_path: Path) -> None:
    photo = read_photo(write(tmp_path / "photo", lid_picture(*full), kind), judged=False)
    assert (photo.width_px, photo.height_px) == full
    assert photo.rgb.shape == (working[1], working[0], 3)
    assert photo.scale == pytest.approx(working[0] / full[0], rel=1e-3)
    assert photo.scale <= 1


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
@pytest.mark.parametrize("full", [(4032, 3024), (4001, 2999), (3265, 2449), (2405, 1803)])
def test_working_pixels_lead_back_to_the_full_size(full: tuple[int, int], kind: str, tmp_path: Path) -> None:
    """Drawn squares near all corners are found where they were drawn, to a quarter of a full-size pixel."""
    picture = np.full((full[1], full[0], 3), 30, np.uint8)
    places = [(40, 40), (full[0] - 60, 50), (70, full[1] - 50), (full[0] - 45, full[1] - 45)]
    for x, y in places:
        picture[y - 8 : y + 9, x - 8 : x + 9] = 230
    photo = read_photo(write(tmp_path / "photo", picture, kind), judged=False)
    for x, y in places:
        u, v = (np.array([x, y]) * photo.scale).astype(int)
        window = np.maximum(photo.rgb[v - 14 : v + 15, u - 14 : u + 15, 1].astype(float) - 45, 0)
        rows, columns = np.mgrid[v - 14 : v - 14 + window.shape[0], u - 14 : u - 14 + window.shape[1]]
        found = np.array([[(window * columns).sum(), (window * rows).sum()]]) / window.sum()
        assert photo.to_full(found)[0] == pytest.approx((x, y), abs=0.25)


def test_settings_govern_the_working_size(tmp_path: Path) -> None:
    path = write(tmp_path / "photo", lid_picture(2000, 1500), "JPEG")
    assert read_photo(path, settings=Settings(working_px=1000)).rgb.shape == (750, 1000, 3)


# ---- dates

ORIGINAL, DIGITIZED, MODIFIED = 0x9003, 0x9004, 0x0132
OFFSET, OFFSET_ORIGINAL = 0x9010, 0x9011


@pytest.mark.parametrize(
    ("tags", "photo_tags", "expected"),
    [
        ({}, {ORIGINAL: "2026:10:06 07:03:45"}, datetime(2026, 10, 6, 7, 3, 45)),
        (
            {},
            {ORIGINAL: "2026:10:06 07:03:45", OFFSET_ORIGINAL: "+02:00"},
            datetime(2026, 10, 6, 7, 3, 45, tzinfo=timezone(timedelta(hours=2))),
        ),
        (
            {},
            {ORIGINAL: "2026:10:06 07:03:45", OFFSET: "-09:30"},
            datetime(2026, 10, 6, 7, 3, 45, tzinfo=timezone(timedelta(hours=-9.5))),
        ),
        (
            {},
            {ORIGINAL: "2026:10:06 07:03:45", OFFSET_ORIGINAL: "   :  ", OFFSET: "+01:00"},
            datetime(2026, 10, 6, 7, 3, 45, tzinfo=timezone(timedelta(hours=1))),
        ),
        ({}, {ORIGINAL: "2026:10:06 07:03:45", OFFSET_ORIGINAL: "noon"}, datetime(2026, 10, 6, 7, 3, 45)),
        ({MODIFIED: "2027:01:01 00:00:00"}, {ORIGINAL: "2026:10:06 07:03:45"}, datetime(2026, 10, 6, 7, 3, 45)),
        ({MODIFIED: "2027:01:01 00:00:00"}, {DIGITIZED: "2026:10:06 07:03:46"}, datetime(2026, 10, 6, 7, 3, 46)),
        ({MODIFIED: "2026:12:24 18:00:00"}, {}, datetime(2026, 12, 24, 18)),
        ({MODIFIED: "2026:12:24 18:00:00"}, {ORIGINAL: "0000:00:00 00:00:00"}, datetime(2026, 12, 24, 18)),
        ({}, {ORIGINAL: "    :  :     :  :  "}, None),
        ({}, {ORIGINAL: "2026:02:30 07:00:00"}, None),
        ({}, {ORIGINAL: "1970:01:01 00:00:00"}, None),
        ({}, {ORIGINAL: "yesterday"}, None),
        ({}, {}, None),
    ],
)
def test_taken_at(
    tags: dict[int, int | str], photo_tags: dict[int, str], expected: datetime | None, tmp_path: Path
) -> None:
    path = write(tmp_path / "photo", lid_picture(), "JPEG", exif=exif(tags, photo_tags))
    taken = read_photo(path).taken_at
    assert taken == expected
    assert (taken and taken.tzinfo) == (expected and expected.tzinfo)
    assert photo_header(path).taken_at == expected


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_dates_of_other_formats(kind: str, tmp_path: Path) -> None:
    block = exif({0x0112: 1}, {ORIGINAL: "2026:10:06 07:03:45", OFFSET_ORIGINAL: "+02:00"})
    path = write(tmp_path / "photo", lid_picture(), kind, exif=block)
    assert read_photo(path).taken_at == datetime(2026, 10, 6, 7, 3, 45, tzinfo=timezone(timedelta(hours=2)))


# ---- colours


def profile(space: bytes, curve_gamma: float, colorants: npt.NDArray[np.float64] | None) -> bytes:
    """A minimal ICC profile, version 2 (ICC.1:2001-04): curves of one gamma, and D50 colorants for RGB."""

    def xyz(values: npt.ArrayLike) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(struct.pack(">i", round(65536 * v)) for v in np.asarray(values))

    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(256 * curve_gamma)) + b"\0\0"
    description = b"desc\0\0\0\0" + struct.pack(">I", 5) + b"test\0" + bytes(78 + 3)
    tags = {b"desc": description, b"cprt": b"text\0\0\0\0none\0\0\0\0", b"wtpt": xyz([0.9642, 1, 0.8249])}
    if colorants is None:
        tags[b"kTRC"] = curve
    else:
        tags |= {name: xyz(column) for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), colorants.T, strict=True)}
        tags |= {b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        data += bytes(-len(data) % 4)
        table += name + struct.pack(">II", offset + len(body), len(data))
        body += data
    white = xyz([0.9642, 1, 0.8249])[8:]
    head = struct.pack(">I4xI", offset + len(body), 0x02400000) + b"mntr" + space + b"XYZ " + bytes(12) + b"acsp"
    head += bytes(28) + white
    return head + bytes(128 - len(head)) + table + body


def d50_colorants(colourspace: str) -> npt.NDArray[np.float64]:
    """The colorants of a D65 space, adapted to D50 as ICC asks for (Bradford: Lam 1985)."""
    import colour

    space = colour.RGB_COLOURSPACES[colourspace]
    white = colour.xy_to_XYZ(space.whitepoint)
    adaptation = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, [0.9642, 1.0, 0.8249], "Bradford")
    return np.asarray(adaptation @ space.matrix_RGB_to_XYZ)


PATCHES = np.array(
    [(64, 120, 40), (110, 160, 70), (180, 170, 60), (120, 90, 60), (128, 128, 128), (230, 228, 220), (40, 36, 30)]
)


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "HEIF"])
@pytest.mark.parametrize("colourspace", ["Display P3", "Adobe RGB (1998)"])
def test_embedded_profile_is_converted_to_srgb(colourspace: str, kind: str, tmp_path: Path) -> None:
    """sRGB patches, carried over to another space by colour-science (Mansencal et al.), come back as they were."""
    import colour

    srgb = colour.RGB_COLOURSPACES["sRGB"]
    linear = colour.RGB_to_RGB(srgb.cctf_decoding(PATCHES / 255), srgb, colour.RGB_COLOURSPACES[colourspace])
    coded = np.round(255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    picture = np.repeat(np.repeat(coded[None], 300, 0), 60, 1)
    options: dict[str, Any] = {"icc_profile": profile(b"RGB ", 2.2, d50_colorants(colourspace))}
    if kind == "JPEG":
        options |= {"quality": 98, "subsampling": 0}
    elif kind == "HEIF":
        options |= {"chroma": 444}
    found = read_photo(write(tmp_path / "photo", picture, kind, **options), judged=False).rgb[150, 30::60].astype(int)
    assert np.abs(found - PATCHES).max() <= (2 if kind in ("PNG", "TIFF") else 6)
    assert np.abs(coded.astype(int) - PATCHES).max() > 8, "without conversion the test would prove nothing"


def test_grey_profile_is_converted(tmp_path: Path) -> None:
    """A linear grey of 0.2140 is sRGB 0.5 (IEC 61966-2-1)."""
    picture = np.full((300, 300), round(0.2140 * 255), np.uint8)
    path = write(tmp_path / "photo", picture, "PNG", icc_profile=profile(b"GRAY", 1.0, None))
    rgb = read_photo(path, judged=False).rgb
    assert rgb.shape == (300, 300, 3)
    assert rgb == pytest.approx(128, abs=2)


def test_profile_of_another_mode_is_ignored(tmp_path: Path) -> None:
    picture = lid_picture()
    path = write(tmp_path / "photo", picture, "PNG", icc_profile=profile(b"GRAY", 1.0, None))
    assert (read_photo(path).rgb == picture).all()


def test_srgb_profile_changes_nothing(tmp_path: Path) -> None:
    from PIL import ImageCms

    picture = np.random.default_rng(3).integers(0, 256, (300, 300, 3)).astype(np.uint8)
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert (read_photo(write(tmp_path / "photo", picture, icc_profile=icc), judged=False).rgb == picture).all()


def test_sixteen_bits_are_scaled_not_clipped(tmp_path: Path) -> None:
    ramp = np.tile(np.arange(0, 65536, 128, dtype=np.uint16), (300, 1))
    for suffix in (".png", ".tif"):
        cv2.imwrite(str(tmp_path / f"photo{suffix}"), ramp)
        rgb = read_photo(tmp_path / f"photo{suffix}", judged=False).rgb
        assert np.abs(rgb[..., 1] - ramp / 257).max() <= 0.51


# ---- identity and care


def test_identity_is_the_sha256_of_the_bytes(tmp_path: Path) -> None:
    path = write(tmp_path / "photo.jpg", lid_picture(), "JPEG")
    expected = hashlib.sha256(path.read_bytes()).hexdigest()
    assert read_photo(str(path)).sha256 == expected == photo_header(path).sha256
    assert read_photo(path).path == path


def test_decoder_globals_are_left_alone(tmp_path: Path) -> None:
    limit = Image.MAX_IMAGE_PIXELS
    read_photo(write(tmp_path / "photo", lid_picture()))
    (tmp_path / "broken").write_bytes((tmp_path / "photo").read_bytes()[:2000])
    with pytest.raises(PhotoError, match="cut short"):
        read_photo(tmp_path / "broken")
    assert limit == Image.MAX_IMAGE_PIXELS
    assert not ImageFile.LOAD_TRUNCATED_IMAGES


def test_refusals_travel_between_processes(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="does not exist: check the name") as caught:
        read_photo(tmp_path / "none.jpg")
    assert str(pickle.loads(pickle.dumps(caught.value))) == str(caught.value)


def test_import_is_cheap() -> None:
    code = (
        "import sprout.photo, sys; print(*{'cv2', 'scipy', 'pandas', 'matplotlib', 'pillow_heif'} & set(sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "\n"


# ---- judgement


def test_blur_is_estimated(tmp_path: Path) -> None:
    """Gaussian blur of known width comes out right to a fifth, in pixels of the picture given."""
    picture = lid_picture(2016, 1512)
    assert judge(Pyramid(picture)).blur_px < 1
    for sigma in (2.5, 4, 6, 9, 14):
        assert judge(Pyramid(cv2.GaussianBlur(picture, (0, 0), sigma))).blur_px == pytest.approx(sigma, rel=0.2)


@pytest.mark.parametrize("noise", [0, 8, 20])
@pytest.mark.parametrize("share", [1.0, 0.35])
def test_blur_rises_with_blur(noise: float, share: float) -> None:
    picture = lid_picture(2016, 1512)
    grain = np.random.default_rng(1).normal(0, noise, picture.shape)
    found = [
        judge(Pyramid(np.clip(share * cv2.GaussianBlur(picture, (0, 0), s) + grain, 0, 255).astype(np.uint8))).blur_px
        for s in (0.5, 2, 4, 8, 16)
    ]
    assert found == sorted(found)
    limit = MAX_BLUR_SHARE * 2016
    assert found[2] < limit < found[3]


def test_shake_in_any_direction_is_seen() -> None:
    picture = lid_picture(2016, 1512)
    for degrees in (0, 35, 90, 140):
        kernel = np.zeros((81, 81), np.float32)
        dx, dy = 38 * np.cos(np.radians(degrees)), 38 * np.sin(np.radians(degrees))
        cv2.line(kernel, (round(40 - dx), round(40 - dy)), (round(40 + dx), round(40 + dy)), 1.0, 1, cv2.LINE_AA)
        shaken = cv2.filter2D(picture, -1, kernel / kernel.sum())
        assert judge(Pyramid(shaken)).blur_px > MAX_BLUR_SHARE * 2016


def test_a_bare_table_does_not_make_a_sharp_photo_blurred() -> None:
    picture = np.full((1512, 2016, 3), (118, 92, 70), np.uint8)
    picture = cv2.GaussianBlur(picture, (0, 0), 1)
    picture[600:900, 800:1200] = cv2.resize(lid_picture(400, 300), (400, 300))
    assert judge(Pyramid(picture)).blur_px < 2


def test_exposure_shares() -> None:
    picture = np.zeros((400, 400, 3), np.uint8)
    picture[:100] = (255, 255, 40)
    picture[100:200] = (255, 200, 200)
    picture[200:220] = 130
    quality = judge(Pyramid(picture))
    assert quality.burnt_pct == pytest.approx(25, abs=1)
    assert quality.dark_pct == pytest.approx(45, abs=1)


def test_no_edge_at_all() -> None:
    assert judge(Pyramid(np.full((400, 600, 3), 120, np.uint8))).blur_px == np.inf


def test_small_sharp_pictures_are_not_called_blurred(tmp_path: Path) -> None:
    photo = read_photo(write(tmp_path / "photo", lid_picture(320, 240), "JPEG"))
    assert photo.quality.blur_px < 1.5


@pytest.mark.skipif(not TEST_PHOTOS.is_dir(), reason="the test photos are not there")
def test_judgement_of_the_test_photos() -> None:
    """Unusable photos are refused for what is wrong with them, all others pass with a wide margin."""
    reasons = {"s005": "blurred", "s010": "black", "s016": "blurred", "s023": "burnt out", "day10": "blurred"}
    unusable = 0
    for row in csv.DictReader(io.StringIO((TEST_PHOTOS / "index.csv").read_text("utf-8"))):
        photo = read_photo(TEST_PHOTOS / row["photo"], judged=False)
        if row["unusable"] == "1":
            unusable += 1
            with pytest.raises(PhotoUnfit, match=reasons[photo.path.stem]):
                refuse_unfit(photo)
        else:
            q: Quality = photo.quality
            assert q.blur_px < 0.75 * MAX_BLUR_SHARE * max(photo.rgb.shape)
            assert q.dark_pct < MAX_DARK_PCT - 15
            assert q.burnt_pct < 0.25 * MAX_BURNT_PCT
    assert unusable == len(reasons)
