"""Broken and hostile requests for the page: sent byte by byte to the true server, over a socket.

No answer may speak of a fault of ours, show a stranger what is in the book, hold what was sent unescaped or without the
headers that protect a browser; nothing may be written but by a form of a paired phone, and nothing outside the book.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import re
import socket
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock
from urllib.parse import quote, quote_from_bytes, urlencode

from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.mutations import CHANGES, Change, changed, photo_files
from grows import add, begin, fake_survey_many, on, photo, survey
from pages import Page, Phone, served

from sprout.book.upkeep import check
from sprout.errors import UsageError
from sprout.intake import sha256_of
from sprout.lid import make_lid
from sprout.page.access import Phones, Rate, form_token
from sprout.page.app import Pages
from sprout.page.guard import HEADERS
from sprout.page.uploads import Arrival, Outcome, read_into_book

HANG_S, BRIEF_S = 10.0, 0.03
EVIL = "<script>alert(7)</script>"
LID = make_lid(name=f"lid {EVIL}", pattern="grid", rows=2, columns=3, pitch_mm=[60, 60], hole_mm=30)
FOR_STRANGERS = (b"/pair", b"/static/")
_LIES = {"content-length", "transfer-encoding", "expect", "connection", "upgrade"}  # headers about how long it is
_KEPT = re.compile(r"book\.sqlite(-journal)?|lid\.toml|lid_view_\w+\.npz|phones\.json|views(/[\w-]+\.jpg)?")

ODD = st.one_of(
    st.text(max_size=20),
    st.text("\0\r\n\x1b\x7f\u202e\ud800'\"<>&%/\\.;=ü😀", max_size=8),
    st.sampled_from([EVIL, "\r\nX-Injected: 1", "../../book.sqlite", "{{ 7 * 7 }}", "%00", "٣", "-1", "1e999", "nan"]),
    st.integers(-1, 10**30).map(str),
    st.just("x" * 3000),
)
NAMES = st.sampled_from(
    ["kind", "site", "to", "on", "date", "litres", "amount", "unit", "level", "seeds", "crop", "number", "seedlings"]
    + ["comment", "back", "status", "withdraw", "code", "phone", "photo", "once"]
)
RIGHT = st.sampled_from(
    ["topup", "feed", "move", "retire", "resow", "pick", "cover", "level", "change", "A1", "B2", "1", "0.5", "ml", "%"]
    + ["basil", "sprouted", on(3).isoformat(), on(6).isoformat(), "/notes", f"/site/A1?on={on(6)}"]
)
PATHS = st.one_of(
    st.sampled_from(["/", "/notes", "/curves", "/days", "/phones", "/pair", "/static/style.css", "/view/x", "/photo"]),
    st.sampled_from([f"/day/{on(6)}", "/site/A1", "/fix", "/note", "/withdraw", "/phones/new", "/phones/forget"]),
    st.tuples(st.sampled_from(["/view/", "/static/", "/day/", "/site/", "/", "//", "/static/../"]), ODD).map("".join),
)
TARGETS = st.one_of(
    st.tuples(
        PATHS.map(lambda path: quote(path.encode("utf-8", "surrogatepass"), safe="/%.")),
        st.one_of(
            st.just(""),
            st.dictionaries(st.sampled_from(["on", "code", "x"]), ODD, max_size=3).map(
                lambda given: "?" + urlencode({k: v.encode("utf-8", "surrogatepass") for k, v in given.items()})
            ),
            ODD.map(lambda text: "?" + quote_from_bytes(text.encode("utf-8", "surrogatepass"), safe="&=%?/")),
        ),
    ).map(lambda parts: "".join(parts).encode()),
    st.sampled_from([b"/" + b"a" * 70_000, b"*", b"http://elsewhere.example/", b"/%2e%2e/%2e%2e/etc/passwd", b"/%ff"]),
    st.binary(max_size=12).map(lambda raw: b"/" + raw),
)
HEADERS_SENT = st.dictionaries(
    st.sampled_from(
        ["host", "origin", "referer", "cookie", "content-type", "content-length", "transfer-encoding", "user-agent"]
        + ["sec-fetch-site", "expect", "connection", "x-forwarded-for", "x-http-method-override", "upgrade", "range"]
    ),
    st.one_of(
        st.sampled_from(
            ["", "elsewhere.example", "null", "cross-site", "100-continue", "chunked", "-1", "0", "5", "60000"]
        ),
        st.sampled_from(["close", "websocket", "bytes=0-", "8.8.8.8", "DELETE", "99999999999999999999", "file:///"]),
        st.text("abc;=,\"'é\x7f \t", max_size=12),
    ),
    max_size=2,
)
METHODS = st.sampled_from(["GET"] * 14 + ["HEAD", "POST", "PUT", "OPTIONS", "get", "TRACE", "CONNECT", "BREW"])
WHO = st.sampled_from(["phone"] * 14 + ["stranger", "wrong cookie", "foreign token", "no token", "replayed"])
CHARSETS = st.sampled_from(
    [""] * 12 + ["utf-16", "utf-7", "undefined", "idna", "punycode", "raw_unicode_escape", "zip", "no-such", "\xe9"]
)
SOMETIMES = st.one_of(st.just([]), st.just([]), CHANGES)


@dataclass
class Fuzzed:
    """The page that is tried, and what has gone wrong in it unseen by the phone."""

    page: Page
    phone: Phone
    other: Phone
    said: list[str] = field(default_factory=list)
    replayed: dict[str, str] = field(default_factory=dict)
    sent: int = 0
    arrived: set[str] = field(default_factory=set)

    def secret(self, phone: Phone) -> str:
        return next(iter(phone.client.cookies.values()))

    def cookie(self, phone: Phone) -> str:
        return "; ".join(f"{name}={value}" for name, value in phone.client.cookies.items())

    def hidden(self, who: str) -> dict[str, str]:
        """Token and number of a form as this actor has them."""
        if who == "replayed" and self.replayed:
            return self.replayed
        if who in ("stranger", "no token"):
            return {}
        if Phones(self.page.book).known(self.secret(self.phone)) is None:  # a form before this one has unpaired it
            with self.page.stranger() as client:
                client.get("/pair")
            self.phone = Phone(self.page)
        self.sent += 1
        asks = self.other if who == "foreign token" else self.phone
        self.replayed = {"token": form_token(self.secret(asks)), "once": f"form {self.sent}"}
        return self.replayed

    def send(self, method: str, target: bytes, who: str, headers: dict[str, str], body: bytes, broken: Any) -> None:
        """One request; an answer that refuses is raised as a user's error."""
        host = self.page.address.removeprefix("http://")
        given = {"host": host, "connection": "close"}
        if who != "stranger":
            given["cookie"] = "sprout=x" if who == "wrong cookie" else self.cookie(self.phone)
        if body:
            given["content-length"] = str(len(body))
        given |= headers
        lines = [f"{name}: {value}".encode("latin-1", "replace") for name, value in given.items()]
        data = b"\r\n".join([method.encode() + b" " + target + b" HTTP/1.1", *lines, b"", body])
        data = changed(data, broken)
        status, head, answer = exchange(host, data, whole=not broken and not _LIES & {*headers})
        assert not self.said, self.said.pop()
        if not status:
            raise UsageError("page", "hung up", "send a request")
        assert status < 500 or status == 503, f"{status}: {answer[:200]!r}"
        assert b"Traceback" not in answer
        assert b"<script>alert" not in answer
        assert "\u202e".encode() not in answer
        assert b"x-injected" not in head.lower().replace(b"location", b""), head
        assert not re.search(rb"[\0-\x08\x0b\x0c\x0e-\x1f]", answer) or b"image/jpeg" in head, answer
        if status == 200 or (b"text/html" in head and status != 400):
            missing = [name for name in HEADERS if name.encode() not in head]
            assert not missing, f"{status} without {missing}"
        path = target.partition(b"?")[0]
        if who == "stranger" and not broken:
            assert status != 200 or path.startswith(FOR_STRANGERS), f"a stranger sees {target!r}"
            assert b"alert(7)" not in answer or path == b"/pair"
        if status >= 400:
            raise UsageError("page", f"answered {status}", "send a request that makes sense")

    def holds(self, sha256: str) -> bool:
        with contextlib.closing(sqlite3.connect(self.page.book / "book.sqlite")) as connection:
            return connection.execute("SELECT 1 FROM photo WHERE sha256 = ?", (sha256,)).fetchone() is not None


def exchange(host: str, data: bytes, *, whole: bool) -> tuple[int, bytes, bytes]:
    """Send bytes and read status, head and body of the answer; status 0 if there is none.

    Of what is no whole request the answer is not waited for long: the server may rightly wait for the rest.
    """
    name, _, port = host.partition(":")
    with socket.create_connection((name, int(port)), timeout=HANG_S) as line:
        got = b""
        with contextlib.suppress(ConnectionError):
            line.sendall(data)
        if not whole:
            line.settimeout(BRIEF_S)
        with contextlib.suppress(ConnectionError):
            while True:
                try:
                    part = line.recv(65536)
                except TimeoutError:
                    assert not whole, f"no answer within {HANG_S:g} s"
                    if line.gettimeout() == HANG_S:
                        raise AssertionError(f"the connection stays open for {HANG_S:g} s") from None
                    line.settimeout(HANG_S)
                    line.shutdown(socket.SHUT_WR)
                    continue
                got += part
                if not part or _complete(got):
                    break
    head, _, body = got.partition(b"\r\n\r\n")
    if head.startswith(b"HTTP/1.1 100"):
        head, _, body = body.partition(b"\r\n\r\n")
    found = re.match(rb"HTTP/1\.1 (\d{3}) ", head)
    assert found or not got, f"no HTTP: {got[:80]!r}"
    return (int(found[1]) if found else 0), head, body


def _complete(got: bytes) -> bool:
    head, end, body = got.partition(b"\r\n\r\n")
    length = re.search(rb"(?i)\r\ncontent-length: (\d+)", head)
    return bool(end) and length is not None and len(body) >= int(length[1])


def multipart(fields: dict[str, str], file: tuple[str, str, bytes] | None, charset: str) -> tuple[str, bytes]:
    """Content type and body of a form with at most one file."""
    parts = [
        b'--b\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n' % (k.encode(), v.encode("utf-8", "replace"))
        for k, v in fields.items()
    ]
    if file is not None:
        name, kind, data = file
        told = f'--b\r\nContent-Disposition: form-data; name="photo"; filename="{name}"\r\nContent-Type: {kind}\r\n\r\n'
        parts.append(told.encode("utf-8", "replace") + data + b"\r\n")
    kind = "multipart/form-data; boundary=b" + (f"; charset={charset}" if charset else "")
    return kind, b"".join(parts) + b"--b--\r\n"


# one case of each kind, and what it is made of


def addresses(at: Fuzzed, method: str, target: bytes, who: str, headers: dict[str, str], broken: list[Change]) -> None:
    at.send(method, target, who, headers, b"", broken)


ADDRESSES = (METHODS, TARGETS, WHO, HEADERS_SENT, SOMETIMES)


def forms(
    at: Fuzzed, path: str, who: str, fields: dict[str, str], charset: str, coded: bool, headers: Any, broken: Any
) -> None:
    fields = {**at.hidden(who), **fields}
    if coded:
        kind, body = multipart(fields, None, charset)
    else:
        given = {k: v.encode("utf-8", "surrogatepass") for k, v in fields.items()}
        kind, body = "application/x-www-form-urlencoded", urlencode(given).encode()
    at.send("POST", path.encode(), who, {"content-type": kind} | headers, changed(body, broken), [])


FORMS = (
    st.sampled_from(["/fix", "/note", "/note", "/withdraw", "/phones/new", "/phones/forget", "/pair", "/photo"]),
    WHO,
    st.dictionaries(NAMES, st.one_of(RIGHT, RIGHT, ODD), max_size=5),
    CHARSETS,
    st.booleans(),
    st.one_of(st.just({}), st.just({}), HEADERS_SENT),
    SOMETIMES,
)


def uploads(at: Fuzzed, data: bytes, broken: Any, name: str, kind: str, day: str, who: str, broken_form: Any) -> None:
    sent = changed(data, broken)
    sha256 = hashlib.sha256(sent).hexdigest()
    known = sha256 in at.arrived
    content, body = multipart({**at.hidden(who), "on": day}, (name, kind, sent), "")
    try:
        at.send("POST", b"/photo", who, {"content-type": content}, changed(body, broken_form), [])
    finally:
        assert known or who in ("phone", "replayed") or sha256 not in at.arrived, f"a photo of {who} was read"


UPLOADS = (
    st.sampled_from(photo_files()),
    CHANGES,
    ODD.map(lambda text: re.sub(r'[\r\n"]', "_", text)),
    st.sampled_from(
        ["image/jpeg", "text/html", "application/x-php", "image/svg+xml", "", "multipart/mixed; boundary=b"]
    ),
    st.one_of(st.just(""), RIGHT, ODD),
    WHO,
    SOMETIMES,
)


@contextlib.contextmanager
def fuzzed(folder: Path) -> Iterator[Fuzzed]:
    """A served book with a past and two phones; after the block the book is sound and nothing lies beside it."""
    home, temporary = folder / "page", folder / "temporary"
    home.mkdir()
    temporary.mkdir()
    with begin(home / "book", lid=LID) as book:
        add(book, survey("day03.jpg", 3, {}, lid=LID), survey("day06.jpg", 6, {"A1": 1, "B2": 2}, lid=LID))
    said: list[str] = []
    kept = Pages._broken

    async def broken(self: Pages, request: Any, error: Exception) -> Any:
        said.append(f"{type(error).__name__}: {error}")
        return await kept(self, request, error)

    def read(arrival: Arrival) -> Outcome:
        sha256 = sha256_of(arrival.file)
        at.arrived.add(sha256)
        held = at.holds(sha256)
        outcome = read_into_book(arrival)
        if outcome.outcome == "refused" and at.holds(sha256) and not held:
            said.append(f"a refused photo is in the book: {outcome}")
        return outcome

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(self.format(record))

    listener = Listener(logging.ERROR)
    logging.getLogger("asyncio").addHandler(listener)
    try:
        with (
            mock.patch.object(Rate, "take", return_value=True),
            mock.patch.object(Pages, "_broken", broken),
            mock.patch.object(tempfile, "tempdir", str(temporary)),
            mock.patch("sprout.survey.survey_many", fake_survey_many({}, [])),
            served(home / "book", read=read) as page,
            Phone(page) as phone,
        ):
            with page.stranger() as client:
                client.get("/pair")
            with Phone(page) as other:
                at = Fuzzed(page, phone, other, said)
                at.phone.upload(photo(folder / "day08.jpg", 8))
                yield at
                at.hidden("phone")  # paired once more if need be
                for path in ("/", "/notes", "/curves", "/days", "/phones", "/site/A1", f"/day/{on(6)}"):
                    assert EVIL not in at.phone.see(path)
    finally:
        logging.getLogger("asyncio").removeHandler(listener)
    assert not said, said
    found = {str(p.relative_to(home / "book")) for p in (home / "book").rglob("*")}
    assert not (strays := [name for name in found if not _KEPT.fullmatch(name)]), strays
    assert [p.name for p in home.iterdir()] == ["book"]
    assert not list(temporary.iterdir()), "what was sent is left over"
    assert not check(home / "book"), check(home / "book")
