"""What the log keeps of the facts: positions, base coordinates, clock anchors, traffic in ten-second bins.

All of it follows from the raw bytes and can be made again from them; it stands in the file so that a person with any
SQLite browser need not. Rows wait here until the log's next commit.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import math
from collections.abc import Callable
from operator import attrgetter
from typing import Any

import msgspec
from witnesspost.daemon.local_time import CLOCK_CAN_BE_RIGHT
from witnesspost.daemon.log.rows import ClockRow, Derived, DerivedRow, FixRow, StationRow, TrafficRow
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.geodesy import to_geodetic
from witnesspost.rules.facts import MORE_KINDS, MOST_KINDS, TRAFFIC_ROW_S, Antenna, Epoch, Fact, Fix, Station, Traffic, Utc
from witnesspost.rules.gnss import GPS_MINUS_UTC_S, WEEK_S

DERIVATION = 2
"""Goes up whenever the same bytes give other rows: only what was derived in the same way can be compared with a log."""
_GPS_BEGAN = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)  # IS-GPS-200, 3.3.4
_RECEIVER_SILENT_S = 120.0
_FIRST_ANCHOR_S = 5.0  # soon, so that a log of a minute has its UTC too
_ANCHOR_S = 60.0  # between clock anchors
# A receiver says the time up to some tenths of a second late, now more, now less: the anchor is the promptest word of
# the minute, and the others are its spread. Half a second is beyond that: the receiver's own time has jumped.
_JUMP_S = 0.5
_STATION_AGAIN_S = 600.0
# The view of minutes counts a fix for five seconds: the fifth after the one written must not be left out because it came
# a few milliseconds early.
_SAME_FIX_AGAIN_S = 4.5
_FIX_PAUSE_S = 2.0
_SECOND_STANDS_STILL_S = 1.5
# More than honest senders say; whoever invents without end fills the raw bytes, which are bounded by the line, and no table.
_MOST_FIXES_S = 50  # a stream's in a second
_MOST_ANCHORS_MIN = 20  # of all streams in a minute
_MOST_STATIONS_MIN = 60  # a stream's words of bases in a minute
_MOST_BASES = 100  # whose last word is remembered
_MOST_WAITING = 20_000  # rows a table that wait for a failed disk: they can be made again from the raw bytes


class DerivedRows:
    """Rows of `fix`, `station`, `clock` and `traffic` that wait to be written.

    Where no receiver says the date, the observations still say the time of the week: with `system_utc` the week is the
    system clock's, if that can be right at all (a board without a battery starts in 1970), and the anchor says so.
    Of a stretch of positions that go on alike some are written, and its last. A base stands still and says the same every
    second: `at_base`, one in five seconds is. A rover's are alike while quality and station are: of those the first of each of
    the receiver's seconds is written. The bytes keep every one.
    """

    def __init__(self, system_utc: Callable[[], dt.datetime] | None = None, *, at_base: bool = False) -> None:
        self._system_utc = system_utc
        self._alike = _ALL_BUT_TIME if at_base else _OF_A_RUN
        self._is_due = _is_five_seconds_on if at_base else _is_in_another_second
        self._stretches: dict[str, _Stretch] = {}
        self._rows: Derived = {}
        self._bins: dict[tuple[int, str, str, int | None], list[int]] = {}
        self._clock: _Minute | None = None
        self._last_anchor: ClockRow | None = None
        self._utc_said: Utc | None = None
        self._stations: dict[tuple[str, int, str], StationRow] = {}
        self._written: dict[tuple[type[DerivedRow], str], tuple[int, int]] = {}  # in the second or minute that runs
        self._kinds: dict[str, tuple[int, int]] = {}  # by stream: the ten seconds that run, and what is counted apart in them
        self._see: dict[type[Fact], Callable[[Any], None]] = {
            Fix: self._fix,
            Traffic: self._traffic,
            Utc: self._utc,
            Station: self._station,
            Antenna: self._antenna,
            Epoch: self._epoch,
        }

    def see(self, fact: Fact) -> None:
        """One fact; kinds that have no table are let pass."""
        see = self._see.get(type(fact))
        if see is not None:
            see(fact)

    def complete(self, t: float, *, end: bool = False) -> Derived:
        """The rows that are complete at `t`, which wait here no more; with `end` also the bins and the anchor that are not."""
        if end:
            for stretch in self._stretches.values():
                if stretch.last is not stretch.written:
                    self._write_fix(stretch.last)
            self._stretches.clear()
        if self._clock is not None and (end or t >= self._clock.until):
            self._anchor(self._clock)
            self._clock = None
        now = math.inf if end else t // TRAFFIC_ROW_S
        for key in [key for key in self._bins if key[0] < now]:
            number, stream, message, station = key
            frames, size, bad = self._bins.pop(key)
            t_of_bin = float(number * TRAFFIC_ROW_S)
            self._add(
                TrafficRow(t=t_of_bin, stream=stream, message=message, station=station, frames=frames, bytes=size, bad=bad)
            )
        complete, self._rows = self._rows, {}
        return complete

    def give_back(self, rows: Derived) -> None:
        """Rows that could not be written wait again; the oldest of too many are let go."""
        for kind, back in rows.items():
            self._rows[kind] = (back + self._rows.get(kind, []))[-_MOST_WAITING:]

    def carried(self) -> Derived:
        """What a file that goes on from another must know at its start: the last anchor and the last word of each base."""
        carried: Derived = {}
        if self._last_anchor is not None:
            carried[ClockRow] = [self._last_anchor]
        if self._stations:
            carried[StationRow] = [*self._stations.values()]
        return carried

    def utc_at(self, t: float) -> dt.datetime | None:
        """UTC of the instant `t` by the receivers' last word; None while none has said it, or none that can be."""
        said = self._utc_said
        try:
            return said.utc.replace(tzinfo=dt.UTC) + dt.timedelta(seconds=t - said.t) if said else None
        except OverflowError:
            return None

    def _add(self, row: DerivedRow) -> None:
        try:
            self._rows[type(row)].append(row)
        except KeyError:
            self._rows[type(row)] = [row]

    def _is_one_of(self, most: int, kind: type[DerivedRow], stream: str, span: int) -> bool:
        """True for the first `most` rows of a kind and stream in one span of time."""
        at, count = self._written.get((kind, stream), (span, 0))
        if at != span:
            count = 0
        self._written[kind, stream] = span, count + 1
        return count < most

    def _fix(self, fact: Fix) -> None:
        stretch, what = self._stretches.get(fact.stream), self._alike(fact)
        if stretch is None or what != stretch.what or fact.t - stretch.last.t >= _FIX_PAUSE_S:
            if stretch is not None and stretch.last is not stretch.written:
                self._write_fix(stretch.last)  # what ends is written before what begins
            self._stretches[fact.stream] = _Stretch(fact, what)
        elif self._is_due(stretch.written, fact):
            stretch.written = stretch.last = fact
        else:
            stretch.last = fact
            return
        self._write_fix(fact)

    def _write_fix(self, fact: Fix) -> None:
        if self._is_one_of(_MOST_FIXES_S, FixRow, fact.stream, int(fact.t)):
            self._add(FixRow.of(fact))

    def _traffic(self, fact: Traffic) -> None:
        number, stream = int(fact.t // TRAFFIC_ROW_S), fact.stream
        heard = None
        if fact.frames_by_station:
            # Which station a message came from is known where the stretch heard one; where it heard several it stays open.
            stations = [station for station in fact.frames_by_station if station is not None]
            heard = stations[0] if len(stations) == 1 else None
        for message, (frames, size) in fact.by_message.items():
            station = heard if message.isdigit() else None
            sums = self._bins.get((number, stream, message, station))
            if sums is None:
                self._count(number, stream, message, station, frames, size, 0)
            else:
                sums[0] += frames
                sums[1] += size
        if fact.bad_frames:
            self._count(number, stream, "bad frame", None, 0, fact.bad_frame_bytes, fact.bad_frames)
        if fact.bad_sentences:
            self._count(number, stream, "bad sentence", None, 0, fact.bad_sentence_bytes, fact.bad_sentences)
        if fact.other_bytes:
            self._count(number, stream, "other", None, 0, fact.other_bytes, 0)

    def _count(self, number: int, stream: str, message: str, station: int | None, frames: int, size: int, bad: int) -> None:
        try:
            sums = self._bins[number, stream, message, station]
        except KeyError:
            counted, kinds = self._kinds.get(stream, (number, 0))
            kinds = kinds + 1 if counted == number else 1
            self._kinds[stream] = number, kinds
            if kinds > MOST_KINDS and message != MORE_KINDS:
                self._count(number, stream, MORE_KINDS, None, frames, size, bad)
            else:
                self._bins[number, stream, message, station] = [frames, size, bad]
        else:
            sums[0] += frames
            sums[1] += size
            sums[2] += bad

    def _utc(self, fact: Utc) -> None:
        self._utc_said = fact
        self._anchor_by(fact)

    def _epoch(self, fact: Epoch) -> None:
        said = self._utc_said
        if self._system_utc is None or fact.time_s is None or (said and fact.t - said.t < _RECEIVER_SILENT_S):
            return
        system = self._system_utc()
        if system < CLOCK_CAN_BE_RIGHT:
            return
        week_s = (system - _GPS_BEGAN).total_seconds() + GPS_MINUS_UTC_S - fact.time_s
        since_s = round(week_s / WEEK_S) * WEEK_S + fact.time_s - GPS_MINUS_UTC_S
        utc = _GPS_BEGAN + dt.timedelta(seconds=since_s)
        self._anchor_by(Utc(t=fact.t, stream=fact.stream, utc=utc, source="MSM, week by the system clock"))

    def _anchor_by(self, fact: Utc) -> None:
        ahead_s = fact.utc.replace(tzinfo=dt.UTC).timestamp() - fact.t
        clock = self._clock
        if clock is None:
            wait_s = _ANCHOR_S if self._last_anchor else _FIRST_ANCHOR_S
            self._clock = _Minute(fact, ahead_s, fact.t + wait_s)
        elif clock.first_ahead_s - _JUMP_S < ahead_s < clock.first_ahead_s + _JUMP_S and fact.t < clock.until:
            clock.see(fact, ahead_s)
        else:
            self._anchor(clock)
            self._clock = _Minute(fact, ahead_s, fact.t + _ANCHOR_S)

    def _anchor(self, clock: _Minute) -> None:
        self._last_anchor = row = clock.row()
        if self._is_one_of(_MOST_ANCHORS_MIN, ClockRow, "", int(row.t // 60)):
            self._add(row)

    def _station(self, fact: Station) -> None:
        row = StationRow(
            t=fact.t,
            stream=fact.stream,
            station_id=fact.station_id,
            message=str(fact.message),
            x_m=fact.x_m,
            y_m=fact.y_m,
            z_m=fact.z_m,
            antenna_height_m=fact.antenna_height_m,
            itrf_year=fact.itrf_year,
        )
        if self._is_news(row, "position"):
            with contextlib.suppress(Exception):  # a PROJ that does not work must not cost the log
                row.latitude, row.longitude, row.ellipsoidal_height_m = to_geodetic(Ecef(fact.x_m, fact.y_m, fact.z_m))
            self._said(row, "position")

    def _antenna(self, fact: Antenna) -> None:
        row = StationRow(
            t=fact.t,
            stream=fact.stream,
            station_id=fact.station_id,
            message=str(fact.message),
            antenna=fact.descriptor,
            serial=fact.serial,
            receiver=fact.receiver,
        )
        if self._is_news(row, "antenna"):
            self._said(row, "antenna")

    def _is_news(self, row: StationRow, what: str) -> bool:
        """True for a base's first word, a change of it, and once in ten minutes."""
        key = (row.stream, row.station_id, what)
        before = self._stations.get(key)
        return before is None or not _say_the_same(row, before) or row.t - before.t >= _STATION_AGAIN_S

    def _said(self, row: StationRow, what: str) -> None:
        key = (row.stream, row.station_id, what)
        if key not in self._stations and len(self._stations) >= _MOST_BASES:
            del self._stations[next(iter(self._stations))]
        self._stations[key] = row
        if self._is_one_of(_MOST_STATIONS_MIN, StationRow, row.stream, int(row.t // 60)):
            self._add(row)


def holdable(rows: Derived) -> tuple[Derived, dict[str, int]]:
    """The rows that SQLite can hold, and how many of each table it cannot: a whole number beyond 64 bit, or text that is
    no Unicode."""
    kept: Derived = {}
    left_out: dict[str, int] = {}
    for kind, all_of_it in rows.items():
        good = [row for row in all_of_it if all(map(_can_be_held, msgspec.structs.astuple(row)))]
        if good:
            kept[kind] = good
        if len(good) < len(all_of_it):
            left_out[kind.table] = len(all_of_it) - len(good)
    return kept, left_out


def _can_be_held(value: Any) -> bool:
    if isinstance(value, int):
        return -(1 << 63) <= value < 1 << 63
    return not isinstance(value, str) or value.encode(errors="ignore").decode() == value


_OF_A_PLACE = ("latitude", "longitude", "ellipsoidal_height_m")  # follow from the metres


def _say_the_same(one: StationRow, other: StationRow) -> bool:
    return all(getattr(one, name) == getattr(other, name) for name in one.__struct_fields__ if name not in ("t", *_OF_A_PLACE))


class _Stretch:
    """Positions of one stream that go on without a pause and have `what` in common: the last one, and the last that was
    written."""

    __slots__ = ("last", "what", "written")

    def __init__(self, first: Fix, what: Any):
        self.what = what
        self.written = self.last = first


_OF_A_RUN = attrgetter("quality", "station_id")
_ALL_BUT_TIME = attrgetter(*(name for name in FixRow.__struct_fields__ if name not in ("t", "stream", "time_s")))


def _is_five_seconds_on(written: Fix, fact: Fix) -> bool:
    return fact.t - written.t >= _SAME_FIX_AGAIN_S


def _is_in_another_second(written: Fix, fact: Fix) -> bool:
    """By the receiver's time, whose seconds no delay of the line lengthens or shortens; by arrival where it stands still."""
    if fact.time_s is None or written.time_s is None or fact.t - written.t >= _SECOND_STANDS_STILL_S:
        return fact.t // 1.0 != written.t // 1.0
    return fact.time_s // 1.0 != written.time_s // 1.0


class _Minute:
    """A minute of a receiver's words about the time, of which the promptest becomes the anchor."""

    def __init__(self, fact: Utc, ahead_s: float, until: float):
        self.until = until
        self.first_ahead_s = self._least_s = self._most_s = ahead_s
        self._best = fact

    def see(self, fact: Utc, ahead_s: float) -> None:
        if ahead_s > self._most_s:
            self._most_s, self._best = ahead_s, fact
        elif ahead_s < self._least_s:
            self._least_s = ahead_s

    def row(self) -> ClockRow:
        best = self._best
        utc = best.utc.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"
        spread_s = round(self._most_s - self._least_s, 3)
        return ClockRow(t=best.t, utc=utc, source=best.source, stream=best.stream, spread_s=spread_s)
