"""The invented satellites' broadcast ephemerides: RTCM 1019, 1020, 1042 and 1046 that say where the sky's satellites are.

What a receiver computes from one by its constellation's interface document is where `sky` has the satellite, to centimetres:
the orbits have no perturbations, so most terms are 0. Where a document's earth turns or pulls otherwise than the sky's, the
rates take it up; and since the sky's signals show no relativity, each clock runs so that it cancels what a receiver corrects
for. GLONASS receivers integrate motion over a flattened earth, which the sky's is not: up to 25 m off, a quarter of an hour
from the message's time. BeiDou's geostationary satellites send theirs in axes of their own: those are not made.

Layouts: RTCM 10403.3, 3.5.13 and after, from memory, by way of an open decoder's tables. IS-GPS-200, 20.3.3.4.3; Galileo OS SIS
ICD, 5.1; BeiDou OS SIS ICD, 5.2.4; GLONASS ICD 5.1, 4.4 and appendix 3 (from memory).
"""

from __future__ import annotations

import datetime as dt
import math
from typing import NamedTuple

from witnesspost.replay.world.bits import Bits
from witnesspost.replay.world.sky import (
    EARTH_GM_M3_S2,
    EARTH_RATE_RAD_S,
    GLONASS_CHANNELS,
    GPS_MINUS_UTC_S,
    SPEED_OF_LIGHT_M_S,
    Elements,
    Sky,
    Vector,
)

_WEEK_S = 604_800
_GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
_GALILEO_GM = 3.986004418e14
_BEIDOU_GM, _BEIDOU_RATE = 3.986004418e14, 7.292115e-5
_GEOSTATIONARY = range(59, 64)


class _System(NamedTuple):
    """How a constellation counts: seconds behind GPS time, the GPS week of its first, its earth, and how often new ephemerides
    come."""

    behind_s: int
    week_0: int
    gm_m3_s2: float
    rate_rad_s: float
    every_s: int


_SYSTEMS = {
    "G": _System(0, 0, EARTH_GM_M3_S2, EARTH_RATE_RAD_S, 7200),
    "E": _System(0, 1024, _GALILEO_GM, EARTH_RATE_RAD_S, 3600),
    "C": _System(14, 1356, _BEIDOU_GM, _BEIDOU_RATE, 3600),
}


class _Clock(NamedTuple):
    """A clock's polynomial: s, s/s, s/s²."""

    bias: float
    drift: float
    drift_rate: float


class _Sent(NamedTuple):
    """What a Keplerian ephemeris says: seconds, metres, radians."""

    week: int
    toe_s: int
    orbit: Elements
    dn: float
    omega0: float
    omega_dot: float
    clock: _Clock


def ephemeris(sky: Sky, system: str, prn: int, t_s: float) -> bytes | None:
    """The payload that a satellite's receivers hand on at `t_s`; None where none is made."""
    if system == "C" and prn in _GEOSTATIONARY:
        return None
    index = next(i for i, orbit in enumerate(sky.orbits) if (orbit.system, orbit.prn) == (system, prn))
    if system == "R":
        return _glonass(sky, index, prn, t_s)
    sent = _sent(sky, index, _SYSTEMS[system], t_s)
    return {"G": _gps, "E": _galileo, "C": _beidou}[system](prn, sent)


def _sent(sky: Sky, index: int, system: _System, t_s: float) -> _Sent:
    start_s = (sky.start_utc - _GPS_EPOCH) / dt.timedelta(seconds=1) + GPS_MINUS_UTC_S - system.behind_s
    whole_s = round((start_s + t_s) / system.every_s) * system.every_s  # of the system's time, counted from GPS's first day
    week, toe_s = divmod(whole_s, _WEEK_S)
    orbit = sky.elements(index, whole_s - start_s)
    return _Sent(
        week - system.week_0,
        toe_s,
        orbit,
        orbit.motion_rad_s - math.sqrt(system.gm_m3_s2 / orbit.axis_m**3),
        orbit.node_rad + system.rate_rad_s * toe_s,
        system.rate_rad_s - EARTH_RATE_RAD_S,
        _clock(orbit),
    )


def _clock(orbit: Elements) -> _Clock:
    """The clock's polynomial that cancels F e √A sin E, the receivers' correction for relativity (IS-GPS-200, 20.3.3.3.3.1)."""
    e, n, anomaly = orbit.eccentricity, orbit.motion_rad_s, _eccentric_anomaly(orbit)
    rate = n / (1 - e * math.cos(anomaly))
    bend = -e * math.sin(anomaly) * rate**2 / (1 - e * math.cos(anomaly))
    size = -2 * math.sqrt(EARTH_GM_M3_S2) / SPEED_OF_LIGHT_M_S**2 * e * math.sqrt(orbit.axis_m)
    sin, cos = math.sin(anomaly), math.cos(anomaly)
    return _Clock(-size * sin, -size * cos * rate, -size * (cos * bend - sin * rate**2) / 2)


def _gps(prn: int, sent: _Sent) -> bytes:
    bits = Bits()
    bits.put(1019, 12)
    bits.put(prn, 6, "GPS satellite")
    bits.put(sent.week % 1024, 10)
    bits.put(0, 4)
    bits.put(1, 2)  # P on L2
    _put(bits, 0.0, 14, -43)
    issue = sent.toe_s // 7200 % 256
    bits.put(issue, 8)
    bits.put(sent.toe_s // 16, 16)
    for value, width, power in zip(reversed(sent.clock), (8, 16, 22), (-55, -43, -31), strict=True):
        _put(bits, value, width, power)
    bits.put(issue, 10)
    _orbit(bits, sent, 16, -5, -29, sent.toe_s // 16, 16)
    _put(bits, 0.0, 8, -31)
    bits.put(0, 6 + 1 + 1)
    return bits.payload()


def _galileo(prn: int, sent: _Sent) -> bytes:
    bits = Bits()
    bits.put(1046, 12)
    bits.put(prn, 6, "Galileo satellite")
    bits.put(sent.week % 4096, 12)
    bits.put(sent.toe_s // 3600 % 1024, 10)
    bits.put(107, 8)  # 3.12 m
    _put(bits, 0.0, 14, -43)
    bits.put(sent.toe_s // 60, 14)
    for value, width, power in zip(reversed(sent.clock), (6, 21, 31), (-59, -46, -34), strict=True):
        _put(bits, value, width, power)
    _orbit(bits, sent, 16, -5, -29, sent.toe_s // 60, 14)
    bits.put(0, 10 + 10 + 2 + 1 + 2 + 1 + 2)
    return bits.payload()


def _beidou(prn: int, sent: _Sent) -> bytes:
    bits = Bits()
    bits.put(1042, 12)
    bits.put(prn, 6, "BeiDou satellite")
    bits.put(sent.week % 8192, 13)
    bits.put(0, 4)
    _put(bits, 0.0, 14, -43)
    bits.put(sent.toe_s // 3600 % 32, 5)
    bits.put(sent.toe_s // 8, 17)
    for value, width, power in zip(reversed(sent.clock), (11, 22, 24), (-66, -50, -33), strict=True):
        _put(bits, value, width, power)
    bits.put(0, 5)
    _orbit(bits, sent, 18, -6, -31, sent.toe_s // 8, 17)
    bits.put(0, 10 + 10 + 1)
    return bits.payload()


def _orbit(bits: Bits, sent: _Sent, wide: int, metres: int, radians: int, toe: int, toe_width: int) -> None:
    """The fields from Crs to the node's rate, which the three share but for the corrections' widths and powers."""
    orbit, half_turn = sent.orbit, math.pi
    _put(bits, 0.0, wide, metres)
    _put(bits, sent.dn / half_turn, 16, -43)
    _put(bits, _half_turns(orbit.mean_anomaly_rad), 32, -31)
    _put(bits, 0.0, wide, radians)
    bits.put(round(orbit.eccentricity * 2**33), 32)
    _put(bits, 0.0, wide, radians)
    bits.put(round(math.sqrt(orbit.axis_m) * 2**19), 32)
    bits.put(toe, toe_width)
    _put(bits, 0.0, wide, radians)
    _put(bits, _half_turns(sent.omega0), 32, -31)
    _put(bits, 0.0, wide, radians)
    _put(bits, orbit.inclination_rad / half_turn, 32, -31)
    _put(bits, 0.0, wide, metres)
    _put(bits, _half_turns(orbit.perigee_rad), 32, -31)
    _put(bits, sent.omega_dot / half_turn, 24, -43)


def _glonass(sky: Sky, index: int, prn: int, t_s: float) -> bytes:
    moscow = sky.utc(t_s) + dt.timedelta(hours=3)
    midnight = moscow.replace(hour=0, minute=0, second=0, microsecond=0)
    of_day_s = (moscow - midnight) / dt.timedelta(seconds=1)
    tb = min(max(round(of_day_s / 900), 1), 95)
    place, velocity = _state(sky, index, t_s + tb * 900 - of_day_s)
    bits = Bits()
    bits.put(1020, 12)
    bits.put(prn, 6, "GLONASS slot")
    bits.put(GLONASS_CHANNELS[prn - 1] + 7, 5)
    bits.put(0, 1 + 1 + 2)
    minutes, half = divmod(int(of_day_s) // 30, 2)
    bits.put(minutes // 60 << 7 | minutes % 60 << 1 | half, 12)
    bits.put(0, 1 + 1)
    bits.put(tb, 7)
    for rate, where in zip(velocity, place, strict=True):
        _put_magnitude(bits, rate / 1000, 24, -20)
        _put_magnitude(bits, where / 1000, 27, -11)
        bits.put(0, 5)
    bits.put(0, 1 + 11 + 2 + 1 + 22 + 5 + 5 + 1 + 4)
    bits.put((midnight - midnight.replace(year=midnight.year // 4 * 4, month=1, day=1)).days + 1, 11)
    bits.put(1, 2)
    bits.put(0, 1 + 11 + 32)
    bits.put((midnight.year - 1996) // 4 + 1, 5)
    bits.put(0, 22 + 1 + 7)
    return bits.payload()


def _state(sky: Sky, index: int, t_s: float) -> tuple[Vector, Vector]:
    """Place (m) and velocity (m/s) on the turning earth at `t_s`."""
    orbit = sky.elements(index, t_s)
    e, anomaly = orbit.eccentricity, _eccentric_anomaly(orbit)
    shape = math.sqrt(1 - e * e)
    rate = orbit.axis_m * orbit.motion_rad_s / (1 - e * math.cos(anomaly))
    flat = orbit.axis_m * (math.cos(anomaly) - e), orbit.axis_m * shape * math.sin(anomaly)
    speed = -rate * math.sin(anomaly), rate * shape * math.cos(anomaly)

    def turned(x: float, y: float) -> Vector:
        c, s = math.cos(orbit.perigee_rad), math.sin(orbit.perigee_rad)
        x, y = c * x - s * y, s * x + c * y
        y, z = y * math.cos(orbit.inclination_rad), y * math.sin(orbit.inclination_rad)
        c, s = math.cos(orbit.node_rad), math.sin(orbit.node_rad)
        return c * x - s * y, s * x + c * y, z

    (x, y, z), (vx, vy, vz) = turned(*flat), turned(*speed)
    return (x, y, z), (vx + EARTH_RATE_RAD_S * y, vy - EARTH_RATE_RAD_S * x, vz)


def _eccentric_anomaly(orbit: Elements) -> float:
    """Kepler's equation, by rounds that each leave an eccentricity's part of the error: these orbits' are under 0.03."""
    anomaly = orbit.mean_anomaly_rad
    for _ in range(10):
        anomaly = orbit.mean_anomaly_rad + orbit.eccentricity * math.sin(anomaly)
    return anomaly


def _half_turns(angle_rad: float) -> float:
    """An angle from -1 to 1 half turn."""
    return math.remainder(angle_rad, math.tau) / math.pi


def _put(bits: Bits, value: float, width: int, power: int) -> None:
    edge = 1 << width - 1
    bits.put_signed(min(max(round(value * 2.0**-power), -edge), edge - 1), width, "a term of the ephemeris")


def _put_magnitude(bits: Bits, value: float, width: int, power: int) -> None:
    """Sign and magnitude, as GLONASS has it."""
    bits.put(value < 0, 1)
    bits.put(round(abs(value) * 2.0**-power), width - 1, "a term of the ephemeris")
