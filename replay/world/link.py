"""The way of bytes: time on the air or the wire, queues, fades, bit errors, half frames.

A frame goes over when the ones before it are through. What falls into a fade is gone, byte by byte, so the frame at its
edge arrives as a half; a frame with a wrong bit arrives whole and useless. All chance is the seed's.

Bits go wrong on the air at a rate; forward error correction puts right up to three in a word of 24, which carries 12
(the Golay code, one of rate ½; coding theory), so only words with four and more come out wrong.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import NamedTuple

PIECE_BYTES = 240
"""A reader takes what has come: pieces of this size at most (common practice, no source)."""

QUEUE_S = 12.0
"""A radio holds this much time on the air in its buffer and drops the rest (common practice, no source)."""


WORD_BITS, CORRECTED_BITS = 24, 3
"""The extended Golay code (24, 12, 8): minimum distance 8, so three wrong bits of a word can be put right."""


class Sent(NamedTuple):
    """One frame as the base sent it: its bytes, and what the receiver takes from it when it arrives unharmed."""

    data: bytes
    meaning: object


class Arrival(NamedTuple):
    """A frame that arrived unharmed, when its last byte had."""

    t: float
    meaning: object


class Link:
    """A line of `bytes_per_s`. `send` puts frames on it and returns what arrives, as pieces and as meanings."""

    def __init__(self, bytes_per_s: float, rng: random.Random, jitter_s: float = 0.0, queue_s: float = QUEUE_S) -> None:
        self.bytes_per_s = bytes_per_s
        self._rng = rng
        self._jitter_s = jitter_s
        self._queue_s = queue_s
        self._free_at = 0.0
        self._last_t = 0.0

    def send(
        self,
        t: float,
        frames: list[Sent],
        *,
        gone: Callable[[float, float], tuple[float, float] | None] | None = None,
        bad_share: float = 0.0,
        bit_error_rate: float = 0.0,
        delay_s: float = 0.0,
    ) -> tuple[list[tuple[float, bytes]], list[Arrival]]:
        """Send frames at `t`: ([(time, bytes)], [unharmed frames]), both in order and never before what was sent earlier.

        `gone` gives the stretch of (from, to) seconds within which bytes are lost, None where none are; `bad_share` is
        the share of frames with one wrong bit, `bit_error_rate` that of wrong bits, corrected or not.
        """
        rng, rate = self._rng, self.bytes_per_s
        begin = max(t, self._free_at)
        if begin - t > self._queue_s:
            return [], []
        late = delay_s + (rng.random() * self._jitter_s if self._jitter_s else 0.0)
        pieces: list[tuple[float, bytes]] = []
        arrivals: list[Arrival] = []
        run = bytearray()
        run_t = begin
        for frame in frames:
            data = frame.data
            end = begin + len(data) / rate
            harmed = False
            if bad_share and rng.random() < bad_share:
                at = rng.randrange(3, len(data))
                data = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
                harmed = True
            if bit_error_rate:
                data, wrong = self._garbled(data, bit_error_rate)
                harmed = harmed or wrong
            lost = gone(begin, end) if gone is not None else None
            if lost is not None:
                first, last = (round((min(max(s, begin), end) - begin) * rate) for s in lost)
                harmed = harmed or last > first
                data = data[:first] + data[last:]
            run += data
            begin = end
            run_t = end
            if not harmed:
                arrivals.append(Arrival(end + late, frame.meaning))
        self._free_at = run_t
        total = len(run)
        for start in range(0, total, PIECE_BYTES):
            piece = bytes(run[start : start + PIECE_BYTES])
            at_t = run_t - (total - start - len(piece)) / rate + late
            self._last_t = max(self._last_t, at_t)
            pieces.append((self._last_t, piece))
        return pieces, arrivals

    def _garbled(self, data: bytes, rate: float) -> tuple[bytes, bool]:
        """The bytes with each bit wrong by chance, and whether one is."""
        bits = 8 * len(data)
        flips = 0
        at = math.floor(math.log(1.0 - self._rng.random()) / math.log1p(-rate))
        while at < bits:
            flips |= 1 << at
            at += 1 + math.floor(math.log(1.0 - self._rng.random()) / math.log1p(-rate))
        if not flips:
            return data, False
        return (int.from_bytes(data, "little") ^ flips).to_bytes(len(data), "little"), True


def corrected(rate: float) -> float:
    """The bit error rate that is left of `rate` after forward error correction: half of each word that is lost."""
    right = sum(math.comb(WORD_BITS, n) * rate**n * (1 - rate) ** (WORD_BITS - n) for n in range(CORRECTED_BITS + 1))
    return (1.0 - right) / 2.0
