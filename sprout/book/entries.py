"""Readings made by hand, from a CSV file as a spreadsheet writes it."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from sprout import columns
from sprout.errors import UsageError
from sprout.plugs import site_named

_MOST_BYTES = 20_000_000
_REQUIRED = ("date", "site", "seedlings")
_LARGEST = {"seedlings": 400.0, "tissue_cm2": 1e5, "yellow_pct": 100.0, "dry_pct": 100.0}


def read_entries(file: Path | str, labels: Sequence[str]) -> list[dict[str, Any]]:
    """The file's rows, keys as in ``columns.ENTRIES``; other columns are left alone.

    Commas, semicolons or tabs separate; with semicolons or tabs a number may have a decimal comma.

    Raises
    ------
    UsageError
        If the file cannot be read, or a row is at fault; the message names the line.
    """
    file = Path(file)
    try:
        if file.exists() and not file.is_file():
            raise UsageError(file, "is not a file", "name a CSV file")
        if file.exists() and file.stat().st_size > _MOST_BYTES:
            raise UsageError(file, "is too long for readings made by hand", "name a CSV file")
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except OSError as e:
        raise UsageError(file, f"cannot be read ({e.strerror or e})", "check the name") from None
    except UnicodeDecodeError:
        raise UsageError(file, "is not UTF-8 text", "save it as CSV in UTF-8") from None
    try:
        return _entries(file, lines, labels)
    except csv.Error as e:
        raise UsageError(file, f"is no CSV file ({e})", "save it as CSV in UTF-8") from None


def _entries(file: Path, lines: list[str], labels: Sequence[str]) -> list[dict[str, Any]]:
    head = lines[0] if lines else ""
    separator = max(",;\t", key=head.count)
    reader = csv.DictReader(lines, delimiter=separator)
    names = {name.strip().lower(): name for name in reader.fieldnames or () if name}
    missing = [name for name in _REQUIRED if name not in names]
    if missing:
        mend = f"the first line must name {', '.join(_REQUIRED)}"
        raise UsageError(file, f"has no column {' or '.join(missing)}", mend)
    out = []
    for row in reader:
        where = f"{file}, line {reader.line_num}"
        values = {c.name: (row.get(names.get(c.name, "")) or "").strip()[:80] for c in columns.ENTRIES}
        if any(values.values()):
            out.append(_entry(values, where, labels, comma=separator != ","))
    return out


def _entry(values: dict[str, str], where: str, labels: Sequence[str], *, comma: bool) -> dict[str, Any]:
    try:
        day = date.fromisoformat(values["date"])
    except ValueError:
        raise UsageError(where, f'"{values["date"]}" is not a date', "write it as YYYY-MM-DD") from None
    try:
        site = site_named(values["site"], labels)
    except UsageError as e:
        raise UsageError(where, f'site "{values["site"]}": {e.wrong}', e.mend) from None
    entry: dict[str, Any] = {"date": day.isoformat(), "site": site}
    for name, largest in _LARGEST.items():
        text = values[name].replace(",", ".") if comma else values[name]
        if not text and name != "seedlings":
            continue
        try:
            number = float(text)
        except ValueError:
            raise UsageError(where, f'{name} "{values[name]}" is not a number', "correct it") from None
        if not 0 <= number <= largest:
            raise UsageError(where, f"{name} {number:g} is out of range", f"give 0 to {largest:g}")
        entry[name] = number
    if entry["seedlings"] != int(entry["seedlings"]):
        raise UsageError(where, f"{entry['seedlings']:g} seedlings", "give a whole number")
    entry["seedlings"] = int(entry["seedlings"])
    return entry
