"""The words of an alert, made from the key of its sentence (rule and cause) and its figures: here, and nowhere else.

Whatever the figures are, there are words: a field that is missing or None reads "?", and where a text cannot be filled in at
all the rule and the cause themselves are what is said.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from witnesspost.rules.advice import Advice
from witnesspost.rules.alert import Change, Held, Sentence
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.book.coordinate_words import BASE_PAIRS, CONTROL_PAIRS
from witnesspost.rules.book.own import OwnRule
from witnesspost.rules.language.names import bare
from witnesspost.rules.language.speech import ENGLISH, Speech
from witnesspost.rules.site.model import Role

_PAIRS = {"base-datum": BASE_PAIRS, "control-check": CONTROL_PAIRS}

ADVICE: dict[tuple[str, str], Advice] = {
    (rule.name, cause): advice for rule in RULES for cause, advice in (rule.causes | _PAIRS.get(rule.name, {})).items()
}
"""Every sentence of the book by its key."""


AGAIN = "It has come {came_times} times in {came_min} min."
"""What stands after the line of an alert that comes again and again, where that does not say so itself."""


def causes_of(rule: str) -> list[str]:
    """The names of a rule's causes: the book's, or those of the crew's own rules."""
    return [cause for name, cause in ADVICE if name == rule] or list(OwnRule.causes)


def steps_of(rule: str, cause: str, role: Role) -> tuple[str, ...]:
    """The steps of a cause in the book, their figures not filled in: what a person says that it solved the alert."""
    advice = ADVICE.get((rule, cause)) or OwnRule.causes.get(cause)
    if advice is None:
        return ()
    return advice.at_base if role == "base" and advice.at_base is not None else advice.steps


def solved_words(times: int, of: int) -> str:
    """What beside a step says that it has helped before; empty where it has not."""
    if not times:
        return ""
    return "solved it here before" if of == 1 else f"solved it {times} of {of} times here"


class Words(NamedTuple):
    """What is wrong, in one line, and the steps to check in order."""

    say: str
    steps: list[str]


def words(told: Change | Sentence, speech: Speech = ENGLISH) -> Words:
    """What a person reads of this alert, in his language. Never raises."""
    try:
        advice = ADVICE.get((told.rule, told.cause)) or OwnRule.causes[told.cause]
        figures = {"rule": told.rule, "stream": told.stream, **told.evidence, **told.words}
        fields = _Fields({key: value for key, value in figures.items() if value is not None})
        texts = [advice.line, *steps_of(told.rule, told.cause, told.role)]
        line, *steps = (bare(speech.template(text, fields, told.words)) for text in texts)
        if "came_times" in fields and "{times}" not in advice.line:
            fields["came_min"] = math.ceil(fields["came_over_s"] / 60.0)
            line = f"{line} {speech.template(AGAIN, fields, {})}"
        return Words(line, steps)
    except Exception:  # words that do not fit their figures must not cost the alert
        return Words(f"{told.rule}: {told.cause}", [])


def held_words(held: Held) -> str:
    """Why an alert is open although its condition has ended."""
    return f"back for {held.back_s:.0f} s; came {'twice' if held.times == 2 else f'{held.times} times'} within a minute"


class _Fields(dict[str, Any]):
    def __missing__(self, key: str) -> str:
        return "?"
