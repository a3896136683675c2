from __future__ import annotations

import pytest
from witnesspost.replay.play.grading import Tally, grade
from witnesspost.replay.play.tape import Truth
from witnesspost.rules.alert import Change
from witnesspost.rules.engine.rule import Cause


def change(t, rule, cause, kind="raised", because_of=None):
    return Change(
        t=t, utc=None, change=kind, rule=rule, cause=cause, causes=[Cause(cause=cause)], severity="stop", stream="a",
        because_of=because_of, evidence={}, words={}, post="kestrel", role="rover", alert=1,
    )  # fmt: skip


def truth(t, rule, cause=None, within_s=5.0, expect="raised", **more):
    return Truth(t=t, expect=expect, rule=rule, cause=cause, within_s=within_s, **more)


def fates(truths, changes):
    graded = grade(truths, changes)
    return [verdict.fate for verdict in graded.verdicts], [c.rule for c in graded.false]


@pytest.mark.parametrize(
    ("said", "fate"),
    [
        (change(100.0, "sky", "few"), "right"),
        (change(105.0, "sky", "few"), "right"),
        (change(105.2, "sky", "few"), "late"),
        (change(99.8, "sky", "few"), "early"),
        (change(300.0, "sky", "few"), "missed"),
        (change(103.0, "sky", "poor"), "wrong cause"),
        (change(103.0, "sky", "few", because_of="fix-lost"), "wrong explanation"),
        (change(103.0, "tilt", "few"), "missed"),
        (change(103.0, "sky", "few", kind="cleared"), "missed"),
    ],
)
def test_a_truth_line_and_one_change(said, fate):
    assert fates([truth(100.0, "sky", "few", because_of=None)], [said])[0] == [fate]


def test_nothing_said_is_missed_and_nothing_wanted_is_false():
    assert fates([truth(100.0, "sky")], []) == (["missed"], [])
    assert fates([], [change(1.0, "sky", "few")]) == ([], ["sky"])
    graded = grade([truth(100.0, "sky", "few")], [change(1.0, "tilt", "lean")])
    assert not graded.passed
    assert graded.in_words() == (
        "missed: sky (few) raised in 100.0–105.0 s\n"
        "false: tilt (lean) raised at 1.0 s\n"
        "FAILED: 0 of 1 truth lines met, 1 false alerts"
    )


def test_a_named_consequence_is_never_false():
    assert fates([], [change(1.0, "fix-lost", "float", because_of="corrections-stopped")]) == ([], [])


def test_only_raised_alerts_can_be_false():
    assert fates([], [change(1.0, "sky", "few", kind=kind) for kind in ("normal", "cleared", "acknowledged")]) == ([], [])


def test_each_change_is_taken_once():
    assert fates([truth(100.0, "sky"), truth(100.0, "sky")], [change(101.0, "sky", "few")])[0] == ["right", "missed"]
    assert fates([truth(100.0, "sky")], [change(101.0, "sky", "few"), change(102.0, "sky", "few")]) == (["right"], ["sky"])


def test_a_loose_line_leaves_the_change_that_a_strict_one_needs():
    truths = [truth(100.0, "sky"), truth(101.0, "sky", "few")]
    assert fates(truths, [change(102.0, "sky", "few"), change(103.0, "sky", "poor")]) == (["right", "right"], [])


def test_causes_that_cannot_be_told_apart():
    line = truth(0.0, "base-datum", ["epoch-shift", "frame-shift"])
    assert fates([line], [change(1.0, "base-datum", "frame-shift")])[0] == ["right"]
    assert fates([line], [change(1.0, "base-datum", "rounded")])[0] == ["wrong cause"]


def test_cleared_means_that_the_condition_is_over():
    for kind in ("normal", "cleared"):
        assert fates([truth(100.0, "sky", expect="cleared")], [change(101.0, "sky", "few", kind=kind)])[0] == ["right"]
    assert fates([truth(100.0, "sky", expect="normal")], [change(101.0, "sky", "few", kind="cleared")])[0] == ["missed"]


def test_because_of_left_out_asks_for_none():
    line = truth(0.0, "fix-lost", "float")
    for because_of in (None, "corrections-stopped"):
        assert fates([line], [change(1.0, "fix-lost", "float", because_of=because_of)])[0] == ["right"]
    line = truth(0.0, "fix-lost", "float", because_of="corrections-stopped")
    assert fates([line], [change(1.0, "fix-lost", "float")])[0] == ["wrong explanation"]


def test_a_tally_over_runs():
    tally = Tally()
    right = [truth(100.0, "sky", "few", because_of=None), truth(200.0, "tilt", "lean", because_of=None)]
    tally.add("a", grade(right, [change(101.0, "sky", "few"), change(203.0, "tilt", "lean")]), 3600.0)
    tally.add("b", grade(right, [change(103.0, "sky", "poor"), change(5.0, "sky", "few")]), 3600.0)
    sky, tilt = tally.scores["sky"], tally.scores["tilt"]
    assert (sky.expected, sky.detected, sky.first_cause_right, sky.false) == (2, 2, 1, 1)
    assert (sky.median_s, sky.worst_s) == (2.0, 3.0)
    assert (tilt.expected, tilt.detected, tilt.median_s, tilt.worst_s) == (2, 1, 3.0, 3.0)
    assert tally.false_a_day("sky") == 12.0
    assert tally.failed == ["b"]
    assert tally.confusion == {
        ("sky", "few", "few"): 1,
        ("sky", "few", "poor"): 1,
        ("tilt", "lean", "lean"): 1,
        ("tilt", "lean", "nothing"): 1,
    }


def test_chattering_and_floods_fail_a_run_that_is_right_otherwise():
    for count, every_s, nuisances in ((2, 20.0, 0), (3, 20.0, 1), (9, 65.0, 0), (11, 0.1, 2), (11, 50.0, 1)):
        times = [100.0 + n * every_s for n in range(count)]
        truths = [truth(t, "sky", within_s=0.0) for t in times]
        graded = grade(truths, [change(t, "sky", "few") for t in times])
        assert not graded.misses
        assert len(graded.nuisances) == nuisances, (count, every_s)
        assert graded.passed == (nuisances == 0)
