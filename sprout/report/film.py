"""The grow as a film: the straightened views day after day, each with its day and count.

A day without a photo shows the picture before it, so that time runs evenly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from sprout.errors import BookError, OutputError, UsageError
from sprout.files import atomic
from sprout.report.words import plural, short

if TYPE_CHECKING:
    import pandas as pd

    from sprout.report.views import DayView

DAYS_PER_SECOND = 4.0
LONG_PX = {".mp4": 960, ".webp": 800, ".gif": 560}
"""Long side of the picture by the kind of file: each kind costs another number of bytes a pixel."""
_LAST_S = 2.0
_FPS = 12
_BAND = 0.085  # height of the words below the picture, as a share of its width
_INK, _SOFT, _PAPER, _DONE = (255, 255, 255), (170, 176, 170), (24, 24, 24), (86, 180, 233)


@dataclass(frozen=True)
class Caption:
    """What stands below a picture: the day, whether it was photographed, the count, the share of the film that ran."""

    day: int
    date: date
    seen: bool
    count: str
    done: float


def captions(grow: pd.DataFrame, views: Iterable[date], sown: date) -> list[Caption]:
    """One caption for every day from the first view to the last.

    Parameters
    ----------
    grow:
        Table with ``columns.GROW``.
    views:
        Days of which there is a view, in order.
    """
    days = list(views)
    if not days:
        return []
    counts = {row["date"]: row for row in grow.to_dict("records")}
    out: list[Caption] = []
    span = max(1, (days[-1] - days[0]).days)
    count = ""
    for k in range((days[-1] - days[0]).days + 1):
        on = days[0] + timedelta(days=k)
        row = counts.get(on.isoformat())
        if row is not None:
            count = f"{row['sprouted']} of {row['plugs']} up, {plural(int(row['seedlings']), 'seedling')}"
        out.append(Caption((on - sown).days, on, on in days, count, k / span))
    return out


def frames(views: Iterable[DayView], told: Iterable[Caption]) -> Iterator[Image.Image]:
    """One picture a day, of even width and height; views and captions are taken as they come."""
    coming = iter(views)
    following, picture = next(coming, None), None
    for caption in told:
        while following is not None and following.date <= caption.date:
            picture, following = following.rgb, next(coming, None)
        if picture is not None:
            yield _captioned(Image.fromarray(picture), caption)


def _captioned(picture: Image.Image, caption: Caption) -> Image.Image:
    w, h = (side - side % 2 for side in picture.size)  # films want even sides
    band = round(_BAND * w) // 2 * 2
    out = Image.new("RGB", (w, h + band), _PAPER)
    out.paste(picture)
    pen = ImageDraw.Draw(out)
    large, small = (ImageFont.load_default(size=share * band) for share in (0.5, 0.36))
    y, edge = h + 0.55 * band, 0.3 * band
    pen.rectangle((0, h, round(caption.done * w), h + max(2, 0.06 * band)), fill=_DONE)
    day = f"day {caption.day}"
    pen.text((edge, y), day, font=large, anchor="lm", fill=_INK)
    at = edge + pen.textlength(day, font=large) + 0.4 * band
    words = short(caption.date) if caption.seen else f"{short(caption.date)}, no photo"
    pen.text((at, y), words, font=small, anchor="lm", fill=_SOFT)
    pen.text((w - edge, y), caption.count, font=small, anchor="rm", fill=_INK)
    return out


def write_film(pictures: Iterable[Image.Image], path: Path, *, days_per_second: float = DAYS_PER_SECOND) -> None:
    """Write pictures of one size as MP4, WebP or GIF, as the file's name ends. The last one is shown for two seconds.

    Raises
    ------
    UsageError
        If the name ends in none of these.
    BookError
        If there are no pictures.
    OutputError
        If the file cannot be written.
    """
    kind = film_kind(path)
    coming = iter(pictures)
    first = next(coming, None)
    if first is None:
        raise BookError(path, "there is no view to show", "log photos first")
    with atomic(path) as temporary:
        _WRITERS[kind](first, coming, temporary, 1 / days_per_second)


def film_kind(path: Path) -> str:
    """The ending of a film's name in small letters.

    Raises
    ------
    UsageError
        If no film can be written so.
    """
    kind = path.suffix.lower()
    if kind not in _WRITERS:
        raise UsageError(path, "is no kind of film", f"end the name in {', '.join(_WRITERS)}")
    return kind


def _mp4(first: Image.Image, coming: Iterator[Image.Image], path: Path, seconds: float) -> None:
    film = cv2.VideoWriter(str(path), cv2.VideoWriter.fourcc(*"mp4v"), float(_FPS), first.size)
    if not film.isOpened():
        raise OutputError(path.name, "this computer's video library cannot write MP4", "end the name in .webp or .gif")
    picture = first
    try:
        for following in _and_none(coming):
            wait = seconds if following is not None else _LAST_S
            shown = cv2.cvtColor(np.asarray(picture), cv2.COLOR_RGB2BGR)
            for _ in range(max(1, round(wait * _FPS))):
                film.write(shown)
            picture = following or picture
    finally:
        film.release()


def _webp(first: Image.Image, coming: Iterator[Image.Image], path: Path, seconds: float) -> None:
    rest = list(coming)
    first.save(
        path, "WEBP", save_all=True, append_images=rest, duration=_durations(len(rest), seconds), loop=0, quality=80
    )


def _gif(first: Image.Image, coming: Iterator[Image.Image], path: Path, seconds: float) -> None:
    """One palette for all pictures: with one each, the plate would flicker."""
    rest = list(coming)
    some = [first, *rest[:: max(1, len(rest) // 4)], *rest[-1:]]
    w, h = first.size
    sheet = Image.new("RGB", (w, h * len(some)))
    for k, picture in enumerate(some):
        sheet.paste(picture, (0, k * h))
    palette = sheet.quantize(255, method=Image.Quantize.MEDIANCUT)
    flat = [p.quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG) for p in (first, *rest)]
    flat[0].save(
        path, "GIF", save_all=True, append_images=flat[1:], duration=_durations(len(rest), seconds), loop=0, disposal=1
    )


def _durations(others: int, seconds: float) -> list[int]:
    """Milliseconds of each picture; there are as many others before the last."""
    return [round(1000 * seconds)] * others + [round(1000 * _LAST_S)]


def _and_none(coming: Iterator[Image.Image]) -> Iterator[Image.Image | None]:
    yield from coming
    yield None


_WRITERS: dict[str, Callable[[Image.Image, Iterator[Image.Image], Path, float], Any]] = {
    ".mp4": _mp4,
    ".webp": _webp,
    ".gif": _gif,
}
