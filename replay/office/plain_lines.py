"""A stretch of a receiver's bytes that is nothing but whole sentences, read column by column.

Most of a rover's day is such: then all its GGA are split and converted at once, for a quarter of what they cost one by one.
Whatever is not as plain as that (a broken sentence, a frame between, a field that is empty or odd) makes the whole stretch the
decoder's, which knows what to do with it; so what is read here is what the decoder would read (`daemon.stream.nmea`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import compress
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.stream.framing import LONGEST_SENTENCE
from witnesspost.daemon.stream.nmea import ANGLE_STEPS, MOST, seconds_of_day

Array = NDArray[Any]

_BEGUN = re.compile(rb"(?:\$[\x20-\x23\x25-\x7e]*\r?)?")
_TALKER = re.compile(rb"[A-OQ-Z][A-Z0-9]")  # P is a maker's own, whose formatter is none
_SENTENCE = re.compile(rb"\$[A-Z][A-Z0-9]{3,}[,*]")
_TEXT = np.zeros(256, bool)
_TEXT[0x20:0x7F] = _TEXT[list(b"\r\n")] = True
_HEX = np.full(256, 255, np.uint8)
_HEX[list(b"0123456789ABCDEF")] = _HEX[list(b"0123456789abcdef")] = range(16)
_FIELDS = 14  # of a GGA behind its address
_GGA, _GST, _GNS = (int.from_bytes(kind, "little") for kind in (b"GGA,", b"GST,", b"GNS,"))
_SHORTEST = len("$AAAA*00\r\n")
_POWERS = 10.0 ** np.arange(14, -1, -1)
_EXACT = 15  # digits, up to which a whole number divided by a power of ten is the double nearest to the decimal


class Plain(NamedTuple):
    """What the sentences of a stretch say. `size` is how many bytes they have; what comes behind is a sentence's beginning.

    `positions` are a row each in `POSITION`, `sigmas` one in `SIGMA`, NaN where a field is empty; `others` are the sentences
    of other kinds. Where in the bytes each ends stands beside it; `last` are the last GST and the last GGA as they stand.
    """

    size: int
    position_ends: Array
    positions: Array
    sigma_ends: Array
    sigmas: Array
    others: list[tuple[int, bytes]]
    last: dict[str, tuple[int, bytes]]


POSITION = ("time_s", "quality", "latitude", "longitude", "height_m", "separation_m", "age_s", "station")
SIGMA = ("time_s", "east", "north", "up")


def plain(data: bytes) -> Plain | None:
    """The sentences of `data`, which begins with one; None where it is not plain."""
    size = data.rfind(b"\n") + 1
    if len(data) - size > LONGEST_SENTENCE or not _BEGUN.fullmatch(data, size):
        return None
    ends = _ends(data[:size])
    if ends is None:
        return None
    lines = data[:size].split(b"\r\n")[:-1]
    kinds = _kinds(data, ends)
    if (kinds == _GNS).any():
        return None  # whether it counts hangs on the GGA before it
    gga, gst = (_those(lines, kinds == kind) for kind in (_GGA, _GST))
    gga_ends, gst_ends = ends[kinds == _GGA], ends[kinds == _GST]
    rest = zip(_those(lines, kinds == 0), ends[kinds == 0].tolist(), strict=True)
    others = [(end, line + b"\r\n") for line, end in rest if _SENTENCE.match(line)]
    try:
        positions, sigmas = _positions(gga), _sigmas(gst)
    except ValueError:
        return None
    last = {
        kind: (int(at[-1]), found[-1] + b"\r\n")
        for kind, at, found in (("GST", gst_ends, gst), ("GGA", gga_ends, gga))
        if found
    }
    return Plain(size, gga_ends, positions, gst_ends, sigmas, others, last)


def _kinds(data: bytes, ends: Array) -> Array:
    """What the formatter of each sentence is, 0 where it is none of those that are read here."""
    letters = np.frombuffer(data, np.uint8)
    begins = np.append(0, ends)[:-1]
    words = sum(letters[begins + 3 + place].astype(np.uint32) << 8 * place for place in range(4))
    return np.where(np.isin(words, (_GGA, _GST, _GNS)), words, 0)


def _those(lines: list[bytes], which: Array) -> list[bytes]:
    return [*compress(lines, which.tolist())]


def _ends(data: bytes) -> Array | None:
    """Where each sentence ends; None where the bytes are not sentences from end to end, or a checksum is not its sentence's own
    (the XOR from $ to *)."""
    letters = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(letters == ord("\n")) + 1
    begins = np.flatnonzero(letters == ord("$"))
    if not np.array_equal(begins, np.append(0, ends)[:-1]) or not _TEXT[letters].all():
        return None
    if data.count(b"\r") != len(ends) or not (letters[ends - 2] == ord("\r")).all():
        return None
    sizes, stars = ends - begins, ends - 5
    if len(ends) and not _SHORTEST <= sizes.min() <= sizes.max() <= LONGEST_SENTENCE:
        return None
    if not (letters[stars] == ord("*")).all():
        return None
    said = _HEX[letters[stars + 1]].astype(int) << 4 | _HEX[letters[stars + 2]]
    found = np.bitwise_xor.reduceat(letters, np.column_stack([begins + 1, stars]).ravel())[::2] if len(ends) else said
    return ends if (found == said).all() else None


def _positions(lines: Sequence[bytes]) -> Array:
    """Of GGA. Raises ValueError where a field is not as nearly all are."""
    if not lines:
        return np.zeros((0, len(POSITION)))
    if {line.count(b",") for line in lines} != {_FIELDS} or not _are_talkers(lines):
        raise ValueError("a GGA with more or fewer fields, or of nobody")
    fields = b",".join([line[7:-3] for line in lines]).split(b",")
    time, lat, ns, lon, ew, quality, satellites, hdop, height, _, separation, _, age, station = (
        fields[place::_FIELDS] for place in range(_FIELDS)
    )
    _each(satellites, _count)
    _each(hdop, _measured)
    return np.column_stack(
        [
            _times(time),
            _each(quality, _quality),
            _angles(lat, ns, b"S", 90.0),
            _angles(lon, ew, b"W", 180.0),
            _heights(height),
            _each(separation, _measured),
            _each(age, _measured),
            _each(station, _count),
        ]
    )


def _are_talkers(lines: Sequence[bytes]) -> bool:
    return all(map(_TALKER.fullmatch, {line[1:3] for line in lines}))


def _sigmas(lines: Sequence[bytes]) -> Array:
    """Of GST. Raises ValueError where a field is not as nearly all are."""
    rows = [line[7:-3].split(b",") for line in lines]
    if any(len(row) < 8 for row in rows) or not _are_talkers(lines):
        raise ValueError("a GST with fewer fields, or of nobody")
    said = [(seconds_of_day(row[0]), float(row[6]), float(row[5]), float(row[7])) for row in rows]
    return _bounded(np.array(said, float).reshape(-1, len(SIGMA)))


def _times(fields: Sequence[bytes]) -> Array:
    """Seconds of the day of hhmmss.s…"""
    digits, point = _digits(fields)
    hours, minutes = digits[:, :2] @ _POWERS[-2:], digits[:, 2:4] @ _POWERS[-2:]
    seconds = _decimal(digits[:, 4:], point - 4)
    if point != 6 or not ((hours < 24) & (minutes < 60) & (seconds < 60.0)).all():
        raise ValueError("no time of the day")
    found: Array = 60.0 * (60.0 * hours + minutes) + seconds
    return found


def _angles(fields: Sequence[bytes], hemispheres: Sequence[bytes], negative: bytes, most: float) -> Array:
    """Degrees of dddmm.m…, to a hundredth of a millimetre."""
    digits, point = _digits(fields)
    if point < 4:
        raise ValueError("no angle")
    degrees = _decimal(digits[:, : point - 2], point - 2) + _decimal(digits[:, point - 2 :], 2) / 60.0
    degrees = np.rint(degrees * ANGLE_STEPS) / ANGLE_STEPS
    if not (degrees <= most).all():
        raise ValueError("no angle of that kind")
    return np.where([hemisphere == negative for hemisphere in hemispheres], -degrees, degrees)


def _heights(fields: Sequence[bytes]) -> Array:
    try:
        digits, point = _digits(fields)
    except ValueError:  # of several lengths, or under the geoid
        return _bounded(np.array([float(field) for field in fields]))
    return _bounded(_decimal(digits, point))


def _digits(fields: Sequence[bytes]) -> tuple[Array, int]:
    """The digits of numbers of one form, a row each, and how many stand before the point. Raises ValueError where they are of
    several forms, or have no point."""
    width, point = len(fields[0]), fields[0].find(b".")
    if not 0 < point < width <= _EXACT + 1 or set(map(len, fields)) != {width}:
        raise ValueError("numbers of several forms")
    letters = np.frombuffer(b"".join(fields), np.uint8).reshape(-1, width)
    digits = np.delete(letters, point, axis=1) - ord("0")
    if not (letters[:, point] == ord(".")).all() or not (digits < 10).all():
        raise ValueError("numbers of several forms")
    return digits, point


def _decimal(digits: Array, point: int) -> Array:
    """Numbers by their digits, of which so many stand before the point: the doubles nearest to them."""
    width = digits.shape[1]
    found: Array = digits @ _POWERS[-width:] / 10.0 ** (width - point)
    return found


def _bounded(values: Array) -> Array:
    if not (np.abs(values) <= MOST).all():
        raise ValueError("no measurement")
    return values


def _each(fields: Sequence[bytes], read: Callable[[bytes], float]) -> Array:
    """The values of fields of which most are alike."""
    known = {field: read(field) for field in set(fields)}
    if len(known) == 1:
        return np.full(len(fields), known[fields[0]])
    return np.array([known[field] for field in fields])


def _measured(field: bytes) -> float:
    if not field:
        return np.nan
    value = float(field)
    if not -MOST <= value <= MOST:
        raise ValueError("no measurement")
    return value


def _count(field: bytes) -> float:
    if not field:
        return np.nan
    value = int(field)
    if not 0 <= value <= 9999:
        raise ValueError("no count")
    return float(value)


def _quality(field: bytes) -> float:
    value = int(field)
    if not 0 <= value <= 9:
        raise ValueError("no quality")
    return float(value)
