"""Words from a key and figures: whatever the figures are, there are words."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.words import ADVICE, words

anything = st.one_of(st.none(), st.floats(), st.integers(), st.text(), st.binary(), st.lists(st.integers()))
KEYS = [*ADVICE, ("too-few-satellites", "below"), ("no-such-rule", "no-such-cause"), ("", "")]


@given(
    key=st.sampled_from(KEYS),
    role=st.sampled_from(["base", "rover"]),
    evidence=st.dictionaries(st.text(), anything),
    told=st.dictionaries(st.text(), anything),
)
def test_there_are_words_whatever_the_figures(key, role, evidence, told):
    rule, cause = key
    say, steps = words(Sentence(rule=rule, cause=cause, stream="{}", role=role, evidence=evidence, words=told))
    assert say
    assert all(steps)


def test_a_base_reads_a_bases_steps_and_a_figure_that_is_missing_a_question_mark():
    for (rule, cause), advice in ADVICE.items():
        at_rover = words(Sentence(rule=rule, cause=cause, stream="s", role="rover", evidence={}, words={}))
        at_base = words(Sentence(rule=rule, cause=cause, stream="s", role="base", evidence={}, words={}))
        assert at_rover.say == at_base.say
        assert len(at_rover.steps) == len(advice.steps)
        assert len(at_base.steps) == len(advice.at_base or advice.steps)
        assert "{" not in at_rover.say


class Throws:
    def __format__(self, spec):
        raise ZeroDivisionError


def test_figures_that_throw_leave_the_rule_and_the_cause():
    told = Sentence(rule="tilt", cause="pole-too-far-over", stream="", role="rover", evidence={"angle_deg": Throws()}, words={})
    assert words(told) == ("tilt: pole-too-far-over", [])


STEPS = sorted({step for advice in ADVICE.values() for step in (*advice.steps, *(advice.at_base or ()))})
AT_A_ROVER_ALONE = {"radio-settings-differ", "out-of-range", "position-jumped", "base-or-sheet", "sheet-in-doubt"}


def test_whoever_changes_a_channel_in_any_rule_changes_to_a_licensed_one():
    changes = [step for step in STEPS if re.search(r"\b([Cc]hange|[Ss]et)\b.*\b(channel|frequency)\b", step)]
    assert len(changes) >= 3
    assert [step for step in changes if "licensed for" not in step] == []


@pytest.mark.parametrize("rule", ["corrections-stopped", "wrong-channel", "base-datum", "base-moved"])
def test_a_base_is_told_to_stop_the_crew_first(rule):
    stops_nobody = {*AT_A_ROVER_ALONE, "port-lost", "ports-lost", "lines-swapped"}
    causes = [cause for name, cause in ADVICE if name == rule and cause not in stops_nobody]
    assert causes
    for cause in causes:
        advice = ADVICE[rule, cause]
        if "geoid file" not in advice.line:  # heights that are not judged stop nobody
            assert advice.at_base, cause
            assert advice.at_base[0] == "Tell the crew: store no points until this is over.", cause


@pytest.mark.parametrize("rule", ["base-datum", "base-moved", "control-check"])
def test_before_a_base_is_corrected_the_time_and_the_old_coordinate_are_noted(rule):
    corrections = []
    for key, advice in ADVICE.items():
        for steps in (advice.steps, advice.at_base or ()):
            noted = [number for number, step in enumerate(steps) if re.search(r"note the time.* the old coordinate", step)]
            corrected = [
                number for number, step in enumerate(steps) if step == "{correct}" or step.startswith("Then correct it")
            ]
            if key[0] == rule and (noted or corrected):
                corrections.append(key[1])
                assert noted, (key, steps)
                assert all(noted[0] < number for number in corrected), (key, steps)
    assert corrections


def test_no_step_asks_for_a_conversion_in_the_field():
    converting = [step for step in STEPS if re.search(r"\bconvert", step)]
    assert converting
    assert all("Nobody converts coordinates in the field: ask the office" in step for step in converting)
