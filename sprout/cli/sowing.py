"""``sprout sow``: plan the next sowing."""

from __future__ import annotations

import json as json_
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.caring import safe, show_cautions
from sprout.cli.forecasting import LearnFrom
from sprout.cli.output import Json, day_of, say, screen
from sprout.errors import UsageError

if TYPE_CHECKING:
    from sprout.calibration import Crop
    from sprout.care.sowing import Choice, Sowing
    from sprout.germination.onsets import Onset


def sow(
    crop: Annotated[str, typer.Option("--crop", metavar="NAME", help="What is to be sown.")],
    want: Annotated[int, typer.Option("--want", metavar="N", min=1, max=255, help="Sites that are to fill at least.")],
    sites: Annotated[
        int | None, typer.Option("--sites", metavar="N", min=1, max=255, help="Sites there are; else twice as many.")
    ] = None,
    chance: Annotated[
        float, typer.Option("--chance", metavar="P", min=0.01, max=0.999, help="How sure that should be, 0 to 1.")
    ] = 0.9,
    packet: Annotated[
        float | None, typer.Option("--packet", metavar="%", help="Germination in % of seeds, as the packet says.")
    ] = None,
    learn_from: LearnFrom = None,
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="C", min=0, max=50, help="Usual degrees C.")
    ] = None,
    keep: Annotated[
        int | None, typer.Option("--keep", metavar="N", min=1, help="Plants left in a site, if not as usual.")
    ] = None,
    number: Annotated[
        int, typer.Option("--sowings", metavar="N", min=0, max=60, help="List so many sowings for a steady supply.")
    ] = 0,
    first: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="Day of the first sowing; today if left out.")
    ] = None,
    pick_for: Annotated[
        int, typer.Option("--pick-for", metavar="DAYS", min=1, max=365, help="So long a lid can be picked.")
    ] = 28,
    every: Annotated[
        int | None, typer.Option("--every", metavar="DAYS", min=1, max=365, help="Days between sowings, if set by you.")
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option("--calendar", metavar="FILE.ics", help="Write the sowings as a calendar file.")
    ] = None,
    json: Json = False,
) -> None:
    """How many sites and seeds the next sowing needs.

    With what is to be thinned, and when to sow again. What to expect of the seed comes from the crop's standard, better
    from the packet, best from your own books.
    """
    from sprout.calibration import find_crop
    from sprout.care.sowing import best_of, choices, days_to_pick, interval_days, lids_needed, seed_for, sowings

    kind = find_crop(crop)
    most = sites if sites is not None else min(2 * want, 255)
    if want > most:
        raise UsageError(f"--want {want}", f"more sites are wanted than the {most} there are", "want fewer")
    if packet is not None and not 0 < packet <= 100:
        raise UsageError(f"--packet {packet:g}", "is no percentage", "give what the packet says, 1 to 100")
    days = days_to_pick(kind)
    if number and days is None:
        raise UsageError(f"--sowings {number}", f"no days to picking are known for {kind.name}", "leave it out")
    start = day_of(first, "--from") if first else Date.today()
    seed = seed_for(kind, packet_pct=packet, earlier=_grows(learn_from or ()), temperature_c=temperature)
    found = choices(seed, want=want, sites=most, chance=chance, keep=keep or kind.keep)
    best = best_of(found)
    gap = 0 if days is None else every or interval_days(days, pick_for)
    lids = 0 if days is None else lids_needed(days, pick_for, gap)
    planned = () if days is None else sowings(start, days, every=gap, pick_for=pick_for, number=number)
    if calendar is not None:
        _write_calendar(calendar, kind, planned, best)
    if json:
        table = [asdict(c) | {"filled": c.filled._asdict()} for c in found]
        out = {
            "basis": seed.basis,
            "best": table[found.index(best)],
            "choices": table,
            "every_days": gap or None,
            "lids": lids or None,
            "sowings": [_plain(s) for s in planned],
        }
        print(json_.dumps(out, indent=1, ensure_ascii=False))
        return
    _show_choices(kind, found, best, want, chance, seed.basis, most)
    if planned:
        _show_sowings(kind, planned, gap, lids, pick_for)
    show_cautions(["resow"])


def _grows(books: Sequence[Path]) -> list[tuple[Onset, ...]]:
    from sprout.book import Book
    from sprout.outlook import earlier_grow

    found = []
    for path in books:
        with Book(path) as opened:
            grow = earlier_grow(opened.evidence())
        if not grow.plugs:
            say(f"{path}: teaches nothing, nobody has looked at it")
        found.append(grow.plugs)
    return found


def _write_calendar(path: Path, crop: Crop, planned: Sequence[Sowing], best: Choice) -> None:
    from sprout.care.tasks import Task, Urgency, range_of
    from sprout.files import write_text
    from sprout.report.calendar import calendar_text

    if not planned:
        raise UsageError(f"--calendar {path}", "there is no sowing to write", "say how many: --sowings 4")
    what = f"sow {crop.name}: {best.seeds_per_site} seeds in each of {best.sites} sites"
    tasks = [
        Task(
            s.sow_on,
            what,
            "so that one lid is always in pick",
            interval=f"first picking {range_of(s.pick_from[0], s.pick_from[2])}",
            urgency=Urgency.SOW,
        )
        for s in planned
    ]
    write_text(path, calendar_text(tasks, name=f"sowing {crop.name}"))
    say(f"{path} written")


def _plain(sowing: Sowing) -> dict[str, object]:
    first = dict(zip(("low", "mid", "high"), map(str, sowing.pick_from), strict=True))
    return {"sow_on": str(sowing.sow_on), "pick_from": first, "pick_until": str(sowing.pick_until)}


def _show_choices(
    crop: Crop, found: Sequence[Choice], best: Choice, want: int, chance: float, basis: str, most: int
) -> None:
    from rich.table import Table

    console = screen()
    seeds = f"{best.seeds_per_site} seed{'' if best.seeds_per_site == 1 else 's'}"
    if best.enough:
        console.print(
            f"Sow [bold]{seeds} in each of {best.sites} sites[/bold]: at least {want} fill with chance "
            f"{best.chance:.0%}; {best.seeds} seeds in all."
        )
    else:
        console.print(f"{most} sites are too few: even {seeds} in each fill {want} with chance {best.chance:.0%} only.")
    console.print(f"basis: {safe(basis)}\n")
    out = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for head in ("seeds a site", "sites", "seeds", f"chance of {want}+", "sites filled", "seedlings", "to thin"):
        out.add_column(head, justify="right")
    out.add_column("")
    for c in found:
        filled = f"{c.filled.mid:.0f} ({c.filled.low:.0f} to {c.filled.high:.0f})"
        mark = "fewest seeds" if c is best and c.enough else ("" if c.enough else f"below {chance:.0%}")
        cells = (c.seeds_per_site, c.sites, c.seeds, f"{c.chance:.0%}", filled, f"{c.seedlings:.0f}", f"{c.thin:.0f}")
        out.add_row(*map(str, cells), mark)
    console.print(out)
    if crop.seedlings_per_seed > 1:
        source = safe(str(crop.sources["seedlings_per_seed"][0]))
        console.print(f"\nOne seed of {crop.name} as sown can give {crop.seedlings_per_seed} seedlings: {source}.")


def _show_sowings(crop: Crop, planned: Sequence[Sowing], every: int, lids: int, pick_for: int) -> None:
    from rich.table import Table

    console = screen()
    sources = "; ".join(map(str, crop.sources["harvest_days"]))
    console.print(
        f"\nSow again every [bold]{every} days[/bold] so that one lid is always in pick; {lids} lids are in use at "
        f"once, each giving {pick_for} days from its first picking."
    )
    console.print(f"basis: {safe(sources)}, 15 % sooner on a lid than in the garden (common practice)\n")
    out = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for head in ("sow on", "first picking", "nine times in ten between", "gives until"):
        out.add_column(head)
    for s in planned:
        low, mid, high = s.pick_from
        out.add_row(str(s.sow_on), str(mid), f"{low} and {high}", str(s.pick_until))
    console.print(out)


COMMANDS = {"sow": sow}
