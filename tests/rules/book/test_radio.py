"""Radio arithmetic against published figures and real messages."""

from __future__ import annotations

import pytest
from pyrtcm import RTCMReader
from witnesspost.rules.book import radio
from witnesspost.rules.gnss import msm_kind

from tests import DATA


@pytest.mark.parametrize(
    ("satellites", "signals", "msm4", "msm7"),
    # Computed from the layout of RTCM 10403.3 section 3.5 (document not seen) by an independent count, framing included.
    [(10, 2, 173, 275), (12, 2, 202, 325), (20, 2, 318, 523), (16, 4, 456, 748), (32, 2, 492, 820)],
)
def test_msm_frames_are_as_long_as_their_cells_need(satellites: int, signals: int, msm4: int, msm7: int) -> None:
    cells = satellites * signals
    assert radio.msm_frame_bytes(4, satellites, signals, cells) == msm4
    assert radio.msm_frame_bytes(7, satellites, signals, cells) == msm7


@pytest.mark.parametrize(
    ("message", "mask", "least", "actual"),
    # Real messages of pyrtcm's repository tests (commit 68fd989): one sender pads its frames to the full cell mask.
    [(1077, (10, 2, 17), 239, 269), (1087, (7, 2, 13), 185, 195), (1127, (10, 2, 11), 179, 269)],
)
def test_a_padded_frame_lies_between_its_cells_and_a_full_mask(
    message: int, mask: tuple[int, int, int], least: int, actual: int
) -> None:
    satellites, signals, cells = mask
    assert radio.msm_frame_bytes(7, satellites, signals, cells) - 6 == least
    assert radio.msm_frame_bytes(7, satellites, signals, satellites * signals) - 6 == actual
    assert msm_kind(message) == 7


@pytest.mark.parametrize("name", ["rtcm-receiver.bin", "rtcm-station.bin"])
def test_real_msm_frames_are_between_the_two_lengths(name: str) -> None:
    seen = 0
    with (DATA / name).open("rb") as stream:
        for raw, parsed in RTCMReader(stream, quitonerror=0):
            if parsed is None or msm_kind(int(parsed.identity)) is None:
                continue
            kind = msm_kind(int(parsed.identity))
            assert kind is not None
            satellites = f"{parsed.DF394:064b}".count("1")
            signals = f"{parsed.DF395:032b}".count("1")
            cells = f"{parsed.DF396:b}".count("1") if satellites and signals else 0
            least = radio.msm_frame_bytes(kind, satellites, signals, cells)
            most = radio.msm_frame_bytes(kind, satellites, signals, satellites * signals)
            assert least <= len(raw) <= most
            seen += 1
    assert seen > 0


def test_other_numbers_are_no_msm() -> None:
    assert [msm_kind(number) for number in (1005, 1070, 1078, 1080, 1138, 1230, 4072)] == [None] * 7


@pytest.mark.parametrize(
    ("height_1_m", "height_2_m", "km"),
    # √(2·k·a) with k = 4/3, a = 6371 km is 4.1218; US Federal Standard 1037C ("radio horizon range") comes to 4.130 and
    # ITU-R P.1546 writes 4.1: 0.5 % covers them about our 4.12.
    [(2.0, 2.0, 11.65), (10.0, 2.0, 18.86), (30.0, 2.0, 28.39)],
)
def test_radio_horizon(height_1_m: float, height_2_m: float, km: float) -> None:
    assert radio.radio_horizon_km(height_1_m, height_2_m) == pytest.approx(km, rel=0.005)
    assert pytest.approx((2 * 4 / 3 * 6371) ** 0.5 * 1000**-0.5, rel=0.005) == radio.RADIO_HORIZON_KM_PER_ROOT_M


@pytest.mark.parametrize(
    ("mhz", "km", "db"),
    # Rec. ITU-R P.525: 32.4 + 20 log f + 20 log d (the constant's exact value is 32.448).
    [(1000.0, 1.0, 92.4), (450.0, 10.0, 105.46), (915.0, 10.0, 111.63)],
)
def test_free_space_loss(mhz: float, km: float, db: float) -> None:
    assert radio.free_space_loss_db(mhz, km) == pytest.approx(db, abs=0.05)


def test_air_time_doubles_with_forward_error_correction() -> None:
    plain = radio.AirLink(air_rate_bps=9600, forward_error_correction=False)
    coded = radio.AirLink(air_rate_bps=9600, forward_error_correction=True)
    assert plain.seconds(1200) == pytest.approx(1.0)
    assert coded.seconds(1200) == pytest.approx(2.0)


def test_the_site_s_air_is_the_slower_of_its_two_ends(day) -> None:
    site = day.site(radio={"base": {"air_rate_bps": 19200}, "rover": {"air_rate_bps": 9600, "forward_error_correction": True}})
    assert radio.air_link(site) == radio.AirLink(air_rate_bps=9600, forward_error_correction=True)
    assert radio.air_link(day.site()) is None
    assert radio.site_horizon_km(day.site()) is None
    heights = {"base": {"antenna_above_ground_m": 4.0}, "rover": {"antenna_above_ground_m": 2.25}}
    assert radio.site_horizon_km(day.site(radio=heights)) == pytest.approx(4.12 * 3.5)


def test_as_msm4_by_the_masks_and_without_them(day) -> None:
    whole = sum(radio.msm_frame_bytes(7, *mask) for mask in day.epoch(0).masks)
    epoch = day.epoch(0, size_bytes=whole)
    assert radio.size_as_msm4(epoch) == sum(radio.msm_frame_bytes(4, *mask) for mask in epoch.masks)
    epoch.masks = ()
    rough = radio.size_as_msm4(epoch)
    assert rough == pytest.approx(sum(radio.msm_frame_bytes(4, *mask) for mask in day.epoch(0).masks), abs=4)
    assert radio.size_as_msm4(day.epoch(0, messages=(1074, 1084), masks=())) is None
    assert radio.size_as_msm4(day.epoch(0, messages=(1004, 1012), masks=())) is None


def test_what_msm4_saves_in_words() -> None:
    link = radio.AirLink(air_rate_bps=4800, forward_error_correction=False)
    # 20 satellites on two signals: 523 and 318 bytes by the layout above.
    assert radio.msm4_in_words(523, 318, 7, link, 1.0) == "MSM4 instead of MSM7 saves 39 %: 0.53 of the interval"
