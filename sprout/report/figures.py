"""The report's figures. Each comes with words that say the same to who cannot see it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil, isnan
from typing import TYPE_CHECKING, Any

import numpy as np

from sprout.report.svg import INK, drawn, inline, parts, style
from sprout.report.words import day_span, plural, short

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sprout.growth.canopy import Canopy
    from sprout.outlook import Outlook
    from sprout.outlook.records import Days

_WIDE, _HIGH = 4.4, 2.5  # inches; a phone shows them about as large
_ALL = "all"
_CLOSED_PCT = 90.0  # as the forecast of closure has it
_MOST_ROWS = 60
_FAR_DAYS = 30  # what may come later still must not squeeze the rest of a figure


@dataclass(frozen=True)
class Drawing:
    """A figure as HTML text, and the words that belong below it."""

    svg: str
    caption: str


def germination(curve: pd.DataFrame, days: pd.DataFrame, ahead: Outlook) -> list[Drawing]:
    """Plugs up against days since sowing, one figure per crop: ``columns.CURVE``."""
    looks = np.unique(days["day"].to_numpy(dtype=float))
    groups = [(str(name), rows) for name, rows in curve.groupby("crop", sort=False)]
    out = []
    for number, (name, rows) in enumerate(groups):
        whole = len(groups) == 1 or name == _ALL
        with style():
            figure, axes = _panel("days since sowing", "plugs up, %", high=2.8)
            _germinated(axes, rows, looks[looks <= rows["day"].max()])
            if whole and ahead.grow.plugs:
                _in_the_end(axes, ahead, float(rows["day"].max()))
            axes.set(ylim=(0, 104))
            axes.legend(loc="lower right", fontsize=8)
            root = drawn(figure, prefix=f"germination{number}")
        last = rows.iloc[-1]
        what = "Whole lid" if name == _ALL else name.capitalize()
        alt = (
            f"{what}: {last['up_pct']:.0f} % of the plugs up by day {last['day']}, "
            f"95 % interval {last['low_pct']:.0f} to {last['high_pct']:.0f} %."
        )
        out.append(Drawing(inline(root, alt=alt), alt))
    return out


def _germinated(axes: Axes, rows: pd.DataFrame, looks: Any) -> None:
    day = rows["day"].to_numpy(dtype=float)
    up, low, high, fit = (rows[f"{k}_pct"].to_numpy(dtype=float) for k in ("up", "low", "high", "fit"))
    axes.fill_between(day, low, high, color=INK["band"], linewidth=0, label="95 % interval")
    axes.plot(day, up, color=INK["leaf"], linewidth=1.8, label="from the looks alone")
    if np.isfinite(fit).any():
        axes.plot(day, fit, color=INK["fit"], linewidth=1.4, linestyle=(0, (4, 2)), label="model")
    axes.plot(looks, np.full(looks.size, 1.2), "|", color=INK["ink"], markersize=5, label="a look")


def _in_the_end(axes: Axes, ahead: Outlook, last: float) -> None:
    """The forecast of the final share, beside the curve."""
    low, mid, high = (100 * v / ahead.grow.plugs for v in ahead.grow.sprouted_final)
    if isnan(mid):
        return
    at = last + max(1.0, 0.06 * last)
    axes.plot([at, at], [low, high], color=INK["fit"], linewidth=3, solid_capstyle="butt", label="in the end (90 %)")
    axes.plot([at], [mid], "o", color=INK["fit"], markersize=4.5)


def canopy(plugs: Sequence[Canopy], days: pd.DataFrame, sites: dict[str, str]) -> list[Drawing]:
    """Leaf against days since sowing, a small figure for each plug, all to one scale.

    ``days`` has ``columns.DAYS``; ``sites`` says where each plug stands.
    """
    shown = [c for c in plugs if c.days.size]
    if not shown:
        return []
    sick = _sick(days)
    top = _round_up(max(float(c.areas_cm2.max()) for c in shown))
    last = max(1.0, max(float(c.days.max()) for c in shown))
    across = min(6, len(shown))
    down = ceil(len(shown) / across)
    w, h = 1.5, 1.25  # inches of a cell
    from matplotlib.figure import Figure

    with style():
        figure = Figure(figsize=(across * w, down * h))
        boxes = {}
        for k, one in enumerate(shown):
            left, up = (k % across) * w, (k // across) * h
            place = (
                (left + 0.34) / (across * w),
                1 - (up + h - 0.24) / (down * h),
                1.06 / (across * w),
                0.72 / (down * h),
            )
            axes = figure.add_axes(place)
            axes.set_gid(f"canopy-{k}")
            _leaf(axes, one, sick.get(one.plug), top, last)
            axes.set_title(sites.get(one.plug) or one.plug, loc="left", pad=2)
            boxes[f"canopy-{k}"] = (72 * left, 72 * up, 72 * w, 72 * h)
        cells = parts(drawn(figure, prefix="canopy"), boxes)
    out = []
    for k, one in enumerate(shown):
        name = sites.get(one.plug) or one.plug
        alt = f"{name}: {one.areas_cm2[-1]:.1f} square centimetres of leaf on day {one.days[-1]:.0f}"
        noted = f", picked on day {', '.join(map(str, one.picks))}" if one.picks else ""
        out.append(Drawing(inline(cells[f"canopy-{k}"], alt=alt + noted), name))
    return out


def _leaf(axes: Axes, one: Canopy, sick: tuple[Any, Any] | None, top: float, last: float) -> None:
    if sick is not None:
        axes.fill_between(*sick, color=INK["sick"], linewidth=0, clip_on=False)
    axes.plot(one.days, one.areas_cm2, color=INK["leaf"], linewidth=1.4, marker="o", markersize=2.2, clip_on=False)
    for day in one.picks:
        axes.axvline(day, color=INK["ink"], linewidth=0.8, linestyle=(0, (1, 1.5)), clip_on=False)
    axes.set(xlim=(0, last), ylim=(0, top), xticks=[0, last], yticks=[0, top])
    axes.set_xticklabels(["0", f"day {last:.0f}"])
    axes.xaxis.get_ticklabels()[-1].set_horizontalalignment("right")
    axes.set_yticklabels(["0", f"{top:g}"])
    axes.tick_params(length=2, labelsize=8, pad=1.5)


def _sick(days: pd.DataFrame) -> dict[str, tuple[Any, Any]]:
    """By plug: days, and yellow and dry leaf in cm2."""
    seen = days[(days["status"] != "hidden") & days["tissue_cm2"].notna()]
    area = seen["tissue_cm2"] * (seen["yellow_pct"].fillna(0) + seen["dry_pct"].fillna(0)) / 100
    seen = seen.assign(sick_cm2=area)
    return {
        str(plug): (rows["day"].to_numpy(dtype=float), rows["sick_cm2"].to_numpy(dtype=float))
        for plug, rows in seen.groupby("plug")
        if rows["sick_cm2"].sum() > 0
    }


def cover(grow: pd.DataFrame, ahead: Outlook, sown: date) -> Drawing | None:
    """The lid's cover by leaf, and when it closes: ``columns.GROW``."""
    seen = grow[grow["cover_pct"].notna()]
    if len(seen) < 2:
        return None
    closure = ahead.lid.closure
    with style():
        figure, axes = _panel("days since sowing", "lid covered, %")
        day, share = seen["day"].to_numpy(dtype=float), seen["cover_pct"].to_numpy(dtype=float)
        axes.plot(day, share, color=INK["leaf"], linewidth=1.8, marker="o", markersize=3, label="seen")
        latest = float(day[-1]) + 2
        if closure.low and closure.mid and closure.high and closure.high > ahead.as_of:
            low, mid, high = ((d - sown).days for d in (closure.low, closure.mid, closure.high))
            latest = float(min(high + 2, max(mid, day[-1]) + _FAR_DAYS))
            axes.plot([low, high], [_CLOSED_PCT] * 2, color=INK["band"], linewidth=7, solid_capstyle="butt")
            axes.plot([mid], [_CLOSED_PCT], "o", color=INK["fit"], markersize=5, label="closes (90 % interval)")
        axes.set(ylim=(0, max(104.0, float(share.max()) * 1.05)), xlim=(0, latest))
        axes.legend(loc="lower right", fontsize=8)
        root = drawn(figure, prefix="cover")
    alt = f"Leaf covered {share[-1]:.0f} % of the lid on day {day[-1]:.0f}; closed: {day_span(closure, ahead.as_of)}."
    return Drawing(inline(root, alt=alt), alt)


def health(days: pd.DataFrame) -> Drawing | None:
    """Yellow and dry leaf, as a share of all the lid's leaf, against time: ``columns.DAYS``."""
    seen = days[(days["status"] != "hidden") & (days["tissue_cm2"] > 0) & days["yellow_pct"].notna()]
    if seen["date"].nunique() < 2:
        return None
    weighed = {
        kind: (seen["tissue_cm2"] * seen[f"{kind}_pct"].fillna(0)).groupby(seen["date"]).sum()
        for kind in ("yellow", "dry")
    }
    leaf = seen["tissue_cm2"].groupby(seen["date"]).sum()
    dates = [date.fromisoformat(d) for d in leaf.index]
    share = {kind: (total / leaf).to_numpy(dtype=float) for kind, total in weighed.items()}
    with style():
        figure, axes = _panel("", "of the lid's leaf, %")
        at = [d.toordinal() for d in dates]
        axes.plot(at, share["yellow"], color=INK["sick"], linewidth=1.8, marker="o", markersize=3, label="yellowing")
        line: dict[str, Any] = {"linestyle": (0, (4, 2)), "marker": "s"}
        axes.plot(at, share["dry"], color=INK["ink"], linewidth=1.3, markersize=3, label="dry", **line)
        axes.set(ylim=(0, max(10.0, *(1.15 * float(v.max()) for v in share.values()))))
        axes.legend(loc="upper left", fontsize=8)
        _dated(axes, dates[0], dates[-1])
        root = drawn(figure, prefix="health")
    yellow, dry = (float(share[kind][-1]) for kind in ("yellow", "dry"))
    alt = f"On {short(dates[-1])} {yellow:.0f} % of the lid's leaf was yellowing and {dry:.0f} % dry."
    return Drawing(inline(root, alt=alt), alt)


def to_come(ahead: Outlook) -> Drawing | None:
    """The forecast dates that lie ahead, each with its interval."""
    rows = [(name, days) for name, days in _coming(ahead) if days.high is not None and days.high > ahead.as_of]
    rows = rows[:_MOST_ROWS]
    if not rows:
        return None
    latest = max(days.high or ahead.as_of for _, days in rows)
    shown = min(latest, max(d.mid or ahead.as_of for _, d in rows) + timedelta(days=_FAR_DAYS))
    with style():
        figure, axes = _panel("", "", high=0.7 + 0.21 * len(rows))
        for k, (_, days) in enumerate(rows):
            low, mid, high = (min((d or shown).toordinal(), shown.toordinal() + 2) for d in days)
            axes.plot([low, high], [k, k], color=INK["band"], linewidth=6, solid_capstyle="butt")
            axes.plot([mid], [k], "o", color=INK["fit"], markersize=4.5)
        axes.axvline(ahead.as_of.toordinal(), color=INK["ink"], linewidth=0.8)
        axes.set(ylim=(len(rows) - 0.5, -0.7), yticks=range(len(rows)))
        axes.set_yticklabels([name for name, _ in rows])
        axes.tick_params(axis="y", length=0)
        axes.grid(axis="x")
        axes.set_axisbelow(True)
        _dated(axes, ahead.as_of, shown)
        root = drawn(figure, prefix="coming")
    alt = f"{plural(len(rows), 'date')} to come: the dot is the middle, the bar holds the truth nine times in ten."
    return Drawing(inline(root, alt=alt), alt)


def _coming(ahead: Outlook) -> list[tuple[str, Days]]:
    rows = [("lid: first picking", ahead.lid.first_pick), ("lid: closed", ahead.lid.closure)]
    if ahead.water.empty_on is not None:
        rows.insert(0, ("reservoir: empty", ahead.water.empty_on))
    picks = [(p.site, p.next_pick if p.next_pick.mid else p.first_pick) for p in ahead.plugs if p.site]
    picks = sorted((x for x in picks if x[1].mid), key=lambda x: x[1].mid or ahead.as_of)
    return rows + [(f"{site}: pick", days) for site, days in picks]


def _panel(x: str, y: str, *, high: float = _HIGH) -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDE, high), layout="constrained")
    axes = figure.add_subplot()
    axes.set(xlabel=x, ylabel=y)
    return figure, axes


def _dated(axes: Axes, first: date, last: date) -> None:
    """About five dates along the x axis, which counts days as ``date.toordinal`` does."""
    span = max(1, (last - first).days)
    step = max(1, round(span / 5))
    ticks = [first + timedelta(days=k) for k in range(0, span + 1, step)]
    axes.set_xticks([d.toordinal() for d in ticks])
    axes.set_xticklabels([short(d) for d in ticks])
    axes.set_xlim(first.toordinal() - 0.02 * span, last.toordinal() + 0.04 * span)


def _round_up(value: float) -> float:
    """A round number at least as large."""
    power = 10 ** float(np.floor(np.log10(max(value, 1e-3))))
    return float(next(m * power for m in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if m * power >= value * 0.999))
