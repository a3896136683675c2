"""A rover on the control of the Kestrel quarry."""

import pytest
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import expected_arp, from_enu, point_at, to_geodetic

from tests.proof.datum_table import PLACES, geoid_file

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}


SECOND = {"name": "KQ-2", "latitude": 39.1255567, "longitude": -104.9851543, "height": 1881.976}


THIRD = {"name": "KQ-3", "latitude": 39.1213567, "longitude": -104.9901543, "height": 1869.111}


FOURTH = {"name": "KQ-4", "latitude": 39.1264567, "longitude": -104.9912543, "height": 1877.404}


TABLES = {
    "project": {
        "frame": "EPSG:6319",
        "epoch": 2010.0,
        "vertical": "geoid",
        "geoid": geoid_file(PLACES[0]),
        "control": [KESTREL, SECOND, THIRD, FOURTH],
    },
    "base": {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": 1.843},
    "rover": {"pole_height_m": 2.0},
}


@pytest.fixture
def rover(day):
    """A bench, and a maker of fixes whose pole tip is off KQ-2 by east, north, up."""
    bench = day.bench(ControlCheck, **TABLES)
    mark = point_at(bench.site, "KQ-2")

    def fix(t, east=0.0, north=0.0, up=0.0, separation_m=-16.0, **other):
        latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(east, north, up + 2.0)))
        height = h - (separation_m if separation_m is not None else mark.separation_m)
        said = {"latitude": latitude, "longitude": longitude, "height_m": height, "separation_m": separation_m}
        return day.fix(t, **{**said, **other})

    return bench, fix


def events(bench):
    taken, bench.engine.events = bench.engine.events, []
    return taken


def heard(day, bench, t=0.5, up=0.0):
    """The base's broadcast position, and what base-datum makes of it."""
    x, y, z = from_enu(expected_arp(bench.site).ecef, Enu(0.0, 0.0, up))
    bench.scene.prove(417, up == 0.0)
    return day.station(t, x_m=x, y_m=y, z_m=z)


def stands(day, bench, offset, *marks, seconds=14.0, start=1.0):
    """The rover goes from mark to mark with the same step off each."""
    facts, t = [], start
    for name in marks:
        mark = point_at(bench.site, name).ecef
        latitude, longitude, h = to_geodetic(from_enu(mark, Enu(offset[0], offset[1], offset[2] + 2.0)))
        said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
        facts += [day.fix(t + s, **said) for s in day.every(1.0, 0.0, seconds)]
        t += seconds
    return facts, t
