"""Everything that is written as GeoJSON, against the RFC's own rules; and the rules, against what breaks each of them."""

import json

import pytest
from click.testing import CliRunner
from witnesspost.replay.commands.extract import extract
from witnesspost.replay.commands.points import points

from tests.replay.rfc7946 import complaints


def collection(**feature):
    return {"type": "FeatureCollection", "features": [feature]}


GOOD = {"type": "Feature", "geometry": {"type": "Point", "coordinates": [-104.9, 39.1, 1857.0]}, "properties": {"name": "1"}}


@pytest.mark.parametrize(
    ("broken", "section"),
    [
        ([], "3.3"),
        ({"type": "FeatureCollection", "features": {}}, "3.3"),
        (collection(**GOOD | {"type": "Point"}), "3.3"),
        ({"type": "FeatureCollection", "features": [], "properties": {}}, "7.1"),
        (collection(**GOOD) | {"crs": {"type": "name"}}, "4"),
        (collection(**GOOD) | {"bbox": [1, 2, 3]}, "5"),
        (collection(**GOOD, coordinates=[1, 2]), "7.1"),
        (collection(type="Feature", geometry=GOOD["geometry"]), "3.2"),
        (collection(type="Feature", properties={}), "3.2"),
        (collection(**GOOD, id=True), "3.2"),
        (collection(**GOOD | {"geometry": {"type": "point", "coordinates": [1, 2]}}), "3.1"),
        (collection(**GOOD | {"geometry": {"type": "Point", "coordinates": ["1", "2"]}}), "3.1.1"),
        (collection(**GOOD | {"geometry": {"type": "Point", "coordinates": [1]}}), "3.1.1"),
        (collection(**GOOD | {"geometry": {"type": "Point", "coordinates": [1, 2, 3, 4]}}), "3.1.1"),
        (collection(**GOOD | {"geometry": {"type": "Point", "coordinates": [39.1, -104.9]}}), "4"),
        (collection(**GOOD | {"geometry": {"type": "Point", "coordinates": [1, float("nan")]}}), "2"),
    ],
)
def test_what_breaks_a_rule_is_told_with_its_section(broken, section):
    assert [line.partition(":")[0] for line in complaints(json.dumps(broken).encode())] == [section]


def test_what_is_right_is_told_nothing_of():
    assert complaints(json.dumps(collection(**GOOD)).encode()) == []
    assert complaints(json.dumps(collection(type="Feature", geometry=None, properties=None)).encode()) == []
    assert complaints(b"\xff{}") != []


def test_judged_points_are_as_the_rfc_has_it(day, tmp_path):
    log, field = day
    out = tmp_path / "points.geojson"
    done = CliRunner().invoke(points, [str(log), "--points", str(field), "-o", str(out)])
    assert done.exit_code == 0, done.output
    assert complaints(out.read_bytes()) == []
    assert len(json.loads(out.read_bytes())["features"]) == 30
    assert "coordinates are in the project's frame (EPSG:6342); RFC 7946 has WGS 84" in done.stderr
    assert any("RFC 7946 has WGS 84" in line for line in json.loads(out.read_bytes())["audit"])


def test_the_fixes_of_a_day_are_as_the_rfc_has_it(day, tmp_path):
    log, _ = day
    out = tmp_path / "fixes.geojson"
    done = CliRunner().invoke(extract, [str(log), "--as", "geojson", "--every", "60", "-o", str(out)])
    assert done.exit_code == 0, done.output
    assert complaints(out.read_bytes()) == []
    assert len(json.loads(out.read_bytes())["features"]) >= 30


def test_what_the_invented_controller_writes_is_as_the_rfc_has_it(written):
    assert complaints(written(form="geojson").read_bytes()) == []
