"""Errors a user can cause. Each says which file, what is wrong, and what to do about it.

SproutError
├── UsageError         2   the command's words are off
│   └── ClusterError   2   the cluster they name cannot be used, or is lost
├── PhotoError         3   a photo cannot be read (cut short, too large, not a picture)
│   ├── PhotoUnfit     3   it can be read but not used (blurred, dark, burnt out)
│   └── NotRegistered  3   the lid was not found in it, or not surely enough
│       └── SidesUnsure    it was found, but not which way round: other days' photos may tell
├── LidError           5   the lid file is at fault
├── BookError          5   the book is at fault
└── OutputError        6   a result cannot be written
"""

from __future__ import annotations


class SproutError(Exception):
    """Base of every error that a user can cause.

    ``subject`` is the file (or site, or option) concerned, ``wrong`` says what is wrong with it,
    ``mend`` what to do.
    """

    exit_code = 1

    def __init__(self, subject: object, wrong: str, mend: str = "") -> None:
        self.subject = str(subject)
        self.wrong = wrong
        self.mend = mend
        super().__init__(str(self))

    def __str__(self) -> str:
        return f"{self.subject}: {self.reason}" if self.subject else self.reason

    def __reduce__(self) -> tuple[type[SproutError], tuple[str, str, str]]:
        return type(self), (self.subject, self.wrong, self.mend)

    @property
    def reason(self) -> str:
        """What is wrong and the mend, without the file's name."""
        return f"{self.wrong}: {self.mend}" if self.mend else self.wrong


class UsageError(SproutError):
    exit_code = 2


class ClusterError(UsageError):
    pass


class PhotoError(SproutError):
    exit_code = 3


class PhotoUnfit(PhotoError):
    pass


class NotRegistered(PhotoError):
    pass


class SidesUnsure(NotRegistered):
    pass


class LidError(SproutError):
    exit_code = 5


class BookError(SproutError):
    exit_code = 5


class OutputError(SproutError):
    exit_code = 6
