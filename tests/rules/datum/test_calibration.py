"""A site's own grid against numpy's least squares, and marks whose fit is known by construction."""

import math
import random

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pyproj import Transformer
from witnesspost.rules.datum.calibration import CalibrationError, Mark, calibrate
from witnesspost.rules.datum.check import check_datum, datum_notes
from witnesspost.rules.datum.frames import FrameError
from witnesspost.rules.datum.geodesy import expected_arp, point_at, to_ecef
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.gnss import GRS80
from witnesspost.rules.site.reading import site_from_table

LATITUDE, LONGITUDE, HEIGHT = 39.1234567, -104.9876543, 1856.9
# (east, north, up) of marks from the first, metres
MARKS = [(0.0, 0.0, 0.0), (187.32, 213.45, 3.21), (-262.17, 141.86, -2.47), (96.41, -311.77, 5.93), (410.0, -55.5, 1.1)]
FIRST = to_ecef(LATITUDE, LONGITUDE, HEIGHT)
# Places by PROJ's topocentric conversion (EPSG:9837): no plane of ours.
AROUND = Transformer.from_pipeline(
    f"+proj=pipeline +step +inv +proj=topocentric +ellps=GRS80 +X_0={FIRST.x_m} +Y_0={FIRST.y_m} +Z_0={FIRST.z_m} "
    "+step +inv +proj=cart +ellps=GRS80 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
)


def marks(turn=0.0, scale=1.0, noise=0.0, places=MARKS, lean=(0.0, 0.0), seed=1):
    """Marks of a grid turned by `turn` degrees (its axes clockwise, so its coordinates anticlockwise), with noise in metres."""
    draw = random.Random(seed)
    cos, sin = scale * math.cos(math.radians(turn)), scale * math.sin(math.radians(turn))
    found = []
    for number, (east, north, up) in enumerate(places):
        longitude, latitude, height = AROUND.transform(east, north, up)
        found.append(
            Mark(
                f"M{number}",
                5000.0 + cos * east - sin * north + draw.gauss(0, noise),
                9000.0 + sin * east + cos * north + draw.gauss(0, noise),
                height - 1832.9 - lean[0] * east - lean[1] * north + draw.gauss(0, noise),
                latitude,
                longitude,
                height,
            )
        )
    return found


def plane_m(fit, mark):
    """A mark on the plane of the fit, by PROJ's own transverse Mercator, written out."""
    latitude, longitude = fit._origin
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=tmerc +lat_0={latitude} +lon_0={longitude} +ellps=GRS80"
    ).transform(mark.longitude, mark.latitude)


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_the_fit_is_numpys_least_squares(count):
    listed = marks(turn=12.3, scale=1.00027, noise=0.02, lean=(2e-5, -3e-5), places=MARKS[:count])
    fit = calibrate(listed, GRS80)
    # easting = a·x − b·y + c, northing = b·x + a·y + d, all marks at once
    rows, right = [], []
    for mark in listed:
        x, y = plane_m(fit, mark)
        rows += [[x, -y, 1, 0], [y, x, 0, 1]]
        right += [mark.east_m, mark.north_m]
    solution, *_ = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)
    left = np.array(right) - np.array(rows) @ solution
    a, b = solution[:2]
    assert fit.scale == pytest.approx(math.hypot(a, b), abs=1e-10)
    assert fit.rotation_degrees == pytest.approx(math.degrees(math.atan2(b, a)), abs=1e-8)
    found = [axis for residual in fit.residuals for axis in (residual.east_m, residual.north_m)]
    assert found == pytest.approx(list(left), abs=1e-6)
    # the heights: a plane from three marks on, a shift before
    plane = [[1.0, *plane_m(fit, mark)] if count >= 3 else [1.0] for mark in listed]
    separations = np.array([mark.ellipsoidal_height_m - mark.height_m for mark in listed])
    solution, *_ = np.linalg.lstsq(np.array(plane), separations, rcond=None)
    fitted = np.array(plane) @ solution
    assert [residual.up_m for residual in fit.residuals] == pytest.approx(list(fitted - separations), abs=1e-6)
    assert fit.inclined is (count >= 3)
    for mark, value in zip(listed, fitted, strict=True):
        assert fit.separation_m(mark.latitude, mark.longitude) == pytest.approx(value, abs=1e-6)


def test_a_grid_without_errors_is_found_again():
    """Scale by construction: a plane at 1,857 m stands 1 + h/R over the ellipsoid, R the mean radius there (about 291 ppm)."""
    listed = marks(turn=-30.0, scale=0.9996, lean=(2e-5, -3e-5))
    fit = calibrate(listed, GRS80)
    assert fit.rotation_degrees == pytest.approx(-30.0, abs=1e-3)
    assert fit.scale / 0.9996 - 1 == pytest.approx(1856.9 / 6_371_000, rel=0.01)
    assert fit.slope_ppm == pytest.approx(1e6 * math.hypot(2e-5, 3e-5), rel=0.01)
    assert fit.horizontal_m < 0.0005
    assert fit.vertical_m < 0.0005
    for mark in listed:
        assert (
            math.dist(to_ecef(*fit.geographic(mark.east_m, mark.north_m), 0), to_ecef(mark.latitude, mark.longitude, 0)) < 1e-3
        )
        assert fit.grid(mark.latitude, mark.longitude) == pytest.approx((mark.east_m, mark.north_m), abs=0.001)


@given(st.floats(-180, 180), st.floats(0.3, 3.3), st.lists(st.tuples(*[st.floats(-5000, 5000)] * 3), min_size=2, max_size=6))
def test_there_and_back_for_any_grid(turn, scale, places):
    listed = marks(turn=turn, scale=scale, places=places)
    try:
        fit = calibrate(listed, GRS80)
    except CalibrationError:
        assume(False)
    for mark in listed:
        back = fit.grid(*fit.geographic(mark.east_m, mark.north_m))
        assert back == pytest.approx((mark.east_m, mark.north_m), abs=1e-4)


def test_marks_in_a_line_give_a_shift_and_no_plane():
    line = [(100.0 * n, 50.0 * n, float(n)) for n in range(5)]
    fit = calibrate(marks(places=line, lean=(1e-4, 0.0)), GRS80)
    assert not fit.inclined
    assert fit.slope_ppm == 0.0
    assert fit.vertical_m == pytest.approx(0.02, abs=0.001)


def test_across_the_antimeridian():
    listed = [
        Mark("W", 0.0, 0.0, 1.0, -17.0, 179.999, 60.0),
        Mark("E", 212.9, 0.0, 1.0, -17.0, -179.999, 60.0),
    ]
    fit = calibrate(listed, GRS80)
    assert fit.scale == pytest.approx(1.0, abs=1e-3)
    assert fit.geographic(212.9, 0.0)[1] == pytest.approx(-179.999, abs=1e-6)


@pytest.mark.parametrize(
    ("listed", "words"),
    [
        ([], "0 marks have both"),
        (marks()[:1], "1 mark has both the site's coordinates and those from GNSS; expected at least two"),
        (
            marks(places=[(0.0, 0.0, 0.0), (0.5, 0.5, 0.0)]),
            "by their coordinates from GNSS the marks lie within 1 m of each other",
        ),
        (marks(scale=1e-4), "by the site's coordinates the marks lie within 1 m of each other"),
        ([Mark("A", 0, 0, 0, 95.0, 1e9, 0), Mark("B", 9, 9, 0, 39.0, 1e9, 0)], "cannot be put on a plane"),
    ],
)
def test_what_gives_no_fit(listed, words):
    with pytest.raises(CalibrationError, match=words):
        calibrate(listed, GRS80)


def site(listed, base="M0", unit=1.0, only_local=(), **project):
    """A site file of these marks; the last of them can be known on the site's grid alone."""
    control = []
    for mark in listed:
        point = {
            "name": mark.name,
            "easting": round(mark.east_m / unit, 4),
            "northing": round(mark.north_m / unit, 4),
            "height": round(mark.height_m / unit, 4),
        }
        if mark.name not in only_local:
            point |= {
                "latitude": mark.latitude,
                "longitude": mark.longitude,
                "ellipsoidal_height": round(mark.ellipsoidal_height_m, 4),
            }
        control.append(point)
    return site_from_table(
        {
            "post": {"name": "kestrel", "role": "base"},
            "stream": [{"name": "line", "port": "loop://", "carries": ["corrections"]}],
            "project": {"frame": "local", "gnss_frame": "EPSG:6319", **project, "control": control},
            "base": {"occupies": base, "antenna_height_m": 1.5},
        }
    )


def test_a_mark_known_on_the_sites_grid_alone_is_where_the_fit_puts_it():
    listed = marks(turn=12.3, scale=1.0001, lean=(2e-5, 0.0))
    here = site(listed, base="M4", only_local=("M4",))
    assert check_datum(here) == []
    assert datum_notes(here) == []
    arp = expected_arp(here)
    at = listed[4]
    assert math.dist(arp.ecef, to_ecef(at.latitude, at.longitude, at.ellipsoidal_height_m + 1.5)) < 0.002
    assert (arp.frame, arp.frame_name, arp.grid[0]) == ("local", "the site's own grid", round(at.east_m, 4))
    # H + what the plane adds + antenna height = h
    assert arp.above_geoid
    assert at.height_m + arp.separation_m + 1.5 == pytest.approx(arp.ellipsoidal_height_m, abs=1e-3)
    assert (arp.plan_error_m, arp.height_error_m) == (open_frame(here).accuracy_m, open_frame(here).height_accuracy_m)


def test_with_vertical_geoid_the_plane_is_what_is_left_beside_the_geoid():
    from witnesspost.rules.datum.geoid import bundled_geoid

    listed = marks(turn=12.3)
    alone, beside = site(listed), site(listed, vertical="geoid")
    n = bundled_geoid().separation_m(listed[0].latitude, listed[0].longitude)
    planes = [open_frame(one).calibration.separation_m(listed[0].latitude, listed[0].longitude) for one in (alone, beside)]
    assert planes[0] - planes[1] == pytest.approx(n, abs=0.002)
    assert point_at(alone, "M2").ecef == pytest.approx(point_at(beside, "M2").ecef, abs=0.01)
    assert point_at(beside, "M2").height_error_m >= bundled_geoid().error_m(39.12, -104.98)


def test_a_grid_in_feet():
    unit = 1200 / 3937
    listed = marks(turn=5.0)
    here = site(listed, unit=unit, height_unit="us-ft")
    assert check_datum(here) == []
    assert datum_notes(here) == []
    assert open_frame(here).calibration.scale == pytest.approx(1.0003, abs=1e-4)
    wrong = site(listed, unit=unit)
    (note,) = datum_notes(wrong)
    assert note.startswith("The scale of the site's own grid is off 1 by +2,281")
    assert 'height_unit = "ft" would be right if that is the grid\'s unit' in note


def test_a_residual_past_3_cm_and_a_scale_past_1000_ppm_are_said():
    listed = marks(turn=12.3)
    moved = [
        *listed[:3],
        Mark(**{**{f: getattr(listed[3], f) for f in Mark.__struct_fields__}, "east_m": listed[3].east_m + 0.2}),
    ]
    here = site(moved)
    assert check_datum(here) == []
    notes = datum_notes(here)
    assert notes
    assert all("fits the site's own grid to" in note and "over 3 cm" in note for note in notes)
    assert any(note.startswith("M3 ") for note in notes)
    (note,) = datum_notes(site(marks(scale=1.0015)))
    assert note == "The scale of the site's own grid is off 1 by +1,792 ppm, over 1,000. Check the grid's unit."
    assert datum_notes(site(marks(scale=1.0005))) == []


def test_easting_and_northing_exchanged_are_said():
    swapped = [
        Mark(m.name, m.north_m, m.east_m, m.height_m, m.latitude, m.longitude, m.ellipsoidal_height_m) for m in marks(turn=3.0)
    ]
    (note,) = datum_notes(site(swapped))
    assert note.startswith("With easting and northing exchanged the marks would fit to 0.00")


@pytest.mark.parametrize(
    ("project", "words"),
    [
        (
            {"gnss_frame": "EPSG:6342"},
            "gnss_frame EPSG:6342 (NAD83(2011) / UTM zone 13N) is projected; expected a geographic frame",
        ),
        ({"gnss_frame": "EPSG:99999"}, "read 'EPSG:99999', which PROJ does not know"),
        ({"gnss_frame": "EPSG:4267"}, "is not a frame of GNSS"),
    ],
)
def test_gnss_frames_that_are_none(project, words):
    (problem,) = check_datum(site(marks(), **project))
    assert problem.startswith("project.frame: ")
    assert words in problem


def test_too_few_marks_are_a_problem_and_not_a_crash():
    few = site(marks(), only_local=("M1", "M2", "M3", "M4"))
    (problem,) = check_datum(few)
    assert problem == (
        'project.frame: read "local": 1 mark has both the site\'s coordinates and those from GNSS; expected at least two'
    )
    with pytest.raises(FrameError):
        open_frame(few)


def test_gnss_coordinates_elsewhere_than_their_frame():
    (problem, *_) = check_datum(site([Mark(**{**{f: getattr(m, f) for f in Mark.__struct_fields__}, "longitude": -m.longitude})
                                      for m in marks()]))  # fmt: skip
    assert "outside where NAD83(2011) is in use" in problem


def test_wgs_84_as_the_gnss_frame_wants_an_epoch_too():
    (problem,) = check_datum(site(marks(), gnss_frame="EPSG:4326"))
    assert problem.startswith("project.epoch: missing; EPSG:4326 (WGS 84) is read as ITRF2014")
    (note,) = datum_notes(site(marks(), gnss_frame="EPSG:4326", epoch=2025.0))
    assert note.startswith("EPSG:4326 (WGS 84) is read as ITRF2014 at 2025.")
