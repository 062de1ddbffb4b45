"""Commands that say what the lid needs: today, food, space."""

from __future__ import annotations

import json as json_
from collections.abc import Iterator, Sequence
from datetime import date as Date
from math import isfinite, isnan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.forecasting import AsOf
from sprout.cli.output import Json, day_of, say, screen
from sprout.errors import UsageError

if TYPE_CHECKING:
    from sprout.care.space import Arrangement
    from sprout.care.tasks import Task
    from sprout.lid import Lid
    from sprout.outlook.records import Feed

BookArgument = Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]
_GIVEN_UP = ("give up", "resow or close the hole")


def today(
    book: BookArgument,
    as_of: AsOf = None,
    temperature: Annotated[
        float | None,
        typer.Option(
            "--temperature", metavar="C", min=0, max=50, help="Degrees C of the coming days, as in a heat wave."
        ),
    ] = None,
    calendar: Annotated[
        Path | None, typer.Option("--calendar", metavar="FILE.ics", help="Write the list as a calendar file too.")
    ] = None,
    json: Json = False,
) -> None:
    """What to do now, the most urgent first.

    Each with its reason and what that rests on; and what comes up in the next two weeks.
    """
    from sprout.book import Book
    from sprout.care.cautions import cautions_for
    from sprout.cli.forecasting import day_meant, look_at
    from sprout.files import write_text

    with Book(book) as opened:
        evidence = opened.evidence()
    day = day_of(as_of, "--as-of") if as_of else day_meant(evidence)
    _, ahead = look_at(evidence, as_of=day, coming_temperature_c=temperature)
    now = [t for t in ahead.to_do if t.when <= day]
    if calendar is not None:
        from sprout.report.calendar import calendar_text

        write_text(
            calendar, calendar_text(ahead.to_do, name=evidence.lid, of=evidence.sown.isoformat(), revision=ahead.day)
        )
        say(f"{calendar} written")
    if json:
        plain = ahead.as_json()
        cautions = cautions_for(subject for t in now for subject in t.about)
        words = [{"caution": c.text, "source": str(c.source)} for c in cautions]
        print(json_.dumps({k: plain[k] for k in ("as_of", "to_do")} | {"mind": words}, indent=1, ensure_ascii=False))
    else:
        _show_today(evidence.lid, day, now, [t for t in ahead.to_do if t.when > day])


def _show_today(lid: str, day: Date, now: Sequence[Task], coming: Sequence[Task]) -> None:
    from rich.padding import Padding

    from sprout.report.words import short

    console = screen()
    console.print(f"[bold]{safe(lid)}[/bold] · {day}\n" + ("" if now else "\nNothing to do today."))
    for number, task in enumerate(now, 1):
        console.print(f"{number:>2}  [bold]{safe(task.what)}[/bold]{_until(task, day)}")
        for words in _reasons(task):
            console.print(Padding(safe(words), (0, 0, 0, 4)))
    if coming:
        console.print("\n[bold]Coming[/bold]")
        for task in coming:
            console.print(f"  {short(task.when):>6}  {safe(task.what)}{_until(task, day)}{_range(task)}")
    show_cautions([subject for task in now for subject in task.about])


def show_cautions(subjects: Sequence[str]) -> None:
    """The cautions that apply to the subjects, if any."""
    from rich.padding import Padding

    from sprout.care.cautions import cautions_for

    console = screen()
    found = cautions_for(subjects)
    if found:
        console.print("\n[bold]Mind[/bold]")
    for caution in found:
        console.print(Padding(safe(caution.text), (0, 0, 0, 4)))


def safe(words: str) -> str:
    """Words that hold square brackets, for the console."""
    from rich.markup import escape

    return escape(words)


def _until(task: Task, day: Date) -> str:
    from sprout.report.words import short

    if task.by is None or task.by == task.when:
        return ""
    return f", overdue since {short(task.by)}" if task.by < day else f", by {short(task.by)}"


def _range(task: Task) -> str:
    return f" ({safe(task.interval)})" if task.interval else ""


def _reasons(task: Task) -> list[str]:
    why = f"{task.why}; {task.interval}" if task.interval else task.why
    return [why, f"basis: {task.basis}"]


def food(
    book: BookArgument,
    litres: Annotated[
        float | None, typer.Option("--litres", metavar="LITRES", min=0.01, max=10_000, help="A top-up of so many.")
    ] = None,
    ec: Annotated[
        float | None, typer.Option("--ec", metavar="MS_CM", min=0, max=20, help="Meter reading, mS/cm.")
    ] = None,
    ppm: Annotated[
        float | None, typer.Option("--ppm", metavar="PPM", min=0, max=14_000, help="Meter reading, ppm.")
    ] = None,
    scale: Annotated[int, typer.Option("--scale", metavar="500|640|700", help="The ppm meter's scale.")] = 500,
    as_of: AsOf = None,
    json: Json = False,
) -> None:
    """How much plant food the water needs.

    And what a meter should say of it.
    """
    from sprout.book import Book
    from sprout.cli.forecasting import day_meant, look_at
    from sprout.feed import PPM_SCALES, ec_of, parse_feed, ppm_of

    if scale not in PPM_SCALES:
        raise UsageError(f"--scale {scale}", "is no scale", "look it up in the meter's leaflet: 500, 640 or 700")
    if ec is not None and ppm is not None:
        raise UsageError(f"--ec {ec:g} --ppm {ppm:g}", "are two readings", "give one of them")
    with Book(book) as opened:
        evidence = opened.evidence()
    day = day_of(as_of, "--as-of") if as_of else day_meant(evidence)
    _, ahead = look_at(evidence, as_of=day)
    feed = ahead.feed
    measured = ec if ppm is None else ec_of(ppm, scale)
    dose = None if litres is None else parse_feed(feed.food).dose(litres, strength=feed.strength_pct / 100)
    if json:
        more: dict[str, object] = {"measured_ec_ms_cm": measured}
        if dose is not None:
            more["topup"] = {"litres": litres, "dose_ml": dose.ml, "dose_tsp": dose.tsp, "dose_g": dose.g}
        print(json_.dumps(ahead.as_json()["feed"] | more, indent=1, ensure_ascii=False))
        return
    console = screen()
    for line in _food_lines(feed):
        console.print(safe(line))
    if dose is not None:
        console.print(f"For {litres:g} litres   {dose}")
    if measured is not None:
        readings = ", ".join(f"{ppm_of(measured, s):.0f} ppm on scale {s}" for s in PPM_SCALES)
        console.print(f"Meter           {measured:.2f} mS/cm ({readings}): {_judged(measured, feed)}")
    show_cautions(["feed"])


def _food_lines(feed: Feed) -> Iterator[str]:
    from sprout.feed import parse_feed

    if feed.start_on is None:
        yield "Nothing is up yet: plain water until the first seedlings are."
    else:
        yield f"Begin           {feed.start_on}, when the first seedlings were up"
    food, share = parse_feed(feed.food), feed.strength_pct / 100
    yield f"Dose            {food.dose(1, strength=share)} a litre, {feed.strength_pct:.0f} % of the full dose"
    if not isnan(feed.litres):
        yield f"For what is in  {food.dose(feed.litres, strength=share)} for {feed.litres:.1f} litres of fresh water"
    if feed.unfed_litres:
        words = f"{food.dose(feed.unfed_litres, strength=share)} for {feed.unfed_litres:g} litres"
        yield f"Topped up       {words} since food was last noted"
    yield f"Last full change {feed.days_since_change} days ago" + ("" if feed.last_change else ", the first filling")
    if feed.ec_text:
        yield feed.ec_text[0].upper() + feed.ec_text[1:]
    yield f"basis: {feed.basis}"


def _judged(ec: float, feed: Feed) -> str:
    if isnan(feed.ec_low_ms_cm):
        return "no range is known for these crops"
    low, high = feed.ec_low_ms_cm, feed.ec_high_ms_cm
    if ec > high:
        return f"above {low:g} to {high:g}, top up with plain water"
    return f"below {low:g} to {high:g}, feed a little" if ec < low else f"within {low:g} to {high:g}"


def space(
    book: BookArgument,
    stay: Annotated[
        list[str] | None, typer.Option("--stay", metavar="SITE", help="This plant is not to be moved. May be repeated.")
    ] = None,
    clear: Annotated[
        bool, typer.Option("--clear", help="Take out every plug with nothing up, hopeful or not.")
    ] = False,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="The day of moving; today if left out.")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE", help="Before and after, as .png, .svg or .pdf.")
    ] = None,
    json: Json = False,
) -> None:
    """Where plants should stand to be furthest apart.

    With the notes that carry it out. Plugs given up are taken out first; those that may come up yet stay where they are
    and count as neighbours.
    """
    from sprout.book import Book
    from sprout.care.space import arrange
    from sprout.cli.forecasting import look_at
    from sprout.plugs import site_named

    with Book(book) as opened:
        evidence, lid = opened.evidence(), opened.lid
    day = day_of(on, "--on") if on else Date.today()
    held = {site_named(site, lid.labels) for site in stay or ()}
    _, ahead = look_at(evidence)
    empty = {p.site for p in ahead.plugs if p.site and p.status == "empty"}
    given_up = {p.site for p in ahead.plugs if p.site and p.advice in _GIVEN_UP} if not clear else empty
    standing = {p.site for p in ahead.plugs if p.site} - given_up
    if wrong := held - standing:
        raise UsageError(f"--stay {min(wrong)}", "no plant stands there", "name sites that hold one")
    waiting = empty - given_up
    place = {label: k for k, label in enumerate(lid.labels)}
    found = arrange(lid.sites_mm, [place[s] for s in standing], fixed=[place[s] for s in held | waiting])
    lines = [f"sprout note {book} retire {s} --on {day}" for s in lid.labels if s in given_up]
    lines += [f"sprout note {book} move {lid.labels[a]} {lid.labels[b]} --on {day}" for a, b in found.moves]
    if json:
        print(json_.dumps(_space_json(found, lid, lines), indent=1, ensure_ascii=False))
    else:
        _show_space(found, lid, sorted(waiting, key=place.__getitem__), lines)
    if picture is not None:
        from sprout.report.spacing import draw_spacing

        draw_spacing(picture, lid, found, waiting=[place[s] for s in waiting], title=lid.name)
        say(f"{picture} written")


def _space_json(found: Arrangement, lid: Lid, lines: Sequence[str]) -> dict[str, object]:
    def known(value: float) -> float | None:
        return round(value, 3) if isfinite(value) else None

    return {
        "before": [lid.labels[k] for k in found.before],
        "after": [lid.labels[k] for k in found.after],
        "moves": [{"from": lid.labels[a], "to": lid.labels[b]} for a, b in found.moves],
        "nearest_mm": {"before": known(found.nearest_mm[0]), "after": known(found.nearest_mm[1])},
        "mean_nearest_mm": {"before": known(found.mean_nearest_mm[0]), "after": known(found.mean_nearest_mm[1])},
        "bound_mm": known(found.bound_mm),
        "exact": found.exact,
        "notes": list(lines),
    }


def _show_space(found: Arrangement, lid: Lid, waiting: Sequence[str], lines: Sequence[str]) -> None:
    console = screen()
    if len(found.before) < 2:
        console.print(
            f"{len(found.before)} plant{'' if len(found.before) == 1 else 's'} on {safe(lid.name)}: no neighbours"
        )
    else:
        (near, nearer), (mean, meaner) = found.nearest_mm, found.mean_nearest_mm
        console.print(f"[bold]{safe(lid.name)}[/bold] · {len(found.before)} plants on {len(lid.labels)} sites")
        console.print(f"Nearest neighbours  {near:.0f} mm apart now, {nearer:.0f} mm after")
        console.print(f"On average          {mean:.0f} mm to the nearest now, {meaner:.0f} mm after")
        if found.exact:
            console.print("No other arrangement is better.")
        elif found.best:
            console.print("No arrangement has its nearest neighbours further apart; the average may not be the best.")
        else:
            console.print(f"A search found this; no arrangement gets beyond {found.bound_mm:.0f} mm.")
    if waiting:
        console.print(f"{', '.join(waiting)} may come up yet and stay; --clear takes them out.")
    if not found.moves:
        full = len(found.before) == len(lid.labels)
        console.print("No site is free, every plant stays." if full else "No plant has to move.")
    if lines:
        console.print("\nDo it, then note it, in this order:")
        for line in lines:
            print(f"  {line}")


COMMANDS = {"today": today, "food": food, "space": space}
