"""One plug's leaf area over time, from the weighed series."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sprout.growth.picks import Loss, losses

if TYPE_CHECKING:
    import pandas as pd

FloatArray = npt.NDArray[np.float64]

_LEAST_CM2 = 0.001


@dataclass(frozen=True, eq=False)
class Canopy:
    """One plug's leaf area over time.

    Attributes
    ----------
    plug, crop:
        Its name, what was sown in it.
    sown:
        The day of sowing; days are counted from it.
    up_day:
        Day it came up, None while empty.
    days, areas_cm2:
        (m,) looks and the leaf area at each; only looks with leaf.
    picks:
        Days on which a picking was noted.
    """

    plug: str
    crop: str
    sown: date
    up_day: float | None
    days: FloatArray
    areas_cm2: FloatArray
    picks: tuple[int, ...] = ()

    @cached_property
    def losses(self) -> tuple[Loss, ...]:
        """Sudden losses of leaf, matched with the noted pickings."""
        dates, picks = ([self.sown + timedelta(days=int(d)) for d in days] for days in (self.days, self.picks))
        return losses(dates, self.areas_cm2, picks=picks)

    @property
    def grows_from(self) -> float:
        """Day of the look since which it has grown without a picking or another sure loss; as empty, 0."""
        # a sure loss nobody noted begins a new stretch as well, but it is no picking
        found = [loss for loss in self.losses if loss.sure or loss.picked_on]
        return float((found[-1].by - self.sown).days) if found else self.up_day or 0.0


def canopies(
    days: pd.DataFrame, plugs: pd.DataFrame, *, picks: Mapping[str, Sequence[date]] | None = None
) -> tuple[Canopy, ...]:
    """The leaf areas of every standing plug, in the order of ``plugs``.

    Parameters
    ----------
    days, plugs:
        Tables with ``columns.DAYS`` and ``columns.PLUG_STATES``. Looks that found the plug hidden are left out.
    picks:
        By plug: the dates of noted pickings.
    """
    seen = days[(days["status"] != "hidden") & (days["tissue_cm2"] >= _LEAST_CM2)].sort_values("day", kind="stable")
    seen = seen.drop_duplicates(["plug", "day"], keep="last")
    by_plug = {
        str(plug): (rows["day"].to_numpy(dtype=float), rows["tissue_cm2"].to_numpy(dtype=float))
        for plug, rows in seen.groupby("plug")
    }
    found = []
    for row, empty in zip(plugs.to_dict("records"), plugs["day_sprouted"].isna(), strict=True):
        if row["status"] == "retired":
            continue
        name, sown = str(row["plug"]), date.fromisoformat(str(row["sown"]))
        looks, areas = np.zeros(0), np.zeros(0)
        if not empty and name in by_plug:
            days_of, areas_of = by_plug[name]
            looks, areas = (x[days_of >= row["day_sprouted"]] for x in (days_of, areas_of))
        found.append(
            Canopy(
                plug=name,
                crop=str(row["crop"]),
                sown=sown,
                up_day=None if empty else float(row["day_sprouted"]),
                days=looks,
                areas_cm2=areas,
                # a picking noted for the whole lid is none of a plug that was still empty
                picks=()
                if empty
                else tuple(d for p in (picks or {}).get(name, ()) if (d := (p - sown).days) >= row["day_sprouted"]),
            )
        )
    return tuple(found)
