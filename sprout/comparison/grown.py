"""What a comparison needs to know of one book, and how books make groups."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sprout.germination.onsets import Onset, onsets
from sprout.growth.canopy import Canopy, canopies
from sprout.outlook.ahead import pickings
from sprout.timeline import weigh

if TYPE_CHECKING:
    from sprout.evidence import Evidence


@dataclass(frozen=True, eq=False)
class Grown:
    """One book.

    Attributes
    ----------
    name:
        What to call it.
    labels:
        The words it was begun with.
    temperature_c:
        None where not known.
    plugs, canopies:
        When its plugs came up, and their leaf; of the canopies only standing plugs.
    """

    name: str
    labels: Mapping[str, str]
    temperature_c: float | None
    plugs: tuple[Onset, ...]
    canopies: tuple[Canopy, ...]

    @property
    def last_day(self) -> float:
        """Day of the last look, 0 before the first."""
        return max((max(p.seen_day, p.empty_day) for p in self.plugs), default=0.0)

    @property
    def crops(self) -> tuple[str, ...]:
        """What was sown, in the order of the plugs."""
        return tuple(dict.fromkeys(p.crop for p in self.plugs))

    def of_crop(self, crop: str) -> Grown:
        """The same book with the plugs of one crop alone."""
        return replace(
            self,
            plugs=tuple(p for p in self.plugs if p.crop == crop),
            canopies=tuple(c for c in self.canopies if c.crop == crop),
        )


def grown(name: str, evidence: Evidence) -> Grown:
    """What a book's evidence comes to."""
    weighed = weigh(evidence)
    return Grown(
        name=name,
        labels=evidence.labels_given,
        temperature_c=evidence.temperature_c,
        plugs=onsets(weighed.days, weighed.plugs),
        canopies=canopies(weighed.days, weighed.plugs, picks=pickings(evidence)),
    )


def grouped(books: Sequence[Grown], *, by: str | None = None) -> dict[str, list[Grown]]:
    """Books by the value of a label, or each by its own name; books without the label are left out."""
    groups: defaultdict[str, list[Grown]] = defaultdict(list)
    for book in books:
        value = book.name if by is None else book.labels.get(by)
        if value is not None:
            groups[value].append(book)
    return dict(groups)
