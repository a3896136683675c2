"""GPS time: milliseconds since 1980-01-06 00:00, without leap seconds, the scale that RINEX observations count in.

Messages say a time of week, of day, or a week less its high bits; the rest comes from about when they were heard.
"""

from __future__ import annotations

import datetime as dt
from typing import Final

from witnesspost.rules.gnss import GPS_MINUS_BEIDOU_S, GPS_MINUS_UTC_S, LEGACY_OBSERVATIONS, MSM, WEEK_S

WEEK_MS: Final = round(WEEK_S * 1000)
DAY_MS: Final = 86_400_000
_EPOCH: Final = dt.datetime(1980, 1, 6)
_LEAP_MS: Final = round(GPS_MINUS_UTC_S * 1000)
_BEIDOU_MS: Final = round(GPS_MINUS_BEIDOU_S * 1000)
_MOSCOW_MS: Final = 3 * 3_600_000
"""GLONASS time is UTC + 3 h, leap seconds and all (GLONASS ICD 5.1, 3.3.3)."""


def gps_ms(utc: dt.datetime) -> int:
    """GPS time of a UTC instant."""
    return (utc.replace(tzinfo=None) - _EPOCH) // dt.timedelta(milliseconds=1) + _LEAP_MS


def calendar(ms: int) -> dt.datetime:
    """The date and time that a GPS time reads (no zone: it is not UTC)."""
    return _EPOCH + dt.timedelta(milliseconds=ms)


def nearest(within: int, period: int, about: int) -> int:
    """What counts `within` a period (a time in its week or day, a week less its high bits), whole: the nearest to `about`."""
    return about + (within - about + period // 2) % period - period // 2


def glonass_ms(of_day_ms: int, about_ms: int) -> int:
    """GPS time of a GLONASS time of day, near `about_ms`."""
    return nearest(of_day_ms - _MOSCOW_MS + _LEAP_MS, DAY_MS, about_ms)


def utc_calendar(ms: int) -> dt.datetime:
    """The date and time of a GPS time in UTC."""
    return calendar(ms - _LEAP_MS)


def epoch_ms(payload: bytes, about_ms: int) -> int | None:
    """GPS time of an observation message's epoch, in whole milliseconds, near `about_ms`; None where it says none."""
    number = payload[0] << 4 | payload[1] >> 4
    if len(payload) < 7:
        return None
    field = int.from_bytes(payload[3:7], "big") >> 2  # 30 bits from bit 24
    if number in LEGACY_OBSERVATIONS:
        if LEGACY_OBSERVATIONS[number] == "G":
            return nearest(field, WEEK_MS, about_ms) if field < WEEK_MS else None
        field >>= 3  # 27 bits
        return glonass_ms(field, about_ms) if field < DAY_MS + 1000 else None
    if MSM.get(number) == "R":
        day, of_day = field >> 27, field & (1 << 27) - 1
        if of_day >= DAY_MS + 1000:
            return None
        if day == 7:  # unknown
            return glonass_ms(of_day, about_ms)
        return nearest(day * DAY_MS + of_day - _MOSCOW_MS + _LEAP_MS, WEEK_MS, about_ms)
    if number not in MSM or field >= WEEK_MS:
        return None
    return nearest(field + (_BEIDOU_MS if MSM[number] == "C" else 0), WEEK_MS, about_ms)
