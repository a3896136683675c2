"""A log as its bytes have it: the chained rows as they stand, and the tables that anybody could have written to, made anew.

    raw, event, alert ──chain──► as they stand ─┐
    raw ──pipeline, rules off──► fix, station, clock, traffic ─┴─► a log in a temporary file, with this program's own views

The chain covers the bytes, the alerts and the events, and no other table. So those are never taken for true: they are held
against what the bytes give, and where they differ it is said. What is archived is what the bytes give.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable, Iterator
from itertools import islice
from typing import NamedTuple

from witnesspost.daemon.local_time import CLOCK_CAN_BE_RIGHT
from witnesspost.daemon.log import rows, schema
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, ClockRow, EventRow, RawRow, Row, StreamRow
from witnesspost.daemon.recomputing import Odd, RunOfBytes, StoredRows, goes_on_from_another, why_not_comparable
from witnesspost.replay.office.archive.minutes import Minutes
from witnesspost.replay.office.archive.tables import AS_THE_BYTES, NOT_COMPARED, MinuteRow
from witnesspost.rules.facts import Fact

_AT_ONCE = 1000  # rows that are copied in one statement


class Rebuilt(NamedTuple):
    """A log made anew: `log` to read from, its minutes, and how its tables stood to its bytes (`AS_THE_BYTES`, or what was
    wrong, or why they could not be compared); `differs` is true where they say something else."""

    log: LogFile
    minutes: list[MinuteRow]
    tables: str
    differs: bool


class Rebuilder:
    """Makes logs anew, each after the one before it: a file that goes on from that one knows what its run had said."""

    def __init__(self) -> None:
        self._run: _Run | None = None
        self._digest: bytes | None = None

    def rebuild(self, log: LogFile, digest: bytes, progress: Callable[[float], None] = lambda t: None) -> Rebuilt:
        """`log`, whose chain was found whole and ends with `digest`, made anew; close its `log`. `progress` is told the `t`
        reached. Raises a LogError, and Odd where a block belongs to no stream."""
        continues = goes_on_from_another(log)
        follows = continues and self._digest is not None and log.run.previous_digest == self._digest
        run = self._run if follows and self._run is not None else _Run(log)
        self._run = self._digest = None
        connection = sqlite3.connect("", isolation_level=None)  # a file of its own, which no one else can open
        try:
            tables, differs = _fill(connection, log, run, progress, uncompared="" if follows or not continues else _ALONE)
            rebuilt = Rebuilt(LogFile(log.path, connection, schema.VERSION, None), run.minutes.finish(log), tables, differs)
        except BaseException:
            connection.close()
            raise
        self._run, self._digest = run, digest
        return rebuilt


_ALONE = f"{NOT_COMPARED}: it goes on from a file that was not gathered with it"


class _Run:
    """A run so far, what it was told, and its minutes."""

    def __init__(self, log: LogFile) -> None:
        self.minutes = Minutes()
        self.system = _SystemClock(log)
        self.bytes = RunOfBytes(log, self._see, self.system if self.system.was_used else None)

    def _see(self, fact: Fact) -> None:
        self.system.t = fact.t
        self.minutes.see(fact)


class _SystemClock:
    """What the post's clock said, as far as that is needed: the week, where observations alone told the time.

    It stands in the run's own row, which the chain covers. Only where that was impossible (a board without a battery that was
    set later) an anchor's word is taken for the week; the time in it comes from the observations all the same.
    """

    def __init__(self, log: LogFile) -> None:
        anchor = next(log.rows(ClockRow, "WHERE source LIKE 'MSM%' ORDER BY rowid LIMIT 1"), None)
        self.was_used = anchor is not None
        self.t = log.run.begun_at_t
        self._at_0 = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
        for text, t in ((log.run.system_utc, log.run.begun_at_t), *([(anchor.utc, anchor.t)] if anchor is not None else [])):
            said = schema.utc_from(text)
            if said is not None and said >= CLOCK_CAN_BE_RIGHT:
                self._at_0 = said - dt.timedelta(seconds=t)
                break

    def __call__(self) -> dt.datetime:
        try:
            return self._at_0 + dt.timedelta(seconds=self.t)
        except OverflowError:
            return self._at_0


def _fill(
    connection: sqlite3.Connection, log: LogFile, run: _Run, progress: Callable[[float], None], uncompared: str
) -> tuple[str, bool]:
    """Write the log into an empty database; how its tables stood to its bytes, and whether they differ."""
    schema.build(connection, log.run, list(log.rows(StreamRow)))
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    for kind in (EventRow, AlertRow):
        _copy(connection, log.rows(kind, "ORDER BY n"))
    _copy(connection, map(_without_bytes, log.rows(RawRow, "ORDER BY n")))
    why_not = why_not_comparable(log)
    said = uncompared or (f"{NOT_COMPARED}: {why_not}" if why_not is not None else "")
    stored = None if said else StoredRows(log)
    differs = False
    for computed in run.bytes.rows(log):
        for found in computed.values():
            rows.insert(connection, found)
        if stored is not None:
            try:
                stored.hold(computed)
            except Odd as odd:
                stored, differs, said = None, True, _said(odd)
        progress(run.system.t)
    if stored is not None:
        try:
            stored.end()
        except Odd as odd:
            differs, said = True, _said(odd)
    connection.execute("COMMIT")
    return said or AS_THE_BYTES, differs


def _said(odd: Odd) -> str:
    return f"{odd.row.table} at t {odd.row.t:.3f}: {odd.row.what}"


def _copy(connection: sqlite3.Connection, found: Iterator[Row]) -> None:
    while some := list(islice(found, _AT_ONCE)):
        rows.insert(connection, some)


def _without_bytes(row: RawRow) -> RawRow:
    row.data = row.times = b""
    return row
