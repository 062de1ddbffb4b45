"""What reaches the pages at all, and the headers that every answer carries."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import re
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

PHOTO_BYTES = 64_000_000
FORM_BYTES = 64_000
STALL_S = 20.0  # no byte for so long ends an upload
UPLOAD_S = 180.0

_UTF8 = re.compile(r';\s*charset=("?)utf-8\1(?=\s*(?:;|$))')

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; form-action 'self';"
        " base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=()",
    "cache-control": "no-store",
}


class Guard:
    """Stands before the pages: refuses strange hosts, peers from outside and foreign forms, limits bodies.

    Parameters
    ----------
    hosts:
        Names under which the page may be asked for. Any other is refused: a page elsewhere that gave its own name
        this machine's address could else read along (DNS rebinding).
    stall_s, upload_s:
        How long a body may stand still, and take in all.
    """

    def __init__(
        self, app: ASGIApp, *, hosts: Iterable[str], stall_s: float = STALL_S, upload_s: float = UPLOAD_S
    ) -> None:
        self._app, self._hosts, self._stall_s, self._upload_s = app, frozenset(hosts), stall_s, upload_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            status, words = refusal
            await self._hear_out(scope, receive)
            response = PlainTextResponse(words + "\n", status, {"connection": "close"})
            await response(scope, receive, answer)
            return
        limit = PHOTO_BYTES if scope["path"] == "/photo" else FORM_BYTES
        await self._app(scope, self._limited(receive, limit), answer)

    async def _hear_out(self, scope: Scope, receive: Receive) -> None:
        """Read the body of a refused form: closing on what still comes would reset the line, and lose the answer."""
        length = Headers(scope=scope).get("content-length", "")
        if not (length.isascii() and length.isdigit() and 0 < int(length) <= FORM_BYTES):
            return
        body = self._limited(receive, FORM_BYTES)
        with contextlib.suppress(HTTPException):
            while (await body()).get("more_body", False):
                pass

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        client = scope.get("client")
        if client is not None and _from_outside(client[0]):
            return 403, "This page is for the same network only."
        host = headers.get("host", "")
        if host.lower() not in self._hosts:
            return 400, "This page does not go by that name. Use the address that the terminal shows."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "This page knows no such request."
        if scope["method"] == "POST":
            return self._refused_form(headers, scope["path"], host)
        return None

    def _refused_form(self, headers: Headers, path: str, host: str) -> tuple[int, str] | None:
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return 403, "This form comes from another page."
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "This form comes from another page."
        kind = headers.get("content-type", "").lower()
        if kind.count("charset") != len(_UTF8.findall(kind)):  # else the sender chooses what decodes his words
            return 415, "Forms come in UTF-8 here."
        limit = PHOTO_BYTES if path == "/photo" else FORM_BYTES
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit():
            return 400, "The request makes no sense."
        if int(length) > limit:
            return 413, f"That is too large: at most {limit / 1e6:g} MB."
        return None

    def _limited(self, receive: Receive, limit: int) -> Receive:
        """``receive`` that counts bytes and time; what is too much ends the request with a plain word."""
        seen = 0
        ends: float | None = None
        whole = False

        async def limited() -> Message:
            nonlocal seen, ends, whole
            if whole:  # what may follow is only word that the phone went away
                return await receive()
            clock = asyncio.get_running_loop().time
            ends = clock() + self._upload_s if ends is None else ends
            try:
                async with asyncio.timeout(max(0.0, min(self._stall_s, ends - clock()))):
                    message = await receive()
            except TimeoutError:
                raise HTTPException(408, "It took too long to arrive. Try again nearer to the router.") from None
            seen += len(message.get("body", b""))
            if seen > limit:
                raise HTTPException(413, f"That is too large: at most {limit / 1e6:g} MB.")
            whole = not message.get("more_body", False)
            return message

        return limited


def _from_outside(address: str) -> bool:
    """Whether a peer's address is one of the internet, as behind a router that passes a port on."""
    try:
        return ipaddress.ip_address(address).is_global
    except ValueError:
        return False
