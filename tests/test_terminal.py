"""The command line in a terminal: narrow ones, ones without colour, and none at all; completion in the shell."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from grows import add, begin, on, reading, survey

pty = pytest.importorskip("pty", reason="there are no terminals of this kind here")

SPROUT = [sys.executable, "-m", "sprout"]
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
STYLE = re.compile(r"\x1b\[([0-9;]+)m")


def in_terminal(words: list[str], *, columns: int, **environment: str) -> str:
    """What a command writes to a terminal of that width, escapes and all."""
    import fcntl
    import termios

    child, handle = pty.fork()
    if child == 0:  # pragma: no cover
        kept = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "NO_COLOR", "FORCE_COLOR", "TERM")}
        os.execve(words[0], words, {**kept, "TERM": "xterm-256color", **environment})
    fcntl.ioctl(handle, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    seen = b""
    while True:
        try:
            part = os.read(handle, 65536)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        seen += part
    os.waitpid(child, 0)
    os.close(handle)
    return seen.decode()


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("terminal") / "book"
    with begin(folder) as opened:
        for day in range(0, 13, 3):
            seen = {"A1": reading("A1", 2, tissue_cm2=0.6 * day), "B2": reading("B2", algae="yes")} if day > 5 else {}
            add(opened, survey(f"{day}.jpg", day, seen))
    return folder


@pytest.mark.parametrize(
    "words",
    [
        ["table"],
        ["table", "--of", "days"],
        ["table", "--of", "germination"],
        ["outlook", "--as-of", on(12).isoformat()],
    ],
    ids=lambda w: " ".join(w[:3]),
)
def test_nothing_is_wider_than_a_narrow_terminal(book: Path, words: list[str]) -> None:
    name, *options = words
    seen = in_terminal([*SPROUT, name, str(book), *options], columns=40)
    lines = ESCAPE.sub("", seen).replace("\r", "").splitlines()
    assert len(lines) > 6
    assert max(len(line.rstrip()) for line in lines) <= 40
    assert "…" not in seen  # a word that is cut is no word


def test_no_colour_where_none_is_wanted(book: Path) -> None:
    words = [*SPROUT, "outlook", str(book), "--as-of", on(12).isoformat()]
    colours = [set(STYLE.findall(in_terminal(words, columns=100, NO_COLOR=value))) for value in ("1", "")]
    assert colours[0] <= {"0", "1", "2"}  # plain, bold, dim


def test_a_colour_where_nothing_is_said_about_it(book: Path, tmp_path: Path) -> None:
    code = f"from sprout.book import Book; from sprout.cli.showing import show_today; show_today(Book({str(book)!r}))"
    styled = set(STYLE.findall(in_terminal([sys.executable, "-c", code], columns=100)))
    plain = set(STYLE.findall(in_terminal([sys.executable, "-c", code], columns=100, NO_COLOR="1")))
    assert any(s not in ("0", "1", "2") for s in styled)
    assert plain <= {"0", "1", "2"}


BAR = (
    "import time\n"
    "from sprout.cli.progress import progress\n"
    "for item in progress(range(4), 4, 'reading'):\n"
    "    time.sleep(0.15)\n"
    "print('done')\n"
)


@pytest.mark.parametrize("columns", [40, 100])
def test_long_work_shows_how_far_it_is_and_the_time_left(columns: int) -> None:
    seen = in_terminal([sys.executable, "-c", BAR], columns=columns)
    assert "reading" in seen
    assert re.search(r"[123]/4", seen)
    assert re.search(r"\d:\d\d:\d\d left", ESCAPE.sub("", seen))
    assert max(len(line) for line in re.split(r"[\r\n]+", ESCAPE.sub("", seen))) <= columns


def test_no_bar_where_there_is_no_terminal() -> None:
    done = subprocess.run([sys.executable, "-c", BAR], capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("done\n", "")


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("sprout re", {"report"}),
        ("sprout fil", {"film"}),
        ("sprout note b", None),
        ("sprout tags t.pdf --paper ", {"a4", "letter"}),
        ("sprout table b --of g", {"grow", "germination", "growth"}),
    ],
)
def test_the_shell_completes_commands_and_choices(line: str, offered: set[str] | None) -> None:
    words = {"_SPROUT_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(line.count(" "))}
    done = subprocess.run(SPROUT, env={**os.environ, **words}, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    if offered is not None:
        assert set(done.stdout.split()) == offered
