"""The sheet of printable tags: true to scale on A4 or US letter paper, with what to do with it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import cv2

from sprout.errors import UsageError
from sprout.files import atomic

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height in mm (ISO 216; ANSI/ASME Y14.1, 8.5 x 11 in)."""
FAMILY = "4x4_50"
SETS = ((20.0, 40.0), (15.0, 86.0))
"""Side of the black square, and distance of the row from the top of the page, both in mm."""
BORDER = 0.2
"""White around the black square in sides; a finder of tags wants at least one of its six modules (common practice)."""
PATCHES = (255, 202, 160, 122, 84, 52, 0)
"""sRGB values of the grey patches, about evenly spaced in lightness."""
_PATCH_MM, _PATCH_TOP, _BAR_TOP, _WORDS_TOP = 14.0, 126.0, 160.0, 176.0
_LEFT = 20.0
_HOW = (
    "1.  Print at 100 % (\"actual size\", not fitted to the page) on matt white paper. Measure the bar: 100 mm.",
    "2.  Cut along the grey lines. The white border belongs to the tag: without it the tag is not found.",
    "3.  Stick four tags of one size on the empty lid, numbers 0 to 3, one near each corner: flat, any way round,",
    "     clear of the holes and of where leaves will hang longest. Nobody measures where: the first photo teaches it.",
    "4.  Keep them dry under matt clear tape that covers the border too. Replace a tag that lifts or stains by one of",
    "     the same number in the same place.",
    "5.  Copy the three values below the row that you chose into the lid file, under [tags].",
    "6.  The grey strip is for your own eyes: beside the lid it shows in every photo whether the light is coloured or",
    "     the picture too dark.",
)  # fmt: skip


def tag_sheet(paper: str = "a4") -> Figure:
    """The page, in millimetres from its upper left corner.

    Raises
    ------
    UsageError
        If the paper is not known.
    """
    from matplotlib.figure import Figure
    from matplotlib.patches import Rectangle

    if paper not in PAPERS:
        raise UsageError(f"--paper {paper}", "is no paper size that is known", f"choose one of {', '.join(PAPERS)}")
    width, height = PAPERS[paper]
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    page = figure.add_axes((0, 0, 1, 1))
    page.set(xlim=(0, width), ylim=(height, 0))
    page.axis("off")
    page.text(_LEFT, 22, "Tags for a lid", fontsize=15)
    page.text(_LEFT, 30, f"for {paper.upper() if paper == 'a4' else 'US letter'} paper, at 100 %", fontsize=9)
    for side, top in SETS:
        for tag in range(4):
            _tag(page, tag, side, _LEFT + BORDER * side + tag * 1.7 * side, top)
        words = f'family = "{FAMILY}"     size_mm = {side}     ids = [0, 1, 2, 3]'
        page.text(_LEFT, top + 1.2 * side + 6, words, fontsize=9, family="monospace")
    for k, grey in enumerate(PATCHES):
        at = (_LEFT + k * _PATCH_MM, _PATCH_TOP)
        page.add_patch(Rectangle(at, _PATCH_MM, _PATCH_MM, facecolor=str(grey / 255), edgecolor="0.75", linewidth=0.4))
        page.text(at[0] + _PATCH_MM / 2, _PATCH_TOP + _PATCH_MM + 4, str(grey), fontsize=7, ha="center")
    page.plot([_LEFT, _LEFT + 100], [_BAR_TOP] * 2, color="black", linewidth=1, solid_capstyle="butt")
    for k in range(11):
        x, reach = _LEFT + 10 * k, 3 if k % 5 == 0 else 2
        page.plot([x, x], [_BAR_TOP - reach, _BAR_TOP + reach], color="black", linewidth=0.6)
    bar = "100 mm. If yours is longer or shorter, measure a tag's black square and write that as size_mm."
    page.text(_LEFT, _BAR_TOP + 8, bar, fontsize=9)
    for k, line in enumerate(_HOW):
        page.text(_LEFT, _WORDS_TOP + 6 * k, line, fontsize=9)
    return figure


def _tag(page: Axes, tag: int, side: float, left: float, top: float) -> None:
    from matplotlib.patches import Rectangle

    edge = BORDER * side
    cut = Rectangle((left - edge, top - edge), side + 2 * edge, side + 2 * edge)
    cut.set(fill=False, edgecolor="0.75", linewidth=0.4)
    page.add_patch(cut)
    page.text(left - edge, top - edge - 1.2, str(tag), fontsize=6.5, color="0.4")
    # one black square with white modules laid on it: no hairlines between neighbours
    page.add_patch(Rectangle((left, top), side, side, color="black", linewidth=0))
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{FAMILY.upper()}"))
    modules = cv2.aruco.generateImageMarker(dictionary, tag, 6) > 127
    step = side / len(modules)
    for row, line in enumerate(modules):
        for column, white in enumerate(line):
            if white:
                at = (left + column * step, top + row * step)
                page.add_patch(Rectangle(at, step, step, facecolor="white", edgecolor="white", linewidth=0.1))


def write_tag_sheet(path: Path, *, paper: str = "a4") -> None:
    """Write the sheet as PDF.

    Raises
    ------
    UsageError
        If the paper is not known, or the file is not called .pdf.
    OutputError
        If it cannot be written.
    """
    from matplotlib import rc_context

    if path.suffix.lower() != ".pdf":
        raise UsageError(path, "is no PDF file", "end the name in .pdf: only that prints true to scale")
    figure = tag_sheet(paper)
    with atomic(path) as temporary, rc_context({"pdf.fonttype": 42}):
        figure.savefig(temporary, format="pdf", metadata={"CreationDate": None, "Title": "Tags for a lid"})
