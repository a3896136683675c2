"""Sentences read field by field against pynmeagps's own reading of the whole sentence: the same bytes, the same values."""

import datetime as dt
import math

import pynmeagps
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.daemon.stream.decoding import FACTS
from witnesspost.daemon.stream.framing import nmea_checksum
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
    return Sentences("line", tilt, wanted).read(1.0, line[3:6], line)


def or_none(value):
    return None if value == "" else value


def of_day(time):
    return None if time == "" else time.hour * 3600 + time.minute * 60 + time.second + time.microsecond / 1e6


@given(
    CLOCK, angle(2, 89), st.sampled_from("NS"), angle(3, 179), st.sampled_from("EW"), st.sampled_from(["", *"0124568"]),
    COUNT, DECIMAL, DECIMAL, DECIMAL, DECIMAL, COUNT,
)  # fmt: skip
@settings(deadline=None, max_examples=400)
def test_a_position_is_what_pynmeagps_reads(time, lat, ns, lon, ew, quality, satellites, hdop, height, separation, age, base):
    fields = [time, lat, ns, lon, ew, quality, satellites, hdop, height, "M", separation, "M", age, base]
    line = sentence("GNGGA", *fields)
    theirs = pynmeagps.NMEAReader.parse(line)
    ours = read(line)
    assert isinstance(ours, Fix)
    assert ours.time_s == pytest.approx(of_day(theirs.time))
    assert ours.quality == (theirs.quality or 0)
    assert [ours.latitude, ours.longitude, ours.height_m, ours.separation_m] == [
        or_none(value) for value in (theirs.lat, theirs.lon, theirs.alt, theirs.sep)
    ]
    assert [ours.satellites, ours.hdop, ours.age_s, ours.station_id] == [
        or_none(value) for value in (theirs.numSV, theirs.HDOP, theirs.diffAge, theirs.diffStation)
    ]


@given(CLOCK, DECIMAL, DECIMAL, DECIMAL)
@settings(deadline=None, max_examples=100)
def test_the_spread_is_what_pynmeagps_reads_and_goes_to_the_position_of_its_time(time, north, east, up):
    line = sentence("GNGST", time, "1.0", "", "", "", north, east, up)
    theirs = pynmeagps.NMEAReader.parse(line)
    sentences = Sentences("line", None, FACTS)
    assert sentences.read(1.0, b"GST", line) is None
    gga = sentence("GNGGA", time, "", "N", "", "E", "4", "", "", "", "M", "", "M", "", "")
    fix = sentences.read(1.0, b"GGA", gga)
    assert [fix.sigma_north_m, fix.sigma_east_m, fix.sigma_up_m] == [
        or_none(value) for value in (theirs.stdLat, theirs.stdLong, theirs.stdAlt)
    ]


@given(st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2068, 12, 31)), st.sampled_from(["A", "V", ""]))
@settings(deadline=None, max_examples=100)
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
        sentences.read(1.0, b"RMC", sentence("GNRMC", "120000.00", "A", "", "", "", "", "", "", date, "", ""))
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
