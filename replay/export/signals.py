"""Signals by their RINEX codes: which place in an MSM's signal mask means which, and on which carrier each one comes.

Codes: RTCM 10403.3, the tables of DF395, as pyrtcm has them. Carriers: RINEX 3.05, tables 4 to 10 (from memory).
"""

from __future__ import annotations

from functools import cache
from typing import Final

from pyrtcm.rtcmtables import PRNSIGMAP

SPEED_OF_LIGHT_M_S: Final = 299_792_458.0

_MHZ: Final = {
    "G": {"1": 1575.42, "2": 1227.60, "5": 1176.45},
    "R": {"1": 1602.0, "2": 1246.0, "3": 1202.025, "4": 1600.995, "6": 1248.06},
    "E": {"1": 1575.42, "5": 1176.45, "6": 1278.75, "7": 1207.14, "8": 1191.795},
    "C": {"1": 1575.42, "2": 1561.098, "5": 1176.45, "6": 1268.52, "7": 1207.14, "8": 1191.795},
    "J": {"1": 1575.42, "2": 1227.60, "5": 1176.45, "6": 1278.75},
    "S": {"1": 1575.42, "5": 1176.45},
    "I": {"1": 1575.42, "5": 1176.45, "9": 2492.028},
}
_GLONASS_STEP_MHZ: Final = {"1": 0.5625, "2": 0.4375}
_GLONASS_CHANNELS: Final = range(-7, 7)

GLONASS_SLOTS: Final = range(1, 25)
"""The satellites that DF038 and GLONASS's MSM name (as pyrtcm's table has them)."""


def glonass_channel(sent: int) -> int | None:
    """The frequency channel, -7 to +6, from its field (DF040, DF419: 7 more than it is); None for any other.

    GLONASS ICD 5.1, 3.3.1.1 (from memory). Channels 7 to 13, which DF040 has codes for, are of years before 2005 (from memory).
    """
    return sent - 7 if sent - 7 in _GLONASS_CHANNELS else None


@cache
def codes(system: str, message: int, mask: int) -> tuple[str, ...]:
    """The signals of an MSM's mask (DF395), in its order; "" for one that no table has."""
    known = PRNSIGMAP[str(message // 10)][1]
    return tuple(known[place][1] if place in known else "" for place in range(1, 33) if mask >> 32 - place & 1)


@cache
def frequency_hz(system: str, code: str, channel: int | None) -> float | None:
    """The carrier of a signal; None where a GLONASS satellite's frequency channel would have to be known, or the band."""
    mhz = _MHZ[system].get(code[:1])
    if mhz is not None and system == "R" and code[0] in _GLONASS_STEP_MHZ:
        mhz = None if channel is None else mhz + channel * _GLONASS_STEP_MHZ[code[0]]
    return None if mhz is None else mhz * 1e6
