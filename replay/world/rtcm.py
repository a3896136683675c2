"""An encoder of RTCM 10403 messages (RTCM 3), good enough for any decoder: what the invented base sends.

Each function gives the payload of one message; `frame` puts the transport layer round it:

    D3 | 6 reserved bits, 10 bits of length | payload, 0 to 1023 bytes | CRC-24Q, 3 bytes

Layouts are those of RTCM 10403.3 section 3.5, by way of an open decoder's tables; the standard's text was not seen and
its table numbers are from memory. Lengths are metres, times of week are GPS time in milliseconds whatever the
constellation: each message turns them into its own scale. A value outside its field is a ValueError where the caller
chose it, and "not available" where it is measured.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence

import anycrc
import msgspec
from witnesspost.replay.world.bits import Bits
from witnesspost.replay.world.observe import Observation
from witnesspost.replay.world.sky import GPS_MINUS_UTC_S, SPEED_OF_LIGHT_M_S

SIGNAL_IDS = {
    "G": {"1C": 2, "1P": 3, "1W": 4, "2C": 8, "2P": 9, "2W": 10, "2S": 15, "2L": 16, "2X": 17, "5I": 22, "5Q": 23}
    | {"5X": 24, "1S": 30, "1L": 31, "1X": 32},
    "R": {"1C": 2, "1P": 3, "2C": 8, "2P": 9},
    "E": {"1C": 2, "1A": 3, "1B": 4, "1X": 5, "1Z": 6, "6C": 8, "6A": 9, "6B": 10, "6X": 11, "6Z": 12, "7I": 14}
    | {"7Q": 15, "7X": 16, "8I": 18, "8Q": 19, "8X": 20, "5I": 22, "5Q": 23, "5X": 24},
    "C": {"2I": 2, "2Q": 3, "2X": 4, "6I": 8, "6Q": 9, "6X": 10, "7I": 14, "7Q": 15, "7X": 16, "5D": 22, "5P": 23}
    | {"5X": 24, "7D": 25, "1D": 30, "1P": 31, "1X": 32},
}
"""Place in the MSM signal mask (DF395) by constellation and RINEX code (RTCM 10403.3 tables 3.5-91 and following)."""

MSM_BASE = {"G": 1070, "R": 1080, "E": 1090, "C": 1120}
"""Message number of a constellation's MSM, less its kind: 1077 is GPS MSM7."""

_CRC24Q = anycrc.Model("CRC24-LTE-A")
_MS_M = SPEED_OF_LIGHT_M_S / 1000.0
_WEEK_MS = 604_800_000
_DAY_MS = 86_400_000
_BEIDOU_BEHIND_GPS_MS = 14_000
_MSM_CELLS = 64


def frame(payload: bytes) -> bytes:
    """The payload in its transport layer, 6 bytes longer (RTCM 10403.3 section 4)."""
    if len(payload) > 1023:
        raise ValueError(f"an RTCM payload holds 1023 bytes, this one has {len(payload)}: split the message")
    head = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    crc: int = _CRC24Q.calc(head)
    return head + crc.to_bytes(3, "big")


def station(
    station_id: int,
    x_m: float,
    y_m: float,
    z_m: float,
    antenna_height_m: float | None = None,
    *,
    itrf_year: int = 0,
    systems: str = "GREC",
) -> bytes:
    """Message 1005, or 1006 where the antenna's height above the mark is given: the ARP in ECEF metres, to 0.1 mm."""
    bits = Bits()
    bits.put(1005 if antenna_height_m is None else 1006, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put(itrf_year, 6, "ITRF year")
    for letter in "GRE":
        bits.put(letter in systems, 1)
    bits.put(0, 1)
    bits.put_signed(round(x_m * 10_000), 38, "ECEF x in 0.1 mm")
    bits.put(0, 2)
    bits.put_signed(round(y_m * 10_000), 38, "ECEF y in 0.1 mm")
    bits.put(0, 2)
    bits.put_signed(round(z_m * 10_000), 38, "ECEF z in 0.1 mm")
    if antenna_height_m is not None:
        bits.put(round(antenna_height_m * 10_000), 16, "antenna height in 0.1 mm")
    return bits.payload()


def antenna(
    station_id: int,
    descriptor: str,
    serial: str | None = None,
    receiver: str | None = None,
    *,
    setup_id: int = 0,
    firmware: str = "",
    receiver_serial: str = "",
) -> bytes:
    """Message 1007 (descriptor alone), 1008 (with the antenna's serial) or 1033 (with the receiver as well)."""
    number = 1033 if receiver is not None else 1007 if serial is None else 1008
    bits = Bits()
    bits.put(number, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put_text(descriptor, "antenna descriptor")
    bits.put(setup_id, 8, "antenna setup ID")
    if number != 1007:
        bits.put_text(serial or "", "antenna serial")
    if receiver is not None:
        bits.put_text(receiver, "receiver")
        bits.put_text(firmware, "receiver firmware")
        bits.put_text(receiver_serial, "receiver serial")
    return bits.payload()


def text_1029(station_id: int, utc: dt.datetime, text: str) -> bytes:
    """Message 1029: free text, at most 127 characters and 255 bytes of UTF-8, as of `utc` (whole seconds)."""
    data = text.encode()
    bits = Bits()
    bits.put(1029, 12)
    bits.put(station_id, 12, "reference station ID")
    since = utc - dt.datetime(1858, 11, 17, tzinfo=dt.UTC)
    bits.put(since.days, 16, "modified Julian day")
    bits.put(since.seconds, 17, "seconds of day")
    bits.put(len(text), 7, "number of characters")
    bits.put(len(data), 8, "number of bytes")
    for byte in data:
        bits.put(byte, 8)
    return bits.payload()


def bias_1230(station_id: int, biases_m: Mapping[str, float]) -> bytes:
    """Message 1230: GLONASS code-phase biases in metres by RINEX code (1C, 1P, 2C, 2P), to 0.02 m."""
    unknown = set(biases_m) - {"1C", "1P", "2C", "2P"}
    if unknown:
        raise ValueError(f"message 1230 has no bias for {sorted(unknown)}: it knows 1C, 1P, 2C and 2P")
    bits = Bits()
    bits.put(1230, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put(1, 1)
    bits.put(0, 3)
    for code in ("1C", "1P", "2C", "2P"):
        bits.put(code in biases_m, 1)
    for code in ("1C", "1P", "2C", "2P"):
        if code in biases_m:
            bits.put_signed(round(biases_m[code] / 0.02), 16, f"{code} bias in 0.02 m")
    return bits.payload()


def epoch(kind: int, station_id: int, tow_ms: int, observations: Sequence[Observation], systems: str = "GREC") -> list[bytes]:
    """The payloads of one complete epoch of MSM4 or MSM7: one a constellation, the last without its multiple bit.

    A constellation whose satellites times signals are over 64 takes two messages, as the standard asks.
    """
    parts: list[tuple[str, list[Observation]]] = []
    for system in systems:
        mine = [o for o in observations if o.system == system]
        if not mine:
            continue
        signals = len({s.code for o in mine for s in o.signals})
        size = _MSM_CELLS // signals
        parts += [(system, mine[i : i + size]) for i in range(0, len(mine), size)]
    last = len(parts) - 1
    return [msm(kind, system, station_id, tow_ms, mine, multiple=i != last) for i, (system, mine) in enumerate(parts)]


def msm(kind: int, system: str, station_id: int, tow_ms: int, observations: Sequence[Observation], multiple: bool) -> bytes:
    """One MSM4 or MSM7 of one constellation, satellites in any order; `multiple` says that more of the epoch follows.

    No observation at all makes the empty message that real lines carry. Fields go one after the other over all
    satellites, then one after the other over all cells, so each is gathered in an integer of its own.
    """
    if kind not in (4, 7):
        raise ValueError(f"MSM{kind} is not made here: 4 and 7 are")
    full = kind == 7
    rows = sorted(observations, key=_prn)
    places = _places(system, rows)
    width = len(places)
    if len(rows) * width > _MSM_CELLS:
        raise ValueError(f"{len(rows)} satellites with {width} signals are over the 64 cells of an MSM: split them")
    code_width, code_unit, phase_width, phase_unit = _FINE[kind]
    code_scale, phase_scale = (1 << code_unit) / _MS_M, (1 << phase_unit) / _MS_M
    code_edge, phase_edge = 1 << (code_width - 1), 1 << (phase_width - 1)
    satellites = cell_mask = whole = channels = modulo = rough_rates = 0
    codes = phases = locks = levels = rates = cells = 0
    for o in rows:
        satellites |= 1 << (64 - o.prn)
        signals = o.signals
        rough = int(signals[0].pseudorange_m * _ROUGH_SCALE + 0.5)
        whole = whole << 8 | min(rough >> 10, 255)
        modulo = modulo << 10 | rough & 1023
        rough_m = rough / _ROUGH_SCALE
        rough_rate = round(signals[0].rate_m_s)
        channels = channels << 4 | (0 if system != "R" else 15 if o.channel is None else o.channel + 7)
        rough_rates = rough_rates << 14 | (rough_rate & 0x3FFF if -8192 < rough_rate < 8192 else 0x2000)
        mask = 0
        for s in signals:
            place = places[s.code]
            if mask and place >= mask & -mask:
                return msm(kind, system, station_id, tow_ms, _in_order(rows, places), multiple)
            mask |= place
            fine = round((s.pseudorange_m - rough_m) * code_scale)
            codes = codes << code_width | (fine & 2 * code_edge - 1 if -code_edge < fine < code_edge else code_edge)
            fine = round((s.phase_m - rough_m) * phase_scale)
            phases = phases << phase_width | (fine & 2 * phase_edge - 1 if -phase_edge < fine < phase_edge else phase_edge)
            if full:
                locks = locks << 10 | lock_407(s.lock_s)
                levels = levels << 10 | min(int(s.cn0_db_hz * 16.0 + 0.5), 1023)
                fine = round((s.rate_m_s - rough_rate) * 10_000.0)
                rates = rates << 15 | (fine & 0x7FFF if -16384 < fine < 16384 else 0x4000)
            else:
                locks = locks << 4 | lock_402(s.lock_s)
                levels = levels << 6 | min(int(s.cn0_db_hz + 0.5), 63)
        cells += len(signals)
        cell_mask = cell_mask << width | mask
    n = len(rows)
    if satellites.bit_count() != n:
        raise ValueError(f"a satellite of constellation {system} is there twice")
    bits = Bits()
    bits.put(MSM_BASE[system] + kind, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put(_epoch_time(system, tow_ms), 30)
    bits.put(multiple, 1)
    bits.put(0, 3 + 7 + 2 + 2 + 1 + 3)
    bits.put(satellites, 64)
    bits.put(_signal_mask(system, places), 32)
    bits.put(cell_mask, n * width)
    bits.put(whole, 8 * n)
    if full:
        bits.put(channels, 4 * n)
    bits.put(modulo, 10 * n)
    if full:
        bits.put(rough_rates, 14 * n)
    bits.put(codes, code_width * cells)
    bits.put(phases, phase_width * cells)
    bits.put(locks, (10 if full else 4) * cells)
    bits.put(0, cells)
    bits.put(levels, (10 if full else 6) * cells)
    if full:
        bits.put(rates, 15 * cells)
    return bits.payload()


def gps_1004(station_id: int, tow_ms: int, observations: Sequence[Observation], synchronous: bool = False) -> bytes:
    """Message 1004: GPS L1 C/A and L2 of the GPS satellites among these; `synchronous` says that 1012 follows.

    At most 31 satellites. A satellite without 1C is left out; one without L2 has it marked as not available.
    """
    rows = _legacy_rows("G", observations)
    bits = Bits()
    bits.put(1004, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put(tow_ms % _WEEK_MS, 30)
    bits.put(synchronous, 1)
    bits.put(len(rows), 5, "number of satellites")
    bits.put(0, 4)
    for o in rows:
        bits.put(o.prn, 6, "GPS satellite")
        bits.put(0, 1)
        _put_legacy(bits, o, 24, 8, 1, {"2P": 1, "2W": 3})
    return bits.payload()


def glonass_1012(station_id: int, tow_ms: int, observations: Sequence[Observation], synchronous: bool = False) -> bytes:
    """Message 1012: GLONASS L1 C/A and L2, as `gps_1004` does for GPS; `tow_ms` is GPS time here too."""
    rows = _legacy_rows("R", observations)
    bits = Bits()
    bits.put(1012, 12)
    bits.put(station_id, 12, "reference station ID")
    bits.put(_epoch_time("R", tow_ms) & (1 << 27) - 1, 27)
    bits.put(synchronous, 1)
    bits.put(len(rows), 5, "number of satellites")
    bits.put(0, 4)
    for o in rows:
        bits.put(o.prn, 6, "GLONASS slot")
        bits.put(0, 1)
        bits.put(20 if o.channel is None else o.channel + 7, 5, "GLONASS frequency channel plus 7")
        _put_legacy(bits, o, 25, 7, 2, {"2P": 1})
    return bits.payload()


def lock_402(lock_s: float) -> int:
    """Lock time indicator of MSM1 to MSM4: doubles from 32 ms to 524 s (RTCM 10403.3 table 3.5-74)."""
    return min(max(int(lock_s * 1000.0).bit_length() - 5, 0), 15)


def lock_407(lock_s: float) -> int:
    """Lock time indicator of MSM5 to MSM7: 64 ms by one, then 32 steps a doubling (RTCM 10403.3 table 3.5-75)."""
    lock_ms = int(lock_s * 1000.0)
    if lock_ms < 64:
        return lock_ms
    doublings = lock_ms.bit_length() - 6
    return min(32 * doublings + (lock_ms >> doublings), 704)


def lock_013(lock_s: float) -> int:
    """Lock time indicator of the legacy messages: seconds, in coarser steps up to 937 (RTCM 10403.3 table 3.4-2)."""
    rank = bisect_right(_LEGACY_LOCK_S, lock_s) - 1
    if rank == len(_LEGACY_LOCK_S) - 1:
        return 127
    return _LEGACY_LOCK_INDICATOR[rank] + int((lock_s - _LEGACY_LOCK_S[rank]) / (1 << rank))


_ROUGH_SCALE = 1024.0 / _MS_M
_FINE = {4: (15, 24, 22, 29), 7: (20, 29, 24, 31)}
# Of an MSM kind: width and negative power of two (of a millisecond) of the fine pseudorange, then of the fine phase.
_LEGACY_LOCK_S = (0, 24, 72, 168, 360, 744, 937)
_LEGACY_LOCK_INDICATOR = (0, 24, 48, 72, 96, 120, 127)


def _prn(o: Observation) -> int:
    return o.prn


def _in_order(rows: Iterable[Observation], places: Mapping[str, int]) -> list[Observation]:
    """The same with each satellite's signals in the order of the signal mask, as an `Observer` gives them already."""
    ordered = []
    for o in rows:
        signals = sorted(o.signals, key=lambda s: places[s.code], reverse=True)
        if len({s.code for s in signals}) != len(signals):
            raise ValueError(f"satellite {o.system}{o.prn} has a signal twice")
        ordered.append(msgspec.structs.replace(o, signals=signals))
    return ordered


def _places(system: str, rows: Iterable[Observation]) -> dict[str, int]:
    """The bit of each signal that is there in a satellite's part of the cell mask, in the order of the signal mask."""
    ids = SIGNAL_IDS[system]
    codes = sorted({s.code for o in rows for s in o.signals}, key=ids.__getitem__, reverse=True)
    return {code: 1 << rank for rank, code in enumerate(codes)}


def _signal_mask(system: str, codes: Iterable[str]) -> int:
    return sum(1 << (32 - SIGNAL_IDS[system][code]) for code in codes)


def _epoch_time(system: str, tow_ms: int) -> int:
    """The 30-bit epoch of an MSM in the constellation's own time scale.

    BeiDou time is 14 s behind GPS time (BeiDou OS SIS ICD). GLONASS runs on UTC + 3 h: day of week, then time of day.
    """
    if system == "C":
        return (tow_ms - _BEIDOU_BEHIND_GPS_MS) % _WEEK_MS
    if system == "R":
        day, time_ms = divmod((tow_ms - GPS_MINUS_UTC_S * 1000 + 3 * 3_600_000) % _WEEK_MS, _DAY_MS)
        return day << 27 | time_ms
    return tow_ms % _WEEK_MS


def _legacy_rows(system: str, observations: Iterable[Observation]) -> list[Observation]:
    """The satellites of a constellation that have L1 C/A, which the legacy messages measure everything against."""
    return sorted((o for o in observations if o.system == system and any(s.code == "1C" for s in o.signals)), key=_prn)


def _put_legacy(
    bits: Bits, o: Observation, range_width: int, modulus_width: int, modulus_ms: int, second_codes: Mapping[str, int]
) -> None:
    """The fields from the L1 pseudorange to the L2 C/N0, which 1004 and 1012 share but for two widths and the modulus.

    Everything else is sent relative to the rounded L1 pseudorange, so that rounding does not add up.
    """
    first = next(s for s in o.signals if s.code == "1C")
    second = next((s for s in o.signals if s.code.startswith("2")), None)
    modulus_m = modulus_ms * _MS_M
    whole, rest_m = divmod(first.pseudorange_m, modulus_m)
    steps = round(rest_m / 0.02)
    range_m = whole * modulus_m + steps * 0.02
    bits.put(steps, range_width)
    bits.put(_signed_or_missing((first.phase_m - range_m) / 0.0005, 20), 20)
    bits.put(lock_013(first.lock_s), 7)
    bits.put(int(whole) & (1 << modulus_width) - 1, modulus_width)
    bits.put(min(round(first.cn0_db_hz * 4), 255), 8)
    if second is None:
        bits.put(0, 2)
        bits.put(1 << 13, 14)
        bits.put(1 << 19, 20)
        bits.put(0, 7 + 8)
        return
    bits.put(second_codes.get(second.code, 0), 2)
    bits.put(_signed_or_missing((second.pseudorange_m - range_m) / 0.02, 14), 14)
    bits.put(_signed_or_missing((second.phase_m - range_m) / 0.0005, 20), 20)
    bits.put(lock_013(second.lock_s), 7)
    bits.put(min(round(second.cn0_db_hz * 4), 255), 8)


def _signed_or_missing(value: float, width: int) -> int:
    """A two's complement field; what does not fit becomes its lowest value, which says "not available"."""
    edge = 1 << (width - 1)
    whole = round(value)
    return whole & 2 * edge - 1 if -edge < whole < edge else edge
