"""(k) the crew's page: its size and time, what it adds to memory, and the way to the pin while fifty phones ask.

The phones are another process, each from an address of its own; the page is where it always is, in the watch's.
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

from witnesspost.daemon.page.gate import Gate
from witnesspost.daemon.page.page import Page
from witnesspost.rules.site.model import Page as PageTable
from witnesspost.rules.site.reading import site_from_toml

from tests.bench.alarm import latencies, words
from tests.bench.row import Row, at_most, resident_mib

PHONES = 50
REQUESTS_PER_S = 20.0
_PIN = "418820"
_PLACES = ("/", "/check-in", "/today", "/day", "/radio", "/files", "/help")
_SITE = """
[post]
name = "bench"
role = "base"
log_dir = "{folder}"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""
_PAGE = '[page]\nlisten = "127.0.0.1:{port}"\npin = "{pin}"\n'
_SETTLED_S = 6.0


def rows(short: bool) -> Iterator[Row]:
    """Size and time of the first page, memory, and the worst way to the pin under load."""
    port = _free_port()
    site = site_from_toml(_SITE.format(folder="/nowhere") + _PAGE.format(port=port, pin=_PIN))
    phones = subprocess.Popen([sys.executable, "-m", "tests.bench.phones", str(port)], stdout=subprocess.PIPE, text=True)
    try:
        gate = Gate(_PIN)
        table = site.page or PageTable()
        from_byte, _ = latencies(10 if short else 200, [lambda: Page(site, table, gate)])
    finally:
        phones.terminate()
        said = (phones.communicate()[0].splitlines() or [""])[-1]
    note = f"{words(from_byte)}; {said}"
    yield at_most(
        "k",
        f"byte to the pin, {PHONES} phones listening, {REQUESTS_PER_S:.0f} requests a second",
        0.1,
        max(from_byte),
        " s",
        note,
    )
    yield from _first_page()


def _first_page() -> Iterator[Row]:
    """What a phone loads first, and how much more a watch with a page and its first phone needs."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        with_page, without = (_Post(Path(folder, name), page) for name, page in (("with", True), ("without", False)))
        try:
            phone = Phone(with_page.port, "127.0.0.1")
            until = time.monotonic() + 20
            while not phone.enters():
                assert time.monotonic() < until, "no page"
                time.sleep(0.1)
            size, times = 0, []
            for _ in range(5):
                began = time.perf_counter()
                size = sum(len(phone.get(path)) for path in ("/", "/style.css", "/script.js"))
                times.append(time.perf_counter() - began)
            for path in _PLACES:
                phone.get(path)
            time.sleep(_SETTLED_S)
            added = resident_mib(with_page.process.pid) - resident_mib(without.process.pid)
        finally:
            with_page.stop()
            without.stop()
    yield at_most("k", "first page, style and script", 60.0, size / 1000, " kB")
    yield at_most("k", "the same, time", 0.3, sorted(times)[2], " s", f" (median of 5; the worst {max(times):.3f} s)")
    yield at_most("k", "memory that the page adds to the watch, every place shown", 12.0, added, " MiB")


class _Post:
    """A running `witnesspost watch`."""

    def __init__(self, folder: Path, page: bool):
        folder.mkdir()
        self.port = _free_port()
        site = folder / "site.toml"
        site.write_text(_SITE.format(folder=folder) + (_PAGE.format(port=self.port, pin=_PIN) if page else ""))
        command = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, "RUNTIME_DIRECTORY": str(folder)}
        )

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(20)


class Phone:
    """One phone at an address of this machine's."""

    def __init__(self, port: int, address: str):
        self._port, self._address = port, address
        self._cookie = ""

    def enters(self) -> bool:
        """True once the PIN was taken."""
        try:
            token = re.search(rb'name="token" value="([^"]+)"', self.get("/"))
            answer = self._ask("POST", "/pin", urlencode({"token": token[1].decode() if token else "", "pin": _PIN}).encode())
        except OSError:
            return False
        cookie = re.search(rb"Set-Cookie: ([^;]+)", answer)
        self._cookie = cookie[1].decode() if cookie else ""
        return bool(cookie)

    def get(self, path: str) -> bytes:
        """A whole answer."""
        return self._ask("GET", path)

    def listen(self) -> socket.socket:
        """A connection on which news come."""
        end = self._connect()
        end.sendall(self._head("GET", "/live/now", b""))
        return end

    def _ask(self, method: str, path: str, body: bytes = b"") -> bytes:
        with self._connect() as end:
            end.sendall(self._head(method, path, body) + body)
            return b"".join(iter(lambda: end.recv(65536), b""))

    def _connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self._port), 20.0, (self._address, 0))

    def _head(self, method: str, path: str, body: bytes) -> bytes:
        host = f"127.0.0.1:{self._port}"
        form = f"Origin: http://{host}\r\nContent-Type: application/x-www-form-urlencoded\r\n" if body else ""
        lines = f"Host: {host}\r\nCookie: {self._cookie}\r\n{form}Content-Length: {len(body)}\r\n\r\n"
        return f"{method} {path} HTTP/1.1\r\n{lines}".encode()


def _free_port() -> int:
    with socket.socket() as end:
        end.bind(("127.0.0.1", 0))
        return int(end.getsockname()[1])


def _load(port: int) -> None:
    """Fifty phones until the end: each listens, and in turn one of them asks for a place. Says now and then what it did."""
    phones = [Phone(port, f"127.0.1.{number + 1}") for number in range(PHONES)]
    for phone in phones:
        while not phone.enters():
            time.sleep(0.1)
    listening = [phone.listen() for phone in phones]
    for end in listening:
        end.setblocking(False)
    began, asked, heard_at = time.monotonic(), 0, [time.monotonic()] * PHONES
    while True:
        phones[asked % PHONES].get(_PLACES[asked % len(_PLACES)])
        asked += 1
        for number, end in enumerate(listening):
            with contextlib.suppress(BlockingIOError):
                if end.recv(1 << 16):
                    heard_at[number] = time.monotonic()
        if asked % 20 == 0:
            heard = sum(time.monotonic() - at < 3.0 for at in heard_at)
            print(f"{heard} heard of it each second, {asked / (time.monotonic() - began):.0f} requests a second", flush=True)
        time.sleep(max(0.0, began + asked / REQUESTS_PER_S - time.monotonic()))


if __name__ == "__main__":
    with contextlib.suppress(OSError):  # the post has ended
        _load(int(sys.argv[1]))
