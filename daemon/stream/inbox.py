"""The hand-over to the thread that owns pipeline and log: bounded, fair between streams, whoever brings never waits."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from witnesspost.rules.facts import Fact

ROOM_BYTES = 4_000_000  # some twenty seconds of the fastest serial line, while a slow card holds up the loop
TURN_BYTES = 80_000  # of one stream in a turn of the loop: four times what the fastest serial line brings
MOST_FACTS = 200
_CHUNK_BYTES = 200  # what a chunk takes in memory besides its bytes: a line may bring them one by one
_FACT_BYTES = 4000  # counted for a fact: each is a commit of the log, and takes its time


class Chunk(NamedTuple):
    """Bytes as they came on a stream, at `t` seconds."""

    t: float
    stream: str
    data: bytes


class Full(Exception):
    """More facts are waiting than any working companion brings."""


class Inbox:
    """What came and was not taken yet. `lost_bytes` counts what found no room; each of `streams` has an equal share of it,
    and of the loop's time by `begin_turn`, so that a line that floods costs no other its bytes."""

    def __init__(self, streams: Sequence[str] = (), room_bytes: int = ROOM_BYTES):
        self.lost_bytes = 0
        self._share = room_bytes // max(1, len(streams))
        self._order = 0
        self._lines: dict[str, _Line] = {stream: _Line() for stream in streams}
        self._facts = _Line()
        self._changing = threading.Lock()
        self._bell = threading.Lock()  # held until something comes: a wait for it is one call, where a condition's is ten
        self._bell.acquire()

    def put(self, chunk: Chunk) -> bool:
        """Hand over bytes; those that find no room are lost and counted, and the answer is False."""
        size = len(chunk.data) + _CHUNK_BYTES
        with self._changing:
            line = self._lines[chunk.stream]
            if line.held_bytes + size > self._share:
                self.lost_bytes += len(chunk.data)
                return False
            self._add(line, chunk, size)
            return True

    def tell(self, fact: Fact, *, bounded: bool = True) -> None:
        """Hand over a fact. Raises Full, if `bounded`, where so many wait that something tells without end."""
        with self._changing:
            line = self._lines.get(fact.stream, self._facts)  # what is told of a stream keeps its place among its bytes
            if bounded and line.facts >= MOST_FACTS:
                raise Full(f"{MOST_FACTS} facts wait to be judged")
            line.facts += 1
            self._add(line, fact, 0)

    def wait(self, timeout_s: float) -> bool:
        """Wait at most so long until something may be taken: True where it may. For one thread; at times it is woken before
        there is anything."""
        if not self._may_take():
            self._bell.acquire(timeout=timeout_s)
        return self._may_take()

    def take_items(self, most_bytes: int = ROOM_BYTES) -> list[Chunk | Fact]:
        """What came, in its order: of each stream about `most_bytes`, and no more than is left to it in this turn. Empty where
        nothing came."""
        with self._changing:
            taken = [placed for line in self._all() for placed in line.take_items(most_bytes)]
        return [item for _, item in sorted(taken, key=_order)]

    def begin_turn(self, most_bytes: int = TURN_BYTES) -> None:
        """At most this much is taken of each stream until the next turn begins."""
        with self._changing:
            for line in self._all():
                line.left_bytes = most_bytes

    def _all(self) -> list[_Line]:
        return [self._facts, *self._lines.values()]

    def _may_take(self) -> bool:
        with self._changing:
            return any(line.items and line.left_bytes > 0 for line in self._all())

    def _add(self, line: _Line, item: Chunk | Fact, size: int) -> None:
        self._order += 1
        line.items.append((self._order, item))
        line.held_bytes += size
        if self._bell.locked():
            self._bell.release()


class _Line:
    """What waits of one stream, each with its place in the order of all."""

    def __init__(self) -> None:
        self.items: deque[tuple[int, Chunk | Fact]] = deque()
        self.held_bytes = 0
        self.left_bytes = TURN_BYTES
        self.facts = 0

    def take_items(self, most_bytes: int) -> list[tuple[int, Chunk | Fact]]:
        taken: list[tuple[int, Chunk | Fact]] = []
        left = whole = min(most_bytes, self.left_bytes)
        while self.items and left > 0:
            place, item = self.items.popleft()
            if isinstance(item, Chunk):
                size = len(item.data) + _CHUNK_BYTES
                self.held_bytes -= size
                left -= size
            else:
                self.facts -= 1
                left -= _FACT_BYTES
            taken.append((place, item))
        self.left_bytes -= whole - left
        return taken


def _order(placed: tuple[int, Chunk | Fact]) -> int:
    return placed[0]
