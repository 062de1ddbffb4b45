"""The demo: a book made from the sample grow that ships with the package."""

from __future__ import annotations

import tomllib
from datetime import datetime, time
from pathlib import Path
from typing import Any

from sprout.book import Book, Grow
from sprout.cli.output import complain
from sprout.cli.progress import progress
from sprout.intake import find_photos, log_photos
from sprout.lid import read_lid
from sprout.plugs import Note, Sowing


def make_demo(samples: Path, folder: Path, *, workers: int) -> Book:
    """Begin a book in ``folder`` as ``samples/grow.toml`` says, log the photos and write down the notes.

    Raises
    ------
    SproutError
        As :class:`Book` does.
    """
    from sprout.photo import photo_header
    from sprout.survey import learn_view

    told = tomllib.loads((samples / "grow.toml").read_text(encoding="utf-8"))
    lid = read_lid(samples / "lid.toml")
    seeds = dict.fromkeys(lid.labels, told["seeds"]) | told["seeds_at"]
    sowing = {site: Sowing(told["crop"], count) for site, count in seeds.items()}
    empty = samples / told["empty"]
    book = Book.begin(
        folder,
        Grow(told["sown"], sowing, told["reservoir_litres"]),
        lid=lid,
        view=learn_view(empty, lid),
        view_sha256=photo_header(empty).sha256,
    )
    photos = find_photos([samples / "photos"])
    for logged in progress(log_photos(book, photos, workers=workers), len(photos), "reading"):
        if logged.outcome == "unread":
            complain(f"{logged.path}: {logged.reason}")
    book.add_notes(map(_note, told["notes"]))
    return book


def _note(told: dict[str, Any]) -> Note:
    amount, unit = (told["ml"], "ml") if "ml" in told else (told["litres"], "l")
    return Note(told["kind"], datetime.combine(told["on"], time.min), amount=amount, unit=unit)
