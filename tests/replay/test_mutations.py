"""A few of the mutations of `tests.proof.mutations`: a spoilt rule fails the grade of a scenario that passes as it is."""

from __future__ import annotations

import functools

import pytest
from witnesspost.replay.play.proving import run
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.radio_sheet import RadioSheet
from witnesspost.rules.book.tilt import TiltRule

from tests.proof.mutations import BECAUSE, hear, judged, mutations_of, try_out

CAUGHT = [
    (TiltRule, "limit_deg 15 → 7.5", "tilt:leans-a-little"),
    (TiltRule, "limit_deg 15 → 30", "tilt:pole-too-far-over"),
    (CorrectionsStopped, "`line-silent` and `comes-and-goes` swapped", "corrections-stopped-base:line-silent"),
    (CorrectionsStopped, "silent", "corrections-stopped-base:line-silent"),
    (CorrectionsStopped, "`Line.silences: ended - began > _SHORT_S` turned", "corrections-stopped-base:comes-and-goes"),
    (
        AntennaMismatch,
        "`AntennaMismatch._see_descriptor: _antenna_and_radome(fact.descriptor) == wanted` turned",
        "antenna-mismatch:another-antenna",
    ),
    (RadioSheet, "speaks when it ought to be silent, and the other way round", "radio-sheet:quiet-same"),
]


heard_in = functools.cache(hear)


@pytest.mark.parametrize(("rule", "what", "source"), CAUGHT)
def test_a_spoilt_rule_fails_a_grade_that_the_rule_as_it_is_passes(rule, what, source):
    heard = heard_in(source)
    assert [one.as_it_is.grade.in_words() for one in heard if not one.as_it_is.grade.passed] == []
    (mutation,) = [one for one in mutations_of(rule) if one.what == what]
    assert try_out(mutation, heard).caught_by == source


def test_what_the_rules_hear_is_judged_as_the_pipeline_judges_it():
    (heard,) = heard_in("corrections-stopped-base:line-silent")
    assert judged(heard).changes == run(heard.scenario).changes != []


@pytest.mark.long
def test_each_explanation_of_a_survivor_is_of_a_mutation_that_there_is():
    words = {rule.name: [mutation.what for mutation in mutations_of(rule)] for rule in RULES}
    stale = [(rule, part) for rule, parts in BECAUSE.items() for part in parts if not any(part in what for what in words[rule])]
    assert stale == []
