"""The robust similarity against least squares by scipy and numpy on the points that were not spoilt."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares
from witnesspost.replay.office.difference import Step, agreeing, similarity, solve

RNG = np.random.default_rng(20260619)


def quarry(n, noise_m=0.004):
    """Points of a quarry on a grid, and the same with a receiver's noise."""
    z = 501067.0 + RNG.uniform(-300, 300, n) + 1j * (4330477.0 + RNG.uniform(-300, 300, n))
    return z, z + RNG.normal(0, noise_m, n) + 1j * RNG.normal(0, noise_m, n)


def by_scipy(w, z):
    """Scale, rotation and shift by scipy's least squares on four real parameters, from another start."""
    z0, w0 = z.mean(), w.mean()

    def left(p):
        found = complex(p[0], p[1]) * (z - z0) + complex(p[2], p[3])
        return np.concatenate([(w - w0 - found).real, (w - w0 - found).imag])

    p = least_squares(left, [0.9, 0.1, 1.0, 1.0], xtol=1e-15, ftol=1e-15, gtol=1e-15).x
    return complex(p[0], p[1]), w0 + complex(p[2], p[3]) - complex(p[0], p[1]) * z0


def by_numpy(w, z):
    """The same as one linear system: rows of [x, −y, 1, 0] and [y, x, 0, 1] about the middle."""
    z0, w0 = z.mean(), w.mean()
    x, y = (z - z0).real, (z - z0).imag
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate([np.stack([x, -y, one, none], 1), np.stack([y, x, none, one], 1)])
    p = np.linalg.lstsq(rows, np.concatenate([(w - w0).real, (w - w0).imag]), rcond=None)[0]
    return complex(p[0], p[1]), w0 + complex(p[2], p[3]) - complex(p[0], p[1]) * z0


@pytest.mark.parametrize("spoilt", [0, 20, 45])
def test_a_local_calibration_is_the_least_squares_one_of_the_good_points(spoilt):
    z, seen = quarry(100)
    a, b = 0.9998 * complex(math.cos(2e-4), math.sin(2e-4)), complex(812.3, -44.1)
    w = a * seen + b
    w[:spoilt] += RNG.uniform(0.3, 40, spoilt) * np.exp(1j * RNG.uniform(0, 6.28, spoilt))
    found = solve(w, z, np.full(100, math.nan), models={})
    assert "local calibration" in found.names
    good = slice(spoilt, None)
    for other in (by_scipy, by_numpy):
        a_2, b_2 = other(w[good], z[good])
        assert abs(found.a - a_2) < 1e-9
        at = z[good].mean()
        assert abs((found.a * at + found.b) - (a_2 * at + b_2)) < 1e-6
    assert found.inliers == 100 - spoilt


@given(st.floats(0.9995, 1.0005), st.floats(-1e-3, 1e-3), st.floats(-5e3, 5e3), st.floats(-5e3, 5e3))
def test_least_squares_is_numpys(scale, turn, east, north):
    z, seen = quarry(12)
    w = scale * complex(math.cos(turn), math.sin(turn)) * seen + complex(east, north)
    a, b = similarity(w, z)
    a_2, b_2 = by_numpy(w, z)
    at = z.mean()
    assert abs(a - a_2) < 1e-9
    assert abs((a * at + b) - (a_2 * at + b_2)) < 1e-6


def named(w, z, up=None, **more):
    return solve(w, z, np.full(len(z), math.nan) if up is None else up, models=more.pop("models", {}), **more).names


def test_each_shared_difference_has_its_name():
    z, seen = quarry(60)
    assert named(seen, z) == {}
    assert "by the factor 1.00069000 about the grid's origin" in named(1.00069 * seen, z)["ground scale"]
    about = complex(500900.0, 4330300.0)
    assert "about 500900." in named(1.0004 * (z - about) + about, z)["ground scale"]
    step = Step("ITRF2014 at 2026.5", 1.12, -0.55)
    assert named(seen + complex(1.13, -0.56), z, frames=[step])["other frame"].startswith("ITRF2014 at 2026.5")
    assert "a shift of +3.0" in named(seen + complex(3.0, 4.0), z, frames=[step])["local calibration"]
    up = RNG.normal(0, 0.006, 60)
    assert list(named(seen, z, up - 0.2)) == ["other pole height"]
    model = 0.45 + 1e-5 * (z.real - 501067.0)
    assert list(named(seen, z, up + model, models={"the bundled EGM96": model})) == ["other geoid"]
    assert named(seen, z, up) == {}


def test_a_pole_changed_for_some_points_is_no_shared_difference_of_all():
    z, seen = quarry(60)
    up = RNG.normal(0, 0.006, 60)
    up[:15] -= 0.2
    assert named(seen, z, up) == {}


def test_points_that_share_nothing_are_said_to():
    z, _ = quarry(40)
    w = 501067.0 + RNG.uniform(-300, 300, 40) + 1j * (4330477.0 + RNG.uniform(-300, 300, 40))
    assert "nothing shared" in named(w, z)


def turned(z, scale, degrees):
    """About the points' middle."""
    return scale * complex(math.cos(math.radians(degrees)), math.sin(math.radians(degrees))) * (z - z.mean()) + z.mean()


@pytest.mark.parametrize(
    ("scale", "degrees", "convergence_deg", "name"),
    [
        (0.9992, 0.0, 0.0, "ground scale"),
        (1.0, 0.9, 0.0, "local calibration"),
        (1.0, -2.0, 1.5, "local calibration"),  # a site's grid on true north
        (0.99736506, -3.79, 3.8, "other frame"),  # the next UTM zone
        (1.0, 3.8, 1.9, "other frame"),
        (1.0, 90.0, 0.0, "other frame"),
    ],
)
def test_no_calibration_of_a_site_scales_or_turns_by_so_much(scale, degrees, convergence_deg, name):
    z, seen = quarry(60)
    found = solve(turned(seen, scale, degrees), z, np.full(60, math.nan), models={}, convergence_deg=convergence_deg)
    assert list(found.names) == [name]
    assert found.plausible == (name != "other frame")


def test_heights_of_points_that_share_nothing_name_no_geoid():
    z, _ = quarry(40)
    w = 501067.0 + RNG.uniform(-300, 300, 40) + 1j * (4330477.0 + RNG.uniform(-300, 300, 40))
    found = solve(w, z, np.full(40, -16.74), models={"no geoid": np.full(40, -16.74)})
    assert list(found.names) == ["nothing shared"]
    assert (found.geoid, found.up_m) == (None, 0.0)


def test_a_stack_of_shots_of_one_mark_agrees_with_nothing():
    """A similarity that shrinks the log to a spot brings each of them there."""
    _, log_m = quarry(30)
    file_m = np.concatenate([np.full(18, log_m[0] + 90.0), quarry(12)[0]])
    assert agreeing(file_m, log_m) == 0
    assert agreeing(1.00069 * log_m, log_m) == 30
