"""tilt: the pole's lean, its sensor, and the error that either makes."""

import pytest
from witnesspost.rules.book.tilt import TiltRule, point_error_m
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Tilt


def pole(day, until, angle=None, aligned=None, start=0.0, interval=0.1):
    return [Tilt(t=t, stream="receiver", angle_deg=angle, aligned=aligned) for t in day.every(interval, start, until)]


def walking(day, until, start=0.0, speed_m_s=1.2):
    return [day.fix(t, latitude=39.1 + speed_m_s * t / 111_320.0) for t in day.every(1.0, start, until)]


def standing(day, until, start=0.0):
    return [day.fix(t, latitude=39.1 + 1e-7 * (t % 3)) for t in day.every(1.0, start, until)]


@pytest.mark.parametrize(
    ("angle", "beside_mm", "below_mm"),
    # L·sin and L·(1 − cos) at L = 2.000 m, computed independently; one general article also has 7 cm at 2°.
    [(40 / 60, 23.27, 0.14), (1.0, 34.905, 0.305), (2.0, 69.799, 1.218), (5.0, 174.311, 7.611)],
)
def test_the_error_of_a_leaning_pole(angle, beside_mm, below_mm):
    beside, below = point_error_m(2.0, angle)
    assert beside * 1000 == pytest.approx(beside_mm, abs=0.01)
    assert below * 1000 == pytest.approx(below_mm, abs=0.01)


COMPENSATED = {"tilt": {"sentence": "PEXMP,TILT", "angle_field": 3, "aligned_field": 4, "compensates": True}}


@pytest.mark.parametrize(
    ("site", "angle", "aligned"),
    [
        ({}, 1.4, True),  # plumb by its bubble
        ({}, 1.4, False),  # a sensor that nobody uses
        ({}, 1.4, None),
        ({}, 70.0, True),  # laid on the ground
        (COMPENSATED, 25.0, True),  # the receiver makes up for it
        (COMPENSATED, 30.0, True),
        (COMPENSATED, 1.4, False),  # not aligned yet, and held plumb
        (COMPENSATED, 60.0, False),
    ],
)
def test_right_practice_is_quiet(day, site, angle, aligned):
    bench = day.bench(TiltRule, **site)
    assert bench.play(pole(day, 300.0, angle, aligned) + standing(day, 300.0), 300.0) == []


def test_a_sensor_that_loses_its_alignment_on_the_ground_counts_once_the_pole_is_picked_up(day):
    bench = day.bench(TiltRule, **COMPENSATED)
    upright = pole(day, 20.0, 5.0, True)
    lying = pole(day, 60.0, 87.0, False, start=20.0)
    picked_up = pole(day, 80.0, 4.0, False, start=60.0)
    said = bench.play(upright + lying + picked_up + standing(day, 80.0), 80.0)
    assert [(change.change, change.cause) for change in said] == [("raised", "sensor-not-aligned")]
    assert said[0].t == pytest.approx(63.0, abs=0.3)


@pytest.mark.parametrize(
    ("site", "angle", "aligned", "severity", "cause"),
    [
        ({}, 1.6, True, "note", "pole-too-far-over"),
        ({}, 15.0, None, "note", "pole-too-far-over"),
        ({}, 15.1, True, "check", "pole-too-far-over"),
        ({}, 1.6, False, "check", "sensor-not-aligned"),
        (COMPENSATED, 30.1, True, "check", "pole-too-far-over"),
        (COMPENSATED, 25.0, False, "check", "sensor-not-aligned"),
        (COMPENSATED, 14.0, None, "note", "pole-too-far-over"),  # nothing says that it makes up for it now
    ],
)
def test_a_standing_pole_that_leans(day, site, angle, aligned, severity, cause):
    bench = day.bench(TiltRule, **site)
    changes = bench.play(pole(day, 60.0, angle, aligned) + standing(day, 60.0), 60.0)
    assert [(c.severity, c.cause) for c in changes] == [(severity, cause)]
    assert changes[0].t == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize(("last_deg", "notes"), [(6.0, 1), (7.5, 1), (10.0, 2)])
def test_a_mast_that_leans_with_its_machine_is_told_once_until_that_changes(day, last_deg, notes):
    # A dozer on a slope stands, drives on and stands again, its mast at 6° all the while.
    bench = day.bench(TiltRule)
    way = []
    for start in (0.0, 60.0, 120.0):
        way += standing(day, start + 40.0, start) + walking(day, start + 60.0, start + 40.0)
    leans = pole(day, 120.0, 6.0) + pole(day, 160.0, last_deg, start=120.0)
    changes = bench.play([fact for fact in way if fact.t < 160.0] + leans, 160.0)
    assert [c.severity for c in changes if c.change == "raised"] == ["note"] * notes


def test_a_slight_lean_is_told_once_a_stand(day):
    bench = day.bench(TiltRule)
    leans = [f for start in (0, 20, 40) for f in pole(day, start + 10.0, 5.0, start=float(start))]
    plumb = [f for start in (10, 30, 50) for f in pole(day, start + 10.0, 0.5, start=float(start))]
    walk = walking(day, 75.0, start=60.0) + pole(day, 75.0, 10.0, start=60.0)
    there = [day.fix(t, latitude=39.1 + 1.2 * 74.0 / 111_320.0) for t in day.every(1.0, 75.0, 95.0)]
    changes = bench.play(leans + plumb + standing(day, 60.0) + walk + there + pole(day, 95.0, 5.0, start=75.0), 95.0)
    assert [(c.change, c.severity) for c in changes] == [("raised", "note"), ("cleared", "note"), ("raised", "note")]
    assert changes[2].t == pytest.approx(77.0, abs=1.5)  # 3 s after the last step


def test_from_a_note_it_becomes_a_check(day):
    bench = day.bench(TiltRule)
    changes = bench.play(pole(day, 20.0, 5.0) + pole(day, 40.0, 20.0, start=20.0) + standing(day, 40.0), 40.0)
    assert [(round(c.t), c.change, c.severity, c.alert) for c in changes] == [
        (3, "raised", "note", 1),
        (23, "raised", "check", 1),
    ]


def test_a_sensor_that_is_not_aligned(day):
    bench = day.bench(TiltRule)
    changes = bench.play(pole(day, 20.0, 1.0, True) + pole(day, 60.0, 5.0, False, start=20.0), 60.0)
    assert day.said(changes) == [(23.0, "raised", "tilt", "sensor-not-aligned")]
    assert changes[0].evidence["horizontal_error_m"] == pytest.approx(0.1743, abs=1e-4)  # L·sin 5°, L = 2 m
    assert changes[0].evidence["vertical_error_m"] == pytest.approx(0.0076, abs=1e-4)  # L·(1 − cos 5°)
    assert "half a minute" in words(changes[0]).steps[0]
    assert "bubble" in words(changes[0]).steps[1]


def test_alignment_alone_without_an_angle(day):
    bench = day.bench(TiltRule)
    (raised,) = bench.play(pole(day, 5.0, None, True) + pole(day, 15.0, None, False, start=5.0), 15.0)
    assert raised.cause == "sensor-not-aligned"
    assert raised.evidence["angle_deg"] is None
    assert raised.evidence["horizontal_error_m"] is None


def test_a_pole_too_far_over_while_standing(day):
    bench = day.bench(TiltRule)
    facts = pole(day, 30.0, 1.0, True) + pole(day, 60.0, 21.0, True, start=30.0) + standing(day, 60.0)
    changes = bench.play(facts, 60.0)
    assert day.said(changes) == [(33.0, "raised", "tilt", "pole-too-far-over")]
    assert changes[0].evidence["angle_deg"] == 21.0


@pytest.mark.parametrize("angle", [21.0, -21.0])
def test_without_positions_or_to_the_other_side_it_is_judged_too(day, angle):
    bench = day.bench(TiltRule)
    assert [c.cause for c in bench.play(pole(day, 10.0, angle), 10.0)] == ["pole-too-far-over"]


def test_a_pole_carried_on_the_shoulder_is_nobody_s_point(day):
    bench = day.bench(TiltRule)
    assert bench.play(pole(day, 120.0, 70.0, True) + walking(day, 120.0), 120.0) == []


def test_having_walked_it_is_judged_three_seconds_after_the_last_step(day):
    bench = day.bench(TiltRule)
    facts = pole(day, 60.0, 25.0, True) + walking(day, 30.0)
    facts += [day.fix(t, latitude=39.1 + 1.2 * 29.0 / 111_320.0) for t in day.every(1.0, 30.0, 60.0)]
    assert day.said(bench.play(facts, 60.0)) == [(32.0, "raised", "tilt", "pole-too-far-over")]


def test_a_swing_of_two_seconds_is_quiet(day):
    bench = day.bench(TiltRule)
    facts = [f for start in (0, 10, 20) for f in pole(day, start + 8.0, 1.0, True, start=float(start))]
    facts += [f for start in (8, 18, 28) for f in pole(day, start + 2.0, 40.0, True, start=float(start))]
    assert bench.play(facts + standing(day, 30.0), 30.0) == []


def test_upright_again_it_clears(day):
    bench = day.bench(TiltRule)
    facts = pole(day, 20.0, 25.0, True) + pole(day, 40.0, 14.0, True, start=20.0) + pole(day, 60.0, 1.0, True, start=40.0)
    # 14° is inside the limit but not past the deadband of 2°.
    assert day.said(bench.play(facts + standing(day, 60.0), 60.0)) == [
        (3.0, "raised", "tilt", "pole-too-far-over"),
        (43.2, "cleared", "tilt", "pole-too-far-over"),
    ]


def test_a_sensor_that_falls_silent_is_not_judged(day):
    bench = day.bench(TiltRule)
    assert [c.change for c in bench.play(pole(day, 20.0, 5.0, False), 60.0)] == ["raised", "cleared"]


def test_where_the_receiver_reduces_the_pole_the_error_is_said_a_metre(day):
    bench = day.bench(TiltRule, rover={"pole_height_m": 0.0})
    (raised,) = bench.play(pole(day, 10.0, 30.0), 10.0)
    assert raised.evidence["horizontal_error_m"] is None
    assert "each metre of pole puts the point 0.50 m aside" in words(raised).say
