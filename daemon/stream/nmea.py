"""NMEA 0183 sentences into facts: the sentences in use, and of them the fields in use (IEC 61162-1).

    0       1       2    3  4     5   6        7           8     9       10 11          12 13    14
    $xxGGA, hhmmss, lat, N, lon,  E,  quality, satellites, HDOP, height, M, separation, M, age_s, station *hh
    $xxGNS, hhmmss, lat, N, lon, E, modes, satellites, HDOP, height, separation, age_s, station … *hh
    $xxGST, hhmmss, rms, major, minor, orientation, sigma north, sigma east, sigma up *hh
    $xxRMC, hhmmss, status, lat, N, lon, E, knots, course, ddmmyy, variation, E, mode … *hh
    $xxZDA, hhmmss, dd, mm, yyyy, … *hh
    $xxGSV, sentences, this one, in view, { satellite, elevation, azimuth, C/N0 } …, signal *hh
    $xxXDR, { type, value, unit, name } … *hh

A receiver says where it is in GGA; one that does not, in GNS; one that says neither, in RMC. Only the best of them is read for
the position.

The framer has seen to the checksum. A rover says a GGA up to twenty times a second: so the fields are taken where they stand,
without an object for each sentence.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Container
from functools import lru_cache

from msgspec.structs import replace
from pynmeagps.nmeahelpers import date2utc
from witnesspost.rules.facts import Fact, Fix, SignalLevels, Tilt, Utc
from witnesspost.rules.gnss import QUALITY_OF_MODE, FixQuality
from witnesspost.rules.site.model import TiltSentence

GSV_EVERY_S = 10.0
STEPS_ASIDE_S = 15.0  # a sentence is passed over so long after a better one was heard
WAITS_S = 1.5  # a better one may follow the first of its kind in the same second
MOST = 1e9
"""That a receiver measures, of anything."""
ANGLE_STEPS = 1e10
"""Of a degree: a hundredth of a millimetre."""
_FIRST_YEAR, _LAST_YEAR = 1980, 2100  # GPS time began in 1980
_ROUNDED = 1.5 * 2.0**52  # added and taken away again it leaves a whole number: what `round` gives, for a third of its time
_MINUTES = {b"%02d%02d" % divmod(minute, 60): 60.0 * minute for minute in range(1440)}  # of the day, by their four digits
_DEGREES = {b"%0*d" % (digits, degrees): float(degrees) for digits, most in ((2, 90), (3, 180)) for degrees in range(most + 1)}
_POINT = ord(".")
_SYSTEMS = {b"GP": "G", b"GL": "R", b"GA": "E", b"GB": "C", b"BD": "C", b"GQ": "J", b"GI": "I"}

Fields = list[bytes]


class Sentences:
    """One line's sentences. `wanted` holds the kinds of facts that somebody reads: what gives no others is passed over."""

    def __init__(self, stream: str, tilt: TiltSentence | None, wanted: Container[type[Fact]]):
        self._stream = stream
        self._tilt = tilt
        self._tilt_address = tilt.sentence.upper().encode() if tilt and Tilt in wanted else None
        self._gst: tuple[float | None, ...] = (None, None, None, None)
        self._day: tuple[bytes, dt.datetime | None] = (b"", None)
        self._utc_said: tuple[float, dt.datetime, float] | None = None
        self._in_view: dict[str, dict[int, float]] = {}
        self._gsv_said: dict[str, float] = {}
        self._first_heard: dict[bytes, float] = {}
        self._gga_heard = self._gns_heard = -math.inf
        readers: tuple[tuple[bytes, type[Fact], Callable[[float, Fields], Fact | None]], ...] = (
            (b"GGA", Fix, self._gga),
            (b"GNS", Fix, self._gns),
            (b"GST", Fix, self._gst_sentence),
            (b"RMC", Utc, self._rmc),
            (b"RMC", Fix, self._rmc_position),
            (b"ZDA", Utc, self._zda),
            (b"GSV", SignalLevels, self._gsv),
            (b"XDR", Tilt, self._xdr),
        )
        self._readers: dict[bytes, list[Callable[[float, Fields], Fact | None]]] = {}
        for kind, fact, reader in readers:
            if fact in wanted:
                self._readers.setdefault(kind, []).append(reader)

    def reads(self, kind: bytes) -> bool:
        """False where sentences of that kind give nothing that anybody reads."""
        return kind in self._readers or self._tilt_address is not None

    def read(self, t: float, kind: bytes, line: bytes) -> list[Fact]:
        """The facts in a whole sentence of that kind (its formatter, "GGA"), none where there are none for anybody.

        Raises ValueError or IndexError where a field in use is not what it must be.
        """
        readers = self._readers.get(kind)
        if self._tilt_address is not None and line[1 : 1 + len(self._tilt_address)].upper() == self._tilt_address:
            readers = [self._mapped_tilt]
        if readers is None:
            return []
        fields = line[1 : line.rindex(b"*")].split(b",")
        facts = []
        for reader in readers:
            fact = reader(t, fields)
            if fact is not None:
                facts.append(fact)
        return facts

    def _gga(self, t: float, fields: Fields) -> Fix:
        _, time, lat, ns, lon, ew, quality, satellites, hdop, height, _, separation, _, age, station, *_ = fields
        self._gga_heard = t
        return self._fix(
            t, time, lat, ns, lon, ew, _whole_number(quality, 9) or 0, satellites, hdop, height, separation, age, station
        )

    def _gns(self, t: float, fields: Fields) -> Fix | None:
        _, time, lat, ns, lon, ew, modes, satellites, hdop, height, separation, age, station, *_ = fields
        if not modes:
            return None  # one constellation's corrections, and no position
        self._gns_heard = t
        if t - self._gga_heard <= STEPS_ASIDE_S or t - self._first_heard.setdefault(b"GNS", t) < WAITS_S:
            return None
        return self._fix(t, time, lat, ns, lon, ew, _quality(modes), satellites, hdop, height, separation, age, station)

    def _rmc_position(self, t: float, fields: Fields) -> Fix | None:
        if t - self._gga_heard <= STEPS_ASIDE_S or t - self._gns_heard <= STEPS_ASIDE_S:
            return None
        if t - self._first_heard.setdefault(b"RMC", t) < WAITS_S:
            return None
        mode = fields[12] if len(fields) > 12 else b""
        quality = FixQuality.NONE if fields[2] != b"A" else _quality(mode) if mode else FixQuality.AUTONOMOUS
        _, time, _, lat, ns, lon, ew, *_ = fields
        return self._fix(t, time, lat, ns, lon, ew, quality)

    def _fix(
        self,
        t: float,
        time: bytes,
        lat: bytes,
        ns: bytes,
        lon: bytes,
        ew: bytes,
        quality: int,
        satellites: bytes = b"",
        hdop: bytes = b"",
        height: bytes = b"",
        separation: bytes = b"",
        age: bytes = b"",
        station: bytes = b"",
    ) -> Fix:
        """The fact that these fields make, each as it stands in its sentence."""
        latitude, longitude = _angles(lat, ns, lon, ew)
        time_s = seconds_of_day(time)
        fix = replace(
            _steady(self._stream, satellites, hdop, separation, age, station),
            t=t,
            time_s=time_s,
            quality=quality,
            latitude=latitude,
            longitude=longitude,
            height_m=_number(height),
        )
        said_at_s, east_m, north_m, up_m = self._gst
        if said_at_s == time_s:
            fix.sigma_east_m, fix.sigma_north_m, fix.sigma_up_m = east_m, north_m, up_m
        return fix

    def _gst_sentence(self, t: float, fields: Fields) -> None:
        self._gst = (seconds_of_day(fields[1]), _number(fields[7]), _number(fields[6]), _number(fields[8]))

    def _rmc(self, t: float, fields: Fields) -> Utc | None:
        if fields[2] != b"A":
            return None
        day, said = self._day
        if fields[9] != day:
            date = date2utc(fields[9].decode())
            said = dt.datetime.combine(date, dt.time(), dt.UTC) if isinstance(date, dt.date) else None
            self._day = fields[9], said
        return self._utc(t, said, fields[1], "RMC")

    def _zda(self, t: float, fields: Fields) -> Utc | None:
        _, time, day, month, year, *_ = fields
        return self._utc(t, _day(day, month, year), time, "ZDA")

    def _utc(self, t: float, day: dt.datetime | None, time: bytes, source: str) -> Utc | None:
        time_s = seconds_of_day(time)
        if day is None or time_s is None:
            return None
        said = t, day, time_s
        if said == self._utc_said:
            return None  # RMC and ZDA of one second, in one read
        self._utc_said = said
        return Utc(t=t, stream=self._stream, utc=day + dt.timedelta(seconds=time_s), source=source)

    def _gsv(self, t: float, fields: Fields) -> SignalLevels | None:
        # Several sentences make one group; NMEA 4.1 ends with a signal ID, which makes the count odd.
        system = _SYSTEMS.get(fields[0][:2])
        if system is None:
            return None
        count, index = _whole_number(fields[1], 99) or 0, _whole_number(fields[2], 99) or 0
        satellites = fields[4:]
        signal = _signal(satellites.pop()) if len(satellites) % 4 == 1 else ""
        name = system + signal
        if index == 1 and t - self._gsv_said.get(name, -math.inf) >= GSV_EVERY_S:
            self._in_view[name] = {}
        group = self._in_view.get(name)
        if group is None:
            return None  # said a moment ago, or its first sentence was lost
        for number, level in zip(satellites[::4], satellites[3::4], strict=False):
            if number and level:
                group[_whole_number(number, 999) or 0] = _level(level)
        if index < count:
            return None
        del self._in_view[name]
        if not group:
            return None
        self._gsv_said[name] = t
        return SignalLevels(t=t, stream=self._stream, levels={name: (sum(group.values()) / len(group), len(group))})

    def _xdr(self, t: float, fields: Fields) -> Tilt | None:
        pitch = roll = None
        for start in range(1, len(fields) - 3, 4):
            kind, value, unit, name = fields[start : start + 4]
            if kind == b"A" and unit == b"D" and value:
                if name.upper().startswith((b"PTCH", b"PITCH")):
                    pitch = float(value)
                elif name.upper().startswith(b"ROLL"):
                    roll = float(value)
        if pitch is None or roll is None or not (math.isfinite(pitch) and math.isfinite(roll)):
            return None
        upright = math.cos(math.radians(pitch)) * math.cos(math.radians(roll))
        return Tilt(t=t, stream=self._stream, angle_deg=math.degrees(math.acos(upright)), aligned=None)

    def _mapped_tilt(self, t: float, fields: Fields) -> Tilt | None:
        tilt = self._tilt
        assert tilt is not None
        angle = aligned = None
        if tilt.angle_field is not None and tilt.angle_field <= len(fields):
            try:
                angle = abs(float(fields[tilt.angle_field - 1]) * tilt.scale)  # fields count from 1, the address
            except ValueError:
                angle = None
        if tilt.aligned_field is not None and tilt.aligned_field <= len(fields):
            aligned = fields[tilt.aligned_field - 1].decode("ascii", "replace") == tilt.aligned_value
        if angle is not None and not math.isfinite(angle):
            angle = None
        if angle is None and aligned is None:
            return None
        return Tilt(t=t, stream=self._stream, angle_deg=angle, aligned=aligned)


@lru_cache(maxsize=16)
def seconds_of_day(field: bytes) -> float | None:
    """UTC seconds of the day of hhmmss or hhmmss.s…; None where the field is not a time."""
    try:
        minute_s, seconds = _MINUTES[field[:4]], float(field[4:])
    except (KeyError, ValueError):
        return None
    return minute_s + seconds if 0.0 <= seconds < 60.0 else None


def _quality(modes: bytes) -> int:
    """GGA's quality for RMC's mode letter, or for the best of GNS's, of which each constellation has one."""
    letters = modes.decode("ascii", "replace")
    return next((quality for letter, quality in QUALITY_OF_MODE.items() if letter in letters), FixQuality.NONE)


@lru_cache(maxsize=256)
def _steady(stream: str, satellites: bytes, hdop: bytes, separation: bytes, age: bytes, station: bytes) -> Fix:
    """A position but for what is new in each: the rest is the same in most of the next ones, so that a look-up finds it."""
    return Fix(
        t=0.0,
        stream=stream,
        time_s=None,
        quality=FixQuality.NONE,
        latitude=None,
        longitude=None,
        height_m=None,
        separation_m=_number(separation),
        satellites=_whole_number(satellites, 9999),
        hdop=_number(hdop),
        age_s=_number(age),
        station_id=_whole_number(station, 9999),
    )


@lru_cache(maxsize=16)
def _day(day: bytes, month: bytes, year: bytes) -> dt.datetime:
    """The day that ZDA says, at midnight."""
    midnight = dt.datetime(
        _whole_number(year, _LAST_YEAR) or 0, _whole_number(month, 12) or 0, _whole_number(day, 31) or 0, tzinfo=dt.UTC
    )
    if midnight.year < _FIRST_YEAR:
        raise ValueError(f"no receiver's year: {midnight.year}")
    return midnight


def _angles(lat: bytes, ns: bytes, lon: bytes, ew: bytes) -> tuple[float | None, float | None]:
    """Latitude and longitude, as `_angle` has them: in their usual form without the ways of the odd ones."""
    try:
        if lat[4] == lon[5] == _POINT:
            north = ((_DEGREES[lat[:2]] + float(lat[2:]) / 60.0) * ANGLE_STEPS + _ROUNDED - _ROUNDED) / ANGLE_STEPS
            east = ((_DEGREES[lon[:3]] + float(lon[3:]) / 60.0) * ANGLE_STEPS + _ROUNDED - _ROUNDED) / ANGLE_STEPS
            if 0.0 <= north <= 90.0 and 0.0 <= east <= 180.0:
                return (-north if ns == b"S" else north), (-east if ew == b"W" else east)
    except (IndexError, KeyError, ValueError):
        pass
    return _angle(lat, ns == b"S", 90.0), _angle(lon, ew == b"W", 180.0)


def _angle(field: bytes, negative: bool, most: float) -> float | None:
    """Degrees of dddmm.m…, None where there are none; ValueError past `most`."""
    minutes = field.find(b".") - 2
    if minutes < 2:
        return None
    try:
        degrees = abs(float(field[:minutes])) + float(field[minutes:]) / 60.0
        degrees = abs(round(degrees * ANGLE_STEPS)) / ANGLE_STEPS  # finer is the double's own noise
    except (ValueError, OverflowError):
        return None
    if degrees <= most:
        return -degrees if negative else degrees
    if math.isfinite(degrees):
        raise ValueError(f"no angle of that kind: {degrees}")
    return None


def _number(field: bytes) -> float | None:
    """A finite number, or None: the rules never see NaN. ValueError where it is beyond all that receivers measure."""
    if not field:
        return None
    value = float(field)
    if -MOST <= value <= MOST:
        return value
    if math.isnan(value):
        return None
    raise ValueError(f"no measurement: {value}")


@lru_cache(maxsize=1024)
def _whole_number(field: bytes, most: int) -> int | None:
    if not field:
        return None
    value = int(field)
    if not 0 <= value <= most:
        raise ValueError(f"no count of that kind: {value}")
    return value


@lru_cache(maxsize=16)
def _signal(field: bytes) -> str:
    """A signal ID of GSV, one hexadecimal digit (NMEA 4.10), or none."""
    if len(field) > 1 or not field.strip(b"0123456789ABCDEFabcdef") == b"":
        raise ValueError(f"no signal ID: {field!r}")
    return field.decode()


@lru_cache(maxsize=256)
def _level(field: bytes) -> float:
    """C/N0 in dB-Hz; two digits by the standard."""
    level = float(field)
    if not 0.0 <= level < 100.0:
        raise ValueError(f"no level: {level}")
    return level
