"""From a day's logs to RINEX files: one station's observations, and what ephemerides came with them.

Two passes. The first reads the bytes once, frame by frame: what the station said of itself, the ephemerides, and the asked
epochs' frames, which wait in a temporary file; then the header can be written, and the second pass turns those into records.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import struct
import tempfile
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO, Final

import msgspec
from msgspec import Struct
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.opening import NothingThere
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import RawRow, StreamRow
from witnesspost.daemon.log.succession import program
from witnesspost.daemon.stream.framing import FRAME, Framer
from witnesspost.replay.export import rinex
from witnesspost.replay.export.ephemerides import SYSTEM as EPHEMERIS_OF
from witnesspost.replay.export.ephemerides import ephemeris
from witnesspost.replay.export.gps_time import calendar, epoch_ms, gps_ms
from witnesspost.replay.export.navigation import Broadcast, broadcast
from witnesspost.replay.export.observations import WHOLE_RANGES, Measured, measurements, msm_signals
from witnesspost.replay.export.rinex import SYSTEMS, About, Said
from witnesspost.replay.export.said import glonass_biases_m, position_said, with_names
from witnesspost.replay.export.signals import glonass_channel
from witnesspost.replay.export.window import Way, Window
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import from_enu
from witnesspost.rules.gnss import ANTENNA, GLONASS_BIAS, LEGACY_OBSERVATIONS, MSM, STATION_POSITION, is_observation

_OWN_TIME_MS: Final = 3_600_000  # an epoch that is further from the log's clock than this tells no date
_OF_STATION: Final = STATION_POSITION | ANTENNA | {GLONASS_BIAS}
_LISTENING: Final = 0.2  # of the work: the second pass decodes
_NAME: Final = "witnesspost"
_HEAD: Final = struct.Struct("<qHH")  # epoch, station, length


class NoObservations(NothingThere):
    """There is nothing that RINEX could hold. The text says what came instead."""


class Heard(Struct, kw_only=True):
    """One station's observations and what it said, before they are written. Times are GPS time in milliseconds."""

    said: Said = msgspec.field(default_factory=Said)
    positions: dict[tuple[Ecef, float | None], int] = {}
    codes: dict[str, dict[str, bool]] = {}
    channels: dict[str, int] = {}
    biases_m: dict[str, float] = {}
    first_ms: int | None = None
    last_ms: int | None = None
    interval_ms: int | None = None
    epochs: int = 0
    late: int = 0
    elsewhen: int = 0
    off_grid: int = 0
    without_whole: Counter[int] = msgspec.field(default_factory=Counter)


class Written(Struct, kw_only=True):
    """What was written, and what a person should know of it."""

    files: list[str]
    epochs: int
    ephemerides: int
    notes: list[str]


def write_rinex(
    post: PostLogs,
    window: Window,
    folder: Path,
    *,
    every_s: float | None,
    stream: str | None,
    station: int | None,
    progress: Callable[[float], None] = lambda part: None,
) -> Written:
    """Write the observation file, and the navigation file where ephemerides came, into `folder`.

    Epochs at whole multiples of `every_s` of GPS time. Raises a LogError where the logs hold nothing to write, or where stream
    or station would have to be named; OSError as it comes.
    """
    with tempfile.TemporaryFile() as spool:
        listener = _Listener(spool, None if every_s is None else max(1, round(every_s * 1000)))
        chosen_stream = _stream(post, stream)
        way = Way([(post, window)], lambda part: progress(part * _LISTENING))
        for log in post.files:
            _listen(log, window, chosen_stream, listener, way)
        chosen = _station(post, listener, station)
        heard = listener.stations[chosen]
        notes = _notes(heard, chosen, listener)
        about = _about(post, listener, heard, chosen, every_s)
        step_s = every_s if every_s is not None else (heard.interval_ms or 1000) / 1000
        stem = _stem(post, heard, step_s)
        files = [f"{stem}_{_interval(step_s)}_MO.rnx"]
        with (folder / files[0]).open("w", encoding="ascii", newline="\n") as file:
            file.write(rinex.observation_header(about))
            records = rinex.Records(about.columns, about.channels)
            for number, (ms, found) in enumerate(_epochs(spool, chosen), 1):
                progress(_LISTENING + (1 - _LISTENING) * number / max(heard.epochs, 1))
                file.write(records.epoch(ms, found))
    if listener.broadcasts:
        files.append(f"{stem}_MN.rnx")  # which has no interval
        ordered = sorted(listener.broadcasts.values(), key=lambda one: (one.clock, one.satellite))
        systems = {one.satellite[0] for one in ordered}
        with (folder / files[1]).open("w", encoding="ascii", newline="\n") as file:
            file.write(rinex.navigation_header(about.program, about.written, about.comments[:1], systems))
            for one in ordered:
                file.write(rinex.navigation_record(*one))
    return Written(files=files, epochs=heard.epochs, ephemerides=len(listener.broadcasts), notes=notes)


class _Listener:
    """The first pass: frames in, what the header needs kept, the asked epochs' frames into the spool."""

    def __init__(self, spool: BinaryIO, every_ms: int | None):
        self.stations: dict[int, Heard] = {}
        self.broadcasts: dict[object, Broadcast] = {}  # by all but the clock's terms, among which GLONASS has the frame's time
        self.channels: dict[str, int] = {}
        self._spool = spool
        self._every_ms = every_ms
        self._seen: set[bytes] = set()
        self._masks: dict[bytes, bool] = {}

    def frame(self, frame: bytes, about_ms: int, first_ms: int | None, last_ms: int | None) -> None:
        """A frame that was heard at about `about_ms`; epochs from `first_ms` to `last_ms` are asked for."""
        number = frame[3] << 4 | frame[4] >> 4
        if number in EPHEMERIS_OF:
            self._ephemeris(number, frame[3:-3], about_ms)
        elif len(frame) >= 10 and (number in _OF_STATION or is_observation(number)):
            heard = self.stations.setdefault((frame[4] & 15) << 8 | frame[5], Heard())
            if is_observation(number):
                self._observed(heard, number, frame, about_ms, first_ms, last_ms)
            else:
                _note(heard, number, frame[3:-3], about_ms)

    def _ephemeris(self, number: int, payload: bytes, about_ms: int) -> None:
        if payload in self._seen:
            return
        self._seen.add(payload)
        sent = ephemeris(payload)
        found = broadcast(number, sent, about_ms) if sent is not None else None
        if found is None or sent is None:
            return
        channel = glonass_channel(int(sent["channel"])) if number == 1020 else None
        if channel is not None:
            self.channels[found.satellite] = channel
        self.broadcasts.setdefault((number, found.satellite, found.clock, found.values[3:]), found)

    def _observed(
        self, heard: Heard, number: int, frame: bytes, about_ms: int, first_ms: int | None, last_ms: int | None
    ) -> None:
        payload = frame[3:-3]
        if number not in WHOLE_RANGES:
            heard.without_whole[number] += 1
            return
        ms = epoch_ms(payload, about_ms)
        if ms is None or abs(ms - about_ms) > _OWN_TIME_MS:
            heard.elsewhen += 1
            return
        if (first_ms is not None and ms < first_ms) or (last_ms is not None and ms > last_ms):
            return
        if self._every_ms is not None and ms % self._every_ms:
            heard.off_grid += 1
            return
        if heard.last_ms is not None and ms < heard.last_ms:
            heard.late += 1
            return
        if not self._announces(heard, number, payload):
            return
        if heard.last_ms is None:
            heard.first_ms = ms
        if ms != heard.last_ms:
            if heard.last_ms is not None:
                heard.interval_ms = min(heard.interval_ms or ms, ms - heard.last_ms)
            heard.epochs += 1
        heard.last_ms = ms
        self._spool.write(_HEAD.pack(ms, (frame[4] & 15) << 8 | frame[5], len(payload)))
        self._spool.write(payload)

    def _announces(self, heard: Heard, number: int, payload: bytes) -> bool:
        """Take note of an observation message's signals, and of the GLONASS channels that it says; False where it has none."""
        system = MSM.get(number) or LEGACY_OBSERVATIONS[number]
        known = heard.codes.setdefault(system, {})
        masks = payload[:2] + payload[9:22]  # of satellites and signals
        if number in MSM and masks in self._masks:
            return self._masks[masks]
        found = measurements(payload) or []
        for one in found:
            if one.channel is not None:
                heard.channels.setdefault(one.satellite, one.channel)
        names = msm_signals(payload, system) if number in MSM and found else [one.code for one in found]
        for code in names:
            known[code] = known.get(code, False) or (number in MSM and number % 10 in (5, 7))
        if number in MSM:
            self._masks[masks] = bool(found)
        return bool(found)


def _note(heard: Heard, number: int, payload: bytes, about_ms: int) -> None:
    if number in ANTENNA:
        heard.said = with_names(heard.said, payload)
    elif number == GLONASS_BIAS:
        heard.biases_m = glonass_biases_m(payload) or heard.biases_m
    else:
        found = position_said(payload)
        if found is not None:
            heard.positions.setdefault(found, about_ms)


def _stream(post: PostLogs, asked: str | None) -> str:
    """The stream that is read. Raises a LogError where it would have to be named."""
    if asked is not None:
        if asked not in post.streams:
            post.files[0].stream(asked)
        return asked
    carry = [row.name for log in post.files for row in log.rows(StreamRow, "ORDER BY rowid") if "corrections" in row.carries]
    found = list(dict.fromkeys(carry))
    if not found:
        raise NoObservations(f"{post.name}: no stream carries corrections; name one with --stream: {', '.join(post.streams)}")
    if len(found) > 1:
        raise NoObservations(f"{post.name}: {len(found)} streams carry corrections; name one with --stream: {', '.join(found)}")
    return found[0]


def _listen(log: LogFile, window: Window, stream: str, listener: _Listener, way: Way) -> None:
    asked = window.within(log)
    if asked is None or stream not in log.streams:
        return
    first_ms, last_ms = (None if t is None else _about_ms(log, t) for t in asked)
    framer = Framer()
    values = {"stream": stream, "from": asked[0], "to": asked[1]}
    within = "WHERE stream = :stream AND (:from IS NULL OR t_last >= :from) AND (:to IS NULL OR t <= :to) ORDER BY n"
    for row in log.rows(RawRow, within, values):
        way.reached(log, row.t_last)
        about_ms = _about_ms(log, row.t_last)
        for kind, unit in framer.feed(row.data):
            if kind == FRAME:
                listener.frame(unit, about_ms, first_ms, last_ms)


def _about_ms(log: LogFile, t: float) -> int:
    utc = log.utc_at(t)
    if utc is None:
        raise NoObservations(f"{log.path}: never heard the date, which RINEX needs; nothing that came says which week it was")
    return gps_ms(utc)


def _station(post: PostLogs, listener: _Listener, asked: int | None) -> int:
    """The station whose observations are written: the one asked for, the only one, or the one of most epochs."""
    with_epochs = {station: heard for station, heard in listener.stations.items() if heard.epochs}
    if asked is not None and asked not in with_epochs:
        raise NoObservations(_none(post, listener, f"station {asked} sent no observations there"))
    if not with_epochs:
        raise NoObservations(_none(post, listener, "no observations came there"))
    return asked if asked is not None else max(with_epochs, key=lambda station: with_epochs[station].epochs)


def _none(post: PostLogs, listener: _Listener, what: str) -> str:
    others = [str(station) for station, heard in sorted(listener.stations.items()) if heard.epochs]
    off_grid = sum(heard.off_grid for heard in listener.stations.values())
    why = [f"stations that did: {', '.join(others)}"] if others else []
    why += [f"{off_grid} messages are of other moments than --every names"] if off_grid else []
    why += [text for heard in listener.stations.values() for text in _left_out(heard)]
    return f"{post.name}: {what}" + "".join(f"; {text}" for text in why)


def _left_out(heard: Heard) -> list[str]:
    said = []
    if heard.without_whole:
        kinds = ", ".join(str(number) for number in sorted(heard.without_whole))
        said.append(f"left out {kinds}, whose ranges lack the whole milliseconds")
    if heard.elsewhen:
        said.append(f"left out {heard.elsewhen} messages whose time is over an hour from the log's clock, or none")
    if heard.late:
        said.append(f"left out {heard.late} messages of epochs that came after later ones")
    return said


def _notes(heard: Heard, chosen: int, listener: _Listener) -> list[str]:
    notes = _left_out(heard)
    others = {station: one.epochs for station, one in listener.stations.items() if station != chosen and one.epochs}
    if others:
        which = ", ".join(f"{station} ({epochs} epochs)" for station, epochs in sorted(others.items()))
        notes.append(f"station {chosen} alone; --station writes another: {which}")
    if len(heard.positions) > 1:
        notes.append(
            f"the station said {len(heard.positions)} positions; the header has the first, the comments all of them: "
            "where its antenna was moved, write each stretch alone with --from and --to"
        )
    if not heard.positions:
        notes.append("no position was said: the header has none, and no antenna height")
    elif next(iter(heard.positions))[1] is None:
        notes.append("no antenna height was said: the header's position is the antenna reference point's, its antenna delta 0")
    unknown = "R" in heard.codes and not {**heard.channels, **listener.channels}
    if unknown:
        notes.append("no GLONASS frequency channel was said (1020, MSM5 and MSM7 say them): its phases are left out")
    if not listener.broadcasts:
        notes.append("no ephemerides were sent: take the day's navigation file from elsewhere")
    return notes


def _about(post: PostLogs, listener: _Listener, heard: Heard, station: int, every_s: float | None) -> About:
    assert heard.first_ms is not None
    assert heard.last_ms is not None
    height = None
    marker: Ecef | None = None
    if heard.positions:
        arp, height = next(iter(heard.positions))
        marker = from_enu(arp, Enu(0.0, 0.0, -(height or 0.0)))
    positions = [
        text
        for (arp, up), ms in heard.positions.items()
        for text in (
            f"From {calendar(ms):%Y-%m-%d %H:%M:%S} GPS{'' if up is None else f', {up:.4f} m above the mark'}: ARP",
            " ".join(f"{one:.4f}" for one in arp),
        )
    ]
    columns = {
        system: [kind + code for code, rates in sorted(heard.codes[system].items()) for kind in ("CLDS" if rates else "CLS")]
        for system in SYSTEMS
        if heard.codes.get(system)
    }
    source = f"From RTCM 3 of station {station}, as {post.name} logged it"
    comments = [source, *(log.path.name for log in post.files), *positions]
    return About(
        program=_program(),
        written=dt.datetime.now(dt.UTC),
        comments=comments,
        marker=_marker(post),
        marker_number=str(station),
        marker_ecef=marker,
        said=msgspec.structs.replace(heard.said, antenna_height_m=height),
        columns=columns,
        channels={**heard.channels, **listener.channels},
        glonass_biases_m=heard.biases_m,
        interval_s=every_s if every_s is not None else None if heard.interval_ms is None else heard.interval_ms / 1000,
        first_ms=heard.first_ms,
        last_ms=heard.last_ms,
    )


def _epochs(spool: BinaryIO, station: int) -> Iterator[tuple[int, list[Measured]]]:
    """The spooled epochs of a station, in order."""
    spool.seek(0)
    at, found = None, []
    while head := spool.read(_HEAD.size):
        ms, whose, size = _HEAD.unpack(head)
        payload = spool.read(size)
        if whose != station:
            continue
        if ms != at and at is not None:
            yield at, found
            found = []
        at = ms
        found += measurements(payload) or []
    if at is not None:
        yield at, found


def _program() -> str:
    """Name and version; the name alone where the header has no room for both, since half a version is another one."""
    whole = f"{_NAME} {program()}"
    return whole if len(whole) <= rinex.PROGRAM_COLUMNS else _NAME


def _marker(post: PostLogs) -> str:
    """The point that the base stands on as the site file names it, else the post's name."""
    for log in reversed(post.files):
        with contextlib.suppress(tomllib.TOMLDecodeError, RecursionError, KeyError, TypeError):
            return str(tomllib.loads(log.run.site_toml)["base"]["occupies"])
    return post.name


def _stem(post: PostLogs, heard: Heard, step_s: float) -> str:
    """The standard's long name as far as both files share it: site, source, start, length (RINEX 3.05, table A1, from memory).

    The site is four letters, filled up with X, marker and receiver 0, and a country. No site file says which: XXX is among the
    codes that ISO 3166-1 leaves to its users and gives to no country. S: the data come from a stream, RTCM or another.
    """
    assert heard.first_ms is not None
    assert heard.last_ms is not None
    letters = "".join(one for one in post.name.upper() if one.isascii() and one.isalnum())
    length_s = (heard.last_ms - heard.first_ms) / 1000 + step_s
    return f"{letters[:4]:X<4}00XXX_S_{calendar(heard.first_ms):%Y%j%H%M}_{_length(length_s)}"


def _length(length_s: float) -> str:
    for unit_s, letter in ((86_400, "D"), (3600, "H")):
        if length_s >= unit_s - 60:
            return f"{min(round(length_s / unit_s), 99):02d}{letter}"
    return f"{max(1, min(round(length_s / 60), 99)):02d}M"


def _interval(step_s: float) -> str:
    """Hours, minutes, seconds, or so many a second; 00U where none of them can say it."""
    if 0.01 < step_s < 1:
        return f"{round(1 / step_s):02d}Z"
    for unit_s, letter in ((3600, "H"), (60, "M"), (1, "S")):
        if step_s % unit_s == 0 and step_s < 100 * unit_s:
            return f"{round(step_s / unit_s):02d}{letter}"
    return "00U"
