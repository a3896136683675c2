"""A log that is read: opened without a trace, verified, and given back input by input in the order it was fed.

Nothing here writes to the log or beside it, and what is read is one moment of it, also while a service writes on. A log
of an older version is brought up to this one in a copy; a newer one is refused.
"""

from __future__ import annotations

import datetime as dt
import functools
import shutil
import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.blocks import BlockError, chunks, link
from witnesspost.daemon.log.opening import DamagedLog, NoSuchStream, open_reading, readable, wal_of, writes_ahead
from witnesspost.daemon.log.wal import lost_commits
from witnesspost.rules import facts
from witnesspost.rules.alert import Change, ChangeKind
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Fact
from witnesspost.rules.finding import Cause
from witnesspost.rules.site.model import Severity

TOLD: dict[str, type[Fact]] = {
    kind.__name__.lower(): kind
    for kind in (facts.Port, facts.Health, facts.RuleFailed, facts.Planned, facts.Acknowledge, facts.Shelve)
}


class Run(msgspec.Struct, kw_only=True):
    """The file's own row of `run`; `first_n` is the number of its first row in the chain."""

    number: int
    name: str
    role: str
    begun_at_t: float
    first_n: int
    system_utc: str
    boot: str
    site_toml: str
    site_path: str
    program: str
    sqlite: str
    previous_file: str | None
    previous_digest: bytes | None
    digest: bytes


class Gap(NamedTuple):
    """A stretch in which nothing came, or in which what came could not be written (`lost_bytes`)."""

    stream: str
    t: float
    utc: str | None
    seconds: float
    lost_bytes: int | None
    why: str


class Damage(NamedTuple):
    """The first row of the chain that is not as it was written."""

    n: int
    table: str
    stream: str
    t: float
    utc: dt.datetime | None
    what: str


class Report(msgspec.Struct, kw_only=True):
    """What `verify` found. `digest` is the chain's last, for comparison with the file after it; `ended` how the log
    ended, None where it was not closed (still being written, or cut off)."""

    blocks: int
    raw_bytes: int
    rows: int
    digest: bytes
    ended: str | None
    damage: Damage | None
    sqlite: list[str]
    gaps: list[Gap]

    @property
    def sound(self) -> bool:
        """True if every digest and SQLite's own check are right."""
        return self.damage is None and not self.sqlite


class LoggedChange(msgspec.Struct, kw_only=True):
    """An alert's change as it was logged: a `rules.alert.Change` with the words of its moment in place of their figures."""

    t: float
    utc: str | None
    change: ChangeKind
    rule: str
    cause: str
    causes: list[Cause]
    severity: Severity
    stream: str
    because_of: str | None
    evidence: dict[str, Any]
    say: str
    steps: list[str]
    alert: int
    shelved: bool

    @classmethod
    def of(cls, change: Change) -> LoggedChange:
        """The change with its words."""
        return msgspec.convert(msgspec.structs.asdict(change) | words(change)._asdict(), cls)


class LogFile:
    """An open log. Use as a context manager, or `close` it."""

    def __init__(self, path: Path, connection: sqlite3.Connection, version: int, copy: Path | None):
        self.path = path
        self.version = version
        self._connection = connection
        self._copy = copy
        names = schema.columns("run")
        self.run = Run(**dict(zip(names, connection.execute(schema.select("run")).fetchone(), strict=True)))
        self.streams = [name for (name,) in connection.execute("SELECT name FROM stream ORDER BY rowid")]

    @classmethod
    def open(cls, path: str | Path) -> LogFile:
        """Open the log at `path` for reading. Raises a LogError."""
        path = Path(path)
        connection, version, copy = open_reading(path)
        try:
            return cls(path, connection, version, copy)
        except BaseException as error:
            connection.close()
            if copy is not None:
                shutil.rmtree(copy, ignore_errors=True)
            if isinstance(error, sqlite3.DatabaseError):
                raise readable(path, error) from None
            raise

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()
        if self._copy is not None:
            shutil.rmtree(self._copy, ignore_errors=True)

    def __enter__(self) -> LogFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def stream(self, name: str) -> str:
        """`name`, if the log has a stream of that name. Raises NoSuchStream."""
        if name not in self.streams:
            raise NoSuchStream(f"{self.path}: no stream {name!r}; there are {', '.join(self.streams) or 'none'}")
        return name

    def span(self) -> tuple[float, float]:
        """The first and the last `t` of the log."""
        (last,) = self._rows(schema.LAST_T).fetchone()
        return self.run.begun_at_t, last if last is not None else self.run.begun_at_t

    def inputs(
        self, from_t: float | None = None, to_t: float | None = None, stream: str | None = None
    ) -> Iterator[tuple[float, str, bytes | Fact]]:
        """Everything that was fed, in that order: (t, stream, bytes of one chunk, or a fact that was told), from
        `from_t` to `to_t` inclusive. With `stream`, what came on that stream. Raises DamagedLog."""
        first = round(from_t * 1000) if from_t is not None else -(1 << 62)
        last = round(to_t * 1000) if to_t is not None else 1 << 62
        group: list[tuple[int, int, str, bytes | Fact]] = []
        until = (first, -1)
        for start, items in self._stored(first / 1000, last / 1000, stream):
            if start > until and group:
                yield from _in_order(group)
                group = []
            group += [item for item in items if first <= item[0] <= last]
            until = max(until, items[-1][:2])
        yield from _in_order(group)

    def utc_at(self, t: float) -> dt.datetime | None:
        """UTC of the instant `t`, by the last anchor before it or else the first after it; None where there is none, or
        where the anchor's year is at the calendar's end."""
        if not self._anchors:
            return None
        at, utc = self._anchors[max(0, bisect_right(self._anchors, t, key=lambda anchor: anchor[0]) - 1)]
        try:
            return utc + dt.timedelta(seconds=t - at)
        except OverflowError:
            return None

    def t_at(self, utc: dt.datetime) -> float | None:
        """The `t` of a UTC instant, as `utc_at` has it; None where no receiver ever said the time."""
        if not self._anchors:
            return None
        at, anchor = self._anchors[max(0, bisect_right(self._anchors, utc, key=lambda anchor: anchor[1]) - 1)]
        return float(at + (utc - anchor).total_seconds())

    def changes(self) -> list[LoggedChange]:
        """The alerts' changes as they were logged, in order."""
        names = schema.columns("alert")
        changes = []
        for row in self._rows(f"{schema.select('alert')} ORDER BY n"):
            values = dict(zip(names, row, strict=True))
            for name in ("causes", "evidence", "steps"):
                values[name] = msgspec.json.decode(values[name])
            values["shelved"] = bool(values["shelved"])
            changes.append(msgspec.convert(values, LoggedChange))
        return changes

    def gaps(self) -> list[Gap]:
        """Where nothing came for two seconds or more, and where what came was lost."""
        return [Gap(*row) for row in self._rows("SELECT stream, t, utc, seconds, lost_bytes, why FROM gaps")]

    def ended(self) -> str | None:
        """How the log ended, in words; None where it was not closed."""
        row = self._rows("SELECT detail FROM event WHERE kind = 'log-closed' ORDER BY n DESC LIMIT 1").fetchone()
        return str(msgspec.json.decode(row[0])["how"]) if row else None

    def figures(self) -> dict[str, dict[str, Any]] | None:
        """The rules' figures that were in force, by rule and name; None where the file does not say."""
        row = self._rows("SELECT detail FROM event WHERE kind = 'rules-in-force' ORDER BY n LIMIT 1").fetchone()
        return dict(msgspec.json.decode(row[0])) if row else None

    def note(self) -> str | None:
        """What a reader should know of the file's state: it is still written, a snapshot, or its WAL is missing."""
        if self.ended() is not None:
            return None
        if not writes_ahead(self.path):
            return f"{self.path.name} is a snapshot of a log that was not closed then: written on, or cut off"
        wal = wal_of(self.path)
        if wal.exists() and wal.stat().st_size:
            return f"{self.path.name} was not closed: it is still being written, or the service was cut off"
        return (
            f"{self.path.name} was not closed and no {wal.name} is beside it: its last minutes are missing if that file "
            "was left behind; copy both, or use `witnesspost snapshot`"
        )

    @functools.cached_property
    def _anchors(self) -> list[tuple[float, dt.datetime]]:
        read = ((t, schema.utc_from(text)) for t, text in self._rows("SELECT t, utc FROM clock"))
        return sorted((t, utc) for t, utc in read if utc is not None)

    def verify(self, progress: Callable[[int], None] | None = None) -> Report:
        """Recompute every digest, let SQLite check the file, list the gaps. `progress` is given the bytes done."""
        report = Report(blocks=0, raw_bytes=0, rows=0, digest=self.run.digest, ended=None, damage=None, sqlite=[], gaps=[])
        try:
            # Looked at twice, for a service that writes on may begin its WAL again under the first look.
            lost = lost_commits(wal_of(self.path)) and lost_commits(wal_of(self.path))
            if lost is not None:
                report.sqlite.append(str(lost))
            self._follow_chain(report, progress)
            report.sqlite += [text for (text,) in self._rows("PRAGMA integrity_check(10)") if text != "ok"]
            report.ended = self.ended()
            report.gaps = self.gaps()
        except (sqlite3.DatabaseError, DamagedLog) as error:
            report.sqlite.append(str(error))
        return report

    def damage(self) -> str | None:
        """The first row that is not as it was written, in a line for a person; None where the chain fits. Less than
        `verify` looks at: neither SQLite's own check nor the gaps."""
        report = Report(blocks=0, raw_bytes=0, rows=0, digest=self.run.digest, ended=None, damage=None, sqlite=[], gaps=[])
        try:
            self._follow_chain(report, None)
        except (sqlite3.DatabaseError, DamagedLog) as error:
            return f"{self.path}: the chain cannot be followed: {error}; run `witnesspost verify`"
        if report.damage is None:
            return None
        n, table, stream, t, _, what = report.damage
        where = ", ".join([table, *([stream] if stream else []), f"t {t:.3f}"])
        return f"{self.path}: row {n} of the chain ({where}) is not as it was written: {what}; run `witnesspost verify`"

    def raw_bytes(self) -> int:
        """Bytes of all blocks together."""
        return int(self._rows("SELECT coalesce(sum(length(data)), 0) FROM raw").fetchone()[0])

    def _follow_chain(self, report: Report, progress: Callable[[int], None] | None) -> None:
        run = msgspec.structs.astuple(self.run)
        digest = link(b"", run[:-1])
        if digest != self.run.digest:
            report.damage = Damage(0, "run", "", self.run.begun_at_t, None, "the run's own row was changed")
            return
        n, t = self.run.first_n - 1, self.run.begun_at_t
        rows = self._chained()
        while True:
            try:
                number, table, values, stored = next(rows)
            except StopIteration:
                return
            except sqlite3.DatabaseError as error:
                report.damage = Damage(n + 1, "raw", "", t, self.utc_at(t), f"cannot be read ({error}); nor what follows")
                return
            stream, t = _where(table, values)
            wrong = None
            if number != n + 1:
                wrong = f"row {n + 1} is missing before it"
            else:
                n, digest = number, link(digest, values)
                if digest != stored:
                    wrong = "its digest does not fit: it was changed"
                elif table == "raw":
                    try:
                        for _ in chunks(t, values[7], values[8]):
                            pass
                    except BlockError as error:
                        wrong = str(error)
            if wrong is not None:
                report.damage = Damage(number, table, stream, t, self.utc_at(t), wrong)
                return
            report.rows += 1
            report.digest = digest
            if table == "raw":
                report.blocks += 1
                report.raw_bytes += len(values[7])
                if progress is not None:
                    progress(report.raw_bytes)

    def _chained(self) -> Iterator[tuple[int, str, list[Any], bytes]]:
        """All rows of the chain by number: (n, table, columns up to the digest, digest)."""
        cursors = {table: self._connection.execute(f"{schema.select(table)} ORDER BY n") for table in schema.CHAINED}
        heads = {table: next(rows, None) for table, rows in cursors.items()}
        while any(heads.values()):
            table = min((t for t, row in heads.items() if row), key=lambda t: heads[t][0])  # type: ignore[index]
            row = heads[table]
            assert row is not None
            heads[table] = next(cursors[table], None)
            yield row[0], table, list(row[:-1]), row[-1]

    def _stored(
        self, from_t: float, to_t: float, stream: str | None
    ) -> Iterator[tuple[tuple[int, int], list[tuple[int, int, str, bytes | Fact]]]]:
        """Blocks and told facts by number: where each starts in the feed order, and its items."""
        rows = self._rows(
            """SELECT n, stream, t, NULL, data, times FROM raw WHERE t_last >= :from AND t <= :to
                    AND (:stream IS NULL OR stream = :stream)
                UNION ALL SELECT n, stream, t, place, kind, detail FROM event WHERE input = 1
                    AND t >= :from AND t <= :to AND (:stream IS NULL OR stream = :stream) ORDER BY 1""",
            {"from": from_t, "to": to_t, "stream": stream},
        )
        for n, name, t, place, what, how in self._each(rows):
            items: list[tuple[int, int, str, bytes | Fact]]
            try:
                if place is None:
                    items = [(ms, at, name, data) for ms, at, data in chunks(t, what, how)]
                else:
                    fact = msgspec.convert({"t": t, "stream": name, **msgspec.json.decode(how)}, TOLD[what])
                    items = [(round(t * 1000), place, name, fact)]
                start = items[0][:2]
            except (BlockError, IndexError, msgspec.MsgspecError, KeyError) as error:
                raise DamagedLog(f"{self.path}: row {n} ({name}, t {t:.3f}) cannot be read: {error}; verify it") from None
            yield start, items

    def _each(self, rows: sqlite3.Cursor) -> Iterator[Any]:
        try:
            for row in rows:  # noqa: UP028 (it would close the cursor of a log that is closed already)
                yield row
        except sqlite3.DatabaseError as error:
            raise readable(self.path, error) from None

    def _rows(self, sql: str, values: Any = ()) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql, values)
        except sqlite3.DatabaseError as error:
            raise readable(self.path, error) from None


def _in_order(group: list[tuple[int, int, str, bytes | Fact]]) -> Iterator[tuple[float, str, bytes | Fact]]:
    group.sort(key=lambda item: item[:2])
    for ms, _, stream, what in group:
        yield ms / 1000, stream, what


def _where(table: str, values: list[Any]) -> tuple[str, float]:
    names = schema.columns(table)
    return values[names.index("stream")], values[names.index("t")]
