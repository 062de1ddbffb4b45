"""The lid's look: straightened views, learned from a registered photo, compared with another, kept in a file."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from sprout.errors import BookError
from sprout.files import atomic
from sprout.lid import Lid
from sprout.registration.geometry import Array, LidView, Registration

MARGIN = 1.1
"""Room round the outer sites that a view shows, in mean distances between sites."""
VIEW_PX = 720
"""Longest side of a view."""


def _extent(lid: Lid) -> tuple[Array, Array]:
    room = MARGIN * np.sqrt(lid.area_per_site_mm2)
    return lid.sites_mm.min(0) - room, lid.sites_mm.max(0) + room


def _map(
    registration: Registration, origin_mm: tuple[float, float], size: tuple[int, int], px_per_mm: float
) -> npt.NDArray[np.float32]:
    """(h, w, 2) working pixels that a view's pixels show."""
    h, w = size
    return registration.grid_px(np.arange(w) / px_per_mm + origin_mm[0], np.arange(h) / px_per_mm + origin_mm[1])


def straighten(
    rgb: npt.NDArray[np.uint8],
    registration: Registration,
    *,
    origin_mm: tuple[float, float],
    size: tuple[int, int],
    px_per_mm: float,
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """The lid's plane seen squarely: (h, w, 3) uint8 and (h, w) bool, where it lies inside the photo."""
    at = _map(registration, origin_mm, size, px_per_mm)
    middle = np.array(origin_mm) + np.array(size[::-1]) / 2 / px_per_mm
    shrink = px_per_mm / float(registration.px_per_mm(middle[None])[0])
    source = cv2.GaussianBlur(rgb, (0, 0), 0.4 / shrink) if shrink < 0.7 else rgb
    view = cv2.remap(source, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = np.all((at >= 0) & (at <= [rgb.shape[1] - 1, rgb.shape[0] - 1]), axis=-1)
    return view, np.asarray(inside)


def learn_view(
    rgb: npt.NDArray[np.uint8],
    registration: Registration,
    lid: Lid,
    *,
    plants: npt.NDArray[np.bool_] | None = None,
    outline_mm: Array | None = None,
) -> LidView:
    """The lid's look from a registered photo.

    Parameters
    ----------
    plants:
        (h, w) bool on the working pixels, where plants hide the lid.
    """
    low, high = _extent(lid)
    px_per_mm = VIEW_PX / float((high - low).max())
    w, h = np.ceil((high - low) * px_per_mm).astype(int)
    origin = (float(low[0]), float(low[1]))
    view, shown = straighten(rgb, registration, origin_mm=origin, size=(int(h), int(w)), px_per_mm=px_per_mm)
    if plants is not None:
        at = _map(registration, origin, (int(h), int(w)), px_per_mm)
        shown &= cv2.remap(plants.astype(np.uint8), at, None, cv2.INTER_NEAREST) == 0
    tags = {k: registration.to_mm(c) for k, c in registration.tags_px.items()}
    return LidView(view, shown, origin, px_per_mm, tags, outline_mm)


def _even(view: npt.NDArray[np.uint8], shown: npt.NDArray[np.bool_], sigma: float) -> npt.NDArray[np.float32]:
    """Log lightness less its local mean over what is shown: what light and exposure cannot change."""
    light = np.log1p(cv2.cvtColor(view, cv2.COLOR_RGB2GRAY).astype(np.float32))
    weight = shown.astype(np.float32)
    mean = cv2.GaussianBlur(light * weight, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3)
    return np.asarray(np.where(shown, light - mean, 0), np.float32)


def _now(
    rgb: npt.NDArray[np.uint8], registration: Registration, known: LidView
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """The known view, the photo straightened the same way, and where both show the lid; at half the view's size.

    What is greener than red and blue is taken for a plant and left out, with a margin for its edge.
    """
    size = (known.rgb.shape[0] // 2, known.rgb.shape[1] // 2)
    before = cv2.resize(known.rgb, size[::-1], interpolation=cv2.INTER_AREA)
    shown = cv2.resize(known.shown.astype(np.uint8), size[::-1], interpolation=cv2.INTER_NEAREST) > 0
    now, inside = straighten(rgb, registration, origin_mm=known.origin_mm, size=size, px_per_mm=known.px_per_mm / 2)
    r, g, b = cv2.split(now.astype(np.int16))
    plant = (2 * g - r - b > 30).astype(np.uint8)
    return before.astype(np.uint8), now, shown & inside & (cv2.dilate(plant, np.ones((5, 5), np.uint8)) == 0)


def _without_holes(shown: npt.NDArray[np.bool_], known: LidView, lid: Lid) -> npt.NDArray[np.bool_]:
    """The same less the holes and their rims, whose look changes with plugs, stickers and plants."""
    mask = shown.astype(np.uint8)
    half = known.px_per_mm / 2
    for x, y in (lid.sites_mm - known.origin_mm) * half:
        cv2.circle(mask, (round(x), round(y)), round(0.8 * lid.hole_mm * half), 0, -1)
    return mask > 0


def agreement(rgb: npt.NDArray[np.uint8], registration: Registration, known: LidView, lid: Lid) -> float:
    """How well a photo, straightened by a registration, looks like the known view: a correlation, -1 to 1."""
    before, now, shown = _now(rgb, registration, known)
    shown = _without_holes(shown, known, lid)
    if shown.mean() < 0.03:
        return 0.0
    total = 0.0
    for sigma in (4.0, 25.0):
        a, c = _even(before, shown, sigma), _even(now, shown, sigma)
        norm = float(np.sqrt((a**2).sum() * (c**2).sum()))
        total += float((a * c).sum()) / norm / 2 if norm > 0 else 0.0
    return total


def preference(
    rgb: npt.NDArray[np.uint8], first: Registration, second: Registration, known: LidView, lid: Lid
) -> float:
    """Which of two ways round a photo shows the lid: positive for the first, negative for the second, about -1 to 1.

    Only small marks on the plate count (print, tags, screws, a filling port), and only where the two ways predict
    different looks: light falls on the plate from another side every day, and the plugs grow.
    """
    half = known.px_per_mm / 2
    before, now, shown = _now(rgb, first, known)
    second_to_first = first.to_mm(second.to_px(lid.sites_mm))
    turn, _ = cv2.estimateAffinePartial2D(lid.sites_mm, second_to_first)
    origin = np.array(known.origin_mm)
    shift = (turn[:, :2] @ origin + turn[:, 2] - origin) * half
    matrix = np.column_stack([turn[:, :2], shift])
    size = before.shape[1::-1]
    other = cv2.warpAffine(before, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    both = cv2.warpAffine(known.shown[::2, ::2].astype(np.uint8), matrix, size)
    shown = _without_holes(shown & (cv2.resize(both, size, interpolation=cv2.INTER_NEAREST) > 0), known, lid)
    room = 0.75 * np.sqrt(lid.area_per_site_mm2)
    low, high = (
        ((lid.sites_mm.min(0) - room - origin) * half).astype(int),
        ((lid.sites_mm.max(0) + room - origin) * half).astype(int),
    )
    inside = np.zeros_like(shown)
    inside[max(0, low[1]) : high[1], max(0, low[0]) : high[0]] = True
    shown &= inside
    a, b, n = (np.clip(_even(v, shown, 4.0), -0.5, 0.5) for v in (before, other, now))
    apart = a - b
    apart[np.abs(apart) < 0.08] = 0
    norm = float(np.sqrt((apart**2).sum() * (n[apart != 0] ** 2).sum()))
    return float((apart * n).sum()) / norm if norm > 0 else 0.0


def save_view(view: LidView, path: Path) -> None:
    """Write a view to a ``.npz`` file, atomically."""
    buffer = io.BytesIO()
    ids = sorted(view.tags_mm)
    np.savez_compressed(
        buffer,
        rgb=cv2.imencode(".png", cv2.cvtColor(view.rgb, cv2.COLOR_RGB2BGR))[1],
        shown=np.packbits(view.shown),
        origin_mm=view.origin_mm,
        px_per_mm=view.px_per_mm,
        tag_ids=np.array(ids, int),
        tags_mm=np.array([view.tags_mm[k] for k in ids], float).reshape(-1, 4, 2),
        outline_mm=np.empty((0, 2)) if view.outline_mm is None else view.outline_mm,
    )
    with atomic(path) as temporary:
        temporary.write_bytes(buffer.getvalue())


def load_view(path: Path) -> LidView:
    """Read a view that :func:`save_view` wrote.

    Raises
    ------
    BookError
        If the file is missing or damaged.
    """
    try:
        with np.load(path) as z:
            rgb = cv2.cvtColor(cv2.imdecode(z["rgb"], cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
            h, w = rgb.shape[:2]
            shown = np.unpackbits(z["shown"], count=h * w).reshape(h, w).astype(bool)
            x, y = z["origin_mm"].tolist()
            tags = dict(zip(z["tag_ids"].tolist(), z["tags_mm"], strict=True))
            outline = z["outline_mm"] if len(z["outline_mm"]) else None
            return LidView(rgb.astype(np.uint8), shown, (x, y), float(z["px_per_mm"]), tags, outline)
    except (OSError, ValueError, KeyError, cv2.error) as e:
        raise BookError(path, "the lid's view is missing or damaged", "restore the book from a backup") from e
