"""A comparison as tables and as JSON."""

from __future__ import annotations

from math import isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np

from sprout import columns

if TYPE_CHECKING:
    import pandas as pd

    from sprout.comparison.compare import Compared, Estimate, Group
    from sprout.germination.compare import Alike


def group_table(compared: Compared) -> pd.DataFrame:
    """A row per group: ``columns.COMPARED``."""
    return columns.frame([_group_row(group) for group in compared.groups], columns.COMPARED)


def day_table(compared: Compared) -> pd.DataFrame:
    """A row per group and day after sowing up to its last look: ``columns.COMPARED_DAYS``."""
    return columns.frame([row for group in compared.groups for row in _day_rows(group)], columns.COMPARED_DAYS)


def as_json(compared: Compared) -> dict[str, Any]:
    """Everything, ready for JSON: what is not known is None."""
    return {
        "by": compared.by,
        "interval_level": 0.95,
        "groups": [
            {
                "group": group.name,
                "books": list(group.books),
                "crops": list(group.crops),
                "day": group.last_day,
                "plugs": group.plugs,
                "up": group.up,
                "up_pct": _span(group.up_pct),
                "seeds": group.by_seed.sown,
                "seeds_up": group.by_seed.germinated,
                "t50_days": _span(group.t50_days),
                "leaf_day": group.leaf_day,
                "leaf_plugs": group.leaf_plugs,
                "leaf_cm2": _span(group.leaf_cm2),
                "growth_per_day": _span(group.growth_per_day),
            }
            for group in compared.groups
        ],
        "together": _alike(compared.together),
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "day": pair.day,
                "up": list(pair.up),
                "plugs": list(pair.plugs),
                "up_difference_points": _span(pair.difference_pct),
                "germination": _alike(pair.alike),
                "p_germination": pair.p_germination,
                "leaf_day": pair.leaf_day,
                "leaf_ratio": None
                if pair.leaf is None
                else {"low": _known(pair.leaf.low), "mid": _known(pair.leaf.ratio), "high": _known(pair.leaf.high)},
                "p_leaf": pair.p_leaf,
            }
            for pair in compared.pairs
        ],
        "comparisons": compared.tests,
        "verdict": list(compared.verdict),
        "cautions": list(compared.cautions),
        "days": [{k: _known(v) for k, v in row.items()} for group in compared.groups for row in _day_rows(group)],
    }


def _group_row(group: Group) -> dict[str, Any]:
    return {
        "group": group.name,
        "books": len(group.books),
        "crop": ", ".join(group.crops),
        "day": group.last_day,
        "plugs": group.plugs,
        "up": group.up,
        **_three("up", "_pct", group.up_pct),
        "seeds": group.by_seed.sown,
        "seeds_up": group.by_seed.germinated,
        "seeds_up_pct": group.by_seed.pct,
        **_three("t50", "_days", group.t50_days),
        "leaf_day": group.leaf_day,
        "leaf_plugs": group.leaf_plugs,
        **_three("leaf", "_cm2", group.leaf_cm2),
        **_three("growth", "_per_day", group.growth_per_day),
    }


def _three(name: str, unit: str, value: Estimate) -> dict[str, float]:
    return {f"{name}{unit}": value.mid, f"{name}_low{unit}": value.low, f"{name}_high{unit}": value.high}


def _day_rows(group: Group) -> list[dict[str, Any]]:
    curve, leaf = group.curve, group.leaf
    if curve is None:
        return []
    rows = []
    for day in range(int(curve.days[-1]) + 1):
        k = int(np.searchsorted(curve.days, day, side="right")) - 1  # the share changes where a look showed it
        share, low, high = (float(values[k]) for values in (curve.share, curve.low, curve.high))
        told = day < leaf.days.size and leaf.plugs[day] > 0
        rows.append(
            {
                "group": group.name,
                "day": day,
                "up_pct": 100 * share,
                "up_low_pct": 100 * low,
                "up_high_pct": 100 * high,
                "leaf_plugs": int(leaf.plugs[day]) if told else 0,
                "leaf_cm2": float(leaf.area_cm2[day]) if told else nan,
                "leaf_low_cm2": float(leaf.low_cm2[day]) if told else nan,
                "leaf_high_cm2": float(leaf.high_cm2[day]) if told else nan,
            }
        )
    return rows


def _alike(test: Alike | None) -> dict[str, Any] | None:
    if test is None:
        return None
    return {
        "chi_squared": test.chi_squared,
        "degrees": test.degrees,
        "p_value": test.p_value,
        "p_permuted": test.p_permuted,
        "p_lids": _known(test.p_lids),
        "least_p_lids": _known(test.least_p_lids),
        "scores": test.scores,
    }


def _span(value: Estimate) -> dict[str, float | None]:
    return {name: _known(x) for name, x in value._asdict().items()}


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and not isfinite(value) else value
