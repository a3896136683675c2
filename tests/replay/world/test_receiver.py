from __future__ import annotations

import math
import random
import statistics

import pytest
from witnesspost.replay.world.receiver import (
    AUTONOMOUS,
    DIFFERENTIAL,
    FIXED,
    FLOAT,
    NONE,
    EpochHeard,
    Receiver,
    StationHeard,
)
from witnesspost.replay.world.sky import local_axes
from witnesspost.replay.world.world import ecef

AXES = local_axes(ecef(39.1, -105.0, 1800.0))
ERROR = (3.0, -2.0, 7.0)


def receiver(seed=1):
    return Receiver(AXES, random.Random(seed))


def qualities(rover, epochs, until, *, satellites=20, limit=None, error=(0.0, 0.0, 0.0), stations=(417,)):
    """The quality at each whole second while stations send at the seconds in `epochs`."""
    seen = []
    for second in range(until):
        for station in stations:
            if second == 0:
                rover.hear(0.2, StationHeard(station, error))
            if second in epochs:
                rover.hear(second + 0.3, EpochHeard(station, float(second), True))
        seen.append(rover.solution(second + 0.99, satellites, limit).quality)
    return seen


@pytest.mark.parametrize("seed", range(10))
def test_autonomous_until_corrections_then_differential_float_fixed(seed):
    seen = qualities(receiver(seed), range(5, 60), 60)
    assert seen[:5] == [AUTONOMOUS] * 5
    assert seen[5:8] == [DIFFERENTIAL] * 3
    order = [quality for i, quality in enumerate(seen) if i == 0 or quality != seen[i - 1]]
    assert order == [AUTONOMOUS, DIFFERENTIAL, FLOAT, FIXED]
    assert 14 <= seen.index(FIXED) <= 30


def test_a_silence_costs_the_fix_step_by_step():
    seen = qualities(receiver(), range(60), 150)
    assert seen[59:69] == [FIXED] * 10
    assert seen[69:89] == [FLOAT] * 20
    assert seen[89:119] == [DIFFERENTIAL] * 30
    assert set(seen[119:]) == {AUTONOMOUS}


def test_no_station_position_is_no_solution():
    rover = receiver()
    for second in range(60):
        rover.hear(second + 0.3, EpochHeard(417, float(second), True))
    assert rover.solution(60.0, 20).quality == AUTONOMOUS


def test_one_frequency_floats_for_ever():
    rover = receiver()
    rover.hear(0.1, StationHeard(417, ERROR))
    for second in range(200):
        rover.hear(second + 0.3, EpochHeard(417, float(second), False))
    assert rover.solution(200.0, 20).quality == FLOAT


@pytest.mark.parametrize(("satellites", "quality"), [(3, NONE), (4, AUTONOMOUS), (5, FIXED)])
def test_satellites_bound_the_solution(satellites, quality):
    assert qualities(receiver(), range(60), 60, satellites=satellites)[-1] == quality


def test_a_limit_and_the_way_back():
    rover = receiver()
    qualities(rover, range(60), 60)
    seen = []
    for second in range(60, 100):
        rover.hear(second + 0.3, EpochHeard(417, float(second), True))
        seen.append(rover.solution(second + 0.9, 20, FLOAT if second < 70 else None).quality)
    assert seen[:10] == [FLOAT] * 10
    assert FIXED in seen[10:16]
    assert seen[20:] == [FIXED] * 20


def test_the_rover_keeps_to_its_base_while_that_is_heard():
    rover = receiver()
    for second in range(60):
        for station in (417, 901) if second >= 30 else (417,):
            if second in (0, 30):
                rover.hear(second + 0.1, StationHeard(station, ERROR))
            rover.hear(second + 0.3, EpochHeard(station, float(second), True))
    assert rover.solution(60.0, 20).station_id == 417
    for second in range(60, 90):
        rover.hear(second + 0.3, EpochHeard(901, float(second), True))
    assert rover.solution(90.0, 20).station_id == 901


def test_fixed_it_is_off_by_exactly_the_bases_error():
    rover = receiver()
    rover.hear(0.1, StationHeard(417, ERROR))
    errors = []
    for second in range(400):
        rover.hear(second + 0.3, EpochHeard(417, float(second), True))
        solution = rover.solution(second + 0.5, 20)
        if solution.quality == FIXED:
            errors.append(solution.error_m)
            assert solution.age_s == pytest.approx(0.5)
    mean = [statistics.fmean(error[axis] for error in errors) for axis in range(3)]
    assert math.dist(mean, ERROR) < 0.01
    assert max(math.dist(error, ERROR) for error in errors) < 0.06


def test_alone_it_is_off_by_a_metre_or_two():
    rover = receiver(4)
    errors = [math.hypot(*rover.solution(float(t), 20).error_m) for t in range(0, 7200, 10)]
    assert 0.7 < statistics.fmean(errors) < 3.0
