"""The command line: what it says, where it says it, and the status it ends with."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from grows import LID, fake_survey_many, on, photo, reading, view
from PIL import Image

from sprout import columns
from sprout.cli import main
from sprout.cli.reading import unique_stems, write_mask
from sprout.errors import NotRegistered, PhotoUnfit
from sprout.lid import lid_toml, make_lid, read_lid
from sprout.settings import VERSION
from sprout.terminal import Site, draw_lid

DAYS: dict[str, Any] = {f"day{d:02}": {"A1": 1 if d < 8 else 2, "B2": 1} if d >= 5 else {} for d in range(12)}
SEEN = DAYS | {"blurred": "too blurred: hold still or wipe the lens"}


@pytest.fixture(autouse=True)
def made_up_readings(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    calls: list[Path] = []
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many(SEEN, calls))
    monkeypatch.setattr("sprout.survey.learn_view", lambda path, lid, **_: view())
    monkeypatch.setenv("COLUMNS", "100")
    return calls


@pytest.fixture
def lid_file(tmp_path: Path) -> Path:
    file = tmp_path / "lid.toml"
    file.write_text(lid_toml(LID), "utf-8")
    return file


@pytest.fixture
def book(tmp_path: Path, lid_file: Path) -> Path:
    folder = tmp_path / "book"
    assert (
        run(
            "begin",
            folder,
            "--lid",
            lid_file,
            "--sown",
            on(0),
            "--crop",
            "basil",
            "--seeds",
            2,
            "--empty",
            photo(tmp_path / "empty.jpg", 0),
        )
        == 0
    )
    return folder


def run(*words: object) -> int:
    return main([str(w) for w in words])


def shots(folder: Path, *names: str) -> list[Path]:
    return [photo(folder / f"{n}.jpg", int(n[3:]) if n.startswith("day") else 6) for n in names]


def table(book: Path, of: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, str]]:
    capsys.readouterr()
    assert run("table", book, "--of", of, "--csv", "-") == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


# starting up


def test_help_imports_nothing_costly() -> None:
    code = (
        "import sys, sprout.cli; print(*sorted({'numpy', 'pandas', 'cv2', 'scipy', 'rich.table'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_every_command_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--help") == 0
    overview = capsys.readouterr().out
    commands = ["lid", "begin", "log", "enter", "fix", "note", "outlook", "table", "demo", "measure", "cover"]
    for command in commands:
        assert f"  {command} " in overview
        assert run(command, "--help") == 0
        assert "Usage: sprout" in capsys.readouterr().out
    assert "..." not in overview.split("Commands:")[1]  # no explanation is cut short


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out == f"sprout {VERSION}\n"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["nonsense"], "No such command 'nonsense'"),
        (["log"], "Missing argument 'BOOK'"),
        (["table", "x", "--off"], "No such option"),
        (["begin", "b", "--sown", "x"], "Missing option '--lid'"),
    ],
)
def test_wrong_words_end_with_2(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    out = capsys.readouterr()
    assert message in out.err
    assert "--help" in out.err
    assert out.out == ""


# begin


def begin_words(book: object, lid: object, **changed: object) -> list[object]:
    words = {"sown": on(0), "crop": "basil", "seeds": 2} | changed
    return ["begin", book, "--lid", lid, *(w for k, v in words.items() for w in (f"--{k.replace('_', '-')}", v))]


def test_begin_takes_crops_and_seeds_by_site(
    tmp_path: Path, lid_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = begin_words(tmp_path / "b", lid_file, reservoir=4.5, temperature=21, label="light=lamp")
    assert run(*words, "--crop-at", "A2=cilantro", "--seeds-at", "A2=5", "--seeds-at", "B3=0") == 0
    plugs = {row["plug"]: row for row in table(tmp_path / "b", "plugs", capsys)}
    assert [plugs["A2"][k] for k in ("crop", "seeds")] == ["coriander", "5"]
    assert [plugs["A1"][k] for k in ("crop", "seeds")] == ["basil", "2"]
    assert "B3" not in plugs


@pytest.mark.parametrize(
    ("extra", "status", "message"),
    [
        (["--crop", "bassil"], 2, "did you mean basil"),
        (["--crop-at", "Z1=basil"], 2, "no such site"),
        (["--crop-at", "A1"], 2, "KEY=VALUE"),
        (["--seeds-at", "A1=two"], 2, "no number of seeds"),
        (["--seeds", "0"], 2, "nothing is sown"),
        (["--sown", "1.3.2026"], 2, "is not a date"),
        (["--reservoir", "-1"], 2, "is no volume"),
        (["--lid", "nowhere.toml"], 5, "does not exist"),
    ],
)
def test_begin_refuses_what_makes_no_sense(
    extra: list[str], status: int, message: str, tmp_path: Path, lid_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*begin_words(tmp_path / "b", lid_file), *extra) == status
    assert message in capsys.readouterr().err
    assert not (tmp_path / "b").exists()


def test_begin_says_why_the_empty_photo_is_no_use(
    tmp_path: Path, lid_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, lid: object, **_: object) -> None:
        raise PhotoUnfit(path, "too blurred", "hold still")

    monkeypatch.setattr("sprout.survey.learn_view", refuse)
    assert run(*begin_words(tmp_path / "b", lid_file, empty="e.jpg")) == 4
    assert "sprout: e.jpg: too blurred: hold still" in capsys.readouterr().err
    assert not (tmp_path / "b").exists()


# log


def test_log_adds_photos_and_shows_the_lid(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], made_up_readings: list[Path]
) -> None:
    shots(tmp_path / "p", *(f"day{d:02}" for d in range(3, 9)))
    capsys.readouterr()
    assert run("log", book, tmp_path / "p") == 0
    out, err = capsys.readouterr()
    assert "6 read, 0 in the book already, 0 could not be read" in err
    assert "day 8" in out
    assert "( 1 )" in out
    assert "A1" in out
    assert "New since 2026-03-08" in out or "Nothing new since 2026-03-08" in out
    made_up_readings.clear()
    assert run("log", book, tmp_path / "p") == 0
    assert "day05.jpg: in the book already" in capsys.readouterr().err
    assert made_up_readings == []


@pytest.mark.parametrize(
    ("names", "status"),
    [(["day05", "blurred"], 3), (["blurred"], 4), (["day05"], 0)],
)
def test_log_ends_with_what_became_of_the_photos(
    names: list[str], status: int, book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("log", book, *shots(tmp_path / "p", *names)) == status
    err = capsys.readouterr().err
    assert ("blurred.jpg: too blurred: hold still or wipe the lens" in err) == ("blurred" in names)


def test_log_needs_a_book_and_photos(book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("log", tmp_path / "none", *shots(tmp_path / "p", "day05")) == 5
    (tmp_path / "void").mkdir()
    assert run("log", book, tmp_path / "void") == 2
    assert "holds no photos" in capsys.readouterr().err
    assert run("log", book, tmp_path / "gone.jpg") == 4


def test_log_takes_the_day_of_photos_that_do_not_tell_it(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dateless = photo(tmp_path / "day07.jpg", None)
    assert run("log", book, dateless) == 4
    assert "say so with --on DATE" in capsys.readouterr().err
    assert run("log", book, dateless, "--on", on(-3)) == 2
    assert run("log", book, dateless, "--on", on(7)) == 0
    assert {row["date"] for row in table(book, "days", capsys)} == {on(7).isoformat()}


def test_breaking_off_ends_with_130_and_goes_on_later(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    files = shots(tmp_path / "p", "day05", "day06", "day07")
    reads = fake_survey_many(SEEN, [])

    def breaks(paths: list[Path], *args: object, **options: object) -> object:
        for k, one in enumerate(reads(paths, *args, **options)):
            if k == 1:
                raise KeyboardInterrupt
            yield one

    with monkeypatch.context() as patch:
        patch.setattr("sprout.survey.survey_many", breaks)
        assert run("log", book, *files) == 130
        assert "stopped" in capsys.readouterr().err
    assert len(table(book, "photos", capsys)) == 1
    assert run("log", book, *files) == 0
    assert len(table(book, "photos", capsys)) == 3


def test_a_fault_of_ours_is_one_plain_line(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> object:
        raise RuntimeError("wires\ncrossed")

    monkeypatch.setattr("sprout.survey.survey_many", fails)
    capsys.readouterr()
    (shot,) = shots(tmp_path / "p", "day05")
    assert run("log", book, shot) == 1
    assert capsys.readouterr().err.count("\n") == 1
    monkeypatch.setenv("SPROUT_DEBUG", "1")
    with pytest.raises(RuntimeError, match="wires"):
        run("log", book, shot)


def test_the_lid_of_a_very_long_book_is_not_drawn_after_each_photo(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sprout.cli.keeping._SHOWN_UP_TO", 6)  # one photo of six sites
    assert run("log", book, *shots(tmp_path / "p", "day05")) == 0
    assert "plugs sprouted" in capsys.readouterr().out
    assert run("log", book, *shots(tmp_path / "p", "day06")) == 0
    seen = capsys.readouterr()
    assert "plugs sprouted" not in seen.out
    assert "sprout today" in seen.err


# notes, entries, corrections


def test_notes_from_the_command_line(book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("log", book, *shots(tmp_path / "p", "day05", "day06", "day07"), "--quiet") == 0
    day = on(7)
    assert run("note", book, "move", "A1", "A2", "--on", day) == 2
    assert "retire A2" in capsys.readouterr().err
    assert run("note", book, "retire", "A2", "--on", day, "--comment", "mouldy") == 0
    assert run("note", book, "move", "A1", "A2", "--on", day) == 0
    assert run("note", book, "pick", "a2", "b2", "--on", f"{day}T18:00") == 0
    assert run("note", book, "pick") == 0
    assert run("note", book, "topup", "0.5", "--on", day) == 0
    assert run("note", book, "feed", "8", "--on", day) == 0
    assert run("note", book, "level", "60%", "--on", day) == 0
    assert run("note", book, "level", "3.2", "--on", day) == 0
    assert run("note", book, "resow", "A1", "--seeds", "3", "--crop", "dill", "--on", on(9)) == 0
    capsys.readouterr()
    assert run("note", book, "list") == 0
    listed = capsys.readouterr().out
    for words in (
        "retire A2 on 2026-03-08  (mouldy)",
        "move A1 A2 on 2026-03-08",
        "pick B2 on 2026-03-08 18:00",
        "topup 0.5 l on",
        "feed 8 ml on",
        "level 60% on",
        "level 3.2 l on",
        "resow A1 on",
    ):
        assert words in listed
    plugs = {row["plug"]: row for row in table(book, "plugs", capsys)}
    assert plugs["A1"]["site"] == "A2"
    assert (plugs["A1#2"]["crop"], plugs["A1#2"]["seeds"]) == ("dill", "3")
    assert run("note", book, "withdraw", "1") == 2  # A2 has to be free for the move
    assert "later note needs it" in capsys.readouterr().err
    assert run("note", book, "withdraw", "2") == 0
    assert run("note", book, "withdraw", "99") == 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["topup", "0"], "is no amount"),
        (["level", "full"], "is no level"),
        (["level", "140%"], "out of range"),
        (["retire", "Z9"], "no such site"),
        (["retire", "A1", "--on", "soon"], "is not a date"),
        (["resow", "B3", "--crop", "x"], "is not a known crop"),
    ],
)
def test_notes_that_make_no_sense(
    words: list[str], message: str, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("note", book, *words) == 2
    assert message in capsys.readouterr().err


def test_enter_and_fix(book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hand = tmp_path / "hand.csv"
    hand.write_text(f"date,site,seedlings\n{on(6)},A1,1\n{on(6)},A2,0\n")
    assert run("enter", book, hand) == 0
    assert "2 entries added" in capsys.readouterr().err
    assert run("enter", book, hand) == 0
    assert "0 entries added, 2 were in the book already" in capsys.readouterr().err
    assert run("fix", book, on(6), "A2", "--seedlings", 2, "--comment", "looked again") == 0
    rows = {row["plug"]: row for row in table(book, "days", capsys)}
    assert [rows["A2"][k] for k in ("status", "seedlings", "basis")] == ["sprouted", "2", "correction"]
    assert run("fix", book, on(6), "a2", "--withdraw") == 0
    rows = {row["plug"]: row for row in table(book, "days", capsys)}
    assert [rows["A2"][k] for k in ("status", "basis")] == ["empty", "entry"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "does not say what is right"),
        (["--seedlings", "0", "--status", "sprouted"], "contradict"),
        (["--status", "maybe"], "is not known"),
        (["--withdraw", "--seedlings", "1"], "--withdraw alone"),
        (["--seedlings", "-1"], "--seedlings"),
    ],
)
def test_corrections_that_make_no_sense(
    words: list[str], message: str, book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("fix", book, on(6), "A1", *words) == 2
    assert message in capsys.readouterr().err


# tables


def test_tables_for_people_and_for_programs(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run("log", book, *shots(tmp_path / "p", "day05", "day06"), "--quiet")
    for of in ("days", "plugs", "grow", "photos"):
        rows = table(book, of, capsys)
        assert list(rows[0]) == [c.name for c in columns.TABLES[of]]
        assert run("table", book, "--of", of, "--json") == 0
        told = json.loads(capsys.readouterr().out)
        assert len(told) == len(rows)
        assert list(told[0]) == list(rows[0])
        assert run("table", book, "--of", of, "--csv", tmp_path / of / "out.csv") == 0
        assert capsys.readouterr().out == ""
        assert (tmp_path / of / "out.csv").read_text().count("\n") == len(rows) + 1
        assert run("table", book, "--of", of) == 0
        assert rows[0][columns.TABLES[of][0].name] in capsys.readouterr().out
    assert run("table", book, "--of", "leaves") == 2
    assert run("table", book, "--csv", "-", "--json") == 2
    (tmp_path / "file").write_text("x")
    assert run("table", book, "--csv", tmp_path / "file" / "out.csv") == 6
    assert "cannot be written" in capsys.readouterr().err


# measure and cover


def test_measure_writes_rows_and_masks_that_do_not_collide(
    tmp_path: Path, lid_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a, b = photo(tmp_path / "a" / "day05.jpg", 5), photo(tmp_path / "b" / "day05.jpg", 6)
    bad = photo(tmp_path / "blurred.jpg", 6)
    out, masks = tmp_path / "out.csv", tmp_path / "masks"
    words = ["measure", a, bad, b, "--lid", lid_file, "--csv", out, "--masks", masks, "--empty", a]
    assert run(*words) == 3
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert list(rows[0]) == [c.name for c in columns.READINGS]
    assert [row["photo"] for row in rows] == [str(a)] * 6 + [str(bad)] + [str(b)] * 6
    assert [rows[6][k] for k in ("readable", "site", "reason")] == [
        "no",
        "",
        "too blurred: hold still or wipe the lens",
    ]
    assert rows[0]["taken_at"] == "2026-03-06T08:00:00"
    assert {p.name for p in masks.iterdir()} == {
        f"{stem}_{kind}.png" for stem in ("day05", "day05-2") for kind in ("tissue", "sites")
    }
    assert run("measure", bad, "--lid", lid_file, "--json") == 4
    assert json.loads(capsys.readouterr().out)[0]["readable"] == "no"
    assert run("measure", a, "--lid", lid_file, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told[0]["seedlings"] == 1
    assert told[1]["yellow_pct"] is None  # nothing was there to be yellow


def test_measure_without_a_file_draws_the_lid(
    tmp_path: Path, lid_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("measure", photo(tmp_path / "day05.jpg", 5), "--lid", lid_file) == 0
    assert "2 of 6 sites sprouted" in capsys.readouterr().out


def test_measure_marks_the_photo(tmp_path: Path, lid_file: Path) -> None:
    shot = photo(tmp_path / "day05.jpg", 5)
    assert run("measure", shot, "--lid", lid_file, "--marked", tmp_path / "m") == 0
    with Image.open(tmp_path / "m" / "day05_marked.jpg") as marked, Image.open(shot) as plain:
        assert marked.width == plain.width
        assert marked.height > plain.height  # the legend stands below
        assert (np.asarray(marked)[: plain.height] != np.asarray(plain)).any()


def test_cover_reads_photos_without_a_lid(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from sprout.survey import CoverSurvey

    def cover_many(paths: list[Path], **_: object) -> object:
        for path in paths:
            if path.stem == "blurred":
                yield CoverSurvey(path, reason="too blurred: hold still")
            else:
                yield CoverSurvey(path, "", None, "", 12.5, 3.0, 0.0, "glare", np.ones((4, 5), np.uint8))

    monkeypatch.setattr("sprout.survey.cover_many", cover_many)
    tray, bad = tmp_path / "tray.jpg", tmp_path / "blurred.jpg"
    assert run("cover", tray, bad, "--csv", "-", "--masks", tmp_path / "m") == 3
    out, err = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(out)))
    assert list(rows[0]) == [c.name for c in columns.COVER]
    assert [rows[0][k] for k in ("cover_pct", "flags", "readable")] == ["12.50", "glare", "yes"]
    assert [rows[1][k] for k in ("cover_pct", "readable")] == ["", "no"]
    assert "blurred.jpg: too blurred: hold still" in err
    assert [p.name for p in (tmp_path / "m").iterdir()] == ["tray_tissue.png"]
    assert run("cover", tray) == 0
    assert "12.50" in capsys.readouterr().out


def test_the_demo_makes_a_book_of_the_sample_grow(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("demo", tmp_path / "d") == 0
    out = capsys.readouterr().out
    assert "plugs sprouted" in out
    assert str(tmp_path / "d" / "book") in out
    plugs = table(tmp_path / "d" / "book", "plugs", capsys)
    assert {row["seeds"] for row in plugs} == {"2", "3"}
    assert run("note", tmp_path / "d" / "book", "list") == 0
    assert "feed 8 ml on 2026-08-31" in capsys.readouterr().out
    assert run("demo", tmp_path / "d") == 5  # never over another book


def test_masks_are_grey_pictures_of_the_values(tmp_path: Path) -> None:
    values = np.arange(12, dtype=np.uint8).reshape(3, 4)
    write_mask(tmp_path / "m.png", values)
    with Image.open(tmp_path / "m.png") as picture:
        assert picture.mode == "L"
        assert (np.asarray(picture) == values).all()


def test_stems_are_unique() -> None:
    paths = [Path(p) for p in ("a/x.jpg", "b/x.jpg", "c/x-2.jpg", "d/X.png")]
    stems = unique_stems(paths)
    assert len({s.lower() for s in stems}) == 4
    assert (stems[0], stems[2]) == ("x", "x-2")


# lid


def test_lid_files_from_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "l.toml"
    words = ["lid", file, "--name", "shelf", "--pattern", "staggered", "--rows", 3, "--columns", 4]
    words += ["--pitch", 68, 59.9, "--stagger", 34, "--hole", 38, "--tag-size", 20]
    assert run(*words) == 0
    assert "C4" in capsys.readouterr().out
    made = read_lid(file)
    assert (made.pattern, len(made.labels), made.source["stagger_mm"]) == ("staggered", 12, 34)
    assert made.tags is not None
    assert run(*words) == 2
    assert "--force" in capsys.readouterr().err
    assert run(*words, "--force") == 0
    capsys.readouterr()
    ring = ["--pattern", "ring", "--ring-sites", 6, "--ring", 150, "--no-centre", "--hole", 30]
    assert run("lid", "-", *ring) == 0
    assert 'pattern = "ring"' in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (["--pattern", "grid", "--rows", "2"], 2, "--columns: is missing"),
        (["--pattern", "heap"], 2, "cannot be asked for"),
        (["--pattern", "grid", "--rows", "2", "--columns", "2", "--pitch", "20", "20", "--hole", "34"], 5, "overlap"),
    ],
)
def test_lids_that_make_no_sense(
    words: list[str], status: int, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("lid", tmp_path / "l.toml", *words) == status
    assert message in capsys.readouterr().err


def test_lid_asks_for_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Typed(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Typed("grid\n2\n3\n60\n60\n30\n"))
    assert run("lid", tmp_path / "l.toml") == 0
    assert read_lid(tmp_path / "l.toml").labels == LID.labels
    assert "Rows of holes" in capsys.readouterr().err


# the drawing


def test_the_drawing_shows_each_site_where_it_is_without_colour() -> None:
    sites = {
        "A1": Site("sprouted", 2, new=True),
        "A2": Site("empty"),
        "A3": Site("unsure"),
        "B1": Site("hidden"),
        "B2": Site("sprouted", 1, alarm=True),
    }
    lines = draw_lid(LID, sites, width=80).plain.splitlines()
    text = "\n".join(lines)
    first = next(line for line in lines if "A1" in line)
    assert [first.index(x) for x in ("A1", "A2", "A3")] == sorted(first.index(x) for x in ("A1", "A2", "A3"))
    for sign in ("(+2 )", "(   )", "( ? )", "( ~ )", "( 1!)", "  -  "):
        assert sign in text
    assert len({len(line) for line in lines}) == 1


@pytest.mark.parametrize("width", [20, 40, 80, 200])
@pytest.mark.parametrize(
    "lid",
    [
        make_lid(pattern="ring", ring_sites=8, ring_mm=200, centre_site=True, hole_mm=30),
        make_lid(pattern="points", points_mm=[[0, 0], [70, 5], [30, 80], [200, 100]], hole_mm=30),
        make_lid(pattern="staggered", rows=4, columns=6, pitch_mm=[60, 52], stagger_mm=30, hole_mm=30),
        make_lid(pattern="points", points_mm=[[0, 0]], hole_mm=30),
    ],
    ids=["ring", "points", "staggered", "one"],
)
def test_no_two_sites_are_drawn_over_each_other(lid: Any, width: int) -> None:
    sites = {label: Site("sprouted", k % 10) for k, label in enumerate(lid.labels)}
    text = draw_lid(lid, sites, width=width).plain
    for label, site in sites.items():
        assert label in text
        assert text.count(site.sign) == sum(other.sign == site.sign for other in sites.values())
    assert max(map(len, text.splitlines())) <= width


def test_no_colour_where_none_is_wanted(
    book: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    run("log", book, *shots(tmp_path / "p", "day05"))
    assert "\x1b" not in capsys.readouterr().out


def test_a_reading_has_every_declared_value() -> None:
    assert set(reading("A1")) == {c.name for c in columns.SITE_READINGS}


def test_measure_goes_on_without_an_empty_photo_that_shows_no_lid(
    tmp_path: Path, lid_file: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(path: Path, lid: object, **_: object) -> None:
        raise NotRegistered(path, "the lid was not found")

    monkeypatch.setattr("sprout.survey.learn_view", refuse)
    day = photo(tmp_path / "day03.jpg", 3)
    assert run("measure", day, "--lid", lid_file, "--empty", day, "--json") == 0
    told = capsys.readouterr()
    assert "going on without it" in told.err
    assert {row["readable"] for row in json.loads(told.out)} == {"yes"}
