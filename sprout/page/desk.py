"""What every page stands on: who asks, whether a form may be taken, how an answer is drawn, what is said of faults."""

from __future__ import annotations

import functools
import re
import secrets
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response

from sprout.errors import BookError, SproutError, UsageError
from sprout.page import drawing, forms
from sprout.page.access import Codes, Phone, Phones, Rate, form_token, right_token
from sprout.page.contents import Contents, Shelf
from sprout.page.guard import FORM_BYTES
from sprout.page.uploads import Busy, Read, spoken
from sprout.settings import Settings

MOST_FIELDS = 20
# control characters, and those that turn the direction of writing (Unicode, UAX 9)
_STEERING = re.compile(r"[\0-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
SLOW_DOWN = "That is too often. Wait a minute and try again."
Handler = Callable[[Request], Awaitable[Response]]


@dataclass
class House:
    """What the pages stand on.

    Attributes
    ----------
    address:
        How the page is reached, as ``http://192.0.2.7:8517``.
    announce:
        Shows a new pairing code where the page was started.
    """

    shelf: Shelf
    phones: Phones
    codes: Codes
    read: Read
    settings: Settings
    address: str
    announce: Callable[[str], None]


class Desk:
    """The part of the pages that is common to all of them."""

    def __init__(self, house: House, *, cookie: str) -> None:
        self._house, self._cookie = house, cookie
        self._templates = Environment(
            loader=PackageLoader("sprout.page"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters.update(day=short, deed=forms.in_words)
        self._templates.globals.update(today=date.today, words=drawing.in_words)
        self._writes = Rate(burst=30, per_minute=60)
        self._photos = Rate(burst=10, per_minute=6)

    # who is there

    def _phone(self, request: Request) -> Phone | None:
        return self._house.phones.known(request.cookies.get(self._cookie, ""))

    def _paired(self, handler: Callable[..., Awaitable[Response]]) -> Handler:
        """The handler for paired phones only; others are led to the pairing page, and their forms refused."""

        @functools.wraps(handler)
        async def guarded(request: Request) -> Response:
            phone = self._phone(request)
            if phone is not None:
                return await handler(request, phone)
            if request.method == "POST":
                raise HTTPException(403, "This phone is not paired. Pair it first.")
            return RedirectResponse("/pair", 303)

        return guarded

    async def _form(self, request: Request, phone: Phone, *, files: int = 0) -> FormData:
        """The form that a paired phone sent from a page of ours.

        Raises
        ------
        HTTPException
            If it came too often, is none, or does not carry the phone's token.
        """
        rate = self._photos if files else self._writes
        if not rate.take(phone.hash):
            raise HTTPException(429, SLOW_DOWN, {"Retry-After": "60"})
        try:
            form = await request.form(max_files=files, max_fields=MOST_FIELDS, max_part_size=FORM_BYTES)
        except OSError:  # a photo waits on the disk until it has arrived whole
            raise HTTPException(507, "The computer has no room for the photo. Free some space on it.") from None
        if not right_token(request.cookies.get(self._cookie, ""), text_in(form, "token")):
            await form.close()
            raise HTTPException(403, "This form is out of date. Go back, load the page again, and send it once more.")
        return form

    def _first_time(self, form: FormData) -> bool:
        return self._house.phones.first_time(text_in(form, "once"))

    def _page(self, request: Request, name: str, phone: Phone | None, *, status: int = 200, **more: Any) -> Response:
        told, amiss = self._house.phones.told(phone) if phone else ("", False)
        secret = request.cookies.get(self._cookie, "")
        text = self._templates.get_template(name).render(
            here=request.url.path,
            token=form_token(secret) if phone else "",
            once=secrets.token_urlsafe(12),
            told=told,
            amiss=amiss,
            paired=phone is not None,
            **more,
        )
        return HTMLResponse(text, status)

    async def _contents(self) -> Contents:
        return await run_in_threadpool(self._house.shelf.contents)

    async def _write(self, phone: Phone, write: Callable[[], str]) -> None:
        """Do it, and tell on the next page how it went."""
        try:
            self._house.phones.tell(phone, await run_in_threadpool(write))
        except SproutError as e:
            self._house.phones.tell(phone, say(e), amiss=True)

    # what goes wrong

    def _trouble(self, request: Request, status: int, words: str, headers: Any = None) -> Response:
        page = self._page(request, "trouble.html", None, status=status, words=words)
        page.headers.update(headers or {})
        return page

    async def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        words = error.detail if error.detail.endswith(".") else "There is no such page."
        return self._trouble(request, error.status_code, words, error.headers)

    async def _at_fault(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, SproutError)
        return self._trouble(request, 503 if isinstance(error, BookError) else 500, f"{spoken(error)}.")

    async def _gone(self, request: Request, error: Exception) -> Response:
        """The phone went away before it had sent all: nobody is there to be told."""
        return PlainTextResponse("The rest did not arrive.\n", 400)

    async def _broken(self, request: Request, error: Exception) -> Response:
        words = f"a fault of sprout itself ({type(error).__name__}: {' '.join(str(error).split())})"
        print(f"sprout: {request.url.path}: {words}; SPROUT_DEBUG=1 shows where", file=sys.stderr)
        return PlainTextResponse("A fault of sprout itself. The book is safe; the terminal says more.\n", 500)


def text_in(form: FormData, name: str) -> str:
    """A field of a form, "" where it is missing or no text."""
    value = form.get(name, "")
    return value if isinstance(value, str) else ""


def plain(form: FormData) -> dict[str, str]:
    """All fields of a form that are text, without characters that steer what shows them."""
    return {name: _STEERING.sub(" ", value) for name, value in form.items() if isinstance(value, str)}


def say(error: Exception) -> str:
    """What went wrong as a sentence for the person at the phone."""
    if isinstance(error, Busy):
        return "Too many photos wait to be read. Try again in a minute."
    assert isinstance(error, SproutError)
    words = spoken(error)
    if isinstance(error, UsageError) and error.subject:
        words = f"{error.subject}: {words}"
    return f"{words[:1].upper()}{words[1:]}."


def now() -> datetime:
    """Wall time here, which is that of the phones on the same network."""
    return datetime.now()


def short(text: object) -> str:
    """A date as ``4 Apr``."""
    day = text if isinstance(text, date) else date.fromisoformat(str(text)[:10])
    return f"{day.day} {day:%b}"
