"""The lid drawn in the terminal, each site where it is, its state in a sign as well as in a colour.

A site is a pair of brackets: ``(   )`` empty, ``( 2 )`` two seedlings, ``( ? )`` unsure, ``( ~ )`` hidden, ``  -  `` no
plug. A ``+`` before the number is new since the look before; a ``!`` after it wants a closer look.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from rich.text import Text

    from sprout.lid import Lid

_CELL = 7  # characters a site takes, a gap included
_LINES = 3  # lines from one row of sites to the next
_COLOURS = {"sprouted": "green", "unsure": "yellow", "hidden": "magenta", "empty": "", "bare": "dim"}
LEGEND = "( 2 ) seedlings  (   ) empty  ( ? ) unsure  ( ~ ) hidden  - bare  + new  ! amiss"


@dataclass(frozen=True)
class Site:
    """What to draw in one site: a status (``bare`` where no plug stands), a number, and the two marks."""

    status: str
    seedlings: int = 0
    new: bool = False
    alarm: bool = False

    @property
    def sign(self) -> str:
        """Five characters; six where a number of two digits has both marks."""
        if self.status == "bare":
            return "  -  "
        middle = {"sprouted": f"{self.seedlings}", "unsure": "?", "hidden": "~"}.get(self.status, " ")
        gap = " " if len(middle) == 1 else ""
        inside = f"{'+' if self.new else gap}{middle}{'!' if self.alarm else gap}"
        return f"({inside:^3})"


def draw_lid(lid: Lid, sites: Mapping[str, Site], *, width: int) -> Text:
    """The lid as lines of text with styles; a list of the sites where the terminal is too narrow for the layout."""
    from rich.text import Text

    places = _places(lid)
    needed = 4 + max(column for _, column in places) + _CELL
    if needed > width:
        return _listed(lid.labels, sites, width)
    inner = needed - 2
    height = max(row for row, _ in places) + 2
    canvas = [[(" ", "")] * inner for _ in range(height)]
    for label, (row, column) in zip(lid.labels, places, strict=True):
        site = sites.get(label, Site("bare"))
        style = _style(site)
        for line, text in ((row, f"{label:^5}"), (row + 1, site.sign)):
            for k, letter in enumerate(text[:_CELL]):
                canvas[line][2 + column + k] = (letter, "dim" if line == row else style)
    out = Text(f"╭{'─' * inner}╮\n", style="")
    for cells in canvas:
        out.append("│")
        for style, run in groupby(cells, key=itemgetter(1)):
            out.append("".join(letter for letter, _ in run), style=style)
        out.append("│\n")
    out.append(f"╰{'─' * inner}╯")
    return out


def _listed(labels: Sequence[str], sites: Mapping[str, Site], width: int) -> Text:
    from rich.text import Text

    longest = max(map(len, labels))
    across = max(1, width // (longest + 8))
    out = Text()
    for k, label in enumerate(labels):
        site = sites.get(label, Site("bare"))
        out.append(f"{label:>{longest}} ", style="dim")
        out.append(site.sign, style=_style(site))
        out.append("\n" if (k + 1) % across == 0 else "  ")
    out.rstrip()
    return out


def _style(site: Site) -> str:
    colour = _COLOURS.get(site.status, "")
    return f"bold {colour}".strip() if site.new or site.alarm else colour


def _places(lid: Lid) -> list[tuple[int, int]]:
    """Line and column of each site: the lid to scale, as small as the signs allow (a character is two units high)."""
    mm = lid.sites_mm - lid.sites_mm.min(0)
    dx, dy = (np.abs(mm[:, None, k] - mm[None, :, k]) for k in (0, 1))
    apart = ~np.eye(len(mm), dtype=bool)
    # two sites are clear of each other when they are far enough apart either way; line height is about two columns
    with np.errstate(divide="ignore"):
        scale = np.minimum(_CELL / dx[apart], 2 * _LINES / dy[apart]).max() if len(mm) > 1 else 0.0
    columns, rows = _steps(mm[:, 0] * scale), _steps(mm[:, 1] * scale / 2)
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True)]


def _steps(at: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Whole characters; what is evenly spaced stays so."""
    levels, place = np.unique(at.round(6), return_inverse=True)
    gaps = np.diff(levels)
    if len(gaps) and np.ptp(gaps) < 1e-3:
        return np.asarray(place * max(1, round(gaps[0])), np.int64)
    return np.round(at).astype(np.int64)
