"""The project's axes as polynomials, against PROJ by another route at places between their nodes."""

import pytest
from pyproj import Transformer
from witnesspost.rules.datum.axes import project_axes
from witnesspost.rules.datum.geoid import bundled_geoid
from witnesspost.rules.site.reading import site_from_toml

from tests.kestrel import ROVER

SITE = (
    ROVER
    + """[project]
frame = "{frame}"
vertical = "{vertical}"
height_unit = "{unit}"
[[project.control]]
name = "KQ-1"
{place}
height = 1874.322
[rover]
pole_height_m = 2.0
"""
)
GRID = "easting = 501066.3\nnorthing = 4330393.2"
DEGREES = "latitude = 39.1234567\nlongitude = -104.9876543"


def at(axes, what, latitude, longitude):
    u = (latitude - axes["latitude_0"]) / axes["reach_latitude"]
    w = (longitude - axes["longitude_0"]) / axes["reach_longitude"]
    return sum(axes[f"{what}{i}{j}"] * u**i * w**j for i in range(4) for j in range(4) if i + j <= 3)


@pytest.mark.parametrize(
    ("frame", "unit_m", "place"),
    [
        ("EPSG:6342", 1.0, GRID),
        ("EPSG:6428", 1200 / 3937, "easting = 3160000.0\nnorthing = 1500000.0"),  # US survey feet: 85 FR 62698
    ],
)
@pytest.mark.parametrize("off", [(0.0, 0.0), (0.031, -0.077), (-0.085, 0.11)])
def test_easting_and_northing_are_projs_to_a_tenth_of_a_millimetre(frame, unit_m, place, off):
    axes = project_axes(site_from_toml(SITE.format(frame=frame, vertical="ellipsoidal", unit="m", place=place)))
    latitude, longitude = axes["latitude_0"] + off[0], axes["longitude_0"] + off[1]
    # Straight through PROJ's own operation between the two codes, not through our frames.
    expected = Transformer.from_crs("EPSG:6318", frame, always_xy=True).transform(longitude, latitude)
    found = at(axes, "e", latitude, longitude), at(axes, "n", latitude, longitude)
    assert [value * unit_m for value in found] == pytest.approx([value * unit_m for value in expected], abs=1e-4)


def test_heights_come_off_by_the_geoid_within_what_is_stated():
    axes = project_axes(site_from_toml(SITE.format(frame="EPSG:6319", vertical="geoid", unit="m", place=DEGREES)))
    assert "e00" not in axes
    assert axes["pole_m"] == 2.0
    for off in (-0.07, -0.02, 0.0, 0.05):
        latitude, longitude = 39.1234567 + off, -104.9876543 - off
        n = bundled_geoid().separation_m(latitude, longitude)
        assert at(axes, "s", latitude, longitude) == pytest.approx(n, abs=1.1 * axes["error_m"])  # sampled, not proven
    assert axes["error_m"] < 0.02


def test_heights_are_in_the_projects_unit():
    feet = project_axes(site_from_toml(SITE.format(frame="EPSG:6319", vertical="geoid", unit="ft", place=DEGREES)))
    metres = project_axes(site_from_toml(SITE.format(frame="EPSG:6319", vertical="geoid", unit="m", place=DEGREES)))
    assert feet["unit_m"] == 0.3048
    assert feet["s00"] * 0.3048 == pytest.approx(metres["s00"], abs=1e-9)


def test_without_control_or_over_half_a_country_there_are_none():
    bare = SITE.format(frame="EPSG:6319", vertical="geoid", unit="m", place=DEGREES)
    far = bare + '[[project.control]]\nname = "FAR"\nlatitude = 41.0\nlongitude = -104.0\nheight = 1800.0\n'
    assert project_axes(site_from_toml(far)) is None
    assert project_axes(site_from_toml(bare[: bare.index("[project]")])) is None
