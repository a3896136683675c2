"""Which rule explains which: one incident, one sound. The only place that knows.

A consequence is recorded with `because_of` and makes no noise while what explains it stands, and for `HOLD_S` after.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any

from witnesspost.rules.engine.rule import Rule

EXPLAINED_BY: dict[str, tuple[str, ...]] = {
    "corrections-stopped": ("wrong-channel", "base-moved"),
    "corrections-late": ("corrections-stopped", "wrong-channel", "link-overload", "base-moved"),
    "fix-lost": ("corrections-stopped", "wrong-channel", "corrections-late", "base-moved", "message-set"),
    "message-set": ("corrections-stopped", "wrong-channel"),
    "sky": ("fix-lost",),
    "antenna-mismatch": ("wrong-channel", "base-moved"),
    "link-overload": ("wrong-channel",),
    "base-datum": ("base-moved",),
    "control-check": ("base-datum", "base-moved", "wrong-channel"),
    "wrong-channel": ("base-moved",),
}

HOLD_S = 5.0
HOLD_LONGER_S = {
    "fix-lost": 30.0,  # the rover is fixing again
    "corrections-late": 10.0,  # the ages of before go on for a moment
}


# A reason that explains only some causes of its consequence: another base on the channel takes no cable out.
ONLY_CAUSES: dict[tuple[str, str], frozenset[str]] = {
    ("corrections-stopped", "wrong-channel"): frozenset({"another-base", "weak-link", "line-noise"}),
}

# A consequence that only some causes of its reason explain: without GLONASS's biases a rover fixes all the same.
ONLY_BY: dict[tuple[str, str], frozenset[str]] = {
    ("fix-lost", "message-set"): frozenset({"no-station-position", "single-frequency"}),
}


def reasons(rule: Rule[Any]) -> tuple[str, ...]:
    """The rules that explain this one, the first that stands wins; the crew's own rules bring their own."""
    own: tuple[str, ...] | None = getattr(rule, "explained_by", None)
    return EXPLAINED_BY.get(rule.name, ()) if own is None else own


def explained_by(
    rule: Rule[Any], cause: str, standing: Mapping[str, Set[str]], stood_until: Mapping[str, float], t: float
) -> str | None:
    """The rule that explains an alert of `rule` by `cause` raised at `t`, or None: then it is a root and sounds.

    `standing` has the causes of the alerts that stand by their rule, `stood_until` when the last of a rule's ended.
    """
    hold_s = HOLD_LONGER_S.get(rule.name, HOLD_S)
    for reason in reasons(rule):
        if cause not in ONLY_CAUSES.get((rule.name, reason), (cause,)):
            continue
        only_by = ONLY_BY.get((rule.name, reason))
        if only_by is not None:
            if not only_by.isdisjoint(standing.get(reason, ())):
                return reason
        elif reason in standing or t - stood_until.get(reason, -1e9) <= hold_s:
            return reason
    return None


def roots_first(rules: list[Rule[Any]]) -> list[Rule[Any]]:
    """The rules in an order in which each comes after all that explain it."""
    by_name = {rule.name: rule for rule in rules}
    ordered: list[Rule[Any]] = []

    def place(rule: Rule[Any], above: tuple[str, ...]) -> None:
        if rule in ordered or rule.name in above:
            return
        for reason in reasons(rule):
            if reason in by_name:
                place(by_name[reason], (*above, rule.name))
        ordered.append(rule)

    for rule in rules:
        place(rule, ())
    return ordered
