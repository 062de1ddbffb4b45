"""Stage 2, TOML -> Lid: the plate's geometry in millimetres.

The lid's own frame has its origin in the first site (a ring: in its centre; free points: where the file has it),
x along a row, y from row to row (seen from above: x to the right, y towards the viewer), in millimetres.

Labels are a row letter (A to Z, then AA, AB, …) and a column number. The sites of a ring are ``B1``, ``B2``, …
clockwise from the top whether or not there is a centre site ``A1``; free points without labels are ``A1``, ``A2``, ….
"""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np
import numpy.typing as npt

from sprout.errors import LidError

MAX_SITES = 255  # a site mask has one byte per pixel, and 0 stands for none
MAX_FILE_BYTES = 200_000
HOLE_MM = (5.0, 300.0)
LENGTH_MM = (5.0, 3000.0)
TAG_MM = (5.0, 150.0)
TAG_FAMILIES = tuple(f"{n}x{n}_{count}" for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000))

_COMMON = ("name", "pattern", "hole_mm", "tags")
_KEYS = {
    "grid": ("rows", "columns", "pitch_mm"),
    "staggered": ("rows", "columns", "pitch_mm", "stagger_mm"),
    "ring": ("ring_sites", "ring_mm", "centre_site"),
    "points": ("points_mm", "labels"),
}
_ALL_KEYS = tuple(dict.fromkeys(("name", "pattern", *(k for keys in _KEYS.values() for k in keys), "hole_mm", "tags")))
_TAG_KEYS = ("family", "size_mm", "ids")


@dataclass(frozen=True)
class Tags:
    """Printed square tags stuck on the lid: family (``4x4_50``), side of the black square in mm, ids."""

    family: str
    size_mm: float
    ids: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Lid:
    """A lid.

    Attributes
    ----------
    pattern:
        ``grid``, ``staggered``, ``ring`` or ``points``.
    labels, sites_mm:
        Labels in the lid's order, and the (n, 2) centres of the holes in the lid's frame, in mm.
    hole_mm:
        Diameter of a hole.
    area_per_site_mm2:
        The lid's area that belongs to one site: pitch x row distance for grids; for rings and free points the mean
        of the squared distance from a site to its nearest neighbour (for a single site, the square of two holes).
    source:
        The lid file's own keys and values, enough to write it again.
    """

    name: str
    pattern: str
    labels: tuple[str, ...]
    sites_mm: npt.NDArray[np.float64]
    hole_mm: float
    area_per_site_mm2: float
    tags: Tags | None
    source: dict[str, object]


def read_lid(path: Path | str) -> Lid:
    """Read a lid file.

    Raises
    ------
    LidError
        If it cannot be read, is not TOML, or describes no possible lid; the message names the key and the mend.
    """
    path = Path(path)
    try:
        if path.exists() and not path.is_file():
            raise LidError(path, "is not a file", "name the lid's TOML file")
        if path.exists() and path.stat().st_size > MAX_FILE_BYTES:
            raise LidError(path, "is too long for a lid file", "name the lid's TOML file")
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise LidError(path, "does not exist", "check the name, or make one with: sprout lid") from None
    except UnicodeDecodeError:
        raise LidError(path, "is not UTF-8 text", "save it as plain text in UTF-8") from None
    except OSError as e:
        raise LidError(path, f"cannot be read ({e.strerror or e})", "check its permissions") from None
    return parse_lid(text, origin=str(path))


def parse_lid(text: str, *, origin: str = "lid") -> Lid:
    """The lid that TOML text describes; ``origin`` names the text in messages.

    Raises
    ------
    LidError
        As :func:`read_lid`.
    """
    try:
        mapping = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        mend = "text goes in straight quotes, lists in square brackets, decimals take a point"
        raise LidError(origin, f"is not valid TOML: {e}", mend) from None
    except (RecursionError, ValueError):  # brackets in brackets without end; a number of thousands of digits
        raise LidError(origin, "is no lid file", "see the examples in the README") from None
    return _lid(mapping, origin)


def make_lid(*, origin: str = "lid", **keys: object) -> Lid:
    """The lid with these keys of a lid file (``tags`` as a mapping); keys that are None are left out.

    Raises
    ------
    LidError
        As :func:`read_lid`.
    """
    return _lid({key: value for key, value in keys.items() if value is not None}, origin)


def lid_toml(lid: Lid | Mapping[str, object]) -> str:
    """The text of a lid file for a lid, or for the keys and values of one; :func:`parse_lid` reads it back."""
    source = lid.source if isinstance(lid, Lid) else lid
    lines = [f"{key} = {_toml(source[key])}" for key in _ALL_KEYS if key in source and key != "tags"]
    tags = source.get("tags")
    if isinstance(tags, Mapping):
        lines += ["", "[tags]", *(f"{key} = {_toml(tags[key])}" for key in _TAG_KEYS if key in tags)]
    return "\n".join(lines) + "\n"


def symmetries(lid: Lid) -> list[tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.intp]]]:
    """Every way to turn the lid onto itself, the identity first, then by rising clockwise angle.

    Each is a rotation (2, 2), a shift (2,) in mm and an order (n,) such that
    ``sites_mm @ rotation.T + shift`` lies within 2 % of the nearest neighbours' distance of ``sites_mm[order]``.
    Mirror images are left out: a photo shows the lid from above only. A lid with one site has the identity alone.
    """
    sites = lid.sites_mm
    centre = sites.mean(0)
    arms = sites - centre
    tolerance = 0.02 * float(_nearest(sites).min()) if len(sites) > 1 else 1.0
    radius = np.hypot(*arms.T)
    far = int(radius.argmax())
    bearing = np.arctan2(arms[:, 1], arms[:, 0])
    images = np.flatnonzero(np.abs(radius - radius[far]) <= tolerance)
    turns = np.sort(np.mod(bearing[images] - bearing[far], 2 * np.pi)) if len(sites) > 1 else np.zeros(1)
    found = []
    for turn in turns:
        order = np.linalg.norm((arms @ _rotation(turn).T)[:, None] - arms[None], axis=2).argmin(1)
        if len(set(order.tolist())) < len(sites):
            continue
        # one pair of sites gave the turn, all together give the best one
        cross = arms[:, 0] * arms[order, 1] - arms[:, 1] * arms[order, 0]
        rotation = _rotation(math.atan2(cross.sum(), (arms * arms[order]).sum()))
        if np.linalg.norm(arms @ rotation.T - arms[order], axis=1).max() <= tolerance:
            found.append((rotation, centre - rotation @ centre, order))
    return found


def _rotation(turn: float) -> npt.NDArray[np.float64]:
    return np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])


def _toml(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return str(value).lower()
    return repr(float(value)) if isinstance(value, float) else repr(value)


def _nearest(sites: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Distance from each of (n, 2) sites to its nearest neighbour, in mm."""
    distance = np.linalg.norm(sites[:, None] - sites[None], axis=2)
    np.fill_diagonal(distance, np.inf)
    return np.asarray(distance.min(1))


def _row_letters(row: int) -> str:
    letters = ""
    row += 1
    while row:
        row, digit = divmod(row - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return letters


def _shown(value: object) -> str:
    """A value of the file as a message can hold it."""
    try:
        text = repr(value)
    except ValueError:  # a number of thousands of digits
        return "a very large number"
    return text if len(text) <= 60 else f"{text[:57]}…"


class _Keys:
    """The keys of a lid file or of its ``[tags]``, fetched with their checks."""

    def __init__(self, mapping: Mapping[str, Any], origin: str, prefix: str = "") -> None:
        self.mapping, self.origin, self.prefix = mapping, origin, prefix

    def fail(self, key: str, wrong: str, mend: str) -> LidError:
        return LidError(self.origin, f'"{self.prefix}{key}" {wrong}', mend)

    def get(self, key: str, example: str) -> Any:
        if key not in self.mapping:
            raise self.fail(key, "is missing", f"add {key} = {example}")
        return self.mapping[key]

    def whole(self, key: str, low: int, high: int, example: str) -> int:
        value = self.get(key, example)
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.fail(key, f"is {_shown(value)}, not a whole number", f"write {key} = {example}")
        if not low <= value <= high:
            raise self.fail(key, f"is {_shown(value)}", f"give a whole number from {low} to {high}")
        return value

    def length(self, key: str, value: object, span: tuple[float, float], example: str) -> float:
        if not _is_number(value):
            raise self.fail(key, f"is {_shown(value)}, not a number of millimetres", f"write {key} = {example}")
        if not span[0] <= value <= span[1]:
            raise self.fail(key, f"has the length {value:g}", f"give millimetres, from {span[0]:g} to {span[1]:g}")
        return float(value)

    def text(self, key: str, default: str) -> str:
        value = self.mapping.get(key, default)
        if not isinstance(value, str) or not value.strip() or not value.isprintable():
            raise self.fail(key, f"is {_shown(value)}, not a line of text", f'write {key} = "{default}"')
        return value

    def only(self, known: Sequence[str]) -> None:
        for key in self.mapping:
            if key not in known:
                near = difflib.get_close_matches(str(key), known, n=1)
                mend = f'did you mean "{near[0]}"?' if near else f"the keys are {', '.join(known)}"
                raise self.fail(key, "is not known", mend)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1e9


def _lid(mapping: Mapping[str, Any], origin: str) -> Lid:
    keys = _Keys(mapping, origin)
    keys.only(_ALL_KEYS)
    pattern = keys.get("pattern", '"grid"')
    if not isinstance(pattern, str) or pattern not in _KEYS:
        raise keys.fail("pattern", f"is {_shown(pattern)}", f"choose one of {', '.join(_KEYS)}")
    for key in mapping:
        if key not in (*_COMMON, *_KEYS[pattern]):
            owner = next(p for p, theirs in _KEYS.items() if key in theirs)
            raise keys.fail(key, f'does not belong to pattern "{pattern}"', f'remove it, or set pattern = "{owner}"')
    name = keys.text("name", "my lid")
    hole = keys.length("hole_mm", keys.get("hole_mm", "34.0"), HOLE_MM, "34.0")
    layouts: dict[str, Callable[[_Keys, float], tuple[list[str], npt.NDArray[np.float64], float]]] = {
        "grid": _rows,
        "staggered": _rows,
        "ring": _ring,
        "points": _points,
    }
    labels, sites, area = layouts[pattern](keys, hole)
    if len(sites) > 1:
        distance = np.linalg.norm(sites[:, None] - sites[None], axis=2) + np.diag(np.full(len(sites), np.inf))
        i, j = np.unravel_index(distance.argmin(), distance.shape)
        if distance[i, j] <= hole:
            raise LidError(
                origin,
                f"the holes of {labels[i]} and {labels[j]} overlap: centres {distance[i, j]:.1f} mm apart, "
                f'"hole_mm" is {hole:g}',
                "give distances from centre to centre and the hole's diameter",
            )
    return Lid(name, pattern, tuple(labels), sites, hole, area, _tags(keys), dict(mapping))


def _rows(keys: _Keys, hole: float) -> tuple[list[str], npt.NDArray[np.float64], float]:
    rows = keys.whole("rows", 1, MAX_SITES, "3")
    columns = keys.whole("columns", 1, MAX_SITES, "5")
    if rows * columns > MAX_SITES:
        raise keys.fail("rows", f'times "columns" makes {rows * columns} sites', f"a lid has at most {MAX_SITES}")
    pitch = keys.get("pitch_mm", "[62.0, 68.0]")
    if not isinstance(pitch, (list, tuple)) or len(pitch) != 2:
        mend = "write two numbers, [along a row, between rows]"
        raise keys.fail("pitch_mm", f"is {_shown(pitch)}", mend)
    along, between = (keys.length("pitch_mm", value, LENGTH_MM, "[62.0, 68.0]") for value in pitch)
    staggered = keys.mapping["pattern"] == "staggered"
    if along <= hole or (between <= hole and not staggered):
        raise keys.fail(
            "pitch_mm",
            f'is [{along:g}, {between:g}], not wider than "hole_mm" = {hole:g}: the holes would overlap',
            "measure from centre to centre, and the hole's diameter inside the collar",
        )
    shift = 0.0
    if staggered:
        shift = keys.length(
            "stagger_mm", keys.get("stagger_mm", f"{along / 2:g}"), (0.1, LENGTH_MM[1]), f"{along / 2:g}"
        )
        if shift >= along:
            raise keys.fail("stagger_mm", f"is {shift:g}", f"give less than the pitch along a row, {along:g}")
    sites = [(column * along + (row % 2) * shift, row * between) for row in range(rows) for column in range(columns)]
    labels = [f"{_row_letters(row)}{column + 1}" for row in range(rows) for column in range(columns)]
    return labels, np.array(sites, float), along * between


def _ring(keys: _Keys, hole: float) -> tuple[list[str], npt.NDArray[np.float64], float]:
    centre = keys.mapping.get("centre_site", False)
    if not isinstance(centre, bool):
        raise keys.fail("centre_site", f"is {_shown(centre)}", "write true or false")
    n = keys.whole("ring_sites", 2, MAX_SITES - centre, "6")
    radius = keys.length("ring_mm", keys.get("ring_mm", "150.0"), LENGTH_MM, "150.0") / 2
    turn = 2 * np.pi * np.arange(n) / n
    sites = radius * np.column_stack([np.sin(turn), -np.cos(turn)])
    labels = [f"B{k + 1}" for k in range(n)]
    if centre:
        labels, sites = ["A1", *labels], np.vstack([np.zeros(2), sites])
    return labels, sites, _free_area(sites, hole)


def _points(keys: _Keys, hole: float) -> tuple[list[str], npt.NDArray[np.float64], float]:
    example = "[[0, 0], [62, 0]]"
    points = keys.get("points_mm", example)
    if not isinstance(points, (list, tuple)) or not points:
        raise keys.fail("points_mm", f"is {_shown(points)}", f"write a list of places such as {example}")
    for number, point in enumerate(points, 1):
        if not isinstance(point, (list, tuple)) or len(point) != 2 or not all(map(_is_number, point)):
            raise keys.fail(
                "points_mm", f"has {_shown(point)} as place {number}", "write each place as [x, y] in millimetres"
            )
        if max(map(abs, point)) > LENGTH_MM[1]:
            raise keys.fail("points_mm", f"has {_shown(point)} as place {number}", f"stay within {LENGTH_MM[1]:g} mm")
    if len(points) > MAX_SITES:
        raise keys.fail("points_mm", f"has {len(points)} places", f"a lid has at most {MAX_SITES} sites")
    labels = keys.mapping.get("labels", [f"A{k + 1}" for k in range(len(points))])
    if not isinstance(labels, (list, tuple)) or len(labels) != len(points):
        count = f"has {len(labels)} labels" if isinstance(labels, (list, tuple)) else f"is {_shown(labels)}"
        raise keys.fail("labels", count, f'"points_mm" has {len(points)} places: give as many, or leave "labels" out')
    seen: set[str] = set()
    for label in labels:
        if not isinstance(label, str) or not re.fullmatch(r"\w[\w.-]{0,11}", label):
            raise keys.fail("labels", f"has {_shown(label)}", "a label is up to 12 letters and digits, without spaces")
        if label.casefold() in seen:
            raise keys.fail("labels", f'has "{label}" twice', "give each site a label of its own")
        seen.add(label.casefold())
    sites = np.array(points, float)
    return list(labels), sites, _free_area(sites, hole)


def _free_area(sites: npt.NDArray[np.float64], hole: float) -> float:
    return float((_nearest(sites) ** 2).mean()) if len(sites) > 1 else (2 * hole) ** 2


def _tags(keys: _Keys) -> Tags | None:
    if "tags" not in keys.mapping:
        return None
    table = keys.mapping["tags"]
    if not isinstance(table, Mapping):
        raise keys.fail("tags", f"is {_shown(table)}, not a table", "write [tags] on a line of its own, its keys below")
    tags = _Keys(table, keys.origin, prefix="tags.")
    tags.only(_TAG_KEYS)
    family = tags.text("family", "4x4_50")
    if family not in TAG_FAMILIES:
        near = difflib.get_close_matches(family, TAG_FAMILIES, n=1)
        raise tags.fail(
            "family", f"is {_shown(family)}", f'did you mean "{near[0]}"?' if near else 'write family = "4x4_50"'
        )
    size = tags.length("size_mm", tags.get("size_mm", "20.0"), TAG_MM, "20.0")
    ids = tags.get("ids", "[0, 1, 2, 3]")
    count = int(family.partition("_")[2])
    if not isinstance(ids, (list, tuple)) or not ids:
        raise tags.fail("ids", f"is {_shown(ids)}", "write the numbers of the tags on the lid, such as [0, 1, 2, 3]")
    for number in ids:
        if not isinstance(number, int) or isinstance(number, bool) or not 0 <= number < count:
            raise tags.fail("ids", f"has {_shown(number)}", f"the numbers of family {family} run from 0 to {count - 1}")
    if len(set(ids)) != len(ids):
        raise tags.fail(
            "ids", f"is {_shown(list(ids))}, with a number twice", "each tag on a lid needs a number of its own"
        )
    return Tags(family, size, tuple(ids))
