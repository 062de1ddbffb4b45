"""The report: everything about a grow on one page that needs no network and no other file."""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from math import isnan
from typing import TYPE_CHECKING, Any

from sprout import columns
from sprout.report import figures, words
from sprout.settings import VERSION

if TYPE_CHECKING:
    import jinja2
    import pandas as pd

    from sprout.columns import Column
    from sprout.evidence import Evidence
    from sprout.lid import Lid
    from sprout.outlook import Outlook
    from sprout.report.views import DayView, Grid, Picture
    from sprout.timeline import Weighed

_STRIP_PX = 480
_STRIP_QUALITY, _TODAY_QUALITY = 70, 85
_SICK_PCT = 10.0
_RING = 0.62  # radius of a site's sign, in hole diameters
# Columns that a person wants in the report's tables; the others are in `sprout table`.
_GERMINATION = (
    "plugs", "plugs_up", "plugs_up_pct", "plugs_wilson_low_pct", "plugs_wilson_high_pct", "seeds", "seeds_up",
    "seeds_up_pct", "seeds_wilson_low_pct", "seeds_wilson_high_pct", "mean_days", "t50_fit_days", "t50_fit_se_days",
    "final_fit_pct", "final_fit_se_pct", "speed_per_day", "synchrony",
)  # fmt: skip
_GROWTH = ("crop", "site", "looks", "tissue_cm2", "growth_per_day", "growth_se_per_day", "doubling_days")
_DAYS = (
    "date", "day", "plug", "site", "status", "p_sprouted", "seedlings", "seedlings_low", "seedlings_high", "tissue_cm2",
    "yellow_pct", "dry_pct", "algae", "flags", "basis",
)  # fmt: skip
_UNITS = {"cm2": "cm²", "d": "days", "1/d": "per day", "%/d": "% per day", "%": "%"}


@dataclass(frozen=True)
class Table:
    """A table of the page: caption, headings as (words, meaning), rows of cells.

    ``numbers`` says which columns stand to the right; a ``wordy`` table's last column holds sentences.
    """

    caption: str
    heads: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[bool, ...]
    wordy: bool = False


@dataclass(frozen=True)
class Site:
    """A site on the picture of the lid, in the picture's pixels."""

    x: float
    y: float
    r: float
    label: str
    status: str
    sign: str
    amiss: str


def html_report(
    evidence: Evidence,
    weighed: Weighed,
    ahead: Outlook,
    lid: Lid,
    *,
    photos: pd.DataFrame,
    views: Iterable[DayView] = (),
    grid: Grid | None = None,
    made: datetime | None = None,
) -> str:
    """The page as HTML.

    Parameters
    ----------
    evidence, weighed, ahead:
        What was known on the day of the outlook, and what was made of it.
    photos:
        Table with ``columns.PHOTOS``, up to that day.
    views, grid:
        The straightened views on their grid.
    made:
        When the page was made; now if not given.
    """
    from sprout.care.cautions import cautions, cautions_for
    from sprout.growth.canopy import canopies
    from sprout.outlook import curve_table, germination_table, growth_table
    from sprout.outlook.ahead import pickings

    days, plugs, grow = weighed.days, weighed.plugs, weighed.grow
    sites = dict(zip(plugs["plug"], plugs["site"], strict=True))
    canopy = canopies(days, plugs, picks=pickings(evidence))
    shown = list(views)
    subjects = {about for task in ahead.to_do for about in task.about}
    first = cautions_for(subjects)
    return str(
        _template().render(
            title=lid.name,
            crops=_listed(plugs["crop"].unique()),
            ahead=ahead,
            sown=evidence.sown,
            last=grow.iloc[-1].to_dict() if len(grow) else None,
            last_day=date.fromisoformat(grow["date"].iloc[-1]) if len(grow) else None,
            now=[t for t in ahead.to_do if t.when <= ahead.as_of],
            later=[t for t in ahead.to_do if t.when > ahead.as_of],
            lid=_today(lid, weighed, shown, grid),
            plugs=_plug_table(weighed, ahead),
            curves=figures.germination(curve_table(weighed), days, ahead) if len(days) else [],
            germination=_upright(germination_table(weighed)),
            canopy=figures.canopy(canopy, days, sites),
            cover=figures.cover(grow, ahead, evidence.sown),
            growth=_chosen(growth_table(weighed, evidence), columns.GROWTH, _GROWTH, "Growth over the last week"),
            coming=figures.to_come(ahead),
            health=figures.health(days),
            notes=[(private(str(n)), private(n.comment)) for n in evidence.notes],
            strip=[_frame(view, grow, evidence.sown) for view in shown],
            grow=_chosen(grow, columns.GROW, [c.name for c in columns.GROW], "The whole lid by day"),
            days=_chosen(days, columns.DAYS, _DAYS, "Every plug by day, after the whole series is weighed"),
            unread=[(file_name(r["photo"]), r["date"], private(r["reason"])) for r in _unread(photos)],
            stray=[private(s) for s in weighed.stray],
            found_by=_listed(sorted({r["fit_by"] for r in photos.to_dict("records") if r["fit_by"]})),
            cautions=[*first, *(c for c in cautions() if c not in first)],
            temperature_c=evidence.temperature_c,
            reservoir_litres=evidence.reservoir_litres,
            made=made or datetime.now(),
            version=VERSION,
            words=words,
            isnan=isnan,
        )
    )


def file_name(path: str) -> str:
    """A file's own name: where it lay is nobody's business."""
    return re.split(r"[\\/]", path)[-1]


_ROOT = r"(?:/(?=[^/\s]+/)|[A-Za-z]:[\\/]|\\\\)"
_PATHS = re.compile(rf"(?<=['\"]){_ROOT}[^'\"]+|(?:(?<=[\s(=])|^){_ROOT}[^\s'\":;,)]+")


def private(text: str) -> str:
    """A text with every absolute path in it cut down to the file's name."""
    return _PATHS.sub(lambda m: file_name(m[0]), text)


@cache
def _template() -> jinja2.Template:
    import jinja2

    loader = jinja2.PackageLoader("sprout.report", "templates")
    environment = jinja2.Environment(
        loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.get_template("report.html")


def _listed(items: Iterable[str]) -> str:
    return ", ".join(map(str, items))


def _unread(photos: pd.DataFrame) -> list[Mapping[Any, Any]]:
    return [row for row in photos.to_dict("records") if row["reason"]]


# pictures


def _data_uri(rgb: Picture, *, quality: int, long_px: int | None = None) -> str:
    from PIL import Image

    picture = Image.fromarray(rgb)
    if long_px is not None:
        picture.thumbnail((long_px, long_px))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, optimize=True)
    return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode()}"


def _today(lid: Lid, weighed: Weighed, views: Sequence[DayView], grid: Grid | None) -> dict[str, Any] | None:
    """The last view with a sign for every site: as a picture, and in words."""
    if grid is None or not views or not len(weighed.days):
        return None
    at = dict(zip(lid.labels, grid.place(lid.sites_mm), strict=True))
    last = {row["plug"]: row for row in weighed.days.to_dict("records")}
    r = _RING * lid.hole_mm * grid.px_per_mm
    sites = []
    for row in weighed.plugs.to_dict("records"):
        look = last.get(row["plug"])
        if not row["site"] or look is None:
            continue
        sign = {"sprouted": str(look["seedlings"]), "empty": "0", "hidden": "H"}.get(look["status"], "?")
        x, y = at[row["site"]]
        sites.append(Site(float(x), float(y), r, row["site"], look["status"], sign, _amiss(look)))
    view = views[-1]
    return {
        "image": _data_uri(view.rgb, quality=_TODAY_QUALITY),
        "date": view.date,
        "width": grid.size[1],
        "height": grid.size[0],
        "sites": sites,
        "alt": _in_words(sites),
    }


def _amiss(look: Mapping[Any, Any]) -> str:
    if look["algae"] == "yes":
        return "algae"
    return next((word for word in ("dry", "yellow") if look[f"{word}_pct"] >= _SICK_PCT), "")


def _in_words(sites: Sequence[Site]) -> str:
    told = []
    for status, word in (("sprouted", "up"), ("empty", "empty"), ("unsure", "unsure"), ("hidden", "hidden")):
        labels = [s.label for s in sites if s.status == status]
        if labels:
            told.append(f"{word}: {', '.join(labels)}")
    amiss = [f"{s.label} {s.amiss}" for s in sites if s.amiss]
    return "; ".join([*told, *([f"amiss: {', '.join(amiss)}"] if amiss else [])])


def _frame(view: DayView, grow: pd.DataFrame, sown: date) -> dict[str, Any]:
    """A picture of the strip with its words."""
    rows = grow[grow["date"] == view.date.isoformat()].to_dict("records")
    up = f"{rows[0]['sprouted']} up, {words.plural(int(rows[0]['seedlings']), 'seedling')}" if rows else ""
    uri = _data_uri(view.rgb, quality=_STRIP_QUALITY, long_px=_STRIP_PX)
    return {"image": uri, "day": (view.date - sown).days, "date": view.date, "up": up}


# tables


def _head(column: Column) -> tuple[str, str]:
    """A column's name in words with its unit, and its meaning."""
    parts = column.name.split("_")
    unit = _UNITS.get(column.unit, column.unit)
    endings = {"cm2": ["cm2"], "%": ["pct"], "d": ["days"], "1/d": ["per", "day"], "%/d": ["pct", "per", "day"]}
    ending = endings.get(column.unit, [])
    if ending and parts[-len(ending) :] == ending and len(parts) > len(ending):
        parts = parts[: -len(ending)]
        return f"{' '.join(parts)}, {unit}", column.meaning
    return " ".join(parts), column.meaning


def _cell(value: Any, column: Column) -> str:
    import pandas as pd

    if pd.isna(value):
        return ""
    return f"{value:.{column.decimals}f}" if column.kind == "float" else str(value)


def _chosen(table: pd.DataFrame, declared: Sequence[Column], names: Sequence[str], caption: str) -> Table:
    by_name = {c.name: c for c in declared}
    chosen = [by_name[name] for name in names]
    cells = [[_cell(value, c) for value in table[c.name]] for c in chosen]
    rows = tuple(zip(*cells, strict=True)) if len(table) else ()
    return Table(caption, tuple(map(_head, chosen)), rows, tuple(c.kind in ("int", "float") for c in chosen))


def _upright(table: pd.DataFrame) -> Table:
    """Germination figures: a row per figure, a column per crop."""
    by_name = {c.name: c for c in columns.GERMINATION}
    rows = [
        (_head(by_name[name])[0], *(_cell(v, by_name[name]) for v in table[name]), by_name[name].meaning)
        for name in _GERMINATION
    ]
    crops = [(str(name), "") for name in table["crop"]]
    heads = (("figure", ""), *crops, ("meaning", ""))
    return Table("Germination figures", heads, tuple(rows), (False, *(True for _ in crops), False), wordy=True)


def _plug_table(weighed: Weighed, ahead: Outlook) -> Table:
    """Every plug with what is to come of it."""
    alone = weighed.plugs["crop"].nunique() == 1
    heads = (
        ("site", "where it stands today"),
        *(() if alone else (("crop", "what was sown"),)),
        ("status", "after the whole series is weighed"),
        ("seedlings", "most likely number today, of the seeds sown"),
        ("up on day", "first look that shows a sprout, and between which days it came up"),
        ("leaf, cm²", "visible tissue at the last look"),
        ("would come", "chance that a still empty plug sprouts yet"),
        ("keep until", "day from which that chance is too small to wait"),
        ("pick", "with the range that holds the truth nine times in ten"),
        ("advice", "what to do; the reasons are under To do"),
    )
    states = {row["plug"]: row for row in weighed.plugs.to_dict("records")}
    rows = []
    for plug in ahead.plugs:
        state = states[plug.plug]
        pick = plug.next_pick if plug.next_pick.mid else plug.first_pick
        name = plug.site if plug.site == plug.plug else f"{plug.site or 'taken out'} (plug {plug.plug})"
        counted = "" if plug.seedlings is None or not plug.site else f"{plug.seedlings} of {state['seeds']}"
        rows.append(
            (
                name,
                *(() if alone else (plug.crop,)),
                plug.status,
                counted,
                _up_on(state),
                "" if isnan(state["tissue_cm2"]) else f"{state['tissue_cm2']:.1f}",
                "" if isnan(plug.p_yet) else words.chance(plug.p_yet),
                "" if plug.give_up_on is None else words.short(plug.give_up_on),
                "" if pick.mid is None else words.day_span(pick, ahead.as_of),
                "" if plug.advice == "nothing" else plug.advice,
            )
        )
    numbers = tuple(head in ("seedlings", "up on day", "leaf, cm²") for head, _ in heads)
    return Table("Every plug today", heads, tuple(rows), numbers)


def _up_on(state: Mapping[Any, Any]) -> str:
    import pandas as pd

    if pd.isna(state["day_sprouted"]):
        return ""
    low, high = state["day_sprouted_low"], state["day_sprouted_high"]
    return f"{state['day_sprouted']} ({low:.0f} to {high:.0f})"
