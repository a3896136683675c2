"""Expected ARP and its arithmetic, against EPSG's worked examples."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer
from witnesspost.rules.datum.geodesy import DatumError, enu, expected_arp, from_enu, to_ecef, to_geodetic
from witnesspost.rules.datum.geoid import bundled_geoid
from witnesspost.rules.gnss import HEIGHT_UNIT_M, Ellipsoid
from witnesspost.rules.site.reading import site_from_table

WGS84 = Ellipsoid(6378137.0, 298.257223563)
X, Y, Z = 3771793.968, 140253.342, 5124304.349
LATITUDE, LONGITUDE, HEIGHT = 53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600, 73.0


def site(role="base", frame="EPSG:6319", antenna_height_m=1.843, project=None, **point):
    control = {"name": "KQ-1", "height": 1874.322, **point}
    if "easting" not in point:
        control = {"latitude": 39.1234567, "longitude": -104.9876543, **control}
    return site_from_table(
        {
            "post": {"name": "kestrel", "role": role},
            "stream": [{"name": "line", "port": "loop://", "carries": ["corrections"]}],
            "project": {"frame": frame, "vertical": "geoid", "control": [control], **(project or {})},
            "base": {"occupies": "KQ-1", "antenna_height_m": antenna_height_m},
        }
    )


def test_geographic_to_geocentric_example():
    # IOGP Guidance Note 373-7-2, EPSG method 9602, the worked example; tolerance 1 mm.
    assert to_ecef(LATITUDE, LONGITUDE, HEIGHT, WGS84) == pytest.approx((X, Y, Z), abs=1e-3)


def test_geocentric_to_geographic_example():
    # IOGP 373-7-2, EPSG method 9602, the example backwards; tolerance 1e-8 degrees, 1 mm.
    latitude, longitude, height = to_geodetic((X, Y, Z), WGS84)
    assert (latitude, longitude) == pytest.approx((LATITUDE, LONGITUDE), abs=1e-8)
    assert height == pytest.approx(HEIGHT, abs=1e-3)


def test_geocentric_translation_example():
    # IOGP 373-7-2, EPSG method 9603 (WGS 84 to ED50): 53 48 36.565 N, 2 07 51.477 E, 28.02 m on International 1924.
    shifted = (X + 84.87, Y + 96.49, Z + 116.95)
    latitude, longitude, height = to_geodetic(shifted, Ellipsoid(6378388.0, 297.0))
    assert latitude == pytest.approx(53 + 48 / 60 + 36.565 / 3600, abs=0.001 / 3600)
    assert longitude == pytest.approx(2 + 7 / 60 + 51.477 / 3600, abs=0.001 / 3600)
    assert height == pytest.approx(28.02, abs=0.01)


def test_topocentric_example_from_geocentric():
    # IOGP 373-7-2, EPSG method 9836: U −189013.869, V −128642.040, W −4220.171; tolerance 1 mm.
    origin = (3652755.3058, 319574.6799, 5201547.3536)
    assert enu(origin, (X, Y, Z), WGS84) == pytest.approx((-189013.869, -128642.040, -4220.171), abs=1.5e-3)


def test_topocentric_example_from_geographic():
    # IOGP 373-7-2, EPSG method 9837: the same from 53 48 33.820 N 2 07 46.380 E 73.0 m, origin 55 N 5 E 200 m.
    origin = to_ecef(55.0, 5.0, 200.0, WGS84)
    point = to_ecef(LATITUDE, LONGITUDE, HEIGHT, WGS84)
    assert enu(origin, point, WGS84) == pytest.approx((-189013.869, -128642.040, -4220.171), abs=1e-3)


def test_position_vector_example_and_its_trap():
    # IOGP 373-7-2, EPSG method 9606 (WGS 72 to WGS 84): 3657660.78, 255778.43, 5201387.75; tolerance 0.01 m. PROJ does it.
    given_at, wanted = (3657660.66, 255768.55, 5201382.11), (3657660.78, 255778.43, 5201387.75)
    parameters = "+proj=helmert +z=4.5 +rz=0.554 +s=0.219"
    vector = Transformer.from_pipeline(f"{parameters} +convention=position_vector")
    frame = Transformer.from_pipeline(f"{parameters.replace('0.554', '-0.554')} +convention=coordinate_frame")
    assert vector.transform(*given_at) == pytest.approx(wanted, abs=0.01)
    assert frame.transform(*given_at) == pytest.approx(wanted, abs=0.01)  # method 9607: the rotation's sign turned
    wrong = Transformer.from_pipeline(f"{parameters} +convention=coordinate_frame").transform(*given_at)
    assert abs(wrong[1] - wanted[1]) == pytest.approx(19.65, abs=0.01)  # computed: the wrong convention raises nothing


def test_time_dependent_example_and_its_trap():
    # IOGP 373-7-2, EPSG method 1053, ITRF2008 to GDA94 at 2013.90 (section 2.4.3.4 of an older edition); tolerance 1 mm.
    operation = Transformer.from_pipeline("urn:ogc:def:coordinateOperation:EPSG::6276")
    at, wanted = (-3789470.710, 4841770.404, -1690893.952), (-3789470.004, 4841770.686, -1690895.108)
    assert operation.transform(*at, 2013.90)[:3] == pytest.approx(wanted, abs=1e-3)
    no_epoch = operation.transform(*at)
    assert math.dist(no_epoch, wanted) > 1.0  # computed: without an epoch it is wrong by 0.75, 0.21 and 1.14 m, silently


def test_feet_are_exact():
    # 85 FR 62698 (NIST and NGS, 2020): the US survey foot is 1200/3937 m, the foot 0.3048 m; 4 survey feet at 2,000,000 ft.
    assert HEIGHT_UNIT_M["us-ft"] == pytest.approx(float(Fraction(1200, 3937)), abs=1e-15)
    assert HEIGHT_UNIT_M["ft"] == 0.3048
    mixed_up = 2_000_000 * (Fraction(1200, 3937) - Fraction(3048, 10_000))
    assert mixed_up == 4 * Fraction(1200, 3937)
    assert 2_000_000 * (HEIGHT_UNIT_M["us-ft"] - HEIGHT_UNIT_M["ft"]) == pytest.approx(1.219202438, abs=1e-9)


def test_expected_arp_is_control_plus_separation_plus_antenna_height():
    arp = expected_arp(site())
    n = bundled_geoid().separation_m(39.1234567, -104.9876543)
    assert arp.separation_m == pytest.approx(n)
    assert arp.ellipsoidal_height_m == pytest.approx(1874.322 + n + 1.843, abs=1e-9)
    assert (arp.x_m, arp.y_m, arp.z_m) == pytest.approx(to_ecef(39.1234567, -104.9876543, 1874.322 + n + 1.843), abs=1e-6)
    assert (arp.frame, arp.epoch) == ("EPSG:6319", None)
    assert arp.height_error_m == arp.geoid_error_m > 0


def test_ellipsoidal_heights_take_no_separation_and_no_grid_error():
    arp = expected_arp(site(project={"vertical": "ellipsoidal"}))
    assert arp.ellipsoidal_height_m == pytest.approx(1874.322 + 1.843)
    assert arp.height_error_m == 0


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", 0.3048), ("us-ft", 1200 / 3937)])
def test_height_units(unit, metres):
    arp = expected_arp(site(project={"vertical": "ellipsoidal", "height_unit": unit}))
    assert arp.mark_height_m == pytest.approx(1874.322 * metres, abs=1e-9)


def test_sexagesimal_text_is_the_same_place():
    decimal = expected_arp(site(latitude=39 + 7 / 60 + 24.44412 / 3600, longitude=-(104 + 59 / 60 + 15.55548 / 3600)))
    text = expected_arp(site(latitude="39 07 24.44412 N", longitude="104 59 15.55548 W"))
    assert math.dist(decimal.ecef, text.ecef) < 1e-6


@pytest.mark.parametrize(
    ("frame", "unit", "latitude", "longitude"),
    [
        ("EPSG:6428", "us-ft", 39.1234567, -104.9876543),  # Lambert, US survey feet
        ("EPSG:25832", "m", 48.3123457, 11.2345678),
        ("EPSG:7855", "m", -31.5234567, 147.2345678),
        ("EPSG:2193", "m", -40.1234567, 176.2345678),  # northing before easting in EPSG
    ],
)
def test_a_grid_point_is_the_same_place_as_its_latitude_and_longitude(frame, unit, latitude, longitude):
    from witnesspost.rules.datum.frames import frame_of

    grid = frame_of(frame)
    easting, northing = grid.grid(latitude, longitude)
    arp = expected_arp(
        site(frame=frame, project={"vertical": "ellipsoidal", "height_unit": unit}, easting=easting, northing=northing)
    )
    assert (arp.latitude, arp.longitude) == pytest.approx((latitude, longitude), abs=1e-9)
    assert arp.grid == (easting, northing)
    # PROJ by another way: the grid straight to the geocentric form of the same datum.
    height = 1874.322 * HEIGHT_UNIT_M[unit] + 1.843
    assert math.dist(arp.ecef, to_ecef(latitude, longitude, height, grid.ellipsoid)) < 1e-4


def test_no_base_no_expectation():
    nobody = site_from_table(
        {
            "post": {"name": "kestrel", "role": "base"},
            "stream": [{"name": "line", "port": "loop://", "carries": ["corrections"]}],
        }
    )
    assert expected_arp(nobody) is None


def test_grid_coordinates_outside_the_grid_are_an_error_that_names_them():
    with pytest.raises(DatumError, match=r"KQ-1: easting 1e\+30"):
        expected_arp(site(frame="EPSG:25832", easting=1e30, northing=5e6))


@given(
    st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(-5000, 9000),
    st.tuples(*[st.floats(-1e7, 1e7)] * 3),
)  # fmt: skip
def test_enu_and_back(latitude, longitude, height, offset):
    origin = to_ecef(latitude, longitude, height)
    there = from_enu(origin, offset)
    assert enu(origin, there) == pytest.approx(offset, abs=1e-5)
    assert math.dist(origin, there) == pytest.approx(math.hypot(*offset), abs=1e-5)
