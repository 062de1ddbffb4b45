"""Where a photo was taken, and what strangers wrote into it, goes nowhere."""

from __future__ import annotations

import contextlib
import sqlite3
import zipfile
from pathlib import Path

import pytest
from bad_photos.make_shelf import located
from PIL import Image

from sprout.book.upkeep import backup
from sprout.cli import main

SAMPLES = Path(__file__).parents[1] / "sample_images"
# the texts, the seconds of latitude and longitude however they are written, and the blocks that could hold them
TRACES = (b"alert('sprout')", b"7 * 7", b"23.4567", b"55.4321", b"47.5231", b"9.2987", b"Exif\0\0", b"GPSLatitude")
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF><rdf:Description GPSLatitude="47,31.3909N" '
    b"dc:title=\"alert('sprout')\"/></rdf:RDF></x:xmpmeta>"
)


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that can be made of a photo with a place in it."""
    folder = tmp_path_factory.mktemp("made")
    taken = tmp_path_factory.mktemp("photos")
    with Image.open(SAMPLES / "photos" / "day06.jpg") as picture:
        picture.save(taken / "day06.jpg", quality=92, exif=located(), xmp=XMP, comment=b"alert('sprout')")
    held = (taken / "day06.jpg").read_bytes()
    assert all(trace in held for trace in (b"alert('sprout')", b"7 * 7", b"Exif\0\0", b"GPSLatitude"))
    lid, book, shot = str(SAMPLES / "lid.toml"), str(folder / "book"), str(taken / "day06.jpg")
    sown = ["--sown", "2026-08-22", "--crop", "basil", "--seeds", "2"]
    measured = ["--csv", str(folder / "m.csv"), "--masks", str(folder / "masks"), "--marked", str(folder / "marked")]
    for words in (
        ["measure", shot, "--lid", lid, *measured],
        ["cover", shot, "--csv", str(folder / "c.csv"), "--masks", str(folder / "cover")],
        ["begin", book, "--lid", lid, *sown, "--empty", shot],
        ["log", book, shot, "--quiet"],
        ["table", book, "--of", "photos", "--csv", str(folder / "p.csv")],
        ["report", book, "--html", str(folder / "r.html")],
        ["film", book, str(folder / "f.gif")],
    ):
        assert main(words) == 0, words
    backup(book, folder / "safe")
    return folder


def test_no_output_holds_a_trace_of_the_place_or_the_texts(outputs: Path) -> None:
    files = [p for p in outputs.rglob("*") if p.is_file()]
    assert {p.suffix for p in files} >= {".csv", ".html", ".png", ".jpg", ".sqlite", ".npz", ".gif"}
    for file in files:
        parts = [file.read_bytes()]
        if file.suffix == ".npz":
            with zipfile.ZipFile(file) as packed:
                parts = [packed.read(name) for name in packed.namelist()]
        for trace in TRACES:
            assert not any(trace in part for part in parts), f"{file.name}: {trace!r}"
        if file.suffix in (".png", ".jpg", ".gif"):
            with Image.open(file) as picture:
                assert not picture.getexif(), file.name
                assert not {"comment", "xmp", "Description", "exif"} & set(picture.info), file.name


def test_the_book_has_no_column_for_a_place(outputs: Path) -> None:
    with contextlib.closing(sqlite3.connect(outputs / "book" / "book.sqlite")) as connection:
        names = {row[0] for row in connection.execute("SELECT lower(sql) FROM sqlite_master WHERE sql IS NOT NULL")}
    assert not [sql for sql in names if "latitude" in sql or "longitude" in sql or "gps" in sql]
