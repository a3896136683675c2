"""The decision, the first that fits: each row of the contract's table by itself, and what right practice gets."""

import math

import pytest
from msgspec import structs
from witnesspost.replay.office.base import Segment
from witnesspost.replay.office.check_ins import Asked, Check
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
        ({"fixed_share": 0.0, "epochs": 1}, "observe-again", "Its only epoch was not fixed."),
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
        (
            {"explained": False, "cause": "unexplained"}, "observe-again",
            "The base's coordinate and the site file's KQ-1 differ by 24.8 m, and nothing explains it.",
        ),
        ({"confirmed_by": []}, "undecided", "no second fact confirms it"),
        (
            {"checks": [], "repaired_checks": []}, "undecided",
            "The base's coordinate and the site file's KQ-1 differ by 24.8 m (a missing geoid separation), and no check-in "
            "tells which is right.",
        ),
        ({"repaired_checks": []}, "undecided", "no check-in passes that was not needed to find it"),
        ({"confirmed_by": ["the check-in on KQ-2"]}, "undecided", "no check-in passes that was not needed"),
        (
            {"repaired_checks": [(WRONG["checks"][0], Enu(0.0, 0.0, 0.2), False)]},
            "undecided", "but a check-in beside it fails by the one and by the other",
        ),
    ],
)  # fmt: skip
def test_what_is_not_proven_is_not_repaired(more, name, words):
    found = decide(wrong(**more))
    assert (found.name, words in found.reason) == (name, True), found


SLIP = {
    "right": False, "offset": Enu(0.0, 11.1, 0.0), "cause": "digit-slip", "explained": True, "sure": True,
    "confirmed_by": [], "checks": [check(100.0), check(900.0, point="KQ-3")],
}  # fmt: skip


def agreeing(*checks, **more):
    """A base that is 11.1 m off the site file's KQ-1, and check-ins that pass on the coordinate as it was on the air."""
    repaired = [(one, Enu(0.0, -11.1, 0.0), False) for one in checks]
    return seen(segment(**{**SLIP, "checks": list(checks), "repaired_checks": repaired, **more}))


def test_a_base_that_check_ins_on_two_other_marks_agree_with_is_right_and_the_sheet_is_asked_about():
    """What two marks measure weighs more than what one line of the site file says (common practice: a base is proven by
    independent marks)."""
    found = decide(agreeing(check(100.0), check(900.0, point="KQ-3")))
    assert found.name == "keep"
    assert found.reason == (
        "Fixed, between good check-ins at 00:01 and 00:15 (+0000). The base's coordinate and the site file's KQ-1 differ by "
        "11.1 m (a slip in typing), and the check-ins on KQ-2 and KQ-3 agree with the base: compare the site file with the "
        "control sheet."
    )
    # Also where nothing explains the difference, and where the crew's base is on a point that nobody told.
    found = decide(agreeing(check(100.0), check(900.0, point="KQ-3"), explained=False, cause="unexplained"))
    assert (found.name, "compare the site file with the control sheet" in found.reason) == ("keep", True)
    found = decide(agreeing(check(100.0), check(900.0, point="KQ-4"), cause="other-control-point", other_point="KQ-3"))
    assert found.name == "keep"
    assert found.reason.endswith(
        "The base's coordinate is KQ-3's, and the check-ins on KQ-2 and KQ-4 agree with it: the base was not on KQ-1, where "
        "the site file has it."
    )


def test_a_base_whose_own_mark_the_rover_checks_in_on_was_not_on_it():
    found = decide(agreeing(check(100.0), check(900.0, point="KQ-1"), explained=False, cause="unexplained"))
    assert found.name == "keep"
    assert found.reason.endswith(
        "The base's coordinate and the site file's KQ-1 differ by 11.1 m, and the check-ins on KQ-2 and KQ-1 agree with the "
        "base: the base was not on KQ-1, where the site file has it."
    )


def test_two_marks_that_miss_by_little_to_two_sides_do_not_miss_by_the_same():
    """A pole that leans reads off to another side on each stand, and yet within a check's limits of the other."""

    def missed(utc, point, east, north):
        return structs.replace(check(utc, passed=False, point=point), offset=Enu(east, north, 0.0))

    found = decide(seen(segment(checks=[missed(100.0, "KQ-2", 0.035, 0.0), missed(900.0, "KQ-3", 0.025, 0.025)])))
    assert found.reason.endswith("beside it failed by 4 cm."), found.reason
    found = decide(seen(segment(checks=[missed(100.0, "KQ-2", 0.071, -0.054), missed(900.0, "KQ-3", 0.074, -0.053)])))
    assert "and that on KQ-3 by the same" in found.reason


def test_of_one_mark_and_the_sheet_nobody_knows_which_is_right():
    found = decide(agreeing(check(100.0), check(900.0)))
    assert found.name == "undecided"
    assert found.reason == (
        "The base's coordinate and the site file's KQ-1 differ by 11.1 m (a slip in typing), and the check-in on KQ-2 agrees "
        "with the base: a check-in on another mark would tell which is right."
    )
    assert decide(agreeing(check(100.0), check(900.0), explained=False, cause="unexplained")).name == "undecided"


def test_a_base_that_check_ins_agree_with_is_kept_only_between_two_of_them():
    two = check(100.0), check(200.0, point="KQ-3")
    assert decide(agreeing(*two)).reason == "No check-in after it on this base coordinate."
    low = check(900.0, passed=False, up=-0.2)
    found = decide(agreeing(*two, low, repaired_checks=[(two[0], Enu(0, -11.1, 0), False), (two[1], Enu(0, -11.1, 0), False),
                                                        (low, Enu(0.0, -11.1, -0.2), False)]))  # fmt: skip
    assert (found.name, "KQ-2 at 00:15 (+0000) beside it failed by 20 cm" in found.reason) == ("undecided", True)


def test_check_ins_of_which_some_agree_with_the_base_and_some_with_the_sheet_settle_nothing():
    with_it, without = check(100.0), check(900.0, passed=False, point="KQ-3")
    found = decide(
        agreeing(with_it, without, repaired_checks=[(with_it, Enu(0, -11.1, 0), False), (without, Enu(0, 0, 0), True)])
    )
    assert found.name == "undecided"
    assert found.reason == (
        "The base's coordinate and the site file's KQ-1 differ by 11.1 m (a slip in typing): the check-in on KQ-2 agrees with "
        "the base, that on KQ-3 with the site file's KQ-1."
    )


def test_a_check_in_that_passes_with_a_small_vector_and_without_it_is_of_the_nearer():
    """4 cm in height are within a check-in's 5 cm: 3 cm off the base, 1 cm off the sheet says the sheet is right."""
    near = check(100.0, up=0.041), check(900.0, up=0.038, point="KQ-3")
    high = {"offset": Enu(0.0, 0.0, 0.04), "confirmed_by": ["the sheet"], "checks": list(near)}
    repaired = [(near[0], Enu(0, 0, 0.001), True), (near[1], Enu(0, 0, -0.002), True)]
    assert decide(agreeing(*near, repaired_checks=repaired, **high)).name == "repair"
    near = check(100.0, up=0.002), check(900.0, up=-0.004, point="KQ-3")
    repaired = [(near[0], Enu(0, 0, -0.038), True), (near[1], Enu(0, 0, -0.044), True)]
    assert decide(agreeing(*near, repaired_checks=repaired, **{**high, "checks": list(near)})).name == "keep"
    near = check(100.0, up=0.021), check(900.0, up=0.019, point="KQ-3")
    repaired = [(near[0], Enu(0, 0, -0.019), True), (near[1], Enu(0, 0, -0.021), True)]
    found = decide(agreeing(*near, repaired_checks=repaired, **{**high, "checks": list(near)}))
    assert (found.name, "no check-in passes that was not needed to find it" in found.reason) == ("undecided", True)


def test_two_check_ins_on_two_marks_confirm_without_the_sheet():
    two = [(check(100.0, False), Enu(0, 0, 0), True), (check(900.0, False, "KQ-3"), Enu(0, 0, 0), True)]
    facts = ["the check-in on KQ-2", "the check-in on KQ-3"]
    assert decide(wrong(repaired_checks=two, confirmed_by=facts)).name == "repair"


def test_a_repair_mends_no_leaning_pole_and_no_long_baseline():
    assert decide(structs.replace(wrong(), lean_deg=8.0)).name == "undecided"
    found = decide(structs.replace(wrong(), distance_m=25_000.0))  # 24.8 m · 25 km / 2.4e7 m = 26 mm
    assert (found.name, "compute the baselines again" in found.reason) == ("undecided", True)
    assert decide(structs.replace(wrong(), distance_m=15_000.0)).name == "repair"  # 16 mm


def test_a_check_in_that_misses_by_the_way_to_another_mark_names_that_mark():
    """A base on KQ-3 that is told KQ-1 moves all by the way from KQ-3 to KQ-1; a pole or a tripod does not come near it."""
    apart = {"KQ-2": Enu(-310.0, -210.0, -7.6), "KQ-3": Enu(310.177, 273.921, 5.816)}
    missed = structs.replace(check(100.0, passed=False), offset=Enu(310.188, 273.907, 5.834))
    on = segment(checks=[missed, check(900.0)], apart_from=apart)
    assert decide(seen(on)).reason.endswith("beside it failed by 413.8 m: it is as if the base had stood on KQ-3.")
    near = structs.replace(missed, offset=Enu(310.9, 273.9, 5.8))
    assert "as if" not in decide(seen(segment(checks=[near, check(900.0)], apart_from=apart))).reason
    close = segment(checks=[check(100.0, passed=False, up=-0.2), check(900.0)], apart_from={"KQ-9": Enu(0.0, 0.0, -0.15)})
    assert "as if" not in decide(seen(close)).reason  # two marks so close prove nothing


def test_a_point_without_a_check_in_is_told_of_the_one_far_from_its_mark():
    """Its list of points is all that some surveyors open: 414 m may not stand in the report alone."""
    far = "the rover's position was 413.8 m from it (310.2 m east, 273.9 m north, 5.83 m high)"
    given_up = Asked(utc=50.0, point="KQ-4", why="for 600 s the pole leaned")
    asked = [given_up, Asked(utc=100.0, point="KQ-2", why=far, offset=Enu(310.188, 273.907, 5.834))]
    on = segment(checks=[], asked=asked, apart_from={"KQ-3": Enu(310.177, 273.921, 5.816)})
    assert decide(seen(on)).reason == (
        "No check-in before or after it on this base coordinate; one on KQ-2 at 00:01 (+0000) came to nothing: "
        f"{far}, as if the base had stood on KQ-3."
    )
    assert decide(seen(segment(checks=[], asked=[given_up]))).reason == (
        "No check-in before or after it on this base coordinate."
    )


def test_several_visits_get_no_more_than_all_of_them_allow():
    def one(name):
        return Decided(name=name, reason=name)

    assert together([one("keep"), one("keep")]).name == "keep"
    assert together([one("keep"), one("observe-again")]).name == "observe-again"
    assert together([one("keep"), one("undecided")]).name == "undecided"
    assert together([one("repair"), one("repair")]).name == "repair"
    assert together([one("keep"), one("repair")]).name == "undecided"
