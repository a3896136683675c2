"""From chunk to alert: the one object that the live service and the replay both call.

    feed(t, stream, data) ─┐             ┌─ facts ─► engine ─► changes
    tell(fact) ────────────┼► reading ───┤             ▲
    tick(t) ───────────────┘  take(read) └ every 0.2 s of t

The rules are judged on a fixed grid of `t`, whatever the calls: a replay of the same bytes at the same `t` gives the same
changes at the same `t`. Everything that comes in goes to the log first, if there is one. A replay reads ahead, or remembers
what was read (`replay.play`), and gives that to `take`, as `feed`, `tell` and `tick` do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Protocol

import msgspec
from witnesspost.daemon.stream.reading import GRID_MS, Read, Reading, grid_before
from witnesspost.rules.alert import AnyChange, Change
from witnesspost.rules.book.contents import rules_in_force
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.open_alert import OpenAlert
from witnesspost.rules.engine.rule import Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Antenna, Epoch, Fact, Fix, Station, Traffic, Utc
from witnesspost.rules.site.model import Site

READ_BY_ALL: frozenset[type[Fact]] = frozenset((Antenna, Epoch, Fix, Station, Traffic, Utc))
"""Facts that the scene and the log need, whatever rules are in force."""
RULES_EVENT = "rules-in-force"
CHECK_EVENT = "control-check"
MOST_EVENTS = 60  # of the rules in a minute that are recorded


def figures_in_force(rules: list[Rule[Any]]) -> dict[str, dict[str, Any]]:
    """Each rule's figures by name: what a later reader needs to tell whether it judges by the same."""
    return {rule.name: msgspec.structs.asdict(rule.figures) for rule in rules}


class LogLike(Protocol):
    """What the pipeline asks of a log (see `daemon.log.log`)."""

    def chunk(self, t: float, stream: str, data: bytes) -> None:
        """Bytes as they came."""

    def told(self, fact: Fact) -> None:
        """A fact from outside the streams."""

    def fact(self, fact: Fact) -> None:
        """A fact that the streams said, of a kind that is `READ_BY_ALL`."""

    def change(self, change: Change) -> None:
        """An alert's change."""

    def event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        """Something worth recording beside alerts."""

    def tick(self, t: float) -> None:
        """Time goes on."""


class _Events:
    """How many events of the rules the last minute had: a sender can make them judge anew with every byte."""

    def __init__(self) -> None:
        self._minute = self._count = 0

    def is_one_of(self, t: float) -> bool:
        """True for the first so many of a minute of `t`: each is a commit of its own."""
        minute = int(t // 60)
        self._minute, self._count = minute, self._count + 1 if minute == self._minute else 1
        return self._count <= MOST_EVENTS


class Pipeline:
    """All of one site: feed bytes, tell facts, tick time; each call returns the alerts' changes up to then.

    `t` is seconds since the run began, used to the millisecond, and never steps back: an earlier `t` counts as the
    latest. `alarm` hears of changes before the log does: a slow card must not hold up the buzzer. `begins_t` is the
    first `t` (a log that continues another begins late). `wanted` has the kinds of facts that somebody reads.

    `alone` is a rule that alone is judged, with those that it needs; `others` are then the changes of the rest, as a log has
    them.
    """

    def __init__(
        self,
        site: Site,
        log: LogLike | None = None,
        alarm: Callable[[list[Change]], None] | None = None,
        begins_t: float = 0.0,
        alone: str | None = None,
        others: Iterable[AnyChange] = (),
    ):
        self.site = site
        self.log = log
        self.alarm = alarm
        self.scene = Scene(site, begins_t)
        self.last_check: tuple[float, dict[str, Any]] | None = None  # on a control point: when, and what was measured
        rules = rules_in_force(site, self.scene)
        self.wanted = READ_BY_ALL.union(*(rule.sees for rule in rules))
        if alone is not None:
            judged = next({rule.name, *rule.needs} for rule in rules if rule.name == alone)
            rules = [rule for rule in rules if rule.name in judged]
            others = [change for change in others if change.rule not in judged]
        self.engine = Engine(rules, self.scene, others)
        if log is not None:
            log.event(begins_t, RULES_EVENT, figures_in_force(self.engine.rules))
        self.reading = Reading(site, self.wanted, begins_t, all_traffic=log is not None)
        self._events = _Events()
        self._now_ms = self.reading.now_ms
        self._judged_ms = grid_before(self._now_ms)

    @property
    def t(self) -> float:
        """The latest time that came in."""
        return self._now_ms / 1000.0

    def open_alerts(self) -> list[OpenAlert]:
        """The alerts that are raised and not cleared, worst first."""
        return self.engine.open_alerts()

    def feed(self, t: float, stream: str, data: bytes) -> list[Change]:
        """Bytes that came on `stream` at `t`; KeyError where the site has no such stream."""
        return self.take(self.reading.feed((t, stream, data)))

    def tell(self, fact: Fact) -> list[Change]:
        """A fact from outside the streams: a port, the post's health, a person's word."""
        return self.take(self.reading.until(fact.t, fact))

    def tick(self, t: float) -> list[Change]:
        """Nothing came, but time goes on."""
        changes = self.take(self.reading.until(t))
        if self.log is not None:
            self.log.tick(self.t)
        return changes

    def take(self, read: Read) -> list[Change]:
        """What was read, now or before."""
        now_ms, turns, came, facts, at_once = read
        engine, log = self.engine, self.log
        see = engine.see_all if log is None else self._see
        changes: list[Change] = []
        for at_ms, said in turns:
            if self._judged_ms + GRID_MS < at_ms:
                changes += self._judge_until(at_ms - 1)
            see(said)
            self._judged_ms = at_ms
            if at_ms / 1000.0 >= engine.next_t:
                changes += self._judge(at_ms)
        if self._judged_ms + GRID_MS <= now_ms:
            changes += self._judge_until(now_ms)
        self._now_ms = now_ms
        if came is None:
            pass
        elif isinstance(came, tuple):
            if log is not None:
                _, stream, data = came
                log.chunk(now_ms / 1000.0, stream, data)
        else:
            came.t = now_ms / 1000.0
            if log is not None:
                log.told(came)
            engine.see(came)
        if facts:
            see(facts)
        if at_once is not None:
            see(at_once)
            changes += self._judge(now_ms)
        return changes

    def end(self) -> None:
        """Nothing more comes: what the streams carried since the rules last judged goes to the log."""
        self._see(self.reading.rest())

    def _judge_until(self, ms: int) -> list[Change]:
        """At each moment of the grid up to then at which there is anything to judge."""
        changes: list[Change] = []
        last_ms = ms - (ms - self._judged_ms) % GRID_MS
        while self._judged_ms < last_ms:
            if last_ms / 1000.0 < self.engine.next_t:
                self._judged_ms = last_ms
                break
            self._judged_ms += GRID_MS
            changes += self._judge(self._judged_ms)
        return changes

    def _judge(self, at_ms: int) -> list[Change]:
        self._now_ms = at_ms
        changes = self.engine.judge(at_ms / 1000.0)
        if not changes and not self.engine.events:
            return changes
        if changes and self.alarm is not None:
            self.alarm(changes)
        if self.log is not None:
            for change in changes:
                self.log.change(change)
            for event in self.engine.events:
                if self._events.is_one_of(event[0]):
                    self.log.event(*event)
        for t, kind, detail in self.engine.events:
            if kind == CHECK_EVENT:
                self.last_check = t, detail
        self.engine.events.clear()
        return changes

    def _see(self, facts: list[Fact]) -> None:
        log = self.log
        if log is not None:
            for fact in facts:
                if type(fact) in READ_BY_ALL:
                    log.fact(fact)
        self.engine.see_all(facts)
