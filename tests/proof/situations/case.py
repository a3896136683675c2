"""What a situation is, what may be said in it, and the judgement of what was said."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

from witnesspost.rules.alert import Change

from tests.proof.situations.shift import Shift

Group = Literal["practice", "blunder", "doubt"]
Told = tuple[dict[str, Any], Shift, float]
"""A site file's table, the bytes and facts of the shift, and the `t` up to which it goes."""

BASE_CAUSES = frozenset(
    (
        *("orthometric-as-ellipsoidal", "geoid-applied-twice", "antenna-height-missing", "antenna-height-doubled"),
        *("slant-as-vertical", "feet-as-metres", "metres-as-feet", "survey-foot", "digit-slip", "frame-shift"),
        *("epoch-shift", "other-control-point", "sign-or-order", "other-zone", "rounded", "autonomous-base"),
    )
)
"""Causes that say that the base's coordinate was typed wrongly (the contract's section 6, without the rover's own)."""


class Expect(NamedTuple):
    """A change that must come: of `rule`, with one of `causes` first, between `after` and `by`, as a root where `root`.

    `severity` "" is any. `once` forbids a second alert of the rule in the whole situation.
    """

    rule: str
    causes: tuple[str, ...]
    severity: str = ""
    after: float = 0.0
    by: float = math.inf
    change: str = "raised"
    root: bool = True
    once: bool = True


class Allow(NamedTuple):
    """A change that may come: `cause` "*" is any, `severity` is the worst that it may have."""

    rule: str
    cause: str = "*"
    severity: str = "note"


class Situation(NamedTuple):
    """One situation. `right_base`: the broadcast coordinate is the project's, so that nobody may blame it."""

    name: str
    region: str
    group: Group
    make: Callable[[], Told]
    expect: tuple[Expect, ...] = ()
    allow: tuple[Allow, ...] = ()
    right_base: bool = False


class Book:
    """A module's situations in their order."""

    def __init__(self, group: Group):
        self.group = group
        self.situations: list[Situation] = []

    def add(
        self,
        name: str,
        region: str,
        make: Callable[[], Told],
        *expect: Expect,
        allow: Sequence[Allow] = (),
        right_base: bool = False,
        group: Group | None = None,
    ) -> None:
        """One more situation; `group` where it is not the module's."""
        self.situations.append(Situation(name, region, group or self.group, make, expect, tuple(allow), right_base))

    def __call__(
        self,
        name: str,
        region: str,
        *expect: Expect,
        allow: Sequence[Allow] = (),
        right_base: bool = False,
        group: Group | None = None,
    ) -> Callable[[Callable[[], Told]], Callable[[], Told]]:
        """The same as a decorator."""

        def decorate(make: Callable[[], Told]) -> Callable[[], Told]:
            self.add(name, region, make, *expect, allow=allow, right_base=right_base, group=group)
            return make

        return decorate


def stop(rule: str, *causes: str, after: float = 0.0, by: float = math.inf, **other: Any) -> Expect:
    """A stop alert that must be raised."""
    return Expect(rule, causes, "stop", after, by, **other)


def check(rule: str, *causes: str, after: float = 0.0, by: float = math.inf, **other: Any) -> Expect:
    """A check alert that must be raised."""
    return Expect(rule, causes, "check", after, by, **other)


def note(rule: str, *causes: str, after: float = 0.0, by: float = math.inf, **other: Any) -> Expect:
    """A note that must be raised."""
    return Expect(rule, causes, "note", after, by, **other)


_WORSE = ("note", "check", "stop")


def faults(situation: Situation, changes: Sequence[Change]) -> list[str]:
    """What is not right about these changes, one line each; nothing where all is right."""
    said = [c for c in changes if c.change in ("raised", "cause")]
    found: list[str] = []
    for wanted in situation.expect:
        if not any(_meets(wanted, change) for change in said):
            found.append(f"missing {wanted.rule}: {' or '.join(wanted.causes)}{_window(wanted)}")
        numbers = {c.alert for c in said if c.rule == wanted.rule and c.because_of is None}
        if wanted.once and len(numbers) > 1:
            found.append(f"{wanted.rule} was raised {len(numbers)} times")
    for change in said:
        where = f"{change.rule}: {change.cause} ({change.severity}) at {change.t:.1f}"
        if situation.right_base and change.rule in ("base-datum", "control-check"):
            blamed = [c.cause for c in change.causes if set(c.cause.split("+")) & BASE_CAUSES]
            if blamed:
                found.append(f"blames a right base: {where}, {', '.join(blamed)}")
        if change.because_of is not None and situation.group != "practice":
            continue
        if not any(_may(wanted, change) for wanted in situation.expect) and not any(
            _allows(a, change) for a in situation.allow
        ):
            found.append(f"false {change.change} {where}")
    return found


_CORRECTS = re.compile(r"\b(type|enter|give|correct|set|change)\b[^.:]*\bbase\b", re.IGNORECASE)


def word_faults(situation: Situation, change: Change, say: str, steps: Sequence[str]) -> list[str]:
    """What is not right about the words of a coordinate's alert: too sure, or an order to correct a base that is right."""
    found = []
    if len(change.causes) > 1 and not re.search(r"\bmay\b", say):
        found.append(f"sure of one among {len(change.causes)} causes: {say}")
    if situation.group == "doubt" and " is one slip in typing" in say:
        found.append(f"sure where nobody can be: {say}")
    if situation.right_base:
        found += [f"has a right base corrected: {step}" for step in steps if _CORRECTS.search(step)]
    return found


def _meets(wanted: Expect, change: Change) -> bool:
    return (
        change.rule == wanted.rule
        and change.change == wanted.change
        and change.cause in wanted.causes
        and wanted.severity in ("", change.severity)
        and wanted.after - 1e-6 <= change.t <= wanted.by + 1e-6
        and (change.because_of is None or not wanted.root)
    )


def _may(wanted: Expect, change: Change) -> bool:
    """True if a change is one that the expectation speaks of, whenever it comes."""
    return change.rule == wanted.rule and change.cause in wanted.causes and wanted.severity in ("", change.severity)


def _allows(allowed: Allow, change: Change) -> bool:
    return (
        change.rule == allowed.rule
        and allowed.cause in ("*", change.cause)
        and _WORSE.index(change.severity) <= _WORSE.index(allowed.severity)
    )


def _window(wanted: Expect) -> str:
    parts = [wanted.change if wanted.change != "raised" else "", wanted.severity]
    parts.append(f"from {wanted.after:g}" if wanted.after else "")
    parts.append(f"by {wanted.by:g}" if math.isfinite(wanted.by) else "")
    said = " ".join(part for part in parts if part)
    return f" ({said})" if said else ""
