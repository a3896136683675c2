"""What explains what: an explanation reaches only what it can cause, and no longer than it can."""

import math

import pytest
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.engine.consequences import ALREADY_TOLD_BY, EXPLAINED_BY, Trouble, explained_by

CAUSES = {rule.name: set(rule.causes) for rule in RULES}


def trouble(rule, cause, severity="stop", stream="corrections", since=100.0, raised_t=100.0, over_t=math.inf, because_of=None):
    return Trouble(rule, cause, severity, stream, since, raised_t, over_t, because_of)


def reason(what, *others, t=100.0):
    return explained_by((*EXPLAINED_BY.get(what.rule, ()), *ALREADY_TOLD_BY.get(what.rule, ())), what, others, t)


MOVED = trouble("base-moved", "coordinate-changed")


class TestOneIncident:
    """One sound."""

    @pytest.mark.parametrize("cause", ["autonomous", "differential", "float"])
    @pytest.mark.parametrize("why", ["line-silent", "line-noise", "port-lost"])
    def test_no_corrections_no_fix(self, cause, why):
        stopped = trouble("corrections-stopped", why)
        assert reason(trouble("fix-lost", cause, stream="receiver"), stopped) == "corrections-stopped"

    def test_while_the_rover_is_fixing_again(self):
        over = trouble("corrections-stopped", "line-silent", over_t=200.0)
        assert reason(trouble("fix-lost", "float"), over, t=230.0) == "corrections-stopped"
        assert reason(trouble("fix-lost", "float"), over, t=230.1) is None

    def test_a_base_moved_to_a_wrong_coordinate(self):
        assert reason(trouble("base-datum", "frame-shift"), MOVED, t=20_000.0) == "base-moved"

    def test_one_cable_for_both(self):
        gone = trouble("corrections-stopped", "port-lost", stream="receiver")
        assert reason(trouble("fix-lost", "no-position", stream="receiver"), gone) == "corrections-stopped"

    def test_a_sky_that_closes_costs_the_fix_first(self):
        lost = trouble("fix-lost", "float", raised_t=103.0)
        assert reason(trouble("sky", "few-satellites", "check", since=101.0), lost, t=131.0) == "fix-lost"

    def test_a_silence_that_was_told_with_the_other_number(self):
        other = trouble("wrong-channel", "another-base")
        assert reason(other, trouble("corrections-stopped", "another-base")) == "corrections-stopped"
        assert reason(other, trouble("corrections-stopped", "line-silent")) is None
        assert reason(other, trouble("corrections-stopped", "another-base", stream="modem")) is None

    def test_a_check_beneath_a_stop_is_of_its_incident(self):
        late = trouble("corrections-late", "old-at-rover", "check", because_of="base-moved")
        lost = trouble("fix-lost", "float", since=115.0)
        assert reason(lost, late, trouble("base-moved", "station-changed"), t=115.0) == "corrections-late"
        assert reason(lost, late, trouble("base-moved", "station-changed", "check"), t=115.0) is None

    def test_a_rules_stop_lends_its_note_no_weight(self):
        noted = trouble("base-moved", "coordinate-changed", "note")
        elsewhere = trouble("base-moved", "coordinate-changed", since=20.0, raised_t=20.0)
        assert reason(trouble("base-datum", "frame-shift", since=105.0), noted, elsewhere, t=106.0) is None

    def test_but_nobody_explains_what_explains_them(self):
        other = trouble("wrong-channel", "another-base")
        assert reason(other, trouble("corrections-stopped", "another-base", because_of="wrong-channel")) is None


class TestMasks:
    """What was once filed under something else, and made no sound."""

    @pytest.mark.parametrize(
        "cause",
        ["line-silent", "radio-settings-differ", "out-of-range", "line-noise", "weak-link", "port-lost", "other-format"],
    )
    def test_a_base_that_moved_silences_no_line(self, cause):
        for t in (100.0, 105.0, 5000.0):
            assert reason(trouble("corrections-stopped", cause), MOVED, t=t) is None

    def test_a_base_that_moved_explains_ten_seconds_of_what_follows(self):
        lost = trouble("fix-lost", "float", since=102.0)
        assert reason(lost, MOVED, t=109.9) == "base-moved"
        assert reason(lost, MOVED, t=110.0) is None

    @pytest.mark.parametrize("other", ["wrong-channel", "corrections-late", "corrections-stopped", "base-moved", "message-set"])
    def test_nothing_on_the_air_keeps_a_receiver_from_speaking(self, other):
        nothing = trouble("fix-lost", "no-position", stream="receiver")
        for cause in set(CAUSES[other]) - {"ports-lost"}:
            assert reason(nothing, trouble(other, cause)) is None, cause

    def test_a_hub_that_goes_takes_the_receivers_port_along_and_nothing_that_comes_later(self):
        gone = trouble("corrections-stopped", "ports-lost", stream="corrections", raised_t=102.0)
        assert reason(trouble("fix-lost", "no-position", stream="receiver", since=100.5), gone) == "corrections-stopped"
        assert reason(trouble("fix-lost", "no-position", stream="receiver", since=160.0), gone, t=166.0) is None

    def test_a_receivers_port_is_not_explained_by_that_of_the_corrections(self):
        gone = trouble("corrections-stopped", "port-lost", stream="corrections")
        assert reason(trouble("fix-lost", "no-position", stream="receiver"), gone) is None

    def test_another_base_takes_no_cable_out(self):
        other = trouble("wrong-channel", "another-base")
        assert reason(trouble("corrections-stopped", "line-silent"), other) is None
        assert reason(trouble("corrections-stopped", "another-base"), other) == "wrong-channel"

    def test_a_rover_fixes_without_glonass_biases(self):
        assert reason(trouble("fix-lost", "float"), trouble("message-set", "no-glonass-bias", "check")) is None
        walking = trouble("fix-lost", "float", "check")
        assert reason(walking, trouble("message-set", "single-frequency", "check")) == "message-set"

    def test_a_fix_lost_in_the_morning_explains_no_sky_at_noon(self):
        lost = trouble("fix-lost", "float", raised_t=103.0)
        assert reason(trouble("sky", "signal-drop", "check", since=10_000.0), lost, t=10_030.0) is None

    def test_a_crew_that_was_told_to_look_is_told_to_stop(self):
        late = trouble("corrections-late", "slow-link", "check")
        assert reason(trouble("fix-lost", "float", "check"), late) == "corrections-late"
        assert reason(trouble("fix-lost", "float", "stop"), late) is None

    def test_a_note_explains_no_stop(self):
        note = trouble("base-datum", "other-geoid", "note")
        assert reason(trouble("control-check", "frame-shift"), note) is None
        assert reason(trouble("control-check", "other-geoid", "note"), note) == "base-datum"

    @pytest.mark.parametrize("rule", ["base-datum", "base-moved", "wrong-channel"])
    def test_no_base_makes_a_pole_short(self, rule):
        cause = next(iter(CAUSES[rule]))
        assert reason(trouble("control-check", "frame-shift"), trouble(rule, cause)) == rule
        for own in ("rover-pole", "leaning-pole", "mark-or-point"):
            assert reason(trouble("control-check", own), trouble(rule, cause)) is None

    def test_what_is_over_explains_five_seconds_more(self):
        over = trouble("wrong-channel", "another-base", over_t=200.0)
        what = trouble("message-set", "no-station-position", "check", since=150.0)
        assert reason(what, over, t=205.0) == "wrong-channel"
        assert reason(what, over, t=205.1) is None


def test_the_table_names_causes_that_there_are():
    for rule, row in (*EXPLAINED_BY.items(), *ALREADY_TOLD_BY.items()):
        for explanation in row:
            assert (explanation.only or set()) <= CAUSES[rule], (rule, explanation)
            assert explanation.but <= CAUSES[rule], (rule, explanation)
            assert (explanation.by or set()) <= CAUSES[explanation.rule], (rule, explanation)
