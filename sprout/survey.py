"""Stages 1 to 5 for one photo and for many: a bad photo never stops the others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from sprout.errors import SidesUnsure, SproutError
from sprout.photo import Photo, read_photo
from sprout.readings import read_sites
from sprout.registration import LidView, register
from sprout.registration import learn_view as view_of
from sprout.settings import Settings
from sprout.tissue import DRY, GREEN, Tissue, classify
from sprout.workers import Processes

if TYPE_CHECKING:
    from sprout.cluster import Cluster
    from sprout.lid import Lid
    from sprout.registration import Registration

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Survey:
    """What one photo yields: small enough to leave a worker and to enter the book.

    Attributes
    ----------
    path:
        As given.
    sha256, taken_at, width_px, height_px:
        The photo's header; empty, None and 0 when the file could not be read at all.
    reason:
        Why the photo could not be read, "" when it was.
    sides_unsure:
        It could not be read only because nothing tells which way round the lid lies.
    lost:
        Nothing is known of it: the machine that should have read it failed. Another time it may be read.
    readings:
        One mapping per site in the lid's order, keys as in ``columns.SITE_READINGS``; empty when not read.
    view:
        The straightened view of this photo, None when not read.
    classes, sites:
        (height_px, width_px) uint8 maps at full size, only when asked for: tissue classes, and the place of the
        site each tissue pixel belongs to in the lid's order + 1.
    """

    path: Path
    sha256: str = ""
    taken_at: datetime | None = None
    width_px: int = 0
    height_px: int = 0
    reason: str = ""
    sides_unsure: bool = False
    lost: bool = False
    readings: list[dict[str, Any]] = field(default_factory=list)
    view: LidView | None = None
    classes: npt.NDArray[np.uint8] | None = None
    sites: npt.NDArray[np.uint8] | None = None


@dataclass(frozen=True, eq=False)
class CoverSurvey:
    """What one photo without a lid yields; the fields that :class:`Survey` has too mean the same."""

    path: Path
    sha256: str = ""
    taken_at: datetime | None = None
    reason: str = ""
    cover_pct: float | None = None
    yellow_pct: float | None = None
    dry_pct: float | None = None
    flags: str = ""
    classes: npt.NDArray[np.uint8] | None = None


def _full_size(map_: npt.NDArray[np.uint8], photo: Photo) -> npt.NDArray[np.uint8]:
    if photo.scale == 1:
        return map_
    # plain INTER_NEAREST takes the pixel above and to the left: everything would lie half a pixel off
    size = (photo.width_px, photo.height_px)
    return np.asarray(cv2.resize(map_, size, interpolation=cv2.INTER_NEAREST_EXACT), np.uint8)


def _look(photo: Photo, registration: Registration, lid: Lid, tissue: Tissue) -> LidView:
    """The straightened view of a photo, with its tags and without what plants hide."""
    return view_of(
        photo.pyramid,
        registration,
        lid,
        plants=np.asarray(cv2.inRange(tissue.classes, GREEN, DRY), np.uint8),
        outline_mm=tissue.outline_mm,
    )


def learn_view(path: Path, lid: Lid, *, settings: Settings | None = None) -> LidView:
    """The lid's look from a photo of it, best empty.

    Raises
    ------
    PhotoError
        If the photo cannot be read, or the lid is not found in it.
    """
    settings = settings or Settings()
    photo = read_photo(path, settings=settings)
    registration = register(photo, lid, max_fit_mm=settings.max_fit_mm)
    return _look(photo, registration, lid, classify(photo, registration, lid))


def _why(error: Exception) -> str:
    """The reason for a photo that gave nothing; a fault of ours is named as one."""
    if isinstance(error, SproutError):
        return error.reason
    if isinstance(error, MemoryError):
        return "too little memory: close other programs or use a smaller photo"
    return f"a fault in sprout ({type(error).__name__}: {error}): please report it, the other photos are not affected"


def survey(
    path: Path,
    lid: Lid,
    *,
    known: LidView | None = None,
    others: Sequence[LidView] = (),
    keep_labels: bool = True,
    seeds: Sequence[int] | None = None,
    settings: Settings | None = None,
    masks: bool = False,
) -> Survey:
    """Read one photo. Never raises for a photo that cannot be read: the reason is in the result.

    Parameters
    ----------
    known:
        The lid's look; it settles the labels and tells where the tags are.
    others:
        Views of days near by, plants and all; they settle the labels where the known view cannot.
    keep_labels:
        Label the sites as in the known view; otherwise by this photo alone.
    seeds:
        Seeds sown per site in the lid's order, where known.
    masks:
        Keep the maps of classes and sites.
    """
    settings = settings or Settings()
    header: dict[str, Any] = {}
    try:
        photo = read_photo(path, settings=settings)
        header = {
            "sha256": photo.sha256,
            "taken_at": photo.taken_at,
            "width_px": photo.width_px,
            "height_px": photo.height_px,
        }
        registration = register(
            photo, lid, known=known, others=others, keep_labels=keep_labels, max_fit_mm=settings.max_fit_mm
        )
        tissue = classify(photo, registration, lid, view=known)
        readings, sites = read_sites(photo, registration, tissue, lid, seeds=seeds)
        view = _look(photo, registration, lid, tissue)
    except Exception as error:
        unsure = isinstance(error, SidesUnsure)
        return Survey(path, **(header or _header_of(path, settings)), reason=_why(error), sides_unsure=unsure)
    classes, owners = (_full_size(tissue.classes, photo), _full_size(sites, photo)) if masks else (None, None)
    return Survey(path, **header, readings=readings, view=view, classes=classes, sites=owners)


def _header_of(path: Path, settings: Settings) -> dict[str, Any]:
    """Identity and time of a photo that could not be used, as far as the file tells them."""
    from sprout.photo import photo_header

    try:
        header = photo_header(path, settings=settings)
    except Exception:
        return {}
    return {"sha256": header.sha256, "taken_at": header.taken_at}


def survey_cover(path: Path, *, settings: Settings | None = None, masks: bool = False) -> CoverSurvey:
    """Read one photo that shows no lid. Never raises for a photo that cannot be read."""
    from sprout.cover import cover

    header: dict[str, Any] = {}
    try:
        photo = read_photo(path, settings=settings or Settings())
        header = {"sha256": photo.sha256, "taken_at": photo.taken_at}
        classes, cover_pct, yellow_pct, dry_pct, flags = cover(photo)
    except Exception as error:
        return CoverSurvey(path, **header, reason=_why(error))
    kept = _full_size(classes, photo) if masks else None
    return CoverSurvey(
        path, **header, cover_pct=cover_pct, yellow_pct=yellow_pct, dry_pct=dry_pct, flags=flags, classes=kept
    )


def _each(read: Callable[[Path], T], paths: Iterable[Path], workers: int, *, made: Callable[..., T]) -> Iterator[T]:
    paths = list(paths)
    workers = min(workers, len(paths))
    return map(read, paths) if workers <= 1 else Processes(workers).each(read, paths, made=made)


def survey_many(
    paths: Iterable[Path],
    lid: Lid,
    *,
    known: LidView | None = None,
    keep_labels: bool = True,
    seeds: Sequence[int] | None = None,
    settings: Settings | None = None,
    masks: bool = False,
    workers: int | Cluster = 1,
) -> Iterator[Survey]:
    """Read photos one after the other, on ``workers`` processes or on a cluster, yielding each in the order given."""
    read = partial(survey, lid=lid, known=known, keep_labels=keep_labels, seeds=seeds, settings=settings, masks=masks)
    if not isinstance(workers, int):
        return workers.each(read, paths, made=Survey, settings=settings or Settings())
    return _each(read, paths, workers, made=partial(Survey, lost=True))


def cover_many(
    paths: Iterable[Path], *, settings: Settings | None = None, masks: bool = False, workers: int = 1
) -> Iterator[CoverSurvey]:
    """The twin of :func:`survey_many` for photos that show no lid."""
    return _each(partial(survey_cover, settings=settings, masks=masks), paths, workers, made=CoverSurvey)
