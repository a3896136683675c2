"""A blunder's own arithmetic, against published figures where there are some."""

from __future__ import annotations

import datetime as dt
import math
import random

import pytest
from witnesspost.replay.world.blunders import BLUNDERS, BlunderError, broadcast_error
from witnesspost.replay.world.events import Broadcast
from witnesspost.replay.world.scenario import ScenarioError, scenario
from witnesspost.replay.world.world import World

PLAIN = """
like = "quiet-hour-base"
note = "x"
duration_s = 60
[site.project]
frame = "{frame}"
vertical = "ellipsoidal"
control = [{{ name = "KQ-1", {place}, height = 0.0 }}, {{ name = "KQ-2", latitude = 39.13, longitude = -104.98, height = 5.0 }}]
[site.base]
antenna_height_m = 1.5
"""


def error(tmp_path, cause, *, to=None, frame="EPSG:6319", place="latitude = 40.0, longitude = -100.0", year=2025):
    """East, north and up of the blunder."""
    path = tmp_path / "x.toml"
    path.write_text(PLAIN.format(frame=frame, place=place))
    one = scenario(path)
    one.start_utc = dt.datetime(year, 1, 1, tzinfo=dt.UTC)
    world = World(one)
    off = broadcast_error(Broadcast(at_s=0, cause=cause, to=to), one, world, random.Random(1))
    return tuple(sum(a * b for a, b in zip(axis, off, strict=True)) for axis in world.axes)


def test_frames_by_computed_figures(tmp_path):
    # Computed with PROJ 9.5.1 and, for the first, from the registry's parameters of EPSG:8970 by hand: no published value.
    assert error(tmp_path, "frame-shift", to="EPSG:7912") == pytest.approx((-1.2278, 0.6241, -0.9483), abs=0.02)
    place = "latitude = -33.0, longitude = 151.0"
    found = error(tmp_path, "frame-shift", to="EPSG:4939", frame="EPSG:7843", place=place)
    assert found == pytest.approx((-0.5209, -1.4095, 0.0959), abs=0.02)


def test_the_survey_foot_by_the_published_ratio(tmp_path):
    # 85 FR 62698: 500000/499999, which is exactly 4 US survey feet in 2,000,000.
    place = "easting = 2000000.0, northing = 1000000.0"
    east, north, up = error(tmp_path, "survey-foot", frame="EPSG:6428", place=place)
    assert math.hypot(east, north) == pytest.approx(4800 / 3937 * math.sqrt(5) / 2, rel=1e-3)
    assert abs(up) < 1e-3


def test_heights(tmp_path):
    assert error(tmp_path, "antenna-height-missing") == pytest.approx((0, 0, -1.5), abs=1e-4)
    assert error(tmp_path, "antenna-height-doubled") == pytest.approx((0, 0, 1.5), abs=1e-4)
    assert error(tmp_path, "feet-as-metres", to="antenna")[2] == pytest.approx(1.5 / 0.3048 - 1.5, abs=1e-4)
    once, twice = (error(tmp_path, cause)[2] for cause in ("orthometric-as-ellipsoidal", "geoid-applied-twice"))
    # At 40 N 100 W the geoid is some 24 m under the ellipsoid (EGM96).
    assert once == pytest.approx(-twice, abs=1e-4)
    assert 20 < once < 28
    both = error(tmp_path, "orthometric-as-ellipsoidal+antenna-height-missing")[2]
    assert both == pytest.approx(once - 1.5, abs=1e-3)


def test_the_slant_by_its_formula(tmp_path):
    # vertical = sqrt(s² − R²) + d, the formula of check rows for slant heights; undone here.
    slant = 1.5 + error(tmp_path, "slant-as-vertical")[2]
    assert math.sqrt(slant**2 - 0.19**2) - 0.055 == pytest.approx(1.5, abs=1e-4)


def test_places(tmp_path):
    east, north, _up = error(tmp_path, "rounded", to=3, place="latitude = 40.0004, longitude = -100.0")
    assert (east, north) == pytest.approx((0.0, -0.0004 * 111_035), abs=0.05)
    assert math.dist(error(tmp_path, "sign-or-order"), (0, 0, 0)) == pytest.approx(2 * 6378137 * math.cos(
        math.radians(40)) * math.sin(math.radians(80)), rel=0.01)  # fmt: skip
    sizes = [math.dist(error(tmp_path, "autonomous-base"), (0, 0, 0)) for _n in range(3)]
    assert all(2 <= size <= 8 for size in sizes)


def test_what_cannot_be_computed_is_refused(tmp_path):
    with pytest.raises(BlunderError, match="easting and northing"):
        error(tmp_path, "survey-foot")
    with pytest.raises(BlunderError, match=r"x: event broadcast: epoch-shift needs project\.epoch"):
        error(tmp_path, "epoch-shift", to="mars")
    with pytest.raises(BlunderError, match="cause 'magic' is not computed; expected one of orthometric"):
        error(tmp_path, "magic")
    with pytest.raises(ScenarioError, match=r"x: site\.project\.frame"):
        error(tmp_path, "rounded", frame="EPSG:99")
    assert len(BLUNDERS) == 16
