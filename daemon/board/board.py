"""The board: listens to the broker on one thread, and serves one page of all posts from another. Nothing can be said by it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import time
from pathlib import Path
from typing import Any

from microdot.microdot import Microdot, Request, Response
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.subscribeoptions import SubscribeOptions
from witnesspost.daemon.board import view
from witnesspost.daemon.board.posts import Posts
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.page import frame
from witnesspost.daemon.page.answers import LOOPBACK, SECURITY, host_of, html_answer, own_file, plain_answer
from witnesspost.daemon.page.html import Html
from witnesspost.daemon.page.live import Live, Parts
from witnesspost.daemon.page.server import Server
from witnesspost.daemon.publish.connection import Connection
from witnesspost.daemon.publish.messages import MINUTE, STATE
from witnesspost.rules.site.model import Office

SILENT_S = 150.0  # a post says its state once a minute
CHANNEL = "board"


class Board:
    """All posts of the broker of `office`, on the page that `end` listens for; not heard for `silent_s`: said so."""

    def __init__(self, office: Office, end: socket.socket, silent_s: float = SILENT_S, *, local: bool = True):
        self.posts = Posts(office.topic)
        self._office = office
        self._end = end
        self._silent_s = silent_s
        self._local = local
        self._connection = Connection(office, Path(), f"wp-board-{os.urandom(8).hex()}", self)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._live = Live(self._parts)

    async def run(self) -> None:
        """Until it is cancelled."""
        self._loop = asyncio.get_running_loop()
        self._connection.start()
        server = Server(self._end, self._routes(), lambda request: True)
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._live.run())
                tasks.create_task(server.serve())
        finally:
            self._loop = None
            self._connection.stop()

    # ── the page ────────────────────────────────────────────────────────────────────────────────────────────────

    def _routes(self) -> Microdot:
        routes = Microdot()
        routes.before_request(self._admit)
        for event in (routes.after_request, routes.after_error_request):
            event(self._harden)
        routes.errorhandler(404)(self._no_place)
        routes.errorhandler(405)(self._no_place)
        routes.get("/")(self._show)
        routes.get("/style.css")(self._style)
        routes.get("/script.js")(self._script)
        routes.get("/live/<channel>")(self._listen)
        return routes

    async def _admit(self, request: Request) -> Response | None:
        if self._local and host_of(request).rpartition(":")[0] not in LOOPBACK:
            return plain_answer("ask for this page by the name localhost", 421)
        return None

    async def _harden(self, request: Request, response: Response) -> Response:
        for name, value in SECURITY.items():
            response.headers[name] = value
        return response

    async def _no_place(self, request: Request) -> Response:
        return plain_answer("there is nothing here; go to /", 404)

    async def _style(self, request: Request) -> Response:
        return Response(own_file("style.css"), headers={"Content-Type": "text/css"})

    async def _script(self, request: Request) -> Response:
        return Response(own_file("script.js"), headers={"Content-Type": "text/javascript"})

    async def _show(self, request: Request) -> Response:
        foot = f"All posts of {self._office.host}:{self._office.port}, {self._office.topic}/. Times are this computer's."
        about = frame.Frame("All posts", "/", "Board", Html(""), live=CHANNEL, foot=foot, refresh=True)
        return html_answer(frame.whole(about, *self._parts(CHANNEL).values()))

    async def _listen(self, request: Request, channel: str) -> Response:
        if channel != CHANNEL:
            return await self._no_place(request)
        events: Any = self._live.listen(channel, lambda: True)
        return Response(events, headers={"Content-Type": "text/event-stream"})

    def _parts(self, channel: str) -> Parts:
        link = None if self._connection.up_since is not None else self._connection.error or "the broker has not answered yet"
        return view.parts(self.posts, link, time.monotonic(), system_utc(), self._silent_s)

    # ── the broker's thread ─────────────────────────────────────────────────────────────────────────────────────

    def prepare(self, client: Client) -> None:
        """No last will: nobody waits for a board."""

    def up(self, client: Client) -> None:
        client.subscribe([(f"{self._office.topic}/+/{kind}", SubscribeOptions(qos=1)) for kind in (STATE, MINUTE)])
        self._soon(self._live.news)

    def send(self, client: Client) -> float:
        return SILENT_S

    def taken(self, mid: int) -> None:
        """It sends nothing."""

    def heard(self, message: MQTTMessage) -> None:
        self._soon(self._hear, message.topic, message.payload, message.retain)

    def down(self) -> None:
        self._soon(self._live.news)

    def leave(self, client: Client) -> None:
        """Nothing to say."""

    def _hear(self, topic: str, payload: bytes, kept: bool) -> None:
        self.posts.hear(topic, payload, time.monotonic(), kept=kept)

    def _soon(self, what: Any, *values: Any) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended
                self._loop.call_soon_threadsafe(what, *values)
