"""Kills of a page's server while a phone sends it photos, and what must hold of a book after any kill."""

from __future__ import annotations

import contextlib
import os
import random
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from sprout.book import Book
from sprout.intake import sha256_of
from sprout.page.access import Phones, form_token
from sprout.page.server import bound, make_server
from sprout.page.uploads import read_into_book
from sprout.settings import Settings

WRITING_S = 0.003  # about as long as a write takes
PIECE, BETWEEN_S = 16_384, 0.0005  # a phone's line
PHOTOS = (
    "SELECT p.path FROM photo p LEFT JOIN survey s ON s.sha256 = p.sha256"
    " LEFT JOIN reading r ON r.survey = s.id AND r.site = 'A1'"
)


@dataclass
class Tally:
    """What came of the kills of one kind."""

    kills: int = 0
    died: int = 0
    written: int = 0  # died after the write, before the end was told
    faults: list[str] = field(default_factory=list)


def held(book: Path, sql: str) -> Counter[Hashable]:
    """What the book holds, and how often, once it was opened and found sound."""
    with Book(book) as opened:
        opened.evidence()
    with contextlib.closing(sqlite3.connect(book / "book.sqlite")) as connection:
        for name, sha256 in connection.execute("SELECT name, sha256 FROM file"):
            assert sha256_of(book / name) == sha256, f"{name} is damaged"
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)], "the database is damaged"
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == [], "a row refers to nothing"
        return Counter(row[0] if len(row) == 1 else row for row in connection.execute(sql))


class Server:
    """A page that can be killed and started again, and a phone that stays paired with it.

    ``true`` starts ``sprout serve`` with its reading process; else the server runs in a forked child, reads in itself,
    and is up at once.
    """

    def __init__(self, book: Path, *, true: bool) -> None:
        self.book, self.true = book, true
        with socket.socket() as line:
            line.bind(("127.0.0.1", 0))
            self.port = int(line.getsockname()[1])
        self.secret = Phones(book).pair("phone")
        self.process: int | subprocess.Popen[bytes] = 0

    def start(self) -> None:
        if self.true:
            words = [sys.executable, "-m", "sprout", "serve", str(self.book), "--port", str(self.port)]
            self.process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        else:
            self.process = os.fork()
            if not self.process:
                with contextlib.suppress(BaseException):
                    self._serve()
                os._exit(99)
        for _ in range(600):
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            time.sleep(0.05)
        raise AssertionError("the server does not come up")

    def _serve(self) -> None:
        line = bound("127.0.0.1", self.port)
        server, _ = make_server(
            self.book, line, read=read_into_book, settings=Settings(), announce=lambda *_: None, keep_until_chance=0.2
        )
        server.run(sockets=[line])

    def kill(self, sign: signal.Signals = signal.SIGKILL) -> None:
        if isinstance(self.process, int):
            os.kill(self.process, sign)
            os.waitpid(self.process, 0)
        else:
            self.process.send_signal(sign)
            self.process.wait()

    def upload(self, file: Path) -> bool:
        """Whether the page said that the photo is in the book."""
        fields = {"token": form_token(self.secret), "once": file.name}
        head = "".join(f'--b\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items())
        head += f'--b\r\nContent-Disposition: form-data; name="photo"; filename="{file.name}"\r\n\r\n'
        body = head.encode() + file.read_bytes() + b"\r\n--b--\r\n"

        def pieces() -> Iterator[bytes]:
            for at in range(0, len(body), PIECE):
                yield body[at : at + PIECE]
                time.sleep(BETWEEN_S)

        try:
            answer = httpx.post(
                f"http://127.0.0.1:{self.port}/photo",
                content=pieces(),
                headers={
                    "content-type": "multipart/form-data; boundary=b",
                    "content-length": str(len(body)),
                    "cookie": f"sprout_{self.port}={self.secret}",
                },
                timeout=60,
                trust_env=False,
            )
        except httpx.TransportError:
            return False
        return answer.status_code == 303 and re.match(r"/day/\d", answer.headers["location"]) is not None


def _names(book: Path) -> Counter[str]:
    """How often each photo is in the book; a page keeps its name, or its path for a moment."""
    found: Counter[str] = Counter()
    for path, times in held(book, PHOTOS).items():
        found[Path(str(path)).name] += times
    return found


def kill_uploads(server: Server, photos: list[Path], rng: random.Random) -> Tally:
    """Kill the server once for each photo but the first two, while the photo is sent and read."""
    tally = Tally()
    told: set[str] = set()
    server.start()
    seconds = 0.0
    for file in photos[:2]:
        start = time.perf_counter()
        assert server.upload(file), "does not work undisturbed"
        seconds = time.perf_counter() - start
        told.add(file.name)
    for place, file in enumerate(photos[2:]):
        tally.kills += 1
        journal = server.book / "book.sqlite-journal" if place % 2 else None
        after = rng.expovariate(1 / WRITING_S) if journal else rng.uniform(0, 1.1 * seconds)
        seen: list[bool] = []
        sending = threading.Thread(target=lambda file=file, seen=seen: seen.append(server.upload(file)))
        sending.start()
        while journal is not None and not journal.exists() and sending.is_alive():
            pass
        time.sleep(after)
        server.kill()
        sending.join()
        try:
            there = _names(server.book)
            told |= {file.name} if seen[0] else set()
            tally.died += not seen[0]
            tally.written += not seen[0] and there[file.name] == 1
            assert all(there[name] == 1 for name in told), "a photo that was told is not there exactly once"
            server.start()
            assert server.upload(file), "the photo sent again is not taken"
            told.add(file.name)
            there = _names(server.book)
            assert all(there[name] == 1 for name in told), "the photo sent again is not there exactly once"
            assert max(there.values()) == 1, "a photo is there twice"
        except Exception as e:
            tally.faults.append(f"{file.name} over {server.port}: {type(e).__name__}: {e}")
            with contextlib.suppress(OSError):
                server.kill()
            server.start()
    server.kill(signal.SIGTERM)
    return tally
