"""An encoder of NMEA 0183 sentences: what the invented receiver says of itself.

    $ talker type , field , field … * checksum CR LF

The checksum is the exclusive or of all characters between $ and *, as two hexadecimal digits (IEC 61162-1, by way of
public descriptions; the standard's text was not seen). Angles are degrees, north and east positive; a value that is
None leaves its field empty. `utc` needs no more than the time of day where the sentence has no date.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from functools import reduce
from operator import xor

from witnesspost.replay.world.observe import Observation

TALKERS = {"G": "GP", "R": "GL", "E": "GA", "C": "GB"}
"""Talker by constellation (NMEA 0183 4.11, from memory)."""

SIGNAL_IDS = {
    ("G", "1C"): "1",
    ("G", "2W"): "4",
    ("G", "2L"): "6",
    ("G", "5Q"): "8",
    ("R", "1C"): "1",
    ("R", "2C"): "3",
    ("E", "5Q"): "1",
    ("E", "7Q"): "2",
    ("E", "1C"): "7",
    ("C", "2I"): "1",
    ("C", "5P"): "5",
    ("C", "6I"): "8",
    ("C", "7I"): "B",
}
"""GSV's signal ID by constellation and RINEX code (NMEA 0183 4.11, from memory)."""


def sentence(address: str, *fields: object) -> bytes:
    """A whole sentence, with checksum and line end: `sentence("GPZDA", "160012.71", 11)`; None is an empty field."""
    body = ",".join([address, *("" if f is None else str(f) for f in fields)]).encode("ascii")
    return b"$%b*%02X\r\n" % (body, reduce(xor, body))


def gga(
    utc: dt.datetime,
    latitude: float | None,
    longitude: float | None,
    quality: int,
    satellites: int | None,
    hdop: float | None,
    height_m: float | None,
    separation_m: float | None,
    age_s: float | None = None,
    station_id: int | None = None,
    talker: str = "GN",
) -> bytes:
    """Position and its quality; `height_m` is above the geoid, `age_s` and `station_id` those of the corrections."""
    return sentence(
        f"{talker}GGA",
        _time(utc),
        *_position(latitude, longitude),
        quality,
        *_strength(satellites, hdop),
        _field(height_m, ".4f"),
        "M",
        _field(separation_m, ".4f"),
        "M",
        *_corrections(age_s, station_id),
    )


def gns(
    utc: dt.datetime,
    latitude: float | None,
    longitude: float | None,
    modes: str,
    satellites: int | None,
    hdop: float | None,
    height_m: float | None,
    separation_m: float | None,
    age_s: float | None = None,
    station_id: int | None = None,
    talker: str = "GN",
) -> bytes:
    """Position, and a letter of `modes` for each constellation's part in it (those of `rmc`); no navigational status."""
    return sentence(
        f"{talker}GNS",
        _time(utc),
        *_position(latitude, longitude),
        modes,
        *_strength(satellites, hdop),
        _field(height_m, ".4f"),
        _field(separation_m, ".4f"),
        *_corrections(age_s, station_id),
        "V",
    )


def gst(
    utc: dt.datetime,
    sigma_north_m: float | None,
    sigma_east_m: float | None,
    sigma_up_m: float | None,
    talker: str = "GN",
) -> bytes:
    """Standard deviations of the position, with its error ellipse along north and east; the ranges' is left out."""
    known = [s for s in (sigma_north_m, sigma_east_m) if s is not None]
    major, minor = (f"{max(known):.4f}", f"{min(known):.4f}") if len(known) == 2 else (None, None)
    bearing = None if len(known) < 2 else "0.0" if known[0] >= known[1] else "90.0"
    sigmas = (_field(s, ".4f") for s in (sigma_north_m, sigma_east_m, sigma_up_m))
    return sentence(f"{talker}GST", _time(utc), None, major, minor, bearing, *sigmas)


def rmc(
    utc: dt.datetime,
    latitude: float | None,
    longitude: float | None,
    speed_m_s: float | None = None,
    course_deg: float | None = None,
    mode: str = "A",
    talker: str = "GN",
) -> bytes:
    """Position, movement and the date; `mode` N none, A autonomous, D differential, R fixed, F float, E estimated."""
    return sentence(
        f"{talker}RMC",
        _time(utc),
        "V" if latitude is None or mode == "N" else "A",
        *_position(latitude, longitude),
        _field(None if speed_m_s is None else speed_m_s * 3600 / 1852, ".3f"),
        _field(course_deg, ".1f"),
        f"{utc:%d%m%y}",
        None,
        None,
        mode,
    )


def zda(utc: dt.datetime, talker: str = "GN") -> bytes:
    """The instant in UTC, with no local zone."""
    return sentence(f"{talker}ZDA", _time(utc), f"{utc:%d}", f"{utc:%m}", f"{utc:%Y}", "00", "00")


def gsv(system: str, observations: Sequence[Observation], code: str | None = None) -> list[bytes]:
    """Satellites in view of one constellation with the C/N0 of one signal: four a sentence, as many as it takes.

    `code` is the RINEX code of the signal, named in the last field; None takes each satellite's first signal and
    names none, as receivers before version 4.10 do. No satellite makes one sentence that says so.
    """
    rows = []
    for o in observations:
        if o.system == system:
            level = next((s.cn0_db_hz for s in o.signals if code is None or s.code == code), None)
            where = f"{_nmea_number(system, o.prn):02d},{o.elevation_deg:02.0f},{o.azimuth_deg % 360:03.0f}"
            rows.append(f"{where.replace(',360', ',000')},{'' if level is None else f'{level:02.0f}'}")
    address = f"{TALKERS[system]}GSV"
    total = max(1, -(-len(rows) // 4))
    last = [] if code is None else [SIGNAL_IDS[system, code]]
    return [
        sentence(address, total, part + 1, f"{len(rows):02d}", *rows[4 * part : 4 * part + 4], *last) for part in range(total)
    ]


def xdr_tilt(pitch_deg: float, roll_deg: float, talker: str = "II") -> bytes:
    """The pole's pitch and roll in degrees, as transducer measurements of an angle."""
    return sentence(f"{talker}XDR", "A", f"{pitch_deg:.2f}", "D", "PTCH", "A", f"{roll_deg:.2f}", "D", "ROLL")


def _field(value: float | None, form: str) -> str | None:
    return None if value is None else format(value, form)


def _time(utc: dt.datetime) -> str:
    return f"{utc.hour:02d}{utc.minute:02d}{utc.second:02d}.{utc.microsecond // 10_000:02d}"


def _position(latitude: float | None, longitude: float | None) -> tuple[str | None, ...]:
    """Degrees as (d)ddmm.mmmmmmm (0.2 mm) and hemisphere, twice. Rounding is done on the whole, so never 60 minutes."""
    if latitude is None or longitude is None:
        return (None, None, None, None)
    lat_deg, lat_unit = divmod(round(abs(latitude) * 600_000_000), 600_000_000)
    lon_deg, lon_unit = divmod(round(abs(longitude) * 600_000_000), 600_000_000)
    return (
        f"{lat_deg:02d}{lat_unit // 10_000_000:02d}.{lat_unit % 10_000_000:07d}",
        "S" if latitude < 0 else "N",
        f"{lon_deg:03d}{lon_unit // 10_000_000:02d}.{lon_unit % 10_000_000:07d}",
        "W" if longitude < 0 else "E",
    )


def _strength(satellites: int | None, hdop: float | None) -> tuple[str | None, ...]:
    return _field(satellites, "02d"), _field(hdop, ".2f")


def _corrections(age_s: float | None, station_id: int | None) -> tuple[str | None, ...]:
    return _field(age_s, ".1f"), _field(station_id, "04d")


def _nmea_number(system: str, prn: int) -> int:
    """GLONASS slots count from 65 in NMEA 0183; the others by their own number."""
    return prn + 64 if system == "R" else prn
