"""Who is to blame where a check on control fails: the rover, the base or the mark."""

import datetime as dt
import re

import pytest
from witnesspost.rules.book import control_check
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import enu, from_enu, point_at, to_ecef, to_geodetic
from witnesspost.rules.datum.hypotheses import BASE_ORDER

from tests.rules.book.conftest import KESTREL, TABLES, events, heard, stands

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
