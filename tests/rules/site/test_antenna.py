"""The antenna's height over the mark from a slant: triangles that everybody knows, and figures that make none."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.site.antenna import HeightError, vertical_height_m


@pytest.mark.parametrize(
    ("slant", "radius", "offset", "height"),
    [
        (5.0, 3.0, 0.0, 4.0),  # Pythagorean triples (Euclid, Elements X, 29)
        (1.3, 0.5, 0.0, 1.2),
        (1.7, 0.8, 0.0, 1.5),
        (1.7, 0.8, 0.1, 1.4),  # the rim a decimetre above the reference point
        (1.7, 0.8, -0.05, 1.55),
        (1.8, 0.0, 0.0, 1.8),
        (1.8527, 0.3810 / 2, 0.0350, 1.8079),  # UNAVCO support list tip, 2019, message 002641; result computed, 0.1 mm
        (1.5, 0.1, 0.0, 1.496663),  # computed
    ],
)
def test_known_triangles(slant, radius, offset, height):
    assert vertical_height_m(slant, radius, offset) == pytest.approx(height, abs=1e-4 if radius == 0.3810 / 2 else 1e-6)


@given(st.floats(0.2, 3.0), st.floats(0.01, 0.3), st.floats(-0.1, 0.1))
def test_a_tape_laid_along_the_slant_reads_it_back(height, radius, offset):
    rim = height + offset
    if rim > 0.0:
        assert vertical_height_m(math.hypot(rim, radius), radius, offset) == pytest.approx(height, abs=1e-9)


@pytest.mark.parametrize(
    ("figures", "says"),
    [
        ((0.1, 0.1, 0.0), "not longer than the antenna's radius"),
        ((1.5, -0.1, 0.0), "radius is -0.1 m"),
        ((0.2, 0.1, 0.3), "antenna height of -0.127 m"),
        ((25.0, 0.1, 0.0), "25.000 m"),
        ((math.nan, 0.1, 0.0), "no numbers"),
        ((1.5, math.inf, 0.0), "no numbers"),
    ],
)
def test_what_makes_no_height_says_so(figures, says):
    with pytest.raises(HeightError, match=says):
        vertical_height_m(*figures)
