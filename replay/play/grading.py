"""Grading: what the rules said against what they ought to have said.

Each truth line takes the first change that fits it: the rule, the word, within its time, with the right cause first. A
change that fits but for its cause, its explanation or its time is a miss of its own kind. Every raised alert that no truth
line took, and that no other alert explains (`because_of`), is false; an open alert that has become worse is not a new one.
Chattering and a flood of alerts fail a run as well.
"""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable
from typing import Literal

import msgspec
from msgspec import UNSET, Struct
from witnesspost.replay.play.tape import Truth
from witnesspost.rules.alert import GRAVITY, Change
from witnesspost.rules.engine.nuisance import chattering, in_flood
from witnesspost.rules.site.model import Severity

_EPSILON_S = 1e-3
"""Tapes and logs hold `t` to the millisecond."""

Fate = Literal["right", "wrong cause", "wrong explanation", "wrong severity", "early", "late", "missed"]


class Verdict(Struct, kw_only=True):
    """A truth line, what became of it, and the change that it was compared with (None: there was none)."""

    truth: Truth
    fate: Fate
    change: Change | None = None

    def in_words(self) -> str:
        """One line for a person."""
        truth, change = self.truth, self.change
        cause = "" if not truth.causes else f" ({' or '.join(truth.causes)})"
        want = f"{truth.rule}{cause} {truth.expect} in {truth.t:.1f}–{truth.t + truth.within_s:.1f} s"
        if change is None:
            return f"{self.fate}: {want}"
        because = f", because of {change.because_of}" if change.because_of else ""
        return f"{self.fate}: {want}; was {change.change} as a {change.severity} at {change.t:.1f} s ({change.cause}{because})"


class Grade(Struct, kw_only=True):
    """The verdicts in the order of the truth lines, the false alerts, and what made a nuisance of the alerts, in words."""

    verdicts: list[Verdict]
    false: list[Change]
    nuisances: list[str] = []
    alarms: int = 0
    """How many of the changes said something graver than a note, expected or not."""

    @property
    def misses(self) -> list[Verdict]:
        """The truth lines that were not met."""
        return [verdict for verdict in self.verdicts if verdict.fate != "right"]

    @property
    def passed(self) -> bool:
        """True without a miss, a false alert or a nuisance."""
        return not self.misses and not self.false and not self.nuisances

    @property
    def quiet(self) -> bool:
        """True if it passed and nothing graver than a note was said."""
        return self.passed and not self.alarms

    def in_words(self) -> str:
        """The grade for a person: a line a miss and a false alert, then the sum."""
        lines = [verdict.in_words() for verdict in self.misses]
        lines += [f"false: {change.rule} ({change.cause}) raised at {change.t:.1f} s" for change in self.false]
        lines += self.nuisances
        right = len(self.verdicts) - len(self.misses)
        word = "passed" if self.passed else "FAILED"
        lines.append(f"{word}: {right} of {len(self.verdicts)} truth lines met, {len(self.false)} false alerts")
        return "\n".join(lines)


def grade(truths: Iterable[Truth], changes: Iterable[Change]) -> Grade:
    """Compare all changes of a run with its truth lines."""
    said = list(changes)
    taken: set[int] = set()
    wanted = sorted(truths, key=lambda truth: (truth.t, truth.rule))
    verdicts: dict[int, Verdict] = {}
    # A loose truth line must not take the change that a strict one needs: what is met goes first, and of that the strict.
    strict_first = sorted(enumerate(wanted), key=lambda item: not item[1].causes)
    for fits in (_fits, _fits_but_cause):
        for index, truth in strict_first:
            if index in verdicts:
                continue
            found = next((i for i, change in enumerate(said) if i not in taken and fits(truth, change)), None)
            if found is not None:
                taken.add(found)
                verdicts[index] = Verdict(truth=truth, fate=_fate(truth, said[found]), change=said[found])
    for index, truth in enumerate(wanted):
        if index not in verdicts:
            verdicts[index] = _out_of_time(truth, said, taken)
    worse = _worse(said)
    false = [
        change
        for i, change in enumerate(said)
        if i not in taken and i not in worse and change.change == "raised" and change.because_of is None
    ]
    nuisances = [f"chattering: {rule} sounds three times or more within a minute" for rule in chattering(said)]
    if in_flood(said):
        nuisances.append("flood: over ten alerts sound within ten minutes")
    return Grade(
        verdicts=[verdicts[index] for index in range(len(wanted))],
        false=false,
        nuisances=nuisances,
        alarms=sum(change.change == "raised" and change.severity != "note" for change in said),
    )


class Score(Struct, kw_only=True):
    """One rule over many runs."""

    expected: int = 0
    detected: int = 0
    first_cause_right: int = 0
    false: int = 0
    times_s: list[float] = []

    @property
    def median_s(self) -> float | None:
        """The median time from the fault to its alert, None without any."""
        return statistics.median(self.times_s) if self.times_s else None

    @property
    def worst_s(self) -> float | None:
        """The longest time from a fault to its alert, None without any."""
        return max(self.times_s, default=None)


class Tally(Struct, kw_only=True):
    """The sum of many grades: scores by rule, hours played, and what was said first of each true cause.

    `confusion` counts (rule, true cause, said): said is the first cause, "late", or "nothing" for an alert that did not
    come.
    """

    hours: float = 0.0
    runs: int = 0
    failed: list[str] = []
    scores: dict[str, Score] = {}
    confusion: Counter[tuple[str, str, str]] = msgspec.field(default_factory=Counter)

    def add(self, name: str, graded: Grade, duration_s: float) -> None:
        """Take in the grade of one run."""
        self.runs += 1
        self.hours += duration_s / 3600
        if not graded.passed:
            self.failed.append(name)
        for verdict in graded.verdicts:
            truth, change = verdict.truth, verdict.change
            if truth.expect != "raised":
                continue
            score = self.scores.setdefault(truth.rule, Score())
            score.expected += 1
            said = "nothing"
            if change is not None and verdict.fate in ("right", "wrong cause", "wrong explanation", "wrong severity"):
                score.detected += 1
                score.first_cause_right += not truth.causes or change.cause in truth.causes
                score.times_s.append(change.t - truth.t)
                said = change.cause
            elif change is not None:
                said = verdict.fate
            self.confusion[truth.rule, " or ".join(truth.causes) or "any", said] += 1
        for change in graded.false:
            self.scores.setdefault(change.rule, Score()).false += 1

    def false_a_day(self, rule: str) -> float:
        """False alerts of a rule in 24 h of what was played."""
        return self.scores[rule].false * 24 / self.hours if self.hours else 0.0


def _worse(said: list[Change]) -> set[int]:
    """Which of the changes say that an alert which stands has become worse."""
    open_alerts: dict[int, Severity] = {}
    worse = set()
    for index, change in enumerate(said):
        if change.change == "raised":
            if GRAVITY[change.severity] > GRAVITY[open_alerts.get(change.alert, "stop")]:
                worse.add(index)
            open_alerts[change.alert] = change.severity
        elif change.change in ("normal", "cleared"):
            open_alerts.pop(change.alert, None)
    return worse


def _says(truth: Truth, change: Change) -> bool:
    ended = truth.expect == "cleared" and change.change in ("normal", "cleared")
    return change.rule == truth.rule and (change.change == truth.expect or ended)


def _in_time(truth: Truth, change: Change) -> bool:
    return truth.t - _EPSILON_S <= change.t <= truth.t + truth.within_s + _EPSILON_S


def _explained(truth: Truth, change: Change) -> bool:
    return truth.because_of is UNSET or change.because_of == truth.because_of


def _grave(truth: Truth, change: Change) -> bool:
    return truth.severity is UNSET or change.severity == truth.severity


def _fits(truth: Truth, change: Change) -> bool:
    right = (not truth.causes or change.cause in truth.causes) and _grave(truth, change)
    return _says(truth, change) and _in_time(truth, change) and right and _explained(truth, change)


def _fits_but_cause(truth: Truth, change: Change) -> bool:
    return _says(truth, change) and _in_time(truth, change)


def _fate(truth: Truth, change: Change) -> Fate:
    if truth.causes and change.cause not in truth.causes:
        return "wrong cause"
    if not _grave(truth, change):
        return "wrong severity"
    return "right" if _explained(truth, change) else "wrong explanation"


def _out_of_time(truth: Truth, said: list[Change], taken: set[int]) -> Verdict:
    """The verdict on a truth line that nothing met in time: the nearest change that came too early or too late."""
    near, near_s = None, math.inf
    for i, change in enumerate(said):
        if i in taken or not _says(truth, change):
            continue
        off_s = truth.t - change.t if change.t < truth.t else change.t - truth.t - truth.within_s
        if off_s < near_s:
            near, near_s = i, off_s
    # What came a minute off belongs to another story, and is judged as such.
    if near is None or near_s > 60.0:
        return Verdict(truth=truth, fate="missed")
    taken.add(near)
    return Verdict(truth=truth, fate="early" if said[near].t < truth.t else "late", change=said[near])
