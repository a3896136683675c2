"""How a check-in goes, as a person reads it at each of its moments."""

import pytest
from witnesspost.daemon.status.told import check_in_status
from witnesspost.rules.engine.check_in import DeclaredCheck
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import CheckIn
from witnesspost.rules.finding import Cause, Finding
from witnesspost.rules.site.reading import site_from_toml

from tests.kestrel import MARKS, ROVER

SITE = site_from_toml(f"""
{ROVER}[project]
frame = "EPSG:6319"
vertical = "ellipsoidal"
{MARKS}
""")
MEASURED = {
    "east_m": 0.004,
    "north_m": 0.0,
    "up_m": -0.0301,
    "tolerance_horizontal_m": 0.03,
    "tolerance_vertical_m": 0.05,
    "horizontal_digit_m": 0.185,
    "vertical_digit_m": 0.1,
}
READ = "4, 0, −30 mm (east, north, up); the limits are 30 mm across and 50 mm in height"


@pytest.fixture
def declared():
    """Kim's check-in on KQ-2, 10 s after the run began, ten seconds long."""
    return DeclaredCheck(CheckIn(t=10.0, stream="", point="KQ-2", by="Kim"), 10.0)


def status_of(declared, t):
    scene = Scene(SITE)
    scene.declared = declared
    return check_in_status(scene, t)


def test_without_a_check_in_there_is_nothing_to_say():
    assert status_of(None, 10.0) is None


@pytest.mark.parametrize(
    ("stood_s", "hindrance", "t", "line"),
    [
        (0.0, None, 10.0, "KQ-2: stand still, 0 of 10 s"),
        (3.2, None, 13.2, "KQ-2: stand still, 3 of 10 s"),
        (10.4, None, 20.4, "KQ-2: stand still, 10 of 10 s"),
        (0.0, "not-fixed", 12.0, "KQ-2: waits, for 58 s more: the receiver is not fixed"),
        (0.0, "walking", 70.4, "KQ-2: waits, for 0 s more: the rover moves: stand still on the mark"),
    ],
)
def test_while_it_goes_on_it_says_what_it_waits_for(declared, stood_s, hindrance, t, line):
    declared.stood_s, declared.hindrance = stood_s, hindrance
    status = status_of(declared, t)
    assert (status.line, status.in_words(), status.why, status.ended_ago_s) == (line, line, "", None)
    assert (status.point, status.by, status.ago_s, status.outcome) == ("KQ-2", "Kim", round(t - 10.0, 1), None)


@pytest.mark.parametrize(
    ("outcome", "hindrance", "measured", "line"),
    [
        ("unknown-point", None, {}, "KQ-2 is none of the site file's control points"),
        ("given-up", None, {}, "KQ-2: no check-in within 60 s: nobody stood still on it"),
        ("given-up", "leaning", {}, "KQ-2: no check-in within 60 s: the pole leans: plumb it"),
        ("elsewhere", None, {"east_m": -30.0, "north_m": 40.0}, "KQ-2: you are 50 m from it. Is that the point?"),
        (
            "declined",
            None,
            MEASURED,
            "KQ-2: cannot be checked: the receiver gives its position in steps of 0.185 m and its height in steps of 0.100 m; "
            "set it to more decimals",
        ),
        ("passed", None, MEASURED, f"KQ-2: passed: {READ}"),
        ("failed", None, MEASURED, f"KQ-2: not passed: {READ}."),
    ],
)
def test_each_end_is_told(declared, outcome, hindrance, measured, line):
    declared.hindrance = hindrance
    declared.end(25.0, outcome, measured)
    status = status_of(declared, 31.0)
    assert (status.line, status.outcome, status.ended_ago_s) == (line, outcome, 6.0)
    assert (status.east_m, status.limit_vertical_m) == (measured.get("east_m"), measured.get("tolerance_vertical_m"))


def test_one_that_failed_says_why(declared):
    finding = Finding(causes=[Cause(cause="unexplained")], stream="receiver", evidence={"point": "KQ-2", **MEASURED})
    declared.end(25.0, "failed", MEASURED, finding)
    status = status_of(declared, 31.0)
    assert status.line == f"KQ-2: not passed: {READ}. {status.why}"
    assert "No usual mistake explains it." in status.why
    assert status.in_words() == status.line
