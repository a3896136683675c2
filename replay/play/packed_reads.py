"""What was read, without its bytes, in blocks: for a file that a later replay reads, and for the pipe from another process.

    reads ─► those between two moments of the grid in one ─► blocks of msgpack ─► reads

The rules have no part between two moments of the grid: what is said there may be told to them in one go.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import reduce
from itertools import chain
from operator import or_
from typing import Any

import msgspec
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.daemon.stream.reading import GRID_MS, Read
from witnesspost.rules import facts
from witnesspost.rules.facts import Fact, Said

_BLOCK_READS = 100  # so few that what is read of them dies young, and the collector seldom looks
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
        self._goes_on_until_ms = 0  # the last read may take up what is said before

    def add(self, read: Read) -> bytes | None:
        """One read more; a block where there are enough. Who takes a told fact sets its `t`, to the same each time."""
        now_ms, turns, came, said, at_once = read
        told = None if isinstance(came, Chunk) else came
        if not turns and told is None:
            if now_ms < self._goes_on_until_ms:
                _, turns, told, before, _ = self._reads.pop()
                said = [*before, *said] if before else said
            elif not said and at_once is None:
                return None
        block = self.rest() if len(self._reads) >= _BLOCK_READS else None
        self._reads.append((now_ms, turns, told, said, at_once))
        self._goes_on_until_ms = (now_ms // GRID_MS + 1) * GRID_MS if told is None and at_once is None else 0
        return block

    def rest(self) -> bytes:
        """The block of what is left; empty where nothing is."""
        reads, self._reads, self._goes_on_until_ms = self._reads, [], 0
        return _encode(reads) if reads else b""


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
