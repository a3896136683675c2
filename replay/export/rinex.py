"""RINEX 3.05 (IGS and RTCM SC-104, 1 December 2020, from memory) as text: the lines of observation and navigation files.

A header line is 60 columns and its label; an observation 14.3 with two digits behind it, a navigation value 19.12 with its
power of ten.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from msgspec import Struct
from witnesspost.replay.export.gps_time import calendar
from witnesspost.replay.export.observations import Measured
from witnesspost.replay.export.signals import SPEED_OF_LIGHT_M_S, frequency_hz
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.gnss import CONSTELLATIONS, GPS_MINUS_UTC_S

SYSTEMS: Final = "GREJCIS"
"""The order in which constellations stand in a file."""

PROGRAM_COLUMNS: Final = 20
"""The room for the name of the program that wrote a file (RINEX 3.05, from memory)."""

_PHASE_ALIGNED: Final = 0.0  # the standard has RTCM's phases aligned to their band's reference signal
_ROLL_CYCLES: Final = 1500.0
Columns = Mapping[str, Sequence[str]]
"""Observation types by constellation, in the order of the record: C1C, L1C, D1C, S1C …"""


class Said(Struct, kw_only=True):
    """What a station said of itself: None, or "", for what it did not."""

    antenna_height_m: float | None = None
    antenna: str = ""
    antenna_serial: str = ""
    receiver: str = ""
    receiver_version: str = ""
    receiver_serial: str = ""


class About(Struct, kw_only=True):
    """What an observation file's header says. Times are GPS time in milliseconds."""

    program: str
    written: dt.datetime
    comments: list[str]
    marker: str
    marker_number: str
    marker_ecef: Ecef | None
    said: Said
    columns: Columns
    channels: Mapping[str, int]
    glonass_biases_m: Mapping[str, float]
    interval_s: float | None
    first_ms: int
    last_ms: int


def observation_header(about: About) -> str:
    """The header of an observation file."""
    said, systems = about.said, [system for system in SYSTEMS if system in about.columns]
    lines = [
        _version("OBSERVATION DATA", systems),
        _program(about.program, about.written),
        *_comments(about.comments),
        _line(about.marker, "MARKER NAME"),
        _line(about.marker_number, "MARKER NUMBER"),
        _line("", "OBSERVER / AGENCY"),
        _line(f"{said.receiver_serial:<20.20}{said.receiver:<20.20}{said.receiver_version:<20.20}", "REC # / TYPE / VERS"),
        _line(f"{said.antenna_serial:<20.20}{said.antenna:<20.20}", "ANT # / TYPE"),
    ]
    if about.marker_ecef is not None:
        lines.append(_line("".join(f"{one:14.4f}" for one in about.marker_ecef), "APPROX POSITION XYZ"))
    lines.append(_line(f"{said.antenna_height_m or 0.0:14.4f}{0.0:14.4f}{0.0:14.4f}", "ANTENNA: DELTA H/E/N"))
    for system in systems:
        types = about.columns[system]
        for at in range(0, len(types), 13):
            start = f"{system}  {len(types):3d}" if at == 0 else " " * 6
            lines.append(_line(start + "".join(f" {one}" for one in types[at : at + 13]), "SYS / # / OBS TYPES"))
    lines.append(_line("DBHZ", "SIGNAL STRENGTH UNIT"))
    if about.interval_s is not None:
        lines.append(_line(f"{about.interval_s:10.3f}", "INTERVAL"))
    lines += [_moment(about.first_ms, "TIME OF FIRST OBS"), _moment(about.last_ms, "TIME OF LAST OBS")]
    lines += [
        _line(f"{system} {one} {_PHASE_ALIGNED:8.5f}", "SYS / PHASE SHIFT")
        for system in systems
        for one in about.columns[system]
        if one[0] == "L"
    ]
    if "R" in systems:
        slots = sorted(about.channels.items())
        for at in range(0, max(len(slots), 1), 8):
            start = f"{len(slots):3d} " if at == 0 else " " * 4
            row = "".join(f"{name} {channel:2d} " for name, channel in slots[at : at + 8])
            lines.append(_line(start + row, "GLONASS SLOT / FRQ #"))
        biases = "".join(f" C{code} {value:8.3f}" for code, value in sorted(about.glonass_biases_m.items()))
        lines.append(_line(biases, "GLONASS COD/PHS/BIS"))
    lines += [_line(f"{GPS_MINUS_UTC_S:6.0f}", "LEAP SECONDS"), _line("", "END OF HEADER")]
    return "\n".join(lines) + "\n"


class Records:
    """The records of an observation file, epoch by epoch in order of time: each knows which phases were held since the last."""

    def __init__(self, columns: Columns, channels: Mapping[str, int]):
        self._columns = columns
        self._channels = channels
        self._held: dict[tuple[str, str], tuple[int, float]] = {}  # when a phase was last written, and its lock then
        self._turns: dict[tuple[str, str], tuple[float, float]] = {}  # phase less range, and what was added to it, in cycles

    def epoch(self, ms: int, found: Iterable[Measured]) -> str:
        """The record of an epoch; of a signal that is there twice, the first."""
        satellites: dict[str, dict[str, str]] = {}
        for one in found:
            fields = satellites.setdefault(one.satellite, {})
            if f"C{one.code}" not in fields and f"L{one.code}" not in fields:
                fields.update(self._fields(ms, one))
        rows = [
            f"{name}{''.join(satellites[name].get(kind, _BLANK) for kind in self._columns[name[0]])}".rstrip()
            for name in sorted(satellites, key=lambda name: (SYSTEMS.index(name[0]), name))
            if satellites[name]
        ]
        time = calendar(ms)
        seconds = time.second + time.microsecond / 1e6
        head = f"> {time:%Y %m %d %H %M}{seconds:11.7f}  0{len(rows):3d}"
        return "\n".join([head, *rows]) + "\n"

    def _fields(self, ms: int, one: Measured) -> Iterator[tuple[str, str]]:
        """What was measured of a signal, by observation type: 14 columns, and what lock and strength were."""
        channel = one.channel if one.channel is not None else self._channels.get(one.satellite)
        carrier = frequency_hz(one.satellite[0], one.code, channel)
        if one.pseudorange_m is not None:
            yield f"C{one.code}", f"{one.pseudorange_m:14.3f}  "
        if one.phase_m is not None and carrier is not None:
            cycles = self._rolled(one, carrier) if one.rolls_over else one.phase_m * carrier / SPEED_OF_LIGHT_M_S
            yield f"L{one.code}", f"{cycles:14.3f}{self._loss_of_lock(ms, one)}{_strength(one.cn0_db_hz)}"
        if one.rate_m_s is not None and carrier is not None:
            yield f"D{one.code}", f"{-one.rate_m_s * carrier / SPEED_OF_LIGHT_M_S:14.3f}  "
        if one.cn0_db_hz is not None:
            yield f"S{one.code}", f"{one.cn0_db_hz:14.3f}  "

    def _loss_of_lock(self, ms: int, one: Measured) -> str:
        """Bit 0 where the phase may have been lost since it was last written, bit 1 where half a cycle is open.

        It was held if the lock has certainly lasted as long as that, or (the indicator's steps are coarse) is no shorter than
        the lock then and may have.
        """
        key = one.satellite, one.code
        before = self._held.get(key)
        self._held[key] = ms, one.lock_s
        lost = 0
        if before is not None:
            since_s = (ms - before[0]) / 1000.0
            lost = one.lock_s < since_s or one.lock_below_s <= before[1] + since_s
        return str(lost + 2 * one.half_cycle) if lost or one.half_cycle else " "

    def _rolled(self, one: Measured, carrier: float) -> float:
        """A legacy phase in cycles, the turns that its field leaves out put back while the phase is held."""
        key = one.satellite, one.code
        per_m = carrier / SPEED_OF_LIGHT_M_S
        assert one.phase_m is not None
        difference = (one.phase_m - (one.pseudorange_m or 0.0)) * per_m
        last, turns = self._turns.get(key, (difference, 0.0))
        if one.pseudorange_m is not None:
            turns += _ROLL_CYCLES * round((last - difference) / _ROLL_CYCLES)
            self._turns[key] = difference, turns
        return one.phase_m * per_m + turns


def navigation_header(program: str, written: dt.datetime, comments: list[str], systems: Iterable[str]) -> str:
    """The header of a navigation file."""
    lines = [
        _version("N: GNSS NAV DATA", sorted(systems, key=SYSTEMS.index)),
        _program(program, written),
        *_comments(comments),
        _line(f"{GPS_MINUS_UTC_S:6.0f}", "LEAP SECONDS"),
        _line("", "END OF HEADER"),
    ]
    return "\n".join(lines) + "\n"


def navigation_record(satellite: str, clock: dt.datetime, values: Sequence[float | None]) -> str:
    """An ephemeris: the satellite, its time of clock, and its values in the order of the table; None is left blank."""
    text = [f"{one:19.12E}" if one is not None else " " * 19 for one in values]
    lines = [f"{satellite} {clock:%Y %m %d %H %M %S}{''.join(text[:3])}"]
    lines += [f"    {''.join(text[at : at + 4])}".rstrip() for at in range(3, len(text), 4)]
    return "\n".join(lines) + "\n"


_BLANK = " " * 16


def _strength(cn0_db_hz: float | None) -> str:
    """Signal strength from 1 to 9 in steps of 6 dB-Hz."""
    return " " if cn0_db_hz is None else str(min(max(math.floor(cn0_db_hz / 6.0), 1), 9))


def _line(text: str, label: str) -> str:
    """One header line; what is no printable ASCII becomes a question mark."""
    plain = "".join(one if " " <= one <= "~" else "?" for one in text)
    return f"{plain:<60.60}{label:<20}".rstrip()


def _comments(texts: Iterable[str]) -> list[str]:
    return [_line(text[at : at + 60], "COMMENT") for text in texts for at in range(0, len(text), 60)]


def _version(kind: str, systems: Sequence[str]) -> str:
    which = f"{systems[0]}: {CONSTELLATIONS[systems[0]]}" if len(systems) == 1 else "M: MIXED"
    return _line(f"{3.05:9.2f}{'':11}{kind:<20}{which:<20}", "RINEX VERSION / TYPE")


def _program(program: str, written: dt.datetime) -> str:
    return _line(f"{program:<{PROGRAM_COLUMNS}.{PROGRAM_COLUMNS}}{'':20}{written:%Y%m%d %H%M%S} UTC", "PGM / RUN BY / DATE")


def _moment(ms: int, label: str) -> str:
    time = calendar(ms)
    seconds = time.second + time.microsecond / 1e6
    date = "".join(f"{one:6d}" for one in (time.year, time.month, time.day, time.hour, time.minute))
    return _line(f"{date}{seconds:13.7f}{'':5}GPS", label)
