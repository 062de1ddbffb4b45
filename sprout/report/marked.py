"""The grower's own photo with the reading drawn on it.

State is told by shape and letter as well as by colour: a full ring for sprouted with the count, a dashed ring for
empty, a diamond with ? for unsure, a square with H for hidden. Colours are from Okabe & Ito 2008, "Color Universal
Design", which people with any common colour vision tell apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

if TYPE_CHECKING:
    from sprout.photo import Photo
    from sprout.survey import Survey

COLOURS = {"sprouted": (0, 114, 178), "empty": (255, 255, 255), "unsure": (230, 159, 0), "hidden": (204, 121, 167)}
ALARM = (213, 94, 0)
_DARK = (24, 24, 24)
OUTLINE = {1: (240, 228, 66), 2: (230, 159, 0), 3: (213, 94, 0)}


def label(reading: dict[str, Any]) -> str:
    """What stands beside a site: its label, and the count, or the letter of its state; ! where something is wrong."""
    mark = {"sprouted": str(reading["seedlings"]), "empty": "0", "unsure": "?", "hidden": "H"}[reading["status"]]
    wrong = reading["algae"] == "yes" or (reading["yellow_pct"] or 0) >= 10 or (reading["dry_pct"] or 0) >= 10
    return f"{reading['site']} {mark}{' !' if wrong else ''}"


def _shape(draw: ImageDraw.ImageDraw, status: str, x: float, y: float, r: float, width: int) -> None:
    """The sign of a state about a site, with a dark edge so that it shows on white and on green."""
    box = (x - r, y - r, x + r, y + r)
    for colour, w in ((_DARK, width + max(2, width // 2)), (COLOURS[status], width)):
        if status == "sprouted":
            draw.ellipse(box, outline=colour, width=w)
        elif status == "empty":
            for start in range(0, 360, 45):
                draw.arc(box, start, start + 22, fill=colour, width=w)
        else:
            points = {
                "unsure": [(x, y - 1.25 * r), (x + 1.25 * r, y), (x, y + 1.25 * r), (x - 1.25 * r, y)],
                "hidden": [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
            }[status]
            draw.line([*points, points[0]], fill=colour, width=w, joint="curve")


def draw(survey: Survey, photo: Photo) -> npt.NDArray[np.uint8]:
    """The photo at working size with every site marked.

    Parameters
    ----------
    survey:
        The reading of this photo; with its maps the tissue is outlined too.

    Returns
    -------
    (h, w, 3) uint8.
    """
    rgb = photo.rgb.copy()
    h, w = rgb.shape[:2]
    thin = max(1, round(max(h, w) / 1400))
    if survey.classes is not None:
        classes = cv2.resize(survey.classes, (w, h), interpolation=cv2.INTER_NEAREST)
        for value, colour in OUTLINE.items():
            contours, _ = cv2.findContours((classes == value).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            cv2.drawContours(rgb, contours, -1, colour, thin)
    if not survey.readings:
        return rgb
    full = np.array([[r["u_px"], r["v_px"]] for r in survey.readings])
    at = (full + 0.5) * photo.scale - 0.5
    gaps = np.linalg.norm(at[:, None] - at[None], axis=2) + np.where(np.eye(len(at)), np.inf, 0)
    gap = float(np.median(gaps.min(1))) if len(at) > 1 else 0.2 * max(h, w)
    radius, width = 0.36 * gap, max(2, round(0.022 * gap))
    picture = Image.fromarray(rgb)
    pen = ImageDraw.Draw(picture)
    font = ImageFont.load_default(size=max(12, 0.17 * gap))
    for reading, (x, y) in zip(survey.readings, at, strict=True):
        _shape(pen, reading["status"], x, y, radius, width)
    for reading, (x, y) in zip(survey.readings, at, strict=True):
        text = label(reading)
        box = pen.textbbox((x, y + 1.05 * radius), text, font=font, anchor="mt")
        pad = 0.03 * gap
        edge = ALARM if text.endswith("!") else COLOURS[reading["status"]]
        pen.rounded_rectangle(
            (box[0] - pad, box[1] - pad, box[2] + pad, box[3] + pad),
            pad,
            fill=_DARK,
            outline=edge,
            width=max(1, width // 2),
        )
        pen.text((x, y + 1.05 * radius), text, font=font, anchor="mt", fill=(255, 255, 255))
    return np.asarray(picture)
