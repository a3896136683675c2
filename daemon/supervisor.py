"""Keeps companions alive, each on a thread of its own: what one of them does never makes the loop wait.

    running ──an exception──► stopped ──a pause──► running …     (another companion, from its maker)
       └──a call past its deadline──► abandoned: its thread cannot be ended

All of it is said (`CompanionFailed`), and the loop looks in by `turn`. A vital companion that fails again and again, and any
that must be abandoned a second time, ends the service.
"""

from __future__ import annotations

import contextlib
import math
import sys
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterable
from types import FrameType
from typing import Protocol

from witnesspost.daemon.companion import Companion, Pulse
from witnesspost.daemon.status.snapshot import Status
from witnesspost.daemon.status.told import OfficeStatus
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.facts import CompanionFailed, Fact
from witnesspost.rules.site.model import Site

Maker = Callable[[], Companion]

TURN_S = 0.5
VITAL_DEADLINE_S = 5.0
DEADLINE_S = 30.0  # nobody waits for the others, and some of them load PROJ, or read from a card that is busy
STOP_S = 1.0  # for all of them together: SIGTERM ends the service within two seconds
PAUSES_S = (0.5, 2.0, 5.0, 15.0, 45.0)  # none longer than `post-health` holds its alert: so that it stands while this lasts
VITAL_RESTARTS = 3
HELD_S = 60.0  # who has run for so long has come back: what fails then begins with the first pause
MOST_CHANGES = 1000


class Desk(Protocol):
    """What companions reach of the service, by way of the supervisor; all of it is safe from any thread."""

    def now(self) -> float:
        """See `PostView.now`."""

    def tell(self, fact: Fact) -> None:
        """See `PostView.tell`."""

    def report(self, fault: CompanionFailed) -> None:
        """Tell the rules that a companion has failed; always taken."""

    def pulse(self) -> Pulse:
        """See `PostView.pulse`."""

    def snapshot(self) -> Status | None:
        """See `PostView.snapshot`."""

    def show_office(self, link: OfficeStatus) -> None:
        """See `PostView.show_office`."""

    def row_key(self, change: Change) -> RowKey | None:
        """See `PostView.row_key`."""

    def plan(self) -> Site:
        """See `PostView.plan`."""

    def say(self, words: str, *, lasting: bool = False) -> None:
        """See `PostView.say`."""

    def said(self, after: int) -> tuple[int, list[str]]:
        """See `PostView.said`."""

    def end_service(self) -> None:
        """See `PostView.end_service`."""


class Lost(Exception):
    """The service cannot go on: a vital companion does not come back, or a second thread of one hangs."""


class Supervisor:
    """Keeps what `makers` make. `turn_s` is how often the loop calls `turn`; pauses in seconds are an argument for tests."""

    def __init__(self, makers: Iterable[Maker], desk: Desk, turn_s: float, pauses_s: tuple[float, ...] = PAUSES_S):
        self._now = desk.now
        self._keepers = [_Keeper(make, desk, turn_s, pauses_s) for make in makers]

    def start(self) -> None:
        """Begin them all."""
        for keeper in self._keepers:
            keeper.begin(self._now())

    def see(self, changes: list[Change]) -> None:
        """Hand on what changed; each takes it as soon as its thread comes round."""
        for keeper in self._keepers:
            keeper.see(changes)

    def turn(self, t: float) -> None:
        """Find who has failed and who hangs, and bring back whose pause is over. Raises Lost."""
        for keeper in self._keepers:
            keeper.look(t)

    def stop(self) -> list[str]:
        """End them all, within STOP_S; who has not come to its end by then is left behind. Gives what failed, a line each."""
        lives = [keeper.life for keeper in self._keepers if keeper.life is not None]
        for life in lives:
            life.end()
        until = self._now() + STOP_S
        for life in lives:
            life.join(max(0.0, until - self._now()))
        hung = [f"{life.name}: hangs in {life.where()}" for life in lives if life.is_alive()]
        return hung + [f"{life.name}: {life.failed}" for life in lives if life.failed and not life.is_alive()]


class _Keeper:
    """One companion through all its lives. Used by the loop's thread alone, but for the queue of changes."""

    def __init__(self, make: Maker, desk: Desk, turn_s: float, pauses_s: tuple[float, ...]):
        self.life: _Life | None = None
        self._make = make
        self._desk = desk
        self._turn_s = turn_s
        self._pauses_s = pauses_s
        first = make()
        self._name, self._vital = first.name, first.vital
        self._companion: Companion | None = first
        self._changes = _Changes()
        self._hangs: Companion | None = None
        self._began_at = self._again_at = 0.0
        self._fails = 0
        self._abandoned = 0
        self._busy: _Call | None = None
        self._seen_busy = 0

    def begin(self, t: float) -> None:
        """Give it a thread."""
        self._began_at, self._seen_busy = t, 0
        try:
            companion, self._companion = self._companion or self._make(), None
            self.life = _Life(companion, self._hangs, self._changes, self._desk)
            self._hangs = None
            self.life.start()
        except Exception as error:  # no memory, no thread
            self.life = None
            self._failed(t, failure_words(error))

    def see(self, changes: list[Change]) -> None:
        self._changes.put(changes)

    def look(self, t: float) -> None:
        life = self.life
        if life is None:
            if t >= self._again_at:
                self.begin(t)
        elif not life.is_alive():
            self.life = None
            self._failed(t, life.failed or "its thread has ended")
        elif self._hangs_in(life):
            where = life.where()
            life.abandon()
            self.life, self._hangs = None, life.companion
            self._abandoned += 1
            self._failed(t, f"hangs in {where}", again=self._abandoned > 1)

    def _hangs_in(self, life: _Life) -> bool:
        """True if this same call has been seen often enough. Looks are counted, not time: a machine that was asleep, or a
        process that was frozen, is not a hung thread."""
        busy = life.busy
        if busy is None or busy is not self._busy:
            self._busy, self._seen_busy = busy, 0
            return False
        self._seen_busy += 1
        deadline_s = VITAL_DEADLINE_S if self._vital and busy.name != "start" else DEADLINE_S
        return self._seen_busy * self._turn_s >= deadline_s

    def _failed(self, t: float, error: str, *, again: bool = False) -> None:
        if t - self._began_at >= HELD_S:
            self._fails = 0
        self._again_at = t + self._pauses_s[min(self._fails, len(self._pauses_s) - 1)]
        self._fails += 1
        self._desk.report(CompanionFailed(t=t, stream="", companion=self._name, error=error))
        if again or (self._vital and self._fails > VITAL_RESTARTS):
            raise Lost(f"{self._name}: {error}")


class _Call:
    """One call of a companion that is under way."""

    def __init__(self, name: str):
        self.name = name


class _Changes:
    """What one companion has not seen yet, from one life to the next; bounded, the oldest go first."""

    def __init__(self) -> None:
        self.waiting: deque[Change] = deque(maxlen=MOST_CHANGES)
        self.news = threading.Condition()

    def put(self, changes: list[Change]) -> None:
        with self.news:
            self.waiting.extend(changes)
            self.news.notify_all()


class _Life(threading.Thread):
    """A companion from `start` to `stop` or to its first exception; to the companion, its view of the post.

    `hung` is the companion before this one, if its thread hangs: it is stopped from here, so that it lets go of what it
    holds. `busy` is the call under way.
    """

    def __init__(self, companion: Companion, hung: Companion | None, changes: _Changes, desk: Desk):
        super().__init__(name=companion.name, daemon=True)
        self.companion = companion
        self.failed = ""
        self.busy: _Call | None = None
        self._hung = hung
        self._changes = changes
        self._desk = desk
        self._ending = False
        self._abandoned = False
        self._wake_at = math.inf

    # ── its thread ──────────────────────────────────────────────────────────────────────────────────────────────

    def run(self) -> None:
        companion = self.companion
        if self._hung is not None:
            with contextlib.suppress(Exception):
                self._call("stop", self._hung.stop)
        try:
            self._call("start", lambda: companion.start(self))
            while not self._abandoned:
                changes = self._wait()
                if changes:
                    self._call("see", lambda changes=changes: companion.see(changes))  # type: ignore[misc]
                if self._ending:
                    break
                self._call("turn", lambda: companion.turn(self.now()))
        except BaseException as error:
            self.failed = f"{self.busy.name if self.busy else 'thread'}: {failure_words(error)}"
        try:
            self._call("stop", companion.stop)  # one that was abandoned may have taken hold of something since
        except BaseException as error:
            self.failed = self.failed or f"stop: {failure_words(error)}"

    def _call(self, name: str, what: Callable[[], None]) -> None:
        self.busy = _Call(name)
        what()
        self.busy = None

    def _wait(self) -> list[Change]:
        """What changed, when something did, when a turn is due, or when the end has come."""
        due = self.now() + TURN_S
        with self._changes.news:
            while not (self._ending or self._changes.waiting) and (wait_s := min(due, self._wake_at) - self.now()) > 0:
                self._changes.news.wait(wait_s)
            self._wake_at = math.inf
            if self._abandoned:
                return []
            changes = [*self._changes.waiting]
            self._changes.waiting.clear()
            return changes

    # ── the supervisor's hands ──────────────────────────────────────────────────────────────────────────────────

    def end(self) -> None:
        """Come to an end, what waits seen first."""
        self._ending = True
        self.wake(-math.inf)

    def abandon(self) -> None:
        """Should it ever come back, it does nothing any more."""
        self._abandoned = True
        self.end()

    def where(self) -> str:
        """The call under way, and the place it has reached."""
        call = self.busy
        frame = sys._current_frames().get(self.ident or 0)
        return f"{call.name if call else 'nothing'} ({line_of(frame)})"

    # ── what the companion sees of the post ─────────────────────────────────────────────────────────────────────

    def now(self) -> float:
        return self._desk.now()

    def pulse(self) -> Pulse:
        return self._desk.pulse()

    def snapshot(self) -> Status | None:
        return self._desk.snapshot()

    def show_office(self, link: OfficeStatus) -> None:
        if not self._abandoned:
            self._desk.show_office(link)

    def row_key(self, change: Change) -> RowKey | None:
        return self._desk.row_key(change)

    def plan(self) -> Site:
        return self._desk.plan()

    def tell(self, fact: Fact) -> None:
        if not self._abandoned:
            self._desk.tell(fact)

    def say(self, words: str, *, lasting: bool = False) -> None:
        if not self._abandoned:
            self._desk.say(words, lasting=lasting)

    def said(self, after: int) -> tuple[int, list[str]]:
        return (after, []) if self._abandoned else self._desk.said(after)

    def wake(self, t: float = 0.0) -> None:
        with self._changes.news:
            if t < self._wake_at:
                self._wake_at = t
                self._changes.news.notify_all()

    def end_service(self) -> None:
        if not self._abandoned:
            self._desk.end_service()


def failure_words(error: BaseException) -> str:
    """What was raised, and where, in one line."""
    last = traceback.extract_tb(error.__traceback__)[-1:]
    where = f" ({_short(last[0].filename)}:{last[0].lineno})" if last else ""
    return " ".join(f"{type(error).__name__}: {error}".split())[:300] + where


def line_of(frame: FrameType | None) -> str:
    """The file and line that a thread has reached."""
    return f"{_short(frame.f_code.co_filename)}:{frame.f_lineno}" if frame is not None else "its thread has ended"


def _short(path: str) -> str:
    return "/".join(path.split("/")[-2:])
