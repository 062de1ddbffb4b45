"""The house keeps its order: imports point one way, rooms stay small, the command line starts fast."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from itertools import pairwise
from pathlib import Path

import pytest

SPROUT = Path(__file__).parents[1] / "sprout"
MODULES = sorted(SPROUT.rglob("*.py"))
BASE = {"errors", "files", "settings", "flags", "columns"}
FLOW = (
    "photo",
    "lid",
    "registration",
    "tissue",
    "readings",
    "book",
    "timeline",
    "germination",
    "growth",
    "care",
    "outlook",
    "comparison",
    "report",
    "page",
    "cli",
)
HEAVY = {
    "cv2",
    "numpy",
    "pandas",
    "scipy",
    "skimage",
    "matplotlib",
    "PIL",
    "pillow_heif",
    "jinja2",
    "sqlite3",
    "distributed",
}
MAX_LINES = 450


def room_of(path: Path) -> str:
    """The room a file belongs to: its folder directly under ``sprout``, or its own name."""
    return path.relative_to(SPROUT).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    """Full names that a file imports anywhere, inside functions and under TYPE_CHECKING too."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno}: write imports in full"
            names |= {node.module or ""} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def imported_rooms(path: Path) -> set[str]:
    rooms = {name.split(".")[1] for name in imported(path) if name.startswith("sprout.")}
    return {room for room in rooms if (SPROUT / room).is_dir() or (SPROUT / f"{room}.py").is_file()} - {room_of(path)}


def test_there_is_a_room_for_every_stage() -> None:
    assert {room_of(path) for path in MODULES} >= {*BASE, *FLOW}


def test_imports_point_one_way_along_the_flow() -> None:
    leans_on: dict[str, set[str]] = {}
    for path in MODULES:
        leans_on.setdefault(room_of(path), set()).update(imported_rooms(path))
    # a stage may lean on the stage before it, so nothing that leans on a stage may be leant on by an earlier one
    for earlier, later in pairwise(FLOW):
        leans_on[later].add(earlier)
    try:
        TopologicalSorter(leans_on).prepare()
    except CycleError as e:
        pytest.fail(f"imports run in a circle: {' <- '.join(e.args[1])}")


@pytest.mark.parametrize("room", sorted(BASE))
def test_base_modules_know_nothing_of_the_flow(room: str) -> None:
    assert imported_rooms(SPROUT / f"{room}.py") <= BASE


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(SPROUT)))
def test_rooms_are_not_corridors(path: Path) -> None:
    assert len(path.read_text("utf-8").splitlines()) <= MAX_LINES


def test_only_the_book_knows_the_database() -> None:
    users = {room_of(path) for path in MODULES if "sqlite3" in imported(path)}
    assert users == {"book"}


def test_nothing_that_ships_reads_the_truth() -> None:
    for path in MODULES:
        assert "truth/" not in path.read_text("utf-8"), path.name


@pytest.mark.parametrize("command", ["", "--version", "--help", "measure --help", "log --help", "note --help"])
def test_the_command_line_starts_without_costly_libraries(command: str) -> None:
    code = (
        "import sys, contextlib, io\n"
        "from sprout.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()): status = main(sys.argv[1:])\n"
        f"print(status, *sorted({HEAVY!r} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, *command.split()], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["0"], f"imported at start: {done.stdout}"
