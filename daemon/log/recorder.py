"""The log on a thread of its own: whatever a disk does, neither the rules nor a port nor an alarm waits for it.

    loop ──input, fact, change, event, tick──► a queue, in its order ──► the log's thread ──► file
                       inbox ◄──`keep`── while the loop does not come round, the thread fetches the bytes itself

The order of the queue is the order in which all was fed: what is written is the same as if the loop had written it. The thread
sleeps until something presses: a change, a person's word, a tick at which the log has something to do. While the loop is late,
raw bytes and told facts alone are written; the tables that follow from them go on when it is back.
"""

from __future__ import annotations

import threading
import traceback
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from witnesspost.daemon.log.log import Log, LogState, Loss, is_pressing, row_of_change
from witnesspost.daemon.log.mark import AlarmMark
from witnesspost.daemon.log.rows import EventRow
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.facts import Fact, SetUp, Solved, Unseen
from witnesspost.rules.site.model import Site

LATE_S = 1.0  # the loop comes round five times a second
KEEP_EVERY_S = 1.0  # while it is late the watchdog may end the process any moment
ROOM_BYTES = 4 << 20  # what may wait for a disk that does not answer, before the log has it
CLOSE_S = 20.0  # for a disk that does not answer; the service manager waits half a minute for the whole of an end
_CHUNK_BYTES = 200
_FACT_BYTES = 400  # about what a fact and its place in the queue take
_PRESSING_BYTES = 64 << 10  # waiting: the log's thread is woken though nothing is due
_AT_ONCE_BYTES = 16 << 10  # as done, when several tasks are
_LOOK_S = 0.5  # the loop has at least so long to come round, once all were frozen
_AFTER_S = 0.1  # a tick that is due at the very moment at which the loop would be late comes first

_Task = tuple[Callable[..., None], tuple[Any, ...], int]


class Recorder:
    """A log that never makes anybody wait. `t` is the pipeline's clock.

    `keep` is called on the log's thread while the loop is late: it brings what came to `bytes_came` and `fact_came`. `begun` is
    called there once the file is begun, or could not be. `mark` is where to note what sounds (`daemon.log.mark`).
    """

    def __init__(
        self,
        folder: Path,
        site: Site,
        site_text: str,
        clock: Callable[[], float],
        keep: Callable[[], None],
        begun: Callable[[], None],
        mark: Path | None = None,
    ):
        """Raises LogBusy where another service writes the same log."""
        self.loss: Loss | None = None
        self._clock, self._keep, self._begun = clock, keep, begun
        self._log = Log.start(folder, site, site_text, begin=False)
        self._mark = AlarmMark(mark, self._log.run)
        self._state = self._log.state()
        self._error: BaseException | None = None
        self._tasks: deque[_Task] = deque()
        self._waiting_bytes = 0
        self._dropped: dict[str, list[Any]] = {}
        self._ticked_at = self._moved_at = self._kept_at = clock()
        self._tick_t = 0.0
        self._presses = False  # something that waits is to be done now, not with the next that is
        self._closed = False
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    def start(self) -> None:
        """Begin the file, on the thread."""
        self._ticked_at = self._moved_at = self._clock()
        self._thread.start()

    # ── what comes, whoever of the two threads fetches it ────────────────────────────────────────────────────────

    def bytes_came(self, t: float, stream: str, data: bytes) -> None:
        """Bytes as one read of the port returned them."""
        if not self._put(self._log.chunk, (t, stream, data), len(data) + _CHUNK_BYTES, must=False):
            self._drop(t, stream, len(data), 1)

    def fact_came(self, fact: Fact) -> None:
        """A fact from outside the streams."""
        self._put(self._input, (EventRow.told(fact), is_pressing(fact)), _FACT_BYTES, news=is_pressing(fact))

    # ── what the pipeline says ──────────────────────────────────────────────────────────────────────────────────

    def chunk(self, t: float, stream: str, data: bytes) -> None:
        """Recorded before the pipeline had it."""

    def told(self, fact: Fact) -> None:
        """Recorded before the pipeline had it."""

    def fact(self, fact: Fact) -> None:
        """A fact that the streams gave."""
        if not self._put(self._log.fact, (fact,), _FACT_BYTES, must=False):
            self._drop(fact.t, fact.stream, 0, 0)

    def change(self, change: Change) -> None:
        """An alert's change, in the words of now; written as soon as the disk can."""
        self._put(self._log.record, (row_of_change(change),), _FACT_BYTES, news=True)

    def event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        """What befell the post: recorded, not replayed."""
        self._put(self._log.record, (EventRow.of(t, kind, detail),), _FACT_BYTES, news=True)

    def tick(self, t: float) -> None:
        """The loop has come round, all that came until `t` judged. Raises what ended the log's thread, if anything did."""
        if self._error is not None:
            raise self._error
        next_t, self._tick_t = t + (t - self._tick_t), t
        with self._news:
            self._ticked_at = self._clock()
            self._tell_dropped()
            if self._tasks and self._tasks[-1][0] == self._log.tick:
                self._tasks.pop()
            self._tasks.append((self._log.tick, (t, next_t), 0))
            if self._waiting_bytes >= _PRESSING_BYTES or self._log.is_due(t, next_t):
                self._press()

    def sounds(self, changes: list[Change]) -> None:
        """These sound now, before they are written."""
        self._mark.write(changes)

    def left(self, t: float) -> list[Unseen | SetUp]:
        """See `Log.left`; for `begun`."""
        return self._log.left(t, self._mark.before)

    def not_recorded(self) -> list[tuple[Change, str]]:
        """What sounded in the run before and is not in its log, in words: recorded here, apart. For `begun`."""
        missing = self._log.not_recorded(self._mark.before) if self._mark.before is not None else []
        found = [(change, row_of_change(change).say) for change in missing]
        for change, say in found:
            detail = {"of_t": change.t, "change": change.change, "rule": change.rule, "cause": change.cause, "say": say}
            self.event(self._clock(), "sounded-not-recorded", detail)
        return found

    def solved_before(self) -> list[Solved]:
        """See `Log.solved_before`."""
        return self._log.solved_before()

    def row_key(self, change: Change) -> RowKey | None:
        """See `Log.row_key`."""
        return self._log.row_key(change)

    def state(self) -> LogState:
        """How the log was when its thread last came round."""
        return self._state

    def silent_s(self) -> float:
        """How long its thread has been about one thing: a disk that does not answer."""
        return self._clock() - self._moved_at

    def close(self, t: float, how: str) -> None:
        """Write all that waits and close the file. What is lost is in `loss` then."""
        with self._news:
            self._tell_dropped()
        self._put(self._close, (t, how), 0, news=True)
        if self._thread.ident is None:
            self._thread.start()
        self._thread.join(CLOSE_S)
        if self._log.loss is not None:
            self.loss = self._log.loss
        elif self._error is not None:
            self.loss = self._loss(f"an error: {self._error}")
        elif self._thread.is_alive():
            self.loss = self._loss("the disk does not answer")

    def cut_off(self, how: str, within_s: float) -> None:
        """The process is ended the next moment, by another thread than the loop's: write what came, if the disk answers."""
        self._keep()
        self._put(self._cut_off, (self._clock(), how), 0, news=True)
        self._thread.join(within_s)

    # ── the log's thread ────────────────────────────────────────────────────────────────────────────────────────

    def _run(self) -> None:
        try:
            self._log.begin(0.0)
            self._state = self._log.state()
            self._begun()
            self._kept_at = self._clock()
            while not self._closed:
                from_t = self._clock()
                wait_s = max(_LOOK_S, self._keep_due() + _AFTER_S - from_t)
                tasks = self._next(wait_s)
                frozen = self._clock() - from_t > wait_s + _LOOK_S  # then so was the loop: it comes round first
                self._work(tasks)
                now = self._clock()
                if not (self._closed or frozen) and now >= self._keep_due():
                    self._keep()
                    self._work(self._next(0.0))
                    if not self._closed:
                        self._log.keep(now)
                    self._kept_at = now
                self._moved_at = self._clock()
                self._state = self._log.state()
        except BaseException as error:  # the loop ends the service: the log is what it is there for
            traceback.print_exc()
            self._error = error

    def _keep_due(self) -> float:
        """When the loop, if it does not come round before, is late, and the thread has not just fetched for itself."""
        return max(self._ticked_at + LATE_S, self._kept_at + KEEP_EVERY_S)

    def _next(self, timeout_s: float) -> list[_Task]:
        """All that waits, once something presses or the time is over."""
        with self._news:
            self._news.wait_for(lambda: self._presses, timeout_s)
            self._presses = False
            tasks = [*self._tasks]
            self._tasks.clear()
            return tasks

    def _work(self, tasks: list[_Task]) -> None:
        done = 0
        for call, values, size in tasks:
            call(*values)
            done += size
            if done >= _AT_ONCE_BYTES:
                self._done(done)
                done = 0
        self._done(done)

    def _done(self, size: int) -> None:
        with self._news:
            self._waiting_bytes -= size

    def _input(self, row: EventRow, at_once: bool) -> None:
        self._log.input(row, at_once=at_once)

    def _cut_off(self, t: float, how: str) -> None:
        self._log.cut_off(t, how)
        self._closed = True

    def _close(self, t: float, how: str) -> None:
        self._log.close(t, how)
        self._closed = True

    # ── the queue ───────────────────────────────────────────────────────────────────────────────────────────────

    def _put(
        self, call: Callable[..., None], values: tuple[Any, ...], size: int, *, must: bool = True, news: bool = False
    ) -> bool:
        """Hand a task to the thread; False where there is no room for one that need not be."""
        with self._news:
            if not must and self._waiting_bytes + size > ROOM_BYTES:
                return False
            self._waiting_bytes += size
            self._tasks.append((call, values, size))
            if news:
                self._press()
            return True

    def _press(self) -> None:
        self._presses = True
        self._news.notify_all()

    def _drop(self, t: float, stream: str, size: int, chunks: int) -> None:
        with self._news:
            sums = self._dropped.setdefault(stream, [t, t, 0, 0])
            sums[1] = max(t, sums[1])
            sums[2] += size
            sums[3] += chunks

    def _tell_dropped(self) -> None:
        """What found no room, as gaps, once there is some again."""
        if self._dropped and self._waiting_bytes < ROOM_BYTES // 2:
            for stream, sums in self._dropped.items():
                self._tasks.append((self._log.lost, (stream, *sums, "the disk did not answer"), 0))
            self._dropped.clear()

    def _loss(self, why: str) -> Loss:
        with self._news:
            chunks = [values[2] for call, values, _ in self._tasks if call == self._log.chunk]
            dropped = sum(sums[2] for sums in self._dropped.values())
        size = sum(map(len, chunks)) + dropped + self._state.waiting_bytes
        return Loss(why=why, raw_bytes=size, alerts=[])
