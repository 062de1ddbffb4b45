"""matplotlib figures as SVG that stands in a page: its text stays text, its colours follow light and dark.

A figure is drawn in the colours of ``INK``, which stand for the page's own (``var(--ink)`` and so on): they are
replaced on the way out. Ids that nothing refers to are dropped and the others get a prefix, so that many figures can
share a page.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK = {
    "ink": "#010203",  # text and axes
    "faint": "#010204",  # grid lines, what is less important
    "leaf": "#010205",  # what was seen
    "band": "#010206",  # what is uncertain
    "fit": "#010207",  # what a model says
    "sick": "#010208",
    "water": "#010209",
}
_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
_REFERENCE = re.compile(r"#([\w-]+)")


def style() -> AbstractContextManager[None]:
    """matplotlib settings for figures of the page; use it about drawing and saving."""
    from matplotlib import rc_context

    ink, faint = INK["ink"], INK["faint"]
    return rc_context(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": "sprout",
            "font.size": 9,
            "axes.titlesize": 10,
            "axes.labelsize": 9,
            "text.color": ink,
            "axes.labelcolor": ink,
            "axes.edgecolor": ink,
            "axes.linewidth": 0.7,
            "axes.spines.top": False,
            "axes.spines.right": False,
            "xtick.color": ink,
            "ytick.color": ink,
            "xtick.major.width": 0.7,
            "ytick.major.width": 0.7,
            "grid.color": faint,
            "grid.linewidth": 0.6,
            "legend.frameon": False,
        }
    )


def drawn(figure: Figure, *, prefix: str) -> ET.Element:
    """The figure as an SVG element with no size of its own but its view box, and no background.

    ``prefix`` must be its own on the page. Ids that begin with it and a dash (a ``gid`` given to an artist) are kept.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    FigureCanvasSVG(figure)
    out = io.StringIO()
    nothing: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(out, format="svg", transparent=True, metadata=nothing)
    # text of our own making, drawn by a library from numbers and labels that it escapes
    root = ET.fromstring(out.getvalue())
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"):
                parent.remove(child)
    _settle(root, prefix)
    return root


def parts(root: ET.Element, boxes: Mapping[str, tuple[float, float, float, float]]) -> dict[str, ET.Element]:
    """Groups of a figure, by the gid they were given, each as a figure of its own.

    ``boxes`` has the part of the figure that each shows: (x, y, width, height) in its view box. What one group defines
    another may use, so they belong on one page; nothing in them may be clipped.
    """
    found = {g.get("id"): g for g in root.iter(f"{{{_SVG}}}g")}
    pieces = {}
    for gid, box in boxes.items():
        piece = ET.Element(f"{{{_SVG}}}svg", viewBox=" ".join(f"{v:.2f}" for v in box))
        found[gid].attrib.pop("id")
        piece.append(found[gid])
        pieces[gid] = piece
    return pieces


def inline(root: ET.Element, *, alt: str) -> str:
    """The figure as HTML text with its alternative text."""
    root.set("role", "img")
    root.set("aria-label", alt)
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _XLINK)
    return ET.tostring(root, encoding="unicode")


def _settle(root: ET.Element, prefix: str) -> None:
    """Ids that can stand on a page with others, and the page's colours."""
    used: set[str] = set()
    for element in root.iter():
        for name, value in element.attrib.items():
            if name != "id" and "#" in value:
                used.update(_REFERENCE.findall(value))
    for element in root.iter():
        given = element.attrib.pop("id", "")
        if given in used:
            element.set("id", f"{prefix}-{given}")
        elif given.startswith(f"{prefix}-"):
            element.set("id", given)
        for name, value in element.attrib.items():
            if "url(#" in value or name == f"{{{_XLINK}}}href":
                element.set(name, _REFERENCE.sub(rf"#{prefix}-\1", value))
            elif name == "style" or value.startswith("#"):
                element.set(name, _coloured(value))


def _coloured(style_: str) -> str:
    for name, sentinel in INK.items():
        style_ = style_.replace(sentinel, f"var(--{name})")
    return style_
