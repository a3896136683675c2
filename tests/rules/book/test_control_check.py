"""control-check on a stepped clock: every occupation of control is an event, and a wrong one an alert."""

import random
import re

import pytest
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import from_enu, point_at, to_geodetic
from witnesspost.rules.facts import CheckIn, Tilt
from witnesspost.rules.language.speech import ENGLISH, Speech

from tests.proof.datum_table import PLACES, geoid_file
from tests.rules.book.conftest import TABLES, events, heard, stands

COMPENSATED = {"sentence": "PEXMP,TILT", "angle_field": 3, "aligned_field": 4, "compensates": True}


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
