"""The lid as a picture with sites to tap, and curves: numbers for the templates to draw.

A site's state is told by shape and letter as well as by colour, as on the marked photo.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from sprout.lid import Lid
    from sprout.page.contents import Contents, View

_AMISS_PCT = 10.0
_PLAIN_WIDTH = 640.0


@dataclass(frozen=True)
class Spot:
    """A site in the picture: its middle, its state, the sign of that state, whether something is amiss or new."""

    site: str
    x: float
    y: float
    status: str
    sign: str
    amiss: bool
    new: bool
    words: str


@dataclass(frozen=True)
class LidPicture:
    """A picture of the lid, ``width`` by ``height``; ``key`` names the photo behind it, "" for none.

    ``shown`` is the part of it about the sites: x, y, width, height.
    """

    width: int
    height: int
    shown: tuple[float, float, float, float]
    radius: float
    spots: tuple[Spot, ...]
    key: str = ""


def lid_picture(
    lid: Lid,
    rows: Iterable[Mapping[str, Any]],
    *,
    standing: Iterable[str] = (),
    view: View | None = None,
    new: frozenset[str] = frozenset(),
) -> LidPicture:
    """The sites as a day's rows say; those that only stand there are empty of news, the others bare.

    ``new`` has the sites with fresh sprouts.
    """
    seen = {row["site"]: row for row in rows}
    stands = set(standing)
    if view is not None:
        at = (lid.sites_mm - (view.x_mm, view.y_mm)) * view.px_per_mm
        (width, height), scale, key = view.size, view.px_per_mm, view.key
    else:
        low, high = lid.sites_mm.min(0) - lid.hole_mm, lid.sites_mm.max(0) + lid.hole_mm
        scale = _PLAIN_WIDTH / float(high[0] - low[0])
        at = (lid.sites_mm - low) * scale
        foot = _radius(at, lid.hole_mm * scale)  # room for the names of the last row
        width, height, key = round(_PLAIN_WIDTH), round(float(high[1] - low[1]) * scale + foot), ""
    spots = []
    for site, (x, y) in zip(lid.labels, at, strict=True):
        row = seen.get(site)
        if row is None:
            status, sign = ("waiting", "") if site in stands else ("bare", "")
            words = "not looked at" if site in stands else "no plug"
            spots.append(Spot(site, float(x), float(y), status, sign, False, False, words))
        else:
            state = str(row["status"])
            spots.append(Spot(site, float(x), float(y), state, _sign(row), amiss(row), site in new, in_words(row)))
    radius = _radius(at, lid.hole_mm * scale)
    return LidPicture(width, height, _about(at, radius, width, height), radius, tuple(spots), key)


def _about(at: Any, radius: float, width: int, height: int) -> tuple[float, float, float, float]:
    """The sites with room for their signs and the leaves between them, within the picture."""
    low = np.maximum(at.min(0) - 2.0 * radius, 0)
    high = np.minimum(at.max(0) + (2.0 * radius, 2.4 * radius), (width, height))
    x, y, across, down = (round(float(v), 1) for v in (*low, *(high - low)))
    return x, y, across, down


def _radius(at: Any, hole: float) -> float:
    if len(at) < 2:
        return hole
    apart = np.linalg.norm(at[:, None] - at[None], axis=2) + np.where(np.eye(len(at)), np.inf, 0)
    return 0.36 * float(np.median(apart.min(1)))


def _sign(row: Mapping[str, Any]) -> str:
    return {"sprouted": str(row["seedlings"]), "empty": "0", "unsure": "?", "hidden": "H"}.get(row["status"], "")


def amiss(row: Mapping[str, Any]) -> bool:
    """Whether a look shows algae, or leaf that is yellowing or dry."""
    sick = max(row["yellow_pct"] or 0, row["dry_pct"] or 0)
    return bool(row["algae"] == "yes" or sick >= _AMISS_PCT)


def in_words(row: Mapping[str, Any]) -> str:
    """A look at one site in a few words."""
    parts = [str(row["status"])]
    count = row["seedlings"]
    if row["status"] == "sprouted" and count is not None:
        parts = [f"{count} seedling{'' if count == 1 else 's'}"]
        low, high = row["seedlings_low"], row["seedlings_high"]
        if low is not None and high is not None and low != high:
            parts[0] += f" ({low} to {high})"
    elif row["status"] == "unsure" and row["p_sprouted"] is not None:
        parts[0] += f", {100 * row['p_sprouted']:.0f} in 100 that it is up"
    if (row["yellow_pct"] or 0) >= _AMISS_PCT:
        parts.append(f"{row['yellow_pct']:.0f} % yellowing")
    if (row["dry_pct"] or 0) >= _AMISS_PCT:
        parts.append(f"{row['dry_pct']:.0f} % dry")
    if row["algae"] == "yes":
        parts.append("algae")
    return ", ".join(parts)


# curves


@dataclass(frozen=True)
class Chart:
    """A curve against days, drawn in a box of 320 by ``height``.

    ``lines`` are (class, points of a polyline), ``bands`` (class, points of a polygon), ``dots`` places of looks,
    ``across`` and ``up`` the ticks as (place, text).
    """

    title: str
    summary: str
    height: float
    lines: tuple[tuple[str, str], ...]
    bands: tuple[tuple[str, str], ...]
    dots: tuple[tuple[float, float], ...]
    across: tuple[tuple[float, str], ...]
    up: tuple[tuple[float, str], ...]


Series = Sequence[tuple[float, float | None]]
_LEFT, _RIGHT, _TOP, _FOOT, _WIDE, _HIGH = 42.0, 14.0, 10.0, 28.0, 320.0, 176.0


def chart(
    title: str,
    *,
    seen: Series,
    fitted: Series = (),
    band: tuple[Series, Series] | None = None,
    most: float | None = None,
    unit: str = "",
    dots: bool = False,
) -> Chart:
    """What was seen by day as a line, ``dots`` at the looks, with a fitted curve and a band where they are given."""
    everything = [*seen, *fitted, *(band[1] if band else ())]
    points = [(d, v) for d, v in everything if v is not None]
    last = max([d for d, _ in points], default=1.0) or 1.0
    top = most or _round_up(max([v for _, v in points], default=1.0))

    def place(day: float, value: float) -> tuple[float, float]:
        x = _LEFT + (_WIDE - _LEFT - _RIGHT) * day / last
        return round(x, 1), round(_HIGH - _FOOT - (_HIGH - _FOOT - _TOP) * min(value / top, 1.0), 1)

    def joined(series: Series) -> str:
        return " ".join(f"{x},{y}" for x, y in (place(d, v) for d, v in series if v is not None))

    lines = tuple((name, text) for name, text in (("seen", joined(seen)), ("fit", joined(fitted))) if text)
    bands: tuple[tuple[str, str], ...] = ()
    if band and joined(band[0]):
        bands = (("band", f"{joined(band[0])} {joined(band[1][::-1])}"),)
    last_seen = next((f"{v:.0f}{unit} on day {d:.0f}" for d, v in reversed(seen) if v is not None), "nothing yet")
    return Chart(
        title,
        f"{title}: {last_seen}",
        _HIGH,
        lines,
        bands,
        tuple(place(d, v) for d, v in seen if v is not None) if dots else (),
        tuple((place(d, 0)[0], f"{d:g}") for d in _ticks(last)),
        tuple((place(0, v)[1], f"{v:g}") for v in _ticks(top, 4)),
    )


def _ticks(most: float, count: int = 6) -> list[float]:
    step = _round_up(most / count)
    return [k * step for k in range(int(most / step + 1e-9) + 1)]


def _round_up(value: float) -> float:
    """The next of 1, 2, 5, 10, …"""
    if value <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(k * power for k in (1, 2, 5, 10) if k * power >= value * (1 - 1e-9)))


# of a book


def picture_of(c: Contents, on: str) -> LidPicture:
    """The lid on a day of looking, or with nothing looked at yet."""
    new = frozenset(change.site for change in c.news(on) if change.kind in ("sprouted", "more")) if on else frozenset()
    return lid_picture(c.lid, c.rows.get(on, ()), standing=c.standing, view=c.views.get(on), new=new)


def up_in_words(c: Contents, on: str) -> str:
    """How many plugs were up that day."""
    rows = c.rows.get(on, ())
    up = sum(row["status"] == "sprouted" for row in rows)
    return f"{up} of {len(rows)} plugs up"


def charts_of(c: Contents) -> tuple[list[Chart], list[Chart]]:
    """Germination per crop and leaf over the lid; leaf of each plug."""
    charts = []
    for crop, rows in c.curves.items():
        days = [float(r["day"]) for r in rows]

        def column(name: str, rows: Any = rows, days: Any = days) -> list[tuple[float, float | None]]:
            return list(zip(days, (r[name] for r in rows), strict=True))

        charts.append(
            chart(
                f"Plugs up, % ({crop})",
                seen=column("up_pct"),
                fitted=column("fit_pct"),
                band=(column("low_pct"), column("high_pct")),
                most=100,
                unit=" %",
            )
        )
    whole = c.by_day
    cover = [(float(r["day"]), r["cover_pct"]) for r in whole]
    charts.append(chart("Leaf, % of the lid’s area", seen=cover, unit=" %", dots=True))
    most = max([r["tissue_cm2"] or 0.0 for rows in c.rows.values() for r in rows], default=0.0)
    small = []
    for site, plug in c.standing.items():
        leaf = [(float(r["day"]), r["tissue_cm2"]) for r in c.of_plug(plug)]
        if any(v for _, v in leaf):
            small.append(chart(site, seen=leaf, most=most or None, unit=" cm²", dots=True))
    return charts, small
