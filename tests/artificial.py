"""Drawn photos whose truth is known exactly.

A lid is drawn flat in millimetres, then seen through a known camera, under known light. Everything is flat on the lid's
plane: leaves have no height, so what is drawn is exactly where the registration says. The same arguments give the same
picture, whatever the machine's number of processors.

    drawing = draw_lid(drawn_lid(), sprouts={"A1": 2, "B3": Stand(1, leaf_mm=9, true_pairs=1)}, tilt_deg=18)
    save_jpeg(drawing, path, taken_at=datetime(2026, 9, 1, 8, 0))
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from sprout.lid import Lid, Tags, make_lid
from sprout.registration import Registration
from sprout.tissue import ALGAE, DRY, GREEN, YELLOW

Colour = tuple[float, float, float]
Points = npt.NDArray[np.float64]

LIDS: dict[str, Colour] = {
    "white": (232, 231, 226),
    "grey": (150, 152, 154),
    "black": (42, 42, 44),
    "cream": (226, 214, 186),
}
TABLES: dict[str, Colour] = {"wood": (158, 118, 80), "stone": (96, 98, 102), "cloth": (176, 170, 160)}
LEAVES: dict[int, Colour] = {GREEN: (84, 142, 52), YELLOW: (196, 184, 62), DRY: (134, 98, 58)}
PLUGS: dict[str, Colour] = {"sponge": (58, 48, 42), "coir": (104, 72, 48), "open": (16, 16, 18)}
EDGE_MM = 19.0
"""From the holes' rims to the plate's edge; with tags, at least what they need."""
TAG_EDGE_MM = 5.0
AROUND_MM = 40.0


@dataclass(frozen=True)
class Stand:
    """What grows in one site.

    Attributes
    ----------
    seedlings:
        How many stand there.
    leaf_mm:
        Length of a cotyledon.
    true_pairs:
        Pairs of true leaves that each seedling has besides its cotyledons.
    tissue:
        ``GREEN``, ``YELLOW`` or ``DRY``.
    """

    seedlings: int = 1
    leaf_mm: float = 6.0
    true_pairs: int = 0
    tissue: int = GREEN


@dataclass(frozen=True, eq=False)
class Drawing:
    """A drawn photo and its truth.

    Attributes
    ----------
    rgb:
        (h, w, 3) uint8, upright.
    lid, registration:
        The lid, and the exact map from its millimetres to this picture's pixels.
    sites_px:
        (n, 2) centres of the holes in pixels, in the lid's order.
    tissue:
        (h, w) uint8: 0 other, 1 green, 2 yellowing, 3 dry, 4 algae.
    sites:
        (h, w) uint8: place of the site in the lid's order + 1 whose plant is seen, else 0.
    seedlings:
        Number of seedlings by label, for every site.
    tags_mm:
        Corners (4, 2) of each tag in the lid's frame, by id, clockwise from the tag's own upper left.
    """

    rgb: npt.NDArray[np.uint8]
    lid: Lid
    registration: Registration
    sites_px: Points
    tissue: npt.NDArray[np.uint8]
    sites: npt.NDArray[np.uint8]
    seedlings: dict[str, int]
    tags_mm: dict[int, Points]

    def tissue_cm2(self, label: str) -> float:
        """Visible living or dry tissue of a site on the lid's plane, in cm2."""
        v, u = np.nonzero((self.sites == self.lid.labels.index(label) + 1) & (self.tissue > 0) & (self.tissue < ALGAE))
        return float(self.registration.mm2_per_px(np.column_stack([u, v]).astype(float)).sum() / 100) if len(u) else 0.0


def drawn_lid(pattern: str = "grid", *, tags: bool = False, **keys: Any) -> Lid:
    """A lid of middling size; any key of a lid file may be given."""
    usual: dict[str, dict[str, Any]] = {
        "grid": {"rows": 3, "columns": 4, "pitch_mm": [60.0, 56.0], "hole_mm": 30.0},
        "staggered": {"rows": 3, "columns": 4, "pitch_mm": [60.0, 54.0], "stagger_mm": 30.0, "hole_mm": 30.0},
        "ring": {"ring_sites": 6, "ring_mm": 150.0, "centre_site": True, "hole_mm": 34.0},
        "points": {"points_mm": [[0.0, 0.0], [82.0, 6.0], [150.0, 0.0], [38.0, 74.0], [116.0, 78.0]], "hole_mm": 40.0},
    }
    sheet = {"family": "4x4_50", "size_mm": 20.0, "ids": [0, 1, 2, 3]} if tags else None
    return make_lid(**{"name": "drawn", "pattern": pattern, "tags": sheet, **usual[pattern], **keys})


def draw_lid(
    lid: Lid,
    *,
    sprouts: Mapping[str, int | Stand] | None = None,
    algae: Iterable[str] = (),
    stickers: Mapping[str, str] | None = None,
    size: tuple[int, int] = (1512, 2016),
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 0.0,
    roll_deg: float = 0.0,
    fill: float = 0.8,
    shift_px: tuple[float, float] = (0.0, 0.0),
    focal: float = 0.73,
    k1: float = -0.02,
    lid_colour: str = "white",
    plug: str = "sponge",
    table: str = "wood",
    look_alikes: bool = False,
    cast: Colour = (1.0, 1.0, 1.0),
    shading: float = 0.15,
    exposure_ev: float = 0.0,
    glare: int = 0,
    blur_px: float = 0.6,
    noise: float = 2.0,
    seed: int = 0,
) -> Drawing:
    """Draw a photo of a lid.

    Parameters
    ----------
    sprouts:
        What grows, by label: a :class:`Stand`, or just a number of young seedlings.
    algae:
        Labels of sites with a green film on the plug.
    stickers:
        ``"paper"`` or ``"foil"`` over a hole, by label.
    size:
        (height, width) of the upright picture in pixels.
    tilt_deg, tilt_towards_deg, roll_deg:
        The camera's lean from straight above, towards which side of the picture (0: right, 90: bottom), and the lid's
        turn in the picture, clockwise. A roll of 180 is a photo from the other side of the table.
    fill, shift_px, focal, k1:
        Share of the picture that the lid's outline takes up along its tighter side; offset of the lid's middle from the
        picture's; focal length in long sides; radial distortion as in :class:`Registration`.
    look_alikes:
        Draw screws and a filling port beside the holes.
    cast, shading, exposure_ev:
        Gains of red, green and blue on linear light; fall-off of the light from one corner to the other, 0 to 1;
        exposure error in stops.
    glare:
        Number of burnt highlights on the lid.
    blur_px, noise:
        Standard deviations of the blur in pixels and of the noise in grey levels.
    """
    rng = np.random.default_rng(seed)
    stands = {k: s if isinstance(s, Stand) else Stand(s) for k, s in (sprouts or {}).items()}
    unknown = {*stands, *algae, *(stickers or {})} - set(lid.labels)
    if unknown:
        raise KeyError(f"no such sites: {sorted(unknown)}")
    margin = lid.hole_mm / 2 + (max(EDGE_MM, lid.tags.size_mm + 2 * TAG_EDGE_MM) if lid.tags else EDGE_MM)
    low, high = lid.sites_mm.min(0) - margin, lid.sites_mm.max(0) + margin
    registration = _camera(
        (low + high) / 2, high - low, size, tilt_deg, tilt_towards_deg, roll_deg, fill, shift_px, focal, k1
    )

    px_per_mm = float(np.clip(1.4 * _px_per_mm(registration, low, high), 3, 14))
    canvas = _Canvas(low, high, px_per_mm, rng)
    tags_mm = _plate(canvas, lid, LIDS[lid_colour], look_alikes=look_alikes)
    for k, label in enumerate(lid.labels):
        _site(canvas, lid, k, PLUGS[plug], (stickers or {}).get(label, ""), label in algae, rng)
    for label, stand in stands.items():
        _stand(canvas, lid, lid.labels.index(label), stand, rng)

    look, tissue, sites = _look(canvas, registration, TABLES[table], rng)
    spots_px = registration.to_px(rng.uniform(low + 10, high - 10, (glare, 2)))
    return Drawing(
        rgb=_light(look, spots_px, cast, shading, exposure_ev, blur_px, noise, rng),
        lid=lid,
        registration=registration,
        sites_px=registration.to_px(lid.sites_mm),
        tissue=tissue,
        sites=sites,
        seedlings={label: stands[label].seedlings if label in stands else 0 for label in lid.labels},
        tags_mm=tags_mm,
    )


def save_jpeg(
    drawing: Drawing | npt.NDArray[np.uint8],
    path: Path | str,
    *,
    taken_at: datetime | None = None,
    orientation: int = 1,
    quality: int = 92,
) -> Path:
    """Write a drawing as a phone would: dated, and stored turned as the EXIF orientation says."""
    path = Path(path)
    image = Image.fromarray(drawing if isinstance(drawing, np.ndarray) else drawing.rgb)
    stored = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    if orientation in stored:
        image = image.transpose(stored[orientation])
    exif = Image.Exif()
    exif[0x0112] = orientation
    if taken_at is not None:
        details = {0x9003: taken_at.strftime("%Y:%m:%d %H:%M:%S")}
        if taken_at.tzinfo is not None:
            offset = taken_at.strftime("%z")
            details[0x9011] = f"{offset[:3]}:{offset[3:5]}"
        exif[0x8769] = details
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, "JPEG", quality=quality, exif=exif)
    return path


def _camera(
    middle: Points,
    extent: Points,
    size: tuple[int, int],
    tilt_deg: float,
    towards_deg: float,
    roll_deg: float,
    fill: float,
    shift_px: tuple[float, float],
    focal: float,
    k1: float,
) -> Registration:
    h, w = size
    f = focal * max(size)
    roll, tilt, towards = np.radians([roll_deg, tilt_deg, towards_deg])
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    lean, _ = cv2.Rodrigues(np.array([-np.sin(towards), np.cos(towards), 0]) * tilt)
    box = np.abs(turn[:2, :2]) @ extent
    distance = f * max(box[0] / w, box[1] / h) / fill
    pose = np.column_stack([(lean @ turn)[:, :2], [shift_px[0] * distance / f, shift_px[1] * distance / f, distance]])
    intrinsic = np.array([[f, 0, (w - 1) / 2], [0, f, (h - 1) / 2], [0, 0, 1]])
    to_middle = np.array([[1, 0, -middle[0]], [0, 1, -middle[1]], [0, 0, 1]])
    homography = intrinsic @ pose @ to_middle
    return Registration(homography / homography[2, 2], k1, size, 0.0, "drawn")


@dataclass(frozen=True, eq=False)
class _Patch:
    """A soft-edged shape on the canvas: where it lies, and how much of each pixel it covers, 0 to 1."""

    at: tuple[slice, slice]
    alpha: npt.NDArray[np.float32]


class _Canvas:
    """The lid's plane seen squarely: colours, whether the plate covers a place, tissue class and site."""

    def __init__(self, low: Points, high: Points, px_per_mm: float, rng: np.random.Generator) -> None:
        self.low, self.high = low, high
        self.origin = low - AROUND_MM
        self.scale = px_per_mm
        h, w = np.ceil((high - low + 2 * AROUND_MM) * px_per_mm).astype(int)[::-1]
        self.rgb = np.zeros((h, w, 3), np.float32)
        self.plate = np.zeros((h, w), np.float32)
        self.tissue = np.zeros((h, w), np.uint8)
        self.sites = np.zeros((h, w), np.uint8)
        self.clouds = _clouds((h, w), rng)
        grain = rng.standard_normal((h, w), dtype=np.float32)
        self.grain = cv2.GaussianBlur(grain, (0, 0), 0.3 * px_per_mm) * px_per_mm

    def pixels(self, mm: Points) -> Points:
        """Canvas pixels of places on the lid."""
        return np.asarray((mm - self.origin) * self.scale)

    def polygon(self, mm: Points, *, soft_mm: float = 0.0) -> _Patch:
        px = self.pixels(mm)
        pad = 2 + 3 * soft_mm * self.scale
        limit = np.array(self.plate.shape[::-1])
        first = np.clip(np.floor(px.min(0) - pad), 0, limit - 1).astype(int)
        last = np.clip(np.ceil(px.max(0) + pad) + 1, first + 1, limit).astype(int)
        mask = np.zeros((last - first)[::-1], np.uint8)
        cv2.fillPoly(mask, [np.round((px - first) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
        alpha: Any = mask / np.float32(255)
        if soft_mm:
            alpha = cv2.GaussianBlur(alpha, (0, 0), soft_mm * self.scale)
        return _Patch((slice(first[1], last[1]), slice(first[0], last[0])), alpha)

    def disc(self, centre: Points, radius_mm: float, *, soft_mm: float = 0.0) -> _Patch:
        angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
        return self.polygon(centre + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]), soft_mm=soft_mm)

    def paint(
        self,
        patch: _Patch,
        colour: npt.ArrayLike,
        *,
        strength: float = 1.0,
        texture: npt.NDArray[np.float32] | None = None,
        depth: float = 0.0,
    ) -> None:
        """Lay a colour over what the patch covers, roughened by ``depth`` grey levels of a texture."""
        paint = np.asarray(colour, np.float32)
        if texture is not None:
            paint = paint + depth * texture[patch.at][..., None]
        self.rgb[patch.at] += strength * patch.alpha[..., None] * (paint - self.rgb[patch.at])

    def mark(self, patch: _Patch, tissue: int, site: int) -> None:
        inside = patch.alpha > 0.5
        self.tissue[patch.at][inside] = tissue
        self.sites[patch.at][inside] = site


def _plate(canvas: _Canvas, lid: Lid, colour: Colour, *, look_alikes: bool) -> dict[int, Points]:
    (x0, y0), (x1, y1) = canvas.low, canvas.high
    corner = 12.0
    arc = np.linspace(0, np.pi / 2, 12)
    outline = np.vstack(
        [
            np.column_stack([cx + corner * np.cos(arc + start), cy + corner * np.sin(arc + start)])
            for cx, cy, start in (
                (x1 - corner, y1 - corner, 0.0),
                (x0 + corner, y1 - corner, np.pi / 2),
                (x0 + corner, y0 + corner, np.pi),
                (x1 - corner, y0 + corner, 1.5 * np.pi),
            )
        ]
    )
    body = np.asarray(colour, np.float32)
    canvas.rgb[:] = body * 0.82
    plate = canvas.polygon(outline)
    canvas.plate[plate.at] = plate.alpha
    canvas.paint(canvas.polygon(_grown(outline, -2.5)), body, texture=canvas.clouds, depth=3)
    if look_alikes:
        for x in (x0 + 9, x1 - 9):
            screw = np.array([x, (y0 + y1) / 2])
            canvas.paint(canvas.disc(screw, 3.0), (120, 120, 122))
            canvas.paint(canvas.disc(screw, 1.2), (60, 60, 62))
        port = np.array([(x0 + x1) / 2, y0 + lid.hole_mm * 0.5])
        canvas.paint(canvas.disc(port, lid.hole_mm * 0.36), body * 0.6)
        canvas.paint(canvas.disc(port, lid.hole_mm * 0.30), (24, 24, 26))
    return _stick_tags(canvas, lid.tags) if lid.tags else {}


def _grown(outline: Points, by_mm: float) -> Points:
    middle = (outline.min(0) + outline.max(0)) / 2
    return np.asarray(middle + (outline - middle) * (1 + by_mm / np.abs(outline - middle).max(0)))


def _stick_tags(canvas: _Canvas, tags: Tags) -> dict[int, Points]:
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{tags.family.upper()}"))
    side = tags.size_mm
    (x0, y0), (x1, y1) = canvas.low + TAG_EDGE_MM, canvas.high - TAG_EDGE_MM - side
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    found = {}
    for tag, place in zip(tags.ids, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)], strict=False):
        corners = side * square + place
        canvas.paint(canvas.polygon(_grown(corners, TAG_EDGE_MM - 1)), (244, 244, 242))
        canvas.paint(canvas.polygon(corners), (28, 28, 28))
        modules = cv2.aruco.generateImageMarker(dictionary, tag, 6) > 127
        for row, column in np.argwhere(modules):
            canvas.paint(canvas.polygon(place + (square + [column, row]) * side / len(modules)), (244, 244, 242))
        found[tag] = corners
    return found


def _site(canvas: _Canvas, lid: Lid, k: int, plug: Colour, sticker: str, algae: bool, rng: np.random.Generator) -> None:
    centre, radius = lid.sites_mm[k], lid.hole_mm / 2
    around = canvas.rgb[tuple(np.round(canvas.pixels(centre)).astype(int)[::-1])].copy()
    canvas.paint(canvas.disc(centre, radius + 3.0), around * 0.93)
    canvas.paint(canvas.disc(centre + 0.4, radius + 0.3), around * 0.55)
    canvas.paint(canvas.disc(centre, radius), (24, 24, 26))
    canvas.paint(canvas.disc(centre, radius * 0.84), plug, texture=canvas.grain, depth=9)
    if algae:
        film = canvas.disc(centre + rng.uniform(-1, 1, 2), radius * 0.55, soft_mm=1.5)
        canvas.paint(film, (70, 104, 48), strength=0.8, texture=canvas.grain, depth=9)
        canvas.mark(film, ALGAE, 0)
    if sticker:
        colour, depth = {"paper": ((236, 232, 220), 2.0), "foil": ((190, 192, 196), 40.0)}[sticker]
        canvas.paint(canvas.disc(centre, radius + 4), colour, texture=canvas.clouds, depth=depth)
        slit = centre + np.array([[-6, -0.4], [6, -0.4], [6, 0.4], [-6, 0.4]])
        canvas.paint(canvas.polygon(slit), (60, 54, 48))


def _stand(canvas: _Canvas, lid: Lid, k: int, stand: Stand, rng: np.random.Generator) -> None:
    radius = lid.hole_mm / 2
    turn, ring = rng.uniform(0, 2 * np.pi), 0.0 if stand.seedlings == 1 else 0.45 * radius
    for n in range(stand.seedlings):
        angle = turn + 2 * np.pi * n / stand.seedlings + rng.uniform(-0.2, 0.2)
        stem = lid.sites_mm[k] + ring * np.array([np.cos(angle), np.sin(angle)]) + rng.uniform(-0.06, 0.06, 2) * radius
        axis = rng.uniform(0, np.pi)
        for pair in range(stand.true_pairs + 1):
            length = stand.leaf_mm * (1.5 + 0.4 * (stand.true_pairs - pair) if pair else 1.0)
            for side in (0.0, np.pi):
                bearing = axis + pair * np.pi / 2 + side + rng.uniform(-0.15, 0.15)
                size = length * rng.uniform(0.9, 1.1)
                _leaf(canvas, stem, bearing, size, stand.tissue, k + 1, rng.uniform(0.88, 1.12), pointed=pair > 0)


def _leaf(
    canvas: _Canvas,
    stem: Points,
    bearing: float,
    length: float,
    tissue: int,
    site: int,
    brightness: float,
    *,
    pointed: bool,
) -> None:
    along = np.linspace(0, 1, 24)
    bow = np.sin(np.pi * along ** (0.8 if pointed else 1.0)) * (1 - 0.25 * along)
    half = (0.36 if pointed else 0.40) * length * np.sqrt(np.clip(bow, 0, 1))[:, None]
    stalk = 0.25 * length
    ahead = np.array([np.cos(bearing), np.sin(bearing)])
    across = np.array([-ahead[1], ahead[0]])
    spine = stem + ahead * (stalk + along[:, None] * length)
    outline = np.vstack([spine + across * half, (spine - across * half)[::-1]])
    thick, reach = across * max(0.35, 0.05 * length), stem + ahead * stalk * 1.3
    petiole = canvas.polygon(np.array([stem + thick, reach + thick, reach - thick, stem - thick]))
    blade = canvas.polygon(outline)
    rib = across * 0.03 * length
    colour = np.asarray(LEAVES[tissue], np.float32) * brightness
    canvas.paint(canvas.polygon(outline + 1.0, soft_mm=1.0), (12, 12, 12), strength=0.35)
    canvas.paint(petiole, colour * 1.1 + 12)
    canvas.paint(blade, colour)
    canvas.paint(canvas.polygon(np.array([spine[0] + rib, spine[-3], spine[0] - rib])), colour * 1.2, strength=0.7)
    canvas.mark(petiole, tissue, site)
    canvas.mark(blade, tissue, site)


def _clouds(shape: tuple[int, int], rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Smooth noise, about -1 to 1."""
    h, w = shape
    total = np.zeros((h, w), np.float32)
    for cells, weight in ((5, 0.6), (23, 0.3), (111, 0.25)):
        coarse = rng.standard_normal((cells, cells), dtype=np.float32)
        total += weight * cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)
    return total


def _look(
    canvas: _Canvas, registration: Registration, table: Colour, rng: np.random.Generator
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.uint8], npt.NDArray[np.uint8]]:
    """What the camera sees: colours, tissue and sites on the picture's pixels."""
    h, w = registration.size_px
    # the map is smooth: exact at every eighth pixel, linear between
    step = 8
    nodes = np.mgrid[0 : h + step : step, 0 : w + step : step][::-1]
    at_nodes = canvas.pixels(registration.to_mm(nodes.reshape(2, -1).T.astype(float)))
    coarse = at_nodes.reshape(*nodes.shape[1:], 2).astype(np.float32)
    v, u = np.mgrid[:h, :w].astype(np.float32) / step
    x, y = (cv2.remap(np.ascontiguousarray(coarse[..., k]), u, v, cv2.INTER_LINEAR) for k in (0, 1))

    def seen(layer: npt.NDArray[Any], how: int = cv2.INTER_LINEAR) -> npt.NDArray[Any]:
        return np.asarray(cv2.remap(layer, x, y, how, borderMode=cv2.BORDER_CONSTANT, borderValue=0))

    tile = 512
    streaks = cv2.resize(rng.standard_normal((tile, 6), dtype=np.float32), (tile, tile), interpolation=cv2.INTER_CUBIC)
    under = np.asarray(table, np.float32) * (1 + 0.06 * _clouds((tile, tile), rng) + 0.05 * streaks)[..., None]
    per_mm = 1.5 / canvas.scale
    rgb: Any = np.asarray(cv2.remap(under, x * per_mm, y * per_mm, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))

    soften = 0.35 * canvas.scale / _px_per_mm(registration, canvas.low, canvas.high)
    shadow = np.roll(canvas.plate, (round(3 * canvas.scale),) * 2, (0, 1))
    rgb = rgb * (1 - 0.6 * seen(cv2.GaussianBlur(shadow, (0, 0), 5 * canvas.scale))[..., None])
    solid = cv2.GaussianBlur(np.maximum(canvas.plate, canvas.sites > 0), (0, 0), soften)
    rgb = rgb + seen(solid)[..., None] * (seen(cv2.GaussianBlur(canvas.rgb, (0, 0), soften)) - rgb)
    return rgb, seen(canvas.tissue, cv2.INTER_NEAREST), seen(canvas.sites, cv2.INTER_NEAREST)


def _px_per_mm(registration: Registration, low: Points, high: Points) -> float:
    return float(registration.px_per_mm((low + high)[None] / 2)[0])


def _light(
    rgb: npt.NDArray[np.float32],
    spots_px: Points,
    cast: Colour,
    shading: float,
    exposure_ev: float,
    blur_px: float,
    noise: float,
    rng: np.random.Generator,
) -> npt.NDArray[np.uint8]:
    h, w = rgb.shape[:2]
    value = np.clip(rgb / 255, 0, 1)
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)
    fall = 1 - shading * (0.6 * np.arange(w) / w + 0.4 * np.arange(h)[:, None] / h)
    linear *= (fall[..., None] * np.asarray(cast) * 2.0**exposure_ev).astype(np.float32)
    v, u = np.mgrid[:h, :w]
    width = 0.02 * w
    for spot in spots_px:
        linear += 4 * np.exp(-(((u - spot[0]) / width) ** 2) - ((v - spot[1]) / (0.6 * width)) ** 2)[..., None]
    seen = np.clip(cv2.GaussianBlur(linear, (0, 0), blur_px) if blur_px else linear, 0, 1)
    encoded = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055) * 255
    noisy = encoded + noise * rng.standard_normal(encoded.shape, dtype=np.float32)
    return np.asarray(np.clip(np.round(noisy), 0, 255), np.uint8)
