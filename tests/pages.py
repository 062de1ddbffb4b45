"""A page served for tests: the true server on a port of its own, and phones that talk to it."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from sprout.book import Book
from sprout.page.server import bound, make_server
from sprout.page.uploads import Read, read_into_book
from sprout.settings import Settings


@dataclass
class Page:
    """A served book: where it is, and the codes that its terminal showed."""

    book: Path
    address: str = ""
    codes: list[str] = field(default_factory=list)

    def opened(self) -> Book:
        return Book(self.book)

    def stranger(self, **headers: str) -> httpx.Client:
        """A phone that is not paired."""
        return httpx.Client(base_url=self.address, headers=headers, trust_env=False, timeout=60)


@contextmanager
def served(book: Path, *, read: Read = read_into_book) -> Iterator[Page]:
    """Serve a book until the block ends."""
    page = Page(book)
    line = bound("127.0.0.1", 0)
    server, page.address = make_server(
        book,
        line,
        read=read,
        settings=Settings(),
        announce=lambda code, link: page.codes.append(code),
        keep_until_chance=0.2,
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [line]})
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield page
    finally:
        server.should_exit = True
        thread.join()
        line.close()


class Phone:
    """A paired phone, which sends the forms that its pages show."""

    def __init__(self, page: Page, code: str | None = None) -> None:
        self.client = page.stranger()
        answer = self.client.post("/pair", data={"code": code or page.codes[-1]})
        assert answer.status_code == 303, answer.text

    def __enter__(self) -> Phone:
        return self

    def __exit__(self, *exc: object) -> None:
        self.client.close()

    def see(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, (path, answer.status_code, answer.text)
        return answer.text

    def hidden(self, path: str = "/notes") -> dict[str, str]:
        """What the first form of a page carries unseen."""
        text = self.see(path)
        return {name: re.findall(f'name="{name}" value="([^"]+)"', text)[0] for name in ("token", "once")}

    def send(self, path: str, *, shown_on: str = "/notes", **fields: Any) -> httpx.Response:
        return self.client.post(path, data=self.hidden(shown_on) | fields)

    def told(self, answer: httpx.Response) -> str:
        """What the page after a form says of it."""
        assert answer.status_code == 303, (answer.status_code, answer.text)
        found = re.search(r'<p class="told[^"]*" role="status">(.*?)</p>', self.see(answer.headers["location"]), re.S)
        return found[1] if found else ""

    def upload(self, photo: Path | bytes, *, name: str = "photo.jpg", kind: str = "image/jpeg", on: str = "") -> Any:
        data = photo if isinstance(photo, bytes) else photo.read_bytes()
        return self.client.post("/photo", data=self.hidden("/") | {"on": on}, files={"photo": (name, data, kind)})
