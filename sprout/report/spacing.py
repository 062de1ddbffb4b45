"""A picture of the lid before and after the plants are spaced out, readable in grey."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sprout.errors import UsageError
from sprout.files import atomic

if TYPE_CHECKING:
    from sprout.care.space import Arrangement
    from sprout.lid import Lid

FORMATS = (".png", ".svg", ".pdf")
_PLANT, _NEW, _INK, _EMPTY = "#4d7a4d", "#bcd9a8", "#222222", "#ffffff"


def draw_spacing(
    path: Path | str, lid: Lid, arrangement: Arrangement, *, waiting: Collection[int] = (), title: str = ""
) -> None:
    """Draw both lids side by side and write them to ``path``, as its suffix says.

    Plants are filled, one that was moved is lighter with a heavy rim, free sites are blank, plugs that may come up yet
    are hatched; arrows show the moves. ``waiting`` are site numbers.

    Raises
    ------
    UsageError
        If the suffix is none of ``FORMATS``.
    OutputError
        If it cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise UsageError(path, "is no kind of picture that can be drawn", f"end its name in {', '.join(FORMATS)}")
    span = np.ptp(lid.sites_mm, axis=0) + 2 * lid.hole_mm
    scale = 4.6 / float(max(span))
    figure = Figure(figsize=(2 * float(span[0]) * scale + 0.6, float(span[1]) * scale + 1.3), layout="constrained")
    FigureCanvasAgg(figure)
    if title:
        figure.suptitle(title, fontsize=12)
    sides = figure.subplots(1, 2)
    moved = {goal for _, goal in arrangement.moves}
    rim = lid.hole_mm / 2 * scale * 72 + 2  # a hole's radius in points
    for k, (axes, word, plants) in enumerate(
        zip(sides, ("before", "after"), (arrangement.before, arrangement.after), strict=True)
    ):
        nearest = arrangement.nearest_mm[k]
        apart = f": nearest neighbours {nearest:.0f} mm apart" if np.isfinite(nearest) else ""
        axes.set_title(f"{word}{apart}", fontsize=10)
        _draw_lid(axes, lid, plants, moved if k else set(), waiting)
    for start, goal in arrangement.moves:
        sides[1].annotate(
            "",
            xy=lid.sites_mm[goal],
            xytext=lid.sites_mm[start],
            arrowprops={
                "arrowstyle": "-|>",
                "connectionstyle": "arc3,rad=0.2",
                "color": _INK,
                "lw": 1.1,
                "shrinkA": 0,
                "shrinkB": rim,
            },
            zorder=1,  # below the sites, so that it crosses no label
        )
    words = ("filled: plant", "light, heavy rim: moved" * bool(moved), "hatched: may come up yet" * bool(waiting))
    figure.supxlabel("   ".join(w for w in (*words, "blank: free") if w), fontsize=8)
    with atomic(path) as temporary:
        figure.savefig(temporary, dpi=150, format=path.suffix[1:].lower())


def _draw_lid(axes: Any, lid: Lid, plants: Collection[int], moved: Collection[int], waiting: Collection[int]) -> None:
    from matplotlib.patches import Circle

    for k, (x, y) in enumerate(lid.sites_mm):
        plant = k in plants and k not in waiting
        fill = (_NEW if k in moved else _PLANT) if plant else _EMPTY
        axes.add_patch(
            Circle(
                (x, y),
                lid.hole_mm / 2,
                facecolor=fill,
                edgecolor=_INK,
                linewidth=2.2 if k in moved else 0.9,
                hatch="////" if k in waiting else None,
                zorder=2,
            )
        )
        colour = _EMPTY if plant and k not in moved else _INK
        box = {"boxstyle": "round,pad=0.1", "facecolor": _EMPTY, "edgecolor": "none"} if k in waiting else None
        axes.text(x, y, lid.labels[k], ha="center", va="center", fontsize=8, color=colour, bbox=box)
    (left, top), (right, bottom) = lid.sites_mm.min(axis=0) - lid.hole_mm, lid.sites_mm.max(axis=0) + lid.hole_mm
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)  # y runs towards the viewer
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
