"""Radio arithmetic: what an epoch of corrections costs on the air, what would fit instead, and how far the radios see.

    frame (RTCM 3):  D3 | 6 bits 0 + 10 bits length | payload | CRC-24Q        1 + 2 + payload + 3 bytes
    MSM payload:     169 bits header and masks | nsat·nsig cell mask | nsat·S satellites | ncell·C cells

Bits of an MSM by RTCM 10403.3, section 3.5 (from memory; checked against pyrtcm's tables and real messages).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from msgspec import Struct
from witnesspost.rules.facts import Epoch
from witnesspost.rules.gnss import msm_kind
from witnesspost.rules.site.model import Site

RADIO_HORIZON_KM_PER_ROOT_M = 4.12
"""Radio horizon of an antenna 1 m above the ground, with the effective earth radius of 4/3: √(2·4/3·6371 km) = 4.1218.

Rec. ITU-R P.1546 writes 4.1, US Federal Standard 1037C comes to 4.130: the published constants differ by 0.7 %.
"""

_FRAME_BYTES = 6
_MSM_HEADER_BITS = 169
_SATELLITE_BITS = {1: 10, 2: 10, 3: 10, 4: 18, 5: 36, 6: 18, 7: 36}
_CELL_BITS = {1: 15, 2: 27, 3: 42, 4: 48, 5: 63, 6: 65, 7: 80}


class AirLink(Struct, kw_only=True, frozen=True):
    """What the site file says of the air: bits a second, and whether forward error correction doubles them."""

    air_rate_bps: int
    forward_error_correction: bool

    def seconds(self, size_bytes: float) -> float:
        """On-air time of so many bytes. Rate ½ (twice the bits) stands for any forward error correction; the radio's
        own preambles are left out (common practice, no source)."""
        bits = 8.0 * size_bytes * (2.0 if self.forward_error_correction else 1.0)
        return bits / self.air_rate_bps


def air_link(site: Site) -> AirLink | None:
    """The air as the radio tables say it: the slower rate where the two ends differ, None where neither names one."""
    sheets = (site.radio.base, site.radio.rover)
    rates = [sheet.air_rate_bps for sheet in sheets if sheet.air_rate_bps is not None]
    if not rates:
        return None
    return AirLink(air_rate_bps=min(rates), forward_error_correction=any(sheet.forward_error_correction for sheet in sheets))


def msm_frame_bytes(kind: int, satellites: int, signals: int, cells: int) -> int:
    """Bytes of one MSM frame of `kind` 1–7, framing included (10403.3, section 3.5).

    A sender may pad it with zeros up to `cells` = satellites × signals.
    """
    bits = _MSM_HEADER_BITS + satellites * signals + satellites * _SATELLITE_BITS[kind] + cells * _CELL_BITS[kind]
    return math.ceil(bits / 8) + _FRAME_BYTES


def size_as_msm4(epoch: Epoch) -> int | None:
    """Bytes that the same satellites and signals would need as MSM4; None where it saves nothing or is not known."""
    kinds = [kind for message in epoch.messages if (kind := msm_kind(message)) is not None]
    if not any(kind > 4 for kind in kinds):
        return None
    if len(epoch.masks) == len(kinds):
        saved = sum(
            msm_frame_bytes(kind, *mask) - msm_frame_bytes(4, *mask)
            for kind, mask in zip(kinds, epoch.masks, strict=True)
            if kind > 4
        )
    else:
        # Without the masks the set's own counts are shared out evenly: the messages of one set are of one kind in practice.
        kind = max(kinds)
        bits = epoch.satellites * (_SATELLITE_BITS[kind] - _SATELLITE_BITS[4])
        bits += epoch.cells * (_CELL_BITS[kind] - _CELL_BITS[4])
        saved = bits // 8
    return epoch.size_bytes - saved if 0 < saved < epoch.size_bytes else None


def msm4_in_words(size_bytes: float, as_msm4_bytes: float, kind: int, link: AirLink, interval_s: float) -> str:
    """What MSM4 would save, as "MSM4 instead of MSM7 saves 41 %: 0.62 of the interval"."""
    saves = 100.0 * (1.0 - as_msm4_bytes / size_bytes)
    return f"MSM4 instead of MSM{kind} saves {saves:.0f} %: {link.seconds(as_msm4_bytes) / interval_s:.2f} of the interval"


def highest_msm_kind(messages: Iterable[int]) -> int | None:
    """The richest MSM kind among message numbers, None without any MSM."""
    return max((kind for message in messages if (kind := msm_kind(message)) is not None), default=None)


def radio_horizon_km(height_1_m: float, height_2_m: float) -> float:
    """Line of sight between two antennas over a smooth earth with the effective earth radius 4/3, in km."""
    return RADIO_HORIZON_KM_PER_ROOT_M * (math.sqrt(height_1_m) + math.sqrt(height_2_m))


def site_horizon_km(site: Site) -> float | None:
    """The radio horizon between the site's two antennas; None where the radio tables do not name both heights."""
    base, rover = site.radio.base.antenna_above_ground_m, site.radio.rover.antenna_above_ground_m
    return radio_horizon_km(base, rover) if base is not None and rover is not None else None


def free_space_loss_db(frequency_mhz: float, distance_km: float) -> float:
    """Free-space loss in dB: 32.4 + 20·log f(MHz) + 20·log d(km) (Rec. ITU-R P.525); real paths lose more."""
    return 32.4 + 20.0 * math.log10(frequency_mhz) + 20.0 * math.log10(distance_km)


_SHEET_CAUSES = {
    "frequency_mhz": "frequency-differs",
    "protocol": "protocol-differs",
    "forward_error_correction": "error-correction-differs",
    "air_rate_bps": "air-rate-differs",
}


def sheet_differences(site: Site) -> dict[str, str]:
    """The radio tables' keys that both ends name and that differ, each with its cause, the gravest first."""
    base, rover = site.radio.base, site.radio.rover
    return {
        key: cause
        for key, cause in _SHEET_CAUSES.items()
        if None not in (getattr(base, key), getattr(rover, key)) and getattr(base, key) != getattr(rover, key)
    }


def setting_in_words(key: str) -> str:
    """A radio setting as it is called at the radio: "air rate" for `air_rate_bps`."""
    return key.removesuffix("_bps").removesuffix("_mhz").replace("_", " ")
