"""The decision, the first that fits: each row of the contract's table by itself, and what right practice gets."""

import math

import pytest
from msgspec import structs
from witnesspost.replay.office.base import Check, Segment
from witnesspost.replay.office.verdict import Decided, Seen, decide, together
from witnesspost.rules.coordinates import Ecef, Enu

ARP = Ecef(-1281710.0, -4787533.0, 4004132.0)


def check(utc, passed=True, point="KQ-2", up=0.0):
    return Check(utc=utc, point=point, passed=passed, offset=Enu(0.0, 0.0, up), horizontal_m=0.03, vertical_m=0.05)


def segment(**more):
    right = {
        "number": 0, "station_id": 417, "arp": ARP, "from_utc": 0.0, "to_utc": math.inf,
        "heard_to_utc": math.inf, "ours": True, "judged": True, "right": True, "point": "KQ-1",
        "checks": [check(100.0), check(900.0)],
    }  # fmt: skip
    return Segment(**{**right, **more})


WRONG = {
    "right": False, "offset": Enu(0.0, 0.0, -24.8), "cause": "orthometric-as-ellipsoidal", "explained": True, "sure": True,
    "confirmed_by": ["the sheet", "the check-in on KQ-2"], "checks": [check(100.0, False, up=-24.8)],
    "repaired_checks": [(check(100.0, False, up=-24.8), Enu(0.0, 0.0, 0.0), True)],
}  # fmt: skip


def seen(on=None, **more):
    right = {
        "first_utc": 500.0, "last_utc": 510.0, "epochs": 11, "fixed_share": 1.0, "fixed_s": 300.0, "age_s": 1.0,
        "age_limit_s": 5.0, "segments": [on or segment()], "station": 417, "own_station": True, "lean_deg": 0.9,
        "mean_lean_deg": 0.8, "most_lean_deg": 2.2, "aligned": True, "needs_alignment": False,
        "spread_m": 0.008, "plan_left_m": 0.002,
        "up_left_m": 0.003, "distance_m": 250.0,
    }  # fmt: skip
    return Seen(**{**right, **more})


def test_a_right_point_between_good_check_ins_is_kept():
    assert decide(seen()).name == "keep"
    # What an experienced crew does rightly: a single epoch, no tilt sensor, a service's base that nothing judges.
    assert decide(seen(epochs=1, last_utc=500.0)).name == "keep"
    assert decide(seen(lean_deg=math.nan, most_lean_deg=math.nan, aligned=None)).name == "keep"
    assert decide(seen(segment(judged=False, kind="network"))).name == "keep"
    assert decide(seen(age_s=None, fixed_s=None)).name == "keep"


@pytest.mark.parametrize(
    ("more", "name", "words"),
    [
        ({"fixed_share": 0.94}, "observe-again", "Fixed in 94% of its 11 epochs"),
        ({"fixed_s": 9.0}, "observe-again", "9 s after a new fix"),
        ({"age_s": 6.0}, "observe-again", "Its corrections were 6 s old; the limit is 5 s"),
        (
            {"own_station": False, "station": 901, "segments": [None]},
            "observe-again",
            "station 901, which is not the project's",
        ),
        ({"segments": [segment(), segment(number=1)]}, "observe-again", "changed while it was stored"),
        ({"segments": [segment(number=2, from_utc=499.0)]}, "observe-again", "Stored within seconds of another coordinate"),
        ({"segments": [None]}, "undecided", "Nobody heard which coordinate"),
        ({"lean_deg": 1.6}, "undecided", "The pole leaned 1.6°"),
        (
            {"most_lean_deg": 8.0},
            "undecided",
            "The pole leaned 8.0° for a part of it",
        ),  # one epoch in thirty moves a mean by 9 mm
        ({"needs_alignment": True, "aligned": False}, "undecided", "The tilt sensor was not aligned"),
        ({"spread_m": 0.05}, "undecided", "The rover moved by 5 cm"),
        ({"plan_left_m": 0.2}, "undecided", "The file has it 20 cm from where the log says"),
        ({"up_left_m": -0.2}, "undecided", "The file has it 20 cm lower than the log"),
        ({"up_left_m": None}, "undecided", "no height"),
        ({"doubts": ["The base's antenna."]}, "undecided", "The base's antenna."),
    ],
)
def test_each_doubt_has_its_verdict_and_its_reason(more, name, words):
    found = decide(seen(**more))
    assert (found.name, words in found.reason) == (name, True), found


@pytest.mark.parametrize(
    ("checks", "words"),
    [
        ([], "No check-in before or after it"),
        ([check(100.0)], "No check-in after it"),
        ([check(900.0)], "No check-in before it"),
        ([check(100.0), check(900.0, False, up=-0.2)], "The check-in on KQ-2 at 00:15 (+0000) beside it failed by 20 cm"),
        ([check(100.0), check(400.0, False, up=0.1), check(900.0)], "failed by 10 cm"),  # the nearest one counts
    ],
)
def test_without_a_good_check_in_on_both_sides_nothing_is_kept(checks, words):
    found = decide(seen(segment(checks=checks)))
    assert (found.name, words in found.reason) == ("undecided", True), found


def wrong(**more):
    return seen(segment(**{**WRONG, **more}))


def test_one_explained_and_confirmed_vector_repairs():
    found = decide(wrong())
    assert found.name == "repair"
    assert found.reason == (
        "The base was 24.8 m out (a missing geoid separation); the sheet and the check-in on KQ-2 confirm it."
    )


@pytest.mark.parametrize(
    ("more", "name", "words"),
    [
        ({"explained": False, "cause": "unexplained"}, "observe-again", "nothing explains it"),
        ({"confirmed_by": []}, "undecided", "no second fact confirms it"),
        ({"repaired_checks": []}, "undecided", "no check-in passes that was not needed to find it"),
        ({"confirmed_by": ["the check-in on KQ-2"]}, "undecided", "no check-in passes that was not needed"),
        (
            {"repaired_checks": [(WRONG["checks"][0], Enu(0.0, 0.0, 0.2), False)]},
            "undecided", "a check-in beside it fails also when it is repaired",
        ),
    ],
)  # fmt: skip
def test_what_is_not_proven_is_not_repaired(more, name, words):
    found = decide(wrong(**more))
    assert (found.name, words in found.reason) == (name, True), found


def test_two_check_ins_on_two_marks_confirm_without_the_sheet():
    two = [(check(100.0, False), Enu(0, 0, 0), True), (check(900.0, False, "KQ-3"), Enu(0, 0, 0), True)]
    facts = ["the check-in on KQ-2", "the check-in on KQ-3"]
    assert decide(wrong(repaired_checks=two, confirmed_by=facts)).name == "repair"


def test_a_repair_mends_no_leaning_pole_and_no_long_baseline():
    assert decide(structs.replace(wrong(), lean_deg=8.0)).name == "undecided"
    found = decide(structs.replace(wrong(), distance_m=25_000.0))  # 24.8 m · 25 km / 2.4e7 m = 26 mm
    assert (found.name, "compute the baselines again" in found.reason) == ("undecided", True)
    assert decide(structs.replace(wrong(), distance_m=15_000.0)).name == "repair"  # 16 mm


def test_several_visits_get_no_more_than_all_of_them_allow():
    def one(name):
        return Decided(name=name, reason=name)

    assert together([one("keep"), one("keep")]).name == "keep"
    assert together([one("keep"), one("observe-again")]).name == "observe-again"
    assert together([one("keep"), one("undecided")]).name == "undecided"
    assert together([one("repair"), one("repair")]).name == "repair"
    assert together([one("keep"), one("repair")]).name == "undecided"
