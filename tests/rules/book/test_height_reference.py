"""height-reference on a stepped clock: the receiver's geoid against the project's."""

import pytest
from witnesspost.rules.book.height_reference import HeightReference
from witnesspost.rules.book.words import words
from witnesspost.rules.datum.geoid import bundled_geoid

AT = (39.1234567, -104.9876543)
N = -16.0251  # EGM96 on its 15′ grid, by PROJ's vgridshift on proj-data's egm96_15.gtx: what a good receiver says
MODEL, ERROR = bundled_geoid().separation_m(*AT), bundled_geoid().error_m(*AT)
"""What the rule compares with, and how much of a difference it may not judge: test_geoid holds both against the 15′ grid."""
KESTREL = {"name": "KQ-1", "latitude": AT[0], "longitude": AT[1], "height": 1874.322}
PROJECT = {"frame": "EPSG:6319", "vertical": "geoid", "control": [KESTREL]}


def play(day, separation_m, seconds=30.0, project=PROJECT, **fix):
    bench = day.bench(HeightReference, **({"project": project} if project else {}))
    return bench.play([day.fix(t, separation_m=separation_m, **fix) for t in day.every(1.0, 1.0, seconds)], seconds)


@pytest.mark.parametrize(
    ("separation_m", "cause"),
    [
        (None, "no-separation"),
        (0.0, "no-separation"),
        (-N, "sign-reversed"),
        (N + 1.3, "other-geoid"),
        (MODEL - ERROR - 0.02, "other-geoid"),
    ],
)
def test_causes_after_ten_seconds(day, separation_m, cause):
    changes = play(day, separation_m)
    assert day.said(changes) == [(11.0, "raised", "height-reference", cause)]
    assert changes[0].severity == "note"
    assert changes[0].evidence["separation_m"] == pytest.approx(N, abs=0.06)
    assert "?" not in words(changes[0]).say


@pytest.mark.parametrize("separation_m", [N, round(N, 1), MODEL + ERROR - 0.01, MODEL - ERROR + 0.01])
def test_within_the_grids_error_is_quiet(day, separation_m):
    assert play(day, separation_m) == []


def test_a_named_grid_is_taken_at_its_word(day, tmp_path):
    from tests.rules.datum.test_geoid import write_gtx

    grid = write_gtx(tmp_path / "model.gtx", 38.0, -106.0, 0.5, 5, 5, value=-17.5)
    project = {**PROJECT, "geoid": str(grid)}
    assert play(day, -17.42, project=project) == []
    assert [change.cause for change in play(day, -17.38, project=project)] == ["other-geoid"]


def test_nine_seconds_are_not_enough(day):
    bench = day.bench(HeightReference, project=PROJECT)
    facts = [day.fix(t, separation_m=0.0 if t < 9.5 else N) for t in day.every(1.0, 1.0, 30.0)]
    assert bench.play(facts, 30.0) == []


def test_ends_when_the_receiver_is_set_right(day):
    bench = day.bench(HeightReference, project=PROJECT)
    facts = [day.fix(t, separation_m=0.0 if t < 20.5 else N) for t in day.every(1.0, 1.0, 40.0)]
    assert day.said(bench.play(facts, 40.0)) == [
        (11.0, "raised", "height-reference", "no-separation"),
        (24.2, "cleared", "height-reference", "no-separation"),
    ]


@pytest.mark.parametrize("project", [None, {**PROJECT, "vertical": "ellipsoidal"}, {**PROJECT, "control": []}])
def test_silent_where_no_height_is_above_a_geoid(day, project):
    assert play(day, 0.0, project=project) == []


def test_a_receiver_that_gives_no_height_says_nothing_of_its_reference(day):
    """RMC alone has a position and neither height nor separation."""
    assert play(day, None, height_m=None) == []


def test_no_position_says_nothing(day):
    assert play(day, None, quality=0, latitude=None, longitude=None, height_m=None) == []
