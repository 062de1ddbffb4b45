"""Every file of the shelf is read whole or refused with a reason."""

from __future__ import annotations

import contextlib
import os
import re
import signal
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from bad_photos.make_shelf import SHELF, SIZE, encoded, make, scene
from grows import begin, fake_survey_many, photo

from sprout.book import Book
from sprout.cli import main
from sprout.errors import PhotoError, PhotoUnfit
from sprout.photo import Photo, photo_header, read_photo
from sprout.settings import Settings
from sprout.watching import PATIENCE_S, Watch

UNFIT = {"black.jpg", "white.jpg", "plain.jpg", "blurred.jpg", "shaken.jpg"}
REFUSED = {name: phrase for name, (_, phrase) in SHELF.items() if phrase is not None}
READ = [name for name, (_, phrase) in SHELF.items() if phrase is None]


def placed(folder: Path, name: str) -> Path:
    if name == "locked.jpg" and os.geteuid() == 0:
        pytest.skip("an administrator may read everything")
    try:
        return make(folder, name)
    except (OSError, UnicodeError) as e:
        if name.isascii():
            raise
        pytest.skip(f"the file system takes no such name ({e})")


def read(folder: Path, name: str) -> Photo:
    return read_photo(placed(folder, name))


def apart(photo: Photo) -> float:
    """Mean difference to the drawn photo, in grey levels."""
    return float(np.abs(photo.rgb.astype(int) - np.asarray(scene())).mean())


@pytest.mark.parametrize("name", REFUSED, ids=ascii)
def test_is_refused_with_a_reason_and_a_mend(name: str, tmp_path: Path) -> None:
    path = placed(tmp_path, name)
    with pytest.raises(PhotoError, match=re.escape(REFUSED[name])) as caught:
        read_photo(path)
    assert caught.value.subject == str(path)
    assert caught.value.mend
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, PhotoUnfit) == (name in UNFIT)
    assert caught.value.exit_code == 3


@pytest.mark.parametrize("name", READ, ids=ascii)
def test_is_read_whole(name: str, tmp_path: Path) -> None:
    photo = read(tmp_path, name)
    assert (photo.width_px, photo.height_px) == SIZE
    assert photo.rgb.shape == (SIZE[1], SIZE[0], 3)
    assert photo.scale == 1
    header = photo_header(photo.path)
    assert (header.sha256, header.taken_at) == (photo.sha256, photo.taken_at)
    assert (header.width_px, header.height_px) == SIZE


@pytest.mark.parametrize("name", [n for n in READ if "grey" not in n and n != "cut-out.png"], ids=ascii)
def test_has_the_colours_of_the_photo(name: str, tmp_path: Path) -> None:
    assert apart(read(tmp_path, name)) < 2.5


@pytest.mark.parametrize("name", [n for n in READ if "grey" in n])
def test_grey_keeps_its_brightness(name: str, tmp_path: Path) -> None:
    rgb = read(tmp_path, name).rgb.astype(int)
    assert np.abs(rgb - np.asarray(scene().convert("L"))[..., None]).mean() < 1
    assert (rgb[..., 0] == rgb[..., 2]).all()


def test_transparent_parts_are_mid_grey(tmp_path: Path) -> None:
    rgb = read(tmp_path, "cut-out.png").rgb
    assert (rgb[:100] == 128).all()
    assert (rgb[200:600, 200:900] == np.asarray(scene())[200:600, 200:900]).all()


@pytest.mark.parametrize(
    ("name", "taken_at"),
    [
        ("future.jpg", datetime(2199, 12, 31, 23, 59, 59)),
        ("no-such-day.jpg", None),
        ("unset-clock.jpg", None),
        ("broken-exif.jpg", None),
    ],
)
def test_dates(name: str, taken_at: datetime | None, tmp_path: Path) -> None:
    assert read(tmp_path, name).taken_at == taken_at


def test_unfit_photos_can_be_had_unjudged(tmp_path: Path) -> None:
    for name in sorted(UNFIT):
        assert read_photo(make(tmp_path, name), judged=False).rgb.shape == (SIZE[1], SIZE[0], 3)


def test_pixel_limit_names_its_setting_and_follows_it(tmp_path: Path) -> None:
    path = make(tmp_path, "png-inside.jpg")
    with pytest.raises(PhotoError, match=r"1 megapixels, more than the limit of 1: .*--max-megapixels or SPROUT_MAX_"):
        read_photo(path, settings=Settings(max_megapixels=1))
    assert read_photo(path, settings=Settings(max_megapixels=1.1)).rgb.shape[:2] == SIZE[::-1]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_no_cut_passes_for_a_whole_photo(kind: str, tmp_path: Path) -> None:
    """Cut anywhere: refused, or (with nothing but the end marker lost) every pixel there."""
    data = encoded(scene(), kind)
    path = tmp_path / "cut"
    path.write_bytes(data)
    whole = read_photo(path).rgb
    for length in [*np.linspace(1, len(data) - 1, 25).astype(int), len(data) - 2]:
        path.write_bytes(data[:length])
        try:
            rgb = read_photo(path, judged=False).rgb
        except PhotoError:
            continue
        assert length > len(data) - 20
        assert (rgb == whole).all()


def test_the_readme_describes_every_file() -> None:
    text = (Path(__file__).parent / "bad_photos" / "README.md").read_text("utf-8")
    described = re.findall(r"^\| `([^`]+)` \|", text, re.MULTILINE)
    names = [os.fsencode(name).decode("ascii", "backslashreplace") for name in SHELF]
    assert described == [name if len(name) < 60 else "long-name-xxx….jpg" for name in names]
    assert len(SHELF) >= 60


@contextlib.contextmanager
def within(seconds: int) -> Iterator[None]:
    """Break off what would wait for ever."""

    def late(*_: object) -> None:
        raise TimeoutError(f"not done within {seconds} s")

    kept = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, kept)


NO_FILES = ("pipe.jpg", "endless.jpg", "gigabytes.jpg", "loop.jpg", "dangling.jpg", "folder.jpg")


def test_what_is_no_file_holds_up_neither_log_nor_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    begin(tmp_path / "b").close()
    (tmp_path / "phone").mkdir()
    bad = [placed(tmp_path / "phone", name) for name in NO_FILES]
    good = photo(tmp_path / "phone" / "day03.jpg", 3)
    told: list[str] = []
    seconds = [0.0]
    watch = Watch(tmp_path / "b", tmp_path / "phone", tell=told.append, clock=lambda: seconds[0])
    with within(60):
        assert main(["log", str(tmp_path / "b"), str(tmp_path / "phone"), "--quiet"]) == 3
        said = capsys.readouterr().err
        with Book(tmp_path / "b") as book:
            assert book.photos()["photo"].tolist() == [str(good)]
        photo(tmp_path / "phone" / "day04.jpg", 4)
        for _ in range(3):
            list(watch.look())
            seconds[0] += PATIENCE_S
    for name in NO_FILES:
        assert f"{name}: {REFUSED[name]}" in said
    assert {path.name for path in bad if any(path.name in line for line in told)} == set(NO_FILES) - {
        "loop.jpg",
        "dangling.jpg",  # as files that are gone again
    }
    with Book(tmp_path / "b") as book:
        assert len(book.photos()) == 2


@pytest.mark.parametrize(
    "name",
    [os.fsdecode(b"not-utf8-\xe9.jpg"), "x" * 251 + ".jpg", "[/bold] \x1b[2J.jpg"],
    ids=["not UTF-8", "long", "steering"],
)
def test_names_of_every_kind_are_read_logged_and_shown(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shot = tmp_path / name
    try:
        photo(tmp_path / "day03.jpg", 3).rename(shot)
    except (OSError, UnicodeError) as e:
        pytest.skip(f"the file system takes no such name ({e})")
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many({}, []))
    begin(tmp_path / "b").close()
    lid, csv = str(tmp_path / "b" / "lid.toml"), tmp_path / "out.csv"
    made = ["--masks", str(tmp_path / "masks"), "--marked", str(tmp_path / "marked")]
    assert main(["measure", str(shot), "--lid", lid]) == 0
    assert main(["measure", str(shot), "--lid", lid, "--csv", str(csv), *made]) == 0
    assert main(["log", str(tmp_path / "b"), str(shot)]) == 0
    assert main(["table", str(tmp_path / "b"), "--of", "photos"]) == 0
    assert main(["report", str(tmp_path / "b"), "--html", str(tmp_path / "r.html")]) == 0
    assert len(list((tmp_path / "masks").iterdir())) == 2
    assert len(list((tmp_path / "marked").iterdir())) == 1
    told = capsys.readouterr()
    assert "\x1b" not in told.out + told.err
    known_as = os.fsencode(name).decode("utf-8", "backslashreplace")
    assert known_as in csv.read_text("utf-8")
    with Book(tmp_path / "b") as book:
        assert book.photos()["photo"].tolist() == [str(tmp_path / known_as)]


def test_words_that_are_no_text_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begin(tmp_path / "b").close()
    assert main(["note", str(tmp_path / "b"), "topup", "1", "--comment", os.fsdecode(b"\xe9")]) == 2
    assert "holds what is no text" in capsys.readouterr().err
    assert main(["note", str(tmp_path / "b"), "topup", "1", "--comment", "[/b] \x1b[2J"]) == 0
    assert main(["note", str(tmp_path / "b"), "list"]) == 0
    assert "([/b] ?[2J)" in capsys.readouterr().out


# a folder is looked into: that it holds no photos is a matter of usage, not of a photo
@pytest.mark.parametrize("name", [name for name in REFUSED if name != "folder.jpg"], ids=ascii)
def test_a_refused_file_ends_with_exit_status_4_and_its_reason(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = placed(tmp_path, name)
    lid = tmp_path / "lid.toml"
    lid.write_text('pattern = "grid"\nrows = 2\ncolumns = 3\npitch_mm = [60, 60]\nhole_mm = 30\n')
    status = main(["measure", str(path), "--lid", str(lid), "--csv", str(tmp_path / "out.csv")])
    told = capsys.readouterr()
    assert status == 4
    assert told.out == ""
    assert "Traceback" not in told.err
    assert REFUSED[name] in " ".join(told.err.split())
    row = (tmp_path / "out.csv").read_text("utf-8").splitlines()[1]
    assert ",no," in row
