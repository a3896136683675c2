"""The invented sky: four constellations on Keplerian orbits over a turning earth, the same for every receiver.

Orbits are almanac-like: the published shape of each constellation (planes, slots, inclination, semi-major axis), with
invented phases where none are published. There are no perturbations, satellite clocks or atmosphere, so a range is
geometry alone. The constants here are the world's own, not those of `rules.gnss`: it is what the rules are checked against.
Positions are earth-centred earth-fixed (ECEF) metres, directions degrees east of north and above the
ellipsoid's horizon. `t_s` is seconds since `Sky.start_utc`.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from typing import NamedTuple, Protocol

from witnesspost.rules.coordinates import Ecef

SPEED_OF_LIGHT_M_S = 299_792_458.0
"""Exact, by the definition of the metre (BIPM, The International System of Units, 9th edition)."""

EARTH_RATE_RAD_S = 7.2921151467e-5
"""Earth's rotation rate of WGS 84 (IS-GPS-200, table 20-IV)."""

EARTH_GM_M3_S2 = 3.986005e14
"""Earth's gravitational constant as the GPS user takes it (IS-GPS-200, table 20-IV)."""

GPS_MINUS_UTC_S = 18
"""Leap seconds between UTC and GPS time since 2017-01-01 (IERS Bulletin C 52, from memory)."""

GLONASS_CHANNELS = (1, -4, 5, 6, 1, -4, 5, 6, -2, -7, 0, -1, -2, -7, 0, -1, 4, -3, 3, 2, 4, -3, 3, 2)
"""Frequency channel of GLONASS slots 1 to 24: antipodal satellites share one (GLONASS ICD; the values from memory)."""

Vector = tuple[float, float, float]

_GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
_ORBIT_EPOCH = dt.datetime(1993, 7, 1, tzinfo=dt.UTC)
_SIDEREAL_AT_EPOCH_RAD = math.radians(15.0 * (18 + 36 / 60 + 14.4 / 3600))
_A_M = 6_378_137.0
_F = 1 / 298.257223563


class Direction(Protocol):
    """Anything that is seen in a direction: degrees east of north, degrees above the horizon."""

    @property
    def azimuth_deg(self) -> float: ...

    @property
    def elevation_deg(self) -> float: ...


class Sat(NamedTuple):
    """A satellite as one receiver sees it.

    `system` is the letter of RINEX (G GPS, R GLONASS, E Galileo, C BeiDou), `prn` the number in that system's satellite
    mask (GLONASS: the slot). `position_m` is where it was when the signal left, in the earth-fixed frame of the moment
    of reception, so that `range_m` is simply its distance from the receiver.
    """

    system: str
    prn: int
    azimuth_deg: float
    elevation_deg: float
    range_m: float
    position_m: Vector


class Dop(NamedTuple):
    """Dilution of precision: horizontal, vertical and of position, for one common receiver clock."""

    hdop: float
    vdop: float
    pdop: float


class Orbit(NamedTuple):
    """One satellite's Keplerian orbit, with what does not change worked out.

    `p` and `q` point to perigee and a quarter turn past it, in an inertial equatorial frame, scaled by the semi-major
    and the semi-minor axis in metres; `mean_anomaly_rad` is that of the orbits' epoch, `motion_rad_s` the mean motion.
    """

    system: str
    prn: int
    p: Vector
    q: Vector
    eccentricity: float
    mean_anomaly_rad: float
    motion_rad_s: float

    @property
    def period_s(self) -> float:
        """One revolution against the stars."""
        return math.tau / self.motion_rad_s


class Elements(NamedTuple):
    """An orbit at one instant, angles in radians: `node_rad` is the ascending node's longitude on the turning earth."""

    axis_m: float
    eccentricity: float
    inclination_rad: float
    node_rad: float
    perigee_rad: float
    mean_anomaly_rad: float
    motion_rad_s: float


class Sky:
    """Every satellite from `start_utc` on; `orbits` lists them. The same start gives the same sky, always."""

    def __init__(self, start_utc: dt.datetime) -> None:
        if start_utc.tzinfo is None:
            raise ValueError("the sky's start needs a time zone: say datetime(..., tzinfo=datetime.UTC)")
        self.start_utc = start_utc.astimezone(dt.UTC)
        self.orbits = _orbits()
        self._age_s = (self.start_utc - _ORBIT_EPOCH).total_seconds()
        # Reduced to one turn, or decades of radians would cost the sine micrometres.
        self._sidereal_rad = (_SIDEREAL_AT_EPOCH_RAD + EARTH_RATE_RAD_S * self._age_s) % math.tau
        self._anomalies = [(o.mean_anomaly_rad + o.motion_rad_s * self._age_s) % math.tau for o in self.orbits]

    def utc(self, t_s: float) -> dt.datetime:
        """The instant `t_s` in UTC, to the microsecond."""
        return self.start_utc + dt.timedelta(seconds=t_s)

    def gps_tow_ms(self, t_s: float) -> int:
        """GPS time of week in milliseconds (0 to 604,799,999) at `t_s`."""
        since = self.start_utc - _GPS_EPOCH + dt.timedelta(seconds=GPS_MINUS_UTC_S)
        return (since // dt.timedelta(milliseconds=1) + round(t_s * 1000)) % 604_800_000

    def elements(self, index: int, t_s: float) -> Elements:
        """The elements of `orbits[index]` at `t_s`."""
        orbit = self.orbits[index]
        axis_m = math.hypot(*orbit.p)
        (px, py, pz), (qx, qy, qz) = orbit.p, orbit.q
        normal = (py * qz - pz * qy, pz * qx - px * qz, px * qy - py * qx)
        node = math.atan2(normal[0], -normal[1])
        across = (-math.sin(node), math.cos(node))  # in the equator, a quarter turn past the node
        inclination = math.atan2(math.hypot(normal[0], normal[1]), normal[2])
        along = px * math.cos(node) + py * math.sin(node)
        up = (px * across[0] + py * across[1]) * math.cos(inclination) + pz * math.sin(inclination)
        return Elements(
            axis_m,
            orbit.eccentricity,
            inclination,
            (node - self._sidereal_rad - EARTH_RATE_RAD_S * t_s) % math.tau,
            math.atan2(up, along) % math.tau,
            (self._anomalies[index] + orbit.motion_rad_s * t_s) % math.tau,
            orbit.motion_rad_s,
        )

    def visible(self, ecef_m: Ecef, t_s: float, mask_deg: float = 10.0) -> list[Sat]:
        """Satellites at or above `mask_deg` degrees as seen from `ecef_m` metres, in the order of system and number."""
        axes = local_axes(ecef_m)
        sats = []
        for index in range(len(self.orbits)):
            position, _velocity = self.seen(index, t_s, ecef_m)
            azimuth, elevation, range_m = look(ecef_m, axes, position)
            if elevation >= mask_deg:
                orbit = self.orbits[index]
                sats.append(Sat(orbit.system, orbit.prn, azimuth, elevation, range_m, position))
        return sats

    def seen(self, index: int, t_s: float, ecef_m: Ecef) -> tuple[Vector, Vector]:
        """Position (m) and velocity (m/s) of `orbits[index]` as a receiver at rest in `ecef_m` sees them at `t_s`.

        Light time and the earth's turning while the signal travels are in it; velocity is the derivative of the
        position that is seen. Two rounds settle the light time to under a micrometre.
        """
        rx, ry, rz = ecef_m
        orbit = self.orbits[index]
        (px, py, pz), (qx, qy, qz) = orbit.p, orbit.q
        e, motion, anomaly = orbit.eccentricity, orbit.motion_rad_s, self._anomalies[index]
        turned = self._sidereal_rad + EARTH_RATE_RAD_S * t_s
        cos_turned, sin_turned = math.cos(turned), math.sin(turned)
        light_s = 0.075
        for _round in range(3):
            m = anomaly + motion * (t_s - light_s)
            ecc = m + e * math.sin(m)
            for _newton in range(2):
                ecc -= (ecc - e * math.sin(ecc) - m) / (1.0 - e * math.cos(ecc))
            cos_ecc, sin_ecc = math.cos(ecc), math.sin(ecc)
            u = cos_ecc - e
            ix, iy, z = px * u + qx * sin_ecc, py * u + qy * sin_ecc, pz * u + qz * sin_ecc
            x, y = cos_turned * ix + sin_turned * iy, cos_turned * iy - sin_turned * ix
            light_s = math.sqrt((x - rx) ** 2 + (y - ry) ** 2 + (z - rz) ** 2) / SPEED_OF_LIGHT_M_S
        rate = motion / (1.0 - e * cos_ecc)
        iu, iv, vz = ((-p * sin_ecc + q * cos_ecc) * rate for p, q in ((px, qx), (py, qy), (pz, qz)))
        vx, vy = cos_turned * iu + sin_turned * iv, cos_turned * iv - sin_turned * iu
        # The further away it gets, the older the light: the emission's clock runs slow by the range rate.
        slow = ((x - rx) * (vx + EARTH_RATE_RAD_S * y) + (y - ry) * (vy - EARTH_RATE_RAD_S * x) + (z - rz) * vz) / (
            light_s * SPEED_OF_LIGHT_M_S**2
        )
        keep = 1.0 - slow
        return (x, y, z), (vx * keep + EARTH_RATE_RAD_S * y, vy * keep - EARTH_RATE_RAD_S * x, vz * keep)


def local_axes(ecef_m: Ecef) -> tuple[Vector, Vector, Vector]:
    """Unit vectors east, north and up (along the WGS 84 ellipsoid's normal) at an ECEF point in metres.

    The latitude is Bowring's closed form (Survey Review 23, 1976), good to far under a microdegree near the ground.
    """
    x, y, z = ecef_m
    p = math.hypot(x, y)
    longitude = math.atan2(y, x)
    b = _A_M * (1 - _F)
    e2 = _F * (2 - _F)
    reduced = math.atan2(z * _A_M, p * b)
    latitude = math.atan2(z + e2 / (1 - e2) * b * math.sin(reduced) ** 3, p - e2 * _A_M * math.cos(reduced) ** 3)
    sin_lat, cos_lat = math.sin(latitude), math.cos(latitude)
    sin_lon, cos_lon = math.sin(longitude), math.cos(longitude)
    return (
        (-sin_lon, cos_lon, 0.0),
        (-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat),
        (cos_lat * cos_lon, cos_lat * sin_lon, sin_lat),
    )


def look(ecef_m: Ecef, axes: tuple[Vector, Vector, Vector], position_m: Vector) -> tuple[float, float, float]:
    """Azimuth and elevation in degrees and range in metres, from `ecef_m` with its `local_axes` to a position."""
    dx, dy, dz = position_m[0] - ecef_m[0], position_m[1] - ecef_m[1], position_m[2] - ecef_m[2]
    range_m = math.sqrt(dx * dx + dy * dy + dz * dz)
    east, north, up = (a[0] * dx + a[1] * dy + a[2] * dz for a in axes)
    elevation = math.atan2(up, math.hypot(east, north))
    return math.degrees(math.atan2(east, north)) % 360.0, math.degrees(elevation), range_m


def dop(sats: Iterable[Direction]) -> Dop | None:
    """Dilution of precision of these directions; None with fewer than four, or where they do not span the space.

    The cofactor matrix of an unweighted single-point solution with one clock, in east, north and up (common practice;
    the definition is in the GPS SPS Performance Standard, appendix on dilution of precision, from memory).
    """
    ee = en = eu = nn = nu = uu = se = sn = su = 0.0
    count = 0
    for sat in sats:
        azimuth, elevation = math.radians(sat.azimuth_deg), math.radians(sat.elevation_deg)
        flat = math.cos(elevation)
        e, n, u = flat * math.sin(azimuth), flat * math.cos(azimuth), math.sin(elevation)
        ee, en, eu, nn, nu, uu = ee + e * e, en + e * n, eu + e * u, nn + n * n, nu + n * u, uu + u * u
        se, sn, su, count = se + e, sn + n, su + u, count + 1
    if count < 4:
        return None
    # The clock is eliminated first: what is left are the normal equations of the directions about their mean.
    ee, en, eu = ee - se * se / count, en - se * sn / count, eu - se * su / count
    nn, nu, uu = nn - sn * sn / count, nu - sn * su / count, uu - su * su / count
    minor_e, minor_n, minor_u = nn * uu - nu * nu, ee * uu - eu * eu, ee * nn - en * en
    determinant = ee * minor_e - en * (en * uu - nu * eu) + eu * (en * nu - nn * eu)
    if determinant < 1e-9:
        return None
    east, north, up = minor_e / determinant, minor_n / determinant, minor_u / determinant
    return Dop(math.sqrt(east + north), math.sqrt(up), math.sqrt(east + north + up))


_GPS_SLOTS = (
    # Plane's right ascension of the ascending node, then arguments of latitude of its four slots, in degrees.
    # GPS SPS Performance Standard (October 2001), table 3-1, epoch 1993-07-01 00:00 UTC.
    (272.847, (268.126, 161.786, 11.676, 41.806)),
    (332.847, (80.956, 173.336, 309.976, 204.376)),
    (32.847, (111.876, 11.796, 339.666, 241.556)),
    (92.847, (135.226, 265.446, 35.156, 167.356)),
    (152.847, (197.046, 302.596, 66.066, 333.686)),
    (212.847, (238.886, 345.226, 105.206, 135.346)),
)
_GPS_SPARES = ((0, 100.0), (1, 20.0), (2, 175.0), (3, 310.0), (4, 130.0), (4, 250.0), (5, 45.0))


def _orbits() -> tuple[Orbit, ...]:
    """All satellites, in the order of system (G R E C) and number."""
    orbits = []
    # GPS: the 24 published slots and seven invented spares, 55 degrees, 26,559.7 km (same table).
    slots = [(node, latitude) for node, latitudes in _GPS_SLOTS for latitude in latitudes]
    slots += [(_GPS_SLOTS[plane][0], latitude) for plane, latitude in _GPS_SPARES]
    for prn, (node, latitude) in enumerate(slots, start=1):
        eccentricity = 0.002 + 0.008 * (prn * 7 % 31) / 31
        orbits.append(_orbit("G", prn, 26_559.7, 55.0, node, latitude, eccentricity, prn * 47.0 % 360))
    # GLONASS: 3 planes of 8, 15 degrees of shift, 64.8 degrees, 11 h 15 min 44 s (GLONASS ICD 5.1; the seconds
    # from memory).
    for slot in range(24):
        plane, place = divmod(slot, 8)
        orbits.append(_orbit("R", slot + 1, 25_508.2, 64.8, 40.0 + 120 * plane, 45.0 * place + 15 * plane, 0.001, slot * 31.0))
    # Galileo: three planes, 56 degrees, 23,222 km up (ESA Navipedia, Galileo Space Segment); Walker 24/3/1 (OS SDD, from
    # memory).
    for slot in range(24):
        plane, place = divmod(slot, 8)
        orbits.append(_orbit("E", slot + 1, 29_600.0, 56.0, 77.0 + 120 * plane, 45.0 * place + 15 * plane, 0.0002, slot * 17.0))
    # BeiDou: Walker 24/3/1 at 27,906 km, 55 degrees; three geostationary at 80, 110.5 and 140 degrees east (BeiDou OS SIS
    # ICD, from memory, as are the numbers); three inclined geosynchronous whose tracks cross the equator at 118 degrees
    # east (ESA Navipedia, BeiDou Space Segment).
    numbers = [*range(19, 31), *range(32, 38), *range(41, 47)]
    for slot, prn in enumerate(numbers):
        plane, place = divmod(slot, 8)
        orbits.append(_orbit("C", prn, 27_906.0, 55.0, 10.0 + 120 * plane, 45.0 * place + 15 * plane, 0.0008, slot * 23.0))
    sidereal = math.degrees(_SIDEREAL_AT_EPOCH_RAD)
    for place in range(3):
        node = sidereal + 118.0 + 120.0 * place
        orbits.append(_orbit("C", 38 + place, _SYNCHRONOUS_KM, 55.0, node, -120.0 * place, 0.003, 190.0))
    for place, longitude in enumerate((80.0, 110.5, 140.0)):
        orbits.append(_orbit("C", 59 + place, _SYNCHRONOUS_KM, 0.5, 0.0, sidereal + longitude, 0.0003, 0.0))
    return tuple(sorted(orbits, key=lambda o: ("GREC".index(o.system), o.prn)))


_SYNCHRONOUS_KM = (EARTH_GM_M3_S2 / EARTH_RATE_RAD_S**2) ** (1 / 3) / 1000
# One revolution a turn of the earth, or the geosynchronous would wander off over the decades since the epoch.


def _orbit(
    system: str,
    prn: int,
    axis_km: float,
    inclination_deg: float,
    node_deg: float,
    latitude_deg: float,
    eccentricity: float,
    perigee_deg: float,
) -> Orbit:
    """An orbit from its elements; `latitude_deg` is the mean argument of latitude at the orbits' epoch."""
    axis_m = axis_km * 1000.0
    node, tilt, perigee = (math.radians(a) for a in (node_deg, inclination_deg, perigee_deg))
    cos_n, sin_n, cos_t, sin_t = math.cos(node), math.sin(node), math.cos(tilt), math.sin(tilt)

    def axis(angle: float, length: float) -> Vector:
        c, s = math.cos(angle) * length, math.sin(angle) * length
        return (cos_n * c - sin_n * s * cos_t, sin_n * c + cos_n * s * cos_t, s * sin_t)

    return Orbit(
        system,
        prn,
        axis(perigee, axis_m),
        axis(perigee + math.pi / 2, axis_m * math.sqrt(1 - eccentricity**2)),
        eccentricity,
        (math.radians(latitude_deg) - perigee) % math.tau,
        math.sqrt(EARTH_GM_M3_S2 / axis_m**3),
    )
