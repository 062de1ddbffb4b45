"""The page for the phone: who may, what is refused, and what arrives in the book."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from grows import LID, add, begin, fake_survey_many, on, photo, survey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pages import Page, Phone, served
from PIL import Image

from sprout.cli import main
from sprout.errors import OutputError, UsageError
from sprout.page import access, guard, server
from sprout.page.access import Codes, Phones, Rate
from sprout.page.guard import FORM_BYTES, HEADERS, PHOTO_BYTES, Guard
from sprout.page.uploads import Arrival, Busy, Outcome, Reader, harmless, read_into_book, set_down, sweep
from sprout.plugs import Note
from sprout.settings import Settings

PAGES = ("/", "/notes", "/curves", "/days", "/phones", "/site/A1", f"/day/{on(6)}")
WRITES = ("/photo", "/fix", "/note", "/withdraw", "/phones/new", "/phones/forget")
SEEN: dict[str, Any] = {f"day{d:02}": {"A1": 2} for d in range(3, 20)}
SEEN |= {"blurred": "too blurred: hold still or wipe the lens"}


@pytest.fixture
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    calls: list[Path] = []
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many(SEEN, calls))
    # the limits on trying are those of the true page, but every test starts anew
    with begin(tmp_path / "book") as book:
        add(book, survey("day03.jpg", 3, {}), survey("day06.jpg", 6, {"A1": 1, "B2": 2}))
    with served(tmp_path / "book") as shown:
        yield shown


@pytest.fixture
def phone(page: Page) -> Iterator[Phone]:
    with Phone(page) as paired:
        yield paired


def rows(page: Page, of: str = "photos") -> list[dict[Any, Any]]:
    with page.opened() as book:
        return book.photos().to_dict("records") if of == "photos" else book.evidence().fixes.to_dict("records")


def notes(page: Page) -> list[str]:
    with page.opened() as book:
        return [f"{n.kind} {n.site} {n.amount} {n.unit}" for n in book.notes()]


# who may


def test_a_stranger_sees_nothing_but_the_pairing_page(page: Page) -> None:
    for path in [*PAGES, "/view/abc", "/nothing"]:
        with page.stranger() as client:
            answer = client.get(path)
            assert (answer.status_code, answer.headers.get("location")) in ((303, "/pair"), (404, None))
            assert "day03" not in answer.text
            assert LID.name not in client.get("/pair").text


def test_a_stranger_writes_nothing(page: Page) -> None:
    for path in WRITES:
        with page.stranger() as client:
            answer = client.post(path, data={"kind": "topup", "litres": "1", "token": "x", "once": "y"})
            assert answer.status_code == 403
            assert "not paired" in answer.text
        assert notes(page) == []


def test_a_code_pairs_one_phone_once(page: Page) -> None:
    with page.stranger() as client:
        assert client.post("/pair", data={"code": "AAAA-AAAA"}).status_code == 403
        answer = client.post("/pair", data={"code": page.codes[0].lower().replace("-", " ")})
        assert answer.status_code == 303
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        assert client.get("/").status_code == 200
    with page.stranger() as client:
        assert client.post("/pair", data={"code": page.codes[0]}).status_code == 403
        assert client.get("/").status_code == 303


def test_opening_the_link_uses_no_code_up(page: Page) -> None:
    with page.stranger() as client:
        for _ in range(3):
            assert page.codes[0] in client.get(f"/pair?code={page.codes[0]}").text
        assert "<b>" not in client.get("/pair?code=<b>").text
    assert len(page.codes) == 1
    Phone(page).client.close()


def test_a_new_code_is_shown_when_none_is_good(page: Page) -> None:
    Phone(page).client.close()
    with page.stranger() as client:
        client.get("/pair")
        client.get("/pair")
    assert len(page.codes) == 2
    Phone(page).client.close()


def test_codes_cannot_be_tried_out(page: Page) -> None:
    with page.stranger() as client:
        found = [client.post("/pair", data={"code": f"AAAA-AAA{k}"}).status_code for k in range(8)]
        assert found == [403] * 5 + [429] * 3
        assert client.post("/pair", data={"code": page.codes[0]}).status_code == 429


def test_codes_run_out_and_replace_each_other() -> None:
    now = [0.0]
    codes = Codes(clock=lambda: now[0])
    assert not codes.redeem("")
    first = codes.new()
    assert re.fullmatch(r"[A-HJKMNP-Z2-9]{4}-[A-HJKMNP-Z2-9]{4}", first)
    second = codes.new()
    assert not codes.redeem(first)
    assert codes.waits
    now[0] = access.CODE_S + 1
    assert not codes.waits
    assert not codes.redeem(second)
    third = codes.new()
    assert codes.redeem(third)
    assert not codes.redeem(third)
    assert not codes.redeem("é")


def test_a_rate_lets_a_burst_through_and_then_its_share() -> None:
    now = [0.0]
    rate = Rate(burst=2, per_minute=6, clock=lambda: now[0])
    assert [rate.take("a") for _ in range(3)] == [True, True, False]
    assert rate.take("b")
    now[0] = 10.0
    assert [rate.take("a") for _ in range(2)] == [True, False]


def test_phones_stay_paired_and_no_secret_is_stored(page: Page) -> None:
    with Phone(page) as phone:
        secret = next(iter(phone.client.cookies.values()))
        stored = (page.book / "phones.json").read_text("utf-8")
        assert secret not in stored
        if os.name != "nt":
            assert (page.book / "phones.json").stat().st_mode & 0o077 == 0
        again = Phones(page.book)
        known = again.known(secret)
        assert known is not None
        again.forget(known.hash)
        assert Phones(page.book).known(secret) is None


@pytest.mark.parametrize("text", ["", "[]", "{}", "[1]", '[{"hash": "x", "name": "n", "since": "never"}]', "\ud800"])
def test_a_damaged_list_of_phones_pairs_nobody(tmp_path: Path, text: str) -> None:
    (tmp_path / "phones.json").write_text(text, "utf-8", errors="surrogatepass")
    assert Phones(tmp_path).all() == []


def test_a_phone_is_unpaired_after_its_time_or_by_hand(page: Page, phone: Phone) -> None:
    file = page.book / "phones.json"
    (told,) = json.loads(file.read_text("utf-8"))
    old = told | {"since": (date.today() - timedelta(days=access.PAIRED_DAYS)).isoformat()}
    file.write_text(json.dumps([old]), "utf-8")
    assert Phones(page.book).all() == []
    assert phone.send("/phones/forget", phone=told["hash"]).status_code == 303
    assert phone.client.get("/").status_code == 303


def test_a_paired_phone_brings_another(page: Page, phone: Phone) -> None:
    answer = phone.send("/phones/new")
    code = re.search(r'<p class="code">([\w-]+)</p>', answer.text)
    assert code is not None
    assert "<svg" in answer.text
    with Phone(page, code[1]) as other:
        assert "this one" in other.see("/phones")
        assert len(json.loads((page.book / "phones.json").read_text("utf-8"))) == 2


# what reaches the page


def test_forms_must_carry_the_phones_own_token(page: Page, phone: Phone) -> None:
    phone.send("/phones/new")
    with Phone(page, re.findall(r'class="code">([\w-]+)<', phone.send("/phones/new").text)[0]) as other:
        water = {"kind": "topup", "litres": "1", "once": "x"}
        for token in ({}, {"token": ""}, {"token": "é"}, {"token": other.hidden()["token"]}):
            assert phone.client.post("/note", data=water | token).status_code == 403
        assert "out of date" in phone.client.post("/note", data=water).text
    assert notes(page) == []


def test_forms_of_other_pages_are_refused(page: Page, phone: Phone) -> None:
    for headers in [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ]:
        data = phone.hidden() | {"kind": "topup", "litres": "1"}
        assert phone.client.post("/note", data=data, headers=headers).status_code == 403
        assert notes(page) == []


def test_a_refused_form_is_heard_out_before_the_answer() -> None:
    """Else the line may be reset while the form still comes, and the phone never shows why."""

    async def never(*_: object) -> None:
        raise AssertionError

    happened: list[str] = []
    parts = [{"type": "http.request", "body": b"litres", "more_body": True}, {"type": "http.request", "body": b"=1"}]

    async def receive() -> Any:
        happened.append("heard")
        return parts[len(happened) - 1]

    async def send(message: Any) -> None:
        happened.append(str(message.get("status", "end")))

    headers = [(b"host", b"a:1"), (b"origin", b"http://b"), (b"content-length", b"8")]
    scope = {"type": "http", "method": "POST", "path": "/note", "headers": headers, "client": ("127.0.0.1", 1)}
    asyncio.run(Guard(never, hosts=["a:1"])(scope, receive, send))
    assert happened == ["heard", "heard", "403", "end"]


def test_the_page_goes_by_its_own_name_only(page: Page, phone: Phone) -> None:
    for host in ["elsewhere.example", "127.0.0.1", "127.0.0.1:1", "localhost.elsewhere.example", ""]:
        answer = phone.client.get("/", headers={"host": host})
        assert answer.status_code == 400
        assert "address that the terminal shows" in answer.text


def test_peers_from_the_internet_are_refused() -> None:
    async def never(*_: object) -> None:
        raise AssertionError

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    for peer in ("8.8.8.8", "2001:4860:4860::8888"):
        scope = {"type": "http", "method": "GET", "path": "/", "headers": [(b"host", b"a:1")], "client": (peer, 1)}
        asyncio.run(Guard(never, hosts=["a:1"])(scope, never, send))
        assert sent[0]["status"] == 403
        sent.clear()


def test_other_methods_are_unknown(phone: Phone) -> None:
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"]:
        assert phone.client.request(method, "/").status_code == 405


def test_every_answer_carries_the_headers(page: Page, phone: Phone) -> None:
    with page.stranger() as client:
        answers = [client.get("/"), client.get("/pair"), client.post("/note"), client.get("/static/style.css")]
        answers += [client.get("/", headers={"host": "x"}), client.post("/note", content=b"x" * (FORM_BYTES + 1))]
    answers += [phone.client.get(path) for path in (*PAGES, "/nothing")]
    for answer in answers:
        for name in HEADERS:
            assert name in answer.headers, (answer.url, name)
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert "server" not in answer.headers


def test_no_page_has_script_or_style_in_it(phone: Phone) -> None:
    for path in PAGES:
        text = phone.see(path)
        assert re.findall(r"<script[^>]*>", text) == ['<script src="/static/page.js" defer>']
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|https?://", text)


def test_no_path_leads_to_a_file(page: Page, phone: Phone) -> None:
    for path in [
        "/view/../book.sqlite",
        "/view/..%2fbook.sqlite",
        "/view/%2e%2e/%2e%2e/etc/passwd",
        "/view//etc/passwd",
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%5capp.py",
        "/static/app.py",
        "/phones.json",
        "/day/..%2f..%2fbook.sqlite",
        "/site/..",
        "/site/Z9?on=../../x",
        "/site/A1?on=../../x",
        "/%00",
        "/view/%00",
        "/day/2026-13-45",
    ]:
        host, port = page.address.removeprefix("http://").split(":")
        cookie = "; ".join(f"{k}={v}" for k, v in phone.client.cookies.items())
        with socket.create_connection((host, int(port))) as line:  # as it stands: a client would tidy it up
            line.sendall(
                f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n".encode()
            )
            answer = b"".join(iter(lambda: line.recv(65536), b""))
        assert answer.split(b" ")[1] in (b"404", b"303")
        assert b"SQLite" not in answer
        assert b"root:" not in answer
        assert b"def " not in answer


def test_a_view_is_shown_to_paired_phones(page: Page, phone: Phone) -> None:
    key = re.findall(r'href="/view/(\w+)"', phone.see(f"/day/{on(6)}"))[0]
    answer = phone.client.get(f"/view/{key}")
    assert answer.headers["content-type"] == "image/jpeg"
    Image.open(io.BytesIO(answer.content)).verify()
    with page.stranger() as client:
        assert client.get(f"/view/{key}").status_code == 303


# photos


def test_a_photo_arrives_once(page: Page, phone: Phone, tmp_path: Path) -> None:
    file = photo(tmp_path / "day08.jpg", 8)
    answer = phone.upload(file, name="day08.jpg")
    assert answer.headers["location"] == f"/day/{on(8)}"
    assert "Read: 1 of 6 plugs up" in phone.told(answer)
    assert "has this photo already" in phone.told(phone.upload(file, name="other.jpg"))
    assert [r["photo"] for r in rows(page)] == ["day03.jpg", "day06.jpg", rows(page)[2]["photo"]]
    assert list(tmp_path.glob("**/sprout-*")) == []


def test_two_phones_at_once_lose_and_double_nothing(page: Page, phone: Phone, tmp_path: Path) -> None:
    code = re.findall(r'class="code">([\w-]+)<', phone.send("/phones/new").text)[0]
    same = photo(tmp_path / "day09.jpg", 9)
    with Phone(page, code) as other:
        work = [(phone, same), (other, same)]
        work += [(phone, photo(tmp_path / "day10.jpg", 10)), (other, photo(tmp_path / "day11.jpg", 11))]
        answers: list[Any] = []
        threads = [threading.Thread(target=lambda p=p, f=f: answers.append(p.upload(f))) for p, f in work]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert [a.status_code for a in answers] == [303] * 4
    assert [r["date"] for r in rows(page)] == [on(d).isoformat() for d in (3, 6, 9, 10, 11)]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "no photo was chosen"),
        (b"not a photo at all", "is not a photo"),
        (b"<html><script>alert(1)</script>", "is not a photo"),
        (b"GIF89a" + bytes(50), "is a GIF"),
        (b"half", "damaged or cut short"),
        (b"early", "before the sowing"),
        (b"undated", "does not tell its day"),
        (b"later", "yet to come"),
    ],
)
def test_what_is_no_photo_leaves_no_trace(page: Page, phone: Phone, tmp_path: Path, content: bytes, words: str) -> None:
    made = {"early": -3, "undated": None, "later": 20000, "half": 9}
    name = content.decode("latin-1")
    if name in made:
        content = photo(tmp_path / "x.jpg", made[name]).read_bytes()
        content = content[: len(content) // 2] if name == "half" else content
    before = rows(page)
    said = phone.told(phone.upload(content))
    assert words in said.casefold().replace("a gif", "a GIF")
    assert "--" not in said
    assert rows(page) == before


def test_a_photo_is_known_by_its_bytes(page: Page, phone: Phone, tmp_path: Path) -> None:
    data = photo(tmp_path / "day12.jpg", 12).read_bytes()
    assert "Read:" in phone.told(phone.upload(data, name="day12.exe", kind="text/html"))


def test_a_photo_without_a_day_gets_the_one_that_was_said(page: Page, phone: Phone, tmp_path: Path) -> None:
    answer = phone.upload(photo(tmp_path / "day13.jpg", None), name="day13.jpg", on=on(13).isoformat())
    assert answer.headers["location"] == f"/day/{on(13)}"
    again = phone.upload(photo(tmp_path / "day13.jpg", None), name="again.jpg")
    assert "has this photo already" in phone.told(again)
    dated = phone.upload(photo(tmp_path / "day14.jpg", 14), name="day14.jpg", on=on(13).isoformat())
    assert dated.headers["location"] == f"/day/{on(14)}"


def test_a_poor_photo_is_told_in_plain_words(page: Page, phone: Phone, tmp_path: Path) -> None:
    said = phone.told(phone.upload(photo(tmp_path / "blurred.jpg", 9), name="blurred.jpg"))
    assert said == "The photo could not be used: too blurred: hold still or wipe the lens."


def test_names_mean_nothing(page: Page, phone: Phone, tmp_path: Path) -> None:
    name = "../../<script>alert(1)</script>\r\nX-Injected: 1.jpg"
    answer = phone.upload(photo(tmp_path / "day15.jpg", 15), name=name)
    assert "x-injected" not in answer.headers
    assert [r["date"] for r in rows(page)][-1] == on(15).isoformat()
    for path in PAGES:
        assert "alert(1)" not in phone.see(path)
    kept = {harmless(n) for n in (name, "C:\\x\\..", "", "/", "a" * 300 + ".jpg", "..", "con\0.jpg", "ü.jpg", ".jpg")}
    assert all(re.fullmatch(r"\w[\w.() -]{0,60}", k, re.ASCII) for k in kept), kept


def test_large_bodies_are_refused_before_they_arrive(page: Page, phone: Phone) -> None:
    for path in ["/photo", "/note"]:
        limit = PHOTO_BYTES if path == "/photo" else FORM_BYTES
        host, port = page.address.removeprefix("http://").split(":")
        with socket.create_connection((host, int(port))) as line:
            line.sendall(f"POST {path} HTTP/1.1\r\nHost: {host}:{port}\r\nContent-Length: {limit + 1}\r\n\r\n".encode())
            assert b" 413 " in line.recv(4096)
        with socket.create_connection((host, int(port))) as line:
            line.sendall(f"POST {path} HTTP/1.1\r\nHost: {host}:{port}\r\nContent-Length: 9{'9' * 30}\r\n\r\n".encode())
            assert b" 400 " in line.recv(4096)


def test_bodies_without_a_length_are_counted(page: Page, phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "PHOTO_BYTES", 200_000)
    hidden = phone.hidden("/")
    head = b"".join(
        f'--b\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n'.encode() for k, v in hidden.items()
    )
    head += b'--b\r\nContent-Disposition: form-data; name="photo"; filename="x.jpg"\r\n\r\n'

    def body() -> Iterator[bytes]:
        yield head
        for _ in range(5):
            yield bytes(64_000)
        yield b"\r\n--b--\r\n"

    answer = phone.client.post("/photo", content=body(), headers={"content-type": "multipart/form-data; boundary=b"})
    assert answer.status_code == 413
    assert "too large" in answer.text


def test_slow_uploads_are_ended(page: Page, phone: Phone) -> None:
    from starlette.requests import Request
    from starlette.responses import PlainTextResponse

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await Request(scope, receive).body()
        await PlainTextResponse("done")(scope, receive, send)

    async def drip() -> Any:
        await asyncio.sleep(0.03)
        return {"type": "http.request", "body": b"x", "more_body": True}

    async def stall() -> Any:
        await asyncio.sleep(60)

    async def send(message: Any) -> None:
        raise AssertionError(message)

    scope = {"type": "http", "method": "POST", "path": "/photo", "headers": [(b"host", b"a:1")], "client": None}
    from starlette.exceptions import HTTPException

    for receive, limits in ((stall, {"stall_s": 0.05}), (drip, {"upload_s": 0.2})):
        with pytest.raises(HTTPException, match="took too long to arrive"):
            asyncio.run(Guard(app, hosts=["a:1"], **limits)(scope, receive, send))


def test_connections_that_ask_for_nothing_are_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "HEAD_S", 0.1)
    begin(tmp_path / "book").close()
    with served(tmp_path / "book") as page:
        host, port = page.address.removeprefix("http://").split(":")
        whole = f"GET /pair HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode()
        for said in (b"", b"GET / HTTP/1.1\r\nHost:", whole, whole + b"GET / HTT"):
            with socket.create_connection((host, int(port)), timeout=30) as line:
                line.sendall(said)
                answer = b"".join(iter(lambda line=line: line.recv(65536), b""))
            assert (b" 200 " in answer) == said.startswith(whole)


def slow_upload(page: Page, phone: Phone) -> socket.socket:
    """The first bytes of an upload whose rest is long in coming."""
    host, port = page.address.removeprefix("http://").split(":")
    cookie = "; ".join(f"{k}={v}" for k, v in phone.client.cookies.items())
    line = socket.create_connection((host, int(port)), timeout=30)
    line.sendall(
        f"POST /photo HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\nContent-Length: 50000000\r\n"
        f"Content-Type: multipart/form-data; boundary=b\r\n\r\n--b\r\n".encode()
    )
    return line


def test_slow_uploads_hold_up_nobody_and_come_to_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(Guard.__init__.__kwdefaults__, "upload_s", 1.5)
    monkeypatch.setattr(Rate, "take", lambda self, key: True)
    begin(tmp_path / "book").close()
    with served(tmp_path / "book") as page, Phone(page) as phone:
        lines = [slow_upload(page, phone) for _ in range(15)]
        phone.see("/")  # while they drip
        waiting = dict(enumerate(lines))
        answers: dict[int, bytes] = {}
        while waiting:
            for k, line in list(waiting.items()):
                line.settimeout(0.02)
                with contextlib.suppress(TimeoutError):
                    answers[k] = line.recv(4096)
                    del waiting[k]
                    continue
                with contextlib.suppress(ConnectionError):
                    line.sendall(b"x")
        assert all(b" 408 " in answer for answer in answers.values())
        for line in lines:
            line.close()
        phone.see("/")
        assert list(rows(page)) == []


def test_one_peer_cannot_take_all_connections(tmp_path: Path) -> None:
    begin(tmp_path / "book").close()
    with served(tmp_path / "book") as page:
        host, port = page.address.removeprefix("http://").split(":")
        lines = [socket.create_connection((host, int(port)), timeout=30) for _ in range(80)]
        try:
            other = socket.create_connection((host, int(port)), timeout=30, source_address=("127.0.0.2", 0))
        except OSError as e:
            pytest.skip(f"this machine has but one address of its own ({e})")
        other.sendall(f"GET /pair HTTP/1.1\r\nHost: {host}:{port}\r\nConnection: close\r\n\r\n".encode())
        assert b" 200 " in other.recv(4096)
        for line in [other, *lines]:
            line.close()


@pytest.mark.skipif(os.name == "nt", reason="a limit of this kind is not Windows'")
def test_a_full_disk_is_told_to_the_phone(page: Page, phone: Phone, tmp_path: Path) -> None:
    import resource

    noise, written = photo(tmp_path / "day08.jpg", 8).read_bytes(), 0
    size = (page.book / "book.sqlite").stat().st_size
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    kept = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 4096, limit[1]))  # no file may grow beyond it
    try:
        answer = phone.upload(noise + bytes(2_000_000))
        assert (answer.status_code, "no room for the photo" in answer.text) == (507, True)
        assert "No room to read the photo" in phone.told(phone.upload(noise + bytes(size + 8192)))
        with page.opened() as book, contextlib.suppress(OutputError):
            while written < 100:  # the last page of the book has room yet
                book.add_notes([Note("topup", datetime(2026, 3, 9), amount=1.0, unit="l", comment="x" * 300)])
                written += 1
        comment = "x" * 300
        told = phone.told(phone.send("/note", kind="topup", litres="1", comment=comment, back="/notes"))
        assert "cannot be written" in told
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
        signal.signal(signal.SIGXFSZ, kept)
    assert (len(rows(page)), len(notes(page))) == (2, written)
    assert "Read:" in phone.told(phone.upload(noise, name="day08.jpg"))


def test_a_phone_that_goes_away_is_no_fault(page: Page, phone: Phone, capfd: pytest.CaptureFixture[str]) -> None:
    for _ in range(3):
        slow_upload(page, phone).close()
    phone.see("/")
    time.sleep(0.2)
    assert "fault" not in capfd.readouterr().err
    assert len(rows(page)) == 2


def test_the_sender_does_not_choose_the_decoder(page: Page, phone: Phone) -> None:
    for charset in ("undefined", "utf-7", "idna", '"utf-7"', "utf-8; charset=utf-7", "utf-8'x"):
        for kind in (
            f"multipart/form-data; boundary=b; charset={charset}",
            f"multipart/form-data; charset*=x''{charset}",
        ):
            for path in ("/note", "/pair"):
                answer = phone.client.post(path, content=b"--b--\r\n", headers={"content-type": kind})
                assert answer.status_code == 415, kind
    data = phone.hidden() | {"kind": "topup", "litres": "1"}
    kind = {"content-type": "application/x-www-form-urlencoded; charset=UTF-8"}
    assert phone.client.post("/note", data=data, headers=kind).status_code == 303


def test_photos_come_at_a_bearable_rate(page: Page, phone: Phone) -> None:
    found = [phone.upload(b"no photo").status_code for _ in range(12)]
    assert found == [303] * 10 + [429] * 2


def test_bodies_that_make_no_sense_are_refused(phone: Phone) -> None:
    for kind, body in [
        ("multipart/form-data", b"x"),
        ("multipart/form-data; boundary=b", b"--b\r\nX\r\n\r\n"),
        ("multipart/form-data; boundary=b; charset=no-such", b"--b--"),
        ("application/x-www-form-urlencoded", b"%ff%fe=%00&&&=;token"),
        ("application/x-www-form-urlencoded", b"&".join(b"a%d=1" % k for k in range(1000))),
        ("application/json", b"{}"),
        ("", b"\xff\xfe"),
    ]:
        for path in (*WRITES, "/pair"):
            answer = phone.client.post(path, content=body, headers={"content-type": kind})
            assert 400 <= answer.status_code < 500, (path, answer.status_code, answer.text)


# corrections and notes


def test_a_correction_counts_and_can_be_taken_back(page: Page, phone: Phone) -> None:
    site = {"site": "A1", "date": on(6).isoformat(), "back": f"/site/A1?on={on(6)}"}
    shown_on = f"/site/A1?on={on(6)}"
    answer = phone.send("/fix", shown_on=shown_on, seedlings="2", **site)
    assert answer.headers["location"] == shown_on
    assert "A1 on 7 Mar: 2 seedlings. Noted." in phone.told(answer)
    assert [(r["site"], r["seedlings"]) for r in rows(page, "fixes")] == [("A1", 2)]
    assert "2 seedlings, corrected" in phone.see(shown_on)
    assert "corrected" in phone.see(f"/day/{on(6)}")
    phone.send("/fix", shown_on=shown_on, withdraw="1", **site)
    assert rows(page, "fixes") == []


def test_corrections_that_make_no_sense(page: Page, phone: Phone) -> None:
    for fields, words in [
        ({"seedlings": "-1"}, "is no number for that"),
        ({"seedlings": "1e9"}, "is no number for that"),
        ({"seedlings": "٣"}, "is no number for that"),
        ({"seedlings": "401"}, "is no number for that"),
        ({}, "is no number for that"),
        ({"seedlings": "1", "site": "Z9"}, "no such site"),
        ({"seedlings": "1", "site": "<b>"}, "no such site"),
        ({"seedlings": "1", "date": "2020-01-01"}, "before the sowing"),
        ({"seedlings": "1", "date": "2999-01-01"}, "yet to come"),
        ({"seedlings": "1", "date": "<i>"}, "&lt;i&gt;"),
        ({"seedlings": "1", "date": ""}, "the day is missing"),
    ]:
        told = phone.told(phone.send("/fix", **{"site": "A1", "date": on(6).isoformat()} | fields))
        assert words in told.casefold()
        assert rows(page, "fixes") == []


def test_notes_of_every_kind(page: Page, phone: Phone) -> None:
    for fields in (
        {"kind": "topup", "litres": "1,5"},
        {"kind": "feed", "amount": "2", "unit": "tsp"},
        {"kind": "level", "level": "60", "unit": "%"},
        {"kind": "change"},
        {"kind": "pick"},
        {"kind": "pick", "site": "a1"},
        {"kind": "cover", "site": "B1"},
        {"kind": "retire", "site": "B3"},
        {"kind": "move", "site": "B2", "to": "B3"},
        {"kind": "resow", "site": "B2", "crop": "dill", "seeds": "4"},
    ):
        told = phone.told(phone.send("/note", **fields, back="/notes"))
        assert told.startswith("Noted for"), told
    assert notes(page) == [
        "topup  1.5 l",
        "feed  10.0 ml",
        "level  60.0 %",
        "change  None l",
        "pick  None ",
        "pick A1 None ",
        "cover B1 None ",
        "retire B3 None ",
        "move B2 None ",
        "resow B2 None ",
    ]
    text = phone.see("/notes")
    for words in ("1.5 l water added", "plug moved from B2 to B3", "sown anew in B2: dill, 4 seeds"):
        assert words in text
    assert "+1.5" in phone.see("/days")
    last = re.findall(r'name="number" value="(\d+)"', text)[0]
    assert "Taken back: sown anew in B2" in phone.told(phone.send("/withdraw", number=last))
    assert len(notes(page)) == 9


def test_a_second_tap_notes_nothing(page: Page, phone: Phone) -> None:
    data = phone.hidden() | {"kind": "topup", "litres": "1", "back": "/notes"}
    assert phone.told(phone.client.post("/note", data=data)).startswith("Noted for")
    assert "noted already" in phone.told(phone.client.post("/note", data=data))
    assert len(notes(page)) == 1
    with contextlib.closing(sqlite3.connect(page.book / "book.sqlite")) as database:
        while not database.execute("SELECT 1 FROM told").fetchall():  # which follows the answer
            time.sleep(0.01)
    phone.send("/note", kind="topup", litres="1")  # a second can is a second note
    assert len(notes(page)) == 2


def test_a_note_whose_answer_was_lost_is_noted_once(page: Page, phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sprout.page.app.Pages._told", lambda self, numbers: None)  # the power fails before the answer
    for _ in range(2):
        assert phone.told(phone.send("/note", kind="topup", litres="1", back="/notes")).startswith("Noted for")
    assert len(notes(page)) == 1


def test_notes_that_make_no_sense(page: Page, phone: Phone) -> None:
    for fields, words in [
        ({"kind": "topup", "litres": "lots"}, "is no amount"),
        ({"kind": "topup", "litres": "nan"}, "is no amount"),
        ({"kind": "topup", "litres": "-1"}, "is no amount"),
        ({"kind": "topup", "litres": "1e300"}, "is no amount"),
        ({"kind": "topup"}, "no amount was given"),
        ({"kind": "topup", "litres": "<script>"}, "&lt;script&gt;"),
        ({"kind": "topup", "litres": "1", "on": "2999-01-01"}, "yet to come"),
        ({"kind": "topup", "litres": "1", "on": "2020-01-01"}, "before the sowing"),
        ({"kind": "feed", "amount": "x"}, "is no amount"),
        ({"kind": "level", "level": "200", "unit": "%"}, "is no amount"),
        ({"kind": "move", "site": "A1", "to": "B2"}, "not free"),
        ({"kind": "move", "site": "A1"}, "no site was chosen"),
        ({"kind": "retire", "site": "Z9"}, "no such site"),
        ({"kind": "resow", "site": "A1", "crop": "nonsense", "seeds": "1"}, "nonsense"),
        ({"kind": "resow", "site": "A1", "crop": "dill", "seeds": "0"}, "is no number for that"),
        ({"kind": "burn"}, "no kind of note"),
        ({}, "no kind of note"),
    ]:
        told = phone.told(phone.send("/note", **fields))
        assert words in told.casefold()
        assert "sprout " not in told
        assert "<script" not in told
        assert notes(page) == []


def test_what_is_written_is_escaped(page: Page, phone: Phone) -> None:
    phone.send("/note", kind="topup", litres="1", comment="<script>alert(1)</script>" * 40)
    phone.send("/note", kind="topup", litres="2", comment="so\x1b[2J\0\u202e\r\nX: y 👩\u200d🌾")
    text = phone.see("/notes")
    assert "<small>so [2J X: y 👩\u200d🌾</small>" in text
    assert not re.search(r"[\0-\x08\x0b-\x1f\u202e]", text)
    assert re.search(r"[\0\x1b]", phone.told(phone.send("/note", kind="topup", litres="\0\x1b"))) is None
    assert "&lt;script&gt;alert(1)" in text
    assert "<script>alert" not in text


def test_no_form_leads_elsewhere(phone: Phone) -> None:
    for back in ["//elsewhere.example", "http://x", "/notes\r\nSet-Cookie: a=b", "/\\x", "/pair", "/site/a/b"]:
        answer = phone.send("/note", kind="topup", litres="1", back=back)
        assert answer.headers["location"] == "/"
        assert "set-cookie" not in answer.headers


def test_a_book_without_photos_has_pages(tmp_path: Path) -> None:
    begin(tmp_path / "book").close()
    with served(tmp_path / "book") as page, Phone(page) as phone:
        for path in ("/", "/notes", "/curves", "/days", "/phones", "/site/A1"):
            phone.see(path)
        text = phone.see("/")
        assert "No photo has been read yet" in text
        assert text.count('class="spot waiting"') == len(LID.labels)
        assert ".waiting" in phone.see("/static/style.css")
        assert "Not looked at." in phone.see("/site/A1")


def test_a_book_that_went_away_is_told(page: Page, phone: Phone) -> None:
    page.book.rename(page.book.with_name("away"))
    answer = phone.client.get("/")
    assert answer.status_code == 503
    assert "is not a book" in answer.text
    page.book.with_name("away").rename(page.book)
    phone.see("/")


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    path=st.sampled_from(WRITES),
    fields=st.dictionaries(
        st.sampled_from(["kind", "site", "to", "on", "date", "litres", "amount", "unit", "seeds", "crop", "number"]),
        st.one_of(
            st.text(max_size=30),
            st.sampled_from(
                ["topup", "feed", "move", "resow", "pick", "level", "A1", "B2", "1", "0.5", on(6).isoformat()]
            ),
        ),
    ),
)
def test_no_form_breaks_the_page(page: Page, phone: Phone, path: str, fields: dict[str, str]) -> None:
    if path == "/phones/forget":
        return
    encoded = {k: v.encode("utf-8", "surrogatepass") for k, v in fields.items()}
    assert phone.client.post(path, data=phone.hidden("/phones") | encoded).status_code < 500


# the process that reads, the addresses, the command


def test_photos_that_a_killed_page_left_are_deleted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with set_down(io.BytesIO(b"photo"), "x.jpg") as file:
        folder = file.parent
        sweep()
        assert file.read_bytes() == b"photo"  # of a page that runs
        os.utime(folder, (0, 0))
        (tmp_path / "sprout-upload-elsewhere").symlink_to(tmp_path)
        sweep()
        assert not folder.exists()
    assert [p.name for p in tmp_path.iterdir()] == ["sprout-upload-elsewhere"]


def test_the_reading_process_deletes_the_photo_of_a_page_that_was_killed(tmp_path: Path) -> None:
    begin(tmp_path / "book").close()
    (tmp_path / "sent").mkdir()
    arrival = Arrival(tmp_path / "book", photo(tmp_path / "sent" / "a.jpg", 4), None, Settings())
    reader = Reader()
    reader._line.send(arrival)
    reader._line.close()  # as the system does for a process that is killed
    reader._process.join(60)
    assert reader._process.exitcode == 0
    assert not (tmp_path / "sent").exists()
    with Page(tmp_path / "book").opened() as book:
        assert len(book.photos()) == 1


def test_a_reading_that_comes_down_costs_that_photo_only(tmp_path: Path) -> None:
    begin(tmp_path / "book").close()
    arrival = Arrival(tmp_path / "book", photo(tmp_path / "a.jpg", 4), None, Settings())
    reader = Reader()
    try:
        reader._process.kill()
        assert reader(arrival) == Outcome("refused", "reading it failed: take another photo")
        found = reader(arrival)
        assert found.outcome == "unread"  # noise, no lid: the book says why
        assert found.reason
        reader._waiting = 6
        with pytest.raises(Busy):
            reader(arrival)
    finally:
        reader.close()


def test_a_book_keeps_the_name_of_a_photo_and_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begin(tmp_path / "book").close()
    monkeypatch.setattr("sprout.survey.survey_many", fake_survey_many(SEEN, []))
    monkeypatch.chdir(tmp_path)
    photo(tmp_path / "day08.jpg", 8)
    arrival = Arrival(tmp_path / "book", Path("day08.jpg"), None, Settings())
    assert read_into_book(arrival) == Outcome("read", "", on(8))
    assert [r["photo"] for r in rows(Page(tmp_path / "book"))] == ["day08.jpg"]


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("8.8.8.8", "open to the internet"),
        ("0.0.0.0", "not this computer's own"),
        ("224.0.0.1", "not this computer's own"),
        ("::1", "no address of version 4"),
        ("kitchen", "is no address"),
    ],
)
def test_addresses_that_are_refused(address: str, words: str) -> None:
    with pytest.raises(UsageError, match=re.escape(words)):
        server.fit_address(address)


def test_home_addresses_are_fit() -> None:
    for address in ("127.0.0.1", "192.168.1.5", "10.0.0.2", "172.16.9.9", "169.254.1.1"):
        assert server.fit_address(address) == address


def test_a_port_that_is_taken_is_told() -> None:
    with server.bound("127.0.0.1", 0) as line, pytest.raises(UsageError, match="choose another with --port"):
        server.bound("127.0.0.1", line.getsockname()[1])


def test_the_picture_of_a_link_is_drawn() -> None:
    link = server.pairing_link("http://192.168.1.5:8517", "ABCD-2345")
    assert link == "http://192.168.1.5:8517/pair?code=ABCD-2345"
    assert server.qr_text(link).count("\n") > 12
    assert "style" not in server.qr_svg(link)


def test_without_the_extra_it_says_how_to_install_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "segno", None)
    assert main(["serve", str(tmp_path)]) == 2
    assert 'python3 -m pip install ".[web]"' in capsys.readouterr().err


def test_what_cannot_be_served(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", str(tmp_path)]) == 5
    begin(tmp_path / "book").close()
    assert main(["serve", str(tmp_path / "book"), "--address", "8.8.8.8"]) == 2
    assert "open to the internet" in capsys.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are not Windows'")
@pytest.mark.parametrize(("sign", "status"), [(signal.SIGTERM, 0), (signal.SIGINT, 130)])
def test_serving_ends_cleanly(tmp_path: Path, sign: signal.Signals, status: int) -> None:
    begin(tmp_path / "book").close()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell ignores it for what runs in the background
    command = [sys.executable, "-m", "sprout", "serve", str(tmp_path / "book"), "--port", "0"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        lines = [process.stderr.readline() for _ in range(3)]
        link = re.search(r"http://\S+", lines[0])
        assert link is not None
        import httpx

        assert httpx.get(link[0], trust_env=False).status_code == 200
        process.send_signal(sign)
        try:
            _, said = process.communicate(timeout=60)
        finally:
            process.kill()
    assert process.returncode == status
    assert "Traceback" not in said
