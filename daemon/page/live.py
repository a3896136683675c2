"""What phones that listen are told (server-sent events): parts of their tab, each where it has changed, and a beat a second.

    data: {"state": "<section id=\"state\" …>…</section>"}      (WHATWG HTML, 9.2)
    data: {}                                                    nothing has changed, and the watch is heard

What is the same for all is made once, however many listen.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

import msgspec
from witnesspost.daemon.page.html import Html

BEAT_S = 1.0
_SOON_S = 0.1  # after a change, until the snapshot has it
_SOON_TIMES = 6
_RETRY_MS = 1000

Parts = dict[str, Html]


class Live:
    """Tells listeners on each channel what `parts` gives for it."""

    def __init__(self, parts: Callable[[str], Parts]):
        self.listeners = 0
        self._parts = parts
        self._made: dict[str, Parts] = {}
        self._news = asyncio.Event()
        self._turn = asyncio.Event()

    def news(self) -> None:
        """Something has changed."""
        self._news.set()

    async def run(self) -> None:
        """Take turns until it is cancelled."""
        soon = 0
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_SOON_S if soon else BEAT_S):
                    await self._news.wait()
            soon = _SOON_TIMES if self._news.is_set() else max(0, soon - 1)
            self._news.clear()
            self._made.clear()
            turn, self._turn = self._turn, asyncio.Event()
            turn.set()

    async def listen(self, channel: str, may: Callable[[], bool]) -> AsyncIterator[bytes]:
        """The events of one listener, for as long as it `may`."""
        loop = asyncio.get_running_loop()
        sent: Parts = {}
        beat_at = 0.0
        self._made.pop(channel, None)  # who comes now has a newer page than what was made for the others
        self.listeners += 1
        try:
            yield f"retry: {_RETRY_MS}\n\n".encode()
            while may():
                parts = self._of(channel)
                new = {key: part for key, part in parts.items() if sent.get(key) != part}
                sent = parts
                if new or loop.time() >= beat_at:
                    beat_at = loop.time() + BEAT_S - _SOON_S / 2
                    yield b"data: " + msgspec.json.encode(new, enc_hook=str) + b"\n\n"
                await self._turn.wait()
        finally:
            self.listeners -= 1

    def _of(self, channel: str) -> Parts:
        if channel not in self._made:
            self._made[channel] = self._parts(channel)
        return self._made[channel]
