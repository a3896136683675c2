"""The log: every byte as it came, what was told, the alerts, in a SQLite file that says so when something is missing.

    chunk, told, change, event ──► backlog, in feed order ──► one transaction ──► NAME.0042.db
    fact ───────────────────────► rows of fix, station, clock, traffic ─┘

Raw bytes are committed at most `commit_s` apart; alerts, acknowledgements and events at once, with all bytes up to them,
so that an alert never stands without its evidence. Nothing here raises when the disk fails: rows wait in bounded memory,
the file is opened again from time to time, and what had to be dropped becomes a `gap` event with its size.

One thread owns the log (`daemon.log.recorder` is that thread in a service). A commit syncs the disk, which on a slow card takes
seconds: sound the alert first.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from pathlib import Path
from typing import Any

import msgspec
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.log.backlog import Backlog, Waiting
from witnesspost.daemon.log.derived import DerivedRows, holdable
from witnesspost.daemon.log.folder import Folder, UnreliableFile
from witnesspost.daemon.log.left import left, solved_before
from witnesspost.daemon.log.mark import Sounded, not_recorded
from witnesspost.daemon.log.room import Room
from witnesspost.daemon.log.rows import AlertRow, Derived, EventRow, FixRow, StationRow
from witnesspost.daemon.log.succession import Succession
from witnesspost.daemon.log.writing import NotOurs, Writer
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Fact, Health, SetUp, Solved, Unseen
from witnesspost.rules.site.model import Site

_WAITING_MOST_BYTES = 8 << 20  # more than an hour of a base; the whole post keeps within 64 MiB
_OPEN_MOST_BYTES = 1 << 20  # of blocks that are being filled, whatever `commit_s` is: a line may flood
_BATCHES_A_TURN = 4  # when much has waited: the pipeline must come round between
_LOOK_EVERY_S = 2.5  # at the file itself, as each commit does: a WAL that somebody deletes takes what is written with it
_CLOCK_STEP_S = 1.0  # between two commits; a clock that is only steered moves by milliseconds
_COMMIT_OF_SINGLE_S = 60.0
_MOST_ROW_KEYS = 1000  # of changes whose rows are remembered


class LogState(msgspec.Struct, kw_only=True):
    """How the log is. `failed` says why nothing can be written now; `lost_bytes` counts what had to be dropped."""

    path: str | None
    failed: str | None
    raw_bytes: int
    size_bytes: int
    waiting_bytes: int
    lost_bytes: int
    disk_free_fraction: float | None
    disk_left_h: float | None


class Loss(msgspec.Struct, kw_only=True):
    """What could not be written at the end, and why: raw bytes, and a line for each change of an alert. `note` is the file
    that says so, None where nothing can be written anywhere."""

    why: str
    raw_bytes: int
    alerts: list[str]
    note: Path | None = None

    def in_a_line(self) -> str:
        """For people."""
        alerts = f" and {len(self.alerts)} changes of alerts" if self.alerts else ""
        said = f"the log could not be written at its end ({self.why}): {self.raw_bytes} bytes{alerts} are lost"
        return f"{said}; see {self.note}" if self.note else said


class Log:
    """The writer. Made by `start`; `t` is the pipeline's clock, seconds, never stepping back."""

    @classmethod
    def start(
        cls,
        folder: str | Path,
        site: Site,
        site_text: str,
        *,
        path: str | Path | None = None,
        t: float = 0.0,
        rotate_s: float = 86400.0,
        rotate_bytes: int = 1 << 30,
        waiting_most_bytes: int = _WAITING_MOST_BYTES,
        begin: bool = True,
    ) -> Log:
        """Begin a log: the next number in `folder`, or just the file `path`, which must not exist (FileExistsError).

        Looks at the last file first (`daemon.log.folder`). Raises LogBusy where another service writes here; a disk that
        cannot be written is not an error but a failed log (`state`), tried again every `commit_s`. Without `begin` the lock is
        taken and nothing written yet: this waits for no sync, and `begin` is to be called.
        """
        single = Path(path) if path is not None else None
        if single is not None and single.exists():
            raise FileExistsError(f"{path}: exists; name a file that does not")
        log_folder = Folder(Path(folder), site.post.name)
        files = Succession(log_folder, single, site, site_text, t)
        log = cls(site, log_folder, files, single is None, t, rotate_s, rotate_bytes, waiting_most_bytes)
        if single is None:
            try:
                log_folder.lock()
            except OSError as error:
                log._fail(t, error)
        if begin:
            log.begin(t)
        return log

    def __init__(
        self,
        site: Site,
        folder: Folder,
        files: Succession,
        live: bool,
        t: float,
        rotate_s: float,
        rotate_bytes: int,
        waiting_most_bytes: int,
    ):
        self._site = site
        self._axes_in: Path | None = None  # the file that says the project's axes
        self._folder = folder
        self._files = files
        self._live = live
        self._rotate_s, self._rotate_bytes = rotate_s, rotate_bytes
        # A single file is a replay's, and can be made again: fewer and larger blocks.
        self._commit_s = site.post.commit_s if live else max(site.post.commit_s, _COMMIT_OF_SINGLE_S)

        self._backlog = Backlog(waiting_most_bytes, t)
        self._derived = DerivedRows(system_utc if live else None, at_base=site.post.role == "base")
        self._room = Room(folder, site.post.keep_days, t)
        # What comes many times a second is handed on without a call between.
        self.chunk = self._backlog.chunk
        """Bytes as one read of the port returned them."""
        self.fact = self._derived.see
        """A fact that the streams gave: into the tables for people."""

        self.loss: Loss | None = None
        self._row_keys: dict[tuple[int, str, float], RowKey] = {}
        self._behind = False  # so much had waited that it takes several turns to write
        self._trying: list[Waiting] = []
        self._last_tick = t
        self._look_due = t + _LOOK_EVERY_S
        self._due = t + self._commit_s
        self._failed: str | None = None
        self._failed_since = t
        self._system_ahead_s = _system_ahead_s()

    def begin(self, t: float) -> None:
        """Begin the file."""
        self._write_now(t)

    def left(self, t: float, sounded: Sounded | None = None) -> list[Unseen | SetUp]:
        """What the runs before have left to this one, to be told at `t` (`daemon.log.left`); among it the stops that `sounded`
        and are not in their log."""
        rows = [row_of_change(change) for change in self.not_recorded(sounded)] if sounded is not None else []
        return left(self._folder, t, self._path(), rows)

    @property
    def run(self) -> str:
        """What names this life of the log among all others."""
        return self._files.run

    def not_recorded(self, sounded: Sounded) -> list[Change]:
        """What `sounded` in the run before, and is not in its log (`daemon.log.mark`)."""
        return not_recorded(self._folder, sounded, self._path())

    def row_key(self, change: Change) -> RowKey | None:
        """Where one of the last changes stands; None while it is not written. From any thread."""
        return self._row_keys.get((change.alert, change.change, change.t))

    def solved_before(self) -> list[Solved]:
        """What people have said of what solved an alert, in all logs before this run's; from any thread."""
        return solved_before(self._folder, self._path())

    # ── what the pipeline says ──────────────────────────────────────────────────────────────────────────────────

    def told(self, fact: Fact) -> None:
        """A fact from outside the streams: an input like the bytes, in the same order."""
        self.input(EventRow.told(fact), at_once=is_pressing(fact))

    def change(self, change: Change) -> None:
        """An alert's change, on the disk when this returns."""
        self.record(row_of_change(change))

    def event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        """What befell the post or the log: recorded, not replayed."""
        self.record(EventRow.of(t, kind, detail))

    def input(self, row: EventRow, *, at_once: bool = True) -> None:
        """The row of a fact that was told."""
        self._backlog.add(row)
        if at_once:
            self._write_now(row.t)

    def record(self, row: AlertRow | EventRow) -> None:
        """The row of a change or an event, on the disk when this returns. It keeps its own `t`, also where inputs that came
        later are written already."""
        self._backlog.note(row)
        self._write_now(row.t)

    def lost(self, stream: str, t: float, until_t: float, size: int, chunks: int, why: str) -> None:
        """Bytes that never came so far as to wait here."""
        self._backlog.lost_bytes += size
        row = EventRow.of(t, "gap", {"why": why, "bytes": size, "chunks": chunks, "until_t": until_t})
        row.stream = stream
        self._backlog.note(row)

    def keep(self, t: float) -> None:
        """Commit what came, though the rules have not come round: no table that follows from facts is complete now."""
        self._write(t, derive=False)

    def is_due(self, t: float, next_t: float) -> bool:
        """True where a tick at `t` has something to do, the next one being expected at `next_t`. From any thread."""
        commits = next_t >= self._due or self._behind or self._backlog.open_bytes >= _OPEN_MOST_BYTES
        return commits or (self._live and t >= self._look_due)

    def tick(self, t: float, next_t: float | None = None) -> None:
        """Commit when the next tick would be too late, rotate, watch the disk: to be called several times a second. The next
        one is expected at `next_t`, else after as long as has gone by since the last."""
        step, self._last_tick = t - self._last_tick, t
        if next_t is None:
            next_t = t + step
        if next_t < self._due and not self._behind and self._backlog.open_bytes < _OPEN_MOST_BYTES:
            if self._live and t >= self._look_due:
                self._look_due = t + _LOOK_EVERY_S
                self._look_at_file(t)
            return
        if self._live:
            self._watch_system_clock(t)
        self._write(t)
        self._due = t + self._commit_s
        if self._live:
            for name in self._room.look(t, self._files.size_bytes(), self._path(), self._derived.utc_at(t)):
                self._event(t, "log-removed", {"file": name, "why": "the disk would have filled"})
        if self._failed is None:
            self._after_commit(t)

    def close(self, t: float, how: str) -> None:
        """Write all that waits and the event that says `how` it ended, then let go of the file. What could not be written
        is in `loss` then, and in a note."""
        self._event(t, "log-closed", {"how": how})
        self._write(t, end=True)
        if self._failed is not None:
            size_bytes, alerts = self._backlog.unwritten()
            self.loss = Loss(why=self._failed, raw_bytes=size_bytes, alerts=[_line_of(alert) for alert in alerts])
            if self._live:
                self.loss.note = self._folder.leave_note("\n".join([self.loss.in_a_line(), *self.loss.alerts]))
        self._let_go()
        self._folder.unlock()

    def cut_off(self, t: float, how: str) -> None:
        """The process is ended the next moment: write what came, judged or not, and `how` it ended; one sync."""
        self._event(t, "log-closed", {"how": how, "found_by": "its watchdog"})
        self._write(t, end=True, derive=False)

    def _path(self) -> Path | None:
        return self._files.writer.path if self._files.writer else None

    def state(self) -> LogState:
        """How the log is now."""
        path = self._path()
        return LogState(
            path=str(path) if path is not None else None,
            failed=self._failed,
            raw_bytes=self._backlog.raw_bytes,
            size_bytes=self._files.size_bytes(),
            waiting_bytes=self._backlog.size_bytes,
            lost_bytes=self._backlog.lost_bytes,
            disk_free_fraction=self._room.free_fraction,
            disk_left_h=self._room.left_h,
        )

    # ── writing ─────────────────────────────────────────────────────────────────────────────────────────────────

    def _event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        self._backlog.add(EventRow.of(t, kind, detail))

    def _write_now(self, t: float) -> None:
        if self._failed is None:
            self._write(t)

    def _write(self, t: float, *, end: bool = False, derive: bool = True) -> None:
        self._backlog.settle(self._failed)
        self._behind = False
        derived = self._derived.complete(t, end=end) if derive else {}
        try:
            writer = self._open_file(t)
            if writer.path != self._axes_in and (FixRow in derived or StationRow in derived):
                self._axes_in = writer.path
                self._say_axes(t)
            turns = 0
            while (self._backlog or derived) and (end or turns < _BATCHES_A_TURN):
                turns += 1
                self._trying = self._backlog.batch()
                self._append(writer, t, derived)
                derived = {}
                self._written()
        except (sqlite3.Error, OSError, NotOurs, UnreliableFile) as error:
            self._derived.give_back(derived)
            was_well = self._failed is None
            self._fail(t, error)
            if was_well and isinstance(error, NotOurs):  # removed or spoilt under us: on in a new one at once
                self._write(t, end=end, derive=derive)
            return
        if self._failed is not None:
            why, self._failed = self._failed, None
            self._event(t, "log-recovered", {"why": why, "failed_since_t": self._failed_since})
            if end:
                self._write(t, end=True)
        self._behind = bool(self._backlog)

    def _open_file(self, t: float) -> Writer:
        """A file that can be written: the one there is, the same one opened again, or a new one."""
        files = self._files
        if files.writer is not None and files.down and files.reopen():
            self._written()
        if files.writer is None:
            for row in files.begin(t, self._backlog.first_t()):
                self._backlog.add(row)
            assert files.writer is not None
            carried, _ = holdable(self._derived.carried())
            if carried:
                files.writer.append([], carried)
            self._backlog.settle(self._failed)
        return files.writer

    def _say_axes(self, t: float) -> None:
        """The project's axes, once a file that has a position: with them a query needs no PROJ."""
        with contextlib.suppress(Exception):  # a PROJ that does not work must not cost the log
            from witnesspost.rules.datum.axes import project_axes

            axes = project_axes(self._site)
            if axes is not None:
                self._event(t, "project-axes", axes)

    def _append(self, writer: Writer, t: float, derived: Derived) -> None:
        rows = [waiting.row for waiting in self._trying]
        self._look_due = t + _LOOK_EVERY_S  # who appends looks
        try:
            writer.append(rows, derived)
        except (OverflowError, UnicodeEncodeError):
            kept, left_out = holdable(derived)
            if not left_out:
                raise
            writer.append(rows, kept)
            why = "SQLite cannot hold a value in them; the raw bytes have it"
            self._event(t, "rows-left-out", {**left_out, "why": why})

    def _written(self) -> None:
        for row in (waiting.row for waiting in self._trying):
            if isinstance(row, AlertRow):
                self._row_keys[row.alert, row.change, row.t] = RowKey(self._files.name, row.n)
                if len(self._row_keys) > _MOST_ROW_KEYS:
                    del self._row_keys[next(iter(self._row_keys))]
        self._backlog.written(self._trying)
        self._trying = []

    def _fail(self, t: float, error: Exception) -> None:
        if self._failed is None:
            self._failed_since = t
        self._failed = str(error) or type(error).__name__
        if self._files.failed(error):
            self._trying = []

    def _look_at_file(self, t: float) -> None:
        """Where the file, or its WAL, was removed or spoilt under us, write on in a new one at once."""
        writer = self._files.writer
        if writer is None or self._failed is not None:
            return
        try:
            gone = writer.gone()
        except OSError as error:
            self._fail(t, error)
            return
        if gone is not None:
            self._fail(t, gone)
            self._write(t)

    def _let_go(self) -> None:
        try:
            self._files.let_go()
        except (sqlite3.Error, OSError) as error:
            self._failed = str(error)

    def _after_commit(self, t: float) -> None:
        writer = self._files.writer
        assert writer is not None
        try:
            writer.tidy()
            if self._live and (t - self._files.begun_at_t >= self._rotate_s or writer.size_bytes() >= self._rotate_bytes):
                self._rotate(t)
        except (sqlite3.Error, OSError) as error:
            self._fail(t, error)

    def _rotate(self, t: float) -> None:
        self._event(t, "log-closed", {"how": "rotated"})
        self._write(t, end=True)
        if self._failed is None:
            self._let_go()
            self._write(t)

    def _watch_system_clock(self, t: float) -> None:
        """Record that the system's clock was set: nothing here hangs on it, but other people's logs do."""
        ahead_s = _system_ahead_s()
        step_s, self._system_ahead_s = ahead_s - self._system_ahead_s, ahead_s
        if abs(step_s) >= _CLOCK_STEP_S:
            detail = {"by_s": round(step_s, 3), "to": system_utc().strftime("%Y-%m-%dT%H:%M:%SZ")}
            self._event(t, "system-clock-stepped", detail)


def is_pressing(fact: Fact) -> bool:
    """True where a fact that is told is written at once: the board's health, said every few seconds, goes with the bytes."""
    return not isinstance(fact, Health)


def row_of_change(change: Change) -> AlertRow:
    """The row of a change, in the words of its moment."""
    return AlertRow.of(change, *words(change))


def _line_of(alert: AlertRow) -> str:
    return f"t {alert.t:.1f} ({alert.utc or 'UTC unknown'}) {alert.change} {alert.rule}: {alert.cause}  {alert.say}"


def _system_ahead_s() -> float:
    """The system's clock against one that nobody sets."""
    return time.time() - time.monotonic()
