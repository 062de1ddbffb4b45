"""Yellow and dry leaf over time, each plug against its own first weeks.

A camera sees that leaves turn yellow or dry, not why. A warning names what growers check first and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isnan, nan
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from sprout.growth.canopy import Canopy

_FIRST_DAYS = 14  # a plug's own first weeks, from its first leaf
_LEAST_CM2 = 1.0  # on less leaf a share in % says little
_RISE_PCT = 8.0
_NOISES = 4.0
_LOOKS = 3

# Causes in the order to check them, for one plug and for most of the lid (common practice).
_CAUSES = {
    ("yellow", False): ("old leaves, the lowest turn first", "hungry: seedlings crowd in this plug", "lamp too close"),
    ("yellow", True): ("hungry: feed is due or too weak", "lamp too close or too long", "dry reservoir"),
    ("dry", False): ("the plug does not reach the water", "old leaves", "lamp too close"),
    ("dry", True): ("dry reservoir", "lamp too close", "draught or hot air"),
}
_LOSS_CAUSES = ("picked but not noted", "wilted: dry reservoir or a plug off the water", "eaten or damped off")
_RECENT_DAYS = 7
_WORDS = {"yellow": "yellowing", "dry": "drying"}


@dataclass(frozen=True)
class HealthWarning:
    """More yellow or dry leaf than in a plug's own first weeks.

    Attributes
    ----------
    kind:
        ``yellow``, ``dry`` or ``loss`` (leaf that went at once with no picking noted).
    plugs:
        The plugs concerned.
    since:
        The look since which it has lasted (the earliest of the plugs').
    before_pct, now_pct:
        Share of the leaf in the first weeks and at the last looks, in %, of the plug that rose most; of a loss, the
        leaf before it (100) and what was left.
    causes:
        What may be behind it, in the order to check.
    text:
        All of that in one sentence.
    """

    kind: str
    plugs: tuple[str, ...]
    since: date
    before_pct: float
    now_pct: float
    causes: tuple[str, ...]
    text: str


def health_warnings(days: pd.DataFrame) -> tuple[HealthWarning, ...]:
    """Warnings at the last look; none where a plug has too few looks to know its own normal.

    A plug is warned of when the median of its last three looks, and the last look itself, lie 8 % points and four
    times its own scatter above the median of its first two weeks with leaf. When that holds for half the plugs with
    leaf or more, and for three at least, it is one warning for the lid.

    Parameters
    ----------
    days:
        Table with ``columns.DAYS``, up to the day concerned.
    """
    groups = [(str(plug), rows) for plug, rows in _leafy(days).groupby("plug")]
    found = []
    for kind in _WORDS:
        raised = [(plug, rise) for plug, rows in groups if (rise := _rise(rows, f"{kind}_pct")) is not None]
        together = len(raised) >= max(3, len(groups) / 2)
        for some in [raised] if together else [[one] for one in raised]:
            found.append(_warning(kind, some, together))
    return tuple(found)


def loss_warnings(plugs: Sequence[Canopy], *, as_of: date) -> tuple[HealthWarning, ...]:
    """Sudden losses of leaf within the last week that no noted picking explains, one warning a plug."""
    found = []
    for canopy in plugs:
        for loss in canopy.losses:
            if loss.picked_on is None and (as_of - loss.by).days < _RECENT_DAYS:
                sure = "" if loss.sure else " (one or two looks only)"
                text = (
                    f"{canopy.plug}: {100 * loss.share:.0f} % of the leaf went between {loss.after} and {loss.by}"
                    f"{sure}; may be {', or '.join(_LOSS_CAUSES)}"
                )
                left = 100 * (1 - loss.share)
                found.append(HealthWarning("loss", (canopy.plug,), loss.by, 100.0, left, _LOSS_CAUSES, text))
    return tuple(found)


def health_table(days: pd.DataFrame, canopies: Sequence[Canopy], *, as_of: date) -> pd.DataFrame:
    """Each plug against its own first weeks: ``columns.HEALTH``, a row per plug of ``canopies``.

    Parameters
    ----------
    days:
        Table with ``columns.DAYS``, up to ``as_of``.
    canopies:
        The standing plugs' leaf, for losses that no picking explains.
    """
    from sprout import columns

    standing = [c.plug for c in canopies]
    warnings = (*health_warnings(days[days["plug"].isin(standing)]), *loss_warnings(canopies, as_of=as_of))
    sites = days.sort_values("day", kind="stable").groupby("plug")["site"].last()
    leafy = {str(plug): rows for plug, rows in _leafy(days).groupby("plug")}
    table = []
    for plug in standing:
        mine = [w for w in warnings if plug in w.plugs]
        row: dict[str, Any] = {"plug": plug, "site": sites.get(plug, ""), "looks": 0}
        if (rows := leafy.get(plug)) is not None:
            row["looks"] = len(rows)
            for kind in _WORDS:
                series = _Series.of(rows, f"{kind}_pct")
                row |= {f"{kind}_before_pct": series.before, f"{kind}_now_pct": series.now}
        if mine:
            row["warning"] = " ".join(w.kind for w in mine)
            row["since"] = min(w.since for w in mine).isoformat()
            row["check"] = "; ".join(dict.fromkeys(cause for w in mine for cause in w.causes))
        table.append(row)
    return columns.frame(table, columns.HEALTH)


def _leafy(days: pd.DataFrame) -> pd.DataFrame:
    """The looks that show leaf enough for a share in % to say something."""
    return days[(days["status"] != "hidden") & (days["tissue_cm2"] >= _LEAST_CM2)].sort_values("day", kind="stable")


@dataclass(frozen=True, eq=False)
class _Series:
    """One plug's share of yellow or dry leaf: the looks, and its medians young and now (NaN with too few looks)."""

    dates: list[date]
    share: npt.NDArray[np.float64]
    before: float
    scatter: float
    now: float

    @classmethod
    def of(cls, rows: pd.DataFrame, column: str) -> _Series:
        rows = rows[rows[column].notna()]
        dates = [date.fromisoformat(d) for d in rows["date"]]
        share = rows[column].to_numpy(dtype=float)
        young = np.array([d < dates[0] + timedelta(days=_FIRST_DAYS) for d in dates], dtype=bool)
        young[-_LOOKS:] = False
        if share.size < 2 * _LOOKS or young.sum() < _LOOKS:
            return cls(dates, share, nan, nan, nan)
        before = float(np.median(share[young]))
        scatter = 1.4826 * float(np.median(np.abs(share[young] - before)))
        return cls(dates, share, before, scatter, float(np.median(share[-_LOOKS:])))


def _rise(rows: pd.DataFrame, column: str) -> tuple[float, float, date] | None:
    """(before, now, since) of one plug, None if it is as it was."""
    series = _Series.of(rows, column)
    if isnan(series.before):
        return None
    limit = series.before + max(_RISE_PCT, _NOISES * series.scatter)
    if series.now < limit or series.share[-1] < limit:
        return None
    below = np.flatnonzero(series.share < limit)
    return series.before, series.now, series.dates[int(below[-1]) + 1]


def _warning(kind: str, raised: list[tuple[str, tuple[float, float, date]]], together: bool) -> HealthWarning:
    plugs = tuple(plug for plug, _ in raised)
    before, now, _ = max((rise for _, rise in raised), key=lambda rise: rise[1] - rise[0])
    since, causes = min(rise[2] for _, rise in raised), _CAUSES[kind, together]
    text = (
        f"{', '.join(plugs)}: {_WORDS[kind]} since {since}, {now:.0f} % of the leaf against {before:.0f} % in the "
        f"first weeks; may be {', or '.join(causes)}"
    )
    return HealthWarning(kind, plugs, since, before, now, causes, text)
