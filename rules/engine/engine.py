"""The alerts' life, in the vocabulary of IEC 62682 / ISA-18.2 (as quoted by OPC 10000-9, section 3.1 and B.1.5).

    normal ──condition holds on_delay_s──► unacknowledged ──a person──► acknowledged
      ▲                                        │ condition gone off_delay_s   │
      └── "cleared" ◄── a person ── returned to normal (stop alerts) ◄────────┘ (acknowledged: cleared at once)

`check` and `note` alerts are cleared at once when their condition ends. While a rule that explains it is active, an alert is
recorded with `because_of` and makes no sound (`rules.engine.consequences`). A planned interruption holds back every raise, and
so does a time in which the post itself did not run; a shelved rule is recorded and silent. No absence explains a wrong
coordinate, or another base, that is on the air: those rules wait only until corrections have been back for a minute. No alert
is raised three times within a minute, whatever the line does: ISA-18.2 calls that chattering (a good starting criterion, as
quoted in the trade press), so its off-delay stretches.

What comes from one cause for the third time within ten minutes says how often it has come. A stop sounds each time: nobody may
store points then. A check sounds no more, its light says it, unless it lasts half as long again as the longest of those before.

A stop that nobody had seen when the run before ended is told by `Unseen`, and waits for a person here.

What is open is told as it is now. Its figures follow the moment; another first cause that has lasted 3 s is a change
`cause`, without a sound. An alert that becomes graver is raised again under its number, and ends as what it became.

Where some rules alone are judged, the alerts of the others come from a log (`others`): they explain, and are active, as they
were then.

Time is an argument: `judge(t)` is called on a fixed grid by the pipeline, and nothing here reads a clock.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from operator import attrgetter
from typing import Any, TypeVar

from witnesspost.rules.alert import GRAVITY, AnyChange, Change, ChangeKind
from witnesspost.rules.engine.consequences import (
    LONGEST_HOLD_S,
    Explanation,
    Trouble,
    explained_by,
    explanations,
    graver,
    roots_first,
)
from witnesspost.rules.engine.open_alert import AGAIN_S, Coming, OpenAlert
from witnesspost.rules.engine.rule import Cause, Finding, Rule
from witnesspost.rules.engine.scene import Scene, See, Seers
from witnesspost.rules.engine.stretch import BESIDE, Stretch
from witnesspost.rules.facts import Acknowledge, Fact, Fix, RuleFailed, SetUp, Shelve, Tilt, Unseen
from witnesspost.rules.site.model import Severity

CHATTER_WINDOW_S = 60.0
UNSEEN_FOR = dt.timedelta(hours=24)  # what nobody has seen by then is another day's: common practice, no source
_EPSILON_S = 1e-6
_Heard = TypeVar("_Heard")
_AT_ONCE = -math.inf  # due, whatever the rule says


class Engine:
    """All rules at one site, and their open alerts. `events` collects what rules want recorded beside alerts; `others` are the
    changes of rules that are not among these, in their order.

    `next_t`: at no moment before it has `judge` anything to do, unless more is seen.
    """

    def __init__(self, rules: list[Rule[Any]], scene: Scene, others: Iterable[AnyChange] = ()):
        self.scene = scene
        self.rules = roots_first(rules)
        self.events: list[tuple[float, str, dict[str, Any]]] = []
        self.next_t = _AT_ONCE
        self._alerts: dict[tuple[str, str], OpenAlert] = {}
        self._raises: dict[tuple[str, str], list[float]] = {}
        self._came: dict[tuple[str, str], list[Coming]] = {}
        self._over: list[Trouble] = []
        self._others = deque(others)
        self._active_others: dict[int, Trouble] = {}  # by the alert's number in their log
        self._shelved: dict[str, Shelve] = {}  # by rule: what a person has said last
        self._numbers = 0
        self._waiting: list[Change] = []
        self._explanations: dict[str, tuple[Explanation, ...]] = {rule.name: explanations(rule) for rule in rules}
        self._persons: Seers = {
            Acknowledge: self._acknowledge,
            SetUp: self._set_up,
            Shelve: self._shelve,
            Unseen: self._remember,
        }
        self._stretch = Stretch()  # positions that some rules have yet to be told
        self._told: dict[type[Fact], tuple[tuple[See, ...], _Listeners[Any]]] = {}  # by kind: scene and engine, then rules
        self._of_each_position: _Listeners[Any] = ()  # those that cannot wait
        self._of_stretches: _Listeners[Sequence[Fix]] = ()
        self._in_force: list[_InForce] = []
        self._to_ask: list[_InForce] = []  # when they are due: what they have seen may have brought it forward
        self._next_due = _AT_ONCE  # none of the others is due before it
        self._put_in_force(self.rules)

    def open_alerts(self) -> list[OpenAlert]:
        """The alerts that are raised and not cleared, worst first."""
        raised = [alert for alert in self._alerts.values() if alert.number and (alert.active or not alert.acknowledged)]
        return sorted(raised, key=lambda a: (not a.active, -GRAVITY[a.severity], a.raised_t or 0.0))

    def stood(self) -> set[str]:
        """The rules that have raised an alert in this run."""
        return {rule for rule, _ in self._raises}

    def shelved(self, t: float) -> dict[str, Shelve]:
        """Which rules a person has silenced, and by which word, in the order of their names."""
        return {rule: shelve for rule, shelve in sorted(self._shelved.items()) if self._is_shelved(rule, t)}

    def see(self, fact: Fact) -> None:
        """Tell one fact."""
        self.see_all((fact,))

    def see_all(self, facts: Iterable[Fact]) -> None:
        """Tell one after the other: the scene first, then each rule that wants its kind; a position that goes on as before may
        wait."""
        scene, stretch = self.scene, self._stretch
        for fact in facts:
            if isinstance(fact, Fix) and stretch.goes_on(fact):
                scene.fix = scene.fixes[fact.stream] = fact
                if self._of_each_position:
                    self._tell(self._of_each_position, fact, fact.t)
                if scene.declared is not None:
                    self._tell_stretch()  # a person looks on
                continue
            kind = type(fact)
            if stretch.fixes and kind not in BESIDE and not (isinstance(fact, Tilt) and scene.pole.stays_plumb(fact)):
                self._tell_stretch()
            seers, listeners = self._told.get(kind, _NOBODY)
            for see in seers:
                see(fact)
            if listeners:
                self._tell(listeners, fact, fact.t)
        if stretch.tell_at < self.next_t:
            self.next_t = stretch.tell_at

    def _tell(self, listeners: _Listeners[_Heard], said: _Heard, t: float) -> None:
        for one, see in listeners:
            try:
                if see(said):
                    continue
            except Exception as error:
                self._switch_off(one.rule, t, error)
                continue
            if not one.is_to_be_asked:
                one.is_to_be_asked = True
                self._to_ask.append(one)
                self.next_t = _AT_ONCE

    def _tell_stretch(self) -> None:
        """Tell the positions that wait, all at once."""
        fixes = self._stretch.take()
        self.scene.see_motion(fixes)
        self._tell(self._of_stretches, fixes, fixes[-1].t)

    def judge(self, t: float) -> list[Change]:
        """Ask every rule that may find something at `t`, and move the alerts on; the changes in their order."""
        if self._to_ask or t >= self._next_due:
            self._ask_when_due(t)
        if self._others and self._others[0].t <= t:
            self._heed_others(t)
        if t < self._next_due and t < self._stretch.tell_at and not self._alerts and not self._waiting:
            return self._judged([])
        if self._stretch.fixes:
            self._tell_stretch()
            self._ask_when_due(t)
            if t < self._next_due and not self._alerts and not self._waiting:
                return self._judged([])
        changes, self._waiting = self._waiting, []
        for where, alert in tuple(self._alerts.items()):
            if alert.shelved and not self._is_shelved(alert.rule, t):
                alert.shelved = False
            if alert.forgotten_utc is not None and (now := self.scene.utc_at(t)) and now > alert.forgotten_utc:
                del self._alerts[where]
                changes.append(self._change(alert, t, "cleared"))
        alive = {alert.rule for alert in self._alerts.values() if alert.lives}
        for one in self._in_force:
            lives = one.rule.name in alive
            if t < one.due_t and not lives:
                continue
            try:
                found = one.findings(t, self.events)
            except Exception as error:
                self._switch_off(one.rule, t, error)
                continue
            if found or lives:
                self._move_on(one.rule, {finding.key: finding for finding in found}, t, changes)
        self._next_due = min(map(_due_t, self._in_force), default=math.inf)
        return self._judged(changes)

    def _judged(self, changes: list[Change]) -> list[Change]:
        """What `judge` gives back, when it has worked out from when on it has to do more."""
        if self._alerts or self._waiting or self._to_ask:
            self.next_t = _AT_ONCE
        else:
            others_t = self._others[0].t if self._others else math.inf
            self.next_t = min(self._next_due, self._stretch.tell_at, others_t)
        return changes

    def _ask_when_due(self, t: float) -> None:
        """Ask those that have seen something when they could find something; and those that are due: it may be later by now."""
        asked, self._to_ask = self._to_ask, []
        for one in asked:
            one.is_to_be_asked = False
        if self._next_due <= t:
            asked += (one for one in self._in_force if 0.0 < one.due_t <= t)
        for one in asked:
            if one.due_t == _AT_ONCE:
                continue
            try:
                one.due_t = one.rule.due()
            except Exception as error:
                self._switch_off(one.rule, t, error)
        self._next_due = min(map(_due_t, self._in_force), default=math.inf)

    def _heed_others(self, t: float) -> None:
        """What has changed until `t` of the alerts that are not judged here."""
        while self._others and self._others[0].t <= t:
            change = self._others.popleft()
            before = self._active_others.pop(change.alert, None)
            if change.change not in ("normal", "cleared"):
                raised_t = change.t if before is None else before.raised_t
                what = change.rule, change.cause, change.severity, change.stream
                trouble = Trouble(*what, raised_t, raised_t, because_of=change.because_of)
                self._active_others[change.alert] = trouble
                if before is None:
                    self._activate(change.rule)
            elif before is not None:
                self._is_over(before._replace(over_t=change.t), change.t)

    def ask_all(self) -> None:
        """Which rules are active has changed, and some rules judge by it: each is asked at the next `judge`."""
        for one in self._in_force:
            one.due_t = _AT_ONCE
        self._next_due = self.next_t = _AT_ONCE

    def _move_on(self, rule: Rule[Any], findings: dict[str, Finding], t: float, changes: list[Change]) -> None:
        for key, finding in findings.items():
            severity = finding.severity or rule.severity
            alert = self._alerts.get((rule.name, key))
            if alert is None:
                alert = OpenAlert(rule.name, rule.site.post.role, finding, severity, t)
                self._alerts[rule.name, key] = alert
            if alert.active:
                self._follow(alert, rule, finding, severity, t, changes)
            else:
                self._begin(alert, rule, finding, severity, t, changes)
        for (name, key), alert in tuple(self._alerts.items()):
            if name == rule.name and key not in findings:
                self._end(alert, rule, t, changes)

    def _begin(
        self, alert: OpenAlert, rule: Rule[Any], finding: Finding, severity: Severity, t: float, changes: list[Change]
    ) -> None:
        """Its condition holds, and it is not raised (any more): it is once the on-delay has run out."""
        if finding.since is not None:
            alert.since = finding.since
        elif alert.gone_since is not None:
            alert.since = t  # it had returned to normal, and begins anew
        alert.gone_since = None
        alert.finding = finding
        if not alert.number or graver(severity, alert.severity):
            alert.severity = severity
        delay = rule.figures.on_delay_s if finding.on_delay_s is None else finding.on_delay_s
        if t + _EPSILON_S >= alert.since + delay and not self._is_held(alert, rule, t):
            self._raises.setdefault((alert.rule, alert.key), []).append(t)
            alert.raised_t = t
            self._come(alert, t)
            self._raise(alert, t, changes)

    def _come(self, alert: OpenAlert, t: float) -> None:
        where = alert.rule, alert.key
        before = [one for one in self._came.get(where, ()) if one.t > t - AGAIN_S]
        alert.came = Coming(alert.cause, t, before, alert.severity)
        alert.quiet = alert.came.quiet_s > 0.0
        self._came[where] = [*before, alert.came]

    def _follow(
        self, alert: OpenAlert, rule: Rule[Any], finding: Finding, severity: Severity, t: float, changes: list[Change]
    ) -> None:
        """It is raised, and its condition goes on: as before, from another cause, or graver."""
        held = self._is_held(alert, rule, t)
        another_cause, graver_now = alert.follow(finding, alert.severity if held else severity, t)
        unexplained = alert.because_of is not None and not held and self._explained(alert, t) is None
        longer = not held and not alert.acknowledged and alert.is_longer(t)
        if graver_now or unexplained or longer:  # what explained it is over, and it still stands: now it sounds
            alert.quiet = False
            self._raises[alert.rule, alert.key][-1:] = [t]  # it has come once, as late as a person hears it
            self._raise(alert, t, changes)
        elif another_cause:
            changes.append(self._change(alert, t, "cause"))

    def _is_held(self, alert: OpenAlert, rule: Rule[Any], t: float) -> bool:
        return self.scene.holds(alert.since, t, explained=rule.absence_explains)

    def _raise(self, alert: OpenAlert, t: float, changes: list[Change]) -> None:
        if not alert.number:
            self._numbers += 1
            alert.number = self._numbers
        alert.active, alert.acknowledged, alert.seen = True, False, None
        alert.because_of = self._explained(alert, t)
        alert.shelved = self._is_shelved(alert.rule, t)
        self._activate(alert.rule)
        changes.append(self._change(alert, t, "raised"))

    def _explained(self, alert: OpenAlert, t: float) -> str | None:
        active = [other.trouble() for other in self._alerts.values() if other.active]
        others = [*active, *self._active_others.values(), *self._over]
        return explained_by(self._explanations[alert.rule], alert.trouble(), others, t)

    def _end(self, alert: OpenAlert, rule: Rule[Any], t: float, changes: list[Change]) -> None:
        where = (alert.rule, alert.key)
        if not alert.active:
            if not alert.number:
                del self._alerts[where]
            elif alert.gone_since is None:
                alert.gone_since = t  # it had begun anew, and has gone before it was raised
            return
        if alert.gone_since is None:
            alert.gone_since = t
            if alert.came is not None:
                alert.came.ended_t = t
        recent = [raised_t for raised_t in self._raises[where] if raised_t > t - CHATTER_WINDOW_S]
        self._raises[where] = recent
        if t + _EPSILON_S < alert.gone_since + rule.figures.off_delay_s:
            return
        if len(recent) >= 2:
            alert.held_times = len(recent)
            return
        alert.active = False
        self._is_over(alert.trouble(over_t=t), t)
        if alert.severity == "stop" and not alert.acknowledged:
            changes.append(self._change(alert, t, "normal"))
        else:
            del self._alerts[where]
            changes.append(self._change(alert, t, "cleared"))

    def _activate(self, rule: str) -> None:
        self.scene.active_rules.add(rule)
        self.ask_all()

    def _is_over(self, trouble: Trouble, t: float) -> None:
        """It explains for a while yet; its rule is active as long as another alert of it is."""
        self._over = [*(one for one in self._over if one.over_t >= t - LONGEST_HOLD_S), trouble]
        active = {alert.rule for alert in self._alerts.values() if alert.active}
        if trouble.rule not in active.union(other.rule for other in self._active_others.values()):
            self.scene.active_rules.discard(trouble.rule)
            self.ask_all()

    def _acknowledge(self, seen: Acknowledge) -> None:
        self.next_t = _AT_ONCE
        for where, alert in tuple(self._alerts.items()):
            if not alert.number or alert.acknowledged or seen.rule not in (None, alert.rule, alert.because_of):
                continue
            alert.acknowledged, alert.seen = True, seen
            if alert.active:
                self._waiting.append(self._change(alert, seen.t, "acknowledged"))
            else:
                del self._alerts[where]
                self._waiting.append(self._change(alert, seen.t, "cleared"))

    def _set_up(self, fact: SetUp) -> None:
        for rule in self.rules:
            rule.site = self.scene.site
        self.ask_all()

    def _shelve(self, fact: Shelve) -> None:
        rules = {fact.rule} if fact.rule else {alert.rule for alert in self.open_alerts()}
        for name in rules:
            self._shelved[name] = fact
        for alert in self._alerts.values():
            alert.shelved = alert.shelved or alert.rule in rules

    def _is_shelved(self, rule: str, t: float) -> bool:
        shelve = self._shelved.get(rule)
        return shelve is not None and t < shelve.t + shelve.for_s

    def _remember(self, fact: Unseen) -> None:
        """A stop of an earlier run that nobody has seen: over, and unseen still."""
        evidence = {**fact.evidence, "of_run": fact.run, "of_alert": fact.alert, "over_utc": fact.utc and utc_text(fact.utc)}
        finding = Finding(
            causes=[Cause(cause=fact.cause)],
            stream=fact.stream,
            key=f"alert {fact.alert} of {fact.run}",
            evidence=evidence,
            words=fact.words,
        )
        where = (fact.rule, finding.key)
        if where in self._alerts:
            return
        alert = self._alerts[where] = OpenAlert(fact.rule, self.scene.site.post.role, finding, "stop", fact.t)
        self._numbers += 1
        alert.number, alert.gone_since, alert.of_run = self._numbers, fact.t, fact.run
        alert.forgotten_utc = fact.utc + UNSEEN_FOR if fact.utc is not None else None
        self.next_t = _AT_ONCE
        self._waiting.append(self._change(alert, fact.t, "normal"))

    def _switch_off(self, rule: Rule[Any], t: float, error: Exception) -> None:
        """A rule that throws is off for the rest of the run, and said so; everything else goes on."""
        self._put_in_force([other for other in self.rules if other is not rule])
        for where, alert in tuple(self._alerts.items()):  # nobody can say any more whether these still hold
            if alert.rule == rule.name and alert.lives:
                del self._alerts[where]
                if alert.number:
                    self._waiting.append(self._change(alert, t, "cleared"))
        self.scene.active_rules.discard(rule.name)
        self.ask_all()
        self.see(RuleFailed(t=t, stream="", rule=rule.name, error=f"{type(error).__name__}: {error}"))

    def _put_in_force(self, rules: list[Rule[Any]]) -> None:
        """Make these the rules in force: who is told of what and who is judged is looked up many times a second."""
        self.rules = rules
        self._in_force = [_InForce(rule) for rule in rules]
        self._told = {}
        for kind in {*self.scene.seers, *self._persons, *(kind for rule in rules for kind in rule.sees)}:
            seers = tuple(seers[kind] for seers in (self.scene.seers, self._persons) if kind in seers)
            self._told[kind] = seers, tuple((one, one.rule.see) for one in self._in_force if kind in one.rule.sees)
        _, of_positions = self._told[Fix]
        self._of_each_position = tuple((one, see) for one, see in of_positions if not one.rule.can_wait)
        self._of_stretches = tuple((one, one.rule.see_positions) for one, _ in of_positions if one.rule.can_wait)
        self._to_ask = []
        self._next_due = self.next_t = _AT_ONCE

    def _change(self, alert: OpenAlert, t: float, change: ChangeKind) -> Change:
        finding = alert.finding
        utc = self.scene.utc_at(t)
        evidence = alert.evidence
        if alert.seen is not None and change in ("acknowledged", "cleared"):
            evidence = evidence | {"seen_by": alert.seen.by, "seen_note": alert.seen.note, "seen_t": alert.seen.t}
        return Change(
            t=t,
            post=self.scene.site.post.name,
            role=self.scene.site.post.role,
            utc=utc_text(utc) if utc else None,
            change=change,
            rule=alert.rule,
            cause=alert.cause,
            causes=[Cause(cause=cause.cause, residual_m=cause.residual_m) for cause in finding.causes],
            severity=alert.severity,
            stream=finding.stream,
            because_of=alert.because_of,
            evidence=evidence,
            words=finding.words,
            alert=alert.number,
            shelved=alert.shelved,
        )


_Listeners = tuple[tuple["_InForce", Callable[[_Heard], "bool | None"]], ...]
_NOBODY: tuple[tuple[See, ...], _Listeners[Any]] = (), ()


class _InForce:
    """A rule as the engine asks it: many times a second, so what does not change is looked up once.

    `due_t`: before it the rule finds nothing; `is_to_be_asked`: it may find something earlier by now.
    """

    def __init__(self, rule: Rule[Any]):
        self.rule = rule
        self.due_t = _AT_ONCE
        self.is_to_be_asked = False
        self._has_events = type(rule).take_events is not Rule.take_events

    def findings(self, t: float, events: list[tuple[float, str, dict[str, Any]]]) -> list[Finding]:
        """What it finds at `t`; what it wants recorded goes to `events`."""
        found = [*self.rule.judge(t)]
        if self._has_events:
            events += self.rule.take_events()
        self.due_t = self.rule.due()
        return found


_due_t = attrgetter("due_t")


def utc_text(utc: dt.datetime) -> str:
    """ISO 8601 to the millisecond, with Z."""
    return utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
