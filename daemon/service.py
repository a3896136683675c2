"""The service: one reader thread a port, and this thread, which owns the pipeline, the log and the clock's ticks.

ports ──► inbox ──► pipeline ──► log
                       └──► alarm: panel, journal, the lines on the terminal
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from witnesspost.daemon.clock import Clock
from witnesspost.daemon.host.places import log_folder
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import GRID_MS, Pipeline
from witnesspost.daemon.stream.inbox import Chunk, Inbox
from witnesspost.daemon.stream.ports import PortReader
from witnesspost.rules.alert import Change
from witnesspost.rules.facts import Fact, RuleFailed
from witnesspost.rules.site.model import Site

TURN_S = GRID_MS / 1000.0


class Companion(Protocol):
    """Somebody who lives with the service: told at each turn of the loop and of every change, before the log is."""

    def changed(self, changes: list[Change]) -> None:
        """Alerts changed."""

    def turn(self, service: Service, t: float) -> Iterable[Fact]:
        """The loop came round at `t`; facts to tell the pipeline, if any."""

    def close(self) -> None:
        """The service ends."""


class Service:
    """One site watched until `stop`. Raises LogBusy where another service writes the same log."""

    def __init__(self, site: Site, site_text: str, companions: list[Companion], clock: Callable[[], float] | None = None):
        self.site = site
        self.clock = clock or Clock()
        self.inbox = Inbox()
        self.companions = companions
        self._left_behind: list[Companion] = []
        self.log = Log.start(log_folder(site), site, site_text)
        self.pipeline = Pipeline(site, self.log, self._alarm)
        self.readers = [PortReader(stream, self.inbox, self.clock) for stream in site.stream]
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End at the next turn; safe in a signal handler."""
        self._stopping.set()

    def run(self) -> None:
        """Read, judge and log until `stop`; then close the ports, take what they still brought, and close the log."""
        how = "fault"
        for reader in self.readers:
            reader.start()
        try:
            next_turn = 0.0
            while not self._stopping.is_set():
                self._take(self.inbox.take(max(0.0, next_turn - self.clock())))
                t = self.clock()
                if t >= next_turn:
                    self.pipeline.tick(t)
                    self._turn(t)
                    next_turn = (int(t / TURN_S) + 1) * TURN_S
            how = "stopped"
        finally:
            with contextlib.ExitStack() as end:  # each of these is done, whatever the one before it does
                for companion in (*self.companions, *self._left_behind):
                    end.callback(companion.close)
                end.callback(lambda: self.log.close(self.pipeline.t, how))
                end.callback(lambda: self.pipeline.tick(self.clock()))
                end.callback(lambda: self._take(self.inbox.take(0.0)))
                for reader in self.readers:
                    end.callback(reader.join, 2.0)
                for reader in self.readers:
                    end.callback(reader.stop)

    def _take(self, items: Iterable[Any]) -> None:
        for item in items:
            if isinstance(item, Chunk):
                self.pipeline.feed(item.t, item.stream, item.data)
            else:
                self.pipeline.tell(item)

    def _turn(self, t: float) -> None:
        for companion in tuple(self.companions):
            try:
                facts = list(companion.turn(self, t))
            except Exception as error:
                self._let_go(companion, error)
                continue
            for fact in facts:
                self.pipeline.tell(fact)

    def _alarm(self, changes: list[Change]) -> None:
        for companion in tuple(self.companions):
            try:
                companion.changed(changes)
            except Exception as error:
                self._let_go(companion, error)

    def _let_go(self, companion: Companion, error: Exception) -> None:
        """A companion that fails is left behind, and said: the log and the others go on."""
        self.companions.remove(companion)
        self._left_behind.append(companion)
        failed = f"{type(error).__name__}: {error}"
        self.inbox.put(RuleFailed(t=self.clock(), stream="", rule=type(companion).__name__.lower(), error=failed))
