"""Stage 2, TOML -> Lid: the plate's geometry in millimetres.

The lid's own frame has its origin in the first site (a ring: in its centre), x along a row, y from row to row
(seen from above: x to the right, y towards the viewer), in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class Tags:
    """Printed square tags stuck on the lid: family (``4x4_50``), side of the black square in mm, ids."""

    family: str
    size_mm: float
    ids: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Lid:
    """A lid.

    Attributes
    ----------
    pattern:
        ``grid``, ``staggered``, ``ring`` or ``points``.
    labels, sites_mm:
        Labels in the lid's order, and the (n, 2) centres of the holes in the lid's frame, in mm.
    hole_mm:
        Diameter of a hole.
    area_per_site_mm2:
        The lid's area that belongs to one site (pitch x row distance for grids).
    source:
        The lid file's own keys and values, enough to write it again.
    """

    name: str
    pattern: str
    labels: tuple[str, ...]
    sites_mm: npt.NDArray[np.float64]
    hole_mm: float
    area_per_site_mm2: float
    tags: Tags | None
    source: dict[str, object]
