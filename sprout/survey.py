"""Stages 1 to 5 for one photo and for many: a bad photo never stops the others."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sprout.settings import Settings

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    import numpy.typing as npt

    from sprout.lid import Lid
    from sprout.registration import LidView


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
    readings: list[dict[str, Any]] = field(default_factory=list)
    view: LidView | None = None
    classes: npt.NDArray[np.uint8] | None = None
    sites: npt.NDArray[np.uint8] | None = None


def survey(
    path: Path,
    lid: Lid,
    *,
    known: LidView | None = None,
    settings: Settings | None = None,
    masks: bool = False,
) -> Survey:
    """Read one photo. Never raises for a photo that cannot be read: the reason is in the result."""
    raise NotImplementedError


def survey_many(
    paths: Iterable[Path],
    lid: Lid,
    *,
    known: LidView | None = None,
    settings: Settings | None = None,
    masks: bool = False,
    workers: int = 1,
) -> Iterator[Survey]:
    """Read photos one after the other (or on ``workers`` processes), yielding each as it is done, in the order given."""
    raise NotImplementedError
