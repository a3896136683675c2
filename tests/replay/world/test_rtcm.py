"""Every message, decoded again field by field by pyrtcm, and the published frame and figures of RTCM 10403."""

import datetime as dt
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyrtcm import RTCMMessage, RTCMReader
from pyrtcm.rtcmhelpers import calc_crc24q
from pyrtcm.rtcmtables import PRNSIGMAP
from witnesspost.replay.world import rtcm
from witnesspost.replay.world.observe import Observation, Signal

MS_M = 299_792.458
EPOCH_FIELD = {"G": "DF004", "E": "DF248", "C": "DF427"}


def decode(payload: bytes) -> RTCMMessage:
    """Through the frame, so that length and CRC are checked by the decoder as well."""
    return RTCMReader.parse(rtcm.frame(payload))


def signal(code: str, pseudorange_m: float = 21e6, **other: float) -> Signal:
    given = {"phase_m": pseudorange_m, "rate_m_s": 0.0, "cn0_db_hz": 45.0, "lock_s": 60.0, "wavelength_m": 0.19} | other
    return Signal(code=code, pseudorange_m=pseudorange_m, **given)


def observation(system: str, prn: int, *signals: Signal, channel: int | None = None) -> Observation:
    return Observation(system, prn, 0.0, 45.0, channel, list(signals))


def texts(message: RTCMMessage, field: str, counter: str) -> str:
    return "".join(getattr(message, f"{field}_{i:02d}") for i in range(1, getattr(message, counter) + 1))


# The frame


def test_station_makes_the_standards_own_example() -> None:
    # RTCM 10403 section 4.2, the example frame of message 1005, as many public decoders' tests quote it.
    example = "D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98"
    payload = rtcm.station(2003, 1114104.5999, -4850729.7108, 3975521.4643, systems="G")
    assert rtcm.frame(payload).hex().upper() == example


def test_crc_over_a_whole_frame_is_zero() -> None:
    # A property of CRC-24Q with its remainder appended (RTCM 10403 section 4.2).
    assert calc_crc24q(rtcm.frame(rtcm.text_1029(1, dt.datetime(2026, 5, 4, tzinfo=dt.UTC), "wet"))) == 0


def test_frame_of_nothing_and_of_the_most() -> None:
    assert rtcm.frame(b"").hex() == "d3000047ea4b"  # the well-known empty frame, made again by pyrtcm's CRC:
    assert calc_crc24q(bytes.fromhex("d30000")).to_bytes(3, "big").hex() == "47ea4b"
    assert rtcm.frame(bytes(1023))[:3].hex() == "d303ff"
    with pytest.raises(ValueError, match="1023"):
        rtcm.frame(bytes(1024))


# Station, antenna, text, bias

EDGE_M = 2**37 * 1e-4
coordinates = st.floats(-EDGE_M + 1, EDGE_M - 1).map(lambda v: round(v, 4))


@given(st.integers(0, 4095), coordinates, coordinates, coordinates, st.integers(0, 63), st.sets(st.sampled_from("GRE")))
def test_station_1005_comes_back(station_id: int, x: float, y: float, z: float, year: int, systems: set[str]) -> None:
    message = decode(rtcm.station(station_id, x, y, z, itrf_year=year, systems="".join(systems)))
    assert (1005, station_id, year) == (message.DF002, message.DF003, message.DF021)
    assert [letter in systems for letter in "GRE"] == [message.DF022, message.DF023, message.DF024]
    assert pytest.approx([x, y, z], abs=5.1e-5) == [message.DF025, message.DF026, message.DF027]
    assert len(message.payload) == 19


@given(st.floats(0, 6.5535))
def test_station_1006_carries_the_antenna_height(height_m: float) -> None:
    message = decode(rtcm.station(417, -1281713.0, -4787544.0, 4004141.0, height_m))
    assert message.DF002 == 1006
    assert pytest.approx(height_m, abs=5.1e-5) == message.DF028
    assert len(message.payload) == 21


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ((4096, 0.0, 0.0, 0.0), "station ID"),
        ((-1, 0.0, 0.0, 0.0), "station ID"),
        ((1, 2e7, 0.0, 0.0), "ECEF x"),
        ((1, 0.0, -2e7, 0.0), "ECEF y"),
        ((1, 0.0, 0.0, 2e7), "ECEF z"),
        ((1, 0.0, 0.0, 0.0, 6.6), "antenna height"),
        ((1, 0.0, 0.0, 0.0, -0.1), "antenna height"),
    ],
)
def test_station_that_does_not_fit_is_refused(arguments: tuple[float, ...], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        rtcm.station(*arguments)


latin = st.text(st.characters(codec="latin-1"), max_size=31)


@given(latin, st.integers(0, 255))
def test_antenna_1007_comes_back(descriptor: str, setup_id: int) -> None:
    message = decode(rtcm.antenna(417, descriptor, setup_id=setup_id))
    assert (1007, 417, setup_id) == (message.DF002, message.DF003, message.DF031)
    assert texts(message, "DF030", "DF029") == descriptor
    assert len(message.payload) == 5 + len(descriptor)


@given(latin, latin)
def test_antenna_1008_comes_back(descriptor: str, serial: str) -> None:
    message = decode(rtcm.antenna(417, descriptor, serial))
    assert message.DF002 == 1008
    assert texts(message, "DF030", "DF029") == descriptor
    assert texts(message, "DF033", "DF032") == serial
    assert len(message.payload) == 6 + len(descriptor) + len(serial)


@given(latin, st.none() | latin, latin, latin, latin)
def test_antenna_1033_comes_back(descriptor: str, serial: str | None, kind: str, firmware: str, number: str) -> None:
    message = decode(rtcm.antenna(417, descriptor, serial, kind, firmware=firmware, receiver_serial=number))
    assert message.DF002 == 1033
    assert texts(message, "DF030", "DF029") == descriptor
    assert texts(message, "DF033", "DF032") == (serial or "")
    assert texts(message, "DF228", "DF227") == kind
    assert texts(message, "DF230", "DF229") == firmware
    assert texts(message, "DF232", "DF231") == number
    assert len(message.payload) == 9 + sum(map(len, (descriptor, serial or "", kind, firmware, number)))


def test_antenna_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="antenna descriptor"):
        rtcm.antenna(1, "X" * 32)
    with pytest.raises(ValueError, match="8859-1"):
        rtcm.antenna(1, "Ω")
    with pytest.raises(ValueError, match="setup ID"):
        rtcm.antenna(1, "X", setup_id=256)


@given(
    st.text(max_size=127).filter(lambda s: len(s.encode(errors="replace")) <= 255 and s.isprintable()),
    st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2037, 1, 1)),
)
def test_text_1029_comes_back(text: str, when: dt.datetime) -> None:
    message = decode(rtcm.text_1029(417, when.replace(tzinfo=dt.UTC), text))
    data = text.encode()
    assert (1029, 417, len(text), len(data)) == (message.DF002, message.DF003, message.DF138, message.DF139)
    assert getattr(message, "DF140", "").encode("latin-1") == data.replace(b"\0", b"")
    # Modified Julian day 51544 is 2000-01-01 (the definition of MJD: JD - 2400000.5).
    assert dt.datetime(2000, 1, 1) + dt.timedelta(message.DF051 - 51544, message.DF052) == when.replace(microsecond=0)


def test_text_that_does_not_fit_is_refused() -> None:
    when = dt.datetime(2026, 5, 4, tzinfo=dt.UTC)
    with pytest.raises(ValueError, match="characters"):
        rtcm.text_1029(1, when, "x" * 128)
    with pytest.raises(ValueError, match="bytes"):
        rtcm.text_1029(1, when, "中" * 100)


@given(st.dictionaries(st.sampled_from(["1C", "1P", "2C", "2P"]), st.floats(-655.3, 655.3)))
def test_bias_1230_comes_back(biases: dict[str, float]) -> None:
    message = decode(rtcm.bias_1230(417, biases))
    assert (message.DF002, message.DF003) == (1230, 417)
    fields = {"1C": "DF423", "1P": "DF424", "2C": "DF425", "2P": "DF426"}
    assert {c: getattr(message, f) for c, f in fields.items() if hasattr(message, f)} == pytest.approx(biases, abs=0.011)
    assert len(message.payload) == 4 + 2 * len(biases)


def test_bias_of_another_signal_is_refused() -> None:
    with pytest.raises(ValueError, match="5Q"):
        rtcm.bias_1230(1, {"5Q": 0.1})
    with pytest.raises(ValueError, match="1C bias"):
        rtcm.bias_1230(1, {"1C": 700.0})


# MSM


@st.composite
def constellations(draw: st.DrawFn) -> tuple[str, list[Observation]]:
    """A constellation's satellites with any signals the masks know, within 64 cells.

    The fine pseudorange reaches 2^-10 ms (293 m) from the rough range, which is up to 147 m from the first signal's.
    """
    system = draw(st.sampled_from("GREC"))
    codes = draw(st.lists(st.sampled_from(sorted(rtcm.SIGNAL_IDS[system])), min_size=1, max_size=4, unique=True))
    highest = 24 if system == "R" else 50
    prns = draw(st.lists(st.integers(1, highest), unique=True, max_size=64 // len(codes)))
    rows = []
    for prn in prns:
        present = draw(st.lists(st.sampled_from(codes), min_size=1, unique=True))
        first = draw(st.floats(19e6, 43e6))
        rate = draw(st.floats(-8000, 8000))
        signals = [
            Signal(
                code,
                first + draw(st.floats(-70, 70)),
                first + draw(st.floats(-400, 400)),
                rate + draw(st.floats(-0.5, 0.5)),
                draw(st.floats(20, 60)),
                draw(st.floats(0, 70_000)),
                0.19,
            )
            for code in present
        ]
        channel = draw(st.integers(-7, 6)) if system == "R" else None
        rows.append(Observation(system, prn, 0.0, 45.0, channel, signals))
    return system, rows


@settings(max_examples=60, deadline=None)
@given(constellations(), st.sampled_from([4, 7]), st.integers(0, 604_799_999), st.integers(0, 4095), st.booleans())
def test_msm_comes_back_field_by_field(
    invented: tuple[str, list[Observation]], kind: int, tow_ms: int, station_id: int, multiple: bool
) -> None:
    system, rows = invented
    message = decode(rtcm.msm(kind, system, station_id, tow_ms, rows, multiple))
    number = {"G": 1070, "R": 1080, "E": 1090, "C": 1120}[system] + kind
    assert (number, station_id, multiple) == (message.DF002, message.DF003, message.DF393)
    for field in ("DF409", "DF001_7", "DF411", "DF412", "DF417", "DF418"):
        assert getattr(message, field) == 0
    if system == "R":
        # GLONASS time is UTC + 3 h (GLONASS ICD 5.1, section 3.3.3); UTC is GPS time less 18 s.
        glonass_ms = (tow_ms - 18_000 + 3 * 3_600_000) % 604_800_000
        assert glonass_ms == message.DF416 * 86_400_000 + message.DF034
    else:
        # BeiDou time began 14 s of leap seconds after GPS time (BeiDou OS SIS ICD B1I 3.0, section 3.2, from memory).
        assert getattr(message, EPOCH_FIELD[system]) == (tow_ms - (14_000 if system == "C" else 0)) % 604_800_000

    rows = sorted(rows, key=lambda o: o.prn)
    sigmap = {name: place for place, (_band, name) in PRNSIGMAP[str(number)[:3]][1].items()}
    codes = sorted({s.code for o in rows for s in o.signals}, key=sigmap.__getitem__)
    assert message.NSat == len(rows)
    assert [int(getattr(message, f"PRN_{i:02d}")) for i in range(1, len(rows) + 1)] == [o.prn for o in rows]
    cells = [(o, s) for o in rows for c in codes for s in o.signals if s.code == c]
    assert message.NCell == len(cells)
    assert [
        (int(getattr(message, f"CELLPRN_{i:02d}")), getattr(message, f"CELLSIG_{i:02d}")) for i in range(1, len(cells) + 1)
    ] == [(o.prn, s.code) for o, s in cells]

    rough_ms, rough_rate = {}, {}
    for i, o in enumerate(rows, 1):
        rough_ms[o.prn] = getattr(message, f"DF397_{i:02d}") + getattr(message, f"DF398_{i:02d}")
        leading = min(o.signals, key=lambda s: sigmap[s.code])
        assert abs(rough_ms[o.prn] * MS_M - leading.pseudorange_m) <= MS_M / 2048 * 1.001
        if kind == 7:
            rough_rate[o.prn] = getattr(message, f"DF399_{i:02d}")
            if system == "R":
                assert getattr(message, f"DF419_{i:02d}") == o.channel + 7
            else:
                assert getattr(message, f"ExtSatInfo_{i:02d}") == 0
    fine, phase, lock, level = ("DF400", "DF401", "DF402", "DF403") if kind == 4 else ("DF405", "DF406", "DF407", "DF408")
    # pyrtcm 1.2.1 leaves DF405 and DF406 in milliseconds as the standard does; half a step is the rounding.
    half_m, half_phase_m, half_db = (MS_M * 2**-25, MS_M * 2**-30, 0.5) if kind == 4 else (MS_M * 2**-30, MS_M * 2**-32, 1 / 32)
    for i, (o, s) in enumerate(cells, 1):
        where = f"_{i:02d}"
        assert (rough_ms[o.prn] + getattr(message, fine + where)) * MS_M == pytest.approx(
            s.pseudorange_m, abs=half_m * 1.001 + 1e-7
        )
        assert (rough_ms[o.prn] + getattr(message, phase + where)) * MS_M == pytest.approx(
            s.phase_m, abs=half_phase_m * 1.001 + 1e-7
        )
        assert getattr(message, level + where) == pytest.approx(s.cn0_db_hz, abs=half_db * 1.001)
        assert getattr(message, "DF420" + where) == 0
        low_ms, high_ms = (lock_bounds_402 if kind == 4 else lock_bounds_407)(getattr(message, lock + where))
        assert low_ms <= int(s.lock_s * 1000) < high_ms
        if kind == 7:
            assert rough_rate[o.prn] + getattr(message, "DF404" + where) == pytest.approx(s.rate_m_s, abs=0.6e-4)

    # The length (RTCM 10403.3 section 3.5.16): header, cell mask, satellites, cells.
    bits = 169 + len(rows) * len(codes) + len(rows) * (18 if kind == 4 else 36) + len(cells) * (48 if kind == 4 else 80)
    assert len(message.payload) == math.ceil(bits / 8)


def lock_bounds_402(indicator: int) -> tuple[float, float]:
    """Table 3.5-74 of RTCM 10403.3 in words: 0 is under 32 ms, each next one twice as long, 15 from 524,288 ms on."""
    return (0 if indicator == 0 else 2 ** (indicator + 4), math.inf if indicator == 15 else 2 ** (indicator + 5))


def lock_bounds_407(indicator: int) -> tuple[float, float]:
    """Table 3.5-75 of RTCM 10403.3 as open decoders print it: from 64 on, 32 indicators a row, multiplier 2, 4, 8 …"""
    offsets = (64, 256, 768, 2048, 5120, 12288, 28672, 65536, 147456, 327680, 720896, 1572864, 3407872, 7340032)
    offsets += (15728640, 33554432, 71303168, 150994944, 318767104, 671088640)

    def lowest(i: int) -> int:
        return i if i < 64 else 67_108_864 if i == 704 else 2 ** ((i - 32) // 32) * i - offsets[(i - 64) // 32]

    return (lowest(indicator), math.inf if indicator == 704 else lowest(indicator + 1))


@pytest.mark.parametrize(("satellites", "signals", "msm4", "msm7"), [(10, 2, 173, 275), (12, 2, 202, 325)])
def test_msm_lengths_are_the_tabulated_ones(satellites: int, signals: int, msm4: int, msm7: int) -> None:
    # From the layout in bits of RTCM 10403.3 section 3.5.16, checked against frames of real base stations.
    codes = ("1C", "2W", "5Q")[:signals]
    rows = [observation("G", prn, *(signal(c) for c in codes)) for prn in range(1, satellites + 1)]
    assert len(rtcm.frame(rtcm.msm(4, "G", 1, 0, rows, False))) == msm4
    assert len(rtcm.frame(rtcm.msm(7, "G", 1, 0, rows, False))) == msm7


def test_msm_of_no_satellite_is_the_empty_message_of_real_lines() -> None:
    payload = rtcm.msm(7, "C", 1, 0, [], False)
    assert len(payload) == 22
    assert decode(payload).NSat == 0


def test_msm_marks_what_is_out_of_range_as_not_available() -> None:
    """The lowest value of each field, 255 ms of rough range (RTCM 10403.3 table 3.5-73 and the fields' own notes)."""
    rows = [
        observation("G", 1, signal("1C"), signal("2W", 21e6 + 2000.0, phase_m=21e6 + 2000.0, rate_m_s=5.0)),
        observation("G", 2, signal("1C", rate_m_s=9000.0)),
        observation("G", 3, signal("1C", 80e6)),
    ]
    message = decode(rtcm.msm(7, "G", 1, 0, rows, False))
    assert message.DF405_02 == -(2**19) * 2**-29
    assert message.DF406_02 == -(2**23) * 2**-31
    assert pytest.approx(-1.6384) == message.DF404_02
    assert message.DF399_02 == -8192
    assert message.DF397_03 == 255


def test_msm_takes_satellites_in_any_order() -> None:
    rows = [observation("E", prn, signal("1C", 2e7 + prn), signal("7Q", 2e7 + prn)) for prn in (30, 2, 17)]
    assert rtcm.msm(7, "E", 1, 0, rows, True) == rtcm.msm(7, "E", 1, 0, rows[::-1], True)


def test_msm_that_cannot_be_is_refused() -> None:
    rows = [observation("G", prn, signal("1C"), signal("2W"), signal("5Q")) for prn in range(1, 23)]
    with pytest.raises(ValueError, match="64 cells"):
        rtcm.msm(7, "G", 1, 0, rows, False)
    with pytest.raises(ValueError, match="twice"):
        rtcm.msm(7, "G", 1, 0, [rows[0], rows[0]], False)
    with pytest.raises(ValueError, match="twice"):
        rtcm.msm(7, "G", 1, 0, [observation("G", 1, signal("1C"), signal("1C"))], False)
    with pytest.raises(ValueError, match="MSM5"):
        rtcm.msm(5, "G", 1, 0, rows[:3], False)
    with pytest.raises(ValueError, match="station ID"):
        rtcm.msm(7, "G", 4096, 0, rows[:3], False)


def test_epoch_ends_with_the_one_message_without_the_multiple_bit() -> None:
    rows = [observation(s, 3, signal("2I" if s == "C" else "1C"), channel=5 if s == "R" else None) for s in "GREC"]
    messages = [decode(p) for p in rtcm.epoch(7, 417, 1000, rows)]
    assert [m.DF002 for m in messages] == [1077, 1087, 1097, 1127]
    assert [m.DF393 for m in messages] == [1, 1, 1, 0]
    # Without the last constellation's satellites another one is the last.
    messages = [decode(p) for p in rtcm.epoch(4, 417, 1000, rows[:2])]
    assert [(m.DF002, m.DF393) for m in messages] == [(1074, 1), (1084, 0)]
    assert rtcm.epoch(7, 417, 1000, []) == []
    assert [decode(p).DF002 for p in rtcm.epoch(7, 417, 1000, rows, systems="CG")] == [1127, 1077]


def test_epoch_splits_a_constellation_that_is_over_64_cells() -> None:
    rows = [observation("G", prn, signal("1C"), signal("2W"), signal("5Q"), signal("1L")) for prn in range(1, 19)]
    messages = [decode(p) for p in rtcm.epoch(7, 417, 1000, rows)]
    assert [(m.DF002, m.NSat, m.DF393) for m in messages] == [(1077, 16, 1), (1077, 2, 0)]


# Legacy


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 24), min_size=0, max_size=20, unique=True),
    st.sampled_from("GR"),
    st.integers(0, 604_799_999),
    st.booleans(),
    st.data(),
)
def test_legacy_comes_back_field_by_field(
    prns: list[int], system: str, tow_ms: int, synchronous: bool, data: st.DataObject
) -> None:
    rows = []
    for prn in prns:
        first = data.draw(st.floats(19e6, 27e6))
        one, two = (
            signal(
                code,
                first + data.draw(st.floats(-20, 20)),
                phase_m=first + data.draw(st.floats(-100, 100)),
                cn0_db_hz=data.draw(st.floats(20, 60)),
                lock_s=data.draw(st.floats(0, 2000)),
            )
            for code in ("1C", "2W" if system == "G" else "2C")
        )
        channel = data.draw(st.integers(-7, 6)) if system == "R" else None
        rows.append(observation(system, prn, *([one, two] if data.draw(st.booleans()) else [one]), channel=channel))
    build = rtcm.gps_1004 if system == "G" else rtcm.glonass_1012
    message = decode(build(417, tow_ms, rows, synchronous))
    assert (1004 if system == "G" else 1012, 417, synchronous) == (message.DF002, message.DF003, message.DF005)
    if system == "G":
        names = [
            "DF009",
            "DF010",
            "DF011",
            "DF012",
            "DF013",
            "DF014",
            "DF015",
            "DF016",
            "DF017",
            "DF018",
            "DF019",
            "DF020",
        ]
        assert (tow_ms, len(rows), 0, 0) == (message.DF004, message.DF006, message.DF007, message.DF008)
        modulus_m = MS_M
    else:
        names = [
            "DF038",
            "DF039",
            "DF041",
            "DF042",
            "DF043",
            "DF044",
            "DF045",
            "DF046",
            "DF047",
            "DF048",
            "DF049",
            "DF050",
        ]
        names.insert(2, "DF040")
        assert (tow_ms - 18_000 + 10_800_000) % 86_400_000 == message.DF034
        assert (len(rows), 0, 0) == (message.DF035, message.DF036, message.DF037)
        modulus_m = 2 * MS_M
    for i, o in enumerate(sorted(rows, key=lambda o: o.prn), 1):
        values = [getattr(message, f"{name}_{i:02d}") for name in names]
        if system == "R":
            assert values.pop(2) == o.channel + 7
        prn, code, rest_m, phase_m, lock, whole, level, code2, range2_m, phase2_m, lock2, level2 = values
        one = o.signals[0]
        assert (prn, code) == (o.prn, 0)
        range_m = whole * modulus_m + rest_m
        assert range_m == pytest.approx(one.pseudorange_m, abs=0.0101)
        assert range_m + phase_m == pytest.approx(one.phase_m, abs=0.00026)
        assert lock_bounds_013(lock)[0] <= one.lock_s < lock_bounds_013(lock)[1]
        assert level == pytest.approx(one.cn0_db_hz, abs=0.126)
        if len(o.signals) == 1:
            assert range2_m == pytest.approx(-163.84)
            assert phase2_m == pytest.approx(-262.144)
            assert (lock2, level2) == (0, 0)
        else:
            two = o.signals[1]
            assert code2 == (3 if system == "G" else 0)
            assert range_m + range2_m == pytest.approx(two.pseudorange_m, abs=0.0101)
            assert range_m + phase2_m == pytest.approx(two.phase_m, abs=0.00026)
            assert lock_bounds_013(lock2)[0] <= two.lock_s < lock_bounds_013(lock2)[1]
            assert level2 == pytest.approx(two.cn0_db_hz, abs=0.126)
    bits = (64 + 125 * len(rows)) if system == "G" else (61 + 130 * len(rows))
    assert len(message.payload) == math.ceil(bits / 8)


def lock_bounds_013(indicator: int) -> tuple[float, float]:
    """Table 3.4-2 of RTCM 10403.3: lock time in seconds as (multiplier, offset) by range of the indicator."""
    if indicator == 127:
        return (937, math.inf)
    for highest, multiplier, offset in (
        (24, 1, 0),
        (48, 2, 24),
        (72, 4, 120),
        (96, 8, 408),
        (120, 16, 1176),
        (127, 32, 3096),
    ):
        if indicator < highest:
            low = multiplier * indicator - offset
            return (low, 937 if indicator == 126 else low + multiplier)
    raise AssertionError(indicator)


def test_legacy_leaves_out_what_it_cannot_measure_against() -> None:
    rows = [observation("G", 1, signal("2W")), observation("G", 2, signal("1C")), observation("E", 3, signal("1C"))]
    message = decode(rtcm.gps_1004(1, 0, rows))
    assert (message.DF006, message.DF009_01) == (1, 2)


def test_legacy_marks_what_is_out_of_range_as_not_available() -> None:
    """The lowest value of DF012, DF017 and DF018 (RTCM 10403.3 section 3.4.2)."""
    far = observation("G", 1, signal("1C", phase_m=21e6 + 300.0), signal("2W", 21e6 - 200.0, phase_m=21e6 - 300.0))
    message = decode(rtcm.gps_1004(1, 0, [far]))
    fields = [message.DF012_01, message.DF017_01, message.DF018_01]
    assert fields == pytest.approx([-262.144, -163.84, -262.144])


def test_legacy_of_over_31_satellites_is_refused() -> None:
    with pytest.raises(ValueError, match="number of satellites"):
        rtcm.gps_1004(1, 0, [observation("G", prn, signal("1C")) for prn in range(1, 33)])


@pytest.mark.parametrize(
    ("lock_s", "coarse", "fine", "legacy"),
    [
        # At the edges of tables 3.5-74, 3.5-75 and 3.4-2 of RTCM 10403.3.
        (0.0, 0, 0, 0),
        (0.031, 0, 31, 0),
        (0.032, 1, 32, 0),
        (0.063, 1, 63, 0),
        (0.064, 2, 64, 0),
        (0.128, 3, 96, 0),
        (23.999, 10, 334, 23),
        (24.0, 10, 334, 24),
        (936.9, 15, 505, 126),
        (937.0, 15, 505, 127),
        (524.288, 15, 480, 106),
        (67_108.864, 15, 704, 127),
        (900_000.0, 15, 704, 127),
    ],
)
def test_lock_indicators_at_their_edges(lock_s: float, coarse: int, fine: int, legacy: int) -> None:
    assert rtcm.lock_402(lock_s) == coarse
    assert rtcm.lock_407(lock_s) == fine
    assert rtcm.lock_013(lock_s) == legacy
