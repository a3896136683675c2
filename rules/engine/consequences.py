"""Which rule explains which: one incident, one sound. The only place that knows.

A consequence is recorded with `because_of` and makes no noise while what explains it is active, and for a while after. An
explanation reaches only what it can cause, and no longer than it can: a base that moved takes no cable out, and a radio
that is silent keeps no receiver from saying where it is. Nothing explains what is graver than itself, unless it is part of an
incident as grave: where points must not be stored any more, a crew that has been told to look must hear that, once. Nobody
explains what explains them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, NamedTuple

from witnesspost.rules.alert import GRAVITY
from witnesspost.rules.engine.rule import Rule
from witnesspost.rules.site.antenna import WRONG_UNIT
from witnesspost.rules.site.model import Severity

HOLD_S = 5.0
TOGETHER_S = 3.0
"""Ports that hang on one hub, or one cable, are lost within this (common practice, no source)."""


class Explanation(NamedTuple):
    """That `rule` can cause what it stands under in `EXPLAINED_BY`.

    `only` are the causes of the consequence that it reaches (None: any) without those of `but`, `by` its own causes that can
    do it (None: any) without those of `but_by`. The consequence must have begun at most `within_s` after it was raised, and
    is explained no longer than `for_s` after that, nor than `hold_s` after it has ended. `same_line`: both must be about one
    stream.
    """

    rule: str
    only: frozenset[str] | None = None
    but: frozenset[str] = frozenset()
    by: frozenset[str] | None = None
    but_by: frozenset[str] = frozenset()
    within_s: float = math.inf
    for_s: float = math.inf
    hold_s: float = HOLD_S
    same_line: bool = False


class Trouble(NamedTuple):
    """An alert as far as explanations ask: what, on which stream, since when (of its condition), raised, over, and why."""

    rule: str
    cause: str
    severity: Severity
    stream: str
    since: float
    raised_t: float
    over_t: float = math.inf
    because_of: str | None = None


_MOVED_S = 10.0  # a rover starts anew from a base that moved; what lasts longer is trouble of its own
_SAME_MESSAGE_S = 1.0  # two rules judge one message
_FIXING_S = 30.0  # corrections are back, and the rover is fixing again
_AGEING_S = 10.0  # the ages of before go on for a moment
_FELL = frozenset({"autonomous", "differential", "float"})  # not the receiver that says nothing
_NOT_HEARD = frozenset({"no-position"})
_COME_IN = frozenset({"lines-swapped"})  # corrections do, on another line than the site file says
_ROVERS_OWN = frozenset({"rover-pole", "leaning-pole", "mark-or-point"})

_SAME_NUMBER = Explanation("base-moved", by=frozenset({"same-number"}))  # whatever is counted is of two senders

EXPLAINED_BY: dict[str, tuple[Explanation, ...]] = {
    "corrections-stopped": (
        Explanation("wrong-channel", only=frozenset({"another-base", "weak-link", "line-noise"})),
        Explanation("base-moved", only=frozenset({"another-base", "station-messages-only"}), for_s=_MOVED_S),
    ),
    "corrections-late": (
        Explanation("corrections-stopped", but_by=_COME_IN, hold_s=_AGEING_S),
        Explanation("wrong-channel", hold_s=_AGEING_S),
        Explanation("link-overload", hold_s=_AGEING_S),
        Explanation("base-moved", for_s=_MOVED_S),
        _SAME_NUMBER,
    ),
    "fix-lost": (
        Explanation("corrections-stopped", only=_FELL, but_by=_COME_IN, hold_s=_FIXING_S),
        Explanation("corrections-stopped", by=frozenset({"port-lost"}), same_line=True),
        Explanation("corrections-stopped", only=_NOT_HEARD, by=frozenset({"ports-lost"}), within_s=TOGETHER_S),
        Explanation("wrong-channel", only=_FELL, hold_s=_FIXING_S),
        Explanation("corrections-late", only=_FELL, hold_s=_FIXING_S),
        Explanation("base-moved", only=_FELL, for_s=_MOVED_S),
        Explanation("base-moved", only=_FELL, by=frozenset({"same-number"})),
        # Without GLONASS's biases a rover fixes all the same.
        Explanation("message-set", only=_FELL, by=frozenset({"no-station-position", "single-frequency"}), hold_s=_FIXING_S),
    ),
    "message-set": (Explanation("corrections-stopped"), Explanation("wrong-channel"), _SAME_NUMBER),
    # A sky that closes costs the fix first, and is judged half a minute later.
    "sky": (Explanation("fix-lost", within_s=60.0),),
    "antenna-mismatch": (
        Explanation("wrong-channel"),
        Explanation("base-datum", only=WRONG_UNIT, by=WRONG_UNIT),  # told with the coordinate it spoils
        Explanation("base-moved", for_s=_MOVED_S),
        _SAME_NUMBER,
    ),
    "link-overload": (Explanation("wrong-channel"), _SAME_NUMBER),
    "base-datum": (Explanation("base-moved", within_s=_MOVED_S), _SAME_NUMBER),
    "control-check": (
        Explanation("base-datum", but=_ROVERS_OWN),
        Explanation("base-moved", but=_ROVERS_OWN, for_s=_MOVED_S),
        Explanation("base-moved", but=_ROVERS_OWN, by=frozenset({"same-number"})),
        Explanation("wrong-channel", but=_ROVERS_OWN),
    ),
    "wrong-channel": (Explanation("base-moved", for_s=_MOVED_S),),
}

ALREADY_TOLD_BY: dict[str, tuple[Explanation, ...]] = {
    # A base back at once under another number: its silence has been told with that number, before three seconds of it are over.
    "wrong-channel": (Explanation("corrections-stopped", by=frozenset({"another-base"}), same_line=True),),
    # It leaves the word to base-datum, where that knows why the coordinate is another.
    "base-moved": (Explanation("base-datum", within_s=_SAME_MESSAGE_S),),
}
"""What is the same incident seen later: a rule that is asked afterwards may have told it first. No order follows from these."""

LONGEST_HOLD_S = max(explanation.hold_s for row in EXPLAINED_BY.values() for explanation in row)


def graver(one: Severity, other: Severity) -> bool:
    """True if `one` is graver than `other`."""
    return GRAVITY[one] > GRAVITY[other]


def explanations(rule: Rule[Any]) -> tuple[Explanation, ...]:
    """What can explain this rule, the first that does wins; the crew's own rules bring their own."""
    return (*_reasons(rule), *ALREADY_TOLD_BY.get(rule.name, ()))


def explained_by(candidates: Iterable[Explanation], trouble: Trouble, others: Iterable[Trouble], t: float) -> str | None:
    """The rule among `others` (active, or over a short while ago) that explains `trouble` at `t`; None: it is a root."""
    others = [other for other in others if other.because_of != trouble.rule]
    grave = {other.rule for other in others if not graver(trouble.severity, other.severity)}
    others = [other for other in others if not graver(trouble.severity, other.severity) or other.because_of in grave]
    for explanation in candidates:
        if any(_explains(explanation, other, trouble, t) for other in others):
            return explanation.rule
    return None


def _explains(explanation: Explanation, other: Trouble, trouble: Trouble, t: float) -> bool:
    return (
        other.rule == explanation.rule
        and (explanation.only is None or trouble.cause in explanation.only)
        and trouble.cause not in explanation.but
        and (explanation.by is None or other.cause in explanation.by)
        and other.cause not in explanation.but_by
        and (not explanation.same_line or other.stream == trouble.stream)
        and trouble.since <= other.raised_t + explanation.within_s
        and t < other.raised_t + explanation.for_s
        and t <= other.over_t + explanation.hold_s
    )


def roots_first(rules: list[Rule[Any]]) -> list[Rule[Any]]:
    """The rules in an order in which each comes after all that explain it."""
    by_name = {rule.name: rule for rule in rules}
    ordered: list[Rule[Any]] = []

    def put_after_its_reasons(rule: Rule[Any], above: tuple[str, ...]) -> None:
        if rule in ordered or rule.name in above:
            return
        for explanation in _reasons(rule):
            if explanation.rule in by_name:
                put_after_its_reasons(by_name[explanation.rule], (*above, rule.name))
        ordered.append(rule)

    for rule in rules:
        put_after_its_reasons(rule, ())
    return ordered


def _reasons(rule: Rule[Any]) -> tuple[Explanation, ...]:
    own: tuple[str, ...] | None = getattr(rule, "explained_by", None)
    return EXPLAINED_BY.get(rule.name, ()) if own is None else tuple(map(Explanation, own))
