"""Observation messages as pyrtcm decodes them, and any bytes at all."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyrtcm import RTCMReader
from pyrtcm.rtcmtables import PRNSIGMAP
from witnesspost.daemon.stream.framing import FRAME, Framer
from witnesspost.replay.export.ephemerides import LAYOUTS, ephemeris
from witnesspost.replay.export.observations import LOCKED_FOR_EVER_S, WHOLE_RANGES, Measured, measurements
from witnesspost.replay.export.rinex import Said
from witnesspost.replay.export.said import glonass_biases_m, position_said, with_names
from witnesspost.replay.world import rtcm
from witnesspost.replay.world.observe import Observation, Signal
from witnesspost.rules.gnss import MSM

from tests import DATA

LIGHT_MS_M = 299_792.458
RECORDED = ("rtcm-receiver.bin", "rtcm-station.bin", "mixed.bin")


def frames_of(data):
    framer = Framer()
    return [unit for kind, unit in framer.feed(data) + framer.flush() if kind == FRAME]


def recorded(numbers):
    found = [frame for name in RECORDED for frame in frames_of((DATA / name).read_bytes())]
    return [frame for frame in dict.fromkeys(found) if (frame[3] << 4 | frame[4] >> 4) in numbers]


def invented(kind, lock_s=77.0):
    """One frame of each constellation, with ranges, phases and levels that a receiver measures."""
    seen = [
        Observation(
            system,
            prn,
            10.0 * prn,
            40.0,
            prn % 12 - 6 if system == "R" else None,
            [
                Signal(code, 2.1e7 + 1234.567 * prn + at, 2.1e7 + 1200.1 * prn + at, -321.4, 41.0 + at, lock_s, 0.19)
                for at, code in enumerate(codes)
            ],
        )
        for system, codes in {"G": ("1C", "2W"), "R": ("1C", "2C"), "E": ("1C", "7Q"), "C": ("2I", "6I")}.items()
        for prn in (2, 9, 21)
    ]
    return [rtcm.frame(payload) for payload in rtcm.epoch(kind, 417, 200_000_000, seen)]


def there(value, missing):
    """A field's value, None where it is the one that says "not available"."""
    return None if value == pytest.approx(missing, rel=1e-12) else value


def by_pyrtcm(frame):
    """Satellite, code, pseudorange and phase range (m), rate, and C/N0 of an MSM, from pyrtcm's fields alone."""
    parsed = RTCMReader.parse(frame)
    number, kind = int(parsed.identity), int(parsed.identity) % 10
    prns, _signals = PRNSIGMAP[parsed.identity[:3]]
    high, rates = kind >= 6, kind in (5, 7)
    found = {}
    for cell in range(1, parsed.NCell + 1):
        prn, code = getattr(parsed, f"CELLPRN_{cell:02d}"), getattr(parsed, f"CELLSIG_{cell:02d}")
        row = next(i for i in range(1, parsed.NSat + 1) if getattr(parsed, f"PRN_{i:02d}") == prn)
        place = next(place for place, name in prns.items() if name == prn)
        whole = getattr(parsed, f"DF397_{row:02d}")
        rough_ms = None if whole == 255 else whole + getattr(parsed, f"DF398_{row:02d}")
        code_ms = there(getattr(parsed, f"DF{405 if high else 400}_{cell:02d}"), -(2.0**-10))
        phase_ms = there(getattr(parsed, f"DF{406 if high else 401}_{cell:02d}"), -(2.0**-8))
        rough_rate = there(getattr(parsed, f"DF399_{row:02d}"), -8192) if rates else None
        rate = there(getattr(parsed, f"DF404_{cell:02d}"), -1.6384) if rates else None
        found[f"{MSM[number]}{place + 19 if MSM[number] == 'S' else place:02d}", code] = (
            None if None in (rough_ms, code_ms) else (rough_ms + code_ms) * LIGHT_MS_M,
            None if None in (rough_ms, phase_ms) else (rough_ms + phase_ms) * LIGHT_MS_M,
            None if None in (rough_rate, rate) else rough_rate + rate,
            there(getattr(parsed, f"DF{408 if high else 403}_{cell:02d}"), 0),
        )
    return found


MSMS = [frame for frame in recorded({number for number in MSM if number % 10 >= 4}) if len(frame) > 28]
INVENTED = [frame for kind in (4, 7) for frame in invented(kind)]


@pytest.mark.parametrize("frame", MSMS + INVENTED, ids=lambda frame: f"{frame[3] << 4 | frame[4] >> 4}-{len(frame)}")
def test_ranges_rates_and_levels_are_pyrtcms_own(frame):
    ours = {(one.satellite, one.code): one for one in measurements(frame[3:-3])}
    theirs = by_pyrtcm(frame)
    assert set(ours) == set(theirs)
    assert theirs
    for key, (pseudorange, phase, rate, level) in theirs.items():
        one = ours[key]
        for mine, other, within in (
            (one.pseudorange_m, pseudorange, 1e-5),
            (one.phase_m, phase, 1e-5),
            (one.rate_m_s, rate, 1e-9),
            (one.cn0_db_hz, level, 1e-9),
        ):
            assert (mine is None) == (other is None), key
            assert mine is None or mine == pytest.approx(other, abs=within), key


def test_recordings_hold_both_high_resolution_kinds_of_many_constellations():
    numbers = {frame[3] << 4 | frame[4] >> 4 for frame in MSMS}
    assert {number % 10 for number in numbers} == {6, 7}
    assert {MSM[number] for number in numbers} >= set("GREJCS")


LEGACY_FIELDS = {  # satellite, pseudorange, phase, whole milliseconds (GLONASS: two of them), C/N0, frequency channel
    "G": ("DF009", "DF011", "DF012", "DF014", "DF015", "DF009"),
    "R": ("DF038", "DF041", "DF042", "DF044", "DF045", "DF040"),
}


@pytest.mark.parametrize(("number", "system"), [(1002, "G"), (1004, "G"), (1010, "R"), (1012, "R")])
def test_legacy_ranges_are_pyrtcms_own(number, system):
    found = recorded({number})
    assert found
    for frame in found:
        parsed, glonass = RTCMReader.parse(frame), system == "R"
        fields = LEGACY_FIELDS[system]
        ours = {one.satellite: one for one in measurements(frame[3:-3]) if one.code[0] == "1"}
        count = parsed.DF035 if glonass else parsed.DF006
        assert count
        for row in range(1, count + 1):
            satellite, part, phase, whole, level, channel = (getattr(parsed, f"{name}_{row:02d}") for name in fields)
            one = ours[f"{system}{satellite:02d}"]
            assert one.pseudorange_m == pytest.approx(whole * (1 + glonass) * LIGHT_MS_M + part, abs=1e-4)
            assert one.phase_m is None or one.phase_m - one.pseudorange_m == pytest.approx(phase, abs=1e-6)
            assert one.cn0_db_hz == (level or None)
            assert not glonass or one.channel == channel - 7


def test_legacy_messages_give_back_what_was_put_in():
    seen = [
        Observation(
            "G",
            5,
            0.0,
            40.0,
            None,
            [
                Signal("1C", 2.2e7, 2.2e7 + 12.3, 0.0, 45.0, 100.0, 0.19),
                Signal("2W", 2.2e7 + 5, 2.2e7 - 3, 0.0, 40.0, 80.0, 0.24),
            ],
        ),
    ]
    first, second = measurements(rtcm.gps_1004(417, 200_000_000, seen))
    assert first.satellite == second.satellite == "G05"
    assert (first.code, second.code) == ("1C", "2W")
    assert first.pseudorange_m == pytest.approx(2.2e7, abs=0.011)
    assert second.pseudorange_m == pytest.approx(2.2e7 + 5, abs=0.021)
    assert first.phase_m == pytest.approx(2.2e7 + 12.3, abs=0.001)
    assert second.phase_m == pytest.approx(2.2e7 - 3, abs=0.001)
    assert (first.cn0_db_hz, second.cn0_db_hz) == (45.0, 40.0)
    seen[0] = Observation("R", 5, 0.0, 40.0, -4, seen[0].signals)
    assert measurements(rtcm.glonass_1012(417, 200_000_000, seen))[0].channel == -4


@given(st.floats(0, 2e5))
@example(0.064)
@example(67_108.864)
def test_a_lock_lasts_between_the_two_times_that_its_indicator_says(lock_s):
    """RTCM 10403.3, tables 3.5-74, 3.5-75 and 3.4-2: the invented base's encoder is tested against pyrtcm's indicators."""
    ms = math.floor(lock_s * 1000) / 1000
    for kind in (4, 7):
        found = measurements(invented(kind, lock_s)[0][3:-3])
        assert found
        for one in found:
            assert one.lock_s <= ms + 1e-9 < one.lock_below_s or one.lock_below_s == LOCKED_FOR_EVER_S
            assert one.lock_s <= ms + 1e-9


def test_messages_without_whole_ranges_give_nothing():
    assert recorded({1001, 1003, 1009, 1011})
    assert all(measurements(frame[3:-3]) is None for frame in recorded({1001, 1003, 1009, 1011}))


KEPT = sorted(LAYOUTS)
SCALED = {  # by pyrtcm's name; our units are its, but for angles (half turns there) and Galileo's minutes (as sent)
    1019: {
        "satellite": "DF009",
        "week": "DF076",
        "toc": "DF081",
        "af0": "DF084",
        "crs": "DF086",
        "e": "DF090",
        "sqrt_a": "DF092",
    }
    | {"toe": "DF093", "tgd": "DF101", "health": "DF102", "m0": "DF088", "omega0": "DF095", "i0": "DF097", "idot": "DF079"}
    | {"omega_dot": "DF100", "dn": "DF087", "omega": "DF099", "iode": "DF071", "iodc": "DF085", "fit": "DF137"},
    1020: {"satellite": "DF038", "channel": "DF040", "tb": "DF110", "x": "DF112", "vx": "DF111", "y": "DF115", "z": "DF118"}
    | {"vz": "DF117", "age": "DF126", "day": "DF129", "n4": "DF134"},
    1042: {
        "satellite": "DF488",
        "week": "DF489",
        "toc": "DF493",
        "af0": "DF496",
        "crs": "DF498",
        "e": "DF502",
        "sqrt_a": "DF504",
    }
    | {"toe": "DF505", "m0": "DF500", "omega0": "DF507", "omega_dot": "DF512", "aodc": "DF497", "health": "DF515"},
    1044: {
        "satellite": "DF429",
        "week": "DF452",
        "toc": "DF430",
        "af0": "DF433",
        "e": "DF439",
        "sqrt_a": "DF441",
        "toe": "DF442",
    },
    1045: {
        "satellite": "DF252",
        "week": "DF289",
        "toc": "DF293",
        "af0": "DF296",
        "e": "DF301",
        "sqrt_a": "DF303",
        "toe": "DF304",
    }
    | {"bgd_e5a": "DF312", "omega0": "DF306"},
    1046: {
        "satellite": "DF252",
        "week": "DF289",
        "toc": "DF293",
        "af0": "DF296",
        "e": "DF301",
        "sqrt_a": "DF303",
        "toe": "DF304",
    }
    | {"bgd_e5a": "DF312", "bgd_e5b": "DF313", "m0": "DF299"},
}


@pytest.mark.parametrize("number", sorted(set(KEPT) - {1044}))
def test_ephemerides_are_pyrtcms_own(number):
    """1044 is in no recording: `test_a_satellite_of_qzss` has one."""
    found = recorded({number})
    assert found
    for frame in found:
        compare(frame, number)


def test_a_satellite_of_qzss():
    compare(rtcm.frame(bytes([1044 >> 4, (1044 & 15) << 4 | 0b1001, *range(7, 66)])), 1044)


def compare(frame, number):
    parsed, ours = RTCMReader.parse(frame), ephemeris(frame[3:-3])
    half_turns = {field.name for field in LAYOUTS[number] if field.kind == "a"}
    for name, theirs in SCALED[number].items():
        value = ours[name] / math.pi if name in half_turns else ours[name]
        scale = 60 if number in (1045, 1046) and name in ("toe", "toc") else 1
        assert value * scale == pytest.approx(getattr(parsed, theirs), rel=1e-12), name


def test_what_a_station_says_of_itself_is_pyrtcms_own():
    """Frame of RTCM 10403.2's own example, section 4.2, and the recording's."""
    arp, height = position_said(bytes.fromhex("3ED7D30202980EDEEF34B4BD62AC0941986F33"))
    assert arp == pytest.approx((1114104.5999, -4850729.7108, 3975521.4643), abs=5e-5)
    assert height is None
    (frame,) = recorded({1006})[:1]
    parsed = RTCMReader.parse(frame)
    arp, height = position_said(frame[3:-3])
    assert arp == pytest.approx((parsed.DF025, parsed.DF026, parsed.DF027), abs=5e-5)
    assert height == pytest.approx(parsed.DF028, abs=5e-5)
    (frame,) = recorded({1033})[:1]
    parsed, said = RTCMReader.parse(frame), with_names(Said(), frame[3:-3])
    for mine, field, count in (
        (said.antenna, "DF030", parsed.DF029),
        (said.antenna_serial, "DF033", parsed.DF032),
        (said.receiver, "DF228", parsed.DF227),
        (said.receiver_version, "DF230", parsed.DF229),
        (said.receiver_serial, "DF232", parsed.DF231),
    ):
        assert mine == "".join(getattr(parsed, f"{field}_{at:02d}") for at in range(1, count + 1))
    assert (
        with_names(Said(), rtcm.antenna(417, "KESTREL NONE", "7041", "RX", firmware="1.2", receiver_serial="9")[:-2]) == Said()
    )


def test_biases_count_where_phases_are_aligned_by_them():
    assert glonass_biases_m(rtcm.bias_1230(417, {"1C": 0.5, "2P": -1.0})) == {"1C": 0.5, "2P": -1.0}
    payload = bytearray(rtcm.bias_1230(417, {"1C": 0.5}))
    payload[3] &= 0x7F
    assert glonass_biases_m(bytes(payload)) == {}


@given(
    st.sampled_from(sorted(WHOLE_RANGES | set(LAYOUTS) | {1005, 1006, 1007, 1008, 1033, 1230})),
    st.binary(min_size=7, max_size=300),
)
def test_any_bytes_are_read_or_left(number, rest):
    payload = bytes([number >> 4, (number & 15) << 4 | rest[0] & 15]) + rest[1:]
    found = measurements(payload)
    assert found is None or all(isinstance(one, Measured) for one in found)
    said = ephemeris(payload)
    assert said is None or all(math.isfinite(value) for value in said.values())
    if number in (1005, 1006):
        position_said(payload)
    elif number == 1230:
        glonass_biases_m(payload)
    elif number in (1007, 1008, 1033):
        with_names(Said(), payload)
