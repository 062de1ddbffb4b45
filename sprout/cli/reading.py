"""Commands that read photos without a book: measure, cover."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sprout.cli.output import (
    LIMIT,
    ClusterAt,
    Csv,
    Json,
    Megapixels,
    Workers,
    complain,
    emit,
    harmless,
    outcome,
    readers,
    screen,
    show_table,
)
from sprout.errors import NotRegistered, PhotoUnfit, UsageError
from sprout.files import name_of, stem_of
from sprout.settings import Settings
from sprout.workers import ready

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from sprout.lid import Lid
    from sprout.survey import Survey

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO…", help="Photos, or folders of them.")]
Masks = Annotated[Path | None, typer.Option("--masks", metavar="DIR", help="Put the pixels' classes there.")]


def measure(
    photos: Photos,
    lid: Annotated[Path, typer.Option("--lid", metavar="LID.toml", help="The lid file.")],
    empty: Annotated[
        Path | None, typer.Option("--empty", metavar="PHOTO", help="The same lid before anything came up.")
    ] = None,
    csv: Csv = None,
    json: Json = False,
    masks: Masks = None,
    marked: Annotated[
        Path | None,
        typer.Option("--marked", metavar="DIR", help="Put the photos with the reading drawn on them there."),
    ] = None,
    workers: Workers = 1,
    cluster: ClusterAt = None,
    max_megapixels: Megapixels = LIMIT,
) -> None:
    """Read photos without a book."""
    if workers > 1:
        ready()
    from sprout import columns
    from sprout.cli.progress import progress
    from sprout.lid import read_lid
    from sprout.survey import learn_view, survey_many

    plate = read_lid(lid)
    found = _found(photos)
    settings = Settings(max_megapixels=max_megapixels)
    known = None
    if empty is not None:
        try:
            known = learn_view(empty, plate, settings=settings)
        except (NotRegistered, PhotoUnfit) as e:
            complain(f"{e} (going on without it)")
    rows: list[dict[str, Any]] = []
    unread = 0
    with readers(workers, cluster) as reading:
        surveys = survey_many(
            found,
            plate,
            known=known,
            keep_labels=False,
            settings=settings,
            masks=bool(masks or marked),
            workers=reading,
        )
        for survey, stem in zip(progress(surveys, len(found), "reading"), unique_stems(found), strict=True):
            import pandas  # noqa: F401  # for the table in the end: while the workers are busy it costs no time

            header = _header(survey.path, survey.taken_at, survey.reason)
            rows += [{**header, **site} for site in survey.readings] or [header]
            unread += bool(survey.reason)
            if masks is not None and survey.classes is not None and survey.sites is not None:
                write_mask(masks / f"{stem}_tissue.png", survey.classes)
                write_mask(masks / f"{stem}_sites.png", survey.sites)
            if marked is not None and not survey.reason:
                _write_marked(marked / f"{stem}_marked.jpg", survey)
            if csv is None and not json and not survey.reason:
                _show_survey(survey, plate)
    emit(columns.frame(rows, columns.READINGS), columns.READINGS, csv=csv, as_json=json)
    raise typer.Exit(outcome(len(found) - unread, unread))


def cover(
    photos: Photos,
    csv: Csv = None,
    json: Json = False,
    masks: Masks = None,
    workers: Workers = 1,
    max_megapixels: Megapixels = LIMIT,
) -> None:
    """Read photos that show no lid.

    How much of the frame is plant: for a microgreens tray, a seed bed, a pot.
    """
    if workers > 1:
        ready()
    from sprout import columns
    from sprout.cli.progress import progress
    from sprout.survey import cover_many

    found = _found(photos)
    rows: list[dict[str, Any]] = []
    unread = 0
    covers = cover_many(
        found, settings=Settings(max_megapixels=max_megapixels), masks=masks is not None, workers=workers
    )
    for one, stem in zip(progress(covers, len(found), "reading"), unique_stems(found), strict=True):
        row = _header(one.path, one.taken_at, one.reason)
        if one.reason:
            unread += 1
        else:
            row |= {name: getattr(one, name) for name in ("cover_pct", "yellow_pct", "dry_pct", "flags")}
            if masks is not None and one.classes is not None:
                write_mask(masks / f"{stem}_tissue.png", one.classes)
        rows.append(row)
    table = columns.frame(rows, columns.COVER)
    emit(table, columns.COVER, csv=csv, as_json=json, person=lambda: show_table(table, columns.COVER))
    raise typer.Exit(outcome(len(found) - unread, unread))


def _found(photos: list[Path]) -> list[Path]:
    from sprout.intake import find_photos

    found = find_photos(photos)
    if not found:
        raise UsageError(" ".join(map(str, photos)), "holds no photos", "name photos or a folder that holds some")
    return found


def _header(path: Path, taken_at: Any, reason: str) -> dict[str, Any]:
    if reason:
        complain(f"{path}: {reason}")
    return {
        "photo": name_of(path),
        "taken_at": taken_at.isoformat() if taken_at else "",
        "readable": "no" if reason else "yes",
        "reason": reason,
    }


def unique_stems(paths: Iterable[Path]) -> list[str]:
    """A file stem for each photo: its own, with a number behind it where another photo has the same."""
    paths = list(paths)
    taken = {stem_of(path).lower() for path in paths}
    used: set[str] = set()
    stems = []
    for path in paths:
        stem, number = stem_of(path), 1
        while stem.lower() in used or (number > 1 and stem.lower() in taken):
            number += 1
            stem = f"{stem_of(path)}-{number}"
        used.add(stem.lower())
        stems.append(stem)
    return stems


def write_mask(path: Path, values: npt.NDArray[np.uint8]) -> None:
    """An (h, w) uint8 map as a grey PNG."""
    from PIL import Image

    from sprout.files import atomic

    with atomic(path) as temporary:
        Image.fromarray(values).save(temporary, "PNG", compress_level=1)


def _write_marked(path: Path, survey: Survey) -> None:
    from PIL import Image

    from sprout.files import atomic
    from sprout.photo import read_photo
    from sprout.report.marked import draw

    with atomic(path) as temporary:
        Image.fromarray(draw(survey, read_photo(survey.path))).save(temporary, "JPEG", quality=88)


def _show_survey(survey: Survey, lid: Lid) -> None:
    from sprout.terminal import LEGEND, Site, draw_lid

    console = screen()
    sites = {r["site"]: Site(r["status"], int(r["seedlings"]), alarm=r["algae"] == "yes") for r in survey.readings}
    up = sum(site.status == "sprouted" for site in sites.values())
    console.print(harmless(name_of(survey.path)), style="bold", markup=False, end="")
    console.print(f": {up} of {len(sites)} sites sprouted")
    console.print(draw_lid(lid, sites, width=console.width))
    console.print(LEGEND, style="dim")


COMMANDS = {"measure": measure, "cover": cover}
