"""What is tapped and typed on the page -> notes and corrections, checked as the command line checks them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any

from sprout.errors import UsageError
from sprout.plugs import Note, Sowing

Form = Mapping[str, str]
_LONGEST = 300
_MOST_LITRES = 10_000.0
_MOST_SEEDLINGS = 400


def day_in(form: Form, name: str, *, today: date) -> date | None:
    """The date in a field, None where it was left empty.

    Raises
    ------
    UsageError
        If it is no date, or one that is yet to come.
    """
    text = form.get(name, "").strip()
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UsageError("", f'"{_short(text)}" is not a date', "write it as YYYY-MM-DD") from None
    if day > today:
        raise UsageError("", f"{day} is yet to come", "choose today or a day before")
    return day


def note_of(form: Form, *, now: datetime) -> Note:
    """The note that a form asks for: without a day it holds from now on, with a day from the start of that day.

    Raises
    ------
    UsageError
        If a field does not make sense. Whether the note fits the book is the book's to say.
    """
    day = day_in(form, "on", today=now.date())
    moment = datetime.combine(day, time.min) if day else now.replace(microsecond=0)
    kind, site = form.get("kind", ""), form.get("site", "").strip()
    comment = " ".join(form.get("comment", "").split())[:_LONGEST]
    if kind in ("pick", "cover", "retire"):
        return Note(kind, moment, site, comment=comment)
    if kind == "move":
        if not form.get("to"):
            raise UsageError("", "no site was chosen", "choose where the plug went")
        return Note(kind, moment, site, form["to"].strip(), comment=comment)
    if kind == "topup":
        return Note(kind, moment, amount=_amount(form, "litres"), unit="l", comment=comment)
    if kind == "change":
        litres = _amount(form, "litres") if form.get("litres", "").strip() else None
        return Note(kind, moment, amount=litres, unit="l", comment=comment)
    if kind == "feed":
        from sprout.feed import parse_amount

        number, unit = parse_amount(_decimal(form.get("amount", "")) + form.get("unit", "ml"))
        return Note(kind, moment, amount=number, unit=unit, comment=comment)
    if kind == "level":
        share = form.get("unit") == "%"
        amount = _amount(form, "level", least=0.0, most=100.0 if share else _MOST_LITRES)
        return Note(kind, moment, amount=amount, unit="%" if share else "l", comment=comment)
    if kind == "resow":
        from sprout.calibration import find_crop

        seeds = _whole(form, "seeds", least=1, most=200)
        return Note(kind, moment, site, sowing=Sowing(find_crop(form.get("crop", "")).name, seeds), comment=comment)
    raise UsageError("", "that is no kind of note", "go back and choose one")


def fix_of(form: Form, *, today: date) -> tuple[dict[str, Any], bool]:
    """A correction with keys as in ``columns.FIXES``, and whether it takes an earlier one back.

    Raises
    ------
    UsageError
        If it does not say what is right.
    """
    day = day_in(form, "date", today=today)
    if day is None:
        raise UsageError("", "the day is missing", "go back and tap the site again")
    fix: dict[str, Any] = {"date": day.isoformat(), "site": form.get("site", "").strip()}
    if form.get("withdraw"):
        return fix, True
    if form.get("status") == "sprouted":
        return fix | {"status": "sprouted"}, False
    return fix | {"seedlings": _whole(form, "seedlings", least=0, most=_MOST_SEEDLINGS)}, False


def in_words(note: Note) -> str:
    """What a note says that was done."""
    amount = "" if note.amount is None else f"{note.amount:g}{'%' if note.unit == '%' else ' ' + note.unit}"
    sown = f"{note.sowing.crop}, {note.sowing.seeds} seeds" if note.sowing else ""
    where = note.site or "the whole lid"
    return {
        "topup": f"{amount} water added",
        "feed": f"{amount} plant food added",
        "level": f"{amount} in the reservoir",
        "change": f"all water changed{', ' + amount if amount else ''}",
        "pick": f"leaves picked: {where}",
        "cover": f"open holes covered: {where}",
        "move": f"plug moved from {note.site} to {note.to_site}",
        "retire": f"plug taken out of {note.site}",
        "resow": f"sown anew in {note.site}: {sown}",
    }.get(note.kind, str(note))


def number_in(form: Form, name: str) -> int:
    """The number of a note.

    Raises
    ------
    UsageError
        If it is none.
    """
    return _whole(form, name, least=1, most=999_999)


def _amount(form: Form, name: str, *, least: float | None = None, most: float = _MOST_LITRES) -> float:
    text = _decimal(form.get(name, ""))
    try:
        amount = float(text)
    except ValueError:
        amount = float("nan")
    enough = amount > 0 if least is None else amount >= least
    if not (enough and amount <= most):
        what = f'"{_short(text)}" is no amount' if text else "no amount was given"
        raise UsageError("", what, "write a number, as 1.5")
    return amount


def _whole(form: Form, name: str, *, least: int, most: int) -> int:
    text = form.get(name, "").strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and least <= int(text) <= most):
        mend = f"write a whole number, {least} to {most}"
        raise UsageError("", f'{name}: "{_short(text)}" is no number for that', mend)
    return int(text)


def _decimal(text: str) -> str:
    return text.strip().replace(",", ".")


def _short(text: str) -> str:
    return text if len(text) <= 30 else text[:30] + "…"
