"""What a station says of itself in RTCM 1005 to 1008, 1033 and 1230, whole: what a RINEX header asks for and no rule does.

    1005  12 number │ 12 station │ 6 ITRF │ 4 flags │ 38 x │ 2 │ 38 y │ 2 │ 38 z      in 0.1 mm; 1006: and 16 antenna height
    1007  12 number │ 12 station │ antenna │ 8 setup                                  a text: 8 its length, then its bytes
    1008  … │ antenna's serial      1033  … │ antenna's serial │ receiver │ version │ receiver's serial
    1230  12 number │ 12 station │ 1 aligned │ 3 │ 4 mask (1C 1P 2C 2P) │ 16 each, in 0.02 m

RTCM 10403.3, 3.5.5, 3.5.6, 3.5.9 and 3.5.17 (from memory, and as pyrtcm has them).
"""

from __future__ import annotations

from typing import Final

import msgspec
from witnesspost.replay.export.rinex import Said
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.gnss import GLONASS_BIAS, STATION_POSITION_WITH_HEIGHT

_TEXTS: Final = {
    1007: ("antenna", None),
    1008: ("antenna", None, "antenna_serial"),
    1033: ("antenna", None, "antenna_serial", "receiver", "receiver_version", "receiver_serial"),
}
_BIASED: Final = ("1C", "1P", "2C", "2P")


def position_said(payload: bytes) -> tuple[Ecef, float | None] | None:
    """The ARP of a 1005 or 1006, and with 1006 its height above the mark, in metres; None where the message is too short."""
    size = 8 * len(payload)
    with_height = payload[0] << 4 | payload[1] >> 4 == STATION_POSITION_WITH_HEIGHT
    if size < (168 if with_height else 152):
        return None
    bits = int.from_bytes(payload, "big")

    def signed(at: int) -> float:
        value = bits >> size - at - 38 & (1 << 38) - 1
        return (value - (value >> 37 << 38)) / 10_000

    height = (bits >> size - 168 & 0xFFFF) / 10_000 if with_height else None
    return Ecef(signed(34), signed(74), signed(114)), height


def with_names(said: Said, payload: bytes) -> Said:
    """`said` with what a 1007, 1008 or 1033 names beside it; as it was where the message is too short."""
    found, at = {}, 3
    for name in _TEXTS[payload[0] << 4 | payload[1] >> 4]:
        if at >= len(payload):
            return said
        if name is None:  # the setup's number
            at += 1
            continue
        end = at + 1 + payload[at]
        if end > len(payload):
            return said
        found[name] = payload[at + 1 : end].decode("latin-1")
        at = end
    return msgspec.structs.replace(said, **found)


def glonass_biases_m(payload: bytes) -> dict[str, float]:
    """The code-phase biases of a 1230 that says that phases and ranges are aligned by them, by RINEX code; else none."""
    assert payload[0] << 4 | payload[1] >> 4 == GLONASS_BIAS
    if len(payload) < 4 or not payload[3] & 0x80:
        return {}
    codes = [code for place, code in enumerate(_BIASED) if payload[3] & 8 >> place]
    values = [int.from_bytes(payload[at : at + 2], "big", signed=True) * 0.02 for at in range(4, len(payload) - 1, 2)]
    return dict(zip(codes, values, strict=False))
