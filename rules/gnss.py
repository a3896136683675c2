"""What the field has fixed, once, with its sources: fix qualities, message numbers, constellations, ellipsoids, time scales.

Figures of ours (what is too late, too far, too few) stand with the rules that judge by them.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final, NamedTuple


class FixQuality(IntEnum):
    """The quality indicator of a GGA sentence (NMEA 0183; from memory, and as pynmeagps lists it).

    A receiver may say a digit that no list has, so a `Fix` holds the number as it was said.
    """

    NONE = 0
    AUTONOMOUS = 1
    DIFFERENTIAL = 2
    PPS = 3
    RTK_FIXED = 4
    RTK_FLOAT = 5
    ESTIMATED = 6
    MANUAL = 7
    SIMULATED = 8


QUALITY_OF_MODE: Final = {
    "R": FixQuality.RTK_FIXED,
    "F": FixQuality.RTK_FLOAT,
    "D": FixQuality.DIFFERENTIAL,
    "P": FixQuality.PPS,
    "A": FixQuality.AUTONOMOUS,
    "E": FixQuality.ESTIMATED,
    "M": FixQuality.MANUAL,
    "S": FixQuality.SIMULATED,
    "N": FixQuality.NONE,
}
"""Mode indicators of RMC and GNS (NMEA 0183 4.1, from memory), the best first: GNS has one for each constellation."""


class Ellipsoid(NamedTuple):
    """Semi-major axis in metres and inverse flattening."""

    a_m: float
    inverse_flattening: float


GRS80: Final = Ellipsoid(6_378_137.0, 298.257222101)
"""Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000); EPSG:7019."""

WGS84: Final = Ellipsoid(6_378_137.0, 298.257223563)
"""NGA.STND.0036, table 3.1; EPSG:7030. What receivers reckon by; 0.1 mm from GRS 80 at the poles."""

WEEK_S: Final = 604_800.0
"""Seconds of a GPS week (IS-GPS-200, 3.3.4)."""

GPS_MINUS_UTC_S: Final = 18.0
"""GPS time is so far ahead of UTC since 2017-01-01 (IERS Bulletin C 52; no leap second has been announced since)."""

GPS_MINUS_BEIDOU_S: Final = 14.0
"""GPS time is so far ahead of BeiDou time, which began level with UTC on 2006-01-01 (BDS-SIS-ICD, 3.3)."""

CONSTELLATIONS: Final = {
    "G": "GPS", "R": "GLONASS", "E": "Galileo", "C": "BeiDou", "J": "QZSS", "I": "NavIC", "S": "SBAS",
}  # fmt: skip
"""Names of the constellations by the letters of RINEX 3 (RINEX 3.05, section 3.5; QZSS has J, NavIC I)."""

# RTCM 3 message numbers: RTCM 10403.3, table 3.5-1 (from memory, and as pyrtcm lists them).
STATION_POSITION: Final = frozenset((1005, 1006))
STATION_POSITION_WITH_HEIGHT: Final = 1006
ANTENNA: Final = frozenset((1007, 1008, 1033))
RECEIVER_AND_ANTENNA: Final = 1033
TEXT: Final = 1029
GLONASS_BIAS: Final = 1230

LEGACY_OBSERVATIONS: Final = {**dict.fromkeys(range(1001, 1005), "G"), **dict.fromkeys(range(1009, 1013), "R")}
"""Constellation by message: GPS 1001–1004, GLONASS 1009–1012."""

MSM: Final = {
    first + kind: system
    for first, system in {1070: "G", 1080: "R", 1090: "E", 1100: "S", 1110: "J", 1120: "C", 1130: "I"}.items()
    for kind in range(1, 8)
}
"""Constellation by multiple signal message, 1071–1137; the last digit is the kind: 1077 is GPS MSM7."""


def msm_kind(message: int) -> int | None:
    """1 to 7 for the messages 1071–1137 of that kind, None for any other number."""
    return message % 10 if message in MSM else None


def is_observation(message: int) -> bool:
    """True of every message that carries observations, legacy or MSM."""
    return message in MSM or message in LEGACY_OBSERVATIONS


HEIGHT_UNIT_M: Final = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
"""Metres in a unit of length, by the site file's word. 85 FR 62698 (NIST and NGS, 2020): both feet are exact."""
