"""Units into facts: header bits of every observation frame, the levels of a sample, whole messages through pyrtcm if rare.

Sentences are `daemon.stream.nmea`.

Header of an MSM (RTCM 10403, 3.5; bit offsets in the payload), and of a legacy observation message:

    0 message 12 │ 12 station 12 │ 24 epoch 30 │ 54 more follow 1 │ … │ 73 satellites 64 │ 137 signals 32 │ 169 cells …
    0 message 12 │ 12 station 12 │ 24 epoch 30 (GLONASS 27) │ more follow 1 │ satellites 5 │ …
"""

from __future__ import annotations

import math
from collections.abc import Callable, Container
from functools import lru_cache
from typing import Any

import pyrtcm
from msgspec.structs import replace
from pyrtcm.rtcmtables import PRNSIGMAP
from witnesspost.daemon.stream.framing import BAD_FRAME, BAD_SENTENCE, FRAME, OTHER, REST, SENTENCE, Unit
from witnesspost.daemon.stream.nmea import Sentences
from witnesspost.daemon.stream.rtcm2 import LONGEST_LOOK, rtcm2_words
from witnesspost.rules.facts import (
    MORE_KINDS,
    MOST_KINDS,
    Antenna,
    Bias,
    Epoch,
    Fact,
    Fix,
    SignalLevels,
    Station,
    Tilt,
    Traffic,
    Utc,
)
from witnesspost.rules.gnss import (
    ANTENNA,
    GLONASS_BIAS,
    GPS_MINUS_BEIDOU_S,
    LEGACY_OBSERVATIONS,
    MSM,
    RECEIVER_AND_ANTENNA,
    STATION_POSITION,
    STATION_POSITION_WITH_HEIGHT,
    TEXT,
    WEEK_S,
)
from witnesspost.rules.site.model import TiltSentence

FACTS: frozenset[type[Fact]] = frozenset((Antenna, Bias, Epoch, Fix, SignalLevels, Station, Tilt, Traffic, Utc))
"""The kinds of facts that streams give."""

SAMPLE_EVERY_S = 10.0  # of one message the levels are read, the systems in turn
_ONE_EPOCH_S = 0.01  # times of week that are further apart are two epochs'
_LONGEST_SET_S = 2.0
_MOST_READ_WHOLE_S = 20  # messages that differ from the last of their kind: more than any base or service sends in a second
_MOST_REMEMBERED = 256  # kinds: more than any line has
_MOST_READ = 50  # whole messages that are remembered: two or three of each of the project's bases
_ENOUGH_BYTES, _LOOK_EVERY_S = 200, 1.0  # a message of RTCM 2 has 165 bytes at most, so that the next begins within these


def _band_masks(*bands: tuple[int, ...]) -> tuple[int, ...]:
    """One mask a carrier band: signal ID 1 is the highest of DF395's 32 bits."""
    return tuple(sum(1 << 32 - signal for signal in band) for band in bands)


# Signal IDs by carrier band (RTCM 10403 tables of DF395, as pyrtcm has them).
_L1, _L5 = (2, 3, 4, 5, 6, 30, 31, 32), (22, 23, 24)
_BANDS = {
    "G": _band_masks(_L1, (8, 9, 10, 15, 16, 17), _L5),
    "R": _band_masks((2, 3), (8, 9)),
    "E": _band_masks(_L1, (8, 9, 10, 11, 12), (14, 15, 16), (18, 19, 20), _L5),
    "S": _band_masks((2,), _L5),
    "J": _band_masks(_L1, (9, 10, 11), (15, 16, 17), _L5),
    "C": _band_masks(_L1, (8, 9, 10), (14, 15, 16), _L5),
    "I": _band_masks((22,)),
}
_CODES = {system: PRNSIGMAP[str(message // 10)][1] for message, system in MSM.items()}
_LEGACY_BANDS = {1001: 1, 1002: 1, 1003: 2, 1004: 2, 1009: 1, 1010: 1, 1011: 2, 1012: 2}
# Messages that name a reference station in bits 12–23 (DF003) beside the observations.
_NAMES_STATION = frozenset((*range(1001, 1014), TEXT, 1032, RECEIVER_AND_ANTENNA, GLONASS_BIAS))

_READ_WHOLE = STATION_POSITION | ANTENNA


def signal_levels(frame: bytes, message: int, system: str) -> dict[str, tuple[float, int]] | None:
    """C/N0 by signal of a whole MSM4–7 frame: mean in dB-Hz, and of how many satellites (as `SignalLevels`).

    None where the frame is too short for its masks, or its masks are too large (over 64 cells). RTCM 10403: behind the cell
    mask come the satellites' data, then one field of all cells after the other: of 42 bits (MSM4, 5) or 55 (MSM6, 7) before
    the C/N0, which is DF403 in dB-Hz, or DF408 in sixteenths of it; 0 is not known.
    """
    high, extended = message % 10 >= 6, message % 10 in (5, 7)
    size = 8 * (len(frame) - 6)
    if size < 169:
        return None
    bits = int.from_bytes(frame[3:-3], "big")
    satellites = (bits >> size - 137 & 0xFFFFFFFFFFFFFFFF).bit_count()
    names = _signal_names(system, bits >> size - 169 & 0xFFFFFFFF)
    mask_bits = satellites * len(names)
    if mask_bits > 64 or size < 169 + mask_bits:
        return None
    mask = bits >> size - 169 - mask_bits & (1 << mask_bits) - 1
    cells = mask.bit_count()
    width = 10 if high else 6
    left = size - 169 - mask_bits - satellites * (36 if extended else 18) - cells * (55 if high else 42)
    if left < cells * width:
        return None
    sums: dict[str, list[float]] = {}
    for place in range(mask_bits):
        if mask >> mask_bits - 1 - place & 1:
            left -= width
            level = bits >> left & (1 << width) - 1
            if level:
                sums.setdefault(names[place % len(names)], []).append(level / 16.0 if high else float(level))
    return {name: (sum(values) / len(values), len(values)) for name, values in sums.items()}


class _Set:
    """One station's observation set while its messages come in; `moments` is what each message said of its epoch."""

    __slots__ = (
        "began_t",
        "cells",
        "frequencies",
        "masks",
        "messages",
        "moments",
        "satellites",
        "size_bytes",
        "systems",
        "time_s",
    )

    def __init__(self, began_t: float) -> None:
        self.began_t = began_t
        self.messages: list[int] = []
        self.moments: dict[int, int] = {}
        self.systems = ""
        self.satellites = 0
        self.cells = 0
        self.size_bytes = 0
        self.time_s: float | None = None
        self.masks: list[tuple[int, int, int]] = []
        self.frequencies = 0


class _Kind:
    """What is counted together: sentences of one address, frames of one message and station, or all that have the name."""

    __slots__ = ("count", "formatter", "has_levels", "message", "name", "read", "size_bytes", "station", "system", "unit")

    def __init__(self, name: str, unit: int = OTHER):
        self.name = name  # as Traffic has it
        self.unit = unit  # the framer's kind
        self.read: _Reader | None = None  # where they may give what somebody reads
        self.formatter = b""  # of sentences
        self.message = 0  # of frames
        self.station: int | None = None  # of frames whose message names one
        self.system = ""  # of observations
        self.has_levels = False  # that somebody reads
        self.count = self.size_bytes = 0  # since the traffic was handed over

    def add_to(self, traffic: Traffic) -> None:
        """Hand over what was counted, and begin anew."""
        if self.unit == FRAME:
            traffic.frames += self.count
            traffic.frame_bytes += self.size_bytes
            by_station = traffic.frames_by_station
            by_station[self.station] = by_station.get(self.station, 0) + self.count
        elif self.unit == SENTENCE:
            traffic.sentence_bytes += self.size_bytes
        by_message, name = traffic.by_message, self.name
        if len(by_message) >= MOST_KINDS and name not in by_message:
            name = MORE_KINDS
        count, size_bytes = by_message.get(name, (0, 0))
        by_message[name] = (count + self.count, size_bytes + self.size_bytes)
        self.count = self.size_bytes = 0


_Reader = Callable[[float, bytes, _Kind, list[Fact]], None]
"""Adds what one frame or sentence says, at a time, to the facts."""
_Header = tuple[bool, int, int, int, int, int, float | None]
"""What the fixed part of an observation message says: more follows, moment, satellites, signals, cells, frequencies, time.

The time is GPS seconds of week where it can be had, the moment the epoch's field as it stands, in the system's own scale. A
plain tuple: a named one would cost the hot path more than all else that is done with it.
"""


class Decoder:
    """One line's units into facts, and the line's traffic in sums that `take_traffic` hands over and begins anew.

    `wanted` holds the kinds of facts that somebody reads: work that would give only others is left undone.
    """

    def __init__(self, stream: str, tilt: TiltSentence | None = None, wanted: Container[type[Fact]] = FACTS):
        self.stream = stream
        self._sentences = Sentences(stream, tilt, wanted)
        self._levels_wanted = SignalLevels in wanted
        self._traffic = Traffic(t=0.0, stream=stream)
        self.is_busy = False
        """Something came since the traffic was handed over."""
        self._kinds: dict[bytes | str, _Kind] = {}  # by a frame's first 24 bits, a sentence's beginning, or their own name
        self._heard: list[_Kind] = []  # since the traffic was handed over, in their order
        self._sets: dict[int, _Set] = {}
        self._sampled: dict[str, float] = {}
        self._last_sample = -math.inf
        self._last_read: dict[tuple[int, int], tuple[bytes, Fact]] = {}
        self._reads_since, self._reads = -math.inf, 0
        self._odd = b""  # bytes that belong to nothing, until there are enough to look at
        self._next_look = -math.inf

    def decode(self, t: float, units: list[Unit]) -> list[Fact]:
        """The facts of these units, in their order."""
        facts: list[Fact] = []
        if not units:
            return facts
        self.is_busy = True
        kinds = self._kinds
        for kind, data in units:
            if kind == SENTENCE:
                heard = kinds.get(data[1:7]) or self._sentences_of(data)
            elif kind == FRAME:
                heard = kinds.get(head := data[3:6]) or self._frames_of(head)
            else:
                self._not_whole(t, kind, data)
                continue
            if not heard.count:
                self._heard.append(heard)
            heard.count += 1
            heard.size_bytes += len(data)
            if heard.read is not None:
                try:
                    heard.read(t, data, heard, facts)
                except (ValueError, IndexError, ArithmeticError):
                    self._unreadable(heard.name)
        return facts

    def take_traffic(self, t: float, heard_t: float | None = None) -> Traffic | None:
        """What came since the last call, None where nothing did; `heard_t` is when the line's last byte came, if not now."""
        if not self.is_busy:
            return None
        traffic = self._traffic
        traffic.t = t
        traffic.heard_t = heard_t
        self._add_up()
        self._traffic = Traffic(t=0.0, stream=self.stream)
        self.is_busy = False
        return traffic

    def _add_up(self) -> None:
        for kind in self._heard:
            kind.add_to(self._traffic)
        self._heard.clear()

    def _look_for_rtcm2(self, t: float, data: bytes) -> None:
        self._odd += data[:LONGEST_LOOK]
        if len(self._odd) >= _ENOUGH_BYTES:
            self._traffic.rtcm2_words += rtcm2_words(self._odd)
            self._odd = b""
            self._next_look = t + _LOOK_EVERY_S

    def _not_whole(self, t: float, kind: int, data: bytes) -> None:
        traffic = self._traffic
        if kind == OTHER:
            traffic.other_bytes += len(data)
            if t >= self._next_look:
                self._look_for_rtcm2(t, data)
        elif kind == BAD_FRAME:
            traffic.bad_frames += 1
            traffic.bad_frame_bytes += len(data)
            self._sets.clear()  # a set that the broken frame was part of is not complete
            self._count("bad frame", len(data))
        elif kind == REST:
            traffic.bad_frame_bytes += len(data)
        elif kind == BAD_SENTENCE:
            traffic.bad_sentences += 1
            traffic.bad_sentence_bytes += len(data)
            self._count("bad sentence", len(data))

    def _unreadable(self, name: str) -> None:
        """A whole message that could not be read: counted under its name with "unread"."""
        self._count(f"{name} unread", 0)

    def _count(self, name: str, size: int) -> None:
        kind = self._kinds.get(name) or self._remembered(name, _Kind(name))
        if not kind.count:
            self._heard.append(kind)
        kind.count += 1
        kind.size_bytes += size

    def _remembered(self, key: bytes | str, kind: _Kind) -> _Kind:
        if len(self._kinds) >= _MOST_REMEMBERED:  # whoever invents names without end costs no more, nor takes more memory
            self._add_up()
            self._kinds.clear()
        self._kinds[key] = kind
        return kind

    def _sentences_of(self, line: bytes) -> _Kind:
        """Sentences of this one's address, which is their formatter behind the talker, or the maker's own."""
        comma = line.find(b",", 0, 12)
        key = line[1:7] if 0 < comma <= 6 else line[:comma] if comma > 0 else line[:6]
        known = self._kinds.get(key)
        if known is not None:
            return known
        address = line[1:comma] if comma > 0 else line[1:6]
        formatter = address[-3:] if len(address) == 5 and address[:1] != b"P" else address
        kind = _Kind(formatter.decode("ascii", "replace"), SENTENCE)
        kind.formatter = formatter
        if self._sentences.reads(formatter):
            kind.read = self._sentence
        return self._remembered(key, kind)

    def _sentence(self, t: float, line: bytes, kind: _Kind, facts: list[Fact]) -> None:
        facts += self._sentences.read(t, kind.formatter, line)

    # RTCM 3

    def _frames_of(self, head: bytes) -> _Kind:
        """Frames whose payload begins with these 24 bits: a message number, and a station where that message names one."""
        message = head[0] << 4 | head[1] >> 4
        kind = _Kind(str(message), FRAME)
        kind.message = message
        kind.station = (head[1] & 15) << 8 | head[2] if message in MSM or message in _NAMES_STATION else None
        if message in MSM:
            kind.system, kind.read = MSM[message], self._msm
            kind.has_levels = self._levels_wanted and message % 10 >= 4
        elif message in LEGACY_OBSERVATIONS:
            kind.system, kind.read = LEGACY_OBSERVATIONS[message], self._legacy
        elif message in _READ_WHOLE:
            kind.read = self._whole
        elif message == GLONASS_BIAS:
            kind.read = self._bias
        return self._remembered(head, kind)

    def _bias(self, t: float, frame: bytes, kind: _Kind, facts: list[Fact]) -> None:
        assert kind.station is not None
        facts.append(Bias(t=t, stream=self.stream, station_id=kind.station))

    def _msm(self, t: float, frame: bytes, kind: _Kind, facts: list[Fact]) -> None:
        if len(frame) < 6 + 22:
            return
        head = int.from_bytes(frame[6:10], "big")  # bits 24 to 55
        system, moment = kind.system, head >> 2
        time_s: float | None = moment / 1000.0
        if system == "R" or moment >= 1000 * WEEK_S:
            time_s = None
        elif system == "C":
            time_s = (moment / 1000.0 + GPS_MINUS_BEIDOU_S) % WEEK_S
        satellites, signals, cells, frequencies = _masked(system, frame[12:34])
        more = bool(head >> 1 & 1)
        self._observations(t, frame, kind, (more, moment, satellites, signals, cells, frequencies, time_s), facts)

    def _legacy(self, t: float, frame: bytes, kind: _Kind, facts: list[Fact]) -> None:
        if len(frame) < 6 + 8:
            return
        head = int.from_bytes(frame[3:11], "big")
        frequencies = _LEGACY_BANDS[kind.message]
        time_s = None
        if kind.system == "G":
            more, satellites, moment = head >> 9 & 1, head >> 4 & 31, head >> 10 & 0x3FFFFFFF
            if moment < 1000 * WEEK_S:
                time_s = moment / 1000.0
        else:
            more, satellites, moment = head >> 12 & 1, head >> 7 & 31, head >> 13 & 0x7FFFFFF
        self._observations(
            t, frame, kind, (bool(more), moment, satellites, frequencies, satellites, frequencies, time_s), facts
        )

    def _observations(self, t: float, frame: bytes, kind: _Kind, header: _Header, facts: list[Fact]) -> None:
        more, moment, satellites, signals, cells, frequencies, time_s = header
        message, station = kind.message, kind.station
        assert station is not None
        system = kind.system
        current = self._sets.get(station)
        if current is not None:
            apart = time_s is not None and current.time_s is not None and abs(time_s - current.time_s) > _ONE_EPOCH_S
            if apart or (message in current.moments and _is_of_the_next(current, t, message, moment)):
                # Its end was lost, or is filtered out for good: a rover uses what came, once the next epoch begins.
                self._end_set(t, station, current, facts)
                current = None
        if current is None:
            current = self._sets[station] = _Set(t)
        current.messages.append(message)
        current.moments[message] = moment
        current.size_bytes += len(frame)
        if current.time_s is None:
            current.time_s = time_s
        if message in MSM:
            current.masks.append((satellites, signals, cells))
        if satellites:
            self._traffic.observation_frames += 1
            current.satellites += satellites
            current.cells += cells
            if system not in current.systems:
                current.systems += system
            if frequencies > current.frequencies:
                current.frequencies = frequencies
            if kind.has_levels and t - self._last_sample >= SAMPLE_EVERY_S:
                facts += self._sample(t, frame, message, system)
        if not more:
            del self._sets[station]
            self._end_set(t, station, current, facts)

    def _end_set(self, t: float, station: int, current: _Set, facts: list[Fact]) -> None:
        if current.satellites:
            facts.append(
                Epoch(
                    t=t,
                    stream=self.stream,
                    station_id=station,
                    time_s=current.time_s,
                    systems=current.systems,
                    satellites=current.satellites,
                    cells=current.cells,
                    size_bytes=current.size_bytes,
                    messages=tuple(current.messages),
                    masks=tuple(current.masks),
                    frequencies=current.frequencies,
                )
            )

    def _parse(self, frame: bytes, message: int) -> Any:
        """The whole message by pyrtcm, None (counted) where it cannot read it. The CRC was checked already."""
        try:
            return pyrtcm.RTCMReader.parse(frame, validate=0)
        except Exception:  # whatever a hostile frame makes the library raise, the line goes on
            self._unreadable(str(message))
            return None

    def _sample(self, t: float, frame: bytes, message: int, system: str) -> list[Fact]:
        """The levels of one message, if it is this system's turn."""
        known = self._sampled
        known.setdefault(system, -math.inf)
        oldest = min(known, key=known.__getitem__)
        if system != oldest and t - self._last_sample < 2 * SAMPLE_EVERY_S:
            return []
        known[system] = self._last_sample = t
        levels = signal_levels(frame, message, system)
        if levels is None:
            self._unreadable(str(message))
        return [SignalLevels(t=t, stream=self.stream, levels=levels)] if levels else []

    def _whole(self, t: float, frame: bytes, kind: _Kind, facts: list[Fact]) -> None:
        """A base says the same for hours: only a frame that differs from the last is read."""
        message, station = kind.message, kind.station
        assert station is not None
        last = self._last_read.get((message, station))
        if last is not None and last[0] == frame:
            facts.append(replace(last[1], t=t))
        elif (fact := self._read_whole(t, frame, message, station)) is not None:
            facts.append(fact)

    def _read_whole(self, t: float, frame: bytes, message: int, station: int) -> Fact | None:
        if not self._may_read_whole(t):
            self._unreadable(str(message))
            return None
        parsed = self._parse(frame, message)
        if parsed is None:
            return None
        try:
            fact = self._fact_of(t, parsed, message, station)
        except (AttributeError, TypeError, ValueError):
            self._unreadable(str(message))
            return None
        if len(self._last_read) >= _MOST_READ:
            del self._last_read[next(iter(self._last_read))]
        self._last_read[message, station] = frame, fact
        return fact

    def _may_read_whole(self, t: float) -> bool:
        """True for the first few messages of a second: whoever invents stations without end does not hold the line up."""
        if t - self._reads_since >= 1.0:
            self._reads_since, self._reads = t, 0
        self._reads += 1
        return self._reads <= _MOST_READ_WHOLE_S

    def _fact_of(self, t: float, parsed: Any, message: int, station: int) -> Fact:
        if message in STATION_POSITION:
            return Station(
                t=t,
                stream=self.stream,
                station_id=station,
                message=message,
                x_m=parsed.DF025,
                y_m=parsed.DF026,
                z_m=parsed.DF027,
                antenna_height_m=parsed.DF028 if message == STATION_POSITION_WITH_HEIGHT else None,
                itrf_year=parsed.DF021,
            )
        return Antenna(
            t=t,
            stream=self.stream,
            station_id=station,
            message=message,
            descriptor=_characters(parsed, "DF030") or "",
            serial=_characters(parsed, "DF033"),
            receiver=_characters(parsed, "DF228"),
        )


@lru_cache(maxsize=256)
def _signal_names(system: str, mask: int) -> tuple[str, ...]:
    """The signals that DF395 names, as constellation and RINEX code ("G1C"); one without a code by its number ("G27")."""
    codes = _CODES[system]
    numbers = [number for number in range(1, 33) if mask >> 32 - number & 1]
    return tuple(system + (codes[number][1] if number in codes else str(number)) for number in numbers)


@lru_cache(maxsize=256)
def _masked(system: str, masks: bytes) -> tuple[int, int, int, int]:
    """Satellites, signals, cells and carrier bands in an MSM's masks, given from bit 72 to 247 of the payload: most of the next
    messages have the same, so that a look-up finds it."""
    head = int.from_bytes(masks[:13], "big")  # to bit 175: the two fixed masks, and the first 7 bits of the cells'
    satellites = (head >> 39 & 0xFFFFFFFFFFFFFFFF).bit_count()
    signal_mask = head >> 7 & 0xFFFFFFFF
    signals = signal_mask.bit_count()
    mask_bits = satellites * signals
    cells = mask_bits if mask_bits <= 64 else 0
    if cells and len(masks) >= 22:
        cells = (int.from_bytes(masks[12:], "big") >> 79 - mask_bits & (1 << mask_bits) - 1).bit_count()
    return satellites, signals, cells, sum(1 for band in _BANDS[system] if signal_mask & band)


def _characters(parsed: Any, field: str) -> str | None:
    """A counted character field that pyrtcm spreads over numbered attributes; None where the message has none."""
    letters = []
    for index in range(1, 256):
        letter = getattr(parsed, f"{field}_{index:02d}", None)
        if letter is None:
            break
        letters.append(letter if isinstance(letter, str) else chr(letter))
    return "".join(letters) if letters else None


def _is_of_the_next(current: _Set, t: float, message: int, moment: int) -> bool:
    """True if a message that the set has already begins another epoch.

    It does not where a constellation has over 64 cells, which is sent in several messages of one number and one moment (a
    base whose time stands still says the same moment for ever).
    """
    return current.moments[message] != moment or t - current.began_t > _LONGEST_SET_S
