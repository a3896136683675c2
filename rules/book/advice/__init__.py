"""What to say and what to check first, in plain words for a person standing in the rain. One entry a rule and cause.

Each entry is (say, steps): the one line that says what is wrong, and the steps in the order in which to check them. Both are
str.format texts; their fields are the finding's evidence and words. A field that is missing or None reads "?". The entries
stand by what is in trouble: `radio`, `receiver`, `datum`.
"""

from __future__ import annotations

from typing import Any

from witnesspost.rules.book.advice import datum, radio, receiver
from witnesspost.rules.finding import Finding

ADVICE: dict[tuple[str, str], tuple[str, tuple[str, ...]]] = {**radio.ADVICE, **receiver.ADVICE, **datum.ADVICE}


class _Fields(dict[str, Any]):
    def __missing__(self, key: str) -> str:
        return "?"


def advice(rule: str, finding: Finding) -> tuple[str, list[str]]:
    """The line and the steps for a finding of `rule`, by its first cause."""
    entry = ADVICE.get((rule, finding.causes[0].cause))
    if entry is None:
        return f"{rule}: {finding.causes[0].cause}", []
    said = {key: value for key, value in {**finding.evidence, **finding.words}.items() if value is not None}
    fields = _Fields(said, stream=finding.stream)
    say, steps = entry
    return say.format_map(fields), [step.format_map(fields) for step in steps]
