"""A stretch of a receiver's bytes that is nothing but whole sentences, read column by column.

Most of a rover's day is such: then all its GGA are split and converted at once, for a quarter of what they cost one by one.
Whatever is not as plain as that (a broken sentence, a frame between, a field that is empty or odd) makes the whole stretch the
decoder's, which knows what to do with it; so what is read here is what the decoder would read (`daemon.stream.nmea`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.stream.framing import LONGEST_SENTENCE
from witnesspost.daemon.stream.nmea import ANGLE_STEPS, MOST, seconds_of_day

Array = NDArray[Any]

_BEGUN = re.compile(rb"(?:\$[\x20-\x23\x25-\x7e]*\r?)?")
_TALKER = re.compile(rb"[A-OQ-Z][A-Z0-9]")  # P is a maker's own, whose formatter is none
_SENTENCE = re.compile(rb"\$[A-Z][A-Z0-9]{3,}[,*]")
_HEX = np.full(256, 255, np.uint8)
_HEX[list(b"0123456789ABCDEF")] = _HEX[list(b"0123456789abcdef")] = range(16)
_FIELDS = 14  # of a GGA behind its address
_MOST_FORMS = 20  # where the commas of GGA may stand: a field or two grow a letter now and then
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
    letters = np.frombuffer(data, np.uint8)[:size]
    ends = _ends(letters)
    if ends is None:
        return None
    begins = np.append(0, ends)[:-1]
    kinds = _kinds(letters, begins)
    gga, gst, gns, rest = (np.flatnonzero(kinds == kind) for kind in (_GGA, _GST, _GNS, 0))
    if len(gns):
        return None  # whether it counts hangs on the GGA before it

    def sentences(which: Array) -> Iterator[tuple[int, bytes]]:
        for begin, end in zip(begins[which].tolist(), ends[which].tolist(), strict=True):
            yield end, data[begin:end]

    try:
        positions = _positions(letters, begins[gga], ends[gga])
        sigmas = _sigmas([line for _, line in sentences(gst)])
    except ValueError:
        return None
    others = [(end, line) for end, line in sentences(rest) if _SENTENCE.match(line)]
    last = {kind: one for kind, which in (("GST", gst), ("GGA", gga)) for one in sentences(which[-1:])}
    return Plain(size, ends[gga], positions, ends[gst], sigmas, others, last)


def _kinds(letters: Array, begins: Array) -> Array:
    """What the formatter of each sentence is, 0 where it is none of those that are read here."""
    words = sum(letters[begins + 3 + place].astype(np.uint32) << 8 * place for place in range(4))
    return np.where(np.isin(words, (_GGA, _GST, _GNS)), words, 0)


def _ends(letters: Array) -> Array | None:
    """Where each sentence ends; None where the letters are not sentences from end to end, or a checksum is not its sentence's
    own (the XOR from $ to *)."""
    ends = np.flatnonzero(letters == ord("\n")) + 1
    begins = np.flatnonzero(letters == ord("$"))
    if not np.array_equal(begins, np.append(0, ends)[:-1]):
        return None
    if not len(ends):
        return ends
    sizes, stars = ends - begins, ends - 5
    if not _SHORTEST <= sizes.min() <= sizes.max() <= LONGEST_SENTENCE:
        return None
    if not ((letters[ends - 2] == ord("\r")) & (letters[stars] == ord("*"))).all():
        return None
    if letters.max() > ord("~") or np.count_nonzero(letters < ord(" ")) != 2 * len(ends):
        return None  # no text, or a line's end within a line
    said = _HEX[letters[stars + 1]].astype(int) << 4 | _HEX[letters[stars + 2]]
    found = np.bitwise_xor.reduceat(letters, np.column_stack([begins + 1, stars]).ravel())[::2]
    return ends if (found == said).all() else None


def _positions(letters: Array, begins: Array, ends: Array) -> Array:
    """Of GGA. Raises ValueError where a field is not as nearly all are."""
    found = np.empty((len(begins), len(POSITION)))
    commas = np.flatnonzero(letters == ord(","))
    first = np.searchsorted(commas, begins)
    if (np.searchsorted(commas, ends) - first != _FIELDS).any():
        raise ValueError("a GGA with more or fewer fields")
    forms = np.column_stack([commas[first[:, None] + np.arange(_FIELDS)], ends - 5]) - begins[:, None]
    left = np.arange(len(begins))
    for _ in range(_MOST_FORMS):
        if not len(left):
            return found
        form = forms[left[0]]
        alike = (forms[left] == form).all(axis=1)
        found[left[alike]] = _of_a_form(_lines(letters, begins[left[alike]], form[-1]), form.tolist())
        left = left[~alike]
    raise ValueError("commas in many places")


def _lines(letters: Array, begins: Array, size: int) -> Array:
    """Stretches of one size, a row each."""
    lines: Array = np.lib.stride_tricks.sliding_window_view(letters, size)[begins]
    return lines


def _of_a_form(lines: Array, commas: list[int]) -> Array:
    time, lat, ns, lon, ew, quality, satellites, hdop, height, _, separation, _, age, station = (
        lines[:, comma + 1 : end] for comma, end in pairwise(commas)
    )
    _expect_talkers(_words(lines[:, 1:3]).tolist())
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


def _sigmas(lines: Sequence[bytes]) -> Array:
    """Of GST. Raises ValueError where a field is not as nearly all are."""
    _expect_talkers(line[1:3] for line in lines)
    rows = [line[7:-5].split(b",") for line in lines]
    if any(len(row) < 8 for row in rows):
        raise ValueError("a GST with fewer fields")
    said = [(seconds_of_day(row[0]), float(row[6]), float(row[5]), float(row[7])) for row in rows]
    return _bounded(np.array(said, float).reshape(-1, len(SIGMA)))


def _expect_talkers(words: Iterable[bytes]) -> None:
    if not all(map(_TALKER.fullmatch, set(words))):
        raise ValueError("a sentence of nobody")


def _times(fields: Array) -> Array:
    """Seconds of the day of hhmmss.s…"""
    digits, point = _digits(fields)
    hours, minutes = digits[:, :2] @ _POWERS[-2:], digits[:, 2:4] @ _POWERS[-2:]
    seconds = _decimal(digits[:, 4:], point - 4)
    if point != 6 or not ((hours < 24) & (minutes < 60) & (seconds < 60.0)).all():
        raise ValueError("no time of the day")
    found: Array = 60.0 * (60.0 * hours + minutes) + seconds
    return found


def _angles(fields: Array, hemispheres: Array, negative: bytes, most: float) -> Array:
    """Degrees of dddmm.m…, to a hundredth of a millimetre."""
    digits, point = _digits(fields)
    if point < 4:
        raise ValueError("no angle")
    degrees = _decimal(digits[:, : point - 2], point - 2) + _decimal(digits[:, point - 2 :], 2) / 60.0
    degrees = np.rint(degrees * ANGLE_STEPS) / ANGLE_STEPS
    if not (degrees <= most).all():
        raise ValueError("no angle of that kind")
    return np.where(_words(hemispheres) == negative, -degrees, degrees)


def _heights(fields: Array) -> Array:
    try:
        return _bounded(_decimal(*_digits(fields)))
    except ValueError:  # under the geoid, or without a point
        return _bounded(np.array([*map(float, _words(fields).tolist())]))


def _digits(fields: Array) -> tuple[Array, int]:
    """The digits of numbers, a row each, and how many stand before the point. Raises ValueError where it is not in the same
    place in all, or there is something else."""
    width, point = fields.shape[1], bytes(fields[0]).find(b".")
    if not 0 < point < width <= _EXACT + 1 or not (fields[:, point] == ord(".")).all():
        raise ValueError("numbers of several forms")
    digits = np.delete(fields, point, axis=1) - ord("0")
    if not (digits < 10).all():
        raise ValueError("no number")
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


def _each(fields: Array, read: Callable[[bytes], float]) -> Array:
    """The values of fields of which most are alike."""
    words = _words(fields)
    if (words == words[0]).all():
        return np.full(len(words), read(words[0]))
    said = words.tolist()
    known = {word: read(word) for word in set(said)}
    return np.array([known[word] for word in said])


def _words(fields: Array) -> Array:
    """Fields as texts."""
    count, width = fields.shape
    return np.ascontiguousarray(fields).view(f"S{width}").ravel() if width else np.zeros(count, "S1")


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
