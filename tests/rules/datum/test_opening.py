"""How a project's frame is opened: a frame of GNSS as itself, an old datum by PROJ's grids, each to its stated accuracy.

Independent routes: worked examples of EPSG's Guidance Note 7-2 (IOGP 373-7-2, section 3.2), of swisstopo ("Formulas and
constants for the calculation of the Swiss conformal cylindrical projection") and of the Ordnance Survey ("A guide to
coordinate systems in Great Britain"), each found quoted alike in several public test suites; and PROJ pipelines that are
written out here, with the German and Swiss grids of Debian's proj-data.
"""

import math
import shutil
from pathlib import Path

import pytest
from pyproj import CRS, Transformer
from witnesspost.rules.datum.check import check_datum, datum_notes
from witnesspost.rules.datum.frames import FrameError, frame_of
from witnesspost.rules.datum.geodesy import expected_arp, to_ecef
from witnesspost.rules.datum.national import is_spoken_by_gnss, way_of
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.datum.verdict import Datum
from witnesspost.rules.gnss import GRS80
from witnesspost.rules.site.reading import site_from_table

DEBIAN = Path("/usr/share/proj")
"""Where Debian's proj-data puts its grids; the gate installs it."""
needs_grids = pytest.mark.skipif(not (DEBIAN / "BETA2007.gsb").exists(), reason="proj-data is not installed")
_DEG = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad"
_BACK = "+step +proj=unitconvert +xy_in=rad +xy_out=deg"


def site(*control, path="", base=None, **project):
    return site_from_table(
        {
            "post": {"name": "kestrel", "role": "base"},
            "stream": [{"name": "line", "port": "loop://", "carries": ["corrections"]}],
            "project": {"vertical": "ellipsoidal", **project, "control": list(control)},
            **({"base": {"occupies": base, "antenna_height_m": 0.0}} if base else {}),
        },
        str(path),
    )


def grid_point(easting, northing, name="A", height=100.0):
    return {"name": name, "easting": easting, "northing": northing, "height": height}


def place(latitude, longitude, name="A", height=100.0):
    return {"name": name, "latitude": latitude, "longitude": longitude, "height": height}


def dms(d, m, s):
    return math.copysign(abs(d) + m / 60 + s / 3600, d)


def apart_m(one, other):
    """Between two (latitude, longitude), on GRS 80 at height 0."""
    return math.dist(to_ecef(*one, 0.0), to_ecef(*other, 0.0))


@pytest.mark.parametrize(
    ("code", "latitude", "longitude", "easting", "northing", "unit_m"),
    [
        # GN 7-2: Transverse Mercator, OSGB36 / British National Grid
        ("EPSG:27700", 50.5, 0.5, 577274.99, 69740.50, 1.0),
        # GN 7-2: Lambert Conic Conformal (2SP), NAD27 / Texas South Central, US survey feet
        ("EPSG:32040", 28.5, -96.0, 2963503.91, 254759.80, 1200 / 3937),
        # OS guide, annex C: Caister water tower
        ("EPSG:27700", dms(52, 39, 27.2531), dms(1, 43, 4.5177), 651409.903, 313177.270, 1.0),
        # swisstopo: Rigi, on CH1903
        ("EPSG:21781", dms(47, 3, 28.95659233), dms(8, 29, 11.11127154), 679520.05, 212273.44, 1.0),
    ],
)
def test_projections_by_published_examples(code, latitude, longitude, easting, northing, unit_m):
    frame = frame_of(code)  # on its own datum
    assert frame.unit_m == pytest.approx(unit_m, rel=1e-12)
    assert frame.grid(latitude, longitude) == pytest.approx((easting, northing), abs=0.011)
    assert apart_m(frame.geographic(easting, northing), (latitude, longitude)) < 0.011


def test_what_gnss_speaks_and_what_it_does_not():
    from pyproj import CRS

    spoken = (4326, 4979, 4258, 4937, 6319, 4957, 8255, 7844, 4283, 4167, 4674, 6668, 4490, 4148, 4619, 4171, 9755, 7664, 7681)
    old = (4314, 4149, 4150, 4277, 4289, 4267, 4230, 4275, 4807, 4202, 4301, 4312, 4156, 4618, 4313, 4284, 9267)
    assert [code for code in spoken if not is_spoken_by_gnss(CRS.from_epsg(code))] == []
    assert [code for code in old if is_spoken_by_gnss(CRS.from_epsg(code))] == []


def test_a_2d_frame_is_taken_with_its_datums_3d_partner():
    """The same point in NAD83(2011)'s 2D and 3D form, and on UTM: one ellipsoidal height, one place."""
    three = open_frame(site(place(39.1, -105.0), frame="EPSG:6319"))
    two = open_frame(site(place(39.1, -105.0), frame="EPSG:6318"))
    utm = open_frame(site(grid_point(500000.0, 4327900.0), frame="EPSG:6342"))
    assert (two.code_3d, utm.code_3d, three.code_3d) == (6319, 6319, 6319)
    assert (two.accuracy_m, two.way) == (0.0, None)
    arps = [expected_arp(site(place(39.1, -105.0), frame=code, base="A")) for code in ("EPSG:6318", "EPSG:6319")]
    assert arps[0].ecef == arps[1].ecef
    assert arps[0].ellipsoidal_height_m == 100.0


DHDN = _DEG + f" +step +proj=hgridshift +grids={DEBIAN}/BETA2007.gsb " + _BACK
CH1903 = _DEG + f" +step +proj=hgridshift +grids={DEBIAN}/CHENYX06_etrs.gsb " + _BACK
# swisstopo's three published constants, CH1903+ to CHTRF95: 674.374, 15.056, 405.346 m
CH1903_PLUS = (
    _DEG + " +step +proj=push +v_3 +step +proj=cart +ellps=bessel +step +proj=helmert +x=674.374 +y=15.056 +z=405.346"
    " +step +inv +proj=cart +ellps=GRS80 +step +proj=pop +v_3 " + _BACK
)


@needs_grids
@pytest.mark.parametrize(
    ("code", "projection", "shift", "latitude", "longitude", "accuracy_m", "grid"),
    [
        # DHDN / 3-degree Gauss-Krüger zone 3: published parameters of the projection, BeTA2007
        ("EPSG:31467", "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=3500000 +y_0=0 +ellps=bessel", DHDN, 51.2, 9.5, 0.9,
         "BETA2007.gsb"),
        # CH1903 / LV03 by CHENyx06, under the name that Debian gives it
        ("EPSG:21781", "+proj=somerc +lat_0=46.9524055555556 +lon_0=7.43958333333333 +k_0=1 +x_0=600000 +y_0=200000 "
         "+ellps=bessel", CH1903, 46.9, 8.1, 0.25, "CHENYX06_etrs.gsb"),
        ("EPSG:2056", "+proj=somerc +lat_0=46.9524055555556 +lon_0=7.43958333333333 +k_0=1 +x_0=2600000 +y_0=1200000 "
         "+ellps=bessel", CH1903_PLUS, 46.9, 8.1, 0.1, None),
    ],
)  # fmt: skip
def test_an_old_datum_is_judged_in_etrs89_by_the_grids_at_hand(code, projection, shift, latitude, longitude, accuracy_m, grid):
    east, north = Transformer.from_pipeline(_DEG + " +step " + projection).transform(longitude, latitude)
    wanted = Transformer.from_pipeline(shift).transform(longitude, latitude)[1::-1]
    assert apart_m(wanted, (latitude, longitude)) > 50, "the datums differ"
    where = site(grid_point(round(east, 4), round(north, 4)), frame=code, grids=str(DEBIAN), base="A")
    assert check_datum(where) == []
    frame = open_frame(where)
    assert (frame.gnss_name, frame.code_3d, frame.ellipsoid) == ("ETRS89", 4937, GRS80)
    assert frame.accuracy_m == pytest.approx(accuracy_m)
    assert [Path(file).name for file in frame.way.grids] == ([grid] if grid else [])
    assert apart_m(frame.geographic(east, north), wanted) < 0.001
    assert frame.grid(*wanted) == pytest.approx((east, north), abs=0.002)
    arp = expected_arp(where)
    assert math.dist(arp.ecef, to_ecef(*wanted, 100.0)) < 0.001
    assert (arp.plan_error_m, arp.height_error_m) == (frame.accuracy_m, 0.0)


def test_the_angles_on_the_old_datum_are_had_back():
    """Rigi on CH1903+ (swisstopo): what its angles are there, a hundred metres from ETRS89's."""
    frame = open_frame(site(grid_point(2679520.05, 1212273.44), frame="EPSG:2056"))
    old = dms(47, 3, 28.95659233), dms(8, 29, 11.11127154)
    here = frame.geographic(2679520.05, 1212273.44)
    assert apart_m(here, old) > 50
    assert apart_m(frame.on_own_datum(*here), old) < 0.011
    paris = open_frame(site(place(46.5, 0.1), frame="EPSG:4807"))
    assert apart_m(paris.on_own_datum(*paris.from_degrees(46.5, 0.1)), (46.5, 0.1 + 2.5969213 * 0.9)) < 0.011
    assert open_frame(site(place(39.1, -105.0), frame="EPSG:6319")).on_own_datum(39.1, -105.0) is None


@needs_grids
@pytest.mark.parametrize(
    ("code", "shift", "latitude", "longitude", "moved_deg", "cause"),
    [
        ("EPSG:31467", None, 51.2, 9.5, 0.0, "frame-shift"),  # DHDN's own angles, given to the base as if they were ETRS89's
        ("EPSG:31467", DHDN, 51.2, 9.5, 3.0, "other-zone"),  # the base was set to zone 4, and knows its own way to ETRS89
        ("EPSG:31467", DHDN, 51.2, 9.5, -3.0, "other-zone"),
        ("EPSG:21781", None, 46.9, 8.1, 0.0, "frame-shift"),
    ],
)
def test_what_a_base_makes_of_an_old_datum_is_named(code, shift, latitude, longitude, moved_deg, cause):
    """A transverse Mercator strip's numbers mean the same angles from the next strip's meridian (EPSG:9807)."""
    grid = Transformer.from_crs(CRS.from_user_input(code).geodetic_crs, code, always_xy=True)
    east, north = grid.transform(longitude, latitude)
    where = site(grid_point(round(east, 4), round(north, 4)), frame=code, grids=str(DEBIAN), base="A")
    angles = (latitude, longitude + moved_deg)
    if shift is not None:
        angles = Transformer.from_pipeline(shift).transform(angles[1], angles[0])[1::-1]
    datum = Datum(where)
    offset = datum.offset(to_ecef(*angles, 100.0), datum.expected)
    verdict = datum.why(offset, datum.situation(datum.expected, None))
    assert verdict.causes[0].cause == cause
    assert verdict.causes[0].residual_m < 0.01


@needs_grids
def test_angles_of_an_old_datum_too_also_from_another_meridian():
    """NTF (Paris): degrees from Paris; the French grid of proj-data; Paris is 2.5969213 grads east of Greenwich (EPSG:8903)."""
    latitude, longitude = 46.5, 2.5
    frame = open_frame(site(place(latitude, longitude - 2.5969213 * 0.9), frame="EPSG:4807", grids=str(DEBIAN)))
    wanted = Transformer.from_pipeline(_DEG + f" +step +proj=hgridshift +grids={DEBIAN}/ntf_r93.gsb " + _BACK).transform(
        longitude, latitude
    )[1::-1]
    assert apart_m(frame.from_degrees(latitude, longitude - 2.5969213 * 0.9), wanted) < 0.001
    assert frame.accuracy_m == 1.0


@needs_grids
def test_the_site_s_own_folder_comes_first_under_any_of_a_grids_names(tmp_path):
    (tmp_path / "grids").mkdir()
    shutil.copy(DEBIAN / "CHENYX06_etrs.gsb", tmp_path / "grids" / "ch_swisstopo_chenyx06_ETRS.TIF")
    own = open_frame(site(grid_point(679520.05, 212273.44), frame="EPSG:21781", grids="grids", path=tmp_path / "site.toml"))
    assert own.way.grids == (str(tmp_path / "grids" / "ch_swisstopo_chenyx06_ETRS.TIF"),)


def test_a_grid_that_proj_cannot_read_is_passed_over(tmp_path):
    (tmp_path / "de_adv_BETA2007.tif").write_bytes(b"no grid at all")
    way = way_of("EPSG:4314", 51.2, 9.5, (str(tmp_path),))
    assert str(tmp_path) not in "".join(way.grids)


CAISTER = grid_point(651409.903, 313177.270)
CAISTER_ETRS89 = dms(52, 39, 28.723), dms(1, 42, 57.787)  # OS guide: by the Ordnance Survey's own grid


def test_without_its_grid_the_next_best_way_is_taken_and_its_accuracy_said():
    where = site(CAISTER, frame="EPSG:27700", base="A")
    frame = open_frame(where)
    assert frame.accuracy_m == 2.0
    assert frame.way.better == ("uk_os_OSTN15_NTv2_OSGBtoETRS.tif",)
    assert apart_m(frame.geographic(651409.903, 313177.270), CAISTER_ETRS89) < frame.accuracy_m
    assert check_datum(where) == []
    assert datum_notes(where) == [
        "EPSG:27700 (OSGB36 / British National Grid) is not a datum of GNSS: judged in ITRF2014 by PROJ's "
        "“OSGB36 to WGS 84 (6)”, to 2 m. Differences within that raise nothing.",
        'uk_os_OSTN15_NTv2_OSGBtoETRS.tif in a folder named by grids = "…" under [project] would make it 0.03 m.',
    ]


def test_a_way_within_a_decimetre_names_no_better_one():
    notes = datum_notes(site(grid_point(2679520.05, 1212273.44), frame="EPSG:2056"))
    assert len(notes) == 1
    assert "to 0.1 m" in notes[0]


def test_wgs_84_is_itrf2014_at_an_epoch_that_must_be_given():
    point = place(45.1234567, 14.3123456)
    (problem,) = check_datum(site(point, frame="EPSG:4326"))
    assert problem.startswith(
        "project.epoch: missing; EPSG:4326 (WGS 84) is read as ITRF2014, in which the ground moves; expected"
    )
    assert problem.endswith("or the regional frame that is meant: ETRS89 (EPSG:4937)")
    dated = site(point, frame="EPSG:4326", epoch=2025.0)
    assert check_datum(dated) == []
    frame = open_frame(dated)
    assert (frame.code_3d, frame.ensemble, frame.gnss_name) == (7912, None, "ITRF2014")
    assert datum_notes(dated) == ["EPSG:4326 (WGS 84) is read as ITRF2014 at 2025. More likely meant here: ETRS89 (EPSG:4937)."]
    # The numbers themselves stay as they are.
    assert frame.from_degrees(45.1234567, 14.3123456) == (45.1234567, 14.3123456)


@pytest.mark.parametrize(
    ("code", "easting", "northing", "meant"),
    [
        ("EPSG:32633", 448_000.0, 5_350_000.0, "ETRS89 / UTM zone 33N (EPSG:25833)"),
        ("EPSG:32613", 501_000.0, 4_330_500.0, "NAD83(2011) / UTM zone 13N (EPSG:6342)"),
    ],
)
def test_on_wgs_84s_utm_the_regional_frame_of_the_same_zone_is_named(code, easting, northing, meant):
    (note,) = datum_notes(site(grid_point(easting, northing), frame=code, epoch=2025.0))
    assert note.endswith(f"More likely meant here: {meant}.")


def test_nad83_of_1986_is_read_as_what_is_meant_by_it_today():
    where = site(grid_point(501_000.0, 4_330_500.0), frame="EPSG:26913")
    assert check_datum(where) == []
    assert open_frame(where).code_3d == 6319
    (note,) = datum_notes(where)
    assert note.startswith("EPSG:26913 (NAD83 / UTM zone 13N) is read as NAD83(2011).")


def test_a_frame_of_gnss_has_no_notes():
    assert datum_notes(site(place(39.1, -105.0), frame="EPSG:6319")) == []
    assert datum_notes(site(grid_point(500000.0, 4327900.0), frame="EPSG:6342")) == []


def test_a_grids_folder_that_is_none():
    (problem,) = check_datum(site(CAISTER, frame="EPSG:27700", grids="nowhere"))
    assert problem.startswith("project.grids: read 'nowhere', which is not a folder; expected")


def test_from_a_datum_of_another_world_there_is_no_way():
    with pytest.raises(FrameError, match="PROJ cannot transform to a frame of GNSS"):
        open_frame(site(place(10.0, 20.0), frame="ESRI:104903"))  # the Moon, 2000
