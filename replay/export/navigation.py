"""Ephemerides in the order and units of RINEX 3.05 navigation records (its tables of the navigation messages, from memory)."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

from witnesspost.replay.export.ephemerides import SYSTEM, Ephemeris
from witnesspost.replay.export.gps_time import WEEK_MS, calendar, glonass_ms, nearest, utc_calendar
from witnesspost.replay.export.signals import GLONASS_SLOTS, glonass_channel

_SENT_UNKNOWN = 0.9999e9  # when the message was sent, which RTCM does not hand on
_GPS_FIT_H = (4.0, 6.0)
# Galileo's data source bits: F/NAV E5a with the clock for E5a and E1; I/NAV E1-B and E5b with the clock for E5b and E1.
_F_NAV, _I_NAV = 258.0, 517.0
_BEIDOU_WEEK_0 = 1356  # the GPS week in which BeiDou's weeks begin (BDS-SIS-ICD, 3.3)
_GALILEO_WEEK_0 = 1024  # and Galileo's (Galileo OS SIS ICD, 5.1.2)


class _Clock(NamedTuple):
    """The clock's polynomial: s, s/s, s/s²."""

    bias: float
    drift: float
    drift_rate: float


class Broadcast(NamedTuple):
    """A navigation record: RINEX's satellite, the time of clock in the constellation's own calendar, and the values."""

    satellite: str
    clock: dt.datetime
    values: tuple[float | None, ...]


def broadcast(number: int, sent: Ephemeris, about_ms: int) -> Broadcast | None:
    """The record of an ephemeris that was heard at about `about_ms` (GPS time); None where it names no satellite.

    Of GLONASS, neither where it names no slot, frequency channel or time that there is.
    """
    satellite = int(sent["satellite"])
    if not satellite:
        return None
    name = f"{SYSTEM[number]}{satellite:02d}"
    if number == 1020:
        return _glonass(name, sent, about_ms)
    return _KEPLERIAN[number](name, sent, about_ms)


def _gps(name: str, sent: Ephemeris, about_ms: int) -> Broadcast:
    week = _week(sent, 1024, about_ms // WEEK_MS)
    qzss = name[0] == "J"
    tail = (
        *(sent["idot"], sent["codes_l2"], float(week), 1.0 if qzss else sent["l2p"]),
        *(_accuracy_m(int(sent["accuracy"])), sent["health"], sent["tgd"], sent["iodc"]),
        *(_SENT_UNKNOWN, sent["fit"] if qzss else _GPS_FIT_H[int(sent["fit"])]),
    )
    return Broadcast(name, _clock(week, sent), (*_clock_terms(sent), sent["iode"], *_orbit(sent), *tail))


def _beidou(name: str, sent: Ephemeris, about_ms: int) -> Broadcast:
    week = _week(sent, 8192, about_ms // WEEK_MS - _BEIDOU_WEEK_0)
    tail = (
        *(sent["idot"], 0.0, float(week), 0.0),
        *(_accuracy_m(int(sent["accuracy"])), sent["health"], sent["tgd1"] * 1e-10, sent["tgd2"] * 1e-10),
        *(_SENT_UNKNOWN, sent["aodc"]),
    )
    clock = _clock(week + _BEIDOU_WEEK_0, sent)  # BeiDou time's own calendar, 14 s behind GPS time
    return Broadcast(name, clock, (*_clock_terms(sent), sent["aode"], *_orbit(sent), *tail))


def _galileo(name: str, sent: Ephemeris, about_ms: int) -> Broadcast:
    week = _week(sent, 4096, about_ms // WEEK_MS - _GALILEO_WEEK_0) + _GALILEO_WEEK_0
    minutes = {**sent, "toe": sent["toe"] * 60.0, "toc": sent["toc"] * 60.0}
    f_nav = "hs_e5a" in sent
    health = (
        int(sent["dvs_e5a"]) << 3 | int(sent["hs_e5a"]) << 4
        if f_nav
        else int(sent["dvs_e1"]) | int(sent["hs_e1"]) << 1 | int(sent["dvs_e5b"]) << 6 | int(sent["hs_e5b"]) << 7
    )
    tail = (
        *(sent["idot"], _F_NAV if f_nav else _I_NAV, float(week), 0.0),
        *(_sisa_m(int(sent["accuracy"])), float(health), sent["bgd_e5a"], 0.0 if f_nav else sent["bgd_e5b"]),
        _SENT_UNKNOWN,
    )
    return Broadcast(name, _clock(week, minutes), (*_clock_terms(sent), sent["iod"], *_orbit(minutes), *tail))


def _glonass(name: str, sent: Ephemeris, about_ms: int) -> Broadcast | None:
    """Its time of clock is in UTC; the frame's time counts from the start of the UTC week."""
    channel = glonass_channel(int(sent["channel"]))
    if channel is None or sent["satellite"] not in GLONASS_SLOTS or not 1 <= sent["tb"] <= 95:
        return None
    clock_ms = glonass_ms(round(sent["tb"] * 900_000), about_ms)
    frame_ms = glonass_ms(round(sent["hours"] * 3_600_000 + sent["minutes"] * 60_000 + sent["half_minutes"] * 30_000), about_ms)
    clock, frame = utc_calendar(clock_ms), utc_calendar(frame_ms)
    of_week_s = (frame.isoweekday() % 7) * 86_400.0 + (frame - frame.replace(hour=0, minute=0, second=0)).total_seconds()
    values = (
        *(-sent["tau"], sent["gamma"], of_week_s),
        *(sent["x"], sent["vx"], sent["ax"], sent["bn"]),
        *(sent["y"], sent["vy"], sent["ay"], channel),
        *(sent["z"], sent["vz"], sent["az"], sent["age"]),
        *(None, sent["delta_tau"], sent["accuracy"], None),
    )
    return Broadcast(name, clock, values)


_KEPLERIAN = {1019: _gps, 1044: _gps, 1042: _beidou, 1045: _galileo, 1046: _galileo}


def _clock_terms(sent: Ephemeris) -> _Clock:
    return _Clock(sent["af0"], sent["af1"], sent["af2"])


def _orbit(sent: Ephemeris) -> tuple[float, ...]:
    names = "crs dn m0 cuc e cus sqrt_a toe cic omega0 cis i0 crc omega omega_dot"
    return tuple(float(sent[name]) for name in names.split())


def _week(sent: Ephemeris, period: int, about: int) -> int:
    """The whole number of a week that was sent less its high bits."""
    return nearest(int(sent["week"]), period, about)


def _clock(week: int, sent: Ephemeris) -> dt.datetime:
    """The time of clock, in the week that is nearest to the time of ephemeris."""
    toe, toc = round(sent["toe"] * 1000), round(sent["toc"] * 1000)
    return calendar(week * WEEK_MS + nearest(toc, WEEK_MS, toe))


def _accuracy_m(index: int) -> float:
    """URA (IS-GPS-200, 20.3.3.3.1.3): the nominal value of an index; 15 promises nothing."""
    rounded = {1: 2.8, 3: 5.7, 5: 11.3}
    return rounded.get(index, 2.0 ** (1 + index / 2) if index <= 6 else 2.0 ** (index - 2))


def _sisa_m(index: int) -> float:
    """Galileo's signal-in-space accuracy (OS SIS ICD, 5.1.12): steps of 1, 2, 4 and 16 cm; -1 where none is promised."""
    for first, start, step in ((100, 2.0, 0.16), (75, 1.0, 0.04), (50, 0.5, 0.02), (0, 0.0, 0.01)):
        if index >= first:
            return start + step * (index - first) if index <= 125 else -1.0
    raise AssertionError(index)
