"""control-check on a stepped clock: every standing on control is an event, and a wrong one an alert."""

import random

import pytest
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.datum.geodesy import from_enu, point_at, to_geodetic

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
SECOND = {"name": "KQ-2", "latitude": 39.1255567, "longitude": -104.9851543, "height": 1881.976}
TABLES = {
    "project": {"frame": "EPSG:6319", "epoch": 2010.0, "vertical": "geoid", "control": [KESTREL, SECOND]},
    "base": {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": 1.843},
    "rover": {"pole_height_m": 2.0},
}


@pytest.fixture
def rover(day):
    """A bench, and a maker of fixes whose pole tip is off KQ-2 by east, north, up."""
    bench = day.bench(ControlCheck, **TABLES)
    mark = point_at(bench.site, "KQ-2")

    def fix(t, east=0.0, north=0.0, up=0.0, separation_m=-16.0, **other):
        latitude, longitude, h = to_geodetic(from_enu(mark.ecef, (east, north, up + 2.0)))
        height = h - (separation_m if separation_m is not None else mark.separation_m)
        said = {"latitude": latitude, "longitude": longitude, "height_m": height, "separation_m": separation_m}
        return day.fix(t, **{**said, **other})

    return bench, fix


def events(bench):
    taken, bench.engine.events = bench.engine.events, []
    return taken


def test_a_check_that_passes_is_an_event_and_no_alert(rover, day):
    bench, fix = rover
    draw = random.Random(1)
    facts = [fix(t, draw.gauss(0, 0.008), draw.gauss(0, 0.008), draw.gauss(0, 0.015)) for t in day.every(1.0, 1.0, 31.0)]
    assert bench.play(facts, 40.0) == []
    ((t, kind, detail),) = events(bench)
    assert (t, kind) == (6.2, "control-check")
    assert detail["passed"] is True
    assert (detail["point"], detail["epochs"], detail["stood_s"]) == ("KQ-2", 6, 5.0)
    assert abs(detail["east_m"]) < 0.02
    assert 0.0 < detail["scatter_horizontal_m"] < 0.03


def test_a_check_that_fails_raises_with_its_cause_and_ends_when_the_rover_goes(rover, day):
    bench, fix = rover
    standing = [fix(t, up=-1.843) for t in day.every(1.0, 1.0, 31.0)]
    walking = [fix(t, east=1.4 * (t - 30.0)) for t in day.every(1.0, 31.0, 40.0)]
    changes = bench.play([*standing, *walking], 40.0)
    assert day.said(changes) == [
        (6.2, "raised", "control-check", "antenna-height-missing"),
        (34.2, "normal", "control-check", "antenna-height-missing"),
    ]
    raised = changes[0]
    assert words(raised).say.startswith(
        "On KQ-2 the rover reads 1.84 m low. That is an antenna height: the base's antenna height"
    )
    assert (raised.evidence["point"], raised.evidence["epochs"]) == ("KQ-2", 6)
    ((_, _, detail),) = events(bench)
    assert detail["passed"] is False


def test_a_pole_that_was_never_taken_off(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=2.0) for t in day.every(1.0, 1.0, 8.0)], 8.0)
    assert raised.cause == "antenna-height-missing"
    assert "the rover's pole height" in words(raised).say


@pytest.mark.parametrize(
    ("east", "up_over_grid", "raised"),
    [(0.029, 0.0, False), (0.031, 0.0, True), (0.0, 0.049, False), (0.0, 0.051, True)],
)
def test_tolerances(rover, day, east, up_over_grid, raised):
    bench, fix = rover
    up = up_over_grid and up_over_grid + point_at(bench.site, "KQ-2").height_error_m
    assert bool(bench.play([fix(t, east=east, up=up) for t in day.every(1.0, 1.0, 8.0)], 8.0)) is raised


def test_a_geoid_bust_is_found_though_it_is_no_metre_near_in_height(rover, day):
    bench, fix = rover
    n = point_at(bench.site, "KQ-1").separation_m
    (raised,) = bench.play([fix(t, up=-n) for t in day.every(1.0, 1.0, 8.0)], 8.0)
    assert raised.cause == "orthometric-as-ellipsoidal"


def test_far_from_the_base_its_error_leans(day):
    """22 km off, up at the base is 3.5 mrad from up here: 46 m of height there are 16 cm of position here."""
    control = [
        {"name": "E-1", "latitude": 48.3123457, "longitude": 11.2345678, "height": 520.456},
        {"name": "E-2", "latitude": 48.5123457, "longitude": 11.2345678, "height": 480.123},
    ]
    project = {"frame": "EPSG:7931", "vertical": "geoid", "control": control}
    bench = day.bench(
        ControlCheck, project=project, base={"occupies": "E-1", "antenna_height_m": 0.0}, rover={"pole_height_m": 2.0}
    )
    base, mark = point_at(bench.site, "E-1"), point_at(bench.site, "E-2")
    wrong = from_enu(base.ecef, (0.0, 0.0, -base.separation_m))
    tip = tuple(m + w - b for m, w, b in zip(mark.ecef, wrong, base.ecef, strict=True))
    latitude, longitude, h = to_geodetic(tip)
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 2.0 - 45.9, "separation_m": 45.9}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 8.0)], 8.0)
    assert raised.evidence["horizontal_m"] > 0.12
    assert (raised.cause, raised.causes[0].residual_m) == ("orthometric-as-ellipsoidal", pytest.approx(0.0, abs=0.01))


@pytest.mark.parametrize("quality", [0, 1, 2, 5, 6, 9])
def test_only_a_fixed_position_checks(rover, day, quality):
    bench, fix = rover
    assert bench.play([fix(t, up=1.0, quality=quality) for t in day.every(1.0, 1.0, 20.0)], 20.0) == []
    assert events(bench) == []


def test_walking_over_the_point_is_no_check(rover, day):
    bench, fix = rover
    assert bench.play([fix(t, east=0.1 * (t - 10.0)) for t in day.every(1.0, 1.0, 20.0)], 25.0) == []
    assert events(bench) == []


def test_standing_beside_the_point_by_more_than_a_metre_is_no_check(rover, day):
    bench, fix = rover
    assert bench.play([fix(t, east=1.05) for t in day.every(1.0, 1.0, 20.0)], 20.0) == []
    assert events(bench) == []


@pytest.mark.parametrize("broken", ["float", "gap", "step"])
def test_a_standing_that_is_broken_begins_anew(rover, day, broken):
    bench, fix = rover
    facts = [fix(t) for t in day.every(1.0, 1.0, 5.0)]
    if broken == "float":
        facts += [fix(5.0, quality=5), *(fix(t) for t in day.every(1.0, 6.0, 10.0))]
    elif broken == "gap":
        facts += [fix(t) for t in day.every(1.0, 9.0, 13.0)]
    else:
        facts += [fix(t, north=0.3) for t in day.every(1.0, 5.0, 9.0)]
    bench.play(facts, 14.0)
    assert events(bench) == []


def test_each_standing_is_one_event(rover, day):
    bench, fix = rover
    first = [fix(t) for t in day.every(1.0, 1.0, 61.0)]
    away = [fix(t, north=20.0) for t in day.every(1.0, 61.0, 70.0)]
    again = [fix(t) for t in day.every(1.0, 70.0, 131.0)]
    bench.play([*first, *away, *again], 140.0)
    assert [(round(t, 1), detail["point"]) for t, _, detail in events(bench)] == [(6.2, "KQ-2"), (75.2, "KQ-2")]


def test_twenty_positions_a_second(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=-1.843) for t in day.every(0.05, 1.0, 8.0)], 8.0)
    assert raised.t == pytest.approx(6.0, abs=0.21)
    assert raised.evidence["epochs"] > 90


def test_a_receiver_that_reports_no_separation_is_checked_with_the_projects(rover, day):
    bench, fix = rover
    assert bench.play([fix(t, separation_m=None) for t in day.every(1.0, 1.0, 8.0)], 8.0) == []
    ((_, _, detail),) = events(bench)
    assert detail["passed"] is True


def test_control_without_a_base_still_finds_the_pole(day):
    bench = day.bench(ControlCheck, **{key: table for key, table in TABLES.items() if key != "base"})
    mark = point_at(bench.site, "KQ-2")
    latitude, longitude, h = to_geodetic(from_enu(mark.ecef, (0.0, 0.0, 4.0)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 8.0)], 8.0)
    assert raised.cause == "antenna-height-missing"


def test_silent_without_control(day):
    bench = day.bench(ControlCheck)
    assert bench.play([day.fix(t) for t in day.every(1.0, 1.0, 20.0)], 20.0) == []


def test_a_mean_that_comes_right_ends_the_alert(rover, day):
    bench, fix = rover
    facts = [*(fix(t, east=0.035) for t in day.every(1.0, 1.0, 8.0)), *(fix(t, east=0.01) for t in day.every(1.0, 8.0, 40.0))]
    assert [change.change for change in bench.play(facts, 41.0)] == ["raised", "normal"]
