"""A check that a person declares: of which point, from when, and how long it waits."""

import pytest
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import from_enu, point_at, to_geodetic
from witnesspost.rules.facts import CheckIn

from tests.rules.book.conftest import events, heard, stands


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
    assert {one.cause for one in raised.causes} == {"mark-or-point"}


def stands_under(day, bench, wrong, mark, told="KQ-1"):
    """The rover stands on a mark while the base is over `wrong`, and sends the coordinate of `told`."""
    on, sent, under = (point_at(bench.site, name).ecef for name in (mark, told, wrong))
    moved = Ecef(*(a + b - c for a, b, c in zip(on, sent, under, strict=True)))
    latitude, longitude, h = to_geodetic(from_enu(moved, Enu(0.008, -0.006, 2.01)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    return [day.fix(t, **said) for t in day.every(1.0, 1.0, 15.0)]


@pytest.mark.parametrize("hears", [True, False])
def test_a_base_over_another_mark_than_it_was_told_is_named(rover, day, hears):
    # What it sends agrees with the project: the post that hears it knows no less than one that does not.
    bench, _ = rover
    said = [heard(day, bench)] if hears else []
    facts = [*said, CheckIn(t=0.6, stream="", point="KQ-2"), *stands_under(day, bench, "KQ-3", "KQ-2")]
    (raised,) = bench.play(facts, 15.0)
    assert (raised.severity, raised.cause) == ("stop", "other-control-point")
    say, steps = words(raised)
    assert "That is another control point: KQ-3 under the base instead of KQ-1." in say
    assert any("Read the mark under the base: is it KQ-1?" in step for step in steps)
    assert "leave it as it is" not in " ".join(steps)


def test_a_base_over_another_mark_moves_no_mark_that_nobody_has_declared(rover, day):
    # Four stakes of a grid on a floor look the same: one stand beside no mark says nothing of a base whose coordinate agrees.
    bench, _ = rover
    assert bench.play([heard(day, bench), *stands_under(day, bench, "KQ-3", "KQ-2")], 15.0) == []


def test_where_the_first_fix_has_shown_it_the_mark_is_known_undeclared(rover, day):
    bench, _ = rover
    bench.scene.displaced = True  # base-datum's word
    (raised,) = bench.play([heard(day, bench), *stands_under(day, bench, "KQ-3", "KQ-2")], 15.0)
    assert (raised.cause, raised.evidence["point"]) == ("other-control-point", "KQ-2")
