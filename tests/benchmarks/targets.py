"""Figures of the back-tests beside what they should be."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf

Targets = Mapping[str, tuple[float, float]]


def met(value: float, target: tuple[float, float]) -> bool:
    """Whether a figure lies between the ends of its target."""
    return target[0] <= value <= target[1]


def print_tables(tables: Mapping[str, Mapping[str, float]], targets: Targets) -> None:
    """One line a figure, one column a table; figures that miss their target are marked."""
    print(f"{'':42s}" + "".join(f"{name:>12s}" for name in tables) + "   target")
    for figure in next(iter(tables.values())):
        target = targets.get(figure)
        values = [table[figure] for table in tables.values()]
        cells = "".join(f"{v:12.3f}" for v in values)
        print(f"{figure:42s}{cells}   {_words(target, values)}".rstrip())


def _words(target: tuple[float, float] | None, values: list[float]) -> str:
    if target is None:
        return ""
    low, high = target
    words = f"{low:g} to {high:g}" if -inf < low and high < inf else f"≤ {high:g}" if high < inf else f"≥ {low:g}"
    return f"{words}: {', '.join('met' if met(v, target) else 'MISSED' for v in values)}"
