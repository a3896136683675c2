"""The service: one reader thread a port, one a companion, one for the log, and this thread, which owns pipeline and ticks.

ports ──► inbox ──► intake ──► pipeline ──changes──► companions (signals first), before the log has them
            ▲         └──► log ◄──┘                      │
            └──────────────────────facts─────────────────┘
"""

from __future__ import annotations

import contextlib
import datetime as dt
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path

import msgspec
from witnesspost.daemon.clock import Clock
from witnesspost.daemon.companion import Pulse, TooMuchTold
from witnesspost.daemon.log.recorder import Recorder
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.state import state_of
from witnesspost.daemon.status.snapshot import LogStatus, PortStatus, Status, snapshot_of
from witnesspost.daemon.status.told import OfficeStatus
from witnesspost.daemon.stream.inbox import ROOM_BYTES, Chunk, Full, Inbox
from witnesspost.daemon.stream.intake import Intake, Item, milliseconds
from witnesspost.daemon.stream.ports import PortReader
from witnesspost.daemon.stream.reading import GRID_MS
from witnesspost.daemon.supervisor import PAUSES_S, Maker, Supervisor, failure_words, line_of
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.facts import Acknowledge, CheckIn, CompanionFailed, Fact, Frozen, Health, Planned, SetUp, Shelve, Solved
from witnesspost.rules.site.model import Site

LEFT_TOLD_S = 1.0  # a base that is judged before its set-up is known would be a false stop; a disk that hangs costs no more
TURN_S = GRID_MS / 1000.0
MOST_BYTES = 16384  # of each stream before the clock is looked at again: some milliseconds of work
READER_MOVES_S = 15.0  # opening a port at the other end of a bad network takes some seconds
LOG_MOVES_S = 60.0  # a card that is wearing out pauses for seconds, and a file that is begun or closed syncs several times
SNAPSHOT_S = 1.0
SAID_BY_PEOPLE = (Acknowledge, CheckIn, Planned, SetUp, Shelve, Solved)  # who then asks must not read what held before
CATCH_UP_S = 0.5  # after a process was frozen its readers find what waits in the kernel
FROZEN_S = 1.0  # five turns that did not come; as long again for what waits in the kernel, and the next epoch of a usual base
REST_S = 10.0  # for what came before the end; the service manager waits half a minute for the whole of it
_SNAPSHOT_AGAIN_S = 30.0
_RATE_S = 10.0
_MOST_SAID = 100


class Service:
    """One site watched until `stop`, logged in `folder`. Raises LogBusy where another service writes the same log.

    `companions` make what lives around the watch, in the order in which changes are handed to them. `faulty` where the site
    file could not be used as it stands: the post's state is then `fault`. `mark` is a file in memory for what sounds.
    """

    def __init__(
        self,
        site: Site,
        site_text: str,
        folder: Path,
        companions: Iterable[Maker] = (),
        clock: Callable[[], float] | None = None,
        *,
        faulty: bool = False,
        mark: Path | None = None,
        pauses_s: tuple[float, ...] = PAUSES_S,
    ):
        self.site = site
        self.clock = clock or Clock()
        self.inbox = Inbox([stream.name for stream in site.stream])
        self.log = Recorder(folder, site, site_text, self.clock, self._keep, self._look_back, mark)
        self._intake = Intake(self.inbox, self._record)
        self.pipeline = Pipeline(site, self.log, self._alarm)
        self.readers = [PortReader(stream, self.inbox, self.clock) for stream in site.stream]
        self._faulty, self._fault_seen = faulty, False
        self._ready = False
        self._health: Health | None = None
        self._solved_before: list[Solved] = []
        self._rates: list[float | None] = [None] * len(self.readers)
        self._read: deque[tuple[float, list[int]]] = deque()
        self._office: OfficeStatus | None = None
        self._said: deque[str] = deque(maxlen=_MOST_SAID)
        self._said_count = 0
        self._problems: list[str] = []
        self._saying = threading.Lock()
        self._stopping = threading.Event()
        self._loop: int | None = None
        self._left_told = threading.Event()
        self._log_said = self.log.state(), msgspec.convert(self.log.state(), LogStatus, from_attributes=True)
        self._pulse = self._take_pulse(0.0)
        self._status: Status | None = None
        self._snapshot_at = 0.0
        self._supervisor = Supervisor(companions, self, TURN_S, pauses_s)

    def stop(self) -> None:
        """End at the next turn; safe in a signal handler."""
        self._stopping.set()

    def run(self) -> list[str]:
        """Read, judge and log until `stop`; then close the ports, take what they still brought, and close the log.

        Gives which companions failed at the end, a line each. Raises `supervisor.Lost`, the log closed, where the service
        cannot go on without one.
        """
        how = "fault"
        self._loop = threading.get_ident()
        parting: list[str] = []
        self._supervisor.start()
        self.log.start()
        self._left_told.wait(LEFT_TOLD_S)
        for reader in self.readers:
            reader.start()
        try:
            next_turn_ms = 0
            while not self._stopping.is_set():
                if self._wait(next_turn_ms / 1000.0):
                    self._process(self._intake.take_items(MOST_BYTES))
                t = self.clock()
                if milliseconds(t) >= next_turn_ms and self._intake.reach(t):
                    self.inbox.begin_turn()
                    self.pipeline.tick(t)
                    self._turn(t)
                    next_turn_ms = (milliseconds(t) // GRID_MS + 1) * GRID_MS
            how = "stopped"
        finally:
            with contextlib.ExitStack() as end:  # each of these is done, whatever the one before it does
                end.callback(lambda: parting.extend(self._supervisor.stop()))
                end.callback(self._publish_end)
                end.callback(lambda: self.log.close(self.pipeline.t, how))
                end.callback(self.pipeline.end)
                end.callback(lambda: parting.extend(self._take_rest()))
                for reader in self.readers:
                    end.callback(reader.join, 2.0)
                for reader in self.readers:
                    end.callback(reader.stop)
        return parting

    def cut_off(self, within_s: float) -> None:
        """The process is ended because it did not come round: what came is written, by other threads than the loop."""
        time.sleep(CATCH_UP_S)
        frame = sys._current_frames().get(self._loop or 0)
        self.log.cut_off(f"it did not come round and was ended ({line_of(frame)})", within_s)

    # ── what companions ask, from their own threads ─────────────────────────────────────────────────────────────

    def now(self) -> float:
        """The run's clock, seconds."""
        return self.clock()

    def pulse(self) -> Pulse:
        """The loop's last word."""
        return self._pulse

    def snapshot(self) -> Status | None:
        """How things stood at most a second ago."""
        return self._status

    def show_office(self, link: OfficeStatus) -> None:
        """How the office's link is."""
        self._office = link

    def row_key(self, change: Change) -> RowKey | None:
        """Where the log has it by now."""
        return self.log.row_key(change)

    def plan(self) -> Site:
        """The site file, as it was read."""
        return self.site

    def tell(self, fact: Fact) -> None:
        """A fact for the loop. Raises TooMuchTold."""
        try:
            self.inbox.tell(fact)
        except Full as error:
            raise TooMuchTold(str(error)) from None

    def report(self, fault: CompanionFailed) -> None:
        """That a companion has failed, whatever else is told."""
        self.inbox.tell(fault, bounded=False)

    def say(self, words: str, *, lasting: bool = False) -> None:
        """A line for people."""
        with self._saying:
            self._said.append(words)
            self._said_count += 1
            if lasting and words not in self._problems:
                self._problems.append(words)

    def said(self, after: int) -> tuple[int, list[str]]:
        """What was said since line `after`."""
        with self._saying:
            new = min(self._said_count - after, len(self._said))
            return self._said_count, list(self._said)[len(self._said) - new :]

    def end_service(self) -> None:
        """A companion wants the end."""
        self.stop()

    # ── the loop ────────────────────────────────────────────────────────────────────────────────────────────────

    def _wait(self, next_turn: float) -> bool:
        """Wait for what comes, until the next turn: True where something did. Who wakes up much later did not run (a process
        that was stopped, a machine that was overloaded), nor did the readers: what came waits in the kernel, and nothing was
        silent because of that."""
        from_t = self.clock()
        wait_s = max(0.0, next_turn - from_t)
        came = self._intake.wait(wait_s)
        lost_s = self.clock() - from_t - wait_s
        if lost_s > FROZEN_S:
            frozen = Frozen(t=from_t, stream="", for_s=wait_s + lost_s + FROZEN_S)
            self._intake.put_first(frozen)
            self.pipeline.tell(frozen)
        return came

    def _process(self, items: Iterable[Item]) -> None:
        for item in items:
            if isinstance(item, Chunk):
                self.pipeline.feed(item.t, item.stream, item.data)
                continue
            if isinstance(item, Acknowledge | Shelve):
                self._fault_seen = True
            elif isinstance(item, Health):
                self._health = item
            self.pipeline.tell(item)
            if isinstance(item, SAID_BY_PEOPLE):
                self._snapshot_at = 0.0

    def _record(self, item: Item) -> None:
        """An input, for the log: on this thread or, while it does not come round, on the log's."""
        if isinstance(item, Chunk):
            self.log.bytes_came(item.t, item.stream, item.data)
        else:
            self.log.fact_came(item)

    def _keep(self) -> None:
        self._intake.keep()

    def _look_back(self) -> None:
        """Of the runs before, on the log's thread: what nobody had seen, how it is set up, what sounded and is in no log, and
        what has solved what. A fault here must not cost the watch."""
        try:
            for fact in self.log.left(self.clock()):
                self.inbox.tell(fact, bounded=False)
            for change, say in self.log.not_recorded():
                self.say(f"sounded, not recorded: {change.change} {change.rule}: {say}")
        except Exception as error:
            self.report(CompanionFailed(t=self.clock(), stream="", companion="log", error=failure_words(error)))
        self._left_told.set()
        threading.Thread(target=self._count_solved, name="what solved what", daemon=True).start()

    def _count_solved(self) -> None:
        """On a thread of its own: many logs take a while on a slow card."""
        try:
            self._solved_before = self.log.solved_before()
        except Exception as error:
            self.report(CompanionFailed(t=self.clock(), stream="", companion="log", error=failure_words(error)))

    def _take_rest(self) -> list[str]:
        """What the ports still brought. Time ends where they ended, however long this takes: nothing was silent meanwhile."""
        ended_t = self.clock()
        self.inbox.begin_turn(ROOM_BYTES)
        while self.clock() < ended_t + REST_S and (items := [*self._intake.take_items(MOST_BYTES)]):
            self._process(items)
        self.pipeline.tick(ended_t)
        left_bytes = sum(len(item.data) for item in self.inbox.take_items() if isinstance(item, Chunk))
        return (
            [f"{left_bytes} bytes that came last are not in the log: a line brings more than can be kept"] if left_bytes else []
        )

    def _turn(self, t: float) -> None:
        if self._solved_before:
            self.pipeline.scene.solved.add_all(self._solved_before)
            self._solved_before = []
        self._pulse = self._take_pulse(t)
        if t >= self._snapshot_at:
            self._snapshot_at = t + SNAPSHOT_S
            self._rates = self._rates_at(t)
            self._take_snapshot(t)
        self._supervisor.turn(t)

    def _alarm(self, changes: list[Change]) -> None:
        self._pulse = self._take_pulse(self.pipeline.t)
        self.log.sounds(changes)
        self._supervisor.see(changes)
        self._snapshot_at = 0.0

    def _take_pulse(self, t: float, *, ended: bool = False) -> Pulse:
        log = self._log_status()
        tried = all(reader.tried.is_set() for reader in self.readers)
        self._ready = self._ready or (tried and log.path is not None and log.failed is None)
        state, silent = state_of(self.pipeline.open_alerts())
        if self._faulty and state != "stop":
            state, silent = "fault", self._fault_seen
        elif state == "well" and not (self._ready and tried and all(reader.state != "waiting" for reader in self.readers)):
            state = "starting"
        check = self.pipeline.last_check
        return Pulse(
            t=t,
            utc=self._utc(t),
            shown=state,
            silent=silent,
            ready=self._ready,
            ports=tuple(_port(reader, rate) for reader, rate in zip(self.readers, self._rates, strict=True)),
            stuck=(
                *(reader.name for reader in self.readers if t - reader.moved_at > READER_MOVES_S),
                *(("log",) if self.log.silent_s() > LOG_MOVES_S else ()),
            ),
            log=log,
            lost_bytes=self.inbox.lost_bytes,
            check_passed_t=None if check is None or not check[1]["passed"] else check[0],
            ended=ended,
        )

    def _utc(self, t: float) -> dt.datetime | None:
        try:
            return self.pipeline.scene.utc_at(t)
        except OverflowError:  # a receiver said the last day of all years
            return None

    def _take_snapshot(self, t: float) -> None:
        """A fault here costs people the news, and nobody else anything."""
        with self._saying:
            problems = list(self._problems)
        try:
            self._status = snapshot_of(
                self.site,
                self.pipeline.scene,
                self.pipeline.open_alerts(),
                t,
                shown=self._pulse.shown,
                ports=self._pulse.ports,
                log=self._pulse.log,
                health=self._health,
                problems=problems,
                check=self.pipeline.last_check,
                shelved=self.pipeline.engine.shelved(t),
                office=self._office,
                stood=self.pipeline.engine.stood(),
            )
        except Exception as error:
            self._snapshot_at = t + _SNAPSHOT_AGAIN_S
            self.report(CompanionFailed(t=t, stream="", companion="status", error=f"snapshot: {failure_words(error)}"))

    def _log_status(self) -> LogStatus:
        state, status = self._log_said
        if state is not (now := self.log.state()):
            status = msgspec.convert(now, LogStatus, from_attributes=True)
            self._log_said = now, status
        return status

    def _publish_end(self) -> None:
        log = self._pulse.log
        if self.log.loss is not None:
            self.say(self.log.loss.in_a_line())
            log = msgspec.structs.replace(log, failed=self.log.loss.why)
        self._pulse = msgspec.structs.replace(self._pulse, log=log, ended=True)

    def _rates_at(self, t: float) -> list[float | None]:
        """Bytes a second of each port over the last _RATE_S."""
        self._read.append((t, [reader.bytes_read for reader in self.readers]))
        while len(self._read) > 2 and self._read[1][0] <= t - _RATE_S:
            self._read.popleft()
        then, before = self._read[0]
        if t - then < SNAPSHOT_S / 2:
            return [None] * len(before)
        return [(now - was) / (t - then) for now, was in zip(self._read[-1][1], before, strict=True)]


def _port(reader: PortReader, rate: float | None) -> PortStatus:
    return PortStatus(
        stream=reader.stream.name,
        port=reader.stream.port,
        state=reader.state if reader.tried.is_set() else "opening",
        reason=reader.reason,
        read_bytes=reader.bytes_read,
        rate_bytes_per_s=None if rate is None else round(rate, 1),
    )
