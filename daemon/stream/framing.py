"""Bytes into frames and sentences: one pass, any cut, anything between; every byte ends up in exactly one unit.

    RTCM 3 (RTCM 10403, section 4)           NMEA 0183 (IEC 61162-1)
    ┌──────┬────────┬────────┬─────────┬───────┐   ┌───┬──────────────────────┬───┬────┬────┐
    │ D3   │ 000000 │ length │ payload │ CRC   │   │ $ │ address and fields   │ * │ hh │CRLF│
    │ 8 bit│ 6 bit  │ 10 bit │ length B│ 24 bit│   │   │ printable ASCII      │   │ XOR│    │
    └──────┴────────┴────────┴─────────┴───────┘   └───┴──────────────────────┴───┴────┴────┘

D3 and $ may stand inside payloads and noise, so only a whole frame with a good CRC-24Q, or a whole line with a good
checksum, moves the reader on by its length; everything else moves it on by as little as is certain. A broken frame is one
unit BAD_FRAME, then REST units for the bytes that its length covers: counting BAD_FRAME counts broken frames.

Whatever comes, each byte costs about the same: what begins nothing is passed over by one search, and of the heads of known
messages that stand in a promised frame each has its CRC taken when its own bytes are there.
"""

from __future__ import annotations

import re
from heapq import heappop, heappush
from itertools import product

import anycrc

FRAME, SENTENCE, BAD_FRAME, BAD_SENTENCE, REST, OTHER = range(6)
_WAITS = OTHER + 1  # no unit yet

Unit = tuple[int, bytes]

LONGEST_SENTENCE = 1024  # the standard says 82 characters; receivers' own sentences are longer

_SIZE_BITS = 11  # of a frame: 1029 bytes at most
_SIZE_MASK = (1 << _SIZE_BITS) - 1

_crc24q = anycrc.Model("CRC24-LTE-A").calc  # the catalogue's name for CRC-24Q: 0x1864CFB, not reflected, 0, 0
_xor = anycrc.CRC(8, poly=0x01, init=0, refin=False, refout=False, xorout=0).calc  # x⁸ + 1: eight steps give the byte back
_D3 = 0xD3
_VALUE = {bytes(pair): int(bytes(pair), 16) for pair in product(b"0123456789ABCDEFabcdef", repeat=2)}

# What may begin a frame (a length under 2 has no room for a message number) or a sentence, or may once more has come. Of a
# frame the last group is a message number that RTCM has given out (1001–1304, 4001–4095): noise seldom has one.
_KNOWN_MESSAGE = rb"(\x3e[\x90-\xff]|[\x3f-\x50][\x00-\xff]|\x51[\x00-\x8f]|\xfa[\x10-\xff]|[\xfb-\xff][\x00-\xff])"
_HEAD = rb"\xd3(?:(?:\x00[\x02-\xff]|[\x01-\x03][\x00-\xff])" + _KNOWN_MESSAGE + rb"?|[\x00-\x03]?\Z)"
_SENTENCE = rb"\$([A-Z][A-Z0-9]{3,}(?:[,*][\x20-\x23\x25-\x7e]*)?)\*([0-9A-Fa-f]{2})\r?\n"
_ADDRESS = rb"\$(?:[A-Z][A-Z0-9]{3,}[,*]|(?:[A-Z][A-Z0-9]*)?\Z)"
_START = re.compile(_SENTENCE + rb"|" + _ADDRESS + rb"|" + _HEAD)
_HEAD_INSIDE = re.compile(rb"\xd3(?=(\x00[\x02-\xff]|[\x01-\x03][\x00-\xff])" + _KNOWN_MESSAGE + rb")")
_HEAD_INSIDE_BYTES = 5
_LINE = re.compile(rb"\$[\x20-\x23\x25-\x7e]*")
_LOOKS_LIKE_SENTENCE = re.compile(rb"\$[A-Z][A-Z0-9]{3,}[,*]")


def crc24q(data: bytes) -> int:
    """CRC-24Q of `data` (RTCM 10403 section 4.2; 0 over a whole good frame)."""
    return int(_crc24q(data))


def nmea_checksum(body: bytes) -> int:
    """XOR of the characters between $ and * (IEC 61162-1)."""
    return int(_xor(body))


class Framer:
    """One line's bytes into units `(kind, bytes)`. All units joined are the bytes fed, but those that wait for their rest."""

    def __init__(self) -> None:
        self.waiting = 0
        """How many bytes wait for the rest of their frame or sentence."""
        self._held = b""  # these
        self._before = 0  # bytes that came before them
        self._bad_left = 0  # bytes still covered by a broken frame's own length
        self._inside = _Inside()

    def flush(self) -> list[Unit]:
        """The line fell silent: what waits is judged as it is, and nothing waits any more."""
        return self.feed(b"", last=True)

    def feed(self, data: bytes, *, last: bool = False) -> list[Unit]:
        """The units that these bytes complete; after the `last`, nothing waits any more."""
        if self.waiting:
            data = self._held + data
        units: list[Unit] = []
        size = len(data)
        done = start = 0  # what lies between the two begins nothing
        search = _START.search
        while start < size and (found := search(data, start)) is not None:
            start, end = found.span()
            what = found.lastindex  # 2: a whole sentence; 3: the head of a known message; or None
            if what == 2 and _xor(found[1]) == _VALUE[found[2]] and end - start <= LONGEST_SENTENCE:
                kind = SENTENCE
            elif data[start] != _D3:
                end, kind = _no_sentence(data, start)
            elif start + 3 > size:
                kind = _WAITS
            else:
                end = start + 6 + (data[start + 1] << 8 | data[start + 2])
                if end <= size:
                    if not _crc24q(data[start:end]):
                        kind = FRAME
                    elif what == 3:
                        kind = BAD_FRAME
                    else:  # noise that looks like a head
                        start += 1
                        continue
                else:  # a whole good frame behind it shows its promise to be false: no message waits for it
                    kind = BAD_FRAME if self._inside.holds_frame(data, self._before, start) else _WAITS
            if kind > SENTENCE:  # neither that nor a frame
                if kind == _WAITS:
                    if not last:
                        break
                    end, kind = size, BAD_FRAME if data[start] == _D3 else BAD_SENTENCE
                if kind == BAD_FRAME:
                    # Only its first byte is certain to be part of it (the length may be what is wrong): look on behind that.
                    if what == 3 and start - done >= self._bad_left:
                        self._pass_over(units, data[done:start])
                        units.append((BAD_FRAME, data[start : start + 1]))
                        self._bad_left = end - start - 1
                        done = start + 1
                    start += 1
                    continue
                if kind == OTHER or not _LOOKS_LIKE_SENTENCE.match(data, start):
                    start += 1
                    continue
            if done < start:
                self._pass_over(units, data[done:start])
            self._bad_left = 0
            units.append((kind, data[start:end]))
            done = start = end
        else:
            start = size
        if done < start:
            self._pass_over(units, data[done:start])
        self.waiting = size - start
        self._held = data[start:] if start < size else b""
        self._before += start
        return units

    def _pass_over(self, units: list[Unit], junk: bytes) -> None:
        """Append bytes that begin nothing: the rest of a broken frame, as far as that covers them, and other."""
        if junk and self._bad_left:
            rest, junk = junk[: self._bad_left], junk[self._bad_left :]
            self._bad_left -= len(rest)
            units.append((REST, rest))
        if junk:
            units.append((OTHER, junk))


class _Inside:
    """The heads of frames of known messages that stand behind one that waits for its bytes, at least four bytes apart. Places
    are bytes since the line began."""

    def __init__(self) -> None:
        self._heads: list[int] = []  # where each ends, and its size in the lowest bits; the first to end on top
        self._seen = 0

    def holds_frame(self, data: bytes, before: int, start: int) -> bool:
        """True if a whole good frame of a known message begins in `data` behind `start`; `before` is its first byte's place."""
        heads = self._heads
        for found in _HEAD_INSIDE.finditer(data, max(self._seen - before, start + 1)):
            size = 6 + int.from_bytes(found[1], "big")
            at = found.start()
            heappush(heads, before + at + size << _SIZE_BITS | size)
            self._seen = before + at + 1
        self._seen = max(self._seen, before + len(data) - _HEAD_INSIDE_BYTES + 1)
        here, now = before + start, before + len(data)
        while heads and (end := heads[0] >> _SIZE_BITS) <= now:
            at = end - (heads[0] & _SIZE_MASK)
            if at > here and not _crc24q(data[at - before : end - before]):
                return True
            heappop(heads)
        return False


def _no_sentence(data: bytes, start: int) -> tuple[int, int]:
    """Where what begins with $ at `start` and is no good sentence ends, and what it is."""
    line = _LINE.match(data, start)
    assert line is not None
    end = line.end()
    if end - start > LONGEST_SENTENCE:
        return end, OTHER
    ending = data[end : end + 2]
    if ending in (b"", b"\r"):
        return end, _WAITS
    if ending == b"\r\n":
        return end + 2, BAD_SENTENCE
    return end + ending.startswith(b"\n"), BAD_SENTENCE
