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


def test_an_upright_aligned_pole_is_quiet(day):
    bench = day.bench(TiltRule)
    assert bench.play(pole(day, 300.0, 2.0, True) + standing(day, 300.0), 300.0) == []


def test_just_inside_the_limit_is_quiet(day):
    bench = day.bench(TiltRule)
    assert bench.play(pole(day, 60.0, 15.0, True) + standing(day, 60.0), 60.0) == []


def test_a_sensor_that_is_not_aligned(day):
    bench = day.bench(TiltRule)
    changes = bench.play(pole(day, 20.0, 5.0, True) + pole(day, 60.0, 5.0, False, start=20.0), 60.0)
    assert day.said(changes) == [(23.0, "raised", "tilt", "sensor-not-aligned")]
    assert changes[0].evidence["horizontal_error_m"] == pytest.approx(0.1743, abs=1e-4)  # L·sin 5°, L = 2 m
    assert changes[0].evidence["vertical_error_m"] == pytest.approx(0.0076, abs=1e-4)  # L·(1 − cos 5°)
    assert "about half a minute" in words(changes[0]).steps[0]
    assert "bubble" in words(changes[0]).steps[1]


def test_alignment_alone_without_an_angle(day):
    bench = day.bench(TiltRule)
    (raised,) = bench.play(pole(day, 10.0, None, False), 10.0)
    assert raised.cause == "sensor-not-aligned"
    assert raised.evidence["angle_deg"] is None
    assert raised.evidence["horizontal_error_m"] is None


def test_a_pole_too_far_over_while_standing(day):
    bench = day.bench(TiltRule)
    facts = pole(day, 30.0, 3.0, True) + pole(day, 60.0, 21.0, True, start=30.0) + standing(day, 60.0)
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
    facts = [f for start in (0, 10, 20) for f in pole(day, start + 8.0, 3.0, True, start=float(start))]
    facts += [f for start in (8, 18, 28) for f in pole(day, start + 2.0, 40.0, True, start=float(start))]
    assert bench.play(facts + standing(day, 30.0), 30.0) == []


def test_upright_again_it_clears(day):
    bench = day.bench(TiltRule)
    facts = pole(day, 20.0, 25.0, True) + pole(day, 40.0, 14.0, True, start=20.0) + pole(day, 60.0, 5.0, True, start=40.0)
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
