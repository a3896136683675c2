"""Reasons that differ only in their measures are one kind."""

import pytest
from witnesspost.replay.office.reasons import kind, spanned


def test_reasons_that_differ_in_a_measure_are_one_sentence_with_its_span():
    off = [f"No position in the log at its time; the nearest is {by} s off." for by in (79, 29, 1144)]
    assert len({kind(reason) for reason in off}) == 1
    assert spanned(off) == "No position in the log at its time; the nearest is 29 to 1144 s off."
    fixed = ["Fixed in 0% of its 31 epochs.", "Fixed in 50% of its 2 epochs."]
    assert spanned(fixed) == "Fixed in 0 to 50% of its 2 to 31 epochs."
    apart = (
        "The base's coordinate and the site file's 101 differ by {} m, and the check-ins on 102 and 103 agree with the base."
    )
    assert spanned([apart.format("11.1"), apart.format("11.2")]) == apart.format("11.1 to 11.2")
    assert spanned(["The pole leaned 8.0°, and nothing made up for it."]) == "The pole leaned 8.0°, and nothing made up for it."


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Tied to station 901, which is not the project's.", "Tied to station 902, which is not the project's."),
        ("The check-in on KQ-2 failed by 20 cm.", "The check-in on KQ-3 failed by 20 cm."),
        ("The check-in on 101 failed by 20 cm.", "The check-in on 104 failed by 20 cm."),
        ("good check-ins at 09:05 and 09:55 (-0600).", "good check-ins at 09:05 and 10:36 (-0600)."),
        ("Stored 9 s after a new fix.", "The pole leaned 9°."),
    ],
)
def test_another_station_mark_or_time_is_another_reason(one, other):
    assert kind(one) != kind(other)
