"""control-check on a stepped clock: every occupation of control is an event, and a wrong one an alert."""

import datetime as dt
import random
import re

import pytest
from witnesspost.rules.book import control_check
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import enu, expected_arp, from_enu, point_at, to_ecef, to_geodetic
from witnesspost.rules.datum.hypotheses import BASE_ORDER
from witnesspost.rules.facts import CheckIn, Tilt
from witnesspost.rules.language.speech import ENGLISH, Speech

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
COMPENSATED = {"sentence": "PEXMP,TILT", "angle_field": 3, "aligned_field": 4, "compensates": True}


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


def test_a_check_that_passes_is_an_event_and_no_alert(rover, day):
    bench, fix = rover
    draw = random.Random(1)
    facts = [fix(t, draw.gauss(0, 0.008), draw.gauss(0, 0.008), draw.gauss(0, 0.015)) for t in day.every(1.0, 1.0, 31.0)]
    assert bench.play(facts, 40.0) == []
    ((t, kind, detail),) = events(bench)
    assert (t, kind) == (11.2, "control-check")
    assert detail["passed"] is True
    assert (detail["point"], detail["epochs"], detail["stood_s"]) == ("KQ-2", 11, 10.0)
    assert abs(detail["east_m"]) < 0.02
    assert 0.0 < detail["scatter_horizontal_m"] < 0.03


def test_a_check_that_fails_raises_with_its_cause_and_ends_when_the_rover_goes(rover, day):
    bench, fix = rover
    standing = [fix(t, up=-1.843) for t in day.every(1.0, 1.0, 31.0)]
    walking = [fix(t, east=1.4 * (t - 30.0)) for t in day.every(1.0, 31.0, 40.0)]
    changes = bench.play([*standing, *walking], 40.0)
    assert day.said(changes) == [
        (11.2, "raised", "control-check", "antenna-height-missing"),
        (34.2, "normal", "control-check", "antenna-height-missing"),
    ]
    raised = changes[0]
    say, steps = words(raised)
    assert say.startswith("On KQ-2 the rover reads 1.84 m low. That may be the base's antenna height (1.843 m), left out.")
    assert "It may also be the pole's height" in say
    assert steps[1].startswith(
        "Is this the mark of KQ-2, and KQ-2 the point picked? Pole 2.000 m long, foot on the mark, bubble"
    )
    assert steps[2] == "Lose the fix, initialise anew, and measure KQ-2 again."
    assert steps[3].startswith("The base last.")
    assert steps[4] == "Before anyone corrects the base: note the time and the old coordinate."
    assert (raised.evidence["point"], raised.evidence["epochs"]) == ("KQ-2", 11)
    ((_, _, detail),) = events(bench)
    assert detail["passed"] is False


def test_a_pole_that_was_never_taken_off(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=2.0) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert raised.cause == "rover-pole"
    assert "the pole's height left out" in words(raised).say


@pytest.mark.parametrize(
    ("east", "up_over_grid", "raised"),
    [(0.029, 0.0, False), (0.031, 0.0, True), (0.0, 0.049, False), (0.0, 0.051, True)],
)
def test_tolerances(rover, day, east, up_over_grid, raised):
    bench, fix = rover
    up = up_over_grid
    assert bool(bench.play([fix(t, east=east, up=up) for t in day.every(1.0, 1.0, 13.0)], 13.0)) is raised


def test_a_geoid_bust_is_found_though_it_is_no_metre_near_in_height(rover, day):
    bench, fix = rover
    n = point_at(bench.site, "KQ-1").separation_m
    (raised,) = bench.play([fix(t, up=-n) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert raised.cause == "orthometric-as-ellipsoidal"


def test_far_from_the_base_its_error_leans(day):
    """22 km off, up at the base is 3.5 mrad from up here: 46 m of height there are 16 cm of position here."""
    control = [
        {"name": "E-1", "latitude": 48.3123457, "longitude": 11.2345678, "height": 520.456},
        {"name": "E-2", "latitude": 48.5123457, "longitude": 11.2345678, "height": 480.123},
    ]
    project = {"frame": "EPSG:7931", "vertical": "geoid", "control": control, "geoid": geoid_file(PLACES[1])}
    bench = day.bench(
        ControlCheck, project=project, base={"occupies": "E-1", "antenna_height_m": 0.0}, rover={"pole_height_m": 2.0}
    )
    base, mark = point_at(bench.site, "E-1"), point_at(bench.site, "E-2")
    wrong = from_enu(base.ecef, Enu(0.0, 0.0, -base.separation_m))
    tip = Ecef(*(m + w - b for m, w, b in zip(mark.ecef, wrong, base.ecef, strict=True)))
    latitude, longitude, h = to_geodetic(tip)
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 2.0 - 45.9, "separation_m": 45.9}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0)], 13.0)
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


@pytest.mark.parametrize(("east", "up"), [(0.6, -0.12), (0.3, 0.15), (0.16, 0.0), (1.05, 0.0)])
def test_standing_beside_the_point_is_no_check(rover, day, east, up):
    """A kerb shot beside a nail, a pole parked beside a mark."""
    bench, fix = rover
    assert bench.play([fix(t, east=east, up=up) for t in day.every(1.0, 1.0, 40.0)], 40.0) == []
    assert events(bench) == []


@pytest.mark.parametrize("broken", ["float", "gap", "step"])
def test_a_standing_that_is_broken_begins_anew(rover, day, broken):
    bench, fix = rover
    facts = [fix(t) for t in day.every(1.0, 1.0, 9.0)]
    if broken == "float":
        facts += [fix(9.0, quality=5), *(fix(t) for t in day.every(1.0, 10.0, 18.0))]
    elif broken == "gap":
        facts += [fix(t) for t in day.every(1.0, 13.0, 21.0)]
    else:
        facts += [fix(t, north=0.3) for t in day.every(1.0, 9.0, 17.0)]
    bench.play(facts, 22.0)
    assert events(bench) == []


@pytest.mark.parametrize(("apart_m", "checks"), [(0.045, 1), (0.055, 0)])
def test_a_standing_begins_with_two_positions_within_five_centimetres(rover, day, apart_m, checks):
    bench, fix = rover
    bench.play([fix(t, east=apart_m * (t % 2.0)) for t in day.every(1.0, 1.0, 13.0)], 14.0)
    assert len(events(bench)) == checks


@pytest.mark.parametrize(("away_m", "checks"), [(0.045, 1), (0.055, 0)])
def test_a_standing_goes_on_within_five_centimetres_of_its_mean(rover, day, away_m, checks):
    bench, fix = rover
    bench.play([fix(t, east=away_m if t == 9.0 else 0.0) for t in day.every(1.0, 1.0, 14.0)], 15.0)
    assert len(events(bench)) == checks


def test_each_standing_is_one_event(rover, day):
    bench, fix = rover
    first = [fix(t) for t in day.every(1.0, 1.0, 61.0)]
    away = [fix(t, north=20.0) for t in day.every(1.0, 61.0, 70.0)]
    again = [fix(t) for t in day.every(1.0, 70.0, 131.0)]
    bench.play([*first, *away, *again], 140.0)
    assert [(round(t, 1), detail["point"]) for t, _, detail in events(bench)] == [(11.2, "KQ-2"), (80.2, "KQ-2")]


def test_twenty_positions_a_second(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=-1.843) for t in day.every(0.05, 1.0, 13.0)], 13.0)
    assert raised.t == pytest.approx(11.0, abs=0.21)
    assert raised.evidence["epochs"] > 190


def test_a_receiver_that_reports_no_separation_is_checked_with_the_projects(rover, day):
    bench, fix = rover
    assert bench.play([fix(t, separation_m=None) for t in day.every(1.0, 1.0, 13.0)], 13.0) == []
    ((_, _, detail),) = events(bench)
    assert detail["passed"] is True


def test_control_without_a_base_still_finds_the_pole(day):
    bench = day.bench(ControlCheck, **{key: table for key, table in TABLES.items() if key != "base"})
    mark = point_at(bench.site, "KQ-2")
    latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(0.0, 0.0, 4.0)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert raised.cause == "rover-pole"


def test_silent_without_control(day):
    bench = day.bench(ControlCheck)
    assert bench.play([day.fix(t) for t in day.every(1.0, 1.0, 20.0)], 20.0) == []


def test_a_mean_that_comes_right_ends_the_alert(rover, day):
    bench, fix = rover
    facts = [*(fix(t, east=0.035) for t in day.every(1.0, 1.0, 13.0)), *(fix(t, east=0.01) for t in day.every(1.0, 13.0, 60.0))]
    assert [change.change for change in bench.play(facts, 61.0)] == ["raised", "normal"]


# Who is to blame


def heard(day, bench, t=0.5, up=0.0):
    """The base's broadcast position, and what base-datum makes of it."""
    x, y, z = from_enu(expected_arp(bench.site).ecef, Enu(0.0, 0.0, up))
    bench.scene.prove(417, up == 0.0)
    return day.station(t, x_m=x, y_m=y, z_m=z)


BASE_CAUSES = set(BASE_ORDER)


@pytest.mark.parametrize(
    ("offset", "cause"),
    [((0.0, 0.0, -1.843), "rover-pole"), ((0.0, 0.0, -0.2), "rover-pole"), ((0.09, -0.08, 0.0), "leaning-pole"),
     ((0.05, 0.05, 0.08), "mark-or-point"), ((0.0, 0.0, -17.213), "unexplained")],
)  # fmt: skip
def test_a_base_that_is_proven_right_is_never_blamed(rover, day, offset, cause):
    bench, fix = rover
    facts = [heard(day, bench), *(fix(t, *offset) for t in day.every(1.0, 1.0, 13.0))]
    (raised,) = bench.play(facts, 13.0)
    assert raised.cause == cause
    assert not {one.cause for one in raised.causes} & BASE_CAUSES
    say, steps = words(raised)
    assert "The base's coordinate agrees with the project: leave it as it is." in steps
    assert not any("type" in step.lower() and "base" in step.lower() for step in steps)
    assert "base" not in say


def test_nobody_is_asked_to_give_the_base_the_rovers_point():
    for advice in ControlCheck.causes.values():
        for text in (advice.line, *(step for step in advice.steps if step.startswith("The base last"))):
            assert "{point}" not in text


def test_an_unproven_base_is_blamed_where_its_cause_fits(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=-17.213 * -1) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert raised.cause == "orthometric-as-ellipsoidal"


# Limits grow with the distance


@pytest.mark.parametrize(("east", "raised"), [(0.0385, False), (0.0395, True)])
def test_twelve_kilometres_off_a_check_may_be_worse(day, east, raised):
    # √(0.03² + (2e-6 · 12,300 m)²) = 0.0388 m
    far = {"name": "KQ-9", "latitude": 39.2342567, "longitude": -104.9876543, "height": 1881.976}
    project = {**TABLES["project"], "control": [KESTREL, far]}
    bench = day.bench(ControlCheck, **{**TABLES, "project": project})
    mark = point_at(bench.site, "KQ-9")
    latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(east, 0.0, 2.0)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    facts = [heard(day, bench), *(day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0))]
    assert bool(bench.play(facts, 13.0)) is raised
    ((_, _, detail),) = events(bench)
    assert detail["distance_m"] == pytest.approx(12_300, abs=30)
    assert detail["tolerance_horizontal_m"] == pytest.approx(0.0388, abs=2e-4)


# A base's blunder moves the mark


def test_a_base_over_the_wrong_mark_puts_the_crew_where_no_mark_is(rover, day):
    bench, _ = rover
    one, other = point_at(bench.site, "KQ-1"), point_at(bench.site, "KQ-4")
    moved = [b - a for a, b in zip(one.ecef, other.ecef, strict=True)]
    mark = point_at(bench.site, "KQ-2").ecef
    there = from_enu(Ecef(*(m + d for m, d in zip(mark, moved, strict=True))), Enu(0.01, -0.01, 2.0))
    latitude, longitude, h = to_geodetic(there)
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert (raised.cause, raised.evidence["point"]) == ("other-control-point", "KQ-2")
    say, steps = words(raised)
    assert "another control point: KQ-4 instead of KQ-1" in say
    assert steps[3] == "The base last. Read the mark under the base: is it KQ-1? And which point is picked in the base?"


@pytest.mark.parametrize(("aside", "points"), [(0.045, ["KQ-2"]), (0.075, [])])
def test_a_moved_mark_is_known_within_five_centimetres(rover, day, aside, points):
    # The axes at KQ-2 are turned against those at KQ-1: the step itself is 1 cm off there.
    bench, _ = rover
    step = enu(point_at(bench.site, "KQ-1").ecef, point_at(bench.site, "KQ-4").ecef)
    facts, until = stands(day, bench, (step.east_m, step.north_m + aside, step.up_m), "KQ-2")
    assert [change.evidence["point"] for change in bench.play(facts, until)] == points


def test_where_marks_are_moved_is_worked_out_once_a_day(rover, day, monkeypatch):
    bench, fix = rover
    worked_out = []
    monkeypatch.setattr(control_check, "predictions", lambda situation: worked_out.append(situation.today) or [])
    t = 0.0
    for utc in ("2026-06-15T01:00:00Z", "2026-06-15T13:00:00Z", "2026-06-15T23:00:00Z", "2026-06-16T01:00:00Z",
                "2026-06-17T01:00:00Z"):  # fmt: skip
        said = day.utc(t, utc=dt.datetime.fromisoformat(utc))
        bench.play([said, *(fix(s, 0.6) for s in day.every(1.0, t + 1.0, t + 13.0))], t + 20.0)
        t += 20.0
    assert [round((year - 2026) * 365 + 1) for year in worked_out] == [166, 167, 168]  # 15, 16 and 17 June


def test_a_proven_base_moves_no_mark(rover, day):
    bench, fix = rover
    assert bench.play([heard(day, bench), *(fix(t, -1.3, 0.51, -0.87) for t in day.every(1.0, 1.0, 40.0))], 40.0) == []


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


def test_a_bases_own_position_is_told_at_the_third_mark(rover, day):
    bench, _ = rover
    own = (1.31, -2.57, 3.44)
    for marks, raised in ((("KQ-2",), 0), (("KQ-2", "KQ-3"), 0), (("KQ-2", "KQ-3", "KQ-4"), 1)):
        bench = day.bench(ControlCheck, **TABLES)
        facts, until = stands(day, bench, own, *marks)
        changes = bench.play(facts, until)
        assert len(changes) == raised
    assert changes[0].cause == "autonomous-base"
    say, steps = words(changes[0])
    assert "coordinate of KQ-1" in say
    assert steps[3] == "The base last. Pick KQ-1 from the base's list, or type its coordinate; do not use 'here'."


def test_a_base_whose_point_the_site_file_does_not_name_has_a_point_of_its_own_in_words(day):
    tables = {**TABLES, "base": {"station_id": 417, "antenna_height_m": 1.843}}
    bench = day.bench(ControlCheck, **tables)
    facts, until = stands(day, bench, (1.31, -2.57, 3.44), "KQ-2", "KQ-3", "KQ-4")
    (raised,) = bench.play(facts, until)
    say, steps = words(raised)
    assert "coordinate of the base's own point" in say
    assert not [text for text in (say, *steps) if "base" in text and re.search("Pick KQ|of KQ", text)]


def test_three_stands_on_one_spot_are_one_mark(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (1.31, -2.57, 3.44), "KQ-2", "KQ-2", "KQ-2")
    assert bench.play(facts, until) == []


def test_a_slipped_digit_is_told_at_the_second_mark(rover, day):
    bench, _ = rover
    base = point_at(bench.site, "KQ-1")
    slip = from_enu(base.ecef, Enu(0.0, 0.0, 0.0))
    latitude, longitude, h = to_geodetic(slip)
    step = enu(base.ecef, to_ecef(latitude + 0.0003, longitude, h))  # 39.1234567 typed as 39.1237567
    for marks, raised in ((("KQ-2",), []), (("KQ-2", "KQ-3"), ["digit-slip"])):
        bench = day.bench(ControlCheck, **TABLES)
        facts, until = stands(day, bench, step, *marks)
        assert [change.cause for change in bench.play(facts, until)] == raised


def test_stakes_on_round_metres_are_no_slips(rover, day):
    bench, _ = rover
    facts, t = [], 1.0
    for metres in (5.0, 10.0, 20.0, 100.0):
        more, t = stands(day, bench, (metres, 0.0, 0.3), "KQ-2", start=t)
        facts += more
    assert bench.play(facts, t) == []


# Declared by a person


def test_who_declares_a_check_is_taken_at_his_word(rover, day):
    bench, fix = rover
    facts = [CheckIn(t=0.5, stream="", point="KQ-2"), *(fix(t, 1.31, -2.57, 3.44) for t in day.every(1.0, 1.0, 13.0))]
    (raised,) = bench.play(facts, 13.0)
    assert (raised.cause, raised.evidence["point"]) == ("autonomous-base", "KQ-2")


def test_a_check_declared_while_standing_averages_ten_seconds_from_then(rover, day):
    bench, fix = rover
    facts = [fix(t, 0.6) for t in day.every(1.0, 1.0, 40.0)]
    (raised,) = bench.play([*facts, CheckIn(t=20.1, stream="", point="KQ-2")], 40.0)
    assert raised.t == pytest.approx(30.2, abs=0.21)
    assert bench.scene.declared.measured["epochs"] == 11
    ((_, kind, detail),) = events(bench)
    assert (kind, detail["point"], detail["passed"]) == ("control-check", "KQ-2", False)


def test_a_check_declared_while_one_has_failed_does_not_end_its_alert_meanwhile(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (0.07, 0.0, 0.0), "KQ-2", seconds=40.0)
    declared = CheckIn(t=until - 20.0, stream="", point="KQ-2")
    changes = bench.play([heard(day, bench), *facts, declared], until)
    assert [change.change for change in changes] == ["raised"]
    assert [detail["passed"] for _, _, detail in events(bench)] == [False, False]


@pytest.mark.parametrize("east_m", [12.0, 293.0])
def test_a_check_declared_far_from_its_point_asks_and_raises_nothing(rover, day, east_m):
    bench, _ = rover
    facts, until = stands(day, bench, (east_m, 3.0, -7.6), "KQ-2", seconds=60.0)
    changes = bench.play([heard(day, bench), CheckIn(t=0.6, stream="", point="KQ-2"), *facts], until)
    assert changes == []
    declared = bench.scene.declared
    assert (declared.outcome, declared.finding) == ("elsewhere", None)
    assert declared.measured["east_m"] == pytest.approx(east_m, abs=0.01)
    assert [kind for _, kind, _ in events(bench)] == ["check-in-elsewhere"]


def test_a_check_declared_far_from_its_point_is_a_fault_where_the_base_is_wrong(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (293.0, 3.0, -7.6), "KQ-2")
    changes = bench.play([heard(day, bench, up=200.0), CheckIn(t=0.6, stream="", point="KQ-2"), *facts], until)
    assert "control-check" in [change.rule for change in changes]


@pytest.mark.parametrize(("begins", "checked"), [(59.5, True), (61.5, False)])
def test_a_declared_check_waits_a_minute_for_the_rover_to_stand(rover, day, begins, checked):
    bench, fix = rover
    said = CheckIn(t=0.5, stream="", point="KQ-2")
    bench.play([said, *(fix(t, 0.6) for t in day.every(0.1, begins, 75.0))], 75.0)
    assert [kind for _, kind, _ in events(bench)] == (["control-check"] if checked else ["check-in-given-up"])


def test_the_wrong_point_picked_is_named(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (0.0, 0.0, 0.0), "KQ-3")
    (raised,) = bench.play([heard(day, bench), CheckIn(t=0.6, stream="", point="KQ-2"), *facts], until)
    assert (raised.cause, raised.evidence["sure"]) == ("mark-or-point", True)
    assert "KQ-3 under the pole" in words(raised).say


# Waiting


def tilt(t, angle, aligned=None):
    return Tilt(t=t, stream="receiver", angle_deg=angle, aligned=aligned)


@pytest.mark.parametrize(("angle", "checks"), [(0.8, 1), (1.4, 1), (1.7, 0), (20.0, 0)])
def test_a_leaning_pole_is_waited_for(rover, day, angle, checks):
    bench, fix = rover
    facts = [fact for t in day.every(1.0, 1.0, 30.0) for fact in (tilt(t, angle), fix(t + 0.1, up=-0.3))]
    assert len(bench.play(facts, 30.0)) == checks
    assert len(events(bench)) == checks


@pytest.mark.parametrize(("angle", "checks"), [(2.0, 1), (29.0, 1), (31.0, 0)])
def test_a_compensated_pole_is_waited_for_past_its_limit(day, angle, checks):
    bench = day.bench(ControlCheck, **TABLES, tilt=COMPENSATED)
    fixes, until = stands(day, bench, (0.0, 0.0, 0.0), "KQ-2", seconds=20.0)
    bench.play([fact for fix in fixes for fact in (tilt(fix.t - 0.1, angle, aligned=True), fix)], until)
    assert len(events(bench)) == checks


def test_a_word_of_the_tilt_sensor_counts_for_five_seconds(rover, day):
    bench, fix = rover
    bench.play([tilt(1.0, 20.0), *(fix(t) for t in day.every(1.0, 1.0, 30.0))], 30.0)
    ((t, _, _),) = events(bench)
    assert t == pytest.approx(17.2, abs=0.1)  # the first position over 5 s after the word is the one of 7 s


def test_once_it_is_plumb_the_check_begins(rover, day):
    bench, fix = rover
    facts = [fact for t in day.every(1.0, 1.0, 40.0) for fact in (tilt(t, 4.0 if t < 20 else 0.5), fix(t + 0.1))]
    bench.play(facts, 40.0)
    ((t, _, detail),) = events(bench)
    assert t == pytest.approx(30.2, abs=0.3)
    assert detail["passed"]


# Too few decimals


@pytest.mark.parametrize(
    ("decimals", "kind"), [(3, "control-check-declined"), (4, "control-check-declined"), (5, "control-check")]
)
def test_positions_with_too_few_decimals_are_declined(rover, day, decimals, kind):
    bench, fix = rover
    draw = random.Random(5)

    def cut(t):
        whole = fix(t, draw.gauss(0, 0.006), draw.gauss(0, 0.006), draw.gauss(0, 0.01))
        whole.latitude = round(whole.latitude * 60, decimals) / 60
        whole.longitude = round(whole.longitude * 60, decimals) / 60
        return whole

    assert bench.play([cut(t) for t in day.every(1.0, 1.0, 13.0)], 13.0) == []
    assert [event[1] for event in events(bench)] == [kind]


def test_heights_in_decimetres_are_declined(rover, day):
    bench, fix = rover
    facts = [fix(t) for t in day.every(1.0, 1.0, 13.0)]
    for fact in facts:
        fact.height_m = round(fact.height_m, 1)
    assert bench.play(facts, 13.0) == []
    assert [event[1] for event in events(bench)] == ["control-check-declined"]


# Heights over the bundled geoid


@pytest.mark.parametrize(("up", "named"), [(0.6, []), (-1.4, []), (2.0, ["rover-pole"]), (-1.843, ["antenna-height-missing"])])
def test_heights_over_the_bundled_geoid_are_a_note(day, up, named):
    project = {**TABLES["project"], "geoid": "bundled"}
    bench = day.bench(ControlCheck, **{**TABLES, "project": project})
    facts, until = stands(day, bench, (0.01, 0.0, up), "KQ-2")
    (raised,) = bench.play(facts, until)
    assert (raised.severity, [cause.cause for cause in raised.causes]) == ("note", ["height-not-judged", *named])


@pytest.mark.parametrize(("interval_s", "checks"), [(0.1, 1), (1.0, 1), (5.0, 1), (10.0, 0)])
def test_how_often_positions_come(rover, day, interval_s, checks):
    bench, fix = rover
    assert bench.play([fix(t) for t in day.every(interval_s, 1.0, 61.0)], 61.0) == []
    assert len(events(bench)) == checks


# Names: a mark may be called as words are, and no language translates it


ODD_NAMES = [
    "nail",
    "the base",
    "on",
    "A, north of B",
    "the mark. Then stop",
    "nail by the gate or under it",
    "KQ-2 at 14:00 (old)",
]
MISSES = {
    "the antenna's height": ({"up": -1.843}, "KQ-2", False),
    "the pole": ({"up": 2.0}, "KQ-2", False),
    "nothing known": ({"east": 0.07, "up": 0.31}, "KQ-2", True),
    "the wrong mark": ({}, "KQ-3", True),
}


def alert_of(day, miss, names, speech):
    """What a person reads of a miss where the marks are called so."""
    off, under, proven = MISSES[miss]
    project = {**TABLES["project"]}
    project["control"] = [{**mark, "name": names[mark["name"]]} for mark in project["control"]]
    bench = day.bench(ControlCheck, **{**TABLES, "project": project, "base": {**TABLES["base"], "occupies": names["KQ-1"]}})
    mark = point_at(bench.site, names[under])
    east, north, up = off.get("east", 0.0), 0.0, off.get("up", 0.0)
    latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(east, north, up + 2.0)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    facts = [CheckIn(t=0.5, stream="", point=names["KQ-2"]), *(day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0))]
    (raised,) = bench.play([heard(day, bench), *facts] if proven else facts, 13.0)
    return words(raised, speech)


@pytest.mark.parametrize("name", ODD_NAMES)
@pytest.mark.parametrize("miss", MISSES)
def test_no_name_of_a_mark_changes_what_is_said(day, miss, name):
    plain = {f"KQ-{n}": f"KQ-{n}" for n in range(1, 5)}
    odd = {mark: f"{name} {'xyzw'[n]}" if n else name for n, mark in enumerate(["KQ-2", "KQ-1", "KQ-3", "KQ-4"])}
    for speech in (ENGLISH, Speech.of("es")):
        expected = alert_of(day, miss, plain, speech)
        said = alert_of(day, miss, odd, speech)
        named = [re.sub(r"KQ-[1-4]", lambda found: odd[found[0]], text) for text in (expected.say, *expected.steps)]
        assert [said.say, *said.steps] == named
    assert "\u2068" not in "".join(named)
    assert re.search(r"\b(the rover reads|It may also be|Measure another)\b", " ".join(expected.steps) + expected.say) is None
