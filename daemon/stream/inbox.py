"""The hand-over from the readers to the thread that owns pipeline and log: bounded, and never a wait for the reader."""

from __future__ import annotations

import threading
from collections import deque
from typing import NamedTuple

from witnesspost.rules.facts import Fact

ROOM_BYTES = 8_000_000  # more than an hour of a base while the disk stands still


class Chunk(NamedTuple):
    """Bytes as they came on a stream, at `t` seconds."""

    t: float
    stream: str
    data: bytes


class Inbox:
    """What came and was not taken yet, in its order. `lost_bytes` counts what found no room."""

    def __init__(self, room_bytes: int = ROOM_BYTES):
        self.lost_bytes = 0
        self._room = room_bytes
        self._held = 0
        self._items: deque[Chunk | Fact] = deque()
        self._changed = threading.Condition()

    def put(self, item: Chunk | Fact) -> None:
        """Hand over; a chunk that finds no room is lost, and counted. Facts always find room."""
        size = len(item.data) if isinstance(item, Chunk) else 0
        with self._changed:
            if size and self._held + size > self._room:
                self.lost_bytes += size
                return
            self._held += size
            self._items.append(item)
            self._changed.notify()

    def take(self, timeout_s: float) -> list[Chunk | Fact]:
        """All that is there, after waiting at most `timeout_s` for the first; empty where nothing came."""
        with self._changed:
            if not self._items:
                self._changed.wait(timeout_s)
            items = list(self._items)
            self._items.clear()
            self._held = 0
            return items
