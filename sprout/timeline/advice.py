"""Plain rules: what to do with a plug, and why, in one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sprout.calibration import Crop

# Common practice throughout; the crop's own numbers come from the calibration tables.
_GIVE_UP_BELOW = 0.10
_THIN_AFTER_DAYS = 7
_FEED_AFTER_DAYS = 7
_FEED_EVERY_DAYS = 14
_SICK_PCT = 15.0


@dataclass(frozen=True)
class Condition:
    """What the rules look at: the plug after the whole series is weighed.

    Days are counted from the plug's sowing; ``day`` is that of the last look, None if nobody has looked yet.
    ``fed_day`` is the last time the reservoir was fed, None if never.
    """

    status: str
    day: int | None
    day_sprouted: int | None
    p_sprouted: float
    p_yet: float
    seedlings: int
    yellow_pct: float
    dry_pct: float
    fed_day: int | None


def advise(plug: Condition, crop: Crop) -> tuple[str, str]:
    """Advice and its reason."""
    if plug.status == "retired":
        return "", "it was taken out"
    if plug.day is None:
        return "take a photo", "nobody has looked yet"
    if plug.status == "unsure":
        chance = f"the chance is {plug.p_sprouted:.0%}"
        return "look closer", f"the looks so far leave open whether something came up ({chance}); fix settles it"
    if plug.status == "hidden":
        return "look under the leaves", "another plant covers the site"
    if plug.status == "empty":
        return _advise_empty(plug, crop)
    return _advise_sprouted(plug, crop, plug.day)


def _advise_empty(plug: Condition, crop: Crop) -> tuple[str, str]:
    if plug.day_sprouted is not None:
        return "resow or close the hole", f"what came up on day {plug.day_sprouted} is gone"
    if plug.p_yet < _GIVE_UP_BELOW:
        return "give up", f"{crop.name} that comes at all is nearly always up by now: {plug.p_yet:.0%} chance left"
    return (
        "wait",
        f"{plug.p_yet:.0%} chance that it sprouts yet; seed tests of {crop.name} run {crop.final_count_day} days",
    )


def _advise_sprouted(plug: Condition, crop: Crop, day: int) -> tuple[str, str]:
    up = day - (plug.day_sprouted if plug.day_sprouted is not None else day)
    if plug.dry_pct >= _SICK_PCT:
        return "check the water", f"{plug.dry_pct:.0f} % of its tissue is dry"
    if plug.seedlings > crop.keep and up >= _THIN_AFTER_DAYS:
        return f"thin to {crop.keep}", f"{plug.seedlings} seedlings share the site and {crop.name} wants {crop.keep}"
    fed = plug.fed_day is not None and day - plug.fed_day < _FEED_EVERY_DAYS
    if plug.yellow_pct >= _SICK_PCT:
        return "check food and light" if fed else "feed", f"{plug.yellow_pct:.0f} % of its tissue is yellowing"
    if up >= _FEED_AFTER_DAYS and not fed:
        return "feed", "it has been up for a week or more and used up its seed; no feed is noted in the last 14 days"
    return "nothing", "it is growing on"
