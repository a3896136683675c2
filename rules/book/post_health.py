"""post-health (check): the post itself is in trouble, and the log with it.

When: under 10 % or under a day of disk (`disk-low`); 80 °C (`hot`); the supply under its voltage (`low-voltage`); a reader
that lost bytes (`bytes-lost`); a log that cannot be written (`log-failed`); a rule that threw and is off for the run
(`rule-failed`); bytes that made the program throw that reads them (`reading-failed`); a part of the service beside the
watch that threw or hung (`companion-failed`); a light or a sound that no longer answers (`output-failed`); a receiver's
time that jumps against the post's own clock (`clock-stepped`). A step of the system's clock is harmless: nothing here runs
on it.

A receiver's time has jumped when three of its times running agree with each other, and differ by over 2 s from what went
before: a leap second (1 s) and a sentence that waited on the line are no jump, and neither is the time of a receiver that
has no position yet. Source: 80 °C is where small boards begin to slow down; this and the others are common practice, no
source.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from typing import Any

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import CompanionFailed, Fact, Health, OutputFailed, ReadingFailed, RuleFailed, Utc

_EVENT_S = 1.0  # what is past in an instant is reported for this long; the off-delay holds it for people to see


class HealthFigures(Delays, kw_only=True):
    """Shares, hours, °C and seconds, each with its deadband."""

    off_delay_s: float = 60.0
    disk_free_fraction: float = 0.10
    disk_left_h: float = 24.0
    hot_c: float = 80.0
    hot_deadband_c: float = 5.0
    step_s: float = 2.0
    step_agrees_s: float = 0.5


class PostHealth(Rule[HealthFigures]):
    """The post's own health, as its readings say it; what befalls in an instant is told for a moment."""

    name = "post-health"
    severity = "check"
    sees = (Health, RuleFailed, ReadingFailed, CompanionFailed, OutputFailed, Utc)
    causes = {
        "disk-low": Advice(
            "The post's disk is filling: {disk_free_percent} % free, {disk_left_h} h left.",
            ("Copy the logs to the office, then remove old ones from the post.", "Put in a larger card before tomorrow."),
        ),
        "hot": Advice(
            "The post is at {temperature_c} °C.",
            ("Put it in the shade, where air can reach it.", "Does its fan turn, if there is one?"),
        ),
        "low-voltage": Advice(
            "The post's supply voltage is too low: it may stop at any moment.",
            ("Change or charge its battery.", "Use a short, thick supply cable with clean plugs."),
        ),
        "bytes-lost": Advice(
            "The post could not keep up: {lost_bytes} bytes are lost, and the log says where.",
            (
                "Does another program use one of the post's ports? Only the post may read them.",
                "Tell the office: the log has a gap.",
            ),
        ),
        "log-failed": Advice(
            "The log cannot be written: the rules go on, but nothing is being recorded.",
            (
                "Is the card full? Remove old logs.",
                "Is the card seated well? Switch the post off properly, reseat the card, start again.",
                "If this lasts, put in another card.",
            ),
        ),
        "rule-failed": Advice(
            "The rule {rule} failed and is off until the next start; all else goes on.",
            ("Watch yourself for what {rule} would have told you.", "Send the log to whoever maintains the post: {error}"),
        ),
        "reading-failed": Advice(
            "Some of what came on {stream} could not be read, through an error in the program. All bytes are in the log.",
            (
                "Go on: what came before and after it was read.",
                "Send the log to whoever maintains the post: {error}",
            ),
        ),
        "companion-failed": Advice(
            "A part of the post failed and is being restarted: {companion}. Bytes are still logged, and the rules go on.",
            (
                "Does it fail again within minutes? Switch the post off and on when no point is being stored.",
                "Send the log to whoever maintains the post: {error}",
            ),
        ),
        "output-failed": Advice(
            "The {output} does not work any more: {error}.",
            (
                "Rely on the other lights and sounds, and on witnesspost status.",
                "Check its plug and wires, then restart the post.",
            ),
        ),
        "clock-stepped": Advice(
            "The receiver's time jumped by {step_s} s.",
            (
                "Has the receiver just started? Then it has found the right time: go on.",
                "If not, note the time: around it, times in the field book and in the log may not agree.",
            ),
        ),
    }
    Figures = HealthFigures

    def begin(self) -> None:
        self._known = Health(t=0.0, stream="")
        self._free = Bound(below=self.figures.disk_free_fraction, deadband=0.01)
        self._left = Bound(below=self.figures.disk_left_h, deadband=2.0)
        self._hot = Bound(above=self.figures.hot_c, deadband=self.figures.hot_deadband_c)
        self._since: dict[str, float] = {}
        self._lost: tuple[float, int] | None = None
        self._failed: dict[str, RuleFailed] = {}
        self._unread: dict[str, ReadingFailed] = {}
        self._companions: dict[str, CompanionFailed] = {}
        self._outputs: dict[str, OutputFailed] = {}
        self._clocks: dict[str, _Clock] = {}

    def see(self, fact: Fact) -> bool | None:
        if isinstance(fact, Utc):
            # RMC says whether its time is valid, ZDA does not: it counts once a position vouches for it.
            fix = self.scene.fixes.get(fact.stream)
            if fix.quality > 0 if fix is not None else fact.source == "RMC":
                clock = self._clocks.get(fact.stream)
                if clock is None:
                    clock = self._clocks[fact.stream] = _Clock(self.figures)
                clock.put(fact)
                return clock.stepped is None
            return True
        if isinstance(fact, RuleFailed):
            self._failed.setdefault(fact.rule, fact)
        elif isinstance(fact, ReadingFailed):
            self._unread[fact.stream] = fact
        elif isinstance(fact, CompanionFailed):
            self._companions[fact.companion] = fact
        elif isinstance(fact, OutputFailed):
            if fact.error is None:
                self._outputs.pop(fact.output, None)
            else:
                self._outputs.setdefault(fact.output, fact)
        elif isinstance(fact, Health):
            self._health(fact)
        return None

    def due(self) -> float:
        """Always while something is out of order, or was a moment ago; never while all is well."""
        lasting = self._since or self._failed or any(b.since is not None for b in (self._free, self._left, self._hot))
        happened = self._lost is not None or any(clock.stepped is not None for clock in self._clocks.values())
        return 0.0 if lasting or happened or self._unread or self._companions or self._outputs else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        known = self._known
        if self._free.since is not None or self._left.since is not None:
            disk = min(bound.since for bound in (self._free, self._left) if bound.since is not None)
            fraction = known.disk_free_fraction
            percent = round(100 * fraction, 1) if fraction is not None else None
            hours = round(known.disk_left_h, 1) if known.disk_left_h is not None else None
            yield _finding("disk-low", disk, {"disk_free_percent": percent, "disk_left_h": hours})
        if self._hot.since is not None:
            yield _finding("hot", self._hot.since, {"temperature_c": known.temperature_c, "limit_c": self.figures.hot_c})
        if "low-voltage" in self._since:
            yield _finding("low-voltage", self._since["low-voltage"], {})
        if "log-failed" in self._since:
            yield _finding("log-failed", self._since["log-failed"], {"read_only": known.read_only})
        if self._lost is not None:
            if t - self._lost[0] <= _EVENT_S:
                evidence = {"lost_bytes": self._lost[1], "lost_bytes_in_all": known.lost_bytes}
                yield _finding("bytes-lost", self._lost[0], evidence)
            else:
                self._lost = None
        for stream, clock in self._clocks.items():
            if clock.stepped is not None:
                stepped_t, step_s = clock.stepped
                if t - stepped_t <= _EVENT_S:
                    yield _finding("clock-stepped", stepped_t, {"step_s": round(step_s, 2)}, stream)
                else:
                    clock.stepped = None
        for failed in self._failed.values():
            yield _finding("rule-failed", failed.t, {"rule": failed.rule, "error": failed.error}, key=failed.rule)
        for stream, unread in [*self._unread.items()]:
            if t - unread.t <= _EVENT_S:
                yield _finding("reading-failed", unread.t, {"error": unread.error}, stream)
            else:
                del self._unread[stream]
        for companion, fault in self._companions.items():
            if t - fault.t <= _EVENT_S:
                yield _finding("companion-failed", fault.t, {"companion": companion, "error": fault.error}, key=companion)
        for output, dead in self._outputs.items():
            yield _finding("output-failed", dead.t, {"output": output, "error": dead.error}, key=output)

    def _health(self, said: Health) -> None:
        known, t = self._known, said.t
        if said.lost_bytes is not None and said.lost_bytes > (known.lost_bytes or 0):
            self._lost = (t, said.lost_bytes - (known.lost_bytes or 0))
        for name in Health.__struct_fields__:
            if (value := getattr(said, name)) is not None:
                setattr(known, name, value)
        self._free.put(t, known.disk_free_fraction)
        self._left.put(t, known.disk_left_h)
        self._hot.put(t, known.temperature_c)
        for cause, holds in (
            ("low-voltage", known.under_voltage),
            ("log-failed", known.log_failed or known.read_only),
        ):
            if not holds:
                self._since.pop(cause, None)
            else:
                self._since.setdefault(cause, t)


class _Clock:
    """One receiver's time against `t`: the difference is steady but for drift, until it jumps."""

    def __init__(self, figures: HealthFigures):
        self._figures = figures
        self._first: dt.datetime | None = None
        self._usual: float | None = None
        self._odd: list[float] = []
        self.stepped: tuple[float, float] | None = None

    def put(self, said: Utc) -> None:
        utc = said.utc
        if self._first is None:
            self._first = utc
        ahead = (utc - self._first).total_seconds() - said.t
        if self._usual is None or abs(ahead - self._usual) <= self._figures.step_s:
            self._usual, self._odd = ahead, []
            return
        if self._odd and abs(ahead - self._odd[-1]) > self._figures.step_agrees_s:
            self._odd = []
        self._odd.append(ahead)
        if len(self._odd) == 3:
            self.stepped = (said.t, ahead - self._usual)
            self._usual, self._odd = ahead, []


def _finding(cause: str, since: float, evidence: dict[str, Any], stream: str = "", key: str = "") -> Finding:
    where = f"{cause} {key or stream}".strip()
    return Finding(causes=[Cause(cause=cause)], stream=stream, key=where, since=since, evidence=evidence)
