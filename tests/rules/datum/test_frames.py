"""Frames: what PROJ's database says of a code, and what is refused."""

import datetime as dt

import pytest
from pyproj import Transformer
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of
from witnesspost.rules.datum.verdict import decimal_year
from witnesspost.rules.datum.zones import next_zones


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
def test_a_frame_that_cannot_be_used_says_what_was_expected(code, said):
    with pytest.raises(FrameError, match=said):
        frame_of(code)


def test_area_of_use_reaches_over_the_antimeridian():
    frame = Frame(
        name="", code="", semi_major_m=1, inverse_flattening=1, unit_m=None, code_3d=None, ensemble=None,
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
    ("code", "latitude", "longitude", "step", "halves"),
    [("EPSG:7855", -31.5, 147.2, 6.0, True), ("EPSG:31468", 48.3, 11.2, 3.0, False), ("EPSG:25832", 48.3, 11.2, 6.0, True)],
)
def test_strips_of_a_grid(code, latitude, longitude, step, halves):
    frame = frame_of(code)
    zones = next_zones(frame, latitude, longitude)
    assert [which for which, *_ in zones[2:]] == (
        [f"the {'southern' if latitude > 0 else 'northern'} half of the strip"] if halves else []
    )
    assert [(north, east) for _, north, east in zones[:2]] == [
        pytest.approx((latitude, longitude - step), abs=1e-8),
        pytest.approx((latitude, longitude + step), abs=1e-8),
    ]


def test_southern_utm_numbers_taken_as_northern():
    # PROJ's own utm with and without +south is the other route: northings are 10,000 km apart.
    grid = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=utm +zone=55 +south"
    )
    north_half = Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=utm +zone=55"
    )
    longitude, latitude = north_half.transform(*grid.transform(147.2, -31.5), direction="INVERSE")
    *_, (which, north, east) = next_zones(frame_of("EPSG:7855"), -31.5, 147.2)
    assert which == "the northern half of the strip"
    assert (north, east) == (pytest.approx(latitude, abs=1e-6), pytest.approx(longitude, abs=1e-6))


def test_zones_of_a_state_are_neighbours_in_their_unit():
    names = [which for which, *_ in next_zones(frame_of("EPSG:6428"), 39.1, -105.0)]
    assert names == ["NAD83(2011) / Colorado North (ftUS)", "NAD83(2011) / Colorado South (ftUS)"]


def test_decimal_year():
    assert decimal_year(dt.datetime(2026, 1, 1, tzinfo=dt.UTC)) == 2026.0
    assert decimal_year(dt.datetime(2025, 7, 2, 12, tzinfo=dt.UTC)) == pytest.approx(2025.5, abs=1e-9)
    assert decimal_year(dt.datetime(2024, 12, 31, 23, 59, 59, tzinfo=dt.UTC)) == pytest.approx(2025.0, abs=1e-6)
