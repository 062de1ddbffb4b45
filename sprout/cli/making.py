"""``sprout lid``: a lid file from what a ruler says, or from a photo and one length; what is missing is asked for."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sprout.cli.output import STDOUT, say, screen
from sprout.errors import UsageError

if TYPE_CHECKING:
    from sprout.lid import Lid
    from sprout.registration.learning import LearnedLid

_QUESTIONS: dict[str, tuple[tuple[str, str, type], ...]] = {
    "grid": (
        ("rows", "Rows of holes", int),
        ("columns", "Holes in a row", int),
        ("pitch_x", "Millimetres from centre to centre along a row", float),
        ("pitch_y", "Millimetres from row to row", float),
    ),
    "ring": (
        ("ring_sites", "Holes in the ring", int),
        ("ring_mm", "Diameter of the ring through the holes' centres, in mm", float),
        ("centre_site", "Is there a hole in the middle", bool),
    ),
}
_QUESTIONS["staggered"] = (
    *_QUESTIONS["grid"],
    ("stagger_mm", "Millimetres by which every second row is shifted to the right", float),
)
_HOLE = ("hole_mm", "Diameter of a hole inside its collar, in mm", float)
_LENGTH = "Millimetres from the centre of A1 to that of the last hole in row A; of a ring, its diameter"
_LEARNED = {
    "pitch_mm": ("along a row", "from row to row"),
    "stagger_mm": ("shift of every second row",),
    "ring_mm": ("ring",),
    "hole_mm": ("hole",),
}


def lid(
    file: Annotated[Path, typer.Argument(metavar="LID.toml", help="The file to write; - for standard output.")],
    name: Annotated[str, typer.Option("--name", help="What you call it.")] = "my lid",
    pattern: Annotated[str | None, typer.Option("--pattern", metavar="grid|staggered|ring", help="The layout.")] = None,
    rows: Annotated[int | None, typer.Option("--rows", help="Rows of holes.")] = None,
    columns: Annotated[int | None, typer.Option("--columns", help="Holes in a row.")] = None,
    pitch: Annotated[
        tuple[float, float] | None,
        typer.Option("--pitch", metavar="X Y", help="Mm from centre to centre: along a row, between rows."),
    ] = None,
    hole: Annotated[float | None, typer.Option("--hole", metavar="MM", help="Diameter of a hole.")] = None,
    stagger: Annotated[float | None, typer.Option("--stagger", metavar="MM", help="Shift of every second row.")] = None,
    ring_sites: Annotated[int | None, typer.Option("--ring-sites", help="Holes in the ring.")] = None,
    ring: Annotated[float | None, typer.Option("--ring", metavar="MM", help="Diameter of the ring.")] = None,
    centre: Annotated[bool | None, typer.Option("--centre/--no-centre", help="A hole in the ring's middle.")] = None,
    from_photo: Annotated[
        Path | None,
        typer.Option("--from-photo", metavar="PHOTO", help="Learn the lengths from a photo of the empty lid."),
    ] = None,
    length: Annotated[
        float | None,
        typer.Option(
            "--length",
            metavar="MM",
            help="With --from-photo: true mm from centre to centre, first to last hole of row A; a ring's diameter.",
        ),
    ] = None,
    between: Annotated[
        tuple[str, str] | None,
        typer.Option("--between", metavar="SITE SITE", help="The two sites that --length lies between, if others."),
    ] = None,
    tag_size: Annotated[
        float | None, typer.Option("--tag-size", metavar="MM", help="Side of the black square of tags 0 to 3 on it.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
) -> None:
    """Make a lid file.

    From what a ruler says, or from a photo of the empty lid and one true length; what no option gives is asked for.
    """
    from sprout.files import write_text
    from sprout.lid import lid_toml, make_lid

    if file != STDOUT and file.exists() and not force:
        raise UsageError(file, "exists", "choose another name, or say --force")
    tags = {"family": "4x4_50", "size_mm": tag_size, "ids": [0, 1, 2, 3]} if tag_size is not None else None
    given: dict[str, Any] = {
        "rows": rows,
        "columns": columns,
        "pitch_x": pitch[0] if pitch else None,
        "pitch_y": pitch[1] if pitch else None,
        "stagger_mm": stagger,
        "ring_sites": ring_sites,
        "ring_mm": ring,
        "centre_site": centre,
        "hole_mm": hole,
    }
    pattern = pattern or _ask("Layout (grid, staggered or ring)", str, "--pattern")
    if pattern not in _QUESTIONS:
        mend = f"choose one of {', '.join(_QUESTIONS)}; write free points into the file by hand"
        raise UsageError(f"--pattern {pattern}", "cannot be asked for", mend)
    if from_photo is None and (length, between) != (None, None):
        raise UsageError("--length and --between", "belong to --from-photo", "name the photo too")
    if from_photo is not None and (pitch, stagger, ring) != (None, None, None):
        mend = "leave --pitch, --stagger and --ring out, or the photo"
        raise UsageError("--from-photo", "learns these lengths itself", mend)
    for key, question, kind in (*_QUESTIONS[pattern], _HOLE):
        if given[key] is None and (from_photo is None or kind is not float):
            given[key] = _ask(question, kind, f"--{key.removesuffix('_mm').replace('_', '-')}")
    along, across = given.pop("pitch_x"), given.pop("pitch_y")
    given["pitch_mm"] = None if along is None else [along, across]
    if from_photo is not None:
        if length is None:
            length = _ask(_LENGTH, float, "--length")
        learned = _learn(from_photo, pattern, length, between, given)
        # a hole measured with a ruler outranks the photo
        given = {**learned, **{key: value for key, value in given.items() if value is not None}}
    made = make_lid(**{**given, "origin": str(file), "name": name, "pattern": pattern, "tags": tags})
    if file == STDOUT:
        sys.stdout.write(lid_toml(made))
        return
    write_text(file, lid_toml(made))
    _show(made)
    say(f"{file}: written, {len(made.labels)} sites")


def _learn(
    path: Path, pattern: str, length: float, between: tuple[str, str] | None, given: dict[str, Any]
) -> dict[str, object]:
    """The keys of the lid file learned from a photo; says what was learned."""
    from sprout.photo import read_photo
    from sprout.registration.learning import learn_lid

    counts = {key: given[key] for key, _, kind in _QUESTIONS[pattern] if kind is not float}
    learned = learn_lid(read_photo(path), pattern=pattern, length_mm=length, between=between, **counts)
    say(f"{path}: learned from {learned.seen} holes, which lie in the pattern to {learned.fit_mm:.2f} mm")
    for line in _lengths(learned):
        say(line)
    if given["hole_mm"] is None:
        say("The circle seen may be the outer rim of a collar: if a ruler says another hole size, give --hole.")
    return learned.lid.source


def _lengths(learned: LearnedLid) -> Iterator[str]:
    for key, errors in learned.error_mm.items():
        value: Any = learned.lid.source[key]
        for word, mm, error in zip(_LEARNED[key], value if isinstance(value, list) else [value], errors, strict=True):
            yield f"  {word}: {mm:.1f} mm, standard error {error:.1f} mm"


def _ask(question: str, kind: type, option: str) -> Any:
    if not sys.stdin.isatty():
        raise UsageError(option, "is missing", f"give it ({question[0].lower()}{question[1:]})")
    if kind is bool:
        return typer.confirm(question, err=True)
    return typer.prompt(question, type=kind, err=True)


def _show(made: Lid) -> None:
    from sprout.terminal import Site, draw_lid

    console = screen()
    console.print(draw_lid(made, dict.fromkeys(made.labels, Site("empty")), width=console.width))


COMMANDS = {"lid": lid}
