"""A log that is read: opened without a trace and given back input by input, in the order it was fed.

Nothing here writes to the log or beside it, and what is read is one moment of it, also while a service writes on. A log
of an older version is read through a translation; a newer one is refused.
"""

from __future__ import annotations

import datetime as dt
import functools
import heapq
import shutil
import sqlite3
import tomllib
import zoneinfo
from bisect import bisect_right
from collections.abc import Iterator
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import msgspec
from witnesspost.daemon.local_time import Instant
from witnesspost.daemon.log import rows, schema
from witnesspost.daemon.log.blocks import BlockError, arrivals, chunks
from witnesspost.daemon.log.folder import folder_id_in
from witnesspost.daemon.log.opening import (
    BROKEN,
    LogError,
    NoSuchStream,
    UnreadableLog,
    open_reading,
    readable,
    wal_of,
    writes_ahead,
)
from witnesspost.daemon.log.rows import LATEST_T, AlertRow, EventRow, RawRow, Row, RowError, RunRow, StreamRow
from witnesspost.rules import facts
from witnesspost.rules.alert import AnyChange, Change, RowKey
from witnesspost.rules.book.words import words
from witnesspost.rules.datum.grids import Grid
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.tables import on_one_line

TOLD: dict[str, type[Fact]] = {
    kind.__name__.lower(): kind
    for kind in (
        facts.Port,
        facts.Health,
        facts.RuleFailed,
        facts.CompanionFailed,
        facts.OutputFailed,
        facts.Planned,
        facts.Frozen,
        facts.Acknowledge,
        facts.Shelve,
        facts.Unseen,
        facts.SetUp,
        facts.CheckIn,
        facts.Solved,
    )
}
_Kind = TypeVar("_Kind", bound=Row)
_Said = TypeVar("_Said")
_Told = TypeVar("_Told", bound=Fact)


LONGEST_SILENCE_S = 7 * 86_400.0
"""That a replay lets go by: the rules judge a silence too, a day of it in some ten seconds."""
_MOST_DAYS = int(LONGEST_SILENCE_S / 86_400)


class LongSilence(LogError):
    """Nothing came for longer than a replay lets go by."""


class Gap(NamedTuple):
    """A stretch in which nothing came, or in which what came could not be written (`lost_bytes`)."""

    stream: str
    t: float
    seconds: float
    lost_bytes: int | None
    why: str


Input = tuple[float, str, bytes | Fact]
"""What was fed: `t`, stream, and the bytes of one chunk or a fact that was told."""
_Fed = tuple[int, int, str, bytes | Fact]
"""An input with its place in the feed order: millisecond, order in it, stream, and what it was."""
_place = itemgetter(0, 1)


class LoggedChange(AnyChange, kw_only=True):
    """A change as it was logged, with what it said at its moment.

    `words` is empty in logs of versions that kept none: then it can be said in English alone.
    """

    say: str
    steps: list[str]
    shelved: bool
    words: dict[str, str] = msgspec.field(default_factory=dict)

    @classmethod
    def from_row(cls, row: AlertRow) -> LoggedChange:
        """The change of a row. Raises msgspec's errors."""
        told = msgspec.structs.asdict(row)
        texts = {name: msgspec.json.decode(told[name]) for name in ("causes", "evidence", "steps", "words")}
        return msgspec.convert({**told, **texts, "shelved": bool(row.shelved)}, cls)

    @classmethod
    def of(cls, change: Change) -> LoggedChange:
        """The change with its words."""
        return msgspec.convert(msgspec.structs.asdict(change) | words(change)._asdict(), cls)


Arrived = tuple[list[int], list[int], bytes]
"""When each chunk came (milliseconds), where it ends in the bytes, and these."""


class LogFile:
    """An open log. Use as a context manager, or `close` it."""

    def __init__(self, path: Path, connection: sqlite3.Connection, version: int, copy: Path | None):
        self.path = path
        self.version = version
        self._connection = connection
        self._copy = copy
        run = next(self.rows(RunRow), None)
        if run is None:
            raise UnreadableLog(f"{path}: its own row is missing; run `witnesspost verify`, and keep the file as it is")
        self.run = run
        self.streams = [row.name for row in self.rows(StreamRow, "ORDER BY rowid")]

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
            if isinstance(error, BROKEN):
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
        ((last,),) = self._rows(schema.LAST_T)
        if last is not None and not (isinstance(last, float) and 0 <= last <= LATEST_T):
            raise UnreadableLog(f"{self.path}: its last rows were changed: their t is not a time; run `witnesspost verify`")
        return self.run.begun_at_t, last if last is not None else self.run.begun_at_t

    def last_n(self) -> int:
        """`n` of the file's last row in the chain."""
        last = "SELECT max(n) FROM (SELECT max(n) AS n FROM {} UNION ALL SELECT max(n) FROM {} UNION ALL SELECT max(n) FROM {})"
        ((n,),) = self._rows(last.format(*(kind.table for kind in rows.CHAINED)))
        return n if isinstance(n, int) else self.run.first_n - 1

    def last_digest(self) -> bytes:
        """The digest of the file's last row in the chain, as it stands there."""
        n = self.last_n()
        for kind in rows.CHAINED:
            for (digest,) in self._rows(f"SELECT digest FROM {kind.table} WHERE n = ?", (n,)):
                return bytes(digest)
        return self.run.digest

    def inputs(self, from_t: float | None = None, to_t: float | None = None, stream: str | None = None) -> Iterator[Input]:
        """Everything that was fed, in that order: (t, stream, bytes of one chunk, or a fact that was told), from
        `from_t` to `to_t` inclusive. With `stream`, what came on that stream. Raises UnreadableLog."""
        return chain.from_iterable(self._groups(from_t, to_t, stream))

    def _groups(
        self, from_t: float | None = None, to_t: float | None = None, stream: str | None = None
    ) -> Iterator[list[Input]]:
        """`inputs`, those together whose blocks lie over one another."""
        first = round(from_t * 1000) if from_t is not None else -(1 << 62)
        last = round(to_t * 1000) if to_t is not None else 1 << 62
        all_of_it = from_t is None and to_t is None
        group: list[_Fed] = []
        until = (first, -1)
        for start, fed in self._stored(first / 1000, last / 1000, stream):
            if start > until and group:
                yield _in_order(group)
                group = []
            group += fed if all_of_it else [one for one in fed if first <= one[0] <= last]
            until = max(until, fed[-1][:2])
        yield _in_order(group)

    def blocks_of(self, stream: str) -> Iterator[Arrived]:
        """What came on a stream, block by block. Raises UnreadableLog."""
        for row in self.rows(RawRow, "WHERE stream = ? ORDER BY n", (stream,)):
            try:
                milliseconds, _, ends = arrivals(row.t, row.data, row.times)
            except (BlockError, OverflowError) as error:
                raise self._unreadable(row, error) from None
            yield milliseconds, ends, row.data

    def played(self) -> Iterator[Input]:
        """`inputs`, for a reader that lets the time between them and up to the log's end go by. Raises LongSilence."""
        return chain.from_iterable(self._played())

    def _played(self) -> Iterator[list[Input]]:
        last_t = self.run.begun_at_t
        for group in self._groups():
            if group and group[-1][0] - min(last_t, group[0][0]) > LONGEST_SILENCE_S:  # in one go or in several
                for n, (t, _, _) in enumerate(group):
                    if t - last_t > LONGEST_SILENCE_S:
                        yield group[:n]
                        raise self._long_silence(last_t, t)
                    last_t = t
            yield group
            if group:
                last_t = group[-1][0]
        if (end_t := self.span()[1]) - last_t > LONGEST_SILENCE_S:
            raise self._long_silence(last_t, end_t)

    def rows(self, kind: type[_Kind], rest: str = "", values: Any = ()) -> Iterator[_Kind]:
        """The rows of a table, `rest` being what follows FROM in SQL. Raises UnreadableLog."""
        try:
            yield from rows.read(self._connection, kind, rest, values)
        except RowError as error:
            raise UnreadableLog(f"{self.path}: {error}; run `witnesspost verify`") from error
        except BROKEN as error:
            raise readable(self.path, error) from error

    def detail(self, row: EventRow, kind: type[_Said]) -> _Said:
        """What an event says. Raises UnreadableLog where that is not what a post writes."""
        try:
            return msgspec.json.decode(row.detail, type=kind)
        except (msgspec.MsgspecError, RecursionError) as error:
            raise self._unreadable(row, error) from None

    def told(self, kind: type[_Told], rest: str = "ORDER BY n") -> Iterator[_Told]:
        """The facts of a kind that were told to the post, `rest` being what follows in SQL. Raises UnreadableLog."""
        for row in self.rows(EventRow, f"WHERE kind = ? AND input = 1 {rest}", (kind.__name__.lower(),)):
            try:
                yield msgspec.convert(_fields_of(row), kind)
            except (msgspec.MsgspecError, TypeError, RecursionError) as error:
                raise self._unreadable(row, error) from None

    def select(self, sql: str, values: Any = ()) -> list[Any]:
        """The rows of any query over tables and views. Raises UnreadableLog."""
        return self._rows(sql, values)

    def grids(self) -> list[Grid]:
        """The grid files that the run was judged by; none where the file does not say."""
        grids: list[Grid] = self._json("run.grids", self.run.grids, list[Grid])
        return grids

    @functools.cached_property
    def zone(self) -> dt.tzinfo:
        """The post's time zone; UTC where its site file names none that is known here."""
        try:
            return zoneinfo.ZoneInfo(tomllib.loads(self.run.site_toml)["post"]["time_zone"])
        except (tomllib.TOMLDecodeError, RecursionError, KeyError, TypeError, ValueError, OSError):
            return dt.UTC

    @functools.cached_property
    def project_frame(self) -> str | None:
        """The project's frame as its site file names it; None where it names none."""
        try:
            frame = tomllib.loads(self.run.site_toml)["project"]["frame"]
        except (tomllib.TOMLDecodeError, RecursionError, KeyError, TypeError):
            return None
        return frame if isinstance(frame, str) else None

    @functools.cached_property
    def anchors(self) -> list[tuple[float, dt.datetime, str]]:
        """What was said of the time, in the order of `t`: `t`, UTC, and who said it."""
        said = ((t, schema.utc_from(text), str(source)) for t, text, source in self._rows("SELECT t, utc, source FROM clock"))
        return sorted((t, utc, source) for t, utc, source in said if utc is not None and isinstance(t, float))

    def utc_at(self, t: float) -> dt.datetime | None:
        """UTC of the instant `t`, by the last anchor before it or else the first after it; None where there is none, or
        where the anchor's year is at the calendar's end."""
        if not self.anchors:
            return None
        at, utc, _ = self._anchor(t)
        try:
            return utc + dt.timedelta(seconds=t - at)
        except OverflowError:
            return None

    def instant_at(self, t: float) -> Instant | None:
        """`utc_at`, and whether it hangs on the system's clock."""
        utc = self.utc_at(t)
        return Instant(utc, "system" in self._anchor(t)[2]) if utc is not None else None

    def t_at(self, utc: dt.datetime) -> float | None:
        """The `t` of a UTC instant, as `utc_at` has it; None where no receiver ever said the time."""
        if not self.anchors:
            return None
        at, anchor, _ = self.anchors[max(0, bisect_right(self.anchors, utc, key=lambda anchor: anchor[1]) - 1)]
        return float(at + (utc - anchor).total_seconds())

    def blocks(self, stream: str) -> list[tuple[int, float, float]]:
        """`n`, first and last `t` of each block of a stream, in order, without its bytes."""
        return list(self._rows("SELECT n, t, t_last FROM raw WHERE stream = ? ORDER BY n", (stream,)))

    def view(self, name: str) -> list[dict[str, Any]]:
        """The rows of one of the schema's views, by column."""
        assert name in schema.VIEWS
        columns, found = self._query(f"SELECT * FROM {name}")
        return [dict(zip(columns, row, strict=True)) for row in found]

    def positions(self, from_t: float | None = None, to_t: float | None = None) -> Iterator[dict[str, Any]]:
        """The rows of `fix` in order, each with where it is in the project (None where that is not known)."""
        fields = rows.FixRow.__struct_fields__
        names = ", ".join(f"fix.{name}" for name in fields)
        sql = (
            f"SELECT {names}, easting, northing, height FROM fix JOIN fixes_in_project AS placed ON placed.row = fix.rowid"
            " WHERE (:from IS NULL OR fix.t >= :from) AND (:to IS NULL OR fix.t <= :to) ORDER BY fix.rowid"
        )
        try:
            for row in self._connection.execute(sql, {"from": from_t, "to": to_t}):
                fix = msgspec.structs.asdict(rows.row_of(rows.FixRow, row[: len(fields)]))
                yield fix | dict(zip(("easting", "northing", "height"), row[len(fields) :], strict=True))
        except RowError as error:
            raise UnreadableLog(f"{self.path}: {error}; run `witnesspost verify`") from error
        except BROKEN as error:
            raise readable(self.path, error) from error

    def changes(self) -> list[LoggedChange]:
        """The alerts' changes as they were logged, in order."""
        try:
            return [LoggedChange.from_row(row) for row in self.rows(AlertRow, "ORDER BY n")]
        except (msgspec.MsgspecError, RecursionError) as error:
            raise UnreadableLog(
                f"{self.path}: a row of alert was changed: {on_one_line(str(error))}; run `witnesspost verify`"
            ) from None

    def gaps(self) -> list[Gap]:
        """Where nothing came for two seconds or more, and where what came was lost."""
        names = ", ".join(Gap._fields)
        try:
            return [msgspec.convert(row, Gap) for row in self._rows(f"SELECT {names} FROM gaps")]
        except msgspec.ValidationError as error:
            raise UnreadableLog(
                f"{self.path}: its gaps cannot be told ({on_one_line(str(error))}); run `witnesspost verify`"
            ) from None

    @functools.cached_property
    def begun(self) -> EventRow | None:
        """The event with which the file begins; None where it has none."""
        return next(self.rows(EventRow, "WHERE kind IN ('log-started', 'log-continued') ORDER BY n LIMIT 1"), None)

    def goes_on_from(self, digest: bytes | None) -> bool:
        """True if this is the next file of the run of the one whose chain ends with `digest`."""
        return digest is not None and self.after == digest

    @property
    def after(self) -> bytes | None:
        """What the chain of the file before this one in its run ends with; None of a run's first file."""
        goes_on = self.run.begun_at_t > 0 and (self.begun is None or self.begun.kind == "log-continued")
        return self.run.previous_digest if goes_on else None

    @functools.cached_property
    def life(self) -> str | None:
        """What names the run of which this is a file, of whatever folder (`Succession.run`); None where it does not say."""
        row = self.begun
        said = self._json("how it began", row.detail).get("run") if row is not None else None
        return said if isinstance(said, str) else None

    @functools.cached_property
    def run_name(self) -> str:
        """What names this file among all of its post (`RowKey.run`): its number and its folder's id or, in a log from before
        there was one, the first digits of its own digest."""
        row = self.begun
        folder_id = folder_id_in(self._json("how it began", row.detail)) if row is not None else None
        return f"{self.run.number}-{folder_id or self.run.digest.hex()[:6]}"

    def row_key(self, change: Change) -> RowKey | None:
        """Where the file has a change that its replay has come to; None where it has not."""
        return self._row_keys.get((change.alert, change.change, change.rule, change.cause, round(change.t * 1000)))

    @functools.cached_property
    def _row_keys(self) -> dict[tuple[Any, ...], RowKey]:
        try:  # a file whose rows cannot be read says of none where it stands
            rows = self._rows("SELECT n, alert, change, rule, cause, CAST(round(t * 1000) AS INTEGER) FROM alert ORDER BY n")
            return {tuple(key): RowKey(self.run_name, n) for n, *key in rows}
        except UnreadableLog:
            return {}

    def ended(self) -> str | None:
        """How the log ended, in words; None where it was not closed."""
        closed = self.closed()
        return on_one_line(str(closed.get("how"))) if closed is not None else None

    def closed(self) -> dict[str, Any] | None:
        """The detail of the event that closed the log; None where it was not closed."""
        row = next(self.rows(EventRow, "WHERE kind = 'log-closed' ORDER BY n DESC LIMIT 1"), None)
        if row is None:
            return None
        detail: dict[str, Any] = self._json("its event log-closed", row.detail)
        return detail

    def figures(self) -> dict[str, dict[str, Any]] | None:
        """The rules' figures that were in force, by rule and name; None where the file does not say."""
        row = next(self.rows(EventRow, "WHERE kind = 'rules-in-force' ORDER BY n LIMIT 1"), None)
        if row is None:
            return None
        figures: dict[str, dict[str, Any]] = self._json("its event rules-in-force", row.detail, dict[str, dict[str, Any]])
        return figures

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

    def _anchor(self, t: float) -> tuple[float, dt.datetime, str]:
        """The last before `t`, or else the first."""
        return self.anchors[max(0, bisect_right(self.anchors, t, key=lambda anchor: anchor[0]) - 1)]

    def raw_bytes(self) -> int:
        """Bytes of all blocks together."""
        ((size,),) = self._rows("SELECT coalesce(sum(length(data)), 0) FROM raw")
        return int(size)

    def sqlite_check(self) -> list[str]:
        """What SQLite's own check finds wrong with the file, at most ten lines."""
        return [text for (text,) in self._rows("PRAGMA integrity_check(10)") if text != "ok"]

    def _stored(self, from_t: float, to_t: float, stream: str | None) -> Iterator[tuple[tuple[int, int], list[_Fed]]]:
        """Blocks and told facts by number: where each starts in the feed order, and its inputs."""
        asked = {"from": from_t, "to": to_t, "stream": stream}
        within = "AND (:stream IS NULL OR stream = :stream) ORDER BY n"
        blocks: Iterator[RawRow | EventRow] = self.rows(RawRow, f"WHERE t_last >= :from AND t <= :to {within}", asked)
        told = self.rows(EventRow, f"WHERE input = 1 AND t >= :from AND t <= :to {within}", asked)
        for row in heapq.merge(blocks, told, key=lambda row: row.n):
            try:
                fed = _fed(row)
                start = fed[0][:2]
            except (BlockError, IndexError, msgspec.MsgspecError, KeyError, TypeError, RecursionError, OverflowError) as error:
                raise self._unreadable(row, error) from None
            yield start, fed

    def _unreadable(self, row: RawRow | EventRow, error: Exception) -> UnreadableLog:
        where = f"row {row.n} ({on_one_line(row.stream)}, t {row.t:.3f})"
        return UnreadableLog(f"{self.path}: {where} cannot be read: {on_one_line(str(error))}; verify it")

    def _rows(self, sql: str, values: Any = ()) -> list[Any]:
        return self._query(sql, values)[1]

    def _query(self, sql: str, values: Any = ()) -> tuple[list[str], list[Any]]:
        """A query's columns and rows."""
        try:
            cursor = self._connection.execute(sql, values)
            return [name for name, *_ in cursor.description or ()], cursor.fetchall()
        except BROKEN as error:
            raise readable(self.path, error) from None

    def derivation(self) -> int | None:
        """By which derivation its tables were drawn from the bytes (`daemon.log.derived`); None where it does not say."""
        row = self.begun
        return self._json("how it began", row.detail).get("derivation") if row is not None else None

    def _json(self, what: str, text: str, kind: Any = dict[str, Any]) -> Any:
        try:
            return msgspec.json.decode(text, type=kind)
        except (msgspec.MsgspecError, RecursionError):
            raise UnreadableLog(f"{self.path}: {what} is not the JSON that a post writes; run `witnesspost verify`") from None

    def _long_silence(self, t: float, until_t: float) -> LongSilence:
        days = (until_t - t) / 86400
        return LongSilence(f"{self.path}: nothing for {days:,.0f} days after t {t:.3f}: over {_MOST_DAYS} days are not judged")


def _fed(row: RawRow | EventRow) -> list[_Fed]:
    if isinstance(row, RawRow):
        return [(ms, order, row.stream, data) for ms, order, data in chunks(row.t, row.data, row.times)]
    fact = msgspec.convert(_fields_of(row), TOLD[row.kind])
    return [(round(row.t * 1000), row.order_in_ms, row.stream, fact)]


def _fields_of(row: EventRow) -> dict[str, Any]:
    """Of the fact that a row tells."""
    return {"t": row.t, "stream": row.stream, **msgspec.json.decode(row.detail)}


def _in_order(group: list[_Fed]) -> list[Input]:
    group.sort(key=_place)
    return [(ms / 1000, stream, what) for ms, _, stream, what in group]
