"""Stage 11, several grows -> lined up by days after sowing, tested, and said in plain words."""

from sprout.comparison.compare import Compared, Group, Pair, compare_grows
from sprout.comparison.grown import Grown, grouped, grown
from sprout.comparison.tables import as_json, day_table, group_table

__all__ = [
    "Compared",
    "Group",
    "Grown",
    "Pair",
    "as_json",
    "compare_grows",
    "day_table",
    "group_table",
    "grouped",
    "grown",
]
