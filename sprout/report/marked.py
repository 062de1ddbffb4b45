"""The grower's own photo with the reading drawn on it.

State is told by shape and by letter as well as by colour: a full ring and the count for sprouted, a dashed ring and 0
for empty, a diamond and ? for unsure, a square and H for hidden; what is amiss stands there as a word. Sizes go by the
distance between sites, so that all of it can still be read on a phone's screen. Colours are from Okabe & Ito 2008,
"Color Universal Design", which people with any common colour vision tell apart.
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

    Colour = tuple[int, int, int]

COLOURS = {"sprouted": (86, 180, 233), "empty": (255, 255, 255), "unsure": (230, 159, 0), "hidden": (204, 121, 167)}
ALARM = (213, 94, 0)
OUTLINE = {1: (240, 228, 66), 2: (230, 159, 0), 3: (213, 94, 0)}
WORDS = {"sprouted": "up", "empty": "empty", "unsure": "unsure", "hidden": "hidden"}
_DARK, _LIGHT = (24, 24, 24), (255, 255, 255)
_SICK_PCT = 10.0
# in distances between sites
_RING, _LETTERS, _SMALL = 0.36, 0.25, 0.18
_STRIP = 0.055  # height of a line of the legend, as a share of the photo's width


def label(reading: dict[str, Any]) -> tuple[str, str]:
    """What stands beside a site: its label, and the count or the letter of its state."""
    signs = {"sprouted": str(reading["seedlings"]), "empty": "0", "unsure": "?", "hidden": "H"}
    return reading["site"], signs[reading["status"]]


def amiss(reading: dict[str, Any]) -> str:
    """What is wrong with a site in a word, "" if nothing is."""
    if reading["algae"] == "yes":
        return "algae"
    shares = {"dry": reading["dry_pct"], "yellow": reading["yellow_pct"]}
    return next((word for word, pct in shares.items() if pct is not None and pct >= _SICK_PCT), "")


def headline(readings: list[dict[str, Any]]) -> str:
    """The count of the whole lid in a line."""
    up = [r for r in readings if r["status"] == "sprouted"]
    seedlings = sum(r["seedlings"] for r in up)
    return f"{len(up)} of {len(readings)} sites up, {seedlings} seedling{'' if seedlings == 1 else 's'}"


def draw(survey: Survey, photo: Photo, *, legend: bool = True) -> npt.NDArray[np.uint8]:
    """The photo at working size with every site marked.

    Parameters
    ----------
    survey:
        The reading of this photo; with its maps the tissue is outlined too.
    legend:
        Put a strip below the photo that says the lid's count and what the signs mean.

    Returns
    -------
    (h, w, 3) uint8; the photo's own pixels keep their places.
    """
    rgb = photo.rgb.copy()
    if survey.classes is not None:
        _outline(rgb, survey.classes)
    picture = Image.fromarray(rgb)
    if not survey.readings:
        return np.asarray(picture)
    full = np.array([[r["u_px"], r["v_px"]] for r in survey.readings])
    at = (full + 0.5) * photo.scale - 0.5
    gaps = np.linalg.norm(at[:, None] - at[None], axis=2) + np.where(np.eye(len(at)), np.inf, 0)
    gap = float(np.median(gaps.min(1))) if len(at) > 1 else 0.2 * max(rgb.shape[:2])
    pen = ImageDraw.Draw(picture)
    for reading, (x, y) in zip(survey.readings, at, strict=True):
        _sign(pen, reading["status"], x, y, _RING * gap, max(2, round(0.03 * gap)))
    size = _letters(pen, survey.readings, gap)
    for reading, (x, y) in zip(survey.readings, at, strict=True):
        _plate(pen, reading, x, y + 1.02 * _RING * gap, size)
        if word := amiss(reading):
            _badge(pen, word, x, y - 1.05 * _RING * gap, _SMALL * gap)
    return np.asarray(_with_legend(picture, survey.readings) if legend else picture)


def _outline(rgb: npt.NDArray[np.uint8], classes: npt.NDArray[np.uint8]) -> None:
    """A thin line round each kind of tissue, light within dark so that it shows on leaf and on lid."""
    h, w = rgb.shape[:2]
    thin = max(1, round(max(h, w) / 900))
    classes = np.asarray(cv2.resize(classes, (w, h), interpolation=cv2.INTER_NEAREST), np.uint8)
    for value, colour in OUTLINE.items():
        contours, _ = cv2.findContours((classes == value).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(rgb, contours, -1, _DARK, thin + 2, cv2.LINE_AA)
        cv2.drawContours(rgb, contours, -1, colour, thin, cv2.LINE_AA)


def _sign(pen: ImageDraw.ImageDraw, status: str, x: float, y: float, r: float, width: int) -> None:
    """The shape of a state about a place, with a dark edge so that it shows on white and on green."""
    corners = {
        "unsure": [(x, y - 1.25 * r), (x + 1.25 * r, y), (x, y + 1.25 * r), (x - 1.25 * r, y)],
        "hidden": [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
    }
    edge = max(1, width // 3)
    for colour, w in ((_DARK, width + 2 * edge), (COLOURS[status], width)):
        # an ellipse's line grows inwards, so the wider one begins further out
        reach = r + w / 2
        box = (x - reach, y - reach, x + reach, y + reach)
        if status == "sprouted":
            pen.ellipse(box, outline=colour, width=w)
        elif status == "empty":
            for start in range(0, 360, 45):
                pen.arc(box, start, start + 24, fill=colour, width=w)
        else:
            points = corners[status]
            pen.line([*points, points[0], points[1]], fill=colour, width=w, joint="curve")


def _letters(pen: ImageDraw.ImageDraw, readings: list[dict[str, Any]], gap: float) -> float:
    """Size of the labels' letters: the usual one, or less where a long label would cover its neighbour's."""
    size = _LETTERS * gap
    widest = max(sum(pen.textlength(part, font=_font(size)) + 0.5 * size for part in label(r)) for r in readings)
    return min(size, size * 0.95 * gap / widest)


def _plate(pen: ImageDraw.ImageDraw, reading: dict[str, Any], x: float, y: float, size: float) -> None:
    """A plate with the label on dark and the count on the colour of the state, its middle at (x, y)."""
    site, count = label(reading)
    colour = COLOURS[reading["status"]]
    font, pad = _font(size), 0.25 * size
    widths = [pen.textlength(part, font=font) + 2 * pad for part in (site, count)]
    left, top, bottom = x - sum(widths) / 2, y - 0.62 * size, y + 0.62 * size
    middle, right = left + widths[0], left + sum(widths)
    round_, edge = 0.2 * size, max(1, round(0.07 * size))
    pen.rounded_rectangle((left - edge, top - edge, right + edge, bottom + edge), round_, fill=_DARK)
    pen.rounded_rectangle((middle, top, right, bottom), round_, fill=colour)
    pen.text(((left + middle) / 2, y), site, font=font, anchor="mm", fill=_LIGHT)
    pen.text(((middle + right) / 2, y), count, font=font, anchor="mm", fill=_on(colour))


def _badge(pen: ImageDraw.ImageDraw, word: str, x: float, y: float, size: float) -> None:
    font, half = _font(size), 0.62 * size
    reach = pen.textlength(word, font=font) / 2 + 0.3 * size
    box = (x - reach, y - half, x + reach, y + half)
    pen.rounded_rectangle(box, 0.2 * size, fill=ALARM, outline=_DARK, width=max(1, round(0.1 * size)))
    pen.text((x, y), word, font=font, anchor="mm", fill=_on(ALARM))


def _with_legend(picture: Image.Image, readings: list[dict[str, Any]]) -> Image.Image:
    """The picture on top of a strip with the lid's count and the signs that occur in it."""
    w, h = picture.size
    line = max(12, round(_STRIP * w))
    out = Image.new("RGB", (w, h + 2 * line), _DARK)
    out.paste(picture)
    pen = ImageDraw.Draw(out)
    x, y = 0.4 * line, h + 0.55 * line
    pen.text((x, y), headline(readings), font=_font(0.62 * line), anchor="lm", fill=_LIGHT)
    y += 0.9 * line
    for status, word in WORDS.items():
        if any(r["status"] == status for r in readings):
            _sign(pen, status, x + 0.3 * line, y, 0.24 * line, max(2, round(0.06 * line)))
            pen.text((x + 0.8 * line, y), word, font=_font(0.52 * line), anchor="lm", fill=_LIGHT)
            x += 1.4 * line + pen.textlength(word, font=_font(0.52 * line))
    return out


def _font(size: float) -> Any:
    return ImageFont.load_default(size=max(10.0, size))


def _on(colour: Colour) -> Colour:
    """Dark or light, whichever reads better on a colour (WCAG 2.2, relative luminance and contrast)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in colour)]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return _DARK if (luminance + 0.05) / 0.06 > 1.05 / (luminance + 0.05) else _LIGHT
