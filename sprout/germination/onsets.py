"""What the looks at each plug say about when it came up: an interval between two looks, or not yet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import inf
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

_SURE = 0.8  # p_sprouted beyond which a look counts as up, below 1 - which as empty


@dataclass(frozen=True)
class Onset:
    """One plug's evidence. Days are counted from the plug's own sowing.

    Attributes
    ----------
    plug, crop:
        Its name, what was sown in it.
    seeds:
        Seeds sown (fruits or balls where a crop's seed is one).
    sown:
        The day of sowing.
    empty_day:
        Day of the last look that showed it empty, 0 if there was none.
    up_day:
        Day of the first look that showed it up, ``inf`` if none did.
    p_up:
        Chance that it was up by ``up_day``: 1 for a sure finding, between for a doubtful last look.
    seedlings:
        The most seedlings seen at once, None if none were counted.
    seen_day:
        Day of the last look at it.
    standing:
        Whether it still stands in the lid.
    """

    plug: str
    crop: str
    seeds: int
    sown: date
    empty_day: float = 0.0
    up_day: float = inf
    p_up: float = 1.0
    seedlings: int | None = None
    seen_day: float = 0.0
    standing: bool = True

    @property
    def up(self) -> bool:
        """Whether it counts as up: sooner up than not."""
        return self.up_day < inf and self.p_up >= 0.5

    @property
    def doubtful(self) -> bool:
        """Whether its last looks leave open if it is up."""
        return self.up_day < inf and self.p_up < 1

    @property
    def looked_at(self) -> bool:
        """Whether any look says something about it."""
        return self.empty_day > 0 or self.up


def onsets(days: pd.DataFrame, plugs: pd.DataFrame) -> tuple[Onset, ...]:
    """Evidence of every plug, in the order of ``plugs``, from the weighed series.

    Parameters
    ----------
    days, plugs:
        Tables with ``columns.DAYS`` and ``columns.PLUG_STATES``. A look that found the plug hidden says nothing about
        it. A missing day is not a zero: it only widens the interval.
    """
    looks = days[(days["status"] != "hidden") & days["p_sprouted"].notna()].sort_values(["day"], kind="stable")
    by_plug = {
        str(plug): list(zip(group["day"], group["p_sprouted"], group["seedlings"].fillna(0), strict=True))
        for plug, group in looks.groupby("plug")
    }
    return tuple(
        _onset(
            by_plug.get(str(row["plug"]), []),
            Onset(
                plug=str(row["plug"]),
                crop=str(row["crop"]),
                seeds=int(row["seeds"]),
                sown=date.fromisoformat(str(row["sown"])),
                standing=row["status"] != "retired",
            ),
        )
        for row in plugs.to_dict("records")
    )


def _onset(looks: list[tuple[float, float, float]], bare: Onset) -> Onset:
    """Fill in days and number; ``looks`` are (day, p_sprouted, seedlings) in order of time."""
    sure = next((k for k, look in enumerate(looks) if look[1] > _SURE), None)
    before = looks if sure is None else looks[:sure]
    empty_day = max((float(day) for day, p, _ in before if p < 1 - _SURE), default=0.0)
    # doubtful looks after the last empty one; a look on day 0 or twice on one day bounds nothing
    later = [look for look in before if look[0] > empty_day]
    if sure is not None:
        day, _, _ = looks[sure]
        up_day, p_up = float(day), 1.0
    elif later:
        up_day, p_up = float(later[-1][0]), float(later[-1][1])
    else:
        up_day, p_up = inf, 1.0
    if up_day <= empty_day:
        empty_day = max(0.0, up_day - 1)
        up_day = max(up_day, 0.5)
    most = int(max((look[2] for look in looks), default=0))
    return Onset(
        plug=bare.plug,
        crop=bare.crop,
        seeds=bare.seeds,
        sown=bare.sown,
        empty_day=empty_day,
        up_day=up_day,
        p_up=p_up,
        seedlings=most if up_day < inf and most > 0 else None,
        seen_day=float(looks[-1][0]) if looks else 0.0,
        standing=bare.standing,
    )
