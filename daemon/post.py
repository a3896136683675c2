"""The post around the watch: panel, journal, service manager, status and health, as one companion of the service.

changes ──► panel (at once) ──► journal
turn ─────► panel, watchdog, health fact (every 10 s), status (every second), the crew's presses as facts
"""

from __future__ import annotations

import faulthandler
import os
import queue
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnesspost.daemon.host import health
from witnesspost.daemon.host.health import HealthReader, count_start
from witnesspost.daemon.host.journal import Journal
from witnesspost.daemon.host.notify import Notifier
from witnesspost.daemon.host.places import log_folder, run_folder
from witnesspost.daemon.signals.button import Press
from witnesspost.daemon.signals.panel import Panel
from witnesspost.daemon.signals.patterns import State
from witnesspost.daemon.signals.signals import state_of
from witnesspost.daemon.status.server import SocketTaken, StatusServer
from witnesspost.daemon.status.snapshot import status_of
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import open_whole_site
from witnesspost.rules.facts import Acknowledge, Fact, Shelve
from witnesspost.rules.site.model import Site, SiteError

if TYPE_CHECKING:
    from witnesspost.daemon.service import Service

SHELVE_S = 600.0
READER_MOVES_S = 15.0  # opening a port at the other end of a bad network takes some seconds
_PUBLISH_S = 1.0
_RATE_S = 10.0
_LOOK_S = 5.0


class Post:
    """A companion of `daemon.service.Service`: everything around the watch that a crew and a service manager meet.

    `faults` are the problems of a site file that could not be used: then the panel says `fault`. `say` prints a line for
    people (outputs that cannot be used, faults); it is called from the service's thread. `pins` is a gpiozero pin
    factory, None the board's own; `journal` None where there is none; `system` is where the kernel's /sys is.
    """

    def __init__(
        self,
        site: Site,
        clock: Callable[[], float],
        say: Callable[[str], None],
        *,
        faults: list[str] | None = None,
        journal: Journal | None = None,
        pins: Any = None,
        environment: Mapping[str, str] = os.environ,
        system: Path = Path("/sys"),
    ):
        faulthandler.enable()  # a watch that hangs is ended by SIGABRT: then the journal says where it hung
        self.site = site
        self.journal = journal
        self.problems = list(faults or [])
        self._fault = bool(faults)
        self._fault_silent = False
        self._say = say
        self._service: Service | None = None
        self._presses: queue.SimpleQueue[Press] = queue.SimpleQueue()
        self._notifier = Notifier(environment)
        self._ready = False
        self._fed_at = self._health_at = self._published_at = self._looked_at = -float("inf")
        self._ports: dict[str, tuple[str, str]] = {}
        self._read: deque[tuple[float, list[int]]] = deque()
        folder = run_folder(environment)
        self.restarts = count_start(folder / f"{site.post.name}.starts") if folder and folder.is_dir() else None
        self._health = HealthReader(log_folder(site, environment), self.restarts, system)
        self.temperature_c: float | None = None
        for fault in self.problems:
            self._say_problem(fault)
        self._panel = Panel(site, clock, self._presses.put, pins, system / "class/leds")
        self._panel.start()
        self._panel.show("fault" if self._fault else "starting", clock())
        self._status = self._open_status(folder)

    def changed(self, changes: list[Change]) -> None:
        """The panel first: it must not wait for anything."""
        if self._service is not None:
            self._show(self._service.pipeline.t)
        for change in changes:
            if self.journal is not None:
                self.journal.change(change)

    def turn(self, service: Service, t: float) -> Iterable[Fact]:
        """Show, feed the watchdog, read the health, publish; gives the crew's presses and the health as facts."""
        self._service = service
        if not self._ready and service.log.state().failed is None and all(r.tried.is_set() for r in service.readers):
            self._ready = True
            self._notifier.ready()
        facts = list(self._pressed(t))
        self._show(t)
        while self._panel.problems:
            problem = self._panel.problems.pop(0)
            self.problems.append(problem)
            self._say_problem(problem)
        self._manage(service, t)
        self._journal_ports(service)
        if self._fault and t - self._looked_at >= _LOOK_S:
            self._looked_at = t
            if self._mended():
                self._say_problem(f"{self.site.path} can be used now: starting again")
                service.stop()
        if t - self._health_at >= health.EVERY_S:
            self._health_at = t
            log = service.log.state()
            self.temperature_c = self._health.temperature_c()
            if (news := self._health.news(t, log, service.inbox.lost_bytes)) is not None:
                facts.append(news)
        if self._status is not None and t - self._published_at >= _PUBLISH_S:
            self._published_at = t
            self._status.publish(status_of(service, t, self, self._rates(service, t)))
        return facts

    def close(self) -> None:
        """Dark and silent, and nothing left behind."""
        self._notifier.stopping()
        self._panel.close()
        if self._status is not None:
            self._status.close()
        self._notifier.close()
        if self.journal is not None:
            self.journal.close()

    @property
    def showing(self) -> State:
        """What the panel says."""
        return self._panel.state

    def _show(self, t: float) -> None:
        assert self._service is not None
        state, silent = state_of(self._service.pipeline.open_alerts())
        if self._fault and state != "stop":
            state, silent = "fault", self._fault_silent
        elif state == "well" and not (self._ready and all(r.state != "waiting" for r in self._service.readers)):
            state = "starting"
        self._panel.show(state, t, silent)

    def _pressed(self, t: float) -> Iterator[Fact]:
        while not self._presses.empty():
            press = self._presses.get()
            if press == "stuck":
                self._say_problem("the button has been down for half a minute: is something leaning on it?")
                continue
            self._fault_silent = self._fault
            yield Acknowledge(t=t, stream="") if press == "short" else Shelve(t=t, stream="", for_s=SHELVE_S)

    def _journal_ports(self, service: Service) -> None:
        """Which ports came, went or are waited for, to the journal."""
        if self.journal is None:
            return
        for reader in service.readers:
            state = (reader.state, reader.reason)
            if reader.tried.is_set() and self._ports.get(reader.stream.name) != state:
                self._ports[reader.stream.name] = state
                reason = f": {reader.reason}" if reader.reason else ""
                words = f"port {reader.stream.name} ({reader.stream.port}) {reader.state}{reason}"
                priority = 6 if reader.state in ("open", "back") else 4
                self.journal.send(words, priority, STREAM=reader.stream.name, PORT_STATE=reader.state)

    def _mended(self) -> bool:
        """True if the site file has become right: the service manager then starts the watch with it."""
        try:
            open_whole_site(self.site.path)
        except SiteError:
            return False
        return True

    def _manage(self, service: Service, t: float) -> None:
        """Tell the service manager how it goes; the watchdog is fed only while everything moves."""
        log = service.log.state()
        waiting = [r.stream for r in service.readers if r.state in ("waiting", "lost")]
        stuck = [reader.name for reader in service.readers if t - reader.moved_at > READER_MOVES_S]
        words = [
            f"shows {self.showing}",
            *(f"waits for {stream.name} ({stream.port})" for stream in waiting),
            *([f"cannot write the log: {log.failed}"] if log.failed else []),
            *(f"{who} is stuck" for who in stuck),
        ]
        self._notifier.status("; ".join(words))
        if not stuck and t - self._fed_at >= 1.0:
            self._fed_at = t
            if self._ready:
                self._notifier.watchdog()
            else:
                self._notifier.starting()

    def _rates(self, service: Service, t: float) -> list[float | None]:
        self._read.append((t, [reader.bytes_read for reader in service.readers]))
        while len(self._read) > 2 and self._read[1][0] <= t - _RATE_S:
            self._read.popleft()
        then, before = self._read[0]
        if t - then < _PUBLISH_S / 2:
            return [None] * len(before)
        return [(now - was) / (t - then) for now, was in zip(self._read[-1][1], before, strict=True)]

    def _open_status(self, folder: Path | None) -> StatusServer | None:
        if folder is None:
            return None
        try:
            return StatusServer(folder / f"{self.site.post.name}.sock")
        except (SocketTaken, OSError) as error:
            problem = f"no status: {error}"
            self.problems.append(problem)
            self._say_problem(problem)
            return None

    def _say_problem(self, problem: str) -> None:
        if self.journal is not None:
            self.journal.send(problem, 4)
        else:
            self._say(problem)
