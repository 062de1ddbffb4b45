"""Made-up grows for tests: what each photo shows is said, not read."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image, UnidentifiedImageError

from sprout.book import Book, Grow
from sprout.lid import Lid, make_lid
from sprout.plugs import Sowing
from sprout.registration import LidView
from sprout.survey import Survey

SOWN = date(2026, 3, 1)
LID = make_lid(name="test lid", pattern="grid", rows=2, columns=3, pitch_mm=[60, 60], hole_mm=30)
SETTINGS = "0123456789ab"


def on(day: int) -> date:
    return SOWN + timedelta(days=day)


def reading(site: str, seedlings: int = 0, **more: Any) -> dict[str, Any]:
    """A plain reading; ``more`` changes single values."""
    up = seedlings > 0
    return {
        "site": site,
        "u_px": 10.0,
        "v_px": 20.0,
        "status": "sprouted" if up else "empty",
        "p_sprouted": 0.97 if up else 0.02,
        "seedlings": seedlings,
        "seedlings_low": seedlings,
        "seedlings_high": seedlings,
        "tissue_cm2": 0.4 * seedlings,
        "cover_pct": 0.4 * seedlings / 36 * 100,
        "yellow_pct": 0.0 if up else float("nan"),
        "dry_pct": 0.0 if up else float("nan"),
        "algae": "no",
        "flags": "",
        "fit_mm": 0.4,
        "fit_by": "holes",
    } | more


def hidden(site: str) -> dict[str, Any]:
    return reading(site, status="hidden", p_sprouted=0.5, tissue_cm2=float("nan"), cover_pct=float("nan"))


def view() -> LidView:
    grey = np.full((40, 60, 3), 128, np.uint8)
    return LidView(grey, np.ones((40, 60), bool), (-30.0, -30.0), 0.5)


def survey(name: str, day: int, seen: Mapping[str, int | dict[str, Any]], *, lid: Lid = LID, hour: int = 8) -> Survey:
    """What a photo of that day says; sites that are not named are empty."""
    rows = [s if isinstance(s := seen.get(x, 0), dict) else reading(x, s) for x in lid.labels]
    sha = hashlib.sha256(name.encode()).hexdigest()
    taken = datetime.combine(on(day), time(hour))
    return Survey(Path(name), sha, taken, 400, 300, readings=rows, view=view())


def begin(folder: Path, *, seeds: int = 2, crop: str = "basil", lid: Lid = LID, bare: Iterable[str] = ()) -> Book:
    sowing = {site: Sowing(crop, seeds) for site in lid.labels if site not in set(bare)}
    return Book.begin(folder, Grow(SOWN, sowing), lid=lid, view=view(), view_sha256="e" * 64)


def add(book: Book, *surveys: Survey, settings: str = SETTINGS) -> None:
    for one in surveys:
        book.add(one, on=None, settings=settings, anchor=book.anchor)


def photo(path: Path, day: int | None, *, hour: int = 8) -> Path:
    """A small photo file, no two alike, with its EXIF time if a day is given."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(abs(hash(path.name)) % 2**32)
    picture = Image.fromarray(rng.integers(0, 255, (240, 320, 3), np.uint8))
    exif = picture.getexif()
    if day is not None:
        exif[0x8769] = {0x9003: f"{datetime.combine(on(day), time(hour)):%Y:%m:%d %H:%M:%S}"}
    picture.save(path, quality=70, exif=exif)
    return path


def fake_survey_many(seen: Mapping[str, Mapping[str, int] | str], calls: list[Path]) -> Any:
    """A stand-in for the reading of photos: per file stem what it shows, or the reason why it cannot be read."""

    def survey_many(paths: Iterable[Path], lid: Lid, **options: Any) -> Iterator[Survey]:
        for path in paths:
            calls.append(path)
            sha = hashlib.sha256(path.read_bytes()).hexdigest()
            shows = seen.get(path.stem, {})
            try:
                with Image.open(path) as picture:
                    taken = picture.getexif().get_ifd(0x8769).get(0x9003)
            except UnidentifiedImageError:
                yield Survey(path, reason="is not a picture")
                continue
            when = datetime.strptime(taken, "%Y:%m:%d %H:%M:%S") if taken else None
            if isinstance(shows, str):
                yield Survey(path, sha, when, reason=shows)
                continue
            rows = [reading(x, shows.get(x, 0)) for x in lid.labels]
            maps = np.zeros((240, 320), np.uint8) if options.get("masks") else None
            yield Survey(path, sha, when, 320, 240, readings=rows, view=view(), classes=maps, sites=maps)

    return survey_many
