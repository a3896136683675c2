"""Observation messages whole: MSM4 to MSM7, and legacy GPS and GLONASS with their whole ranges, into measurements.

    MSM (RTCM 10403.3, 3.5.16)   header 169 │ cell mask │ satellites: one field after another │ cells: one field after another
    legacy (3.5.2, 3.5.4)        header 64 (GLONASS 61) │ satellite by satellite: L1, then L2 with 1004 and 1012

MSM1 to MSM3, and 1001, 1003, 1009 and 1011, leave the whole milliseconds of each range out: they give nothing here. Layouts
are from memory, and as pyrtcm has them, against which they are tested; the lock times' tables are 3.5-74, 3.5-75 and 3.4-2.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import Final, NamedTuple

from witnesspost.replay.export.signals import GLONASS_SLOTS, SPEED_OF_LIGHT_M_S, codes, glonass_channel
from witnesspost.rules.gnss import LEGACY_OBSERVATIONS, MSM

_MS_M: Final = SPEED_OF_LIGHT_M_S / 1000.0
LOCKED_FOR_EVER_S: Final = 1e9
"""The upper end of a lock time whose indicator has reached its last step."""

WHOLE_RANGES: Final = frozenset({number for number in MSM if number % 10 >= 4} | {1002, 1004, 1010, 1012})
"""Messages that give whole ranges."""


class Measured(NamedTuple):
    """One signal of one satellite at one epoch. What was not available is None.

    `satellite` and `code` as RINEX has them (G05, 1C); the lock lasted from `lock_s` to under `lock_below_s`; `rate_m_s` is the
    phase range's; `channel` is GLONASS's frequency channel, where it is said (-7 to 6). Phase ranges of the legacy messages
    begin anew every 1500 cycles from the pseudorange (`rolls_over`).
    """

    satellite: str
    code: str
    channel: int | None
    pseudorange_m: float | None
    phase_m: float | None
    rate_m_s: float | None
    lock_s: float
    lock_below_s: float
    half_cycle: bool
    cn0_db_hz: float | None
    rolls_over: bool


def measurements(payload: bytes) -> list[Measured] | None:
    """What an observation message measured; None where it gives no whole ranges, or is shorter than its own masks say."""
    number = payload[0] << 4 | payload[1] >> 4
    if number not in WHOLE_RANGES:
        return None
    system = MSM.get(number)
    try:
        return _msm(payload, number, system) if system is not None else _legacy(payload, number, LEGACY_OBSERVATIONS[number])
    except _Short:
        return None


def msm_signals(payload: bytes, system: str) -> tuple[str, ...]:
    """The signals that an MSM announces; some may have no cell."""
    number = payload[0] << 4 | payload[1] >> 4
    bits, size = int.from_bytes(payload, "big"), 8 * len(payload)
    return tuple(code for code in codes(system, number, bits >> size - 169 & 0xFFFFFFFF) if code) if size >= 169 else ()


class _Short(Exception):
    """The message ends before its fields do."""


class _Bits:
    """A message being read, most significant bit first."""

    __slots__ = ("_left", "_value")

    def __init__(self, payload: bytes, skip: int) -> None:
        self._value = int.from_bytes(payload, "big")
        self._left = 8 * len(payload) - skip

    def field(self, width: int) -> int:
        """The next field, unsigned. Raises _Short."""
        self._left -= width
        if self._left < 0:
            raise _Short
        return self._value >> self._left & (1 << width) - 1

    def row(self, count: int, width: int) -> list[int]:
        """The next `count` fields of one width, unsigned. Raises _Short."""
        run, mask = self.field(count * width), (1 << width) - 1
        return [run >> shift & mask for shift in range((count - 1) * width, -1, -width)]

    def signed_row(self, count: int, width: int) -> list[int | None]:
        """The same in two's complement, None for the lowest value, which says "not available". Raises _Short."""
        edge = 1 << width - 1
        return [None if one == edge else one - 2 * edge if one > edge else one for one in self.row(count, width)]


def _msm(payload: bytes, number: int, system: str) -> list[Measured]:
    kind = number % 10
    high, rates = kind >= 6, kind in (5, 7)
    bits = _Bits(payload, 73)
    satellite_mask, signal_mask = bits.field(64), bits.field(32)
    names = [_satellite(system, bit) for bit in range(1, 65) if satellite_mask >> 64 - bit & 1]
    signals = codes(system, number, signal_mask)
    satellites, width = len(names), len(signals)
    if satellites * width > 64:
        return []  # the standard allows none of that size
    mask = bits.field(satellites * width)
    whole = bits.row(satellites, 8)
    extended = bits.row(satellites, 4) if rates else [15] * satellites
    modulo = bits.row(satellites, 10)
    rough_rates = bits.signed_row(satellites, 14) if rates else [None] * satellites
    cells = mask.bit_count()
    code_width, code_scale, phase_width, phase_scale = (20, 2.0**-29, 24, 2.0**-31) if high else (15, 2.0**-24, 22, 2.0**-29)
    fine_codes, fine_phases = bits.signed_row(cells, code_width), bits.signed_row(cells, phase_width)
    locks, halves = bits.row(cells, 10 if high else 4), bits.row(cells, 1)
    levels = bits.row(cells, 10 if high else 6)
    fine_rates = bits.signed_row(cells, 15) if rates else [None] * cells
    lock = _lock_407 if high else _lock_402
    level_db = 0.0625 if high else 1.0
    found = []
    filled = (cell for cell in range(satellites * width) if mask >> satellites * width - 1 - cell & 1)
    for cell, fine, phase, locked, half, level, rate in zip(
        filled, fine_codes, fine_phases, locks, halves, levels, fine_rates, strict=True
    ):
        row, column = divmod(cell, width)
        rough = None if whole[row] == 255 else whole[row] + modulo[row] / 1024.0
        rough_rate = rough_rates[row]
        lock_s, lock_below_s = lock(locked)
        if signals[column]:
            found.append(
                Measured(
                    names[row],
                    signals[column],
                    glonass_channel(extended[row]) if system == "R" else None,
                    None if rough is None or fine is None else (rough + fine * code_scale) * _MS_M,
                    None if rough is None or phase is None else (rough + phase * phase_scale) * _MS_M,
                    None if rough_rate is None or rate is None else rough_rate + rate * 1e-4,
                    lock_s,
                    lock_below_s,
                    bool(half),
                    level * level_db or None,
                    False,
                )
            )
    return found


def _legacy(payload: bytes, number: int, system: str) -> list[Measured]:
    glonass, two = system == "R", number in (1004, 1012)
    bits = _Bits(payload, 52 if glonass else 55)
    count = bits.field(5)
    bits.field(4)
    found = []
    for _ in range(count):
        satellite = bits.field(6)
        precise = bits.field(1)
        channel = glonass_channel(bits.field(5)) if glonass else None
        pseudorange, phase, locked = bits.field(25 if glonass else 24), *_phase_and_lock(bits)
        whole, level = bits.field(7 if glonass else 8), bits.field(8)
        range_m = whole * _MS_M * (2 if glonass else 1) + pseudorange * 0.02
        name = _legacy_satellite(satellite, glonass)
        lasted = _lock_013(locked)
        first = (range_m, None if phase is None else range_m + phase * 5e-4)
        if name is not None:
            code = "1P" if precise else "1C"
            found.append(Measured(name, code, channel, *first, None, *lasted, False, level * 0.25 or None, True))
        if not two:
            continue
        which, (difference,) = bits.field(2), bits.signed_row(1, 14)
        phase, locked = _phase_and_lock(bits)
        level, lasted = bits.field(8), _lock_013(locked)
        second = (
            None if difference is None else range_m + difference * 0.02,
            None if phase is None else range_m + phase * 5e-4,
        )
        code = (("2C", "2P", "", "") if glonass else ("2X", "2P", "2D", "2W"))[which]
        if name is not None and code and second != (None, None):
            found.append(Measured(name, code, channel, *second, None, *lasted, False, level * 0.25 or None, True))
    return found


def _phase_and_lock(bits: _Bits) -> tuple[int | None, int]:
    (phase,) = bits.signed_row(1, 20)
    return phase, bits.field(7)


def _satellite(system: str, bit: int) -> str:
    """RINEX's name of the satellite at this bit (from 1) of its mask: SBAS counts from PRN 120, RINEX from 100."""
    return f"{system}{bit + 19 if system == 'S' else bit:02d}"


def _legacy_satellite(number: int, glonass: bool) -> str | None:
    """DF009: GPS 1 to 32, SBAS 40 to 58 (PRN 120 to 138). DF038: GLONASS slots 1 to 24, 0 where the receiver knows none yet."""
    if glonass:
        return f"R{number:02d}" if number in GLONASS_SLOTS else None
    if 1 <= number <= 32:
        return f"G{number:02d}"
    return f"S{number - 20:02d}" if 40 <= number <= 58 else None


def _lock_402(indicator: int) -> tuple[float, float]:
    """MSM4 and MSM5: doubles from 32 ms to 524 s."""
    least = 0.0 if indicator == 0 else 0.001 * (1 << indicator + 4)
    return least, LOCKED_FOR_EVER_S if indicator == 15 else 0.001 * (1 << indicator + 5)


def _lock_407(indicator: int) -> tuple[float, float]:
    """MSM6 and MSM7: 64 steps of 1 ms, then 32 steps a doubling up to 67,108 s; over 704 nothing is said."""
    if indicator > 704:
        return 0.0, LOCKED_FOR_EVER_S
    doublings = max(0, indicator // 32 - 1)
    least = 0.001 * ((indicator - 32 * doublings) << doublings)
    return least, LOCKED_FOR_EVER_S if indicator == 704 else least + 0.001 * (1 << doublings)


_LEGACY_INDICATORS: Final = (0, 24, 48, 72, 96, 120)
_LEGACY_LOCKS_S: Final = (0, 24, 72, 168, 360, 744)


def _lock_013(indicator: int) -> tuple[float, float]:
    """Legacy messages: seconds, in steps that double up to 937 s."""
    if indicator == 127:
        return 937.0, LOCKED_FOR_EVER_S
    rank = bisect_right(_LEGACY_INDICATORS, indicator) - 1
    least = float(_LEGACY_LOCKS_S[rank] + ((indicator - _LEGACY_INDICATORS[rank]) << rank))
    return least, least + (1 << rank)
