"""Every table's columns, declared once: they drive the frames, the CSV, the database, the headings and the docs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Column:
    """A column: name, kind (``text``, ``int``, ``float``, ``bool``), unit ("" if none), meaning, decimals shown."""

    name: str
    kind: str
    unit: str
    meaning: str
    decimals: int = 2


def _t(*rows: tuple[Any, ...]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


_PHOTO = _t(
    ("photo", "text", "", "path as given"),
    ("taken_at", "text", "ISO 8601", "when the photo was taken (EXIF), empty if unknown"),
    ("readable", "text", "", "yes or no"),
    ("reason", "text", "", "why it could not be read, in words a grower can act on"),
)
_HEALTH = _t(
    ("yellow_pct", "float", "%", "share of the tissue that is yellowing", 1),
    ("dry_pct", "float", "%", "share of the tissue that is dried up or brown", 1),
)

READINGS = (
    *_PHOTO,
    *_t(
        ("site", "text", "", "label of the site"),
        ("u_px", "float", "px", "the site's centre in upright pixels of the full-size photo, x to the right", 2),
        ("v_px", "float", "px", "the site's centre in upright pixels of the full-size photo, y downwards", 2),
        ("status", "text", "", "empty, sprouted, unsure or hidden"),
        ("p_sprouted", "float", "", "probability that at least one seedling stands in the site", 4),
        ("seedlings", "int", "", "most likely number of seedlings"),
        ("seedlings_low", "int", "", "low end of the range that holds the true number nine times in ten"),
        ("seedlings_high", "int", "", "high end of that range"),
        ("tissue_cm2", "float", "cm2", "visible plant tissue of this site, on the lid's plane", 3),
        ("cover_pct", "float", "%", "the same as a share of the lid's area per site", 2),
    ),
    *_HEALTH,
    *_t(
        ("algae", "text", "", "yes or no: green film on the plug itself"),
        ("flags", "text", "", "flags, separated by spaces"),
        ("fit_mm", "float", "mm", "root-mean-square error of the lid's registration", 3),
        ("fit_by", "text", "", "how the lid was found"),
    ),
)
SITE_READINGS = READINGS[len(_PHOTO) :]

COVER = (
    *_PHOTO,
    *_t(("cover_pct", "float", "%", "share of the frame covered by plant tissue", 2)),
    *_HEALTH,
    *_t(("flags", "text", "", "flags, separated by spaces")),
)

DAYS = (
    *_t(
        ("date", "text", "ISO 8601", "date of the photo or entry"),
        ("day", "int", "d", "whole days since this plug was sown"),
        ("plug", "text", "", "the plug, named after the site it started in"),
        ("site", "text", "", "where the plug stood that day"),
        ("status", "text", "", "empty, sprouted, unsure or hidden, after the whole series is weighed"),
        ("p_sprouted", "float", "", "probability that at least one seedling stands in the plug", 4),
        ("seedlings", "int", "", "most likely number of seedlings"),
        ("seedlings_low", "int", "", "low end of the range that holds the true number nine times in ten"),
        ("seedlings_high", "int", "", "high end of that range"),
        ("tissue_cm2", "float", "cm2", "visible plant tissue on the lid's plane", 3),
        ("cover_pct", "float", "%", "the same as a share of the lid's area per site", 2),
    ),
    *_HEALTH,
    *_t(
        ("algae", "text", "", "yes or no: green film on the plug itself"),
        ("flags", "text", "", "flags, separated by spaces"),
        ("basis", "text", "", "what the row rests on: photo, entry or correction"),
        ("photo", "text", "", "the photo's path, empty for an entry by hand"),
    ),
)

PLUG_STATES = _t(
    ("plug", "text", "", "the plug, named after the site it started in"),
    ("site", "text", "", "where it stands today, empty once retired"),
    ("crop", "text", "", "what was sown"),
    ("seeds", "int", "", "seeds sown"),
    ("sown", "text", "ISO 8601", "the day this plug was sown, from which its days are counted"),
    ("status", "text", "", "empty, sprouted, unsure, hidden or retired"),
    ("first_sprouted", "text", "ISO 8601", "date of the first look that shows a sprout"),
    ("day_sprouted", "int", "d", "the same in whole days since sowing"),
    ("day_sprouted_low", "float", "d", "it cannot well have come up before this day", 1),
    ("day_sprouted_high", "float", "d", "it was up by this day", 1),
    ("seedlings", "int", "", "most likely number of seedlings today"),
    ("tissue_cm2", "float", "cm2", "visible plant tissue at the last look", 3),
)

PLUGS = (
    *PLUG_STATES,
    *_t(
        ("p_yet", "float", "", "chance that an empty plug sprouts yet; of one in doubt, that it is up or comes yet", 4),
        ("give_up_on", "text", "ISO 8601", "day on which that chance, if it stays empty, has become too small to wait"),
        ("advice", "text", "", "what to do with the plug"),
        ("advice_why", "text", "", "the reason in one sentence"),
    ),
)

GROW = _t(
    ("date", "text", "ISO 8601", "date of the look"),
    ("day", "int", "d", "whole days since sowing"),
    ("plugs", "int", "", "plugs standing in the lid"),
    ("sprouted", "int", "", "plugs with at least one seedling"),
    ("seedlings", "int", "", "seedlings in all"),
    ("cover_pct", "float", "%", "share of the lid's area covered by tissue", 2),
    ("tissue_cm2", "float", "cm2", "visible tissue in all", 2),
)

GERMINATION = _t(
    ("crop", "text", "", "the crop, or all for the whole lid"),
    ("plugs", "int", "", "plugs looked at, retired ones too"),
    ("plugs_up", "int", "", "plugs that came up"),
    ("plugs_up_pct", "float", "%", "plugs that came up, of the plugs looked at", 1),
    ("plugs_wilson_low_pct", "float", "%", "low end of its 95 % interval after Wilson", 1),
    ("plugs_wilson_high_pct", "float", "%", "high end", 1),
    ("plugs_jeffreys_low_pct", "float", "%", "low end of its 95 % interval after Jeffreys", 1),
    ("plugs_jeffreys_high_pct", "float", "%", "high end", 1),
    ("seeds", "int", "", "seeds sown in these plugs"),
    ("seeds_up", "int", "", "seeds that gave a seedling; of a seed with several germs one counts"),
    ("seeds_up_pct", "float", "%", "seeds that gave a seedling, of the seeds sown", 1),
    ("seeds_wilson_low_pct", "float", "%", "low end of its 95 % interval after Wilson, for seeds that share sites", 1),
    ("seeds_wilson_high_pct", "float", "%", "high end", 1),
    ("seeds_jeffreys_low_pct", "float", "%", "low end of its 95 % interval after Jeffreys, likewise", 1),
    ("seeds_jeffreys_high_pct", "float", "%", "high end", 1),
    ("dispersion", "float", "", "how much more plugs differ than seeds by chance alone (1: no more)", 2),
    ("mean_days", "float", "d", "mean germination time of the plugs' first seedlings", 2),
    ("variance_days2", "float", "d2", "its variance", 2),
    ("velocity_pct_per_day", "float", "%/d", "coefficient of velocity, 100 over the mean time", 2),
    ("speed_per_day", "float", "1/d", "speed: sum of plugs over their day", 3),
    ("t50_coolbear_days", "float", "d", "half of those that came up, after Coolbear and others", 2),
    ("t50_farooq_days", "float", "d", "the same after Farooq and others", 2),
    ("t50_fit_days", "float", "d", "the same by the time-to-event model fitted to the looks", 2),
    ("t50_fit_se_days", "float", "d", "its standard error", 2),
    ("final_fit_pct", "float", "%", "plugs that come up in the end by that model", 1),
    ("final_fit_se_pct", "float", "%", "its standard error", 1),
    ("timson_pct_days", "float", "% d", "sum of the daily shares up, to the last look", 0),
    ("uncertainty_bit", "float", "bit", "uncertainty of the day (0: all on one day)", 3),
    ("synchrony", "float", "", "synchrony (1: all on one day)", 3),
    ("mean_daily_pct", "float", "%/d", "mean daily germination", 2),
    ("peak_value_pct_per_day", "float", "%/d", "peak value: greatest share up over its day", 2),
    ("germination_value", "float", "", "their product", 2),
)

CURVE = _t(
    ("crop", "text", "", "the crop, or all for the whole lid"),
    ("day", "int", "d", "whole days since sowing"),
    ("up_pct", "float", "%", "plugs up by that day, from the looks alone (Turnbull)", 1),
    ("low_pct", "float", "%", "low end of its 95 % interval", 1),
    ("high_pct", "float", "%", "high end", 1),
    ("fit_pct", "float", "%", "the same by the time-to-event model with a share that never comes", 1),
)

GROWTH = _t(
    ("crop", "text", "", "the crop"),
    ("plug", "text", "", "the plug; empty for all plugs of the crop together"),
    ("site", "text", "", "where it stands today"),
    ("looks", "int", "", "looks that measured leaf, since it came up or was last picked"),
    ("tissue_cm2", "float", "cm2", "leaf at the last of them", 2),
    ("model", "text", "", "growth curve that fits best: logistic, gompertz or expolinear; empty below six looks"),
    ("limit_cm2", "float", "cm2", "leaf it tends to; of expolinear growth cm2 a day in the end", 1),
    ("rate_per_day", "float", "1/d", "relative growth rate at the start of that curve", 3),
    ("misfit", "float", "", "standard deviation of the looks about it, as a share of the leaf", 3),
    ("growth_per_day", "float", "1/d", "relative growth rate over the last week: mean of the logarithms, unbiased", 3),
    ("growth_se_per_day", "float", "1/d", "its standard error, from the plugs' scatter", 3),
    ("classical_per_day", "float", "1/d", "the same from the logarithm of the mean", 3),
    ("doubling_days", "float", "d", "days in which leaf doubles at that rate", 1),
)

COMPARED = _t(
    ("group", "text", "", "the book, or the label's value"),
    ("books", "int", "", "books taken together"),
    ("crop", "text", "", "what was sown"),
    (
        "day",
        "int",
        "d",
        "day of the last look, counted from sowing",
    ),
    ("plugs", "int", "", "plugs looked at"),
    ("up", "int", "", "of those, up"),
    ("up_pct", "float", "%", "the same as a share", 1),
    ("up_low_pct", "float", "%", "low end of its 95 % interval (Wilson)", 1),
    ("up_high_pct", "float", "%", "high end of that interval", 1),
    ("seeds", "int", "", "seeds sown in those plugs"),
    ("seeds_up", "int", "", "seeds that gave a seedling by the last look"),
    ("seeds_up_pct", "float", "%", "the same as a share", 1),
    ("t50_days", "float", "d", "day by which half of those were up that came up at all", 2),
    ("t50_low_days", "float", "d", "low end of its 95 % interval", 2),
    ("t50_high_days", "float", "d", "high end of that interval", 2),
    ("leaf_day", "int", "d", "day of the last look at leaf, of all its books"),
    ("leaf_plugs", "int", "", "plugs that tell about leaf on that day"),
    ("leaf_cm2", "float", "cm2", "leaf of the mean plug (geometric mean)", 2),
    ("leaf_low_cm2", "float", "cm2", "low end of its 95 % interval", 2),
    ("leaf_high_cm2", "float", "cm2", "high end of that interval", 2),
    ("growth_per_day", "float", "1/d", "relative growth rate of leaf", 4),
    ("growth_low_per_day", "float", "1/d", "low end of its 95 % interval", 4),
    ("growth_high_per_day", "float", "1/d", "high end of that interval", 4),
)

COMPARED_DAYS = _t(
    ("group", "text", "", "the book, or the label's value"),
    ("day", "int", "d", "days after sowing"),
    ("up_pct", "float", "%", "share of plugs up by that day (Turnbull)", 1),
    ("up_low_pct", "float", "%", "low end of its 95 % interval", 1),
    ("up_high_pct", "float", "%", "high end of that interval", 1),
    ("leaf_plugs", "int", "", "plugs that tell about leaf on that day"),
    ("leaf_cm2", "float", "cm2", "leaf of the mean plug (geometric mean)", 2),
    ("leaf_low_cm2", "float", "cm2", "low end of its 95 % interval", 2),
    ("leaf_high_cm2", "float", "cm2", "high end of that interval", 2),
)

HEALTH = _t(
    ("plug", "text", "", "the plug"),
    ("site", "text", "", "where it stood at its last look"),
    ("looks", "int", "", "looks that show enough leaf to tell"),
    ("yellow_before_pct", "float", "%", "yellowing share in its own first two weeks with leaf (median)", 1),
    ("yellow_now_pct", "float", "%", "the same at its last three looks", 1),
    ("dry_before_pct", "float", "%", "dry share in its own first two weeks with leaf (median)", 1),
    ("dry_now_pct", "float", "%", "the same at its last three looks", 1),
    ("warning", "text", "", "yellow, dry or loss, separated by spaces; empty if it is as it was"),
    ("since", "text", "ISO 8601", "the look since which that has lasted"),
    ("check", "text", "", "what may be behind it, in the order to check; a camera cannot tell which"),
)

ENTRIES = _t(
    ("date", "text", "ISO 8601", "date of the look"),
    ("site", "text", "", "label of the site"),
    ("seedlings", "int", "", "seedlings counted"),
    ("tissue_cm2", "float", "cm2", "tissue measured (may be left out)", 3),
    ("yellow_pct", "float", "%", "yellowing share (may be left out)", 1),
    ("dry_pct", "float", "%", "dry share (may be left out)", 1),
)

LOOKS = (
    *_t(
        ("sha256", "text", "", "the photo's identity"),
        ("date", "text", "ISO 8601", "local date of the photo"),
        ("moment", "text", "ISO 8601", "local wall time of the photo, noon where only the date is known"),
        ("photo", "text", "", "path as given"),
    ),
    *SITE_READINGS,
)

FIXES = _t(
    ("date", "text", "ISO 8601", "date of the look that is corrected"),
    ("site", "text", "", "label of the site"),
    ("status", "text", "", "empty or sprouted, empty if the status is not corrected"),
    ("seedlings", "int", "", "true number of seedlings"),
    ("tissue_cm2", "float", "cm2", "true tissue", 3),
    ("yellow_pct", "float", "%", "true yellowing share", 1),
    ("dry_pct", "float", "%", "true dry share", 1),
)

PHOTOS = _t(
    ("date", "text", "ISO 8601", "local date of the photo"),
    ("photo", "text", "", "path as given"),
    ("taken_at", "text", "ISO 8601", "when the photo was taken (EXIF), empty if unknown"),
    ("readable", "text", "", "yes or no"),
    ("reason", "text", "", "why it could not be read, in words a grower can act on"),
    ("fit_mm", "float", "mm", "root-mean-square error of the lid's registration", 3),
    ("fit_by", "text", "", "how the lid was found"),
    ("sha256", "text", "", "the photo's identity"),
    ("view", "text", "", "file of its straightened view in the book"),
    ("view_x_mm", "float", "mm", "the lid's x at the centre of the view's first pixel", 2),
    ("view_y_mm", "float", "mm", "the lid's y at the centre of the view's first pixel", 2),
    ("view_px_per_mm", "float", "px/mm", "scale of the view", 4),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "readings": READINGS,
    "cover": COVER,
    "days": DAYS,
    "plugs": PLUGS,
    "grow": GROW,
    "germination": GERMINATION,
    "curve": CURVE,
    "growth": GROWTH,
    "photos": PHOTOS,
    "compared": COMPARED,
    "compared days": COMPARED_DAYS,
    "health": HEALTH,
    "entries": ENTRIES,
}

_DTYPES = {"text": "object", "int": "Int64", "float": "float64", "bool": "boolean"}


def frame(rows: Iterable[Mapping[str, Any]], columns: tuple[Column, ...]) -> pd.DataFrame:
    """A DataFrame with exactly these columns and dtypes; what a row does not give is missing. May be empty."""
    import pandas as pd

    table = pd.DataFrame(list(rows), columns=[c.name for c in columns])
    for c in columns:
        if c.kind == "text":
            table[c.name] = table[c.name].astype("object").where(table[c.name].notna(), "")
        else:
            table[c.name] = pd.to_numeric(table[c.name]).astype(_DTYPES[c.kind])  # type: ignore[call-overload]
    return table


def to_csv(table: pd.DataFrame, columns: tuple[Column, ...]) -> str:
    """CSV text of a table, each number with its column's decimals, missing values empty."""
    import pandas as pd

    out = pd.DataFrame(index=table.index)
    for c in columns:
        values = table[c.name]
        out[c.name] = (
            values.map(lambda v, d=c.decimals: "" if pd.isna(v) else f"{v:.{d}f}") if c.kind == "float" else values
        )
    return str(out.to_csv(index=False, lineterminator="\n"))
