"""Broadcast ephemerides, whole: RTCM 1019 (GPS), 1020 (GLONASS), 1042 (BeiDou), 1044 (QZSS), 1045 and 1046 (Galileo).

Layouts: RTCM 10403.3, 3.5.13 and after (from memory, and as pyrtcm has them, against which they are tested); what pyrtcm leaves
unscaled is scaled by the constellations' interface documents. A field is its name, a letter and its bits, then the power of two
it is scaled by: u unsigned, s two's complement, m sign and magnitude, a an angle in half turns, given in radians.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, NamedTuple


class _Field(NamedTuple):
    name: str
    kind: str
    width: int
    scale: float


def _layout(text: str) -> tuple[_Field, ...]:
    fields = []
    for said in text.split(","):
        name, form, *power = said.split()
        scale = 2.0 ** int(power[0]) if power else 1.0
        fields.append(_Field(name, form[0], int(form[1:]), scale * math.pi if form[0] == "a" else scale))
    return tuple(fields)


_KEPLER = "m0 a32 -31, cuc s16 -29, e u32 -33, cus s16 -29, sqrt_a u32 -19"
LAYOUTS: Final = {
    1019: _layout(
        "satellite u6, week u10, accuracy u4, codes_l2 u2, idot a14 -43, iode u8, toc u16 4, af2 s8 -55, af1 s16 -43,"
        f"af0 s22 -31, iodc u10, crs s16 -5, dn a16 -43, {_KEPLER}, toe u16 4, cic s16 -29, omega0 a32 -31, cis s16 -29,"
        "i0 a32 -31, crc s16 -5, omega a32 -31, omega_dot a24 -43, tgd s8 -31, health u6, l2p u1, fit u1"
    ),
    1020: _layout(
        "satellite u6, channel u5, almanac_health u1, almanac_known u1, p1 u2, hours u5, minutes u6, half_minutes u1, bn u1,"
        "p2 u1, tb u7, vx m24 -20, x m27 -11, ax m5 -30, vy m24 -20, y m27 -11, ay m5 -30, vz m24 -20, z m27 -11, az m5 -30,"
        "p3 u1, gamma m11 -40, p u2, ln3 u1, tau m22 -30, delta_tau m5 -30, age u5, p4 u1, accuracy u4, day u11, kind u2,"
        "more u1, almanac_day u11, tau_c m32 -31, n4 u5, tau_gps m22 -30, ln5 u1, spare u7"
    ),
    1042: _layout(
        "satellite u6, week u13, accuracy u4, idot a14 -43, aode u5, toc u17 3, af2 s11 -66, af1 s22 -50, af0 s24 -33, aodc u5,"
        "crs s18 -6, dn a16 -43, m0 a32 -31, cuc s18 -31, e u32 -33, cus s18 -31, sqrt_a u32 -19, toe u17 3, cic s18 -31,"
        "omega0 a32 -31, cis s18 -31, i0 a32 -31, crc s18 -6, omega a32 -31, omega_dot a24 -43, tgd1 s10, tgd2 s10, health u1"
    ),
    1044: _layout(
        f"satellite u4, toc u16 4, af2 s8 -55, af1 s16 -43, af0 s22 -31, iode u8, crs s16 -5, dn a16 -43, {_KEPLER}, toe u16 4,"
        "cic s16 -29, omega0 a32 -31, cis s16 -29, i0 a32 -31, crc s16 -5, omega a32 -31, omega_dot a24 -43, idot a14 -43,"
        "codes_l2 u2, week u10, accuracy u4, health u6, tgd s8 -31, iodc u10, fit u1"
    ),
}
_GALILEO = (
    "satellite u6, week u12, iod u10, accuracy u8, idot a14 -43, toc u14, af2 s6 -59, af1 s21 -46, af0 s31 -34, crs s16 -5,"
    f"dn a16 -43, {_KEPLER}, toe u14, cic s16 -29, omega0 a32 -31, cis s16 -29, i0 a32 -31, crc s16 -5, omega a32 -31,"
    "omega_dot a24 -43, bgd_e5a s10 -32"
)
LAYOUTS[1045] = _layout(f"{_GALILEO}, hs_e5a u2, dvs_e5a u1, spare u7")
LAYOUTS[1046] = _layout(f"{_GALILEO}, bgd_e5b s10 -32, hs_e5b u2, dvs_e5b u1, hs_e1 u2, dvs_e1 u1, spare u2")

SYSTEM: Final = {1019: "G", 1020: "R", 1042: "C", 1044: "J", 1045: "E", 1046: "E"}
"""The constellation by message."""

Ephemeris = Mapping[str, float]
"""Field by name: metres (GLONASS kilometres), seconds, radians, and whole numbers as they were sent."""


def ephemeris(payload: bytes) -> Ephemeris | None:
    """What an ephemeris message says; None where it is none, or too short."""
    layout = LAYOUTS.get(payload[0] << 4 | payload[1] >> 4)
    left = 8 * len(payload) - 12
    if layout is None or left < sum(field.width for field in layout):
        return None
    bits, found = int.from_bytes(payload, "big"), {}
    for name, kind, width, scale in layout:
        left -= width
        value = bits >> left & (1 << width) - 1
        edge = 1 << width - 1
        if kind in "sa" and value & edge:
            value -= 2 * edge
        elif kind == "m" and value & edge:
            value = edge - value
        found[name] = value * scale if scale != 1.0 else value
    return found
