"""Every sentence, decoded again by pynmeagps, and checksums that have been published."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pynmeagps import NMEAMessage, NMEAReader
from witnesspost.replay.world import nmea
from witnesspost.replay.world.observe import Observation, Signal

WHEN = dt.datetime(2026, 5, 4, 6, 7, 8, 250_000, tzinfo=dt.UTC)


def decode(data: bytes) -> NMEAMessage:
    """Checksum and form are checked by the decoder."""
    assert data.endswith(b"\r\n")
    message = NMEAReader.parse(data, validate=1)
    assert isinstance(message, NMEAMessage)
    return message


@pytest.mark.parametrize(
    "published",
    [
        # Sentences with their checksums as several public references print them; not from the standard itself.
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        b"$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
        b"$GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,*28",
        b"$GPZDA,160012.71,11,03,2004,-1,00*7D",
    ],
)
def test_checksum_is_the_published_one(published: bytes) -> None:
    address, *fields = published[1 : published.index(b"*")].decode().split(",")
    assert nmea.sentence(address, *fields) == published + b"\r\n"


def test_missing_values_are_empty_fields() -> None:
    assert nmea.sentence("GNXXX", None, 1, "", 2.5, None).startswith(b"$GNXXX,,1,,2.5,*")


latitudes = st.floats(-90, 90)
longitudes = st.floats(-180, 180)


@given(
    st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2099, 1, 1)),
    latitudes,
    longitudes,
    st.sampled_from([0, 1, 2, 4, 5]),
    st.integers(0, 60),
    st.floats(0.3, 99),
    st.floats(-400, 9000),
    st.floats(-107, 86),
    st.none() | st.floats(0, 999),
    st.none() | st.integers(0, 4095),
)
def test_gga_comes_back(
    when: dt.datetime,
    latitude: float,
    longitude: float,
    quality: int,
    satellites: int,
    hdop: float,
    height_m: float,
    separation_m: float,
    age_s: float | None,
    station_id: int | None,
) -> None:
    data = nmea.gga(when, latitude, longitude, quality, satellites, hdop, height_m, separation_m, age_s, station_id)
    assert len(data) <= 110
    message = decode(data)
    assert message.identity == "GNGGA"
    seconds = (message.time.hour * 60 + message.time.minute) * 60 + message.time.second
    assert seconds == (when.hour * 60 + when.minute) * 60 + when.second
    assert message.time.microsecond // 10_000 == when.microsecond // 10_000
    # Seven decimals of a minute: 0.1 mm of latitude is 9e-10 degrees.
    assert message.lat == pytest.approx(latitude, abs=1e-9)
    assert message.lon == pytest.approx(longitude, abs=1e-9)
    assert (message.quality, message.numSV) == (quality, satellites)
    assert pytest.approx(hdop, abs=0.0051) == message.HDOP
    assert message.alt == pytest.approx(height_m, abs=5.1e-5)
    assert message.sep == pytest.approx(separation_m, abs=5.1e-5)
    assert (message.altUnit, message.sepUnit) == ("M", "M")
    if age_s is None:
        assert message.diffAge == ""
    else:
        assert float(message.diffAge) == pytest.approx(age_s, abs=0.051)
    assert message.diffStation == ("" if station_id is None else station_id)


def test_gga_without_a_position_leaves_it_empty() -> None:
    data = nmea.gga(WHEN, None, None, 0, 0, None, None, None)
    assert data == b"$GNGGA,060708.25,,,,,0,00,,,M,,M,,*58\r\n"
    message = decode(data)
    assert (message.lat, message.lon, message.alt, message.sep) == ("", "", "", "")


@pytest.mark.parametrize(
    ("latitude", "longitude", "fields"),
    [
        # Degrees and minutes by hand; the last two round up to a whole degree, never to 60 minutes.
        (39.1234567, -104.9876543, ("3907.4074020", "N", "10459.2592580", "W")),
        (-0.5, 0.5, ("0030.0000000", "S", "00030.0000000", "E")),
        (1.99999999999, -9.99999999999, ("0200.0000000", "N", "01000.0000000", "W")),
        (90.0, 180.0, ("9000.0000000", "N", "18000.0000000", "E")),
    ],
)
def test_degrees_are_written_as_minutes(latitude: float, longitude: float, fields: tuple[str, ...]) -> None:
    assert nmea.gga(WHEN, latitude, longitude, 4, 9, 1.0, 0.0, 0.0).decode().split(",")[2:6] == list(fields)


@given(st.floats(0, 99), st.floats(0, 99), st.floats(0, 99))
def test_gst_comes_back(north_m: float, east_m: float, up_m: float) -> None:
    message = decode(nmea.gst(WHEN, north_m, east_m, up_m))
    assert message.identity == "GNGST"
    assert [message.stdLat, message.stdLong, message.stdAlt] == pytest.approx([north_m, east_m, up_m], abs=5.1e-5)
    assert message.stdMajor == pytest.approx(max(north_m, east_m), abs=5.1e-5)
    assert message.stdMinor == pytest.approx(min(north_m, east_m), abs=5.1e-5)
    assert message.orient == (0.0 if north_m >= east_m else 90.0)


def test_gst_that_knows_nothing_is_empty() -> None:
    assert nmea.gst(WHEN, None, None, None).startswith(b"$GNGST,060708.25,,,,,,,*")


# RMC has two digits of year; decoders put 69 to 99 into the last century.
@given(st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2068, 12, 31)), latitudes, longitudes, st.floats(0, 50))
def test_rmc_comes_back(when: dt.datetime, latitude: float, longitude: float, speed_m_s: float) -> None:
    message = decode(nmea.rmc(when, latitude, longitude, speed_m_s, 123.4, "R"))
    assert (message.date, message.status, message.posMode) == (when.date(), "A", "R")
    assert [message.lat, message.lon] == pytest.approx([latitude, longitude], abs=1e-9)
    # A knot is 1852 m an hour, exactly (BIPM, The International System of Units, table 8 of the 8th edition).
    assert message.spd * 1852 / 3600 == pytest.approx(speed_m_s, abs=3e-4)
    assert message.cog == 123.4


def test_rmc_without_a_position_says_so() -> None:
    message = decode(nmea.rmc(WHEN, None, None, mode="N"))
    assert (message.status, message.lat, message.lon, message.posMode, message.date) == ("V", "", "", "N", WHEN.date())


@given(st.datetimes(dt.datetime(1980, 1, 6), dt.datetime(2099, 1, 1)))
def test_zda_comes_back(when: dt.datetime) -> None:
    message = decode(nmea.zda(when))
    assert (message.day, message.month, message.year) == (when.day, when.month, when.year)
    assert (message.ltzh, message.ltzn) == ("00", "00")
    assert message.time.replace(microsecond=0) == when.time().replace(microsecond=0)


def observation(system: str, prn: int, azimuth_deg: float, elevation_deg: float, **levels: float) -> Observation:
    signals = [Signal(code.strip("_"), 2e7, 2e7, 0.0, level, 1.0, 0.2) for code, level in levels.items()]
    return Observation(system, prn, azimuth_deg, elevation_deg, None, signals)


def groups(data: list[bytes]) -> list[tuple[object, ...]]:
    """(number, elevation, azimuth, C/N0) of every satellite of a GSV group, whose counters are checked on the way."""
    out = []
    for part, message in enumerate(map(decode, data), 1):
        assert (message.numMsg, message.msgNum) == (len(data), part)
        for place in range(1, 5):
            if hasattr(message, f"svid_{place:02d}"):
                out.append(tuple(getattr(message, f"{n}_{place:02d}") for n in ("svid", "elv", "az", "cno")))
        total = message.numSV
    assert total == len(out)
    return out


@pytest.mark.parametrize("count", [1, 3, 4, 5, 8, 9])
def test_gsv_comes_back_four_a_sentence(count: int) -> None:
    rows = [observation("E", prn, 40.4 * prn, 9.0 * prn, _1C=40.0 + prn, _7Q=30.0 + prn) for prn in range(1, count + 1)]
    data = nmea.gsv("E", [*rows, observation("G", 9, 1, 1, _1C=33)], "7Q")
    assert len(data) == -(-count // 4)
    assert groups(data) == [(prn, 9 * prn, round(40.4 * prn) % 360, 30 + prn) for prn in range(1, count + 1)]
    assert decode(data[-1]).signalID == "2"
    assert all(d.startswith(b"$GAGSV") for d in data)
    assert groups(nmea.gsv("E", rows))[0][-1] == 41


def test_gsv_of_a_signal_that_is_not_tracked_leaves_it_empty() -> None:
    assert groups(nmea.gsv("G", [observation("G", 3, 359.7, 45.4, _1C=44)], "2W")) == [(3, 45, 0, "")]


def test_gsv_of_no_satellite_says_so() -> None:
    (data,) = nmea.gsv("C", [])
    assert data.startswith(b"$GBGSV,1,1,00*")
    assert decode(data).numSV == 0


def test_gsv_counts_glonass_from_65() -> None:
    assert groups(nmea.gsv("R", [observation("R", 24, 10, 20, _1C=44)]))[0][0] == 88


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_xdr_tilt_comes_back(pitch_deg: float, roll_deg: float) -> None:
    message = decode(nmea.xdr_tilt(pitch_deg, roll_deg))
    assert [message.tdrtype_01, message.dataunit_01, message.tdrid_01] == ["A", "D", "PTCH"]
    assert [message.tdrtype_02, message.dataunit_02, message.tdrid_02] == ["A", "D", "ROLL"]
    assert [message.data_01, message.data_02] == pytest.approx([pitch_deg, roll_deg], abs=0.0051)


@given(
    latitudes,
    longitudes,
    st.text("NADFR", min_size=1, max_size=4),
    st.integers(0, 60),
    st.floats(0.3, 99),
    st.floats(-400, 9000),
    st.floats(-107, 86),
    st.none() | st.floats(0, 999),
    st.none() | st.integers(0, 4095),
)
def test_gns_comes_back(latitude, longitude, modes, satellites, hdop, height, separation, age, station):
    said = decode(nmea.gns(WHEN, latitude, longitude, modes, satellites, hdop, height, separation, age, station))
    assert said.identity == "GNGNS"
    assert (said.time, said.posMode, said.numSV) == (WHEN.time(), modes, satellites)
    assert said.lat == pytest.approx(latitude, abs=1e-8)
    assert said.lon == pytest.approx(longitude, abs=1e-8)
    assert (said.HDOP, said.alt, said.sep) == (
        pytest.approx(hdop, abs=0.006),
        pytest.approx(height, abs=6e-5),
        pytest.approx(separation, abs=6e-5),
    )
    assert said.diffAge == ("" if age is None else pytest.approx(age, abs=0.06))
    assert said.diffStation == ("" if station is None else station)
