"""(h) whatever bytes come: what the worst pattern costs against good traffic, and that none costs more a byte when more come.

Good traffic is the bench's own rover: 1.25 kB/s of corrections and positions. Random bytes are no measure of what a byte may
cost: one search passes over them, while a whole sentence has a checksum, fields and rules that judge it.

Each pattern is what a sender can repeat or grow: false heads of frames, cut sentences, good ones under names, stations and
times that never came before. All come as a line of 115,200 baud brings them, in reads 20 ms apart, on the stream that carries
corrections.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from itertools import count
from pathlib import Path

from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.framing import crc24q, nmea_checksum
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Chunk

from tests.bench.row import Row, at_most, in_turn, median_cpu_s
from tests.bench.streams import chunks, site

_FIGURE = 3.0
_LINEAR = 1.5  # a byte's cost in eight times as many: noise and the log's own commits included
_LONGER = 8
_GOOD = "good traffic", 1
_GOOD_S = 300.0
_READ_EVERY_S = 0.02
_READ_BYTES = 230
_STREAM = "corrections"


def rows(short: bool) -> list[Row]:
    """The worst pattern's ratio, with those of the others; and the one that grows most."""
    duration_s = 2.0 if short else 20.0  # over twenty seconds the alerts that noise raises stand from the start
    fed = {
        (name, times): [_chunks(pattern, times * duration_s)] * (_LONGER // times)  # as many bytes in all: timed as well
        for name, pattern in PATTERNS.items()
        for times in ((_LONGER,) if short else (1, _LONGER))
    }
    fed[_GOOD] = [chunks("rover", _GOOD_S)]
    costs = in_turn({work: _run(runs) for work, runs in fed.items()}, 1 if short else 3)
    byte_us = {work: 1e6 * median_cpu_s(costs[work]) / sum(map(_size, runs)) for work, runs in fed.items()}
    return [_against_good(byte_us), *([] if short else [_growth(byte_us)])]


def _against_good(byte_us: Mapping[tuple[str, int], float]) -> Row:
    ratio = {name: byte_us[name, _LONGER] / byte_us[_GOOD] for name in PATTERNS}
    worst, *others = sorted(ratio, key=ratio.__getitem__, reverse=True)
    listed = ", ".join(f"{name} {ratio[name]:.2g}" for name in others)
    note = f" ({worst}; {listed}; a byte of good traffic costs {byte_us[_GOOD]:.2g} µs)"
    return at_most(
        "h", "any bytes: what a byte of the worst pattern costs against good traffic", _FIGURE, ratio[worst], " ×", note
    )


def _growth(byte_us: Mapping[tuple[str, int], float]) -> Row:
    growth = {name: byte_us[name, _LONGER] / byte_us[name, 1] for name in PATTERNS}
    worst = max(growth, key=growth.__getitem__)
    return at_most("h", f"any bytes: what a byte costs in {_LONGER} times as many", _LINEAR, growth[worst], " ×", f" ({worst})")


def _chunks(pattern: Callable[[], Iterator[bytes]], duration_s: float) -> tuple[Chunk, ...]:
    reads = round(duration_s / _READ_EVERY_S)
    data = bytearray()
    for part in pattern():
        data += part
        if len(data) >= reads * _READ_BYTES:
            break
    places = range(0, reads * _READ_BYTES, _READ_BYTES)
    return tuple(Chunk(n * _READ_EVERY_S, _STREAM, bytes(data[at : at + _READ_BYTES])) for n, at in enumerate(places))


def _size(fed: tuple[Chunk, ...]) -> int:
    return sum(len(chunk.data) for chunk in fed)


def _run(runs: list[tuple[Chunk, ...]]) -> Callable[[Path], Callable[[], object]]:
    def ready(folder: Path) -> Callable[[], object]:
        at = site("rover")
        logs = [Log.start(folder / str(n), at, "") for n in range(len(runs))]

        def run() -> None:
            for fed, log in zip(runs, logs, strict=True):
                pipeline = Pipeline(at, log)
                for _ in play(pipeline, fed):
                    pass
                log.close(pipeline.t, "bench")

        return run

    return ready


def _over_and_over(part: bytes) -> Callable[[], Iterator[bytes]]:
    return lambda: iter(lambda: part, b"")


def _frame(message: int, rest: int, size: int) -> bytes:
    """A good frame: 12 bits of the message's number, then `rest` and zeros, `size` bytes of payload."""
    payload = (message << 8 * size - 12 | rest).to_bytes(size, "big")
    body = b"\xd3" + size.to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def _sentence(body: bytes) -> bytes:
    return b"$%s*%02X\r\n" % (body, nmea_checksum(body))


def _letters(number: int) -> bytes:
    return bytes(65 + number // 26**place % 26 for place in range(5))


PATTERNS: dict[str, Callable[[], Iterator[bytes]]] = {
    "random bytes": lambda: (random.Random(1).randbytes(1 << 16) for _ in count()),
    "zeros": _over_and_over(bytes(1 << 10)),
    "D3 alone": _over_and_over(b"\xd3"),
    "short false heads": _over_and_over(b"\xd3\x00\x02"),
    "heads in heads": _over_and_over(b"\xd3\x00"),
    "long false heads": _over_and_over(b"\xd3\x03\xff"),
    "long false heads of a known message": _over_and_over(b"\xd3\x03\xff\x43\x50"),
    "$ alone": _over_and_over(b"$"),
    "cut sentences": _over_and_over(b"$GPGGA,"),
    "a sentence without an end": _over_and_over(b"$GPGGA," + b"1" * 100_000),
    "bad checksums": _over_and_over(b"$GPGGA,*00\r\n"),
    "bytes of RTCM 2": lambda: (bytes(random.Random(n).choices(range(0x40, 0x80), k=1 << 12)) for n in count()),
    "the shortest sentences": _over_and_over(_sentence(b"ABCD")),
    "sentences of new names": lambda: (_sentence(_letters(n) + b",") for n in count()),
    "positions at new times": lambda: (
        _sentence(b"GPGGA,%02d%02d%02d.00,3907.1,N,10459.2,W,4,9,1,1,M,1,M,1,1" % (n // 3600 % 24, n // 60 % 60, n % 60))
        for n in count()
    ),
    "dates that jump": lambda: (
        _sentence(b"GPZDA,120000.00,%02d,%02d,%d" % (n % 28 + 1, n % 12 + 1, 1990 + n % 90)) for n in count()
    ),
    "the shortest frames": _over_and_over(_frame(1005, 0, 2)),
    "frames of new numbers": lambda: (_frame(n % 4096, 0, 2) for n in count()),
    "observations of new stations": lambda: (_frame(1077, n % 4096 << 8 * 25 - 24, 25) for n in count()),
    "observations at new times": lambda: (_frame(1077, 1 << 8 * 25 - 24 | n % 604_800_000 << 8 * 25 - 54, 25) for n in count()),
    "positions of new stations": lambda: (_frame(1005, n % 4096 << 8 * 19 - 24, 19) for n in count()),
}
"""Endless bytes, by what they are."""
