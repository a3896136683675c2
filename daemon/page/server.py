"""HTTP for a few dozen phones over connections that are bounded in number, size and time; one request each.

    accept ──Bounds──► head, body (deadlines, sizes) ──Request──► the application ──Response──► written, with a deadline

What is no good request gets one line and costs no traceback. Nothing of a request ever becomes a path here.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

from microdot.microdot import Microdot, NoCaseDict, Request, Response
from witnesspost.daemon.page.bounds import Bounds, Slot, address_of

HEAD_BYTES = 8192
BODY_BYTES = 8192
REQUEST_S = 5.0  # from the connection to the last byte of the request
WRITE_S = 10.0  # for each piece of an answer that the other end does not take
_REST_BYTES, _REST_S = 8192, 1.0  # of a body that is refused, so that the other end reads why
_BUFFER_BYTES = 32768
_WAITING = 64
_AGAIN_S = 0.1  # after accept(2) has failed, as for want of file handles
_MOMENTS, _MOMENT_S = 20, 0.01
_METHODS = frozenset({"GET", "HEAD", "POST"})


class BadRequest(Exception):
    """What came is no request that is answered; `status` and one line say why."""

    def __init__(self, status: int, why: str):
        super().__init__(why)
        self.status = status


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises OSError, also where the address does not exist yet."""
    family, kind, proto, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE | socket.AI_NUMERICHOST
    )[0]
    end = socket.socket(family, kind | socket.SOCK_CLOEXEC, proto)
    try:
        end.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6 and host == "::":
            end.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        end.bind(address)
        end.listen(_WAITING)
        end.setblocking(False)
    except BaseException:
        end.close()
        raise
    return end


class Server:
    """Answers what comes to `end` by `application`. `knows` says of a request whether it shows a session."""

    def __init__(
        self, end: socket.socket, application: Microdot, knows: Callable[[Request], bool], tls: ssl.SSLContext | None = None
    ):
        self.bounds = Bounds()
        self._end = end
        self._application = application
        self._knows = knows
        self._tls = tls
        self._tasks: set[asyncio.Task[None]] = set()
        self._coming: list[str] = []

    async def serve(self) -> None:
        """Until it is cancelled; then every connection ends."""
        loop = asyncio.get_running_loop()
        try:
            while True:
                try:
                    end, peer = await loop.sock_accept(self._end)
                except OSError:
                    await asyncio.sleep(_AGAIN_S)
                    continue
                self._admit(end, address_of(peer[0]), peer)
        finally:
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)

    def _admit(self, end: socket.socket, address: str, peer: Any) -> None:
        """Begin at once; where it is crowded in some moments, while others are served."""
        if not self.bounds.has_room(address, self._coming.count(address)):
            end.close()
            return
        if not self.bounds.crowded or len(self._coming) >= _WAITING:
            self._begin(end, address, peer)
            return
        self._coming.append(address)
        task = asyncio.get_running_loop().create_task(self._come(end, address, peer))
        self._tasks.add(task)

        def over(task: asyncio.Task[None]) -> None:
            self._tasks.discard(task)
            self._coming.remove(address)
            if task.cancelled():
                end.close()

        task.add_done_callback(over)

    async def _come(self, end: socket.socket, address: str, peer: Any) -> None:
        for _ in range(_MOMENTS):  # many phones that come at once have each said who they are within moments
            await asyncio.sleep(_MOMENT_S)
            if not self.bounds.crowded:
                break
        self._begin(end, address, peer)

    def _begin(self, end: socket.socket, address: str, peer: Any) -> None:
        slot = self.bounds.admit(address)
        if slot is None:
            end.close()
            return
        opened: list[asyncio.StreamWriter] = []
        task = asyncio.get_running_loop().create_task(self._connection(end, peer, slot, opened))
        slot.drop = task.cancel
        self._tasks.add(task)

        def over(task: asyncio.Task[None]) -> None:  # also of one that was dropped before its first step
            self._tasks.discard(task)
            self.bounds.leave(slot)
            if opened:
                opened[0].transport.abort()
            else:
                end.close()

        task.add_done_callback(over)

    async def _connection(self, end: socket.socket, peer: Any, slot: Slot, opened: list[asyncio.StreamWriter]) -> None:
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader(limit=HEAD_BYTES)
        protocol = asyncio.StreamReaderProtocol(reader)
        with contextlib.suppress(OSError, TimeoutError, asyncio.IncompleteReadError):
            handshake_s = REQUEST_S if self._tls is not None else None
            transport, _ = await loop.connect_accepted_socket(
                lambda: protocol, end, ssl=self._tls, ssl_handshake_timeout=handshake_s
            )
            transport.set_write_buffer_limits(high=_BUFFER_BYTES)
            writer = asyncio.StreamWriter(transport, protocol, reader, loop)
            opened.append(writer)
            await self._exchange(reader, writer, peer, slot)
            writer.close()
            async with asyncio.timeout(WRITE_S):
                await writer.wait_closed()

    async def _exchange(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, peer: Any, slot: Slot) -> None:
        try:
            async with asyncio.timeout(REQUEST_S):
                request = await self._request(reader, peer)
        except BadRequest as error:
            await self._write(writer, Response(f"{error}\n", error.status, {"Content-Type": "text/plain"}))
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_REST_S):
                    while await reader.read(_REST_BYTES):
                        pass
            return
        if self._knows(request):
            slot.stranger = False
        elif request.method == "POST":
            self.bounds.keep(slot)
        await self._write(writer, await self._application.dispatch_request(request), head_only=request.method == "HEAD")

    async def _request(self, reader: asyncio.StreamReader, peer: Any) -> Request:
        try:
            head = await reader.readuntil(b"\r\n\r\n")
        except asyncio.LimitOverrunError:
            raise BadRequest(431, "the head of the request is too long") from None
        method, target, headers = _head(head)
        size_bytes = _size(headers)
        body = await reader.readexactly(size_bytes) if size_bytes else b""
        try:
            scheme = "https" if self._tls is not None else "http"
            return Request(self._application, peer, method, target, "1.0", headers, body=body, scheme=scheme)
        except ValueError:
            raise BadRequest(400, "the address cannot be read") from None

    async def _write(self, writer: asyncio.StreamWriter, response: Response, *, head_only: bool = False) -> None:
        response.complete()
        lines = [f"HTTP/1.1 {response.status_code} {HTTPStatus(response.status_code).phrase}"]
        for name, value in response.headers.items():
            lines += [f"{name}: {one}" for one in (value if isinstance(value, list) else [value])]
        writer.write("\r\n".join([*lines, "Connection: close", "", ""]).encode())
        body: Any = response.body_iter()
        try:
            if not head_only:
                async for piece in body:
                    writer.write(piece)
                    async with asyncio.timeout(WRITE_S):
                        await writer.drain()
            async with asyncio.timeout(WRITE_S):
                await writer.drain()
        finally:
            await body.aclose()


def _head(head: bytes) -> tuple[str, str, Any]:
    """Method, target and headers. Raises BadRequest."""
    try:
        first, *rest = head.decode("ascii").rstrip("\r\n").split("\r\n")
        method, target, version = first.split(" ")
    except ValueError:
        raise BadRequest(400, "that is no request") from None
    if not version.startswith("HTTP/1.") or not target.startswith("/"):
        raise BadRequest(400, "that is no request")
    if method not in _METHODS:
        raise BadRequest(405, "only GET and POST are answered")
    headers = NoCaseDict()
    for line in rest:
        name, colon, value = line.partition(":")
        if not colon or not name or name != name.strip() or name in headers:
            raise BadRequest(400, "a line of the request's head cannot be read, or is there twice")
        headers[name] = value.strip()
    return method, target, headers


def _size(headers: Any) -> int:
    """The body's size in bytes. Raises BadRequest."""
    if "Transfer-Encoding" in headers:
        raise BadRequest(411, "a body must say its length")
    said = headers.get("Content-Length", "0")
    if not (said.isascii() and said.isdecimal()):
        raise BadRequest(400, "the body's length is no number")
    if len(said) > 9 or int(said) > BODY_BYTES:
        raise BadRequest(413, f"the body is over {BODY_BYTES} bytes")
    return int(said)
