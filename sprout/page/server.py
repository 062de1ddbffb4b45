"""Addresses, the code on the terminal, and the server itself."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import os
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sprout.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import uvicorn

    from sprout.outlook import EarlierGrow
    from sprout.page.guard import Guard
    from sprout.page.uploads import Read
    from sprout.settings import Settings

# what it remarks on broken forms would reach the terminal
logging.getLogger("python_multipart").addHandler(logging.NullHandler())

HOME = "127.0.0.1"
PORT = 8517
HEAD_S = 20.0
_MOST_AT_ONCE = 60
_MOST_OF_ONE = 20  # a browser opens six


def lan_address() -> str:
    """This machine's address on the network it would reach others by.

    Raises
    ------
    UsageError
        If there is none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as line:
        try:
            line.connect(("192.0.2.1", 9))  # an address kept for documents; no packet is sent
            address = str(line.getsockname()[0])
        except OSError:
            address = HOME
    if address.startswith("127."):
        raise UsageError("--lan", "this computer is on no network", "connect it, or name its address with --address")
    return address


def fit_address(address: str) -> str:
    """The address, if the page may be bound to it.

    Raises
    ------
    UsageError
        If it is none, stands for all networks at once, or is one of the internet.
    """
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        raise UsageError(f"--address {address}", "is no address", "write it as 192.168.1.5") from None
    if ip.version != 4:
        raise UsageError(f"--address {address}", "is no address of version 4", "write it as 192.168.1.5")
    if ip.is_unspecified or ip.is_multicast:
        raise UsageError(f"--address {address}", "is not this computer's own", "name the one of your home network")
    if ip.is_global:
        raise UsageError(f"--address {address}", "is open to the internet", "name the one of your home network")
    return str(ip)


def bound(address: str, port: int) -> socket.socket:
    """A socket that listens there.

    Raises
    ------
    UsageError
        If the port is taken or the address is not this machine's.
    """
    line = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # elsewhere it would let two programs share the port
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        line.bind((address, port))
        line.listen(64)
    except OSError as e:
        line.close()
        mend = "choose another with --port" if address == HOME else "check --address, or choose another --port"
        raise UsageError(f"{address}:{port}", f"cannot be listened at ({e.strerror or e})", mend) from None
    return line


def hosts(address: str, port: int) -> set[str]:
    """Names by which the page may be asked for."""
    names = {address, "localhost"} if address == HOME else {address}
    return {f"{name}:{port}" for name in names} | (names if port == 80 else set())


def pairing_link(address: str, code: str) -> str:
    """Where a phone pairs itself. Opening it uses nothing up: the code is spent by the tap on that page."""
    return f"{address}/pair?code={code}"


def qr_svg(link: str) -> Any:
    """The link as a picture in the page."""
    import segno
    from markupsafe import Markup

    return Markup(segno.make(link, error="m").svg_inline(scale=5, border=4, light="#fff", dark="#000"))


def qr_text(link: str) -> str:
    """The link as a picture in the terminal."""
    import io

    import segno

    out = io.StringIO()
    segno.make(link, error="l").terminal(out, compact=True, border=2)
    return out.getvalue()


def _peer(connection: object) -> str:
    """The address at a connection's other end, "" if it is not known."""
    client = getattr(connection, "client", None)
    return str(client[0]) if client else ""


def _patience() -> type[Any]:
    """The protocol of a connection that closes it when no request comes, or never comes to the end of its head."""
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patience(H11Protocol):
        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            if sum(_peer(other) == _peer(self) for other in self.connections) > _MOST_OF_ONE:
                transport.close()  # one phone's must not be all that there can be
                return
            self._last: object = None
            self.loop.call_later(HEAD_S, self._check)

        def _check(self) -> None:
            if self.transport.is_closing():
                return
            idle = self.cycle is None or self.cycle.response_complete
            if idle and self.cycle is self._last:
                self.transport.close()
                return
            self._last = self.cycle if idle else None
            self.loop.call_later(HEAD_S, self._check)

    return Patience


def make_server(
    book: Path,
    line: socket.socket,
    *,
    read: Read,
    settings: Settings,
    announce: Callable[[str, str], None],
    keep_until_chance: float,
    earlier: Sequence[EarlierGrow] = (),
) -> tuple[uvicorn.Server, str]:
    """The server on a bound socket, and its address. ``announce`` is called with each new code and its link."""
    import uvicorn

    from sprout.page.access import Codes, Phones
    from sprout.page.app import make_app
    from sprout.page.contents import Shelf
    from sprout.page.desk import House

    host, port = line.getsockname()[:2]
    address = f"http://{host}:{port}"
    codes = Codes()

    def show(code: str) -> None:
        announce(code, pairing_link(address, code))

    shelf = Shelf(book, keep_until_chance=keep_until_chance, earlier=earlier)
    shelf.contents()  # what is wrong with the book is said here, not on the phone
    house = House(shelf, Phones(book), codes, read, settings, address, show)
    # a browser tells cookies apart by host, not by port: two books on one machine must not take each other's
    app: Guard = make_app(house, cookie=f"sprout_{port}", hosts=hosts(host, port))
    config = uvicorn.Config(
        app,
        log_level="error" if os.environ.get("SPROUT_DEBUG") else "critical",
        access_log=False,
        lifespan="off",
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=_MOST_AT_ONCE,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=5,
        h11_max_incomplete_event_size=32_768,
        http=_patience(),
        ws="none",
        loop="asyncio",
    )
    show(codes.new())
    return uvicorn.Server(config), address
