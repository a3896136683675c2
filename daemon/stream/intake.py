"""What came in, put into the one order of the run: each item to the log first, then to the rules.

    readers ──► inbox ──► intake ──► log
                            └──────► rules

The loop takes one item after the other. While it does not come round, the log's own thread has what came recorded (`keep`), and
the loop finds it here when it is back, in the same order and at the same `t`: a replay of the log says what the run said.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from collections.abc import Callable, Iterator

from witnesspost.daemon.stream.inbox import ROOM_BYTES, Chunk, Inbox
from witnesspost.rules.facts import Fact

Item = Chunk | Fact


class Intake:
    """The order of all inputs. `record` is given each of them once, in that order, at a `t` in whole milliseconds that never
    steps back."""

    def __init__(self, inbox: Inbox, record: Callable[[Item], None]):
        self._inbox, self._record = inbox, record
        self._new: deque[Item] = deque()
        self._recorded: deque[Item] = deque()
        self._kept_bytes = 0
        self._ms = 0
        self._order = threading.Lock()

    def wait(self, timeout_s: float) -> bool:
        """Wait at most so long until something may be taken: True where it may."""
        return bool(self._new or self._recorded) or self._inbox.wait(timeout_s)

    def put_first(self, fact: Fact) -> None:
        """A fact of this thread's own, before anything that has come and is not taken: recorded, with its place in time."""
        with self._order:
            self._in_order(fact)

    def take_items(self, most_bytes: int) -> Iterator[Item]:
        """What came, recorded: of each stream about `most_bytes`."""
        if not self._new and not self._recorded:
            with self._order:
                self._new.extend(self._inbox.take_items(most_bytes))
        while (item := self._next()) is not None:
            yield item

    def reach(self, t: float) -> bool:
        """Time is `t` now, before anything that comes from here on; False where something is left to take first."""
        with self._order:
            if self._new or self._recorded:
                return False
            self._ms = max(self._ms, milliseconds(t))
            return True

    def keep(self) -> None:
        """Record what came, for the rules to take later; no more than the inbox itself may hold."""
        with self._order:
            while self._new:
                self._keep(self._new.popleft())
            if self._kept_bytes < ROOM_BYTES:
                self._inbox.begin_turn(ROOM_BYTES)
                for item in self._inbox.take_items():
                    self._keep(item)

    def _keep(self, item: Item) -> None:
        item = self._in_order(item)
        self._recorded.append(item)
        self._kept_bytes += len(item.data) if isinstance(item, Chunk) else 0

    def _next(self) -> Item | None:
        with self._order:
            if self._recorded:
                return self._recorded.popleft()
            self._kept_bytes = 0
            return self._in_order(self._new.popleft()) if self._new else None

    def _in_order(self, item: Item) -> Item:
        self._ms = max(self._ms, milliseconds(item.t))
        t = self._ms / 1000.0
        if isinstance(item, Chunk):
            if item.t != t:
                item = item._replace(t=t)
        else:
            item.t = t
        self._record(item)
        return item


def milliseconds(t: float) -> int:
    """The whole milliseconds of `t` seconds."""
    return math.floor(t * 1000 + 1e-6)
