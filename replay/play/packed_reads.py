"""What was read, without its bytes, in blocks: for a file that a later replay reads, and for the pipe from another process.

    reads ─► those of some twenty seconds in one ─► blocks of msgpack ─► reads

The rules have no part between two moments of the grid: what is said there may be told to them in one go, just before they are
judged at the later. So reads go on in one until a fact is told from outside, or the rules are judged at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import reduce
from itertools import chain
from operator import or_
from typing import Any

import msgspec
from witnesspost.daemon.stream.reading import GRID_MS, Read
from witnesspost.rules import facts
from witnesspost.rules.facts import Fact, Said

_BLOCK_TURNS = 100  # so few that what is read of them dies young, and the collector seldom looks
_FACTS = [kind for kind in vars(facts).values() if isinstance(kind, type) and issubclass(kind, Fact)]
_AnySaid: Any = reduce(or_, (kind for kind in _FACTS if issubclass(kind, Said) and kind is not Said))
_AnyTold: Any = reduce(or_, (kind for kind in _FACTS if not issubclass(kind, Said) and kind is not Fact))

_Kept = tuple[int, list[tuple[int, list[_AnySaid]]], _AnyTold | None, list[_AnySaid], list[_AnySaid] | None]
"""A Read without its bytes."""

_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(list[_Kept]).decode


class Packer:
    """Takes reads, and gives a block now and then."""

    def __init__(self) -> None:
        self._reads: list[_Kept] = []
        self._turns: list[tuple[int, list[_AnySaid]]] = []  # of the read that goes on
        self._said: list[_AnySaid] = []  # and what was said since the last moment of the grid
        self._now_ms = 0
        self._next_ms = 0  # the grid's next moment

    def add(self, read: Read) -> bytes | None:
        """One read more; a block where there are enough. Who takes a told fact sets its `t`, to the same each time."""
        now_ms, turns, came, said, at_once = read
        if now_ms < self._next_ms and at_once is None and isinstance(came, tuple):
            self._now_ms = now_ms
            self._said += said
            return None
        if self._said and self._next_ms <= now_ms:
            self._turns.append((self._next_ms, self._said))
            self._said = []
            if turns and turns[0][0] == self._next_ms:
                self._turns[-1][1].extend(turns[0][1])
                turns = turns[1:]
        told = None if isinstance(came, tuple) else came
        if told is not None and self._said:
            self._end()
        self._now_ms, self._next_ms = now_ms, (now_ms // GRID_MS + 1) * GRID_MS
        self._turns += turns
        self._said += said
        if told is not None or at_once is not None:
            self._end(told, at_once)
        return self.rest() if len(self._turns) + len(self._reads) >= _BLOCK_TURNS else None

    def rest(self) -> bytes:
        """The block of what is left; empty where nothing is."""
        self._end()
        reads, self._reads = self._reads, []
        return _encode(reads) if reads else b""

    def _end(self, told: _AnyTold | None = None, at_once: list[_AnySaid] | None = None) -> None:
        """The read that went on ends, with these."""
        if self._turns or self._said or told is not None or at_once is not None:
            self._reads.append((self._now_ms, self._turns, told, self._said, at_once))
            self._turns, self._said = [], []


def packed(reads: Iterable[Read]) -> Iterator[bytes]:
    """The blocks of all that is read."""
    packer = Packer()
    for read in reads:
        block = packer.add(read)
        if block:
            yield block
    block = packer.rest()
    if block:
        yield block


def unpacked(blocks: Iterable[bytes]) -> Iterator[Read]:
    """The reads in the blocks. Raises msgspec.DecodeError where a block is none of these."""
    return chain.from_iterable(map(_decode, blocks))
