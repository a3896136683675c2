"""The radio link of a day: which frames of the base reached the rover, matched by their content, and how late.

A frame with a good CRC is itself wherever it is logged. So what the base post heard on its wire and what the rover post heard
out of the air are the same frames, and a base's frame that the rover never had was lost on the way.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import NamedTuple

from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.rows import StreamRow
from witnesspost.daemon.stream.framing import FRAME, Framer

_BIN_S = 600.0
_LATEST_S = 60.0  # a frame that comes later is another one of the same words, as a 1005 is
_REPEATED = frozenset((1005, 1006, 1007, 1008, 1033, 1230, 1029))  # said again and again: no frame of its own


class LinkBin(NamedTuple):
    """Ten minutes: UTC seconds of their beginning, frames sent, the share that arrived, and their median delay (seconds)."""

    utc: float
    sent: int
    arrived: float
    delay_s: float | None


def link(base: PostLogs, rover: PostLogs) -> list[LinkBin]:
    """The day in ten minutes each, where both posts listened. Raises a LogError."""
    heard: dict[bytes, float] = {}
    for utc, digest in _frames(rover):
        heard.setdefault(digest, utc)
    if not heard:
        return []
    first, last = min(heard.values()), max(heard.values())
    bins: dict[float, list[float | None]] = {}
    for utc, digest in _frames(base):
        if first - 1.0 <= utc <= last:
            came = heard.get(digest)
            delay = came - utc if came is not None and 0.0 <= came - utc + 1.0 < _LATEST_S else None
            bins.setdefault(utc // _BIN_S * _BIN_S, []).append(delay)
    found = []
    for utc in sorted(bins):
        delays = sorted(delay for delay in bins[utc] if delay is not None)
        middle = delays[len(delays) // 2] if delays else None
        found.append(LinkBin(utc, len(bins[utc]), len(delays) / len(bins[utc]), middle))
    return found


def _frames(post: PostLogs) -> Iterator[tuple[float, bytes]]:
    """Each observation frame: UTC of its arrival, and a digest of it."""
    for log in post.files:
        for row in log.rows(StreamRow, "ORDER BY rowid"):
            if "corrections" not in row.carries:
                continue
            framer = Framer()
            looked_t, ahead_s = -1e9, None
            for t, _, data in log.inputs(stream=row.name):
                if not isinstance(data, bytes):
                    continue
                if t - looked_t > 30.0:
                    utc = log.utc_at(t)
                    looked_t, ahead_s = t, utc.timestamp() - t if utc is not None else None
                if ahead_s is None:
                    continue
                for kind, unit in framer.feed(data):
                    if kind == FRAME and (unit[3] << 4 | unit[4] >> 4) not in _REPEATED:
                        yield t + ahead_s, hashlib.blake2b(unit, digest_size=8).digest()
