"""Raw blocks: bytes as they came, their arrival times, and the chain of digests that ties every row to the one before.

A block is what one stream brought between two commits. Its bytes stand in the row's `data`, nothing added. Its chunks
(what one read of the port returned) stand in `times`, raw DEFLATE (RFC 1951) over three msgpack arrays:

    times = deflate( [ [0, d1, d2, …],     milliseconds from the chunk before; the first chunk came at the row's `t`
                       [k0, k1, …] | [],   order among all inputs of that millisecond, [] where all are 0
                       [s0, s1, …] ] )     bytes of each chunk; they add up to the length of `data`

`t` of the whole log never steps back, so (millisecond, order in it) is the order in which everything was fed, over all streams.

The chain: each row of `raw`, `event` and `alert` has a running number `n` and a digest,

    digest[n] = BLAKE2b-128( digest[n-1] | header | blobs )

where header is the JSON array of all columns up to the digest, each BLOB standing as its length, and the blobs follow
in their order. The first link is over the `run` row alone, which holds the digest that the file before ended with. So
a row changed, removed, put in or put elsewhere breaks the chain at that row. BLAKE2b: RFC 7693.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator, Sequence
from itertools import accumulate, pairwise, repeat
from operator import sub
from typing import Any

import msgspec

_DIGEST_BYTES = 16
_TIMES_MOST_BYTES = 1 << 24  # more than a block can need: a damaged row must not eat the memory
_PAUSE_S = 2.0  # a silence on a stream worth a column: two seconds are two epochs missed at the usual 1 Hz

_pack = msgspec.msgpack.encode
_unpack = msgspec.msgpack.Decoder(tuple[list[int], list[int], list[int]])
_json = msgspec.json.encode


class BlockError(ValueError):
    """A block's times do not fit its bytes, or are not times at all: the row was not written by this program."""


class OpenBlock:
    """A block that is being filled: of each chunk its millisecond, its order among all inputs of that, and its bytes."""

    __slots__ = ("chunks",)

    def __init__(self) -> None:
        self.chunks: list[tuple[int, int, bytes]] = []

    def pause(self, before_ms: int) -> tuple[float | None, float | None]:
        """Start and length (seconds) of the longest silence up to the last chunk, where it lasted 2 s; `before_ms` is
        when the stream was last heard before this block."""
        ms = [before_ms, *[ms for ms, _, _ in self.chunks]]
        lengths = [*map(sub, ms[1:], ms)]
        if max(lengths) < _PAUSE_S * 1000:
            return None, None
        length, start = max(zip(lengths, ms, strict=False))
        return start / 1000, length / 1000

    def data(self) -> bytes:
        """The block's bytes."""
        return b"".join([data for _, _, data in self.chunks])

    def times(self) -> bytes:
        """The block's arrival times, as drawn above."""
        ms, orders, parts = zip(*self.chunks, strict=True)
        deltas = [0, *map(sub, ms[1:], ms)]
        return zlib.compress(_pack((deltas, orders if any(orders) else [], list(map(len, parts)))), 6, -zlib.MAX_WBITS)


def chunks(t: float, data: bytes, times: bytes) -> Iterator[tuple[int, int, bytes]]:
    """The chunks of a block that begins at `t`: (millisecond, order in it, bytes). Raises BlockError, before the first."""
    milliseconds, orders, ends = arrivals(t, data, times)
    parts = (data[begin:end] for begin, end in pairwise((0, *ends)))
    return zip(milliseconds, orders or repeat(0), parts, strict=False)


def arrivals(t: float, data: bytes, times: bytes) -> tuple[list[int], list[int], list[int]]:
    """Of the chunks of a block that begins at `t`: milliseconds, orders in them ([] where all are 0), and where each ends in
    `data`. Raises BlockError."""
    try:
        inflate = zlib.decompressobj(-zlib.MAX_WBITS)
        deltas, orders, sizes = _unpack.decode(inflate.decompress(times, _TIMES_MOST_BYTES))
    except (zlib.error, msgspec.DecodeError) as error:
        raise BlockError(f"arrival times cannot be read: {error}") from None
    if len(sizes) != len(deltas) or (orders and len(orders) != len(deltas)) or sum(sizes) != len(data):
        raise BlockError(f"arrival times of {sum(sizes)} bytes stand beside {len(data)} bytes")
    if deltas:
        deltas[0] = round(t * 1000)
    return list(accumulate(deltas)), orders, list(accumulate(sizes))


def link(previous: bytes, values: Sequence[Any]) -> bytes:
    """The digest of a row whose columns up to the digest hold `values`, after a row with the digest `previous`."""
    blobs = [value for value in values if isinstance(value, bytes)]
    header = _json([len(value) if isinstance(value, bytes) else value for value in values])
    digest = hashlib.blake2b(previous, digest_size=_DIGEST_BYTES)
    digest.update(header)
    for blob in blobs:
        digest.update(blob)
    return digest.digest()
