"""Repaired coordinates by another route: PROJ's own operations from code to code, and the geoid's grid by PROJ's vgridshift.

Our way goes through the project's frames (`rules.datum`); this one does not touch them.
"""

import csv
import io
import math

import pytest
from click.testing import CliRunner
from pyproj import Transformer
from witnesspost.replay.commands.points import points
from witnesspost.replay.world.scenario import FOLDER
from witnesspost.rules.datum.geoid import bundled_geoid

GRID_TO_DEGREES = Transformer.from_crs("EPSG:6342", "EPSG:6318", always_xy=True)  # UTM 13N and NAD83(2011)
DEGREES_TO_ECEF = Transformer.from_crs("EPSG:6319", "EPSG:6317", always_xy=True)
TO_ELLIPSOIDAL = Transformer.from_pipeline(
    f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=vgridshift +grids={FOLDER / 'kestrel.gtx'}"
    " +multiplier=1 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
)
CONTROL = (501067.1756, 4330476.9238, 1874.322 + 1.843)  # KQ-1 of the scenario's site, and its antenna's height


def judged(log, field):
    result = CliRunner().invoke(points, [str(log), "--points", str(field), "-o", "-"])
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines(keepends=True)
    return list(csv.DictReader(io.StringIO("".join(line for line in lines if not line.startswith("#")))))


def ecef(easting, northing, height):
    """Geocentric metres of a grid place and a height above the geoid."""
    longitude, latitude = GRID_TO_DEGREES.transform(easting, northing)
    return DEGREES_TO_ECEF.transform(*TO_ELLIPSOIDAL.transform(longitude, latitude, height))


def grid(x, y, z):
    """The same undone."""
    longitude, latitude, up = DEGREES_TO_ECEF.transform(x, y, z, direction="INVERSE")
    longitude, latitude, height = TO_ELLIPSOIDAL.transform(longitude, latitude, up, direction="INVERSE")
    return (*GRID_TO_DEGREES.transform(longitude, latitude, direction="INVERSE"), height)


def test_a_repaired_point_is_the_stored_one_moved_by_the_bases_vector_by_proj_alone(day):
    log, field = day
    repaired = [row for row in judged(log, field) if row["verdict"] == "repair"]
    assert len(repaired) >= 4
    true_arp = ecef(*CONTROL)
    for row in repaired:
        broadcast = [float(row[f"base_{axis}_m"]) for axis in "xyz"]
        vector = [a - b for a, b in zip(true_arp, broadcast, strict=True)]
        assert math.hypot(*vector) == pytest.approx(16.74, abs=0.2)  # N of Kestrel quarry: the height above the geoid was typed
        stored = ecef(float(row["stored_easting"]), float(row["stored_northing"]), float(row["stored_height"]))
        easting, northing, height = grid(*(a + b for a, b in zip(stored, vector, strict=True)))
        assert float(row["repaired_easting"]) == pytest.approx(easting, abs=2e-4)
        assert float(row["repaired_northing"]) == pytest.approx(northing, abs=2e-4)
        assert float(row["repaired_height"]) == pytest.approx(height, abs=2e-4)
        up = float(row["repaired_height"]) - float(row["stored_height"])
        assert float(row["vector_up_m"]) == pytest.approx(up, abs=2e-4)


def test_the_change_of_n_is_taken_at_each_point(day, written):
    """Heights that were made with the bundled geoid: by each model's own N at the point, the project's grid's by PROJ."""
    log, _ = day
    field = written(geoid="bundled")
    rows = judged(log, field)
    kept = [row for row in rows if row["verdict"] == "repair" and "EGM96" in row["reason"]]
    assert len(kept) >= 3
    for row in kept:
        longitude, latitude = GRID_TO_DEGREES.transform(float(row["stored_easting"]), float(row["stored_northing"]))
        projects = TO_ELLIPSOIDAL.transform(longitude, latitude, 0.0)[2]
        change = bundled_geoid().separation_m(latitude, longitude) - projects
        assert float(row["repaired_height"]) - float(row["stored_height"]) == pytest.approx(change, abs=5e-4)
