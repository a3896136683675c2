"""A stretch of a crew's day as bytes: what a base's line and a receiver's line carry, and what people tell the post.

`t` counts seconds from `START` in all of it. RTCM messages are made by the invented world's encoder (which is checked against
an open decoder elsewhere), sentences, RTCM 2 and odd content here.
"""

from __future__ import annotations

import bisect
import datetime as dt
import functools
import math
import random
import zlib
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from witnesspost.replay.world import rtcm
from witnesspost.replay.world.bits import Bits
from witnesspost.replay.world.nmea import sentence
from witnesspost.replay.world.observe import Observation, Signal
from witnesspost.rules.facts import CheckIn, Fact, Planned, Port

from tests.proof.situations.ground import Xyz, aside, geodetic

START = dt.datetime(2026, 11, 24, 9, 0, 0, tzinfo=dt.UTC)
GPS_AHEAD_S = 18
WEEK_S = 604_800

Where = Callable[[float], Xyz]
Span = tuple[float, float]

# Satellites and signals of an ordinary epoch: 10 GPS, 7 GLONASS, 8 Galileo, 7 BeiDou, two carriers each.
_PLAN = {"G": (10, ("1C", "2W")), "R": (7, ("1C", "2C")), "E": (8, ("1C", "5Q")), "C": (7, ("2I", "7I"))}
_BASE_STATION_ANTENNA = "KESTREL-A1      NONE"


def still(at: Xyz) -> Where:
    """A rover that stays."""
    return lambda t: at


def walk(*points: tuple[float, Xyz]) -> Where:
    """Straight lines at even speed between the points, each reached at its `t`; before and after it stays."""
    times = [t for t, _ in points]

    def at(t: float) -> Xyz:
        index = bisect.bisect_right(times, t)
        if index == 0:
            return points[0][1]
        if index == len(points):
            return points[-1][1]
        (t0, a), (t1, b) = points[index - 1], points[index]
        share = (t - t0) / (t1 - t0)
        return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), a[2] + share * (b[2] - a[2])

    return at


class Shift:
    """Bytes and facts by `t`. `seed` decides the noise; `start` is UTC at `t` = 0."""

    def __init__(self, seed: str = "", start: dt.datetime = START):
        self.start = start
        self.random = random.Random(zlib.crc32(seed.encode()))
        self._events: list[tuple[float, int, str, bytes | Fact]] = []

    @property
    def events(self) -> list[tuple[float, int, str, bytes | Fact]]:
        """(t, a count that keeps the order, stream, bytes or a fact), by `t`."""
        return sorted(self._events, key=lambda event: event[:2])

    def put(self, t: float, stream: str, what: bytes | Fact) -> None:
        """Bytes that arrive at `t`, or a fact that is told then."""
        self._events.append((round(t, 3), len(self._events), stream, what))

    def take(self, other: Shift) -> Shift:
        """What another shift has, besides; its clock may start at another instant."""
        for t, _, stream, what in other.events:
            self.put(t, stream, what)
        return self

    def rewrite(self, stream: str, change: Callable[[bytes], bytes]) -> Shift:
        """Pass all bytes so far of a stream through `change`."""
        self._events = [
            (t, count, name, change(what) if name == stream and isinstance(what, bytes) else what)
            for t, count, name, what in self._events
        ]
        return self

    def planned(self, t: float, for_s: float, why: str = "battery") -> None:
        """The crew announces an interruption."""
        self.put(t, "", Planned(t=t, stream="", for_s=for_s, why=why))

    def declared(self, t: float, mark: str) -> None:
        """A person says that the rover stands on this mark."""
        self.put(t, "", CheckIn(t=t, stream="", point=mark))

    def port(self, t: float, stream: str, state: Any) -> None:
        """A port opens, goes away or comes back."""
        self.put(t, "", Port(t=t, stream=stream, state=state, reason="No such device" if state == "lost" else ""))

    # The base's line

    def base(
        self,
        span: Span,
        at: Xyz | Where,
        *,
        stream: str = "corrections",
        station: int = 417,
        interval: float = 1.0,
        position_every: float = 10.0,
        height: float | None = None,
        systems: str = "GREC",
        kind: int | str = 7,
        bias_every: float = 10.0,
        descriptor: str = "",
        late: float | Callable[[float], float] = 0.25,
        unfinished: bool = False,
        one_carrier: bool = False,
        lose: Callable[[float], bool] | None = None,
        break_: Callable[[float], bool] | None = None,
        burst: float = 0.0,
        jitter: float = 0.0,
        chunk: int = 0,
        also: Callable[[float], bytes] | None = None,
        epoch_age: float = 0.0,
    ) -> Shift:
        """A base sends from `span[0]` up to `span[1]`: an epoch every `interval`, 1005 (1006 where it says a `height`), 1230.

        `kind` 4 or 7 is MSM, "legacy" 1004/1012. `unfinished` leaves the multiple-message bit set on the last message.
        `burst` gathers what came in so many seconds; `chunk` cuts the bytes so small. `lose` and `break_` say of an epoch
        that it does not arrive, or arrives with a wrong byte. `epoch_age` is how old the observations' own time is.
        """
        begins, ends = span
        count = round((ends - begins) / interval)
        for number in range(count):
            t = begins + number * interval
            position = at(t) if callable(at) else at
            data: list[bytes] = []
            if position_every and _due(t - begins, position_every, interval):
                data.append(rtcm.frame(rtcm.station(station, *position, height, systems=systems)))
                if descriptor:
                    data.append(rtcm.frame(rtcm.antenna(station, descriptor, "0417", "KESTREL-R1")))
            if bias_every and "R" in systems and _due(t - begins, bias_every, interval):
                data.append(rtcm.frame(rtcm.bias_1230(station, {"1C": 0.0, "2C": 0.0})))
            data += self._epoch(t - epoch_age, station, systems, kind, unfinished, one_carrier)
            if also is not None:
                data.append(also(t))
            if lose is not None and lose(t):
                continue
            whole = b"".join(data)
            if break_ is not None and break_(t):
                whole = bytearray(whole)  # type: ignore[assignment]
                for frame_at in _starts(data):
                    whole[frame_at + 12] ^= 0x55  # type: ignore[index]
                whole = bytes(whole)
            delay = late(t) if callable(late) else late
            arrives = t + delay + (self.random.uniform(0, jitter) if jitter else 0.0)
            if burst:
                arrives = (math.floor(t / burst) + 1) * burst + delay
            if chunk:
                for place in range(0, len(whole), chunk):
                    self.put(arrives + 0.0002 * place, stream, whole[place : place + chunk])
            else:
                self.put(arrives, stream, whole)
        return self

    def station_only(self, span: Span, at: Xyz, station: int = 417, stream: str = "corrections") -> Shift:
        """A base whose observations are switched off: 1005 and 1033 every second."""
        for t in _seconds(span):
            data = rtcm.frame(rtcm.station(station, *at)) + rtcm.frame(rtcm.antenna(station, _BASE_STATION_ANTENNA, "1", "R"))
            self.put(t + 0.25, stream, data)
        return self

    def noise(self, span: Span, size: int = 90, every: float = 0.5, stream: str = "corrections") -> Shift:
        """Bytes without a frame, as a radio with another protocol or baud gives them."""
        for t in _seconds(span, every):
            self.put(t + 0.1, stream, self.random.randbytes(size))
        return self

    def frames(self, span: Span, *numbers: int, size: int = 120, every: float = 1.0, stream: str = "corrections") -> Shift:
        """Good RTCM 3 frames of these message numbers with arbitrary content."""
        for t in _seconds(span, every):
            self.put(t + 0.2, stream, b"".join(self.other(number, size) for number in numbers))
        return self

    def other(self, number: int, size: int = 60) -> bytes:
        """One good frame of that message number, its content arbitrary."""
        payload = (number << 12 | self.random.getrandbits(12)).to_bytes(3, "big") + self.random.randbytes(size)
        return rtcm.frame(payload)

    def rtcm_2(self, span: Span, station: int = 417, stream: str = "corrections") -> Shift:
        """RTCM 2.x: words of 24 bits and 6 of parity, six bits a byte; types 18 and 19 each second, 3 every ten."""
        last = 0
        for t in _seconds(span):
            out = b""
            for kind, words in ((18, 14), (19, 14)) if round(t) % 10 else ((3, 4), (18, 14), (19, 14)):
                z = round((t % 3600) / 0.6) & 0x1FFF
                head = [0x66 << 16 | kind << 10 | station & 0x3FF, z << 11 | (round(t) & 7) << 8 | words << 3]
                for word in [*head, *(self.random.getrandbits(24) for _ in range(words))]:
                    coded = _with_parity(word, last)
                    last = coded & 3
                    out += bytes(0x40 | _REVERSED[coded >> shift & 0x3F] for shift in (24, 18, 12, 6, 0))
            self.put(t + 0.2, stream, out)
        return self

    def _epoch(self, t: float, station: int, systems: str, kind: int | str, unfinished: bool, one_carrier: bool) -> list[bytes]:
        tow_ms = round((self._tow(t)) * 1000)
        if kind == "legacy":
            rows = _observations(systems, one_carrier)
            both = "R" in systems
            data = [rtcm.frame(rtcm.gps_1004(station, tow_ms, rows, synchronous=both))]
            return data + ([rtcm.frame(rtcm.glonass_1012(station, tow_ms, rows))] if both else [])
        return [
            _msm(int(kind), system, station, _time_field(system, tow_ms), unfinished or place < len(systems) - 1, one_carrier)
            for place, system in enumerate(systems)
        ]

    def _tow(self, t: float) -> float:
        sunday = dt.datetime(2026, 11, 22, tzinfo=dt.UTC)
        return ((self.start - sunday).total_seconds() + t + GPS_AHEAD_S) % WEEK_S

    # The receiver's line

    def receiver(
        self,
        span: Span,
        at: Xyz | Where,
        *,
        stream: str = "receiver",
        quality: int | Callable[[float], int] = 4,
        interval: float = 1.0,
        age: float | Callable[[float], float | None] | None = 1.0,
        station: int | None = 417,
        separation: float | None = None,
        n: float = 0.0,
        form: Sequence[str] = ("GGA", "RMC"),
        satellites: int = 24,
        hdop: float = 0.7,
        noise: tuple[float, float] = (0.006, 0.012),
        decimals: int = 7,
        tilt: Callable[[float], float] | None = None,
        aligned: Callable[[float], bool] | bool | None = None,
        stray: bool = False,
    ) -> Shift:
        """A receiver says where its antenna is. `n` is what it calls the separation (`separation` where the field is another).

        `form` has the sentences: GGA, GNS, RMC, ZDA. `noise` is horizontal and vertical, metres. `decimals` are those of the
        minutes. `tilt` is the pole's angle (XDR, or the site's own sentence where `aligned` is said too).
        """
        for t in _seconds(span, interval):
            position = at(t) if callable(at) else at
            q = quality(t) if callable(quality) else quality
            scale = 1.0 if q == 4 else 15.0 if q == 5 else 60.0
            draw = self.random.gauss
            east, north, up = (draw(0, noise[0]), draw(0, noise[0]), draw(0, noise[1]))
            latitude, longitude, h = geodetic(aside(position, scale * east, scale * north, scale * up))
            own = q in (0, 1)  # a position without corrections names neither their age nor their station
            old = None if own else age(t) if callable(age) else age
            number = None if own else station
            utc = self.start + dt.timedelta(seconds=t)
            said = n if separation is None else separation
            lines = []
            for kind in form:
                if kind == "GGA":
                    lines.append(
                        gga(utc, latitude, longitude, q, satellites, hdop, h - n, said, old, number, decimals)
                        if q
                        else sentence("GNGGA", _clock(utc), *[None] * 4, 0, "00", *[None] * 8)
                    )
                elif kind == "GGA without separation":
                    lines.append(gga(utc, latitude, longitude, q, satellites, hdop, h, None, old, number, decimals))
                elif kind == "GNS":
                    lines.append(gns(utc, latitude, longitude, q, satellites, hdop, h - n, said, old, number))
                elif kind == "RMC":
                    lines.append(rmc(utc, latitude, longitude, q, decimals))
                elif kind == "ZDA":
                    lines.append(sentence("GNZDA", _clock(utc), f"{utc:%d}", f"{utc:%m}", f"{utc:%Y}", "00", "00"))
            if tilt is not None:
                angle = tilt(t)
                if aligned is None:
                    lines.append(sentence("IIXDR", "A", f"{angle:.2f}", "D", "PTCH", "A", "0.00", "D", "ROLL"))
                else:
                    ready = aligned(t) if callable(aligned) else aligned
                    lines.append(sentence("PEXMP", "TILT", f"{angle:.2f}", 1 if ready else 0))
            if stray:
                lines.insert(1, b"\xb5\x62\x01\x07" + self.random.randbytes(60))
            self.put(t + 0.05, stream, b"".join(lines))
        return self

    def base_receiver(self, span: Span, at: Xyz, n: float = 0.0) -> Shift:
        """The base's own receiver: a position held by hand (quality 7), with the date."""
        return self.receiver(span, at, quality=7, age=None, station=None, n=n, noise=(0.0, 0.0), interval=1.0)


# Sentences


def gga(
    utc: dt.datetime,
    latitude: float,
    longitude: float,
    quality: int,
    satellites: int,
    hdop: float,
    height: float,
    separation: float | None,
    age: float | None,
    station: int | None,
    decimals: int = 7,
) -> bytes:
    """A GGA, minutes to `decimals`, heights to a tenth of a millimetre where the minutes are fine, else to a decimetre."""
    metres = 4 if decimals >= 6 else 1
    return sentence(
        "GNGGA",
        _clock(utc),
        *_angles(latitude, longitude, decimals),
        quality,
        f"{satellites:02d}",
        f"{hdop:.1f}",
        f"{height:.{metres}f}",
        "M",
        None if separation is None else f"{separation:.{min(metres, 3)}f}",
        None if separation is None else "M",
        None if age is None else f"{age:.1f}",
        None if station is None else f"{station:04d}",
    )


_MODES = {0: "N", 1: "A", 2: "D", 4: "R", 5: "F", 6: "E", 7: "M", 8: "S"}
"""Mode letters of RMC and GNS by GGA's quality (NMEA 0183, by way of public descriptions)."""


def gns(
    utc: dt.datetime,
    latitude: float,
    longitude: float,
    quality: int,
    satellites: int,
    hdop: float,
    height: float,
    separation: float | None,
    age: float | None,
    station: int | None,
) -> bytes:
    """A GNS: GGA's content with one mode letter a constellation (GPS, GLONASS, Galileo, BeiDou) in place of the quality."""
    return sentence(
        "GNGNS",
        _clock(utc),
        *_angles(latitude, longitude, 7),
        4 * _MODES[quality],
        f"{satellites:02d}",
        f"{hdop:.1f}",
        f"{height:.4f}",
        None if separation is None else f"{separation:.3f}",
        None if age is None else f"{age:.1f}",
        None if station is None else f"{station:04d}",
        "V",
    )


def rmc(utc: dt.datetime, latitude: float, longitude: float, quality: int, decimals: int = 7) -> bytes:
    """An RMC; its mode letter says what GGA's quality does."""
    where = _angles(latitude, longitude, decimals) if quality else (None,) * 4
    status = "A" if quality else "V"
    return sentence("GNRMC", _clock(utc), status, *where, "0.02", None, f"{utc:%d%m%y}", None, None, _MODES[quality], "V")


def _clock(utc: dt.datetime) -> str:
    return f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"


def _angles(latitude: float, longitude: float, decimals: int) -> tuple[str, str, str, str]:
    def minutes(angle: float, width: int) -> str:
        unit = 10**decimals
        degrees, rest = divmod(round(abs(angle) * 60 * unit), 60 * unit)
        return f"{degrees:0{width}d}{rest // unit:02d}.{rest % unit:0{decimals}d}"

    return minutes(latitude, 2), "S" if latitude < 0 else "N", minutes(longitude, 3), "W" if longitude < 0 else "E"


# RTCM


@functools.lru_cache(maxsize=16)
def _observations(systems: str, one_carrier: bool) -> tuple[Observation, ...]:
    rows = []
    for system in systems:
        count, codes = _PLAN[system]
        for prn in range(1, count + 1):
            distance = 2.1e7 + 1.3e5 * prn
            signals = [
                Signal(
                    code=code,
                    pseudorange_m=distance + 3.0 * k,
                    phase_m=distance + 3.1 * k,
                    rate_m_s=100.0,
                    cn0_db_hz=45.0,
                    lock_s=500.0,
                    wavelength_m=0.19,
                )
                for k, code in enumerate(codes[:1] if one_carrier else codes)
            ]
            rows.append(Observation(system, prn, 30.0 * prn, 40.0, 0 if system == "R" else None, signals))
    return tuple(rows)


@functools.lru_cache(maxsize=2000)
def _template(kind: int, system: str, station: int, more: bool, one_carrier: bool) -> tuple[int, int]:
    payload = rtcm.msm(kind, system, station, 0, _observations(system, one_carrier), more)
    size = 8 * len(payload)
    field = ((1 << 30) - 1) << (size - 54)
    return int.from_bytes(payload, "big") & ~field, size


def _msm(kind: int, system: str, station: int, time_field: int, more: bool, one_carrier: bool) -> bytes:
    """One MSM frame; the observations are always the same ones, the time (bits 24 to 53) is not."""
    template, size = _template(kind, system, station, more, one_carrier)
    return rtcm.frame((template | time_field << (size - 54)).to_bytes(size // 8, "big"))


def _time_field(system: str, tow_ms: int) -> int:
    """The 30-bit epoch in the constellation's own time: BeiDou 14 s behind GPS, GLONASS day and time of UTC + 3 h."""
    if system == "C":
        return (tow_ms - 14_000) % (WEEK_S * 1000)
    if system == "R":
        day, rest = divmod((tow_ms - GPS_AHEAD_S * 1000 + 3 * 3_600_000) % (WEEK_S * 1000), 86_400_000)
        return day << 27 | rest
    return tow_ms


def empty_msm(number: int, station: int, tow_ms: int = 0) -> bytes:
    """An MSM without a satellite, as real lines carry them."""
    bits = Bits()
    bits.put(number, 12)
    bits.put(station, 12)
    bits.put(tow_ms, 30)
    bits.put(0, 169 - 54)
    return rtcm.frame(bits.payload())


# Parity of GPS and RTCM 2 words (ICD-GPS-200, table 20-XIV): the data bits, numbered from 1, in each parity bit.
_PARITY = (
    (29, (1, 2, 3, 5, 6, 10, 11, 12, 13, 14, 17, 18, 20, 23)),
    (30, (2, 3, 4, 6, 7, 11, 12, 13, 14, 15, 18, 19, 21, 24)),
    (29, (1, 3, 4, 5, 7, 8, 12, 13, 14, 15, 16, 19, 20, 22)),
    (30, (2, 4, 5, 6, 8, 9, 13, 14, 15, 16, 17, 20, 21, 23)),
    (30, (1, 3, 5, 6, 7, 9, 10, 14, 15, 16, 17, 18, 21, 22, 24)),
    (29, (3, 5, 6, 8, 9, 10, 11, 13, 15, 19, 22, 23, 24)),
)
_REVERSED = tuple(int(f"{value:06b}"[::-1], 2) for value in range(64))


def _with_parity(word: int, last: int) -> int:
    """30 bits of a word of 24: complemented where the last word's bit 30 is set, then six bits of parity."""
    d29, d30 = last >> 1 & 1, last & 1
    parity = 0
    for before, places in _PARITY:
        bit = d29 if before == 29 else d30
        for place in places:
            bit ^= word >> (24 - place) & 1
        parity = parity << 1 | bit
    return (word ^ (0xFFFFFF if d30 else 0)) << 6 | parity


def _seconds(span: Span, every: float = 1.0) -> Iterable[float]:
    return (span[0] + every * number for number in range(round((span[1] - span[0]) / every)))


def _due(since: float, every: float, interval: float) -> bool:
    return round(since / interval) % max(1, round(every / interval)) == 0


def _starts(frames: Sequence[bytes]) -> list[int]:
    starts, at = [], 0
    for frame in frames:
        starts.append(at)
        at += len(frame)
    return starts
