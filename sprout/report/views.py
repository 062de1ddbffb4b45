"""The book's straightened views side by side: one a day, on one grid of the lid's millimetres, under one light.

The book keeps each view as photographed. Here the holes are kept still and the plate of all days is brought to
the median of their colours: in linear light, with a slow slope of brightness across the lid taken out too, so that what
changes from day to day is the plants and neither the lamp nor the hand.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from sprout.light import LUMINANCE, exg, to_linear, to_srgb
from sprout.report.steady import STILL, Steady

if TYPE_CHECKING:
    import pandas as pd

    from sprout.lid import Lid

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.uint8]

_COLLAR = 0.7  # radius kept clear about a hole's centre, in hole diameters: hole, collar, sticker
_LEAF_EXG = 0.12  # above this excess green the plate is hidden by leaves
_CELL_MM = 3.0
_FEWEST = 60  # cells of bare plate from which light can be told
_ROUNDS = 4
_STEEPEST = 0.7
_ENOUGH = 0.7  # share of the plate that must show for its slope of light to be believed in full
_STRONGEST = 2.5  # a larger factor on linear light would only bring up noise
_BRIGHTEST = 0.8  # linear: a lighter plate would burn out the marks on it


@dataclass(frozen=True)
class Grid:
    """Pixels of the views on the lid's plane: pixel (i, j) shows ``origin_mm + (j, i) / px_per_mm``.

    ``size`` is (height, width) in pixels.
    """

    origin_mm: tuple[float, float]
    px_per_mm: float
    size: tuple[int, int]

    def place(self, mm: FloatArray) -> FloatArray:
        """Lid millimetres (n, 2) to pixels (n, 2)."""
        return np.asarray((mm - np.array(self.origin_mm)) * self.px_per_mm)


@dataclass(frozen=True, eq=False)
class DayView:
    """The lid on one day: (h, w, 3) uint8 sRGB on the common grid."""

    date: date
    rgb: Picture


@dataclass(frozen=True)
class Kept:
    """A view as the book keeps it: its file, and the grid of its pixels (size as the file has it)."""

    date: date
    file: Path
    origin_mm: tuple[float, float]
    px_per_mm: float


def kept_views(photos: pd.DataFrame, folder: Path) -> list[Kept]:
    """The last view of each day whose file is there, by date.

    Parameters
    ----------
    photos:
        Table with ``columns.PHOTOS``, by moment.
    folder:
        The book's folder.
    """
    last: dict[date, Kept] = {}
    for row in photos.to_dict("records"):
        if row["view"] and (folder / row["view"]).is_file():
            on = date.fromisoformat(row["date"])
            origin = float(row["view_x_mm"]), float(row["view_y_mm"])
            last[on] = Kept(on, folder / row["view"], origin, float(row["view_px_per_mm"]))
    return [last[on] for on in sorted(last)]


def grid_of(kept: Iterable[Kept], *, long_px: int | None = None) -> Grid | None:
    """The grid that the first readable view has, scaled so that its long side has ``long_px``; None without a view."""
    for one in kept:
        picture = _load(one)
        if picture is not None:
            h, w = picture.shape[:2]
            scale = 1.0 if long_px is None else long_px / max(h, w)
            size = round(h * scale), round(w * scale)
            shift = (1 / scale - 1) / 2 / one.px_per_mm  # the first pixel is the middle of several
            origin = one.origin_mm[0] + shift, one.origin_mm[1] + shift
            return Grid(origin, one.px_per_mm * scale, size)
    return None


def day_views(kept: Iterable[Kept], lid: Lid, grid: Grid) -> Iterator[DayView]:
    """Every view on the grid under one light, by date; a file that cannot be read is left out.

    Memory stays flat: views are read twice, once for their light and once for their pixels.
    """
    kept = list(kept)
    plate = _Plate(lid, grid)
    steady: Steady | None = None
    lights, moves = [], []
    for one in kept:
        picture = _on(grid, one)
        lights.append(None if picture is None else plate.light(picture))
        if picture is not None and steady is None:
            places, hole_px = grid.place(lid.sites_mm), lid.hole_mm * grid.px_per_mm
            steady = Steady(picture, places, hole_px=hole_px, px_per_mm=grid.px_per_mm)
        moves.append(STILL if picture is None or steady is None else steady.move(picture))
    known = np.array([light[0] for light in lights if light is not None])
    target = np.median(known, axis=0) if len(known) else np.zeros(3)
    target = target + min(0.0, float(np.log(_BRIGHTEST) - np.log(np.exp(target) @ LUMINANCE)))
    for one, light, move in zip(kept, lights, moves, strict=True):
        picture = _on(grid, one)
        if picture is not None and steady is not None:
            picture = steady.stilled(picture, move)
            yield DayView(one.date, picture if light is None else plate.relit(picture, light, target))


def _load(kept: Kept) -> Picture | None:
    try:
        with Image.open(io.BytesIO(kept.file.read_bytes())) as picture:
            return np.asarray(picture.convert("RGB"))
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError):
        return None


def _on(grid: Grid, kept: Kept) -> Picture | None:
    """A kept view on the grid."""
    picture = _load(kept)
    if picture is None:
        return None
    scale = grid.px_per_mm / kept.px_per_mm
    shift = (np.array(kept.origin_mm) - grid.origin_mm) * grid.px_per_mm
    if scale < 0.7:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.4 / scale), np.uint8)
    if picture.shape[:2] == grid.size and abs(scale - 1) < 1e-6 and np.abs(shift).max() < 1e-3:
        return picture
    matrix = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    h, w = grid.size
    flat = cv2.warpAffine(picture, matrix, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat, np.uint8)


class _Plate:
    """Where the bare plate shows in a view, and the light on it."""

    def __init__(self, lid: Lid, grid: Grid) -> None:
        h, w = grid.size
        self.cells = max(1, round(w / grid.px_per_mm / _CELL_MM)), max(1, round(h / grid.px_per_mm / _CELL_MM))
        across, down = self.cells
        u, v = (np.arange(across) + 0.5) * w / across - 0.5, (np.arange(down) + 0.5) * h / down - 0.5
        mm = np.stack(np.meshgrid(u, v), -1) / grid.px_per_mm + grid.origin_mm
        apart = np.linalg.norm(mm[:, :, None] - lid.sites_mm, axis=-1).min(-1)
        low, high = lid.sites_mm.min(0) - 0.45 * lid.hole_mm, lid.sites_mm.max(0) + 0.45 * lid.hole_mm
        self.bare = (apart > _COLLAR * lid.hole_mm) & np.all((mm >= low) & (mm <= high), axis=-1)
        self.slope = _slope(across, down)

    def light(self, picture: Picture) -> tuple[FloatArray, FloatArray] | None:
        """Log of the plate's linear colour (3,) at the lid's middle, and its slopes (2,) over half the view.

        None where leaves hide too much of the plate. The slope is the same for all colours: shade and distance from
        the lamp, not its colour.
        """
        small = cv2.resize(picture, self.cells, interpolation=cv2.INTER_AREA)
        seen = self.bare & (exg(small) < _LEAF_EXG)
        if seen.sum() < _FEWEST:
            return None
        colours = np.log(np.maximum(to_linear(small[seen] / 255), 1e-3))
        level = np.median(colours, axis=0)
        slopes = np.zeros(2)
        x = self.slope[seen]
        for _ in range(_ROUNDS):  # marks, tags and shadows of leaves are left out as they show themselves
            rest = colours @ LUMINANCE - level @ LUMINANCE - x @ slopes
            spread = 1.4826 * np.median(np.abs(rest - np.median(rest))) + 0.01
            kept = np.abs(rest - np.median(rest)) < 2.5 * spread
            design = np.column_stack([np.ones(kept.sum()), x[kept]])
            fit = np.linalg.lstsq(design, (colours[kept] - level) @ LUMINANCE, rcond=None)[0]
            slopes = np.clip(fit[1:], -_STEEPEST, _STEEPEST)
        # what plate is left between leaves lies in their shade and tells little of the light over all of the lid
        slopes *= min(1.0, float(seen.sum() / self.bare.sum()) / _ENOUGH) ** 2
        level = np.median(colours - (x @ slopes)[:, None], axis=0)
        return level, slopes

    def relit(self, picture: Picture, light: tuple[FloatArray, FloatArray], target: FloatArray) -> Picture:
        """The picture as if its plate had the target's colour everywhere."""
        level, slopes = light
        h, w = picture.shape[:2]
        gains = np.clip(np.exp(target - level), 1 / _STRONGEST, _STRONGEST)
        even = np.clip(np.exp(-(_slope(w, h) @ slopes)), 1 / _STRONGEST, _STRONGEST)
        table = np.asarray(to_linear(np.arange(256) / 255), np.float32)
        lit = table[picture] * gains.astype(np.float32) * even.astype(np.float32)[..., None]
        back = np.rint(255 * np.asarray(to_srgb(np.linspace(0, 1, 4096)))).astype(np.uint8)
        return np.asarray(back[np.minimum(lit * 4095, 4095).astype(np.int32)])


def _slope(across: int, down: int) -> FloatArray:
    """(down, across, 2) places in a view, -1 to 1."""
    x, y = np.linspace(-1, 1, across), np.linspace(-1, 1, down)
    return np.stack(np.meshgrid(x, y), -1)
