"""Who is to blame where a check on control fails: the rover, the base or the mark."""

import datetime as dt
import re

import pytest
from witnesspost.rules.book import occupied_mark
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import enu, from_enu, point_at, to_ecef, to_geodetic
from witnesspost.rules.datum.hypotheses import BASE_ORDER
from witnesspost.rules.facts import SetUp

from tests.rules.book.conftest import KESTREL, TABLES, events, heard, stands

BASE_CAUSES = set(BASE_ORDER)


@pytest.mark.parametrize(
    ("offset", "cause"),
    [((0.0, 0.0, -1.843), "rover-pole"), ((0.0, 0.0, -0.2), "rover-pole"), ((0.09, -0.08, 0.0), "leaning-pole"),
     ((0.05, 0.05, 0.08), "mark-or-point"), ((0.0, 0.0, -17.213), "unexplained")],
)  # fmt: skip
def test_a_base_that_is_proven_right_is_never_blamed(rover, day, offset, cause):
    bench, fix = rover
    facts = [heard(day, bench), *(fix(t, *offset) for t in day.every(1.0, 1.0, 13.0))]
    (raised,) = bench.play(facts, 13.0)
    assert raised.cause == cause
    assert not {one.cause for one in raised.causes} & BASE_CAUSES
    say, steps = words(raised)
    assert "sends the sheet's coordinate" in " ".join(steps)
    assert not any("type" in step.lower() and "base" in step.lower() for step in steps)
    assert "leave" not in " ".join(steps)  # its place over the mark and its height are not proven by what it sends
    assert "coordinate" not in say


def test_nobody_is_asked_to_give_the_base_the_rovers_point():
    for advice in ControlCheck.causes.values():
        for text in (advice.line, *advice.steps):
            assert not re.search(r"base[^.:]*\{point\}", text)


def test_an_unproven_base_is_blamed_where_its_cause_fits(rover, day):
    bench, fix = rover
    (raised,) = bench.play([fix(t, up=-17.213 * -1) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert raised.cause == "orthometric-as-ellipsoidal"


# Limits grow with the distance


@pytest.mark.parametrize(("east", "raised"), [(0.0385, False), (0.0395, True)])
def test_twelve_kilometres_off_a_check_may_be_worse(day, east, raised):
    # √(0.03² + (2e-6 · 12,300 m)²) = 0.0388 m
    far = {"name": "KQ-9", "latitude": 39.2342567, "longitude": -104.9876543, "height": 1881.976}
    project = {**TABLES["project"], "control": [KESTREL, far]}
    bench = day.bench(ControlCheck, **{**TABLES, "project": project})
    mark = point_at(bench.site, "KQ-9")
    latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(east, 0.0, 2.0)))
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    facts = [heard(day, bench), *(day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0))]
    assert bool(bench.play(facts, 13.0)) is raised
    ((_, _, detail),) = events(bench)
    assert detail["distance_m"] == pytest.approx(12_300, abs=30)
    assert detail["tolerance_horizontal_m"] == pytest.approx(0.0388, abs=2e-4)


# A base's blunder moves the mark


def test_a_base_over_the_wrong_mark_puts_the_crew_where_no_mark_is(rover, day):
    bench, _ = rover
    one, other = point_at(bench.site, "KQ-1"), point_at(bench.site, "KQ-4")
    moved = [b - a for a, b in zip(one.ecef, other.ecef, strict=True)]
    mark = point_at(bench.site, "KQ-2").ecef
    there = from_enu(Ecef(*(m + d for m, d in zip(mark, moved, strict=True))), Enu(0.01, -0.01, 2.0))
    latitude, longitude, h = to_geodetic(there)
    said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
    (raised,) = bench.play([day.fix(t, **said) for t in day.every(1.0, 1.0, 13.0)], 13.0)
    assert (raised.cause, raised.evidence["point"]) == ("other-control-point", "KQ-2")
    say, steps = words(raised)
    assert "another control point: KQ-4 instead of KQ-1" in say
    assert steps[3] == "The base last. Read the mark under the base: is it KQ-1? And which point is picked in the base?"


@pytest.mark.parametrize(("aside", "points"), [(0.045, ["KQ-2"]), (0.075, [])])
def test_a_moved_mark_is_known_within_five_centimetres(rover, day, aside, points):
    # The axes at KQ-2 are turned against those at KQ-1: the step itself is 1 cm off there.
    bench, _ = rover
    step = enu(point_at(bench.site, "KQ-1").ecef, point_at(bench.site, "KQ-4").ecef)
    facts, until = stands(day, bench, (step.east_m, step.north_m + aside, step.up_m), "KQ-2")
    assert [change.evidence["point"] for change in bench.play(facts, until)] == points


def test_where_marks_are_moved_is_worked_out_once_a_day(rover, day, monkeypatch):
    bench, fix = rover
    worked_out = []
    monkeypatch.setattr(occupied_mark, "predictions", lambda situation: worked_out.append(situation.today) or [])
    t = 0.0
    for utc in ("2026-06-15T01:00:00Z", "2026-06-15T13:00:00Z", "2026-06-15T23:00:00Z", "2026-06-16T01:00:00Z",
                "2026-06-17T01:00:00Z"):  # fmt: skip
        said = day.utc(t, utc=dt.datetime.fromisoformat(utc))
        bench.play([said, *(fix(s, 0.6) for s in day.every(1.0, t + 1.0, t + 13.0))], t + 20.0)
        t += 20.0
    assert [round((year - 2026) * 365 + 1) for year in worked_out] == [166, 167, 168]  # 15, 16 and 17 June


def test_a_proven_base_moves_no_mark(rover, day):
    bench, fix = rover
    assert bench.play([heard(day, bench), *(fix(t, -1.3, 0.51, -0.87) for t in day.every(1.0, 1.0, 40.0))], 40.0) == []


def test_a_bases_own_position_is_told_at_the_third_mark(rover, day):
    bench, _ = rover
    own = (1.31, -2.57, 3.44)
    for marks, raised in ((("KQ-2",), 0), (("KQ-2", "KQ-3"), 0), (("KQ-2", "KQ-3", "KQ-4"), 1)):
        bench = day.bench(ControlCheck, **TABLES)
        facts, until = stands(day, bench, own, *marks)
        changes = bench.play(facts, until)
        assert len(changes) == raised
    assert changes[0].cause == "autonomous-base"
    say, steps = words(changes[0])
    assert "coordinate of KQ-1" in say
    assert steps[3] == "The base last. At the base, pick KQ-1 from the list, or type its coordinate; do not use 'here'."


def test_a_base_whose_point_the_site_file_does_not_name_has_a_point_of_its_own_in_words(day):
    tables = {**TABLES, "base": {"station_id": 417, "antenna_height_m": 1.843}}
    bench = day.bench(ControlCheck, **tables)
    facts, until = stands(day, bench, (1.31, -2.57, 3.44), "KQ-2", "KQ-3", "KQ-4")
    (raised,) = bench.play(facts, until)
    say, steps = words(raised)
    assert "coordinate of the base's own point" in say
    assert not [text for text in (say, *steps) if "base" in text and re.search("Pick KQ|of KQ", text)]


def test_three_stands_on_one_spot_are_one_mark(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (1.31, -2.57, 3.44), "KQ-2", "KQ-2", "KQ-2")
    assert bench.play(facts, until) == []


def test_a_slipped_digit_is_told_at_the_second_mark(rover, day):
    bench, _ = rover
    base = point_at(bench.site, "KQ-1")
    slip = from_enu(base.ecef, Enu(0.0, 0.0, 0.0))
    latitude, longitude, h = to_geodetic(slip)
    step = enu(base.ecef, to_ecef(latitude + 0.0003, longitude, h))  # 39.1234567 typed as 39.1237567
    for marks, raised in ((("KQ-2",), []), (("KQ-2", "KQ-3"), ["digit-slip"])):
        bench = day.bench(ControlCheck, **TABLES)
        facts, until = stands(day, bench, step, *marks)
        assert [change.cause for change in bench.play(facts, until)] == raised


def test_stakes_on_round_metres_are_no_slips(rover, day):
    bench, _ = rover
    facts, t = [], 1.0
    for metres in (5.0, 10.0, 20.0, 100.0):
        more, t = stands(day, bench, (metres, 0.0, 0.3), "KQ-2", start=t)
        facts += more
    assert bench.play(facts, t) == []


# What two marks say together


def causes(change):
    return [one.cause for one in change.causes]


def test_one_mark_alone_names_the_base_with_the_pole_and_the_mark(rover, day):
    bench, _ = rover
    facts, until = stands(day, bench, (0.07, -0.05, 0.02), "KQ-2")
    (raised,) = bench.play([heard(day, bench), *facts], until)
    assert causes(raised) == ["leaning-pole", "mark-or-point", "base-set-up"]
    say, steps = words(raised)
    assert "may also be a wrong mark or point, or the base: moved or not plumb over its mark." in say
    assert "leave it as it is" not in " ".join(steps)


def test_the_same_on_two_marks_is_the_bases_place(rover, day):
    # A check passes, then somebody knocks the tripod 8.6 cm aside: what it sends stays as it was.
    bench, _ = rover
    before, t = stands(day, bench, (0.0, 0.0, 0.0), "KQ-2")
    knocked, until = stands(day, bench, (0.07, -0.05, 0.02), "KQ-4", "KQ-3", start=t)
    changes = bench.play([heard(day, bench), *before, *knocked], until)
    one, other = (change for change in changes if change.change == "raised")
    assert one.cause == "leaning-pole"
    assert causes(other) == ["base-set-up"]
    say, steps = words(other)
    assert say.startswith(
        "On KQ-3 the rover reads the same as on KQ-4: 7 cm east, 5 cm south, 2 cm high. That may be the base: "
    )
    assert steps[1] == "Go to the base: is it over KQ-1, the tripod firm, the bubble in the middle?"
    assert "check in on KQ-2" in " ".join(steps)  # nobody can stand on the base's own mark


@pytest.mark.parametrize("second", [(-0.05, 0.07, 0.02), (0.07, -0.05, 0.12), (0.01, -0.08, -0.01)])
def test_another_miss_on_the_second_mark_may_be_the_pole_again(rover, day, second):
    # A lean turns with the pole; each of two marks may be disturbed.
    bench, _ = rover
    one, t = stands(day, bench, (0.07, -0.05, 0.02), "KQ-2")
    other, until = stands(day, bench, second, "KQ-3", start=t)
    changes = [c for c in bench.play([heard(day, bench), *one, *other], until) if c.change == "raised"]
    assert [causes(change)[0] in ("leaning-pole", "mark-or-point") for change in changes] == [True, True]
    assert "the same" not in words(changes[1]).say


def test_two_stands_on_one_mark_are_no_two_marks(rover, day):
    bench, _ = rover
    one, t = stands(day, bench, (0.07, -0.05, 0.02), "KQ-2")
    other, until = stands(day, bench, (0.07, -0.05, 0.02), "KQ-2", start=t + 20.0)
    changes = [c for c in bench.play([heard(day, bench), *one, *other], until) if c.change == "raised"]
    assert [causes(change)[0] for change in changes] == ["leaning-pole", "leaning-pole"]


def test_a_height_may_be_the_poles_or_the_bases_on_any_number_of_marks(rover, day):
    # An extension of 25 cm under the base's antenna that nobody has told.
    bench, _ = rover
    facts, until = stands(day, bench, (0.004, -0.003, -0.25), "KQ-2", "KQ-3", "KQ-4")
    changes = [c for c in bench.play([heard(day, bench), *facts], until) if c.change == "raised"]
    assert [causes(change) for change in changes] == [
        ["rover-pole", "mark-or-point", "base-set-up"], ["rover-pole", "base-set-up"], ["rover-pole", "base-set-up"]
    ]  # fmt: skip
    say, steps = words(changes[-1])
    assert "That may be the rover's pole: a pole 25 cm shorter." in say
    assert "It may also be the base's antenna: 25 cm higher over its mark than it was told." in say
    asked = [step.startswith("Measure the pole") or step.startswith("Then the base") for step in steps]
    assert asked.count(True) == 2
    assert steps[asked.index(True)].startswith("Measure the pole")  # at hand, and the base is far


def test_a_mark_that_alone_is_low_is_neither_pole_nor_base(rover, day):
    # The mark has sunk by 20 cm: another one passes after it, and it misses again.
    bench, _ = rover
    facts, until = [heard(day, bench)], 1.0
    for mark, up in (("KQ-2", -0.205), ("KQ-3", 0.0), ("KQ-2", -0.205)):
        more, until = stands(day, bench, (0.0, 0.0, up), mark, start=until)
        facts += more
    one, only, again = [c for c in bench.play(facts, until) if c.change == "raised"]
    assert causes(one) == ["rover-pole", "mark-or-point", "base-set-up"]
    assert (only.severity, causes(only)) == ("note", ["only-there"])
    assert words(only).say == (
        "KQ-3 passes. On KQ-2 the rover read 20 cm low: "
        "that is no fault of base or pole, if nobody has changed them since."
    )  # fmt: skip
    assert causes(again) == ["mark-or-point"]
    assert "KQ-3 has passed with this base since: leave the base as it is." in words(again).steps


def test_a_pole_that_is_put_right_is_noted_once(rover, day):
    # Right after a miss: the pole is drawn out to its mark, the next mark passes, and then the first one.
    bench, _ = rover
    facts, until = [heard(day, bench)], 1.0
    for mark, up in (("KQ-2", -0.2), ("KQ-3", 0.0), ("KQ-2", 0.0), ("KQ-4", 0.0)):
        more, until = stands(day, bench, (0.0, 0.0, up), mark, start=until)
        facts += more
    changes = [c for c in bench.play(facts, until) if c.change == "raised"]
    assert [(c.cause, c.severity) for c in changes] == [("rover-pole", "stop"), ("only-there", "note")]


@pytest.mark.parametrize("changed", ["pole", "silence"])
def test_what_was_set_up_anew_has_not_missed_yet(rover, day, changed):
    bench, _ = rover
    one, t = stands(day, bench, (0.07, -0.05, 0.02), "KQ-2")
    gap = 150.0 if changed == "silence" else 0.0
    other, until = stands(day, bench, (0.07, -0.05, 0.02), "KQ-3", start=t + gap)
    between = [SetUp(t=t, stream="", point="KQ-1", pole_height_m=2.0, antenna_height_m=1.9)] if changed == "pole" else []
    epochs = [day.epoch(2.0), day.epoch(3.0), day.epoch(t + gap), day.epoch(t + gap + 1.0)]
    changes = bench.play([heard(day, bench), *epochs, *between, *one, *other], until)
    assert not [c for c in changes if c.change == "raised" and "the same" in words(c).say]


class TestTheBasesAntennaHeightIsInDoubt:
    """What a 1006 says proves nothing where no tripod is that high."""

    @pytest.mark.parametrize(("height_m", "cause"), [(6.2, "other-antenna-height"), (1.843, "unexplained")])
    def test_a_rover_that_is_off_by_as_much_names_it(self, day, height_m, cause):
        bench = day.bench(ControlCheck, BaseDatum, **TABLES)
        x, y, z = from_enu(point_at(bench.site, "KQ-1", height_m).ecef, Enu(0.0, 0.0, 0.0))
        base = day.station(0.5, x_m=x, y_m=y, z_m=z, antenna_height_m=height_m)
        positions, _ = stands(day, bench, (0.01, -0.01, 4.357), "KQ-2")
        (raised,) = bench.play([base, *positions], 14.0)
        assert (raised.rule, raised.cause) == ("control-check", cause)
        said = words(raised)
        assert not bench.scene.proven_right() or cause == "unexplained"
        if cause != "unexplained":
            assert "may be another antenna height today: 6.200 m, not the plan's 1.843 m" in said.say
            assert any(step.startswith("The base last. Measure the base's antenna height again") for step in said.steps)
