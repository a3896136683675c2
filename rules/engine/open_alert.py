"""One alert while it is open: from the first sign of its condition until it is cleared."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from witnesspost.rules.alert import ChangeKind, Held, Sentence
from witnesspost.rules.engine.consequences import Trouble, graver
from witnesspost.rules.facts import Acknowledge
from witnesspost.rules.finding import Finding
from witnesspost.rules.site.model import Role, Severity

CAUSE_S = 3.0  # a first cause that has been another for so long is told
AGAIN = 3  # the times within `AGAIN_S` from which on it says that it comes again and again: common practice, no source
AGAIN_S = 600.0
_LONGER = 1.5  # than the longest before: then what comes and goes is worse than it was (common practice, no source)


class Coming:
    """One alert that has come: from what cause, when, when its condition ended, and how often, with those `before` it.

    `quiet_s` is for how long it makes no sound, since it does no more than those before; 0.0 where it sounds at once.
    """

    __slots__ = ("cause", "ended_t", "over_s", "quiet_s", "t", "times")

    def __init__(self, cause: str, t: float, before: list[Coming], severity: Severity):
        self.cause, self.t, self.ended_t = cause, t, t
        alike = [one for one in before if one.cause == cause]
        self.times = len(alike) + 1
        self.over_s = t - alike[0].t if alike else 0.0
        longest_s = max((one.ended_t - one.t for one in alike), default=0.0)
        self.quiet_s = _LONGER * longest_s if severity == "check" and self.times >= AGAIN else 0.0


class OpenAlert:
    """What is wrong, and how far a person and time have taken it.

    `finding` is the latest one with the cause that was told: its figures are of this moment. `severity` is the gravest of
    this alert's life: what became a stop ends as one. `number` is 0 until it is raised. `active`: raised, and its condition
    holds. `since` is when the condition began.
    """

    def __init__(self, rule: str, role: Role, finding: Finding, severity: Severity, since: float):
        self.rule = rule
        self.role = role
        self.key = finding.key
        self.finding = finding
        self.severity = severity
        self.since = since
        self.number = 0
        self.raised_t: float | None = None
        self.gone_since: float | None = None
        self.held_times = 0
        self.acknowledged = False
        self.seen: Acknowledge | None = None  # by whom it was
        self.active = False
        self.because_of: str | None = None
        self.shelved = False
        self.came: Coming | None = None
        self.quiet = False  # as often before, and no longer
        self.of_run: str | None = None  # the log of an earlier run, where that had left it unseen
        self.forgotten_utc: dt.datetime | None = None  # and when it has lost its meaning
        self._another_since: float | None = None

    @property
    def cause(self) -> str:
        """The cause that was told."""
        return self.finding.causes[0].cause

    @property
    def lives(self) -> bool:
        """False once it only waits for a person: its condition has gone, and has not begun anew."""
        return self.active or self.gone_since is None

    @property
    def evidence(self) -> dict[str, Any]:
        """The figures of this moment, and how often it has come, where that is often."""
        came, evidence = self.came, self.finding.evidence
        if came is None or came.times < AGAIN or came.cause != self.cause:
            return evidence
        again = {"came_times": came.times, "came_over_s": round(came.over_s, 1)}
        return evidence | again | ({"quiet_s": round(came.quiet_s, 1)} if self.quiet else {})

    @property
    def sentence(self) -> Sentence:
        """What it says now."""
        return Sentence(
            rule=self.rule,
            cause=self.cause,
            stream=self.finding.stream,
            role=self.role,
            evidence=self.evidence,
            words=self.finding.words,
        )

    @property
    def change(self) -> ChangeKind:
        """The state that its last change brought it to."""
        return "normal" if not self.active else "acknowledged" if self.acknowledged else "raised"

    @property
    def sounds(self) -> bool:
        """True while a person should hear it: active, unseen, unexplained, unshelved, and no mere repetition."""
        return self.active and not self.acknowledged and self.because_of is None and not self.shelved and not self.quiet

    def is_longer(self, t: float) -> bool:
        """True once it has made no sound for as long as it may."""
        return self.quiet and self.came is not None and t > self.came.t + self.came.quiet_s

    def held(self, t: float) -> Held | None:
        """How it is held, where its condition has ended and it is open only so that it does not chatter."""
        if not self.active or self.gone_since is None or not self.held_times:
            return None
        return Held(t - self.gone_since, self.held_times)

    def trouble(self, over_t: float = math.inf) -> Trouble:
        """It, as far as explanations ask."""
        raised_t = math.inf if self.raised_t is None else self.raised_t
        stream = self.finding.stream
        return Trouble(self.rule, self.cause, self.severity, stream, self.since, raised_t, over_t, self.because_of)

    def follow(self, finding: Finding, severity: Severity, t: float) -> tuple[bool, bool]:
        """Its condition holds at `t`, as `finding` says: (another cause is to be told, it has become graver)."""
        self.gone_since, self.held_times = None, 0
        another = finding.causes[0].cause != self.cause
        if not another:
            self._another_since = None
        elif self._another_since is None:
            self._another_since = t
        tell = self._another_since is not None and t >= self._another_since + CAUSE_S - 1e-6
        if another and not tell:
            return False, False
        self.finding, self._another_since = finding, None
        worse = graver(severity, self.severity)
        if worse:
            self.severity = severity
        return tell, worse
