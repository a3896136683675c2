"""What the field has fixed, against libraries that list it too."""

import pyproj
import pyrtcm
import pytest
from pynmeagps.nmeahelpers import LEAPSECONDS
from pynmeagps.nmeatypes_decodes import FIXTYPE_GGA
from witnesspost.rules import gnss
from witnesspost.rules.gnss import FixQuality


def test_observation_messages_are_those_that_pyrtcm_names_so():
    names = {int(number): name for number, name in pyrtcm.RTCM_MSGIDS.items() if number.isdecimal()}
    msm = {number: name.split() for number, name in names.items() if " MSM" in name and not name.startswith("Reserved")}
    assert {
        number: f"{gnss.CONSTELLATIONS[system].upper()} MSM{gnss.msm_kind(number)}" for number, system in gnss.MSM.items()
    } == {number: f"{system.partition('/')[0].upper()} {kind}" for number, (system, kind) in msm.items()}
    legacy = {number: name.split()[0] for number, name in names.items() if "RTK Observables" in name}
    assert {number: gnss.CONSTELLATIONS[system] for number, system in gnss.LEGACY_OBSERVATIONS.items()} == legacy
    assert {number for number in range(4096) if gnss.is_observation(number)} == {*msm, *legacy}


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        (gnss.STATION_POSITION, "Stationary RTK Reference Station ARP"),
        ({gnss.STATION_POSITION_WITH_HEIGHT}, "ARP with Antenna Height"),
        (gnss.ANTENNA, "Antenna Descriptor"),
        ({gnss.RECEIVER_AND_ANTENNA}, "Receiver and Antenna Descriptors"),
        ({gnss.TEXT}, "Unicode Text String"),
        ({gnss.GLONASS_BIAS}, "GLONASS L1 and L2 Code-Phase Biases"),
    ],
)
def test_messages_are_named_by_pyrtcm_as_here(numbers, words):
    assert {number for number, name in pyrtcm.RTCM_MSGIDS.items() if words in name} == set(map(str, numbers))


@pytest.mark.parametrize(("ellipsoid", "code"), [(gnss.GRS80, 7019), (gnss.WGS84, 7030)])
def test_ellipsoids_are_the_epsg_registrys(ellipsoid, code):
    registered = pyproj.crs.Ellipsoid.from_epsg(code)
    assert ellipsoid == (registered.semi_major_metre, registered.inverse_flattening)


def test_time_scales_are_as_far_apart_as_the_table_of_leap_seconds_says():
    """GPS time is TAI − 19 s and BeiDou time TAI − 33 s for good: each began level with UTC (IS-GPS-200, BDS-SIS-ICD)."""
    tai_minus_utc = dict(LEAPSECONDS)  # as published at data.iana.org, seconds since 1900
    assert max(tai_minus_utc) == 3_692_217_600  # 2017-01-01
    assert max(tai_minus_utc.values()) - 19 == gnss.GPS_MINUS_UTC_S
    assert gnss.GPS_MINUS_BEIDOU_S == 33 - 19
    assert pyrtcm.tow2utc(int(gnss.GPS_MINUS_UTC_S * 1000)).isoformat() == "00:00:00"


def test_fix_qualities_are_those_of_the_standard():
    """As pynmeagps words them; it names 1 and 2 by another field's meaning, and leaves 7 and 8 out."""
    words = {FixQuality.NONE: "NO FIX", FixQuality.RTK_FIXED: "RTK FIXED", FixQuality.RTK_FLOAT: "RTK FLOAT"}
    assert {quality: FIXTYPE_GGA[quality] for quality in words} == words
    assert FIXTYPE_GGA[FixQuality.ESTIMATED] == "DR ONLY"
    assert [*map(int, FixQuality)] == [*range(9)]
