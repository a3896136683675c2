"""The alerts' life, in the vocabulary of IEC 62682 / ISA-18.2 (as quoted by OPC 10000-9, section 3.1 and B.1.5).

    normal ──condition holds on_delay_s──► unacknowledged ──a person──► acknowledged
      ▲                                        │ condition gone off_delay_s   │
      └── "cleared" ◄── a person ── returned to normal (stop alerts) ◄────────┘ (acknowledged: cleared at once)

`check` and `note` alerts are cleared at once when their condition ends. While a rule that explains it stands, an alert is
recorded with `because_of` and makes no sound (`rules.engine.consequences`). A planned interruption holds back every
raise; a shelved rule is recorded and silent. No alert is raised three times within a minute, whatever the line does:
ISA-18.2 calls that chattering (a good starting criterion, as quoted in the trade press), so its off-delay stretches.

Time is an argument: `judge(t)` is called on a fixed grid by the pipeline, and nothing here reads a clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

from witnesspost.rules.alert import Change, ChangeKind, Sentence
from witnesspost.rules.engine import consequences as order
from witnesspost.rules.engine.rule import Cause, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Acknowledge, Fact, RuleFailed, Shelve
from witnesspost.rules.site.model import Severity

CHATTER_WINDOW_S = 60.0
_EPSILON_S = 1e-6

See = Callable[[Any], None]
Judge = Callable[[float], Iterable[Finding]]
TakeEvents = Callable[[], list[tuple[float, str, dict[str, Any]]]]


class Alert:
    """One alert of the run while it lives: a rule's finding, and how far a person and time have taken it."""

    def __init__(self, rule: Rule[Any], key: str, finding: Finding, since: float):
        self.rule = rule
        self.key = key
        self.finding = finding
        self.since = since
        self.number = 0
        self.raised_at: float | None = None
        self.gone_since: float | None = None
        self.acknowledged = False
        self.active = False  # raised, and its condition still holds
        self.because_of: str | None = None
        self.shelved = False

    @property
    def severity(self) -> Severity:
        """How bad it is."""
        return self.rule.severity

    @property
    def sentence(self) -> Sentence:
        """What it says now."""
        return Sentence(
            rule=self.rule.name,
            cause=self.finding.causes[0].cause,
            stream=self.finding.stream,
            role=self.rule.site.post.role,
            evidence=self.finding.evidence,
            words=self.finding.words,
        )

    @property
    def change(self) -> ChangeKind:
        """The state that its last change brought it to."""
        return "normal" if not self.active else "acknowledged" if self.acknowledged else "raised"

    @property
    def sounds(self) -> bool:
        """True while a person should hear it: it stands, unseen, unexplained and unshelved."""
        return self.active and not self.acknowledged and self.because_of is None and not self.shelved


class Engine:
    """All rules at one site, and the alerts that stand. `events` collects what rules want recorded beside alerts."""

    def __init__(self, rules: list[Rule[Any]], scene: Scene):
        self.scene = scene
        self.rules = order.roots_first(rules)
        self.events: list[tuple[float, str, dict[str, Any]]] = []
        self._alerts: dict[tuple[str, str], Alert] = {}
        self._raises: dict[tuple[str, str], list[float]] = {}
        self._stood_until: dict[str, float] = {}
        self._shelved_until: dict[str, float] = {}
        self._numbers = 0
        self._waiting: list[Change] = []
        self._listeners: dict[type[Fact], tuple[tuple[Rule[Any], See], ...]] = {}
        self._judges: list[tuple[Rule[Any], Judge, TakeEvents | None]] = []
        self._due: dict[str, float] = {}  # by rule: before this `t` it finds nothing
        self._next_due = 0.0  # no rule is due before it
        self._take_in(self.rules)

    @property
    def wanted(self) -> frozenset[type[Fact]]:
        """The kinds of facts that some rule in force reads."""
        return frozenset(self._listeners)

    def standing(self) -> list[Alert]:
        """The alerts that are raised and not cleared, worst first."""
        worst = {"stop": 0, "check": 1, "note": 2}
        raised = [alert for alert in self._alerts.values() if alert.number and (alert.active or not alert.acknowledged)]
        return sorted(raised, key=lambda a: (not a.active, worst[a.severity], a.raised_at or 0.0))

    def see(self, fact: Fact) -> None:
        """Take in one fact: the scene first, then each rule that wants its kind."""
        self.scene.see(fact)
        if isinstance(fact, Acknowledge):
            self._acknowledge(fact.t, fact.rule)
        elif isinstance(fact, Shelve):
            self._shelve(fact)
        for rule, see in self._listeners.get(type(fact), ()):
            try:
                see(fact)
                due = self._due[rule.name] = rule.due()
            except Exception as error:
                self._switch_off(rule, fact.t, error)
                continue
            if due < self._next_due:
                self._next_due = due

    def judge(self, t: float) -> list[Change]:
        """Ask every rule that may find something at `t`, and move the alerts on; the changes in their order."""
        if t < self._next_due and not self._alerts and not self._waiting:
            return []
        changes = self._waiting
        self._waiting = []
        for alert in self._alerts.values():
            if alert.shelved and t >= self._shelved_until[alert.rule.name]:
                alert.shelved = False
        alive = {name for name, _ in self._alerts}
        for rule, judge, take_events in self._judges:
            if t < self._due[rule.name] and rule.name not in alive:
                continue
            try:
                found = [*judge(t)]
                if take_events is not None:
                    self.events += take_events()
                self._due[rule.name] = rule.due()
            except Exception as error:
                self._switch_off(rule, t, error)
                continue
            if found or rule.name in alive:
                self._move_on(rule, {finding.key: finding for finding in found}, t, changes)
        self._next_due = min(self._due.values(), default=math.inf)
        return changes

    def ask_all(self) -> None:
        """What stands has changed, and some rules judge by it: each is asked at the next `judge`."""
        self._due = {rule.name: 0.0 for rule in self.rules}
        self._next_due = 0.0

    def _move_on(self, rule: Rule[Any], findings: dict[str, Finding], t: float, changes: list[Change]) -> None:
        for key, finding in findings.items():
            alert = self._alerts.get((rule.name, key))
            if alert is None:
                since = t if finding.since is None else finding.since
                alert = self._alerts[rule.name, key] = Alert(rule, key, finding, since)
            alert.gone_since = None
            if alert.active:
                if alert.because_of and not self._explained(alert, t):
                    self._raise(alert, t, changes)  # what explained it is over, and it stands still: now it sounds
                continue
            if finding.since is not None:
                alert.since = finding.since
            elif alert.number and alert.since <= (alert.raised_at or 0.0):
                alert.since = t  # it had returned to normal, and begins anew
            alert.finding = finding
            delay = rule.figures.on_delay_s if finding.on_delay_s is None else finding.on_delay_s
            if t + _EPSILON_S >= alert.since + delay and t >= self.scene.planned_until:
                self._raise(alert, t, changes)
        for (name, key), alert in tuple(self._alerts.items()):
            if name == rule.name and key not in findings:
                self._end(alert, t, changes)

    def _raise(self, alert: Alert, t: float, changes: list[Change]) -> None:
        if not alert.number:
            self._numbers += 1
            alert.number = self._numbers
        alert.raised_at, alert.active, alert.acknowledged = t, True, False
        alert.because_of = self._explained(alert, t)
        alert.shelved = t < self._shelved_until.get(alert.rule.name, 0.0)
        self.scene.standing.add(alert.rule.name)
        self.ask_all()
        self._raises.setdefault((alert.rule.name, alert.key), []).append(t)
        changes.append(self._change(alert, t, "raised"))

    def _explained(self, alert: Alert, t: float) -> str | None:
        standing: dict[str, set[str]] = {}
        for other in self._alerts.values():
            if other.active:
                standing.setdefault(other.rule.name, set()).add(other.finding.causes[0].cause)
        cause = alert.finding.causes[0].cause
        return order.explained_by(alert.rule, cause, standing, self._stood_until, t)

    def _end(self, alert: Alert, t: float, changes: list[Change]) -> None:
        where = (alert.rule.name, alert.key)
        if not alert.active:
            if not alert.number:
                del self._alerts[where]
            return
        if alert.gone_since is None:
            alert.gone_since = t
        recent = [at for at in self._raises[where] if at > t - CHATTER_WINDOW_S]
        self._raises[where] = recent
        if t + _EPSILON_S < alert.gone_since + alert.rule.figures.off_delay_s or len(recent) >= 2:
            return
        alert.active = False
        if not any(a.active and a.rule is alert.rule for a in self._alerts.values()):
            self.scene.standing.discard(alert.rule.name)
            self._stood_until[alert.rule.name] = t
            self.ask_all()
        if alert.severity == "stop" and not alert.acknowledged:
            changes.append(self._change(alert, t, "normal"))
        else:
            del self._alerts[where]
            changes.append(self._change(alert, t, "cleared"))

    def _acknowledge(self, t: float, rule: str | None) -> None:
        for where, alert in tuple(self._alerts.items()):
            if not alert.number or alert.acknowledged or rule not in (None, alert.rule.name, alert.because_of):
                continue
            alert.acknowledged = True
            if alert.active:
                self._waiting.append(self._change(alert, t, "acknowledged"))
            else:
                del self._alerts[where]
                self._waiting.append(self._change(alert, t, "cleared"))

    def _shelve(self, fact: Shelve) -> None:
        rules = {fact.rule} if fact.rule else {alert.rule.name for alert in self.standing()}
        for name in rules:
            self._shelved_until[name] = fact.t + fact.for_s
        for alert in self._alerts.values():
            alert.shelved = alert.shelved or alert.rule.name in rules

    def _switch_off(self, rule: Rule[Any], t: float, error: Exception) -> None:
        """A rule that throws is off for the rest of the run, and said so; everything else goes on."""
        self._take_in([other for other in self.rules if other is not rule])
        for where, alert in tuple(self._alerts.items()):  # nobody can say any more whether these still hold
            if alert.rule is rule:
                del self._alerts[where]
                if alert.number:
                    self._waiting.append(self._change(alert, t, "cleared"))
        self.scene.standing.discard(rule.name)
        self.ask_all()
        self.see(RuleFailed(t=t, stream="", rule=rule.name, error=f"{type(error).__name__}: {error}"))

    def _take_in(self, rules: list[Rule[Any]]) -> None:
        """Make these the rules in force: who is told of what and who is judged is looked up many times a second."""
        self.rules = rules
        self.ask_all()
        kinds = {kind for rule in rules for kind in rule.sees}
        self._listeners = {kind: tuple((rule, rule.see) for rule in rules if kind in rule.sees) for kind in kinds}
        self._judges = [
            (rule, rule.judge, None if type(rule).take_events is Rule.take_events else rule.take_events) for rule in rules
        ]

    def _change(self, alert: Alert, t: float, change: ChangeKind) -> Change:
        finding = alert.finding
        utc = self.scene.utc_at(t)
        return Change(
            t=t,
            post=self.scene.site.post.name,
            role=self.scene.site.post.role,
            utc=utc.isoformat(timespec="milliseconds").replace("+00:00", "Z") if utc else None,
            change=change,
            rule=alert.rule.name,
            cause=finding.causes[0].cause,
            causes=[Cause(cause=cause.cause, residual_m=cause.residual_m) for cause in finding.causes],
            severity=alert.severity,
            stream=finding.stream,
            because_of=alert.because_of,
            evidence=finding.evidence,
            words=finding.words,
            alert=alert.number,
            shelved=alert.shelved,
        )
