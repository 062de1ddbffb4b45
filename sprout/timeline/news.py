"""What is new between two days of looking."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping
    from typing import Any

    import pandas as pd

    Row = Mapping[Hashable, Any]

_SICK_PCT = 10.0  # a share of yellowing or dry tissue that is worth a word, and its least rise


@dataclass(frozen=True)
class Change:
    """One thing that is new: the plug and its site, a kind, and a sentence.

    Kinds: ``sprouted``, ``more``, ``fewer``, ``gone``, ``yellowing``, ``drying``, ``algae``, ``moved``.
    """

    plug: str
    site: str
    kind: str
    text: str


def changes(days: pd.DataFrame, *, on: str | None = None) -> list[Change]:
    """What is new on a day (ISO date; the last one if not given) against the look before, plug by plug.

    ``days`` has ``columns.DAYS``. An empty table, or a plug's first look, gives nothing but new sprouts.
    """
    if days.empty:
        return []
    on = on or str(days["date"].max())
    found: list[Change] = []
    for plug, rows in days[days["date"] <= on].groupby("plug", sort=False):
        history = rows.sort_values("date").to_dict("records")
        now = history[-1]
        if now["date"] != on:
            continue
        before = history[-2] if len(history) > 1 else None
        found += [Change(str(plug), now["site"], *words) for words in _differences(now, before)]
    return found


def _differences(now: Row, before: Row | None) -> list[tuple[str, str]]:
    out = []
    was_up = before is not None and before["status"] == "sprouted"
    is_up = now["status"] == "sprouted"
    if before is not None and before["site"] != now["site"]:
        out.append(("moved", f"moved here from {before['site']}"))
    if is_up and not was_up:
        out.append(("sprouted", f"sprouted: {_seedlings(now)}"))
    elif is_up and before is not None:
        more = int(now["seedlings"]) - int(before["seedlings"])
        if more:
            out.append(("more" if more > 0 else "fewer", f"{_seedlings(now)}, was {before['seedlings']}"))
    elif was_up and now["status"] == "empty":
        out.append(("gone", "nothing shows any more"))
    for kind, name, word in (("yellowing", "yellow_pct", "yellowing"), ("drying", "dry_pct", "dry")):
        value, old = float(now[name]), float(before[name]) if before is not None else 0.0
        if is_up and value >= _SICK_PCT and value - (0.0 if isnan(old) else old) >= _SICK_PCT:
            out.append((kind, f"{value:.0f} % of the tissue is {word}"))
    if now["algae"] == "yes" and (before is None or before["algae"] != "yes"):
        out.append(("algae", "algae on the plug"))
    return out


def _seedlings(row: Row) -> str:
    return f"{row['seedlings']} seedling{'' if row['seedlings'] == 1 else 's'}"
