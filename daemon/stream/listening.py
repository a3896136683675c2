"""What comes on a port of which nobody knows anything: at which speed it makes sense, and what it says.

    open at a baud ──bytes──► framer ──a good frame, or two sentences──► that is the baud ──► decoder ──► Heard
           ▲                    └──nothing good for a while──┐
           └──────────────────── the next baud ◄─────────────┘

Bytes at a wrong speed are garbage, and pass no checksum: a CRC-24Q by chance once in 17 million frames, NMEA's eight bits
once in 256 sentences, which is why two are wanted. A line that is silent at one speed is silent at all.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Protocol

from msgspec import Struct, field
from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import FRAME, SENTENCE, Framer
from witnesspost.rules.facts import Antenna, Epoch, Fact, Fix, SignalLevels, Station, Traffic, Utc

BAUDS = (115200, 38400, 9600, 57600, 19200, 4800, 230400, 460800, 921600)
"""The speeds that receivers and radios are set to, the usual ones first: common practice, no source."""

TRY_S = 2.5  # a line that speaks once a second has said a whole epoch by then
TRY_BYTES = 100  # and one that speaks more rarely is waited for
SILENT_S = 12.0
LISTEN_S = 15.0  # a base says its position every ten seconds or oftener: common practice, no source
_SENTENCES = 2
_MOST_BYTES = 4096
_WANTED: frozenset[type[Fact]] = frozenset((Antenna, Epoch, Fix, SignalLevels, Station, Traffic, Utc))


class Port(Protocol):
    """An open port, as pyserial's: `read` comes back within its own deadline."""

    def read(self, size: int) -> bytes:
        """At most so many bytes, b"" after the deadline."""

    def close(self) -> None:
        """Let go of it."""


class Heard(Struct, kw_only=True):
    """What came: `baud` None where none of those tried made sense, 0 where the port has none (a network source).

    `for_s` is how long was listened once the speed was found. `messages` counts good RTCM messages and sentences by name,
    `stations` and `antennas` hold the last of each reference station, `epochs` the sets of observations by station.
    `rtcm2_words` are words of RTCM 2 among bytes that are nothing else known.
    """

    port: str
    baud: int | None = None
    for_s: float = 0.0
    size_bytes: int = 0
    bad: int = 0
    other_bytes: int = 0
    rtcm2_words: int = 0
    messages: Counter[str] = field(default_factory=Counter)
    stations: dict[int, Station] = {}
    antennas: dict[int, Antenna] = {}
    epochs: Counter[int] = field(default_factory=Counter)
    fix: Fix | None = None
    fixes: int = 0

    @property
    def makes_sense(self) -> bool:
        """True if something came that is known here."""
        return bool(self.messages)

    @property
    def carries(self) -> list[str]:
        """What a site file would say that it carries."""
        corrections = bool(self.epochs or self.stations)
        return ["corrections"] * corrections + ["positions"] * (self.fix is not None)


def listen(
    name: str,
    open_port: Callable[[int], Port],
    bauds: tuple[int, ...] = BAUDS,
    *,
    listen_s: float = LISTEN_S,
    silent_s: float = SILENT_S,
    try_s: float = TRY_S,
    clock: Callable[[], float] = time.monotonic,
    tries: Callable[[int], None] = lambda baud: None,
) -> Heard:
    """Find the baud among `bauds` (0: the port has none), then listen for `listen_s`. `tries` is told each speed that is tried.

    Raises what `open_port` raises.
    """
    heard = Heard(port=name)
    for baud in bauds:
        tries(baud)
        port = open_port(baud)
        try:
            begun = _tried(port, heard, clock, silent_s, try_s)
            if begun is None:
                return heard  # silent
            if begun:
                heard.baud = baud
                _listen(port, heard, begun, clock, listen_s)
                return heard
        finally:
            port.close()
    return heard


def _tried(port: Port, heard: Heard, clock: Callable[[], float], silent_s: float, try_s: float) -> list[bytes] | None:
    """What came at this speed, if it makes sense there; empty if not, None where nothing came at all."""
    framer, came, size, good = Framer(), list[bytes](), 0, Counter[int]()
    began = clock()
    first: float | None = None
    while True:
        data, now = port.read(_MOST_BYTES), clock()
        if data:
            first = now if first is None else first
            came.append(bytes(data))
            size += len(data)
            good.update(kind for kind, _ in framer.feed(bytes(data)))
            if good[FRAME] or good[SENTENCE] >= _SENTENCES:
                return came
        tried_long = first is not None and now - first >= try_s
        if tried_long and (size >= TRY_BYTES or now - began >= silent_s):
            heard.size_bytes = max(heard.size_bytes, size)
            heard.other_bytes = heard.size_bytes
            return []
        if first is None and now - began >= silent_s:
            return None if not heard.size_bytes else []


def _listen(port: Port, heard: Heard, begun: list[bytes], clock: Callable[[], float], listen_s: float) -> None:
    framer, decoder = Framer(), Decoder("", wanted=_WANTED)
    heard.size_bytes = heard.other_bytes = 0
    began = clock()
    for data in _all(port, begun, clock, began + listen_s):
        t = clock() - began
        for fact in decoder.decode(t, framer.feed(data)):
            _put(heard, fact)
        heard.size_bytes += len(data)
    heard.for_s = clock() - began
    for fact in decoder.decode(heard.for_s, framer.flush()):
        _put(heard, fact)
    traffic = decoder.take_traffic(heard.for_s)
    if traffic is not None:
        heard.messages.update({name: count for name, (count, _) in traffic.by_message.items() if name.isalnum()})
        heard.bad = traffic.bad_frames + traffic.bad_sentences
        heard.other_bytes = traffic.other_bytes + traffic.bad_frame_bytes + traffic.bad_sentence_bytes
        heard.rtcm2_words = traffic.rtcm2_words


def _all(port: Port, begun: list[bytes], clock: Callable[[], float], until: float) -> Iterator[bytes]:
    yield from begun
    while clock() < until:
        data = port.read(_MOST_BYTES)
        if data:
            yield bytes(data)


def _put(heard: Heard, fact: Fact) -> None:
    if isinstance(fact, Station):
        heard.stations[fact.station_id] = fact
    elif isinstance(fact, Antenna):
        heard.antennas[fact.station_id] = fact
    elif isinstance(fact, Epoch):
        heard.epochs[fact.station_id] += 1
    elif isinstance(fact, Fix):
        heard.fix, heard.fixes = fact, heard.fixes + 1
