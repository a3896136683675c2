"""A declared check-in: from "I stand on KQ-2 now" until it has passed, failed or been given up."""

from __future__ import annotations

from typing import Any, Literal

from witnesspost.rules.facts import CheckIn
from witnesspost.rules.finding import Finding

WITHIN_S = 60.0  # a person says it shortly before standing still, or while: common practice, no source

Hindrance = Literal["no-position", "not-fixed", "leaning", "walking", "gap"]
"""Why the rover's positions do not add up to a check."""

Outcome = Literal["passed", "failed", "declined", "given-up", "unknown-point", "elsewhere"]
"""How it ended: `declined` where the positions have too few decimals, `given-up` where nobody stood within the time,
`elsewhere` where the rover stood so far from the point that it can hardly be the one."""


class DeclaredCheck:
    """What control-check knows of the check-in that a person has asked for; the last one stays until the next.

    `stood_s` of `needed_s` are averaged. `measured` is the detail of the event that ended it, `finding` says why it failed.
    """

    def __init__(self, said: CheckIn, needed_s: float):
        self.point, self.by, self.t = said.point, said.by, said.t
        self.needed_s = needed_s
        self.stood_s = 0.0
        self.hindrance: Hindrance | None = None
        self.outcome: Outcome | None = None
        self.ended_t: float | None = None
        self.measured: dict[str, Any] = {}
        self.finding: Finding | None = None

    def is_of(self, since: float) -> bool:
        """True if a stand that began then is the one: the first after it was said, or the one in which it was."""
        if self.outcome == "elsewhere":
            return False
        return since - WITHIN_S <= self.t and (self.ended_t is None or since <= self.ended_t)

    def end(self, t: float, outcome: Outcome, measured: dict[str, Any] | None = None, finding: Finding | None = None) -> None:
        """It has ended."""
        self.ended_t, self.outcome, self.measured, self.finding = t, outcome, measured or {}, finding
