"""Notes -> where each plug stands: moves, plugs taken out, new sowings.

A note that gives only a date speaks of the start of that day, so that photos of the day already show what it says; a
note that gives a time speaks of what photos taken later show. Notes of one moment are put into the one order that
works: what is taken out first, then moves, then new sowings, each in the order written.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from sprout.errors import UsageError

_TURN = {"retire": 0, "move": 1, "resow": 2}
LONGEST_DAYS = 3 * 365  # a day further from the sowing is a clock that was never set or a slip of the pen
KINDS = (*_TURN, "pick", "topup", "feed", "level", "change", "cover")


@dataclass(frozen=True)
class Sowing:
    """What was put into one site: the crop's name and the number of seeds."""

    crop: str
    seeds: int


def misdated(sown: date, day: date) -> str:
    """What is wrong with a day on which something happened to a grow, "" if nothing."""
    if day < sown:
        return f"before the sowing on {sown}"
    return f"more than three years after the sowing on {sown}" if (day - sown).days > LONGEST_DAYS else ""


def site_named(text: str, labels: Sequence[str]) -> str:
    """The site's label as the lid has it; ``a1`` does for ``A1``.

    Raises
    ------
    UsageError
        If there is no such site on the lid.
    """
    plain = text.strip()
    alike = [label for label in labels if label.casefold() == plain.casefold()]
    if plain in alike:
        return plain
    if len(alike) != 1:
        raise UsageError(text, "there is no such site on the lid", f"its sites are {', '.join(labels)}")
    return alike[0]


@dataclass(frozen=True)
class Note:
    """Something the grower did.

    Attributes
    ----------
    kind:
        One of ``KINDS``.
    moment:
        Local wall time from which on it holds; midnight when only the date was given.
    site, to_site:
        The site concerned ("" for the whole lid), and where a plug was moved to.
    amount, unit:
        Of water or food: ``l``, ``ml``, ``g`` or ``%``.
    sowing:
        What was sown anew, None for other kinds.
    number:
        Its number in the book, which is the order of writing.
    """

    kind: str
    moment: datetime
    site: str = ""
    to_site: str = ""
    amount: float | None = None
    unit: str = ""
    sowing: Sowing | None = None
    comment: str = ""
    number: int = 0

    def __str__(self) -> str:
        amount = "" if self.amount is None else f"{self.amount:g}{'%' if self.unit == '%' else ' ' + self.unit}"
        words = " ".join(w for w in (self.kind, self.site, self.to_site, amount) if w)
        at = self.moment.date() if _at_midnight(self.moment) else f"{self.moment:%Y-%m-%d %H:%M}"
        return f"{words} on {at}"


@dataclass(frozen=True)
class Plug:
    """A plug: named after the site it started in; a second one sown in the same site is ``B2#2``, then ``B2#3``."""

    name: str
    sowing: Sowing
    sown: date


@dataclass(frozen=True)
class Stand:
    """One plug stood in one site from ``since`` until just before ``until`` (None: still)."""

    plug: str
    site: str
    since: datetime
    until: datetime | None = None


@dataclass
class Plugs:
    """Every plug of a grow and where it stood when; ``plugs`` are in the order in which they were sown."""

    plugs: dict[str, Plug] = field(default_factory=dict)
    stands: list[Stand] = field(default_factory=list)

    def at(self, moment: datetime) -> dict[str, str]:
        """Site -> plug at that moment, in the order of the stands."""
        return {s.site: s.plug for s in self.stands if s.since <= moment and (s.until is None or moment < s.until)}

    def now(self) -> dict[str, str]:
        """Site -> plug after all notes."""
        return {s.site: s.plug for s in self.stands if s.until is None}

    def retired_on(self, plug: str) -> date | None:
        """The day the plug was taken out, None while it stands."""
        ends = [s.until for s in self.stands if s.plug == plug]
        return None if None in ends else max(e for e in ends if e is not None).date()

    def _stand(self, site: str) -> Stand | None:
        return next((s for s in self.stands if s.site == site and s.until is None), None)

    def _end(self, stand: Stand, moment: datetime) -> None:
        self.stands[self.stands.index(stand)] = replace(stand, until=moment)

    def _sow(self, site: str, sowing: Sowing, moment: datetime) -> None:
        count = 1 + sum(name == site or name.startswith(f"{site}#") for name in self.plugs)
        name = site if count == 1 else f"{site}#{count}"
        self.plugs[name] = Plug(name, sowing, moment.date())
        self.stands.append(Stand(name, site, moment))

    def _obstacle(self, note: Note) -> tuple[str, str]:
        """What stands against the note (and the mend), two empty texts if nothing does."""
        stand = self._stand(note.site)
        if note.kind in ("move", "retire") and stand is None:
            return f"no plug stands in {note.site} then", "look at: sprout note BOOK list"
        if note.kind == "move":
            there = self._stand(note.to_site)
            if there is not None:
                return (
                    f"{note.to_site} is not free, plug {there.plug} stands there then",
                    f"take it out first with: sprout note BOOK retire {note.to_site} --on {note.moment.date()}",
                )
        return "", ""

    def _apply(self, note: Note) -> None:
        stand = self._stand(note.site)
        if stand is not None:
            self._end(stand, note.moment)
        if note.kind == "move" and stand is not None:
            self.stands.append(Stand(stand.plug, note.to_site, note.moment))
        if note.kind == "resow" and note.sowing is not None:
            self._sow(note.site, note.sowing, note.moment)


def replay(sown: date, sowing: Mapping[str, Sowing], notes: Iterable[Note]) -> Plugs:
    """Follow every plug through the notes, whatever order those are given in.

    Raises
    ------
    UsageError
        If a note is impossible: nothing stands in the site, or the site a plug is moved to is not free.
    """
    plugs = Plugs()
    start = datetime.combine(sown, datetime.min.time())
    for site, what in sowing.items():
        plugs._sow(site, what, start)
    waiting = sorted((n for n in notes if n.kind in _TURN), key=lambda n: (n.moment, _TURN[n.kind], n.number))
    while waiting:
        together = [n for n in waiting if n.moment == waiting[0].moment]
        possible = next((n for n in together if not plugs._obstacle(n)[0]), None)
        if possible is None:
            raise UsageError(together[0], *plugs._obstacle(together[0]))
        plugs._apply(possible)
        waiting.remove(possible)
    return plugs


def check_note(sown: date, sowing: Mapping[str, Sowing], notes: Iterable[Note], new: Note) -> None:
    """Make sure that a new note fits the notes there are.

    Raises
    ------
    UsageError
        If it does not, or if it makes one of them impossible; the message says which and why.
    """
    notes = list(notes)
    if amiss := misdated(sown, new.moment.date()):
        raise UsageError(new, f"that is {amiss}", "check the date")
    try:
        replay(sown, sowing, [*notes, new])
    except UsageError as e:
        if e.subject == str(new):
            raise
        mend = f"withdraw that one first: sprout note BOOK withdraw {_number_of(notes, e.subject)}"
        raise UsageError(new, f"it makes a note already in the book impossible ({e.subject}: {e.wrong})", mend) from e


def _number_of(notes: Iterable[Note], text: str) -> int:
    return next(n.number for n in notes if str(n) == text)


def _at_midnight(moment: datetime) -> bool:
    return moment.time() == datetime.min.time()
