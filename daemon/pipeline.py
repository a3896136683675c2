"""From chunk to alert: the one object that the live service and the replay both call.

    feed(t, stream, data) ─► framer ─► decoder ─► facts ─► engine ─► changes
    tell(fact) ───────────────────────────────────▲          ▲
    tick(t) ─────────────────────────────── every 0.2 s of t ┘

The rules are judged on a fixed grid of `t`, whatever the calls: a replay of the same bytes at the same `t` gives the same
changes at the same `t`. Everything that comes in goes to the log first, if there is one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any, Protocol

import msgspec
from witnesspost.daemon.stream.reading import Lines
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import rules_in_force
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.open_alert import OpenAlert
from witnesspost.rules.engine.rule import Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Antenna, Epoch, Fact, Fix, Station, Traffic, Utc
from witnesspost.rules.site.model import Site

GRID_MS = 200
READ_BY_ALL: frozenset[type[Fact]] = frozenset((Antenna, Epoch, Fix, Station, Traffic, Utc))
"""Facts that the scene and the log need, whatever rules are in force."""
JUDGED_AT_ONCE = frozenset((Antenna, Station))
"""Facts that are rare, and raise alerts without an on-delay: the rules are asked when they come, not on the grid's next."""
RULES_EVENT = "rules-in-force"
CHECK_EVENT = "control-check"
MOST_EVENTS = 60  # of the rules in a minute that are recorded


def are_judged_at_once(facts: list[Fact]) -> bool:
    """True where the rules do not wait for the grid's next moment."""
    return not JUDGED_AT_ONCE.isdisjoint(map(type, facts))


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
        """A fact that the streams said."""

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


class LinesLike(Protocol):
    """What the pipeline asks of the lines (see `daemon.stream.reading`)."""

    def __contains__(self, stream: str) -> bool:
        """True for a line of the site."""

    def feed(self, now_ms: int, stream: str, data: bytes) -> list[Fact]:
        """The facts that these bytes complete."""

    def turn(self, at_ms: int) -> list[Fact]:
        """What is to be told before the rules are judged."""

    def rest(self, now_ms: int) -> list[Fact]:
        """Nothing more comes: what is left."""


class Clock:
    """The pipeline's time, which never steps back, and the grid on which the rules are judged; milliseconds."""

    def __init__(self, begins_t: float):
        self.now_ms = round(begins_t * 1000)
        self._judged_ms = -(-self.now_ms // GRID_MS) * GRID_MS - GRID_MS

    def advance(self, t: float) -> Iterator[int]:
        """Go on to `t`, by way of each moment of the grid up to it."""
        now_ms = math.floor(t * 1000 + 1e-6)
        if now_ms < self.now_ms:
            now_ms = self.now_ms
        while self._judged_ms + GRID_MS <= now_ms:
            self._judged_ms += GRID_MS
            if self.now_ms < self._judged_ms:
                self.now_ms = self._judged_ms
            yield self._judged_ms
        self.now_ms = now_ms


class Pipeline:
    """All of one site: feed bytes, tell facts, tick time; each call returns the alerts' changes up to then.

    `t` is seconds since the run began, used to the millisecond, and never steps back: an earlier `t` counts as the
    latest. `alarm` hears of changes before the log does: a slow card must not hold up the buzzer. `begins_t` is the
    first `t` (a log that continues another begins late). `read` makes the lines, given the kinds of facts that somebody reads.
    """

    def __init__(
        self,
        site: Site,
        log: LogLike | None = None,
        alarm: Callable[[list[Change]], None] | None = None,
        begins_t: float = 0.0,
        read: Callable[[Site, frozenset[type[Fact]]], LinesLike] | None = None,
    ):
        self.site = site
        self.log = log
        self.alarm = alarm
        self.scene = Scene(site, begins_t)
        self.last_check: tuple[float, dict[str, Any]] | None = None  # on a control point: when, and what was measured
        self.engine = Engine(rules_in_force(site, self.scene), self.scene)
        if log is not None:
            log.event(begins_t, RULES_EVENT, figures_in_force(self.engine.rules))
        self.lines: LinesLike = (read or Lines)(site, self.engine.wanted | READ_BY_ALL)
        self._events = _Events()
        self.clock = Clock(begins_t)

    @property
    def t(self) -> float:
        """The latest time that came in."""
        return self.clock.now_ms / 1000.0

    def open_alerts(self) -> list[OpenAlert]:
        """The alerts that are raised and not cleared, worst first."""
        return self.engine.open_alerts()

    def feed(self, t: float, stream: str, data: bytes) -> list[Change]:
        """Bytes that came on `stream` at `t`; KeyError where the site has no such stream."""
        if stream not in self.lines:
            raise KeyError(stream)
        changes = self._advance(t)
        if self.log is not None:
            self.log.chunk(self.clock.now_ms / 1000.0, stream, data)
        facts = self.lines.feed(self.clock.now_ms, stream, data)
        if facts:
            self._see(facts)
            if are_judged_at_once(facts):
                changes += self._judge(self.clock.now_ms)
        return changes

    def tell(self, fact: Fact) -> list[Change]:
        """A fact from outside the streams: a port, the post's health, a person's word."""
        changes = self._advance(fact.t)
        fact.t = self.t
        if self.log is not None:
            self.log.told(fact)
        self.engine.see(fact)
        return changes

    def tick(self, t: float) -> list[Change]:
        """Nothing came, but time goes on."""
        changes = self._advance(t)
        if self.log is not None:
            self.log.tick(self.t)
        return changes

    def end(self) -> None:
        """Nothing more comes: what the streams carried since the rules last judged goes to the log."""
        self._see(self.lines.rest(self.clock.now_ms))

    def _advance(self, t: float) -> list[Change]:
        changes: list[Change] = []
        for at_ms in self.clock.advance(t):
            changes += self._judge(at_ms)
        return changes

    def _judge(self, at_ms: int) -> list[Change]:
        facts = self.lines.turn(at_ms)
        if facts:
            self._see(facts)
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
        log, see = self.log, self.engine.see
        for fact in facts:
            if log is not None:
                log.fact(fact)
            see(fact)
