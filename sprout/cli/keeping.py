"""Commands that add to a book: begin, log, enter, fix."""

from __future__ import annotations

import shlex
from datetime import date as Date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sprout.cli.output import LIMIT, ClusterAt, Megapixels, Workers, complain, day_of, outcome, pairs, readers, say
from sprout.errors import UsageError
from sprout.files import name_of
from sprout.settings import Settings

if TYPE_CHECKING:
    from sprout.book import Book
    from sprout.cluster import Cluster
    from sprout.lid import Lid
    from sprout.plugs import Sowing

BookArgument = Annotated[Path, typer.Argument(metavar="BOOK", help="The book's folder.")]

_SHOWN_UP_TO = 20_000
"""Photos times sites up to which ``log`` ends with the drawing of the lid, which weighs the whole series."""


def begin(
    book: BookArgument,
    lid: Annotated[Path, typer.Option("--lid", metavar="LID.toml", help="The lid file.")],
    sown: Annotated[str, typer.Option("--sown", metavar="DATE", help="Day of sowing, YYYY-MM-DD.")],
    crop: Annotated[str, typer.Option("--crop", metavar="NAME", help="What was sown.")],
    seeds: Annotated[int, typer.Option("--seeds", min=0, max=200, help="Seeds in each site.")],
    empty: Annotated[
        Path | None, typer.Option("--empty", metavar="PHOTO", help="The lid before anything came up; teaches its look.")
    ] = None,
    reservoir: Annotated[float | None, typer.Option("--reservoir", metavar="LITRES", help="Litres it holds.")] = None,
    crop_at: Annotated[list[str] | None, typer.Option("--crop-at", metavar="SITE=NAME", help="Another crop.")] = None,
    seeds_at: Annotated[
        list[str] | None, typer.Option("--seeds-at", metavar="SITE=N", help="Another number of seeds; 0: no plug.")
    ] = None,
    label: Annotated[
        list[str] | None, typer.Option("--label", metavar="KEY=VALUE", help="Words of your own, as light=lamp.")
    ] = None,
    temperature: Annotated[float | None, typer.Option("--temperature", metavar="C", help="Usual degrees C.")] = None,
    feed: Annotated[
        str | None, typer.Option("--feed", metavar="FEED", help='Plant food, as "dry 0.5 tsp/l" or "liquid 2 ml/l".')
    ] = None,
) -> None:
    """Begin a book, the folder of one grow."""
    from sprout.book import Book, Grow
    from sprout.feed import parse_feed
    from sprout.lid import read_lid

    plate = read_lid(lid)
    if reservoir is not None and not 0 < reservoir <= 10_000:
        raise UsageError(f"--reservoir {reservoir:g}", "is no volume", "give it in litres")
    if temperature is not None and not 0 <= temperature <= 50:
        raise UsageError(f"--temperature {temperature:g}", "is no growing temperature", "give it in degrees C")
    sowing = _sowing(plate, crop, seeds, pairs(crop_at or (), "--crop-at"), pairs(seeds_at or (), "--seeds-at"))
    words = pairs(label or (), "--label")
    grow = Grow(day_of(sown, "--sown"), sowing, reservoir, temperature, words, parse_feed(feed) if feed else None)
    view, sha256 = None, ""
    if empty is not None:
        from sprout.photo import photo_header
        from sprout.survey import learn_view

        view, sha256 = learn_view(empty, plate), photo_header(empty).sha256
    with Book.begin(book, grow, lid=plate, view=view, view_sha256=sha256) as new:
        say(f"{new.path}: begun, {len(sowing)} plugs sown on {grow.sown}")
        say(f"add photos with: sprout log {new.path} PHOTO…")


def _sowing(lid: Lid, crop: str, seeds: int, crops_at: dict[str, str], seeds_at: dict[str, str]) -> dict[str, Sowing]:
    """What goes into each site, in the lid's order."""
    from sprout.calibration import find_crop
    from sprout.plugs import Sowing, site_named

    crops_at = {site_named(site, lid.labels): name for site, name in crops_at.items()}
    seeds_at = {site_named(site, lid.labels): text for site, text in seeds_at.items()}
    names = {site: find_crop(crops_at.get(site, crop)).name for site in lid.labels}
    counts = dict.fromkeys(lid.labels, seeds) | {site: _seeds(site, text) for site, text in seeds_at.items()}
    sown = {site: Sowing(names[site], counts[site]) for site in lid.labels if counts[site]}
    if not sown:
        raise UsageError(f"--seeds {seeds}", "nothing is sown anywhere", "give the seeds in each site")
    return sown


def _seeds(site: str, text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) > 200:
        raise UsageError(f"--seeds-at {site}={text}", "is no number of seeds", "give a whole number up to 200")
    return int(text)


def log(
    book: BookArgument,
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO_OR_FOLDER…", help="Photos, or folders of them.")],
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="DATE", help="The day of photos that do not tell when they were taken."),
    ] = None,
    workers: Workers = 1,
    cluster: ClusterAt = None,
    max_megapixels: Megapixels = LIMIT,
    quiet: Annotated[bool, typer.Option("--quiet", help="No drawing of the lid at the end.")] = False,
) -> None:
    """Add photos to a book, in any order.

    A photo that the book has already is left as it is, so breaking off and starting again does no harm.
    """
    from sprout.book import Book
    from sprout.cli.showing import show_today
    from sprout.intake import find_photos
    from sprout.plugs import misdated

    found = find_photos(photos)
    if not found:
        raise UsageError(" ".join(map(str, photos)), "holds no photos", "name photos or a folder that holds some")
    day = day_of(on, "--on") if on else None
    with Book(book) as opened:
        if day is not None and (amiss := misdated(opened.grow.sown, day)):
            raise UsageError(f"--on {day}", f"is {amiss}", "check the date")
        with readers(workers, cluster) as reading:
            read, held, unread = _log_all(opened, found, day, reading, Settings(max_megapixels=max_megapixels))
        say(f"{read} read, {held} in the book already, {unread} could not be read")
        if (read or held) and not quiet:
            if opened.size() <= _SHOWN_UP_TO:
                show_today(opened)
            else:
                say(f"how the lid stands now: sprout today {shlex.quote(str(book))}")
    raise typer.Exit(outcome(read + held, unread))


def _log_all(
    book: Book, photos: list[Path], on: Date | None, workers: int | Cluster, settings: Settings
) -> tuple[int, int, int]:
    from collections import Counter

    from sprout.cli.progress import progress
    from sprout.intake import log_photos

    counts: Counter[str] = Counter()
    logging = log_photos(book, photos, on=on, settings=settings, workers=workers)
    try:
        for logged in progress(logging, len(photos), "reading"):
            counts[logged.outcome] += 1
            if logged.outcome == "unread":
                complain(f"{logged.path}: {logged.reason}")
            elif logged.outcome == "held":
                why = f", could not be read ({logged.reason})" if logged.reason else ""
                say(f"{logged.path}: in the book already{why}")
    except KeyboardInterrupt:
        say("what was read so far is in the book; the same command goes on from there")
        raise
    return counts["read"], counts["held"], counts["unread"]


def enter(
    book: BookArgument,
    file: Annotated[
        Path, typer.Argument(metavar="FILE.csv", help="Columns date, site, seedlings; tissue_cm2, … if you have them.")
    ],
) -> None:
    """Add readings made by eye or by ruler.

    They count as evidence beside the photos' readings.
    """
    from sprout.book import Book
    from sprout.book.entries import read_entries

    with Book(book) as opened:
        entries = read_entries(file, opened.lid.labels)
        new = opened.add_entries(entries, source=name_of(file))
    same = len(entries) - new
    say(f"{new} entries added" + (f", {same} were in the book already" if same else ""))


def fix(
    book: BookArgument,
    date: Annotated[str, typer.Argument(metavar="DATE", help="The day that is corrected, YYYY-MM-DD.")],
    site: Annotated[str, typer.Argument(metavar="SITE", help="Where the plug stood that day.")],
    seedlings: Annotated[int | None, typer.Option("--seedlings", min=0, max=400, help="True number; 0: empty.")] = None,
    status: Annotated[str | None, typer.Option("--status", metavar="empty|sprouted", help="If not counted.")] = None,
    tissue: Annotated[float | None, typer.Option("--tissue", min=0, metavar="CM2", help="True tissue.")] = None,
    yellow: Annotated[float | None, typer.Option("--yellow", min=0, max=100, metavar="%", help="Yellowing.")] = None,
    dry: Annotated[float | None, typer.Option("--dry", min=0, max=100, metavar="%", help="Dried up.")] = None,
    comment: Annotated[str, typer.Option("--comment", help="Why, in your words.")] = "",
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take the correction back.")] = False,
) -> None:
    """Correct one site on one day.

    A correction outranks photos and entries, and goes on doing so when the photos are read anew.
    """
    from sprout.book import Book

    day = day_of(date, "DATE")
    values = {"seedlings": seedlings, "status": status, "tissue_cm2": tissue, "yellow_pct": yellow, "dry_pct": dry}
    given = {name: value for name, value in values.items() if value is not None}
    if status not in (None, "empty", "sprouted"):
        raise UsageError(f"--status {status}", "is not known", "say empty or sprouted")
    if status is not None and seedlings is not None and (status == "empty") != (seedlings == 0):
        raise UsageError(f"--status {status} --seedlings {seedlings}", "contradict each other", "give one of them")
    if withdraw == bool(given):
        mend = "give --withdraw alone" if withdraw else "give for instance --seedlings 2"
        raise UsageError(f"fix {day} {site}", "does not say what is right", mend)
    with Book(book) as opened:
        opened.add_fix({"date": day.isoformat(), "site": site, **given}, comment=comment, withdrawn=withdraw)
    say(f"{site} on {day}: {'correction taken back' if withdraw else 'corrected'}")


COMMANDS = {"begin": begin, "log": log, "enter": enter, "fix": fix}
