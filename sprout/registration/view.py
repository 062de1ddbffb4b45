"""The lid's look: straightened views, learned from a registered photo, kept in a file."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from sprout.errors import BookError
from sprout.files import atomic
from sprout.lid import Lid
from sprout.pyramid import Pyramid
from sprout.registration.geometry import Array, LidView, Registration

MARGIN = 1.1
"""Room round the outer sites that a view shows, in mean distances between sites."""
VIEW_PX = 720
"""Longest side of a view."""
_BLOCK = 4


def _extent(lid: Lid) -> tuple[Array, Array]:
    room = MARGIN * np.sqrt(lid.area_per_site_mm2)
    return lid.sites_mm.min(0) - room, lid.sites_mm.max(0) + room


def _map(
    registration: Registration, origin_mm: tuple[float, float], size: tuple[int, int], px_per_mm: float
) -> npt.NDArray[np.float32]:
    """(h, w, 2) working pixels that a view's pixels show: worked out in the middles of blocks, interpolated between."""
    h, w = size
    # a block more at every end, so that nothing lies outside the outermost middles
    x, y = (
        start + (_BLOCK * np.arange(-(-n // _BLOCK) + 2.0) - (_BLOCK + 1) / 2) / px_per_mm
        for n, start in zip((w, h), origin_mm, strict=True)
    )
    at = cv2.resize(registration.grid_px(x, y), None, fx=_BLOCK, fy=_BLOCK, interpolation=cv2.INTER_LINEAR)
    return np.asarray(at[_BLOCK : _BLOCK + h, _BLOCK : _BLOCK + w], np.float32)


def straighten(
    picture: Pyramid,
    registration: Registration,
    *,
    origin_mm: tuple[float, float],
    size: tuple[int, int],
    px_per_mm: float,
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """The lid's plane seen squarely: (h, w, 3) uint8 and (h, w) bool, where it lies inside the photo."""
    return _sampled(picture, _map(registration, origin_mm, size, px_per_mm))


def _sampled(picture: Pyramid, at: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """What a photo shows at a grid of places (h, w, 2), no finer than they lie apart, and which lie inside it."""
    h, w = picture.size_px
    return picture.sampled(at), np.asarray(cv2.inRange(at, (0, 0), (w - 1, h - 1)) > 0)


def learn_view(
    picture: Pyramid,
    registration: Registration,
    lid: Lid,
    *,
    plants: npt.NDArray[np.uint8] | None = None,
    outline_mm: Array | None = None,
) -> LidView:
    """The lid's look from a registered photo.

    Parameters
    ----------
    plants:
        (h, w) on the working pixels, 0 where no plants hide the lid.
    """
    low, high = _extent(lid)
    px_per_mm = VIEW_PX / float((high - low).max())
    w, h = np.ceil((high - low) * px_per_mm).astype(int)
    origin = (float(low[0]), float(low[1]))
    at = _map(registration, origin, (int(h), int(w)), px_per_mm)
    view, shown = _sampled(picture, at)
    if plants is not None:
        shown &= cv2.remap(plants, at, None, cv2.INTER_NEAREST) == 0
    tags = {k: registration.to_mm(c) for k, c in registration.tags_px.items()}
    return LidView(view, shown, origin, px_per_mm, tags, outline_mm)


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
        with path.open("rb") as file, np.load(file) as z:
            rgb = cv2.cvtColor(cv2.imdecode(z["rgb"], cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
            h, w = rgb.shape[:2]
            shown = np.unpackbits(z["shown"], count=h * w).reshape(h, w).astype(bool)
            x, y = z["origin_mm"].tolist()
            tags = dict(zip(z["tag_ids"].tolist(), z["tags_mm"], strict=True))
            outline = z["outline_mm"] if len(z["outline_mm"]) else None
            return LidView(rgb.astype(np.uint8), shown, (x, y), float(z["px_per_mm"]), tags, outline)
    except Exception as e:  # reading a damaged archive can fail in any way
        raise BookError(path, "the lid's view is missing or damaged", "restore the book from a backup") from e
