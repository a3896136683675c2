"""Frames and the shifts between them: published examples, a recomputation without PROJ, and the traps of the trade."""

import datetime as dt
import math

import pytest
from witnesspost.rules.datum.frames import Frame, FrameError, Place, epoch_shift, frame_of, frame_shifts, motion_frame
from witnesspost.rules.datum.frames import _transform as transform  # the one step under every shift
from witnesspost.rules.datum.geodesy import enu, to_ecef
from witnesspost.rules.datum.verdict import decimal_year
from witnesspost.rules.datum.zones import next_zones


def place(latitude, longitude, height=0.0):
    return Place(to_ecef(latitude, longitude, height), latitude, longitude)


def shifts(frame, at, today, epoch=None):
    """East, north, up by the name of the other frame."""
    return {shift.name: enu(at.at, shift.at) for shift in frame_shifts(frame_of(frame), epoch, at, today)}


def test_gda94_to_gda2020_example():
    # GDA2020 Technical Manual v1.2, section 3.1.1, Alice Springs.
    given, wanted = (-4052051.7643, 4212836.2017, -2545106.0245), (-4052052.7379, 4212835.9897, -2545104.5898)
    assert transform(4939, 7843, given, 2020.0) == pytest.approx(wanted, abs=2e-4)


def test_itrf2014_at_2018_to_gda2020_example():
    # GDA2020 Technical Manual v1.2, Alice Springs.
    given, wanted = (-4052052.6588, 4212835.9938, -2545104.6946), (-4052052.7373, 4212835.9835, -2545104.5867)
    assert transform(7912, 7843, given, 2018.0) == pytest.approx(wanted, abs=2e-4)


def test_nad83_to_itrf2014_recomputed_without_proj():
    # EPSG:8970 (ITRF2014 to NAD83(2011)): parameters of the EPSG registry, coordinate frame rotation, t0 2010.0.
    translation, rates = (1.00530, -1.90921, -0.54157), (0.00079, -0.00060, -0.00144)
    rotation, rotation_rates = (26.78138, -0.42027, 10.93206), (0.06667, -0.75744, -0.05133)  # mas, mas a year
    scale, scale_rate = 0.36891e-9, -0.07201e-9
    years = 2025.0 - 2010.0
    t = [a + b * years for a, b in zip(translation, rates, strict=True)]
    rx, ry, rz = (math.radians((a + b * years) / 3.6e6) for a, b in zip(rotation, rotation_rates, strict=True))
    d = 1 + scale + scale_rate * years
    x, y, z = at = transform(6319, 7912, place(40.0, -100.0).at, 2025.0)
    back = (
        t[0] + d * (x + rz * y - ry * z),
        t[1] + d * (-rz * x + y + rx * z),
        t[2] + d * (ry * x - rx * y + z),
    )
    assert back == pytest.approx(place(40.0, -100.0).at, abs=1e-3), at


# Computed with PROJ 9.5.1 and EPSG 11.022; no published value exists for these points. Tolerance 2 cm across versions.
@pytest.mark.parametrize(
    ("frame", "latitude", "longitude", "other", "wanted"),
    [
        ("EPSG:6319", 40.0, -100.0, "ITRF2014 at 2025.0", (-1.2278, 0.6241, -0.9483)),
        ("EPSG:6319", 40.0, -100.0, "ITRF2014 at 2010.0", (-0.9785, 0.6946, -0.9635)),
        ("EPSG:6319", 40.0, -100.0, "ITRF2020 at 2025.0", (-1.2267, 0.6229, -0.9494)),
        ("EPSG:7931", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6031, 0.6455, 0.0212)),
        ("EPSG:8403", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6432, 0.5794, 0.0019)),
        ("EPSG:4937", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6297, 0.5694, 0.0009)),
        ("EPSG:4939", -33.0, 151.0, "GDA2020", (0.5209, 1.4095, -0.0959)),
        ("EPSG:7843", -33.0, 151.0, "ITRF2014 at 2025.0", (0.0946, 0.2725, -0.0008)),
        ("EPSG:4939", -33.0, 151.0, "ITRF2014 at 2025.0", (0.6155, 1.6819, -0.0967)),
    ],
)
def test_shifts_between_frames_in_use(frame, latitude, longitude, other, wanted):
    assert shifts(frame, place(latitude, longitude), 2025.0)[other] == pytest.approx(wanted, abs=0.02)


def test_a_projected_frame_shifts_as_its_geographic_one():
    at = place(39.1234567, -104.9876543, 1860.0)
    assert shifts("EPSG:6428", at, 2025.0) == shifts("EPSG:6319", at, 2025.0)


def test_the_wgs84_ensemble_is_never_compared():
    # EPSG's operations to the ensemble are null and hide the 0.3 to 1.8 m that this is about.
    assert shifts("EPSG:4979", place(40.0, -100.0), 2025.0) == {}
    assert shifts("EPSG:32613", place(40.0, -105.0), 2025.0) == {}
    for frame, latitude, longitude in (("EPSG:6319", 40, -100), ("EPSG:4937", 52, 5), ("EPSG:7843", -33, 151)):
        others = shifts(frame, place(latitude, longitude), 2025.0)
        assert others
        assert not any(name.startswith("WGS 84") for name in others)


def test_an_operation_of_poor_or_unknown_accuracy_predicts_nothing():
    # From PROJ's database: SIRGAS 2000, JGD2011 and NAD83 reach ITRF2014 only by a ballpark step here.
    # WGS 84 (G730) does by an operation of 0.21 m, which is no better than what it would explain.
    poor = (("EPSG:4989", -15, -47), ("EPSG:6667", 36, 138), ("EPSG:4269", 40, -100), ("EPSG:7657", 40, -100))
    for frame, latitude, longitude in poor:
        assert shifts(frame, place(latitude, longitude), 2025.0) == {}


def test_only_frames_in_use_at_the_place_are_candidates():
    names = shifts("EPSG:7912", place(52.0, 5.0), 2025.0, epoch=2025.0)
    assert {"ETRF2000", "ETRF2014"} <= set(names)
    assert not {"NAD83(2011)", "GDA2020", "GDA94"} & set(names)


def test_without_a_date_the_shift_is_less_sure():
    at = place(40.0, -100.0)
    frame = frame_of("EPSG:6319")
    known = {shift.name: shift.sigma_m for shift in frame_shifts(frame, None, at, 2026.0)}
    unknown = {shift.name: shift.sigma_m for shift in frame_shifts(frame, None, at, None)}
    assert set(unknown) == set(known)
    assert unknown["ITRF2014 at 2026.0"] > known["ITRF2014 at 2026.0"]
    assert unknown["ITRF2014 at 2010.0"] == known["ITRF2014 at 2010.0"]
    assert epoch_shift(frame, None, at, None).sigma_m > epoch_shift(frame, None, at, 2026.0).sigma_m


@pytest.mark.parametrize(
    ("latitude", "longitude", "code"), [(40, -100, 6319), (52, 5, 8403), (-33, 151, 7843), (0, -150, None)]
)
def test_the_plate_under_a_place(latitude, longitude, code):
    found = motion_frame(latitude, longitude)
    assert (found.code_3d if found else None) == code


def test_epoch_shift_is_the_plates_motion():
    # Australia moves 7 cm a year to the north-east (GDA2020 Technical Manual: about 7 cm a year, 1.8 m from 1994 to 2020).
    at = place(-25.0, 134.0)
    shift = epoch_shift(frame_of("EPSG:4939"), None, at, 2020.0)
    east, north, up = enu(at.at, shift.at)
    assert math.hypot(east, north) == pytest.approx(1.8, abs=0.1)
    assert east > 0
    assert north > 0
    assert abs(up) < 0.05


def test_a_global_frame_at_todays_epoch_is_the_epoch_shift():
    at = place(52.0, 5.0)
    moved = shifts("EPSG:7912", at, 2025.0, epoch=2010.0)["ITRF2014 at 2025.0"]
    shift = epoch_shift(frame_of("EPSG:7912"), 2010.0, at, 2025.0)
    assert enu(at.at, shift.at) == pytest.approx(moved, abs=1e-4)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("EPSG:5703", "neither geographic nor projected"),  # a vertical frame: no ellipsoid
        ("EPSG:4978", "neither geographic nor projected"),  # geocentric
        ("EPSG:6349", "its horizontal part, EPSG:6318"),  # compound
        ("EPSG:999999", "does not know"),
        ("a frame", "does not know"),
        ("", "does not know"),
    ],
)
def test_a_frame_that_cannot_be_used_says_what_would_do(code, said):
    with pytest.raises(FrameError, match=said):
        frame_of(code)


def test_area_of_use_reaches_over_the_antimeridian():
    frame = Frame(
        name="", code="", semi_major_m=1, inverse_flattening=1, unit_m=None, two_d=True, code_3d=None, ensemble=None,
        area=(167.0, 14.0, -63.0, 74.0),
    )  # fmt: skip
    assert [frame.in_use_at(50, longitude) for longitude in (-180, 180, 170, -100, -63, -60, 160, 0)] == [
        True, True, True, True, True, False, False, False,
    ]  # fmt: skip
    assert frame.in_use_at(50, -62.5, margin_degrees=1.0)
    assert frame.in_use_at(50, 166.5, margin_degrees=1.0)
    assert not frame.in_use_at(10, -100, margin_degrees=1.0)


def test_next_utm_zone_lies_six_degrees_on():
    zones = {which: (latitude, longitude) for which, latitude, longitude in next_zones(frame_of("EPSG:7912"), 48.3, 11.2)}
    assert set(zones) == {"UTM zone 31", "UTM zone 33"}
    # Same offset from the central meridian, same northing: EPSG:9807 depends on the longitude difference only.
    assert zones["UTM zone 33"] == pytest.approx((48.3, 17.2), abs=1e-9)
    assert zones["UTM zone 31"] == pytest.approx((48.3, 5.2), abs=1e-9)


def test_the_last_utm_zone_is_beside_the_first():
    zones = [which for which, *_ in next_zones(frame_of("EPSG:7912"), 10.0, 179.0)]
    assert zones == ["UTM zone 59", "UTM zone 1"]


@pytest.mark.parametrize(
    ("code", "latitude", "longitude", "step"), [("EPSG:7855", -31.5, 147.2, 6.0), ("EPSG:31468", 48.3, 11.2, 3.0)]
)
def test_strips_of_a_grid(code, latitude, longitude, step):
    frame = frame_of(code)
    at = [(north, east) for _, north, east in next_zones(frame, latitude, longitude)]
    assert at == [
        pytest.approx((latitude, longitude - step), abs=1e-8),
        pytest.approx((latitude, longitude + step), abs=1e-8),
    ]


def test_zones_of_a_state_are_neighbours_in_their_unit():
    names = [which for which, *_ in next_zones(frame_of("EPSG:6428"), 39.1, -105.0)]
    assert names == ["NAD83(2011) / Colorado North (ftUS)", "NAD83(2011) / Colorado South (ftUS)"]


def test_decimal_year():
    assert decimal_year(dt.datetime(2026, 1, 1, tzinfo=dt.UTC)) == 2026.0
    assert decimal_year(dt.datetime(2025, 7, 2, 12, tzinfo=dt.UTC)) == pytest.approx(2025.5, abs=1e-9)
    assert decimal_year(dt.datetime(2024, 12, 31, 23, 59, 59, tzinfo=dt.UTC)) == pytest.approx(2025.0, abs=1e-6)
