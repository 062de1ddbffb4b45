"""The registry of flags: what a reading may want to tell beside its numbers."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One flag: its word in the ``flags`` column, what it means, what a grower can do about it."""

    name: str
    meaning: str
    mend: str


FLAGS: dict[str, Flag] = {
    f.name: f
    for f in (
        Flag(
            "out-of-frame", "part of the site lies outside the photo", "step back until the whole lid is in the frame"
        ),
        Flag("covered", "a sticker or foil covers the hole", "nothing, if it is meant to be covered"),
        Flag(
            "touching",
            "leaves of a neighbour meet this plant, the border between them is estimated",
            "spread the plugs out",
        ),
        Flag("overhung", "another plant hangs over this site", "lift the leaf aside for the photo"),
        Flag("glare", "burnt highlights on the site; they were left out", "tilt the phone or lift the lamp aside"),
        Flag("algae", "a green film on the plug", "cover bare sponge and open holes from the light"),
        Flag(
            "dried",
            "hardly anything but dry tissue shows: a seedling that came up and may be dead, or litter",
            "look whether it still lives; if not, take the plug out and note it",
        ),
        Flag("faint", "the finding rests on very few pixels", "take the photo from closer"),
    )
}


def join(*names: str) -> str:
    """The words of a ``flags`` cell: each once, in the registry's order, separated by spaces.

    Raises
    ------
    KeyError
        If a name is not in the registry.
    """
    for name in names:
        FLAGS[name]
    return " ".join(name for name in FLAGS if name in names)
