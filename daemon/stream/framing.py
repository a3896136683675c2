"""Bytes into frames and sentences: one pass, any cut, anything between; every byte ends up in exactly one unit.

    RTCM 3 (RTCM 10403, section 4)           NMEA 0183 (IEC 61162-1)
    ┌──────┬────────┬────────┬─────────┬───────┐   ┌───┬──────────────────────┬───┬────┬────┐
    │ D3   │ 000000 │ length │ payload │ CRC   │   │ $ │ address and fields   │ * │ hh │CRLF│
    │ 8 bit│ 6 bit  │ 10 bit │ length B│ 24 bit│   │   │ printable ASCII      │   │ XOR│    │
    └──────┴────────┴────────┴─────────┴───────┘   └───┴──────────────────────┴───┴────┴────┘

D3 and $ may stand inside payloads and noise, so only a whole frame with a good CRC-24Q, or a whole line with a good
checksum, moves the reader on by its length; everything else moves it on by as little as is certain. A broken frame is one
unit BAD_FRAME, then REST units for the bytes that its length covers: counting BAD_FRAME counts broken frames.
"""

from __future__ import annotations

import re

import anycrc

FRAME, SENTENCE, BAD_FRAME, BAD_SENTENCE, REST, OTHER = range(6)

Unit = tuple[int, bytes]

LONGEST_SENTENCE = 1024  # the standard says 82 characters; receivers' own sentences are longer

_crc24q = anycrc.Model("CRC24-LTE-A").calc  # the catalogue's name for CRC-24Q: 0x1864CFB, not reflected, 0, 0
_START = re.compile(rb"[\xd3$]")
_LINE = re.compile(rb"\$[\x20-\x23\x25-\x7e]*")
_HALVES = [tuple(8 << power for power in range(bits - 1, -1, -1)) for bits in range(LONGEST_SENTENCE.bit_length() + 1)]
_LOOKS_LIKE_SENTENCE = re.compile(rb"\$[A-Z][A-Z0-9]{3,}[,*]")


def crc24q(data: bytes) -> int:
    """CRC-24Q of `data` (RTCM 10403 section 4.2; 0 over a whole good frame)."""
    return int(_crc24q(data))


def nmea_checksum(body: bytes) -> int:
    """XOR of the characters between $ and * (IEC 61162-1): as one number, folded in halves down to its last eight bits."""
    folded = int.from_bytes(body, "big")
    for shift in _HALVES[len(body).bit_length()]:
        folded ^= folded >> shift
    return folded & 0xFF


class Framer:
    """One line's bytes into units `(kind, bytes)`. All units joined are the bytes fed, but for those still waited on."""

    def __init__(self) -> None:
        self._waiting = b""
        self._bad_left = 0  # bytes still covered by a broken frame's own length

    @property
    def waiting(self) -> int:
        """How many bytes wait for the rest of their frame or sentence."""
        return len(self._waiting)

    def feed(self, data: bytes) -> list[Unit]:
        """The units that these bytes complete."""
        return self._units(self._waiting + data if self._waiting else data, last=False)

    def flush(self) -> list[Unit]:
        """The line fell silent: what waits is judged as it is, and nothing waits any more."""
        return self._units(self._waiting, last=True)

    def _units(self, data: bytes, last: bool) -> list[Unit]:
        units: list[Unit] = []
        size = len(data)
        start = 0
        while start < size:
            first = data[start]
            if first == 0xD3:
                end, kind = self._frame(data, start, size)
            elif first == 0x24:
                end, kind = self._sentence(data, start, size)
            else:
                found = _START.search(data, start)
                end, kind = (found.start() if found else size), OTHER
            if not end:
                if not last:
                    break
                end, kind = (size, BAD_FRAME) if first == 0xD3 else (start + 1, OTHER)
                if first == 0x24 and _LOOKS_LIKE_SENTENCE.match(data, start):
                    end, kind = size, BAD_SENTENCE
            if kind in (FRAME, SENTENCE, BAD_SENTENCE):
                self._bad_left = 0
                units.append((kind, data[start:end]))
            elif kind == BAD_FRAME and not self._bad_left and _is_known_message(data, start):
                # Only its first byte is certain to be part of it (the length may be what is wrong): look on behind that.
                self._bad_left = end - start - 1
                end = start + 1
                units.append((BAD_FRAME, data[start:end]))
            else:
                end = self._junk(units, data, start, start + 1 if kind == BAD_FRAME else end)
            start = end
        self._waiting = data[start:]
        return units

    def _junk(self, units: list[Unit], data: bytes, start: int, end: int) -> int:
        """Append bytes that begin nothing, as the rest of a broken frame or as other; returns where they end."""
        kind = OTHER
        if self._bad_left:
            kind = REST
            end = min(end, start + self._bad_left)
            self._bad_left -= end - start
        if units and units[-1][0] == kind:
            units[-1] = (kind, units[-1][1] + data[start:end])
        else:
            units.append((kind, data[start:end]))
        return end

    def _frame(self, data: bytes, start: int, size: int) -> tuple[int, int]:
        """(end, kind) of what begins with D3 at `start`; end 0 where more bytes are needed."""
        if start + 3 > size:
            return (0, 0) if start + 2 > size or not data[start + 1] & 0xFC else (start + 1, OTHER)
        if data[start + 1] & 0xFC:
            return start + 1, OTHER
        length = data[start + 1] << 8 | data[start + 2]
        if length < 2:  # too short for a message number
            return start + 1, OTHER
        end = start + 6 + length
        if end > size:
            # A whole good frame behind it shows the promise of a longer one to be false: nothing good waits for it.
            return (end, BAD_FRAME) if _holds_frame(data, start + 1, size) else (0, 0)
        if not _crc24q(data[start:end]):
            return end, FRAME
        return end, BAD_FRAME

    def _sentence(self, data: bytes, start: int, size: int) -> tuple[int, int]:
        match = _LINE.match(data, start)
        assert match is not None
        end = match.end()
        ending = data[end : end + 2]
        if end - start > LONGEST_SENTENCE:
            return start + 1, OTHER
        if not ending or ending == b"\r":
            return 0, 0
        if ending == b"\r\n":
            tail = end + 2
        elif ending[:1] == b"\n":
            tail = end + 1
        else:
            return (end, BAD_SENTENCE) if _LOOKS_LIKE_SENTENCE.match(data, start, end) else (start + 1, OTHER)
        body = match.group()
        if body[-3:-2] == b"*":
            try:
                if nmea_checksum(body[1:-3]) == int(body[-2:], 16):
                    return tail, SENTENCE
            except ValueError:
                pass
        return (tail, BAD_SENTENCE) if _LOOKS_LIKE_SENTENCE.match(body) else (start + 1, OTHER)


def _holds_frame(data: bytes, start: int, size: int) -> bool:
    """True if a whole frame with a good CRC begins anywhere from `start` on."""
    at = data.find(b"\xd3", start)
    while 0 <= at <= size - 8:
        end = at + 6 + (data[at + 1] << 8 | data[at + 2])
        if at + 8 <= end <= size and not data[at + 1] & 0xFC and not _crc24q(data[at:end]):
            return True
        at = data.find(b"\xd3", at + 1)
    return False


def _is_known_message(data: bytes, start: int) -> bool:
    """True if the message number there is one that RTCM has given out: noise seldom is."""
    number = int.from_bytes(data[start + 3 : start + 5], "big") >> 4
    return 1001 <= number <= 1304 or 4001 <= number <= 4095
