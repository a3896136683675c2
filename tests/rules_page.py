"""The page of the rules, from the rules themselves: `python -m tests.documentation` writes it anew."""

import math
import sys
from typing import Any

from witnesspost.rules.book.contents import RULES
from witnesspost.rules.engine.consequences import ALREADY_TOLD_BY, EXPLAINED_BY, HOLD_S, Explanation
from witnesspost.rules.engine.rule import Rule

_HEAD = f"""# The rules

What counts as trouble. This page is written by `python -m tests.documentation` from the rules, one file each in `book/`, and
from `engine/consequences.py`, which alone knows what explains what: a consequence is recorded, and makes no noise while what
explains it stands and for {HOLD_S:g} s after. Nothing explains what is graver than itself, unless it is part of an incident as
grave: a stop under a check sounds.

What comes from one cause for the third time within ten minutes says how often it has come. A stop sounds each time; a check
makes no sound any more, its light says it, unless it lasts half as long again as the longest of those before.

Figures are seconds where their name ends in `_s`, metres in `_m`, and so on; a site file's `[rules.NAME]` changes any. In the
sentences, what stands in braces is filled in with the figures of the moment; the steps to check stand with each sentence in
the rule's file.

| rule | severity | at | figures | explained by |
|---|---|---|---|---|"""


def rules_page() -> str:
    """The page, whole."""
    rules = sorted(RULES, key=lambda rule: rule.name)
    return "\n".join([_HEAD, *map(_row, rules), *map(_section, rules)]) + "\n"


def _row(rule: type[Rule[Any]]) -> str:
    figures = rule.Figures()
    said = ", ".join(f"{name} {getattr(figures, name):g}" for name in figures.__struct_fields__)
    at = "both" if len(rule.roles) == 2 else rule.roles[0]
    explanations = (*EXPLAINED_BY.get(rule.name, ()), *ALREADY_TOLD_BY.get(rule.name, ()))
    reasons = "; ".join(map(_reason, explanations)) or "–"
    return f"| [`{rule.name}`](#{rule.name}) | {rule.severity} | {at} | {said} | {reasons} |"


def _reason(explanation: Explanation) -> str:
    """Who explains, and how far that reaches: only these causes, by those of its own, how soon and for how long."""
    limits = [
        *(["only " + _causes(explanation.only)] if explanation.only is not None else []),
        *(["not " + _causes(explanation.but)] if explanation.but else []),
        *(["by " + _causes(explanation.by)] if explanation.by is not None else []),
        *(["on the same stream"] if explanation.same_line else []),
        *([f"what begins within {explanation.within_s:g} s"] if explanation.within_s < math.inf else []),
        *([f"for {explanation.for_s:g} s"] if explanation.for_s < math.inf else []),
        *([f"and {explanation.hold_s:g} s after"] if explanation.hold_s != HOLD_S else []),
    ]
    return f"`{explanation.rule}`" + (f" ({', '.join(limits)})" if limits else "")


def _causes(causes: frozenset[str]) -> str:
    return " ".join(f"`{cause}`" for cause in sorted(causes))


def _section(rule: type[Rule[Any]]) -> str:
    module = sys.modules[rule.__module__]
    about = (module.__doc__ or "").strip().partition("): ")[2]
    file = rule.__module__.rpartition(".")[2] + ".py"
    sentences = "\n".join(f"| `{cause}` | {advice.line} |" for cause, advice in rule.causes.items())
    return f"\n## {rule.name}\n\n[{file}](book/{file}): {about}\n\n| cause | what a person reads |\n|---|---|\n{sentences}"
