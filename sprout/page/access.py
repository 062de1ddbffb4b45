"""Who may use the page: a code pairs a phone once, and the phone keeps a secret that every request shows.

Nothing secret is stored: the book's folder holds only the SHA-256 of each phone's random secret, and codes live in
memory. The page speaks plain HTTP, so whoever can listen in on the network can read along; the README says so.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

from sprout.errors import OutputError
from sprout.files import write_text

CODE_S = 10 * 60.0
PAIRED_DAYS = 120
_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # none that is mistaken for another
_CODE_LENGTH = 8  # 31^8: with the limits on trying, a guess within ten minutes is less likely than one in 10^8
_MOST_PHONES = 50
_MOST_FORMS = 500
FILE = "phones.json"

Clock = Callable[[], float]


class Rate:
    """At most ``burst`` at once and ``per_minute`` in the long run, for each key (a token bucket)."""

    def __init__(self, *, burst: int, per_minute: float, clock: Clock = time.monotonic) -> None:
        self._burst, self._per_second, self._clock = float(burst), per_minute / 60, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = threading.Lock()

    def take(self, key: str) -> bool:
        """Whether one more is allowed now; if so it is counted."""
        now = self._clock()
        with self._lock:
            left, since = self._left.pop(key, (self._burst, now))
            left = min(self._burst, left + (now - since) * self._per_second)
            allowed = left >= 1
            self._left[key] = (left - allowed, now)
            while len(self._left) > 1000:  # the longest unused are full again anyway
                self._left.popitem(last=False)
            return allowed


class Codes:
    """The pairing code of the moment: good for ten minutes and for one phone."""

    def __init__(self, *, clock: Clock = time.monotonic) -> None:
        self._clock = clock
        self._code, self._ends = "", 0.0
        self._lock = threading.Lock()

    def new(self) -> str:
        """A fresh code; the one before no longer counts."""
        with self._lock:
            self._code = "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))
            self._ends = self._clock() + CODE_S
            return spelt(self._code)

    @property
    def waits(self) -> bool:
        """Whether a code is good at present."""
        return bool(self._code) and self._clock() < self._ends

    def redeem(self, given: str) -> bool:
        """Whether this is the code; then it is used up."""
        plain = "".join(given.upper().split()).replace("-", "")
        with self._lock:
            right = hmac.compare_digest(plain.encode(), self._code.encode())
            if not (right and self.waits):
                return False
            self._code = ""
            return True


def spelt(code: str) -> str:
    """A code in two halves, as it is shown."""
    half = _CODE_LENGTH // 2
    return f"{code[:half]}-{code[half:]}"


@dataclass(frozen=True)
class Phone:
    """A paired phone: SHA-256 of its secret, what it is called, the day it was paired."""

    hash: str
    name: str
    since: str

    @property
    def expired(self) -> bool:
        return (date.today() - date.fromisoformat(self.since)).days >= PAIRED_DAYS


class Phones:
    """The phones that are paired with a book, kept in its folder so that they stay paired when the page is restarted.

    Where the folder cannot be written they are kept in memory.
    """

    def __init__(self, folder: Path) -> None:
        self._file = folder / FILE
        self._lock = threading.Lock()
        self._phones = {p.hash: p for p in _load(self._file) if not p.expired}
        self._words: dict[str, tuple[str, bool]] = {}
        self._used: OrderedDict[str, None] = OrderedDict()

    def all(self) -> list[Phone]:
        """Those paired at present."""
        with self._lock:
            return [p for p in self._phones.values() if not p.expired]

    def pair(self, name: str) -> str:
        """Add a phone; return the secret that it has to show."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            while len(self._phones) >= _MOST_PHONES:
                self._phones.pop(next(iter(self._phones)))
            phone = Phone(_hash(secret), name, date.today().isoformat())
            self._phones[phone.hash] = phone
            self._save()
        return secret

    def known(self, secret: str) -> Phone | None:
        """The phone that has this secret."""
        # looked up by its hash, which tells a listener with a stopwatch nothing about the secret
        with self._lock:
            phone = self._phones.get(_hash(secret))
        return None if phone is None or phone.expired else phone

    def forget(self, hash_: str) -> None:
        """Unpair a phone."""
        with self._lock:
            self._phones.pop(hash_, None)
            self._words.pop(hash_, None)
            self._save()

    # what a phone is to be told on the next page it opens

    def tell(self, phone: Phone, words: str, *, amiss: bool = False) -> None:
        with self._lock:
            self._words[phone.hash] = (words, amiss)

    def told(self, phone: Phone) -> tuple[str, bool]:
        with self._lock:
            return self._words.pop(phone.hash, ("", False))

    def first_time(self, once: str) -> bool:
        """Whether a form has not been sent before: a second tap must not note the same water twice."""
        with self._lock:
            if not once or once in self._used:
                return False
            self._used[once] = None
            while len(self._used) > _MOST_FORMS:
                self._used.popitem(last=False)
            return True

    def _save(self) -> None:
        text = json.dumps([asdict(p) for p in self._phones.values()], indent=1)
        try:
            write_text(self._file, text)
            self._file.chmod(0o600)
        except (OutputError, OSError):
            return


def form_token(secret: str) -> str:
    """What a form must carry: only a page that was shown to this phone can know it."""
    return hmac.new(secret.encode(), b"form", hashlib.sha256).hexdigest()


def right_token(secret: str, given: str) -> bool:
    """Whether a form carries its phone's token."""
    return hmac.compare_digest(form_token(secret).encode(), given.encode("utf-8", "replace"))


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def _load(file: Path) -> list[Phone]:
    """The phones in the file; one that was damaged or meddled with counts as none."""
    try:
        told = json.loads(file.read_text("utf-8"))
        phones = [Phone(str(p["hash"]), str(p["name"])[:40], str(p["since"])) for p in told]
        for phone in phones:
            date.fromisoformat(phone.since)
    except (OSError, ValueError, TypeError, KeyError):
        return []
    return phones


def code_in(text: str) -> str:
    """What may be a code, "" for anything else."""
    return text if re.fullmatch(r"[A-Za-z0-9-]{1,12}", text) else ""


def kind_of_phone(agent: str) -> str:
    """What a browser says it runs on, in one word."""
    for word in ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux"):
        if word in agent:
            return {"Macintosh": "Mac"}.get(word, word)
    return "phone"
