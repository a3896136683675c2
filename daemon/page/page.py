"""The companion `page`: the crew's page on its own thread, with a loop of its own. Nobody waits for it.

Where its address does not exist yet (a Wi-Fi that comes up late) it tries again until it does.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading
from collections.abc import Callable
from typing import Any

from witnesspost.daemon.companion import PostView
from witnesspost.daemon.page import words
from witnesspost.daemon.page.application import Application
from witnesspost.daemon.page.check_in import CheckIn
from witnesspost.daemon.page.day import Day
from witnesspost.daemon.page.ended import Ended
from witnesspost.daemon.page.files import Files, WriteBundle
from witnesspost.daemon.page.gate import Gate
from witnesspost.daemon.page.help import Help
from witnesspost.daemon.page.logs import Logs
from witnesspost.daemon.page.now import Now
from witnesspost.daemon.page.radio import Radio
from witnesspost.daemon.page.server import Server, listening
from witnesspost.daemon.page.tab import Tab
from witnesspost.daemon.page.today import Today
from witnesspost.daemon.page.worker import Worker
from witnesspost.rules.alert import Change
from witnesspost.rules.site.model import Page as PageTable
from witnesspost.rules.site.model import Site

_AGAIN_S = 2.0
_STOP_S = 0.8


class Page:
    """Serves the page of `site` by its `table`; `gate` knows who has come in, also over this companion's end. `write_bundle`
    is how the bundle is made, where it is to be had here."""

    name = "page"
    vital = False

    def __init__(self, site: Site, table: PageTable, gate: Gate, write_bundle: WriteBundle | None = None):
        self._site = site
        self._write_bundle = write_bundle
        self._ended = Ended()
        self._table = table
        self._gate = gate
        self._failed: BaseException | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._application: Application | None = None
        self._closing: asyncio.Event | None = None
        self._thread: threading.Thread | None = None
        self._stopped = False

    def start(self, post: PostView) -> None:
        """Begin to listen, now or as soon as that is possible."""
        self._thread = threading.Thread(target=self._run, args=(post,), name="page", daemon=True)
        self._thread.start()

    def see(self, changes: list[Change]) -> None:
        """Tell the phones."""
        self._soon(lambda: self._hear(changes))

    def turn(self, t: float) -> None:
        """Raise what the page's thread came to grief over."""
        if self._failed is not None:
            raise self._failed

    def stop(self) -> None:
        """End every connection."""
        self._stopped = True
        self._soon(lambda: self._closing.set() if self._closing is not None else None)
        if self._thread is not None:
            self._thread.join(_STOP_S)

    def _hear(self, changes: list[Change]) -> None:
        self._ended.see(changes)
        if self._application is not None:
            self._application.live.news()

    def _soon(self, what: Callable[[], object]) -> None:
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended
                self._loop.call_soon_threadsafe(what)

    def _run(self, post: PostView) -> None:
        words.speak(self._site.post.language)
        try:
            asyncio.run(self._serve(post))
        except BaseException as error:
            while isinstance(error, BaseExceptionGroup):
                error = error.exceptions[0]
            self._failed = error

    async def _serve(self, post: PostView) -> None:
        self._closing = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(_fault)
        if self._stopped:
            return
        async with asyncio.TaskGroup() as tasks:
            work = tasks.create_task(self._listen(post))
            await self._closing.wait()
            work.cancel()

    async def _listen(self, post: PostView) -> None:
        tls = self._tls()
        end = await self._address(post)
        worker, logs = Worker(), Logs(post, self._site.post.name)
        files = Files(post, logs, worker, self._write_bundle)
        try:
            tabs: list[Tab] = [
                Now(post, self._ended),
                CheckIn(self._site, post),
                Today(self._site, post),
                Day(logs, worker),
                Radio(self._site),
                files,
                Help(),
            ]
            self._application = Application(self._site, post, self._gate, tabs, tls=tls is not None)
            server = Server(end, self._application.routes, self._application.knows, tls)
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._application.live.run())
                tasks.create_task(server.serve())
                files.start = tasks.create_task
        finally:
            end.close()
            worker.end()
            files.end()

    async def _address(self, post: PostView) -> socket.socket:
        """The socket that listens, however long its address takes to come."""
        host, port = self._table.host, self._table.port
        where = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        said = False
        while True:
            try:
                end = listening(host, port)
            except OSError as error:
                if not said:
                    post.say(f"page: cannot listen on {where} ({error.strerror or error}); tried again until it can")
                    said = True
                await asyncio.sleep(_AGAIN_S)
                continue
            scheme = "https" if self._table.certificate is not None else "http"
            post.say(f"page: {scheme}://{where}/")
            return end

    def _tls(self) -> ssl.SSLContext | None:
        """Raises OSError where the files cannot be read, ssl.SSLError where they do not fit each other."""
        if self._table.certificate is None or self._table.key is None:
            return None
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self._site.file(self._table.certificate), self._site.file(self._table.key))
        return context


def _fault(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What a stranger's connection came to grief over is no line in the journal; what is wrong here is."""
    if not isinstance(context.get("exception"), OSError):  # ssl's among them
        loop.default_exception_handler(context)
