"""The log: every byte as it came, what was told, the alerts, in a SQLite file that says so when something is missing.

    chunk, told, change, event ──► waiting rows, in feed order ──► one transaction ──► NAME.0042.db
    fact ───────────────────────► rows of fix, station, clock, traffic ─┘

Raw bytes are committed at most `commit_s` apart; alerts, acknowledgements and events at once, with all bytes up to them,
so that an alert never stands without its evidence. Nothing here raises when the disk fails: rows wait in bounded memory,
the file is opened again from time to time, and what had to be dropped becomes a `gap` event with its size.

One thread owns the log. A commit syncs the disk, which on a slow card takes some tenths of a second: sound the alert first.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import sqlite3
import time
from pathlib import Path
from typing import Any

import msgspec
from witnesspost.daemon.log.backlog import Waiting, WaitingRow, json_text
from witnesspost.daemon.log.blocks import OpenBlock
from witnesspost.daemon.log.derived import FactRows, holdable
from witnesspost.daemon.log.folder import Damaged, Ending, Folder, LogBusy, boot_id, is_damage, set_aside
from witnesspost.daemon.log.writing import NotOurs, Row, Tail, Writer
from witnesspost.rules.alert import Change
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Fact, Health
from witnesspost.rules.site.model import Site

_WAITING_MOST_BYTES = 8 << 20  # more than an hour of a base; the whole post keeps within 64 MiB
_BATCHES_A_TURN = 4  # when much has waited: the pipeline must come round between
_DISK_EVERY_S = 10.0
# Old files go just before the rule `post-health` would speak of a low disk (10 %), so that a post that looks after
# itself stays quiet.
_ROOM_FRACTION = 0.12
_RATE_AFTER_S = 60.0
_CLOCK_STEP_S = 1.0  # between two commits; a clock that is only steered moves by milliseconds
_COMMIT_OF_SINGLE_S = 60.0


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
    ) -> Log:
        """Begin a log: the next number in `folder`, or just the file `path`, which must not exist (FileExistsError).

        Looks at the last file first (`daemon.log.folder`). Raises LogBusy where another service writes here; a disk that
        cannot be written is no error but a failed log (`state`), tried again every `commit_s`.
        """
        single = Path(path) if path is not None else None
        log = cls(Path(folder), site, site_text, single, t, rotate_s, rotate_bytes, waiting_most_bytes)
        if single is not None and single.exists():
            raise FileExistsError(f"{path}: exists; name a file that does not")
        if single is None:
            try:
                log._folder.lock()
            except OSError as error:
                log._fail(t, error)
                return log
        log._write(t)
        return log

    def __init__(
        self,
        folder: Path,
        site: Site,
        site_text: str,
        single: Path | None,
        t: float,
        rotate_s: float,
        rotate_bytes: int,
        waiting_most_bytes: int,
    ):
        self._site = site
        self._site_text = site_text
        self._single = single
        self._folder = Folder(folder, site.post.name)
        self._rotate_s, self._rotate_bytes = rotate_s, rotate_bytes
        # A single file is a replay's, and can be made again: fewer and larger blocks.
        self._commit_s = site.post.commit_s if single is None else max(site.post.commit_s, _COMMIT_OF_SINGLE_S)

        self._ms = round(t * 1000)
        self._place = -1
        self._open: dict[str, OpenBlock] = {}
        self._heard_ms = {stream.name: self._ms for stream in site.stream}
        self._facts = FactRows(_system_utc if single is None else None, at_base=site.post.role == "base")
        self._waiting = Waiting(waiting_most_bytes)

        self._writer: Writer | None = None
        self._down = False  # the file failed and must be opened again
        self._behind = False  # so much had waited that it takes several turns to write
        self._trying: list[WaitingRow] = []
        self._aside = Ending(None, "there is none", None)
        self._began = False
        self._begun_at_t = t
        self._last_tick = t
        self._due = t + self._commit_s
        self._failed: str | None = None
        self._failed_since = t
        self._raw_bytes = 0
        self._written_before_bytes = 0
        self._system_ahead_s = _system_ahead_s()
        self._disk_due = t
        self._disk: tuple[float | None, float | None] = (None, None)
        self._started_t = t

    # ── what the pipeline says ──────────────────────────────────────────────────────────────────────────────────

    def chunk(self, t: float, stream: str, data: bytes) -> None:
        """Bytes as one read of the port returned them."""
        if not data:
            return
        ms = round(t * 1000)
        if ms > self._ms:
            self._ms, self._place = ms, 0
        else:
            self._place += 1
        block = self._open.get(stream)
        if block is None:
            block = self._open[stream] = OpenBlock()
        block.milliseconds.append(self._ms)
        block.places.append(self._place)
        block.parts.append(data)

    def told(self, fact: Fact) -> None:
        """A fact from outside the streams: an input like the bytes, in the same order."""
        detail = {key: value for key, value in msgspec.structs.asdict(fact).items() if key not in ("t", "stream")}
        self._event(fact.t, type(fact).__name__.lower(), fact.stream, 1, detail)
        if not isinstance(fact, Health):  # said every few seconds: it goes with the bytes
            self._write_now(fact.t)

    def fact(self, fact: Fact) -> None:
        """A fact that the streams gave: into the tables for people."""
        self._facts.see(fact)

    def change(self, change: Change) -> None:
        """An alert's change, on the disk when this returns."""
        say, steps = words(change)
        self._wait(
            change.t,
            "alert",
            [
                change.utc,
                change.change,
                change.rule,
                change.cause,
                json_text(change.causes),
                change.severity,
                change.stream,
                change.because_of,
                json_text(change.evidence),
                say,
                json_text(steps),
                change.alert,
                int(change.shelved),
            ],
        )
        self._write_now(change.t)

    def event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        """What befell the post or the log: recorded, not replayed."""
        self._event(t, kind, "", 0, detail)
        self._write_now(t)

    def tick(self, t: float) -> None:
        """Commit when the next tick would be too late, rotate, watch the disk: to be called several times a second."""
        step, self._last_tick = t - self._last_tick, t
        if t + step < self._due and not self._behind:
            return
        if self._single is None:
            self._watch_system_clock(t)
        self._write(t)
        self._due = t + self._commit_s
        if self._single is None and t >= self._disk_due:
            self._disk_due = t + _DISK_EVERY_S
            self._watch_disk(t)
        if self._failed is None:
            self._after_commit(t)

    def close(self, t: float, how: str) -> None:
        """Write all that waits and the event that says `how` it ended, then let go of the file."""
        self._event(t, "log-closed", "", 0, {"how": how})
        self._write(t, end=True)
        self._let_go()
        self._folder.unlock()

    def state(self) -> LogState:
        """How the log is now."""
        free, left_h = self._disk
        return LogState(
            path=str(self._writer.path) if self._writer else None,
            failed=self._failed,
            raw_bytes=self._raw_bytes,
            size_bytes=self._size(),
            waiting_bytes=self._waiting.size_bytes,
            lost_bytes=self._waiting.lost_bytes,
            disk_free_fraction=free,
            disk_left_h=left_h,
        )

    # ── waiting ─────────────────────────────────────────────────────────────────────────────────────────────────

    def _event(self, t: float, kind: str, stream: str, as_input: int, detail: dict[str, Any]) -> None:
        self._wait(t, "event", [kind, stream, as_input, json_text(detail)])

    def _wait(self, t: float, table: str, values: list[Any]) -> None:
        ms = round(t * 1000)
        if ms > self._ms:
            self._ms, self._place = ms, 0
        else:
            self._place += 1
        self._waiting.add(self._ms, self._place, table, [self._ms / 1000, self._place, *values])

    def _freeze(self) -> None:
        """Turn the open blocks into rows, and bring all that waits into feed order and within the memory allowed."""
        for stream, block in self._open.items():
            ms, last_ms = block.milliseconds[0], block.milliseconds[-1]
            data = block.data()
            pause = block.pause(self._heard_ms.get(stream, ms))
            values = [stream, ms / 1000, last_ms / 1000, len(block.parts), *pause, data, block.times()]
            self._waiting.add(ms, block.places[0], "raw", values)
            self._heard_ms[stream] = last_ms
            self._raw_bytes += len(data)
        self._open.clear()
        self._waiting.settle(self._failed)

    # ── writing ─────────────────────────────────────────────────────────────────────────────────────────────────

    def _write_now(self, t: float) -> None:
        if self._failed is None:
            self._write(t)

    def _write(self, t: float, *, end: bool = False) -> None:
        self._freeze()
        self._behind = False
        facts = self._facts.take(t, end=end)
        try:
            self._have_file(t)
            assert self._writer is not None
            turns = 0
            while (self._waiting or facts) and (end or turns < _BATCHES_A_TURN):
                turns += 1
                self._trying = self._waiting.batch()
                self._append(t, facts)
                facts = {}
                self._written()
        except (sqlite3.Error, OSError, NotOurs, Damaged) as error:
            self._facts.give_back(facts)
            self._fail(t, error)
            return
        if self._failed is not None:
            why, self._failed = self._failed, None
            self._event(t, "log-recovered", "", 0, {"why": why, "failed_since_t": self._failed_since})
            if end:
                self._write(t, end=True)
        self._behind = bool(self._waiting)

    def _append(self, t: float, facts: dict[str, list[tuple[Any, ...]]]) -> None:
        assert self._writer is not None
        rows = [Row(row.table, row.values) for row in self._trying]
        try:
            self._writer.append(rows, facts)
        except (OverflowError, UnicodeEncodeError):
            kept, left_out = holdable(facts)
            if not left_out:
                raise
            self._writer.append(rows, kept)
            why = "SQLite cannot hold a value in them; the raw bytes have it"
            self._event(t, "rows-left-out", "", 0, {**left_out, "why": why})

    def _written(self) -> None:
        self._waiting.written(self._trying)
        self._trying = []

    def _fail(self, t: float, error: Exception) -> None:
        if self._failed is None:
            self._failed_since = t
        self._failed = str(error) or type(error).__name__
        writer = self._writer
        if writer is None:
            return
        self._down = True
        with contextlib.suppress(sqlite3.Error):
            writer.close()
        if isinstance(error, NotOurs) or is_damage(error):
            self._writer = None
            self._trying = []
            self._aside = Ending(writer.path.name, f"set aside: {error}", writer.tail)
            with contextlib.suppress(OSError):
                if writer.path.exists():
                    self._aside = self._aside._replace(file=set_aside(writer.path).name)

    def _have_file(self, t: float) -> None:
        """A file that can be written: the one there is, the same one opened again, or a new one."""
        if self._writer is not None and self._down:
            before = self._writer.tail
            self._writer = self._writer.reopen()
            self._down = False
            if self._writer.tail != before:  # the commit that failed had reached the disk after all
                self._written()
        if self._writer is None:
            self._begin(t)

    def _begin(self, t: float) -> None:
        if self._single is not None:
            self._create(self._single, 1, t, self._aside)
            return
        try:
            self._folder.lock()
        except LogBusy as error:
            raise OSError(str(error)) from None
        ending = self._aside if self._aside.tail else self._folder.end_last()
        number = self._folder.next_number()
        self._create(self._folder.file(number), number, t, ending)

    def _create(self, path: Path, number: int, t: float, ending: Ending) -> None:
        first_ms = self._waiting.first_ms()
        run = {
            "number": number,
            "name": self._site.post.name,
            "role": self._site.post.role,
            "begun_at_t": t if first_ms is None else first_ms / 1000,
            "first_n": 0,
            "system_utc": _system_utc().strftime("%Y-%m-%dT%H:%M:%SZ"),
            "boot": boot_id(),
            "site_toml": self._site_text,
            "site_path": self._site.path,
            "program": _program(),
            "sqlite": sqlite3.sqlite_version,
            "previous_file": ending.file,
            "previous_digest": None,
        }
        streams = [{"name": s.name, "port": s.port, "baud": s.baud, "carries": " ".join(s.carries)} for s in self._site.stream]
        tail = ending.tail or Tail(0, b"")
        self._writer = Writer.create(path, run, streams, tail, synced=self._single is None)
        self._down = False
        self._begun_at_t = t
        self._aside = Ending(None, "there is none", None)
        carried, _ = holdable(self._facts.carried())
        detail = {"file": path.name, "previous_file": ending.file, "previous_ended": ending.how}
        self._event(t, "log-continued" if self._began else "log-started", "", 0, detail)
        self._began = True
        if carried:
            self._writer.append([], carried)
        self._waiting.settle(self._failed)

    def _let_go(self) -> None:
        if self._writer is None:
            return
        self._written_before_bytes = self._size()
        try:
            self._writer.close()
        except (sqlite3.Error, OSError) as error:
            self._failed = str(error)
        self._writer = None

    # ── the disk ────────────────────────────────────────────────────────────────────────────────────────────────

    def _after_commit(self, t: float) -> None:
        assert self._writer is not None
        try:
            self._writer.tidy()
            if self._single is None:
                self._rotate_if_due(t)
        except (sqlite3.Error, OSError) as error:
            self._fail(t, error)

    def _rotate_if_due(self, t: float) -> None:
        assert self._writer is not None
        if t - self._begun_at_t < self._rotate_s and self._writer.size_bytes() < self._rotate_bytes:
            return
        self._event(t, "log-closed", "", 0, {"how": "rotated"})
        self._write(t, end=True)
        if self._failed is None:
            self._let_go()
            self._write(t)

    def _watch_system_clock(self, t: float) -> None:
        """Record that the system's clock was set: nothing here hangs on it, but other people's logs do."""
        ahead_s = _system_ahead_s()
        step_s, self._system_ahead_s = ahead_s - self._system_ahead_s, ahead_s
        if abs(step_s) >= _CLOCK_STEP_S:
            detail = {"by_s": round(step_s, 3), "to": _system_utc().strftime("%Y-%m-%dT%H:%M:%SZ")}
            self._event(t, "system-clock-stepped", "", 0, detail)

    def _watch_disk(self, t: float) -> None:
        """See how much room there is, and make some where old files may go."""
        try:
            disk = os.statvfs(self._folder.path)
            wanted = int(disk.f_blocks * _ROOM_FRACTION - disk.f_bavail) * disk.f_frsize
            if wanted > 0:
                current = self._writer.path if self._writer else None
                clocks = self._facts.utc_at(t), _system_utc()
                for name in self._folder.make_room(wanted, self._site.post.keep_days, *clocks, current):
                    self._event(t, "log-removed", "", 0, {"file": name, "why": "the disk would have filled"})
                disk = os.statvfs(self._folder.path)
        except (OSError, sqlite3.Error):
            self._disk = (None, None)
            return
        ran_s = t - self._started_t
        rate = self._size() / ran_s if ran_s >= _RATE_AFTER_S else 0.0
        left_h = disk.f_bavail * disk.f_frsize / rate / 3600 if rate else None
        self._disk = (disk.f_bavail / disk.f_blocks, left_h)

    def _size(self) -> int:
        """Bytes of all files that this log wrote."""
        if self._writer is None or self._down:
            return self._written_before_bytes
        try:
            return self._written_before_bytes + self._writer.size_bytes()
        except sqlite3.Error:
            return self._written_before_bytes


def _system_ahead_s() -> float:
    """The system's clock against one that nobody sets."""
    return time.time() - time.monotonic()


def _system_utc() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def _program() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("witnesspost")
    except PackageNotFoundError:
        return "from source"
