"""The geoid: published undulations, the bundled grid's stated error, and grids that cannot be used."""

import array
import struct
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.datum.geoid import CELL_DEGREES, GeoidError, GridGeoid, bundled_geoid

FULL_GRID = Path("/usr/share/proj/egm96_15.gtx")  # Debian's proj-data
needs_full_grid = pytest.mark.skipif(not FULL_GRID.exists(), reason="proj-data is not installed")

# NGA's EGM96 sample points (OUTPUT.DAT beside the F477 program, as public test files of several projects quote them), and the
# GeoidEval example of GeographicLib's manual (Timbuktu, 16 46 33 N 3 00 34 W: 28.7068 m).
PUBLISHED = [
    (38.6281550, 269.7791550, -31.628),
    (-14.6212170, 305.0211140, -2.969),
    (46.8743190, 102.4487290, -43.575),
    (-23.6174460, 133.8747120, 15.871),
    (38.6254730, 359.9995000, 50.066),
    (-0.4667440, 0.0023000, 17.329),
    (16.775833, -3.009444, 28.7068),
]


@needs_full_grid
@pytest.mark.parametrize(("latitude", "longitude", "n"), PUBLISHED)
def test_published_undulations_by_the_full_grid(latitude, longitude, n):
    # Tolerance: 15′ bilinear against the harmonics is up to 0.0559 m at these points.
    assert GridGeoid(str(FULL_GRID), "15′").separation_m(latitude, longitude) == pytest.approx(n, abs=0.06)


@pytest.mark.parametrize(("latitude", "longitude", "n"), PUBLISHED)
def test_published_undulations_by_the_bundled_grid(latitude, longitude, n):
    bundled = bundled_geoid()
    # Its stated error is against the 15′ grid, which is itself within 0.06 m of the published values.
    assert bundled.separation_m(latitude, longitude) == pytest.approx(n, abs=0.06 + bundled.error_m(latitude, longitude))


@needs_full_grid
@given(st.floats(-90, 90), st.floats(-180, 180))
def test_the_stated_error_holds_everywhere(latitude, longitude):
    bundled, full = bundled_geoid(), GridGeoid(str(FULL_GRID), "15′").separation_m(latitude, longitude)
    assert full is not None
    # 5 cm over: the error was measured at 5′ points, and between them the two surfaces may part a little more.
    assert abs(bundled.separation_m(latitude, longitude) - full) <= bundled.error_m(latitude, longitude) + 0.05


@needs_full_grid
def test_stated_figures():
    """RMS 0.060 m, 95 % under 0.12 m, worst 1.99 m at 28.25 N 16.75 W (`rules/data/make_egm96.py`): a coarser sample agrees."""
    bundled, full = bundled_geoid(), GridGeoid(str(FULL_GRID), "15′")
    errors = []
    for step in range(4000):
        latitude = -90 + 180 * (step + 0.5) / 4000
        if step % 2 == 0 and abs(latitude) < 75:
            longitude = (step * 137.508) % 360 - 180
            errors.append(abs(bundled.separation_m(latitude, longitude) - full.separation_m(latitude, longitude)))
    errors.sort()
    assert (sum(e * e for e in errors) / len(errors)) ** 0.5 == pytest.approx(0.06, abs=0.02)
    assert errors[int(0.95 * len(errors))] == pytest.approx(0.12, abs=0.04)
    assert abs(bundled.separation_m(28.25, -16.75) - full.separation_m(28.25, -16.75)) == pytest.approx(1.99, abs=0.01)


def test_degrees_not_radians():
    # Computed: radians taken for degrees give 16.3 to 17.5 m at every point, plausible and wrong.
    assert bundled_geoid().separation_m(46.8743190, 102.4487290) < -43


def test_nodes_are_the_grid_itself_and_longitudes_wrap():
    bundled = bundled_geoid()
    assert bundled.separation_m(0.0, 0.0) == pytest.approx(17.16, abs=0.011)  # the 15′ grid's value there
    assert bundled.separation_m(10.3, 190.2) == pytest.approx(bundled.separation_m(10.3, -169.8), abs=1e-9)
    assert bundled.separation_m(10.3, 180.0) == pytest.approx(bundled.separation_m(10.3, -180.0), abs=1e-9)
    assert bundled.separation_m(10.3, 179.999999) == pytest.approx(bundled.separation_m(10.3, -179.999999), abs=1e-4)


@pytest.mark.parametrize("pole", [-90.0, 90.0])
def test_one_value_at_a_pole(pole):
    bundled = bundled_geoid()
    values = {round(bundled.separation_m(pole, longitude), 2) for longitude in range(-180, 180, 45)}
    assert len(values) == 1
    assert bundled.error_m(pole, 0.0) >= 0


def test_the_bundled_grid_is_small():
    package = Path(sys.modules["witnesspost.rules.datum.geoid"].__file__).parent / "data" / "egm96-30min.z"
    assert package.stat().st_size < 520_000
    assert CELL_DEGREES == 2.0


def write_gtx(path, south, west, step, rows, columns, value=-17.5, cut=0):
    values = array.array("f", [value] * (rows * columns))
    if sys.byteorder == "little":
        values.byteswap()
    data = struct.pack(">4d2i", south, west, step, step, rows, columns) + values.tobytes()
    path.write_bytes(data[: len(data) - cut])
    return path


def test_a_national_grid_is_read_through_proj(tmp_path):
    folder = tmp_path / "a folder with spaces"
    folder.mkdir()
    grid = GridGeoid(str(write_gtx(folder / "model.gtx", 38.0, -106.0, 0.5, 5, 5)), "model.gtx")
    assert grid.separation_m(39.1, -105.0) == pytest.approx(-17.5)
    assert grid.separation_m(39.1, 255.0) == pytest.approx(-17.5)
    assert grid.error_m(39.1, -105.0) == 0.0


def test_a_grid_that_does_not_cover_the_place_says_none(tmp_path):
    grid = GridGeoid(str(write_gtx(tmp_path / "model.gtx", 38.0, -106.0, 0.5, 5, 5)), "model.gtx")
    assert grid.separation_m(51.0, 10.0) is None


def test_a_grid_with_nonsense_in_it_says_none(tmp_path):
    grid = GridGeoid(str(write_gtx(tmp_path / "model.gtx", 38.0, -106.0, 0.5, 5, 5, value=500.0)), "model.gtx")
    assert grid.separation_m(39.1, -105.0) is None


@pytest.mark.parametrize(
    ("name", "make", "said"),
    [
        ("none.gtx", lambda path: None, "no such file"),
        ("cut.gtx", lambda path: write_gtx(path, 38.0, -106.0, 0.5, 5, 5, cut=10), "truncated"),
        ("head.gtx", lambda path: path.write_bytes(b"\0" * 20), "truncated"),
        ("empty.gtx", lambda path: path.write_bytes(b""), "truncated"),
        ("zeros.gtx", lambda path: path.write_bytes(b"\0" * 4000), "not a .gtx"),
        ("text.gtx", lambda path: path.write_text("not a grid at all " * 10), "not a .gtx"),
        ("text.tif", lambda path: path.write_text("not a grid at all " * 10), "PROJ cannot read it"),
        ("empty.tif", lambda path: path.write_bytes(b""), "PROJ cannot read it"),
        ("model.bin", lambda path: path.write_bytes(b"\0" * 400), r"neither .gtx nor .tif"),
        ("a,b.gtx", lambda path: write_gtx(path, 38.0, -106.0, 0.5, 5, 5), "comma"),
    ],
)
def test_a_grid_that_cannot_be_used_says_why_and_what_was_expected(tmp_path, name, make, said):
    path = tmp_path / name
    make(path)
    with pytest.raises(GeoidError, match=said) as caught:
        GridGeoid(str(path), name)
    assert name in str(caught.value)
    assert "\n" not in str(caught.value)
