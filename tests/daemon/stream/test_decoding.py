import io
import math
import random
import tracemalloc

import pynmeagps
import pyrtcm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyrtcm.rtcmtables import PRNSIGMAP
from witnesspost.daemon.stream.decoding import Decoder, signal_levels
from witnesspost.daemon.stream.framing import FRAME, SENTENCE, Framer, crc24q, nmea_checksum
from witnesspost.replay.world.rtcm2 import Rtcm2
from witnesspost.rules.facts import MORE_KINDS, MOST_KINDS, Antenna, Bias, Epoch, Fix, SignalLevels, Station, Tilt, Utc
from witnesspost.rules.gnss import MSM
from witnesspost.rules.site.model import TiltSentence

from tests import DATA

# RTCM 10403.2 / 10403.3 section 4.2, the standard's own example.
STANDARDS_1005 = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")


def facts_of(data: bytes, tilt: TiltSentence | None = None) -> list:
    framer, decoder = Framer(), Decoder("line", tilt)
    return decoder.decode(1.0, framer.feed(data) + framer.flush())


def rtcm(payload: bytes) -> bytes:
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def nmea(body: str) -> bytes:
    return b"$%s*%02X\r\n" % (body.encode(), nmea_checksum(body.encode()))


def msm_payload(message: int, station: int, tow_ms: int, more: int, satellites: list[int], signals: list[int]) -> bytes:
    """An MSM header by the layout of RTCM 10403.3 section 3.5, all cells present, zeros behind."""
    bits = f"{message:012b}{station:012b}{tow_ms:030b}{more}" + "0" * 18
    bits += "".join("1" if i in satellites else "0" for i in range(1, 65))
    bits += "".join("1" if i in signals else "0" for i in range(1, 33))
    cells = len(satellites) * len(signals)
    bits += "1" * cells + "0" * (18 * len(satellites) + 48 * cells)
    bits += "0" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


def test_the_standards_station_position():
    (station,) = facts_of(STANDARDS_1005)
    assert isinstance(station, Station)
    assert (station.station_id, station.message, station.itrf_year, station.antenna_height_m) == (2003, 1005, 0, None)
    # Raw integers 11141045999, -48507297108, 39755214643 of 0.1 mm.
    assert station.x_m == pytest.approx(1114104.5999, abs=5e-5)
    assert station.y_m == pytest.approx(-4850729.7108, abs=5e-5)
    assert station.z_m == pytest.approx(3975521.4643, abs=5e-5)


def test_an_msm_set_is_one_epoch_up_to_the_message_that_says_no_more():
    first = rtcm(msm_payload(1074, 417, 204_137_000, 1, [1, 5, 9], [2, 15]))
    second = rtcm(msm_payload(1124, 417, 204_123_000, 0, [3, 4], [2, 14, 22]))
    assert facts_of(first) == []
    (epoch,) = facts_of(first + second)
    assert isinstance(epoch, Epoch)
    assert (epoch.station_id, epoch.systems, epoch.satellites, epoch.cells) == (417, "GC", 5, 12)
    assert epoch.time_s == 204_137.0
    assert epoch.messages == (1074, 1124)
    assert epoch.masks == ((3, 2, 6), (2, 3, 6))
    assert epoch.frequencies == 3
    assert epoch.size_bytes == len(first) + len(second)


def test_an_msm_without_a_satellite_is_no_usable_epoch():
    decoder, framer = Decoder("line"), Framer()
    empty = rtcm(msm_payload(1137, 417, 0, 0, [], []))
    assert len(empty) == 28  # as met in real frames: 22 bytes of payload
    assert decoder.decode(1.0, framer.feed(empty)) == []
    assert decoder.take_traffic(1.0).observation_frames == 0


def test_a_broken_frame_within_a_set_spoils_the_set():
    first = rtcm(msm_payload(1074, 417, 1000, 1, [1, 5, 9], [2, 15]))
    second = rtcm(msm_payload(1124, 417, 987_000, 0, [3, 4], [2]))
    broken = bytearray(rtcm(msm_payload(1094, 417, 1000, 1, [3, 4], [2])))
    broken[30] ^= 1
    epochs = [f for f in facts_of(first + bytes(broken) + second) if isinstance(f, Epoch)]
    assert [e.messages for e in epochs] == [(1124,)]


def msm_set(tow_ms: int, last: int, first: int = 1074) -> bytes:
    """GPS, then GLONASS, whose multiple-message bit is `last`: 0 ends the set, 1 promises more."""
    glonass = (tow_ms + 10_800_000 - 18_000) % 86_400_000  # UTC + 3 h, of the day
    return rtcm(msm_payload(first, 417, tow_ms, 1, [1, 5, 9], [2, 15])) + rtcm(
        msm_payload(1084, 417, glonass, last, [3, 4], [2])
    )


def epochs_by_second(lines: list[bytes]) -> list[tuple[float, Epoch]]:
    """The epochs of a line that carries one piece a second, each with the second in which it was known."""
    framer, decoder = Framer(), Decoder("line")
    return [
        (float(second), fact)
        for second, data in enumerate(lines)
        for fact in decoder.decode(float(second), framer.feed(data))
        if isinstance(fact, Epoch)
    ]


def test_a_set_whose_last_constellation_is_filtered_out_ends_with_the_next_epochs_first_message():
    # A caster that leaves out 1124 leaves the promise "more follows" in 1084, for ever.
    known = epochs_by_second([msm_set(1000 * second, last=1) for second in range(5)])
    assert [(at, epoch.t, epoch.time_s, epoch.messages) for at, epoch in known] == [
        (second + 1.0, second + 1.0, float(second), (1074, 1084)) for second in range(4)
    ]
    assert {(epoch.satellites, epoch.size_bytes) for _, epoch in known} == {(5, len(msm_set(0, last=1)))}


def test_a_set_that_ends_is_not_told_again_by_the_next():
    known = epochs_by_second([msm_set(1000 * second, last=0) for second in range(4)])
    assert [(at, epoch.time_s) for at, epoch in known] == [(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]


@pytest.mark.parametrize("last", [0, 1])
def test_a_constellation_in_two_messages_of_one_number_is_one_epoch(last):
    # Over 64 cells: the satellites are shared out over messages of the same number and moment (from memory).
    def whole(second: int) -> bytes:
        gps = [rtcm(msm_payload(1077, 417, 1000 * second, 1, part, [2, 15])) for part in ([1, 5, 9], [11, 12])]
        return b"".join(gps) + rtcm(msm_payload(1087, 417, 7000 + 1000 * second, last, [3, 4], [2]))

    known = epochs_by_second([whole(second) for second in range(3)])
    assert [(at, epoch.messages, epoch.satellites) for at, epoch in known] == [
        (float(second + last), (1077, 1077, 1087), 7) for second in range(3 - last)
    ]


def test_a_set_of_a_base_whose_time_stands_still_does_not_grow_for_ever():
    known = epochs_by_second([msm_set(1000, last=1)] * 20)
    assert len(known) >= 5
    assert max(len(epoch.messages) for _, epoch in known) <= 8


def test_a_legacy_set_without_its_last_message_ends_with_the_next_epoch():
    def gps(second: int) -> bytes:  # 1002, synchronous flag up, one satellite: RTCM 10403.3 table 3.5-2 (from memory)
        bits = f"{1002:012b}{417:012b}{1000 * second:030b}1{1:05b}0000" + "0" * 74
        return rtcm(int(bits + "0" * (-len(bits) % 8), 2).to_bytes(-(-len(bits) // 8), "big"))

    assert [(at, epoch.messages) for at, epoch in epochs_by_second([gps(second) for second in range(3)])] == [
        (1.0, (1002,)),
        (2.0, (1002,)),
    ]


def test_a_broken_frame_spoils_a_set_that_the_next_epoch_would_have_ended():
    broken = bytearray(rtcm(msm_payload(1124, 417, 987_000, 0, [3, 4], [2])))
    broken[30] ^= 1
    known = epochs_by_second([msm_set(0, last=1), msm_set(1000, last=1) + bytes(broken), msm_set(2000, last=1)])
    assert [(at, epoch.time_s) for at, epoch in known] == [(1.0, 0.0)]


def test_what_is_left_of_an_epoch_that_lost_its_end_is_used_as_a_rover_uses_it():
    gps = rtcm(msm_payload(1074, 417, 1000, 1, [1, 5, 9], [2, 15]))
    galileo_of_the_next = rtcm(msm_payload(1094, 417, 2000, 0, [3, 4], [2]))
    first, second = (fact for fact in facts_of(gps + galileo_of_the_next) if isinstance(fact, Epoch))
    assert [(e.messages, e.time_s) for e in (first, second)] == [((1074,), 1.0), ((1094,), 2.0)]


def test_traffic_counts_sentences_by_what_they_say_and_frames_by_message_and_station():
    gsv, other, bad_gga = nmea("GPGSV,1,1,00"), nmea("GLGSV,1,1,00"), nmea("GPGGA,,,,,,x,,,,,,,,")
    frames = [rtcm(msm_payload(1071, station, 0, 1, [1], [2])) for station in (1, 1, 2)] + [rtcm(bytes((0xFE, 0x80, 7)))]
    decoder, framer = Decoder("line"), Framer()
    for _ in range(2):  # what was handed over is not counted again
        decoder.decode(1.0, framer.feed(b"".join((gsv, frames[0], other, bad_gga, frames[1], gsv, frames[2], frames[3]))))
        traffic = decoder.take_traffic(2.0)
        assert traffic.by_message == {
            "GSV": (3, 2 * len(gsv) + len(other)),
            "1071": (3, sum(map(len, frames[:3]))),
            "GGA": (1, len(bad_gga)),
            "GGA unread": (1, 0),
            "4072": (1, len(frames[3])),
        }
        assert list(traffic.by_message) == ["GSV", "1071", "GGA", "GGA unread", "4072"]  # in the order in which they came
        assert traffic.frames_by_station == {1: 2, 2: 1, None: 1}
        assert (traffic.frames, traffic.frame_bytes) == (4, sum(map(len, frames)))
        assert traffic.sentence_bytes == 2 * len(gsv) + len(other) + len(bad_gga)
    assert decoder.take_traffic(3.0) is None


def test_names_without_end_are_counted_together_once_there_are_too_many():
    names = [f"PX{number:04d}" for number in range(1000)]
    data = b"".join(nmea(f"{name},{'x' * (number % 7)}") for number, name in enumerate([*names, *names[:3], *names]))
    decoder = Decoder("line")
    decoder.decode(1.0, Framer().feed(data))
    counted = decoder.take_traffic(2.0).by_message
    assert list(counted) == [*names[:MOST_KINDS], MORE_KINDS]
    assert [counted[name][0] for name in names[:4]] == [3, 3, 3, 2]
    assert sum(count for count, _ in counted.values()) == 2003
    assert sum(size_bytes for _, size_bytes in counted.values()) == len(data)


def test_names_without_end_take_no_more_memory_until_they_are_handed_over():
    decoder, framer = Decoder("line"), Framer()
    lines = [b"".join(nmea(f"PX{chunk:03d}{number:03d},1") for number in range(500)) for chunk in range(60)]
    tracemalloc.start()
    try:
        for data in lines:
            decoder.decode(1.0, framer.feed(data))
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 1 << 20
    assert sum(count for count, _ in decoder.take_traffic(2.0).by_message.values()) == 30_000


def test_words_of_rtcm_2_are_counted_in_a_sample_of_the_other_bytes():
    decoder, framer, chance = Decoder("line"), Framer(), random.Random(3)
    stream = Rtcm2()
    words = []
    for second in range(6):
        sent = stream.epoch(417, 200_000.0 + second, 9, chance)
        for start in range(0, len(sent), 60):
            decoder.decode(second + start / 1000, framer.feed(sent[start : start + 60]))
        traffic = decoder.take_traffic(second + 0.9)
        assert traffic.other_bytes == len(sent)
        words.append(traffic.rtcm2_words)
    assert sum(count >= 4 for count in words) >= 3
    assert max(words) <= 50  # no more than it has looked at
    decoder.decode(9.0, framer.feed(chance.randbytes(2000)))
    assert decoder.take_traffic(9.0).rtcm2_words == 0


@pytest.mark.parametrize("name", ["rtcm-receiver.bin", "rtcm-station.bin", "mixed.bin"])
def test_facts_of_real_frames_are_what_pyrtcm_reads(name):
    data = (DATA / name).read_bytes()
    parsed = []
    for raw in (chunk for kind, chunk in Framer().feed(data) if kind == FRAME):
        try:
            parsed.append(pyrtcm.RTCMReader.parse(raw))
        except pyrtcm.RTCMTypeError:
            assert (raw[3] << 4 | raw[4] >> 4) % 10 == 2  # pyrtcm 1.2.1 cannot read MSM2
    facts = facts_of(data)
    assert [(f.message, f.x_m, f.y_m, f.z_m) for f in facts if isinstance(f, Station)] == [
        (int(m.identity), m.DF025, m.DF026, m.DF027) for m in parsed if m.identity in ("1005", "1006")
    ]
    theirs = [m for m in parsed if m.identity in ("1007", "1008", "1033")]
    assert [f.descriptor for f in facts if isinstance(f, Antenna)] == [
        "".join(getattr(m, f"DF030_{i:02d}") for i in range(1, m.DF029 + 1)) for m in theirs
    ]
    assert len([f for f in facts if isinstance(f, Bias)]) == len([m for m in parsed if m.identity == "1230"])
    msm = [m for m in parsed if m.identity[:2] in ("10", "11") and 1071 <= int(m.identity) <= 1137]
    legacy = [m for m in parsed if 1001 <= int(m.identity) <= 1004 or 1009 <= int(m.identity) <= 1012]
    satellites = sum(m.NSat for m in msm) + sum(getattr(m, "DF006", 0) if int(m.identity) < 1009 else m.DF035 for m in legacy)
    epochs = [f for f in facts if isinstance(f, Epoch)]
    assert sum(e.satellites for e in epochs) <= satellites
    ends = [m for m in msm if not m.DF393 and m.NSat]
    assert len(epochs) <= len(ends) + len(legacy)
    assert {e.station_id for e in epochs} <= {m.DF003 for m in msm + legacy}
    heads = {m.identity: m for m in msm}
    for epoch in epochs:
        masks = dict(zip([n for n in epoch.messages if n > 1070], epoch.masks, strict=True))
        for message, mask in masks.items():
            m = heads[str(message)]
            assert mask == (m.NSat, m.NSig, m.NCell), message
    assert epochs


def levels_by_pyrtcm(frame, message, system):
    parsed = pyrtcm.RTCMReader.parse(frame)
    field = "DF408" if message % 10 in (6, 7) else "DF403"
    levels = {}
    for cell in range(1, parsed.NCell + 1):
        if level := getattr(parsed, f"{field}_{cell:02d}"):
            levels.setdefault(system + getattr(parsed, f"CELLSIG_{cell:02d}"), []).append(float(level))
    return {signal: (sum(of) / len(of), len(of)) for signal, of in levels.items()}


def test_levels_of_real_messages_are_what_pyrtcm_reads():
    seen = set()
    for file in ("rtcm-receiver.bin", "rtcm-station.bin", "mixed.bin"):
        for kind, frame in Framer().feed((DATA / file).read_bytes()):
            message = frame[3] << 4 | frame[4] >> 4 if kind == FRAME else 0
            if message in MSM and message % 10 >= 4:
                system = MSM[message]
                assert signal_levels(frame, message, system) == levels_by_pyrtcm(frame, message, system), message
                seen.add(message)
    assert len(seen) >= 5


def test_one_message_in_ten_seconds_gives_its_levels():
    said = [fact for fact in facts_of((DATA / "rtcm-receiver.bin").read_bytes()) if isinstance(fact, SignalLevels)]
    assert len(said) == 1
    assert set(said[0].levels) >= {"G1C"}


@given(
    st.sampled_from(sorted(number for number in MSM if number % 10 >= 4)),
    st.sets(st.integers(1, 24), min_size=1, max_size=16),
    st.sets(st.sampled_from([2, 3, 4, 8, 22]), min_size=1, max_size=4),
    st.integers(0, 1 << 32),
)
def test_levels_of_any_msm_are_what_pyrtcm_reads(message, satellites, signals, seed):
    chance = random.Random(seed)
    system = MSM[message]
    known = set(PRNSIGMAP[str(message // 10)][1])
    signals = sorted(signals & known) or [min(known)]
    head = f"{message:012b}" + f"{chance.getrandbits(61):061b}"
    head += "".join("1" if i in satellites else "0" for i in range(1, 65))
    head += "".join("1" if i in signals else "0" for i in range(1, 33))
    bits = head + f"{chance.getrandbits(5760):05760b}"  # masks and data of 64 cells, all zeros and ones by chance
    bits += "0" * (-len(bits) % 8)
    frame = rtcm(int(bits, 2).to_bytes(len(bits) // 8, "big"))
    ours, theirs = signal_levels(frame, message, system), levels_by_pyrtcm(frame, message, system)
    assert ours == theirs


@given(st.binary(max_size=200), st.sampled_from([1074, 1085, 1096, 1127]))
def test_no_frame_makes_the_reading_of_its_levels_throw(body, message):
    signal_levels(rtcm((message << 4).to_bytes(2, "big") + body), message, MSM[message])


@given(
    st.sampled_from([1074, 1085, 1096, 1127]),
    st.sets(st.integers(1, 64), max_size=12),
    st.sets(st.sampled_from([2, 3, 4, 8, 22]), max_size=6),
    st.integers(0, 500),
    st.integers(0, 1 << 32),
)
def test_levels_are_read_where_the_frame_is_long_enough_and_nowhere_else(message, satellites, signals, tail_bytes, seed):
    """By the lengths of RTCM 10403.3, section 3.5 (from memory): bits of a satellite, and of a cell up to its C/N0, by kind."""
    satellite, cell = {4: (18, 48), 5: (36, 48), 6: (18, 65), 7: (36, 65)}[message % 10]
    tail = random.Random(seed).randbytes(tail_bytes)
    masks = "".join("1" if one in satellites else "0" for one in range(1, 65))
    masks += "".join("1" if one in signals else "0" for one in range(1, 33))
    bits = f"{message:012b}{0:061b}{masks}" + "".join(f"{byte:08b}" for byte in tail)
    bits = bits[: len(bits) // 8 * 8]
    levels = signal_levels(rtcm(int(bits, 2).to_bytes(len(bits) // 8, "big")), message, MSM[message])
    places = len(satellites) * len(signals)
    cells = bits[169 : 169 + places].count("1")
    whole = places <= 64 and len(bits) >= 169 + places + len(satellites) * satellite + cells * cell
    assert (levels is not None) == whole
    for mean, count in (levels or {}).values():
        assert 0.0 < mean < 64.0
        assert 1 <= count <= len(satellites)


def test_fixes_of_real_sentences_are_what_pynmeagps_reads():
    data = (DATA / "nmea.txt").read_bytes()
    theirs = [m for _, m in pynmeagps.NMEAReader(io.BytesIO(data), quitonerror=0) if m is not None and m.msgID == "GGA"]
    ours = [f for f in facts_of(data) if isinstance(f, Fix)]
    assert [(f.height_m, f.quality, f.satellites) for f in ours] == [(m.alt, m.quality, m.numSV) for m in theirs]
    rounded = [(round(f.latitude, 10), round(f.longitude, 10)) for f in ours]  # as theirs are
    assert rounded == [(m.lat, m.lon) for m in theirs]
    assert ours


def test_a_fix_takes_the_spread_of_the_gst_of_its_second():
    gst = nmea("GNGST,120001.00,0.05,,,,0.012,0.011,0.021")
    gga = "GNGGA,{},3907.4074,N,10459.2593,W,4,14,0.7,1845.7,M,-19.1,M,1.0,0417"
    (now,) = facts_of(gst + nmea(gga.format("120001.00")))
    (later,) = facts_of(gst + nmea(gga.format("120002.00")))
    assert (now.sigma_north_m, now.sigma_east_m, now.sigma_up_m) == (0.012, 0.011, 0.021)
    assert later.sigma_up_m is None
    assert (now.quality, now.station_id, now.age_s, now.separation_m) == (4, 417, 1.0, -19.1)


def test_date_and_time_come_from_valid_rmc_and_zda_alone():
    rmc = "GNRMC,120001.00,{},3907.4,N,10459.2,W,0.0,,150626,,,R"
    zda = nmea("GNZDA,120002.50,15,06,2026,00,00")
    facts = facts_of(nmea(rmc.format("A")) + nmea(rmc.format("V")) + zda)
    assert [(f.source, f.utc.isoformat()) for f in facts if isinstance(f, Utc)] == [
        ("RMC", "2026-06-15T12:00:01+00:00"),
        ("ZDA", "2026-06-15T12:00:02.500000+00:00"),
    ]


def test_tilt_from_the_open_sentence_and_from_a_mapping():
    # XDR angles: groups of type A, value, unit D, name (IEC 61162-1 transducer table, as several public references have it).
    (tilt,) = facts_of(nmea("IIXDR,A,-2.3,D,PTCH,A,1.7,D,ROLL"))
    assert tilt.angle_deg == pytest.approx(math.hypot(2.3, 1.7), abs=1e-3)
    mapping = TiltSentence(sentence="PEXMP,TILT", angle_field=3, scale=0.1, aligned_field=4, aligned_value="1")
    mapped = facts_of(nmea("PEXMP,TILT,153,0") + nmea("PEXMP,OTHER,153,1") + nmea("PEXMP,TILT,,1"), mapping)
    assert [(f.angle_deg, f.aligned) for f in mapped if isinstance(f, Tilt)] == [(pytest.approx(15.3), False), (None, True)]


@given(
    st.lists(
        st.one_of(
            st.builds(
                lambda message, body: rtcm((message << 4).to_bytes(2, "big") + body),
                st.sampled_from([1004, 1005, 1006, 1007, 1008, 1012, 1029, 1033, 1072, 1074, 1077, 1087, 1127, 1230, 4072]),
                st.binary(max_size=120),
            ),
            st.builds(
                lambda head, tail: nmea(head + "".join(c for c in tail if c not in "$*")),
                st.sampled_from(["GNGGA,", "GNGST,", "GNRMC,", "GNZDA,", "GPGSV,", "IIXDR,", "PEXMP,TILT,"]),
                st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80),
            ),
            st.binary(max_size=50),
        ),
        max_size=8,
    )
)
@settings(max_examples=300)
def test_whatever_a_hostile_line_says_no_exception_and_no_nan(pieces):
    tilt = TiltSentence(sentence="PEXMP,TILT", angle_field=3, aligned_field=4)
    data = b"".join(pieces)
    for fact in facts_of(data, tilt):
        for name in fact.__struct_fields__:
            value = getattr(fact, name)
            assert not (isinstance(value, float) and not math.isfinite(value)), (fact, name)
    decoder, framer = Decoder("line", tilt), Framer()
    units = framer.feed(data) + framer.flush()
    decoder.decode(1.0, units)
    traffic = decoder.take_traffic(1.0)
    assert (traffic.size_bytes if traffic else 0) == len(data)
    assert (traffic.sentence_bytes if traffic else 0) == sum(len(raw) for kind, raw in units if kind == SENTENCE)
