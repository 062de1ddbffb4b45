"""The usual cautions, from ``calibration/cautions.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from sprout.calibration import Source
from sprout.files import shipped


@dataclass(frozen=True)
class Caution:
    """One caution: its name, the subjects it applies to, its words and where they come from."""

    name: str
    applies: tuple[str, ...]
    text: str
    source: Source


@cache
def cautions() -> tuple[Caution, ...]:
    """All cautions in the file's order."""
    entries = tomllib.loads((shipped("calibration") / "cautions.toml").read_text(encoding="utf-8"))
    return tuple(
        Caution(name, tuple(e["applies"]), e["text"], Source(e["source"], e["provenance"]))
        for name, e in entries.items()
    )


def cautions_for(subjects: Iterable[str]) -> tuple[Caution, ...]:
    """The cautions that apply to any of the subjects (``feed``, ``topup``, ``pick`` …), each once."""
    wanted = set(subjects)
    return tuple(c for c in cautions() if wanted & set(c.applies))
