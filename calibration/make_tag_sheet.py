"""Draws the sheet of printable tags, ``tag_sheet.pdf``: ``python calibration/make_tag_sheet.py``."""

from __future__ import annotations

from pathlib import Path

import cv2
import matplotlib as mpl
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

FAMILY = "4x4_50"
SETS = ((20.0, 40.0), (15.0, 95.0))
"""Side of the black square, and distance of the row from the top of the page, both in mm."""
BORDER = 0.2
"""White around the black square in sides; a finder of tags wants at least one of its six modules (common practice)."""


def tag_sheet() -> Figure:
    """An A4 page, in millimetres from its upper left corner; everything fits on US letter paper too."""
    figure = Figure(figsize=(210 / 25.4, 297 / 25.4))
    page = figure.add_axes((0, 0, 1, 1))
    page.set(xlim=(0, 210), ylim=(297, 0))
    page.axis("off")
    page.text(20, 22, "Tags for a lid. Print at 100 %, not fitted to the page.", fontsize=13)
    page.text(
        20,
        29,
        "Cut along the grey lines, stick one near each corner, flat, under clear tape that does not glare.",
        fontsize=9,
    )
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{FAMILY.upper()}"))
    for side, top in SETS:
        page.text(20, top + 1.25 * side + 4, f"family {FAMILY}, size_mm = {side}, ids = [0, 1, 2, 3]", fontsize=9)
        for tag in range(4):
            left, edge = 24 + tag * 1.7 * side, BORDER * side
            cut = Rectangle((left - edge, top - edge), side + 2 * edge, side + 2 * edge)
            cut.set(fill=False, edgecolor="0.75", linewidth=0.4)
            page.add_patch(cut)
            # one black square with white modules laid on it: no hairlines between neighbours
            page.add_patch(Rectangle((left, top), side, side, color="black", linewidth=0))
            modules = cv2.aruco.generateImageMarker(dictionary, tag, 6) > 127
            step = side / len(modules)
            for row, line in enumerate(modules):
                for column, white in enumerate(line):
                    if white:
                        at = (left + column * step, top + row * step)
                        page.add_patch(Rectangle(at, step, step, facecolor="white", edgecolor="white", linewidth=0.1))
    page.plot([20, 120], [150, 150], color="black", linewidth=1, solid_capstyle="butt")
    for x in range(20, 121, 10):
        page.plot([x, x], [148, 152], color="black", linewidth=0.6)
    page.text(
        20,
        159,
        "This bar is 100 mm long. If yours is not, measure a tag's black square and write that into the lid file.",
        fontsize=9,
    )
    return figure


if __name__ == "__main__":
    with mpl.rc_context({"pdf.fonttype": 42}):
        tag_sheet().savefig(Path(__file__).parent / "tag_sheet.pdf", metadata={"CreationDate": None})
