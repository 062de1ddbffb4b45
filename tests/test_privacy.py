"""Where a photo was taken, and what strangers wrote into it, goes nowhere."""

from __future__ import annotations

import contextlib
import re
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


def located_photo(path: Path) -> bytes:
    """A sample photo with a place and hostile texts written into it."""
    xmp = b"http://ns.adobe.com/xap/1.0/\0" + XMP
    segment = b"\xff\xe1" + (len(xmp) + 2).to_bytes(2, "big") + xmp
    with Image.open(SAMPLES / "photos" / "day06.jpg") as picture:
        picture.save(path, quality=92, exif=located(), extra=segment, comment=b"alert('sprout')")
    held = path.read_bytes()
    assert all(trace in held for trace in (b"alert('sprout')", b"7 * 7", b"Exif\0\0", b"GPSLatitude"))
    return held


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that can be made of a photo with a place in it."""
    folder = tmp_path_factory.mktemp("made")
    taken = tmp_path_factory.mktemp("photos")
    located_photo(taken / "day06.jpg")
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


def test_the_page_keeps_and_shows_no_trace(outputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pages import Phone, served

    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    book = backup(outputs / "book", tmp_path / "copy")
    data = located_photo(tmp_path / "sent.jpg") + b"1"  # other bytes than those that are in the book
    name = "\u202e<script>alert('sprout')</script>/../../7 * 7.jpg"
    with served(book) as page, Phone(page) as phone:
        assert "Read:" in phone.told(phone.upload(data, name=name))
        paths = ["/", "/notes", "/curves", "/days", "/phones", "/site/A1", "/day/2026-08-28"]
        shown = [phone.see(path).encode() for path in paths]
        shown += [phone.client.get(link).content for link in re.findall(r'"(/view/\w+)"', phone.see(paths[-1]))]
    assert len(shown) > len(paths)
    kept = [path.read_bytes() for path in book.rglob("*") if path.is_file() and path.suffix != ".npz"]
    for trace in (*TRACES, b"<script>", b"alert("):
        assert not any(trace in one for one in (*shown, *kept)), trace
    assert list(temporary.iterdir()) == []


def test_the_book_has_no_column_for_a_place(outputs: Path) -> None:
    with contextlib.closing(sqlite3.connect(outputs / "book" / "book.sqlite")) as connection:
        names = {row[0] for row in connection.execute("SELECT lower(sql) FROM sqlite_master WHERE sql IS NOT NULL")}
    assert not [sql for sql in names if "latitude" in sql or "longitude" in sql or "gps" in sql]
