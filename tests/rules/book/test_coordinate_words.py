"""Advice of the datum's rules: a line and steps for every cause and pair, every field filled."""

import string

import pytest
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.base_moved import BaseMoved
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.coordinate_words import ONLY_THERE
from witnesspost.rules.book.height_reference import HeightReference
from witnesspost.rules.book.words import ADVICE, words
from witnesspost.rules.datum.hypotheses import FAMILY, ORDER

from tests.proof.datum_table import PLACES, base_finding, cases, check_finding

_RULES = (BaseDatum, BaseMoved, ControlCheck, HeightReference)


def test_every_pair_that_can_be_found_has_its_advice():
    able = [cause for cause in ORDER if cause in FAMILY]
    pairs = [f"{one}+{two}" for index, one in enumerate(able) for two in able[index + 1 :] if FAMILY[one] != FAMILY[two]]
    assert len(pairs) > 30
    assert [pair for pair in pairs if ("base-datum", pair) not in ADVICE or ("control-check", pair) not in ADVICE] == []


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)
def test_every_field_is_filled(place):
    for truth, case in cases(place).items():
        found = base_finding(case)
        say, steps = words(
            Sentence(
                rule="base-datum",
                cause=found.causes[0].cause,
                stream="",
                role="base",
                evidence=found.evidence,
                words=found.words,
            )
        )
        for text in (say, *steps):
            assert "{" not in text, (truth, text)
            assert " ?" not in text, (truth, text)
            assert "None" not in text, (truth, text)


def test_fields_are_known_by_every_finding():
    finding = base_finding(cases(PLACES[0])["antenna-height-missing"])
    check = check_finding(cases(PLACES[0])["antenna-height-missing"])
    for rule, found in (("base-datum", finding), ("control-check", check)):
        known = {**found.evidence, **found.words, "stream": ""}
        for (name, cause), entry in ADVICE.items():
            if name == rule and cause != ONLY_THERE:  # which no miss has: its own words are in its tests
                fields = {field for text in (entry[0], *entry[1]) for _, field, *_ in string.Formatter().parse(text) if field}
                assert fields <= set(known), (cause, fields - set(known))


def test_lines_are_short_enough_for_a_phone():
    for (rule, cause), entry in ADVICE.items():
        if rule in {kind.name for kind in _RULES} and "+" not in cause:
            assert len(entry[0]) < 260, (rule, cause)
            assert all(len(step) < 140 for step in entry[1]), (rule, cause)
            assert 1 <= len(entry[1]) <= 6
