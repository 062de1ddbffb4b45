"""The README says what the code does: its tables are made from the code, its commands run.

``python tests/test_docs.py`` writes the tables anew.
"""

from __future__ import annotations

import re
import shlex
import sys
from collections.abc import Iterator
from dataclasses import fields
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import typer

from sprout import errors
from sprout.calibration import crops
from sprout.cli import app
from sprout.columns import TABLES
from sprout.flags import FLAGS
from sprout.settings import Settings

ROOT = Path(__file__).parents[1]
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
GENERATED = re.compile(r"(<!-- made from the code: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)
WHERE = {
    "readings": "`sprout measure --csv`: a row per photo and site",
    "cover": "`sprout cover --csv`: a row per photo",
    "days": "`sprout table --of days`: a row per plug and day, after the whole series is weighed",
    "plugs": "`sprout table --of plugs`: a row per plug",
    "grow": "`sprout table --of grow`: a row per day for the whole lid",
    "germination": "`sprout table --of germination`: a row per crop, as a seed test reports it",
    "curve": "`sprout table --of curve`: a row per crop and day, plugs up by then",
    "growth": "`sprout table --of growth`: a row per plug that is up, and per crop",
    "health": "`sprout table --of health`: a row per standing plug, its leaf against its own first weeks",
    "compared": "`sprout compare --csv`: a row per book, or per value of a label",
    "compared days": "`sprout compare --curves`: a row per book and day after sowing",
    "photos": "`sprout table --of photos`: a row per photo in the book",
    "entries": "what `sprout enter` reads",
}


def commands() -> dict[str, Any]:
    """Every command by its full name, such as ``note move``, in the order of the help."""
    found: dict[str, Any] = {}

    def walk(prefix: str, group: Any) -> None:
        for name, command in group.commands.items():
            if hasattr(command, "commands"):
                walk(f"{prefix}{name} ", command)
            else:
                found[prefix + name] = command

    walk("", typer.main.get_command(app))
    return found


def options(command: Any) -> list[Any]:
    return [p for p in command.params if p.param_type_name == "option" and p.name != "help"]


def table(*rows: tuple[object, ...]) -> str:
    lines = ["| " + " | ".join(str(cell).replace("|", "\\|").replace("\n", " ") for cell in row) + " |" for row in rows]
    lines.insert(1, "|" + " --- |" * len(rows[0]))
    return "\n".join(lines) + "\n"


def _usage(name: str, command: Any) -> str:
    words = ["sprout", *name.split()]
    if name.startswith("note "):
        words.insert(2, "BOOK")
    for p in command.params:
        if p.param_type_name == "argument":
            words.append((p.metavar or p.name.upper()).replace("'", ""))
        elif p.required:
            words.append(f"{p.opts[0]} {p.metavar or 'N'}")
    return " ".join(words)


def _default(option: Any) -> str:
    value = option.default
    if callable(value) or value in (None, False, "", ()):
        return ""
    return f"`{value}`" if isinstance(value, (int, float, str)) else ""


def made_commands() -> str:
    parts = []
    for name, command in commands().items():
        parts.append(f"### `{_usage(name, command)}`\n\n{' '.join((command.help or '').split())}\n")
        rows = []
        for option in options(command):
            spelt = " / ".join(f"`{o}`" for o in (*option.opts, *option.secondary_opts))
            takes = "" if option.is_flag else f" {option.metavar or 'N'}"
            rows.append((spelt + takes, option.help or "", "must be given" if option.required else _default(option)))
        if rows:
            parts.append(table(("option", "what it does", "if left out"), *rows))
    return "\n".join(parts)


def made_columns() -> str:
    parts = []
    for name, where in WHERE.items():
        rows = [(f"`{c.name}`", c.unit, c.meaning) for c in TABLES[name]]
        parts.append(f"### {where}\n\n" + table(("column", "unit", "meaning"), *rows))
    return "\n".join(parts)


def made_flags() -> str:
    return table(("flag", "meaning", "what to do"), *((f"`{f.name}`", f.meaning, f.mend) for f in FLAGS.values()))


def made_settings() -> str:
    text = re.sub(r"\s+", " ", (Settings.__doc__ or "").split("----------")[1])
    starts = [(f.name, text.index(f" {f.name}")) for f in fields(Settings)]
    ends = [start for _, start in starts[1:]] + [len(text)]
    rows = []
    for f, (name, start), end in zip(fields(Settings), starts, ends, strict=True):
        meaning = text[start:end].partition(":")[2].strip()
        rows.append((f"`{name}`", f"`{f.default}`", meaning))
    return table(("setting", "value", "meaning"), *rows)


def made_crops() -> str:
    rows = []
    for crop in crops().values():
        first = "" if crop.first_count_day is None else crop.first_count_day
        days = f"{first}–{crop.final_count_day}" if first else f"–{crop.final_count_day}"
        sources = sorted({s.provenance for s in crop.sources["final_count_day"]})
        rows.append((crop.name, ", ".join(crop.aliases), days, ", ".join(sources)))
    return table(("crop", "also found as", "days of a seed test, first and final count", "provenance"), *rows)


MAKERS = {
    "commands": made_commands,
    "columns": made_columns,
    "flags": made_flags,
    "settings": made_settings,
    "crops": made_crops,
}


def remade(text: str) -> str:
    return GENERATED.sub(lambda m: f"{m[1]}\n{MAKERS[m[2]]()}\n{m[3]}", text)


def spoken_commands(text: str) -> Iterator[str]:
    """Every ``sprout …`` that stands in backticks or in a block of code."""
    blocks = re.findall(r"```\w*\n(.*?)```", text, re.DOTALL)
    inline = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    for line in (*(x for block in blocks for x in block.splitlines()), *inline):
        for part in re.split(r"&&|#|;", line):
            words = part.strip()
            if re.match(r"(\.venv/bin/)?sprout\s", words):
                yield words


def test_generated_parts_are_up_to_date() -> None:
    text = README.read_text("utf-8")
    assert {m[1] for m in GENERATED.findall(text)} == set(MAKERS)
    assert remade(text) == text, "run: python tests/test_docs.py"


@pytest.mark.parametrize("path", [README, DEVELOPERS], ids=lambda p: p.name)
def test_spoken_commands_and_options_exist(path: Path) -> None:
    known = commands()
    spoken = list(spoken_commands(path.read_text("utf-8")))
    assert spoken or path is DEVELOPERS
    for line in spoken:
        words = shlex.split(line.replace("…", "").replace("’", ""))[1:]
        name = f"note {words[2]}" if words[0] == "note" and len(words) > 2 else words[0]
        name = f"book {words[1]}" if words[0] == "book" else name
        if name in ("--version", "--help", "--install-completion", "COMMAND"):
            continue
        assert name in known, f"{path.name}: {line}"
        offered = {o for option in options(known[name]) for o in (*option.opts, *option.secondary_opts)} | {"--help"}
        for word in words:
            if word.startswith("--"):
                assert word.partition("=")[0] in offered, f"{path.name}: {line}"


def test_every_option_says_what_it_does() -> None:
    for name, command in commands().items():
        assert command.help, name
        for option in options(command):
            assert option.help, f"{name} {option.opts}"


def test_every_exit_status_is_explained() -> None:
    text = README.read_text("utf-8")
    section = text[text.index("## Exit status") :]
    explained = {int(n) for n in re.findall(r"^\| (\d+) \|", section, re.MULTILINE)}
    classes = [c for c in vars(errors).values() if isinstance(c, type) and issubclass(c, errors.SproutError)]
    assert explained == {c.exit_code for c in classes} | {0, 4, 130}


def test_the_readme_opens_with_the_job_and_two_commands() -> None:
    text = README.read_text("utf-8")
    opening = text.split("## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", opening, re.DOTALL)
    assert len(blocks) == 2
    assert all(block.count("\n") == 1 for block in blocks)
    assert all(block.startswith("python3 -m venv .venv && ") for block in blocks)
    assert blocks[0].endswith("sprout demo\n")
    assert "pytest" in blocks[1]
    paragraph = next(p for p in opening.split("\n\n") if p and not p.startswith("#"))
    assert 300 < len(paragraph) < 1500


def test_headings_do_not_skip_a_level() -> None:
    outside = re.sub(r"```.*?```", "", README.read_text("utf-8"), flags=re.DOTALL)
    levels = [len(m) for m in re.findall(r"^(#+) ", outside, re.MULTILINE)]
    assert levels[0] == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))


@pytest.mark.parametrize("path", [README, DEVELOPERS], ids=lambda p: p.name)
def test_files_that_are_named_exist(path: Path) -> None:
    for name in re.findall(r"`((?:sprout|calibration|tests|sample_images|\.ci)/[\w./-]*)`", path.read_text("utf-8")):
        assert (ROOT / name).exists(), f"{path.name}: {name}"
    for name in re.findall(r"\]\((?!http)([^)#]+)\)", path.read_text("utf-8")):
        assert (ROOT / name).exists(), f"{path.name}: {name}"


if __name__ == "__main__":
    README.write_text(remade(README.read_text("utf-8")), "utf-8")
    sys.stdout.write(f"{README} written\n")
