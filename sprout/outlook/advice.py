"""Plain rules: what to do with a plug, and why, in one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sprout.calibration import Crop

# Common practice throughout; the crop's own numbers come from the calibration tables.
_THIN_AFTER_DAYS = 7
_FEED_AFTER_DAYS = 7
_FEED_EVERY_DAYS = 14
_SICK_PCT = 15.0


@dataclass(frozen=True)
class Condition:
    """What the rules look at; days are counted from the plug's sowing.

    Attributes
    ----------
    day:
        Day of the last look, None if nobody has looked yet.
    fed_day:
        Day on which the reservoir was last fed, None if never.
    p_yet, give_up_on, why_empty:
        Of the germination forecast.
    give_up_below:
        Chance below which an empty plug is given up.
    pick_from:
        Day from which its leaf is worth picking (again).
    concerns:
        The warnings that name the plug.
    """

    status: str
    as_of: date
    day: int | None = None
    day_sprouted: int | None = None
    seedlings: int = 0
    yellow_pct: float = 0.0
    dry_pct: float = 0.0
    fed_day: int | None = None
    p_yet: float = 1.0
    give_up_below: float = 0.2
    give_up_on: date | None = None
    why_empty: str = ""
    pick_from: date | None = None
    concerns: tuple[str, ...] = ()


def advise(plug: Condition, crop: Crop) -> tuple[str, str]:
    """Advice and its reason."""
    if plug.status == "retired":
        return "", "it was taken out"
    if plug.day is None:
        return "take a photo", "nobody has looked yet"
    if plug.status == "unsure":
        return "look closer", "the looks so far leave open whether something came up; sprout fix settles it"
    if plug.status == "hidden":
        return "look under the leaves", "another plant covers the site"
    if plug.status == "empty":
        return _advise_empty(plug)
    return _advise_sprouted(plug, crop, plug.day)


def _advise_empty(plug: Condition) -> tuple[str, str]:
    if plug.day_sprouted is not None:
        return "resow or close the hole", f"what came up on day {plug.day_sprouted} is gone"
    if plug.p_yet < plug.give_up_below:
        return "give up", plug.why_empty
    if plug.give_up_on is not None and plug.give_up_on <= plug.as_of:
        # nobody has looked for long enough: it may be up by now
        return "look again", f"it was empty on day {plug.day}; if it still is, give it up"
    return "wait", plug.why_empty


def _advise_sprouted(plug: Condition, crop: Crop, day: int) -> tuple[str, str]:
    up = day - (plug.day_sprouted if plug.day_sprouted is not None else day)
    if plug.concerns:
        return "look it over", "; ".join(plug.concerns)
    if plug.dry_pct >= _SICK_PCT:
        return "check the water", f"{plug.dry_pct:.0f} % of its tissue is dry"
    if plug.seedlings > crop.keep and up >= _THIN_AFTER_DAYS:
        return f"thin to {crop.keep}", f"{plug.seedlings} seedlings share the site and {crop.name} wants {crop.keep}"
    fed = plug.fed_day is not None and day - plug.fed_day < _FEED_EVERY_DAYS
    if plug.yellow_pct >= _SICK_PCT:
        return "check food and light" if fed else "feed", f"{plug.yellow_pct:.0f} % of its tissue is yellowing"
    if plug.pick_from is not None and plug.pick_from <= plug.as_of:
        return "pick", crop.pick
    if up >= _FEED_AFTER_DAYS and not fed:
        return "feed", "it has been up for a week or more and used up its seed; no feed is noted in the last 14 days"
    return "nothing", "it is growing on"
