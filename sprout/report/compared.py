"""A comparison as a picture: how the groups came up and how their leaf grew, by days after sowing.

Groups are told apart by line and shade as well as by colour, so the picture also reads in grey. Colours are from
Okabe & Ito 2008, "Color Universal Design".
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from sprout.errors import UsageError
from sprout.files import atomic

if TYPE_CHECKING:
    from sprout.comparison import Compared, Group

FloatArray = npt.NDArray[np.float64]

KINDS = (".svg", ".png", ".pdf")
_LOOKS = (
    ("#0072B2", "-", "o"),
    ("#D55E00", "--", "s"),
    ("#009E73", "-.", "^"),
    ("#CC79A7", ":", "D"),
    ("#56B4E9", (0, (8, 2)), "v"),
    ("#000000", (0, (3, 1, 1, 1, 1, 1)), "x"),
)
_MOST = len(_LOOKS)


def draw_comparison(compared: Compared, path: Path) -> None:
    """Draw the curves with their 95 % bands into a file; its ending tells the kind.

    Raises
    ------
    UsageError
        If the ending is none of svg, png and pdf, or there are more than six groups.
    OutputError
        If the file cannot be written.
    """
    if path.suffix.lower() not in KINDS:
        raise UsageError(path, "is no kind of picture that can be drawn", f"end the name in {', '.join(KINDS)}")
    if len(compared.groups) > _MOST:
        mend = f"compare up to {_MOST} at a time, or take books together with --by KEY"
        raise UsageError(path, f"{len(compared.groups)} groups cannot be told apart in one picture", mend)
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    leafy = any(np.isfinite(group.leaf.area_cm2).sum() > 1 for group in compared.groups)
    figure = Figure(figsize=(10 if leafy else 6, 4.4), layout="constrained")
    FigureCanvasAgg(figure)
    panels = figure.subplots(1, 2 if leafy else 1, squeeze=False)[0]
    _germination(panels[0], compared)
    if leafy:
        _leaf(panels[1], compared)
    handles, names = panels[0].get_legend_handles_labels()
    figure.legend(handles, names, loc="outside lower center", ncols=min(3, len(names)), frameon=False)
    with atomic(path) as temporary, rc_context({"svg.hashsalt": "sprout"}):
        figure.savefig(temporary, dpi=150, format=path.suffix[1:].lower(), metadata=_undated(path))


def _undated(path: Path) -> dict[str, Any]:
    """The same comparison gives the same file."""
    return {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(path.suffix.lower(), {})


def _germination(panel: Any, compared: Compared) -> None:
    for group, (colour, line, marker) in zip(compared.groups, _LOOKS, strict=False):
        name = f"{group.name} ({group.plugs} plugs)" if group.plugs else f"{group.name} (no look yet)"
        if group.curve is None:
            panel.plot([], [], color=colour, linestyle=line, marker=marker, label=name)
            continue
        days, share, low, high = _stepped(group)
        panel.fill_between(days, low, high, step="post", color=colour, alpha=0.15, linewidth=0)
        for edge in (low, high):
            panel.step(days, edge, where="post", color=colour, linestyle=line, linewidth=0.6, alpha=0.8)
        every = max(1, len(days) // 8)
        panel.step(
            days, share, where="post", color=colour, linestyle=line, marker=marker, markevery=every, ms=5, label=name
        )
    panel.set(xlabel="days after sowing", ylabel="plugs up, %", ylim=(0, 103), title="Coming up, with 95 % bands")
    panel.set_xlim(left=0)
    _quiet(panel)


def _stepped(group: Group) -> tuple[FloatArray, ...]:
    """The curve from day to look in steps: the share changes where a look showed it."""
    curve = group.curve
    assert curve is not None
    return curve.days, 100 * curve.share, 100 * curve.low, 100 * curve.high


def _leaf(panel: Any, compared: Compared) -> None:
    for group, (colour, line, marker) in zip(compared.groups, _LOOKS, strict=False):
        leaf = group.leaf
        told = np.isfinite(leaf.area_cm2)
        if not told.any():
            continue
        days = leaf.days[told]
        panel.fill_between(days, leaf.low_cm2[told], leaf.high_cm2[told], color=colour, alpha=0.15, linewidth=0)
        for edge in (leaf.low_cm2, leaf.high_cm2):
            panel.plot(days, edge[told], color=colour, linestyle=line, linewidth=0.6, alpha=0.8)
        every = max(1, days.size // 8)
        panel.plot(days, leaf.area_cm2[told], color=colour, linestyle=line, marker=marker, markevery=every, ms=5)
    panel.set(xlabel="days after sowing", ylabel="leaf per plug, cm² (log scale)", yscale="log")
    panel.set_title("Leaf of the mean plug, with 95 % bands")
    panel.yaxis.set_major_formatter("{x:g}")
    panel.set_xlim(left=0)
    _quiet(panel)


def _quiet(panel: Any) -> None:
    panel.spines[["top", "right"]].set_visible(False)
    panel.grid(axis="y", color="0.9")
    panel.set_axisbelow(True)
