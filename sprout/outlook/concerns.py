"""What may be amiss: yellow and dry leaf against a plug's own first weeks, and leaf that went at once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from sprout.growth.health import HealthWarning, health_warnings, loss_warnings
from sprout.outlook.records import Concern

if TYPE_CHECKING:
    from sprout.growth.canopy import Canopy
    from sprout.timeline import Weighed

_SHARED = {"touching", "overhung"}  # flags of leaf whose border with a neighbour's is estimated
_WORDS = {"yellow": "yellowing", "dry": "drying"}


def concerns(weighed: Weighed, canopies: Sequence[Canopy], *, as_of: date) -> tuple[Concern, ...]:
    """What the last looks at the standing plugs warn of."""
    days = weighed.days[weighed.days["plug"].isin({c.plug for c in canopies})]
    lost = (w for w in loss_warnings(canopies, as_of=as_of) if not _border_shifted(w, weighed))
    return tuple(Concern(w.kind, w.plugs, w.since, _shows(w), w.causes) for w in (*health_warnings(days), *lost))


def _shows(warning: HealthWarning) -> str:
    if warning.kind == "loss":
        return f"{100 - warning.now_pct:.0f} % of the leaf went by {warning.since}"
    return (
        f"{_WORDS[warning.kind]} since {warning.since}, {warning.now_pct:.0f} % of the leaf against "
        f"{warning.before_pct:.0f} % in the first weeks"
    )


def _border_shifted(warning: HealthWarning, weighed: Weighed) -> bool:
    """Whether lost leaf may have been given to a neighbour: they touch, and the lid as a whole lost less."""
    days = weighed.days[(weighed.days["plug"] == warning.plugs[0]) & weighed.days["tissue_cm2"].notna()]
    until = days[days["date"] <= warning.since.isoformat()].tail(2)
    if len(until) < 2 or not any(_SHARED & set(flags.split()) for flags in until["flags"]):
        return False
    total = weighed.grow.set_index("date")["tissue_cm2"].reindex(until["date"])
    lost, lost_in_all = (float(x.iloc[0] - x.iloc[1]) for x in (until["tissue_cm2"], total))
    return not lost_in_all > lost / 2
