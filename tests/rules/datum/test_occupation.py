"""An occupation: its mean against a plain one, and the digits that its positions had."""

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.datum.occupation import Occupation, stands
from witnesspost.rules.facts import Fix

_SMALL = st.floats(min_value=-0.02, max_value=0.02)


def fix(t, latitude, longitude, height_m, stream="receiver"):
    said = {"time_s": None, "quality": 4, "separation_m": -17.0, "satellites": 20, "hdop": 0.7, "age_s": 1.0, "station_id": 1}
    return Fix(t=t, stream=stream, latitude=latitude, longitude=longitude, height_m=height_m, **said)


@given(st.lists(st.tuples(_SMALL, _SMALL, _SMALL), min_size=2, max_size=40), st.floats(min_value=-80, max_value=80))
def test_the_mean_and_scatter_are_those_of_its_epochs(offsets, latitude):
    lats = [latitude + north / 111_320.0 for _, north, _ in offsets]
    lons = [11.0 + east / 111_320.0 for east, _, _ in offsets]
    heights = [500.0 + up for _, _, up in offsets]
    occupation = Occupation(fix(0.0, lats[0], lons[0], heights[0]))
    for t, values in enumerate(zip(lats[1:], lons[1:], heights[1:], strict=True), 1):
        occupation.add(fix(float(t), *values))
    mean = occupation.mean
    assert mean.latitude == pytest.approx(statistics.fmean(lats), abs=1e-10)
    assert mean.longitude == pytest.approx(statistics.fmean(lons), abs=1e-10)
    assert mean.height_m == pytest.approx(statistics.fmean(heights), abs=1e-6)
    assert occupation.scatter[1] == pytest.approx(statistics.stdev(heights), abs=1e-6)
    assert (occupation.count, occupation.lasted_s) == (len(offsets), len(offsets) - 1.0)


@given(st.integers(3, 5), st.integers(0, 2), st.integers(-89, 89), st.integers(0, 10**7))
def test_digits_are_seen_whatever_the_place(minute_decimals, height_decimals, degree, part):
    occupation = None
    for number in range(30):
        minutes = round((part * (number + 7) * 0.1234567) % 60.0, minute_decimals)
        at = fix(
            float(number), degree + minutes / 60.0, degree + minutes / 60.0, round(500.0 + number * 0.1237, height_decimals)
        )
        if occupation is None:
            occupation = Occupation(at)
        else:
            occupation.add(at)
    horizontal_m, up_m = occupation.resolution_m
    assert horizontal_m >= 111_320.0 / 60.0 * 10.0**-minute_decimals * 0.999
    assert up_m >= 10.0**-height_decimals * 0.999


def test_a_second_position_begins_it_and_a_step_does_not():
    one = fix(0.0, 48.0, 11.0, 500.0)
    assert stands(one, fix(1.0, 48.0 + 0.03 / 111_320, 11.0, 500.0), 0.05)
    assert not stands(one, fix(1.0, 48.0, 11.0 + 0.08 / 111_320 / math.cos(math.radians(48.0)), 500.0), 0.05)
    assert not stands(one, fix(1.0, 48.0, 11.0, 500.0, stream="other"), 0.05)
