"""Sentences read field by field against pynmeagps's own reading of the whole sentence: the same bytes, the same values."""

import datetime as dt
import math

import pynmeagps
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.daemon.stream.decoding import FACTS, Decoder
from witnesspost.daemon.stream.framing import Framer, nmea_checksum
from witnesspost.daemon.stream.nmea import Sentences, seconds_of_day
from witnesspost.rules.facts import Fix, SignalLevels, Tilt, Utc
from witnesspost.rules.site.model import TiltSentence

CLOCK = st.one_of(
    st.just(""),
    st.times().map(lambda time: f"{time:%H%M%S}.{time.microsecond // 10_000:02d}"),
    st.times().map(lambda time: f"{time:%H%M%S}"),
    st.sampled_from(["246000.00", "126000.00", "1200", "abc"]),
)
DECIMAL = st.one_of(st.just(""), st.decimals(-9999, 9999, places=4).map(str))
COUNT = st.one_of(st.just(""), st.integers(0, 4095).map(str), st.integers(0, 99).map("{:04d}".format))


def angle(whole_degrees, most):
    minutes = st.decimals(0, "59.9999999", places=7).map("{:010.7f}".format)
    return st.one_of(st.just(""), st.builds(lambda d, m: f"{d:0{whole_degrees}d}{m}", st.integers(0, most), minutes))


def sentence(*fields):
    body = ",".join(fields).encode()
    return b"$%s*%02X\r\n" % (body, nmea_checksum(body))


def read(line, wanted=FACTS, tilt=None):
    return only(Sentences("line", tilt, wanted).read(1.0, line[3:6], line))


def only(facts):
    """The one fact, or None where there is none."""
    assert len(facts) <= 1
    return facts[0] if facts else None


def or_none(value):
    return None if value == "" else value


def of_day(time):
    return None if time == "" else time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6


@given(
    CLOCK, angle(2, 89), st.sampled_from("NS"), angle(3, 179), st.sampled_from("EW"), st.sampled_from(["", *"0124568"]),
    COUNT, DECIMAL, DECIMAL, DECIMAL, DECIMAL, COUNT,
)  # fmt: skip
@settings(max_examples=400)
def test_a_position_is_what_pynmeagps_reads(time, lat, ns, lon, ew, quality, satellites, hdop, height, separation, age, base):
    fields = [time, lat, ns, lon, ew, quality, satellites, hdop, height, "M", separation, "M", age, base]
    line = sentence("GNGGA", *fields)
    theirs = pynmeagps.NMEAReader.parse(line)
    ours = read(line)
    assert isinstance(ours, Fix)
    assert ours.time_s == pytest.approx(of_day(theirs.time))
    assert ours.quality == (theirs.quality or 0)
    assert [ours.latitude, ours.longitude] == [or_none(value) for value in (theirs.lat, theirs.lon)]  # to the last bit
    assert [ours.height_m, ours.separation_m] == [or_none(value) for value in (theirs.alt, theirs.sep)]
    assert [ours.satellites, ours.hdop, ours.age_s, ours.station_id] == [
        or_none(value) for value in (theirs.numSV, theirs.HDOP, theirs.diffAge, theirs.diffStation)
    ]


@given(angle(2, 89), st.sampled_from("NS"), angle(3, 179), st.sampled_from("EW"))
@settings(max_examples=200)
def test_one_leading_zero_more_changes_no_bit_of_a_position(lat, ns, lon, ew):
    usual, odd = (
        read(sentence("GNGGA", "", zero + lat if lat else "", ns, zero + lon if lon else "", ew, "4", *[""] * 8))
        for zero in ("", "0")
    )
    assert (odd.latitude, odd.longitude) == (usual.latitude, usual.longitude)


@given(CLOCK, DECIMAL, DECIMAL, DECIMAL)
@settings(max_examples=100)
def test_the_spread_is_what_pynmeagps_reads_and_goes_to_the_position_of_its_time(time, north, east, up):
    line = sentence("GNGST", time, "1.0", "", "", "", north, east, up)
    theirs = pynmeagps.NMEAReader.parse(line)
    sentences = Sentences("line", None, FACTS)
    assert sentences.read(1.0, b"GST", line) == []
    gga = sentence("GNGGA", time, "", "N", "", "E", "4", "", "", "", "M", "", "M", "", "")
    fix = only(sentences.read(1.0, b"GGA", gga))
    assert [fix.sigma_north_m, fix.sigma_east_m, fix.sigma_up_m] == [
        or_none(value) for value in (theirs.stdLat, theirs.stdLong, theirs.stdAlt)
    ]


def spoken(*lines, every=1.0, sentences=None):
    """The positions that a line gives whose sentences come `every` so many seconds, over and over, for 30 s."""
    sentences = sentences or Sentences("line", None, FACTS)
    said = []
    for second in range(round(30 / every)):
        for line in lines:
            said += [fact for fact in sentences.read(second * every, line[3:6], line) if isinstance(fact, Fix)]
    return said


@given(
    CLOCK, angle(2, 89), st.sampled_from("NS"), angle(3, 179), st.sampled_from("EW"), COUNT, DECIMAL, DECIMAL, DECIMAL,
    DECIMAL, COUNT,
)  # fmt: skip
@settings(max_examples=200)
def test_gns_alone_gives_the_position_that_pynmeagps_reads(time, lat, ns, lon, ew, count, hdop, height, separation, age, base):
    line = sentence("GNGNS", time, lat, ns, lon, ew, "RRNN", count, hdop, height, separation, age, base, "V")
    theirs = pynmeagps.NMEAReader.parse(line)
    ours = spoken(line)[-1]
    assert ours.time_s == pytest.approx(of_day(theirs.time))
    assert ours.quality == 4
    assert [ours.latitude, ours.longitude] == [or_none(value) for value in (theirs.lat, theirs.lon)]  # to the last bit
    assert [ours.height_m, ours.separation_m] == [or_none(value) for value in (theirs.alt, theirs.sep)]
    assert [ours.satellites, ours.hdop, ours.age_s, ours.station_id] == [
        or_none(value) for value in (theirs.numSV, theirs.HDOP, theirs.diffAge, or_whole(theirs.diffStation))
    ]


def or_whole(value):
    return int(value) if value != "" else value


WHERE = ("120000.00", "3907.0", "N", "10459.0", "W")
GGA = sentence("GNGGA", *WHERE, "4", "20", "0.7", "1874.3", "M", "-17.2", "M", "1.0", "0417")
GNS = sentence("GNGNS", *WHERE, "FFNN", "20", "0.7", "1874.3", "-17.2", "1.0", "0417", "V")
RMC = sentence("GNRMC", "120000.00", "A", "3907.0", "N", "10459.0", "W", "0.02", "", "150626", "", "", "D", "V")


def test_the_best_sentence_gives_the_position_and_no_other():
    assert {fix.quality for fix in spoken(RMC, GNS, GGA)} == {4}
    assert {fix.quality for fix in spoken(RMC, GNS)} == {5}
    assert {fix.quality for fix in spoken(RMC)} == {2}
    assert len(spoken(RMC, GNS, GGA)) == 30
    assert len(spoken(RMC)) >= 27
    assert {fix.quality for fix in spoken(GGA, RMC, every=0.1)} == {4}


def test_another_sentence_takes_over_when_the_best_is_switched_off():
    sentences = Sentences("line", None, FACTS)
    spoken(GGA, RMC, sentences=sentences)
    later = [fact for t in range(30, 60) for fact in sentences.read(float(t), b"RMC", RMC) if isinstance(fact, Fix)]
    assert 10 <= len(later) <= 20
    assert {fix.quality for fix in later} == {2}


# Mode indicators of GNS and RMC, and GGA's digit for the same (NMEA 0183 4.1, as public descriptions have them).
MODES = {"N": 0, "A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8}


@pytest.mark.parametrize(
    ("mode", "quality"),
    [*MODES.items(), ("RRRR", 4), ("NRNN", 4), ("FF", 5), ("RF", 4), ("AN", 1), ("DA", 2)],
)  # fmt: skip
def test_modes_are_qualities(mode, quality):
    gns = sentence("GNGNS", "120000.00", "3907.0", "N", "10459.0", "W", mode, "20", "0.7", "1874.3", "-17.2", "1.0", "0417")
    assert {fix.quality for fix in spoken(gns)} == {quality}
    if len(mode) == 1:
        status = "V" if mode == "N" else "A"
        rmc = sentence("GNRMC", "120000.00", status, "3907.0", "N", "10459.0", "W", "", "", "150626", "", "", mode)
        assert {fix.quality for fix in spoken(rmc)} == {quality}


def test_rmc_without_a_mode_is_a_position_without_corrections_and_without_a_height():
    old = sentence("GPRMC", "120000.00", "A", "3907.0", "N", "10459.0", "W", "0.02", "", "150626", "", "")
    fix = spoken(old)[-1]
    assert (fix.quality, fix.height_m, fix.separation_m, fix.age_s, fix.station_id, fix.satellites) == (1, *[None] * 5)
    assert fix.latitude == pytest.approx(39 + 7 / 60)
    invalid = sentence("GPRMC", "120000.00", "V", "", "", "", "", "", "", "150626", "", "")
    assert {fix.quality for fix in spoken(invalid)} == {0}


def test_a_gns_of_one_constellation_that_adds_its_corrections_age_is_no_position():
    added = sentence("GLGNS", "120000.00", "", "", "", "", "", "07", "", "", "", "1.0", "0417")
    assert {fix.quality for fix in spoken(GNS, added)} == {5}


@given(st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2068, 12, 31)), st.sampled_from(["A", "V", ""]))
@settings(max_examples=100)
def test_date_and_time_are_what_pynmeagps_reads(when, status):
    when = when.replace(microsecond=when.microsecond // 10_000 * 10_000)
    time = f"{when:%H%M%S}.{when.microsecond // 10_000:02d}"
    rmc = sentence("GNRMC", time, status, "", "N", "", "E", "", "", f"{when:%d%m%y}", "", "", "A")
    theirs = pynmeagps.NMEAReader.parse(rmc)
    assert dt.datetime.combine(theirs.date, theirs.time) == when
    utc = read(rmc)
    assert (utc.utc if utc else None) == (when.replace(tzinfo=dt.UTC) if status == "A" else None)
    zda = read(sentence("GNZDA", time, f"{when:%d}", f"{when:%m}", f"{when:%Y}", "00", "00"))
    assert (zda.source, zda.utc) == ("ZDA", when.replace(tzinfo=dt.UTC))


def test_a_date_that_is_none_says_nothing_and_the_next_one_counts():
    sentences = Sentences("line", None, FACTS)
    said = [
        only(sentences.read(1.0, b"RMC", sentence("GNRMC", "120000.00", "A", "", "", "", "", "", "", date, "", "")))
        for date in ("310226", "150626", "", "160626")
    ]
    assert [fact.utc.day if fact else None for fact in said] == [None, 15, None, 16]


def test_times_that_are_none():
    for field in (b"", b"240000.00", b"126000", b"120060.00", b"12", b"nonsense", b"1200nan", b"-10000.0"):
        assert seconds_of_day(field) is None
    assert seconds_of_day(b"235959.99") == pytest.approx(86_399.99)


@pytest.mark.parametrize("fields", [["GNGGA", "120000.00", "1"], ["GNGST"], ["GNRMC"], ["GNZDA", "120000.00", "1"]])
def test_a_sentence_that_is_too_short_is_said(fields):
    with pytest.raises((IndexError, ValueError)):
        read(sentence(*fields))


def test_what_nobody_reads_is_passed_over():
    tilt = TiltSentence(sentence="PEXMP,TILT", angle_field=3)
    lines = [
        sentence("GNGGA", "120000.00", "", "N", "", "E", "1", "", "", "", "M", "", "M", "", ""),
        sentence("GPGSV", "1", "1", "01", "01", "57", "067", "48"),
        sentence("IIXDR", "A", "1.0", "D", "PTCH", "A", "1.0", "D", "ROLL"),
        sentence("PEXMP", "TILT", "1.0"),
        sentence("GNRMC", "120000.00", "A", "", "", "", "", "", "", "150626", "", ""),
    ]
    assert [type(read(line, tilt=tilt)) for line in lines] == [Fix, SignalLevels, Tilt, Tilt, Utc]
    assert [read(line, wanted={Utc}, tilt=tilt) for line in lines[:-1]] == [None] * 4
    assert math.isclose(read(lines[-1], wanted={Utc}).utc.hour, 12)


def test_a_second_said_twice_in_one_read_is_said_once():
    rmc = [sentence("GNRMC", f"1200{at}", "A", "", "", "", "", "", "", "150626", "", "") for at in ("00.00", "01.00")]
    zda = [sentence("GNZDA", f"1200{at}", "15", "06", "2026", "00", "00") for at in ("00.00", "01.00")]
    sentences = Sentences("line", None, FACTS)

    def sources(t, *lines):
        return [
            (fact.utc.second, fact.source) for line in lines for fact in sentences.read(t, line[3:6], line) if type(fact) is Utc
        ]

    assert sources(5.0, rmc[0], zda[0]) == [(0, "RMC")]
    assert sources(5.1, zda[0]) == [(0, "ZDA")]  # its read came later: how late is worth knowing
    assert sources(6.0, zda[1], rmc[1]) == [(1, "ZDA")]
    assert sources(7.0, rmc[0], rmc[1]) == [(0, "RMC"), (1, "RMC")]  # two seconds in one read are two


def gsv(index, *levels, count=2):
    satellites = [field for number, level in enumerate(levels) for field in (f"{10 * index + number}", "45", "123", f"{level}")]
    return sentence("GPGSV", str(count), str(index), "08", *satellites, "1")


def test_a_group_of_levels_is_read_whole_every_ten_seconds():
    sentences = Sentences("line", None, FACTS)

    def levels(t, *lines):
        return [fact.levels for line in lines for fact in sentences.read(t, b"GSV", line)]

    assert levels(0.0, gsv(2, 20, 20)) == []  # its first sentence was lost
    assert levels(1.0, gsv(1, 40, 42), gsv(2, 44, 46)) == [{"G1": (43.0, 4)}]
    assert [levels(t, gsv(1, 30, 30), gsv(2, 30, 30)) for t in (2.0, 10.9)] == [[], []]
    assert levels(10.99, gsv(1, 30, 30)) + levels(11.01, gsv(2, 30, 30)) == []  # begun before its time
    assert levels(12.0, gsv(1, 50), gsv(2, 40)) == [{"G1": (45.0, 2)}]  # and nothing of the one before in it
    assert levels(30.0, gsv(1, "", ""), gsv(2, "", "")) == []
    assert levels(31.0, gsv(1, 41), gsv(2, 43)) == [{"G1": (42.0, 2)}]


GOOD = "GPGGA,120000.00,3907.40740,N,10459.25926,W,4,17,0.8,1850.0,M,-17.8,M,1.0,0417"


@pytest.mark.parametrize(
    "body",
    [
        "GPZDA,120000.00,04,05,99999999999999999999,00,00",
        "GPZDA,120000.00,99999999999999999999,05,2026,00,00",
        "GPZDA,120000.00,04,05,-2026,00,00",
        "GPZDA,120000.00,04,05,2101,00,00",
        "GPGSV,1,1,01,02,45,123,44,1A",
        "GPGSV,1,1,01,02,45,123,44,x",
        "GPGSV,1,1,01,1234567890,45,123,44,1",
        "GPGSV,99999999999999999999,1,01,02,45,123,44,1",
        "GPGGA,120000.00,3907.4,N,10459.2,W,99999999999999999999,17,0.8,1850.0,M,-17.8,M,1.0,0417",
    ],
)
def test_a_number_that_cannot_be_costs_its_own_sentence_alone(body):
    """The others of the same chunk keep their facts, and no error goes further."""
    data = sentence(*body.split(",")) + sentence(*GOOD.split(","))
    decoder = Decoder("receiver")
    facts = decoder.decode(1.0, Framer().feed(data))
    assert [type(fact) for fact in facts] == [Fix]
    traffic = decoder.take_traffic(1.2)
    assert traffic is not None
    assert [name for name in traffic.by_message if name.endswith("unread")] == [f"{body[2:5]} unread"]
