"""Does the rover stand or walk? Figures: under 0.2 m/s for 2 s; a float wanders by decimetres."""

import math
import random

import pytest
from witnesspost.rules.engine.motion import Motion

METRE = 1 / 111_320.0  # of latitude, in degrees


def played(day, positions):
    """The motion after (t, north, east in metres[, quality]), and what it said at each."""
    motion, said = Motion(), []
    for t, north, east, *quality in positions:
        metre_east = METRE / math.cos(math.radians(39.0))
        where = {"latitude": 39.0 + north * METRE, "longitude": -105.0 + east * metre_east}
        motion.put([day.fix(t, **where, quality=quality[0] if quality else 4)])
        said.append((t, motion.still_s(t)))
    return motion, said


@pytest.mark.parametrize("interval", [0.05, 0.1, 0.2, 0.5, 1.0])
def test_a_rover_that_stops_stands_two_seconds_later(day, interval):
    times = day.every(interval, 0.0, 20.0)
    _, said = played(day, [(t, min(t, 10.0) * 1.2, 0.0) for t in times])
    assert all(still is None for t, still in said if t < 2.0)
    assert all(still == 0.0 for t, still in said if 2.0 <= t <= 10.0)
    began = min(t for t, still in said if still)
    assert 11.0 <= began <= 12.0 + interval  # the last 0.4 m of the walk count as standing
    assert [still for t, still in said if t >= began] == pytest.approx(
        [t - began + 2.0 for t, _ in said if t >= began], abs=0.51
    )


@pytest.mark.parametrize("speed", [0.25, 0.5, 1.2, 3.0])
@pytest.mark.parametrize("interval", [0.1, 1.0])
def test_whoever_walks_does_not_stand(day, speed, interval):
    _, said = played(day, [(t, 0.0, t * speed) for t in day.every(interval, 0.0, 60.0)])
    assert {still for t, still in said if t >= 2.0} == {0.0}


def test_whoever_turns_back_does_not_stand(day):
    to_and_fro = [(t, 1.2 * abs((t + 1.0) % 4.0 - 2.0), 0.0) for t in day.every(0.1, 0.0, 30.0)]
    _, said = played(day, to_and_fro)
    assert {still for t, still in said if t >= 2.0} == {0.0}


def test_a_float_that_wanders_by_decimetres_stands(day):
    # Errors of a float as a random walk that is drawn back: 0.2 m about, over half a minute (common practice, no source).
    rng, north, east, positions = random.Random(7), 0.0, 0.0, []
    for t in day.every(0.1, 0.0, 300.0):
        north += -north * 0.1 / 30.0 + rng.gauss(0.0, 0.2 * math.sqrt(2 * 0.1 / 30.0))
        east += -east * 0.1 / 30.0 + rng.gauss(0.0, 0.2 * math.sqrt(2 * 0.1 / 30.0))
        positions.append((t, north, east, 5))
    _, said = played(day, positions)
    assert max(abs(n) for _, n, _, _ in positions) > 0.3
    assert all(still for t, still in said if t >= 2.0)


def test_a_fix_that_is_lost_moves_the_position_and_nobody_walks(day):
    _, said = played(day, [(t, 0.0, 0.0, 4) if t < 20 else (t, 3.0, -2.0, 1) for t in day.every(1.0, 0.0, 40.0)])
    assert [still for t, still in said if t >= 2.0] == [t for t, _ in said if t >= 2.0]


def test_what_does_not_say_where_it_is_is_not_known(day):
    motion, _ = played(day, [(t, t * 1.2, 0.0) for t in day.every(1.0, 0.0, 10.0)])
    motion.put([day.fix(10.0, latitude=None, longitude=None, quality=0)])
    assert motion.still_s(12.0) == 0.0
    assert motion.still_s(12.1) is None  # the last position is over 3 s old
    _, said = played(day, [(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (10.0, 0.0, 0.0), (11.0, 0.0, 0.0), (12.0, 0.0, 0.0)])
    assert [still for _, still in said] == [None, None, None, None, 2.0]


def test_the_date_line_is_no_step(day):
    motion = Motion()
    for t in range(10):
        motion.put([day.fix(float(t), latitude=-17.0, longitude=179.9999999 if t % 2 else -179.9999999)])
    assert motion.still_s(9.0) == 9.0
