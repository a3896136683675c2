"""Words from a key and figures: whatever the figures are, there are words."""

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
