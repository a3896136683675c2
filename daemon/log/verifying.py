"""A log checked: is every row as it was written, is SQLite's own check content, where was nothing heard?"""

from __future__ import annotations

import datetime as dt
import heapq
import sqlite3
from collections.abc import Callable
from typing import NamedTuple

import msgspec
from witnesspost.daemon.log.blocks import BlockError, chunks
from witnesspost.daemon.log.opening import LogError, wal_of
from witnesspost.daemon.log.reading import Gap, LogFile
from witnesspost.daemon.log.rows import CHAINED, ChainedRow, RawRow
from witnesspost.daemon.log.translation import digest_of
from witnesspost.daemon.log.wal import lost_commits


class BadRow(NamedTuple):
    """The first row of the chain that is not as it was written."""

    n: int
    table: str
    stream: str
    t: float
    utc: dt.datetime | None
    what: str


class Report(msgspec.Struct, kw_only=True):
    """What was found. `digest` is the chain's last, for comparison with the file after it; `ended` how the log ended, None
    where it was not closed (still being written, or cut off)."""

    blocks: int = 0
    raw_bytes: int = 0
    rows: int = 0
    digest: bytes
    ended: str | None = None
    bad: BadRow | None = None
    sqlite: list[str] = []
    gaps: list[Gap] = []

    @property
    def sound(self) -> bool:
        """True if every digest and SQLite's own check are right."""
        return self.bad is None and not self.sqlite


def verify(log: LogFile, progress: Callable[[int], None] | None = None) -> Report:
    """Recompute every digest, let SQLite check the file, list the gaps. `progress` is given the bytes done."""
    report = Report(digest=log.run.digest)
    try:
        # Looked at twice, for a service that writes on may begin its WAL again under the first look.
        lost = lost_commits(wal_of(log.path)) and lost_commits(wal_of(log.path))
        if lost is not None:
            report.sqlite.append(str(lost))
        _follow_chain(log, report, progress)
        report.sqlite += log.sqlite_check()
        report.ended = log.ended()
        report.gaps = log.gaps()
    except (sqlite3.DatabaseError, LogError) as error:
        report.sqlite.append(str(error))
    return report


def first_bad_row(log: LogFile) -> str | None:
    """The first row that is not as it was written, in a line for a person; None where the chain fits. Less than `verify`
    looks at: neither SQLite's own check nor the gaps."""
    report = Report(digest=log.run.digest)
    try:
        _follow_chain(log, report, None)
    except LogError as error:
        return f"{log.path}: the chain cannot be followed: {error}"
    if report.bad is None:
        return None
    n, table, stream, t, _, what = report.bad
    where = ", ".join([table, *([stream] if stream else []), f"t {t:.3f}"])
    return f"{log.path}: row {n} of the chain ({where}) is not as it was written: {what}; run `witnesspost verify`"


def _follow_chain(log: LogFile, report: Report, progress: Callable[[int], None] | None) -> None:
    run = log.run
    if digest_of(run, b"", log.version) != run.digest:
        report.bad = BadRow(0, "run", "", run.begun_at_t, None, "the run's own row was changed")
        return
    n, t = run.first_n - 1, run.begun_at_t
    try:
        for row in heapq.merge(*(log.rows(kind, "ORDER BY n") for kind in CHAINED), key=lambda row: row.n):
            t = row.t
            wrong = _wrong(row, n + 1, report.digest, log.version)
            if wrong is not None:
                report.bad = BadRow(row.n, row.table, row.stream, t, log.utc_at(t), wrong)
                return
            n, report.digest = row.n, row.digest
            report.rows += 1
            if isinstance(row, RawRow):
                report.blocks += 1
                report.raw_bytes += len(row.data)
                if progress is not None:
                    progress(report.raw_bytes)
    except LogError as error:
        report.bad = BadRow(n + 1, "raw", "", t, log.utc_at(t), f"cannot be read ({error.__cause__}); nor what follows")


def _wrong(row: ChainedRow, n: int, previous: bytes, version: int) -> str | None:
    """What is wrong with a row that ought to be the `n`th, after one with the digest `previous`; None where nothing is."""
    if row.n != n:
        return f"row {n} is missing before it"
    if digest_of(row, previous, version) != row.digest:
        return "its digest does not fit: it was changed"
    if isinstance(row, RawRow):
        try:
            chunks(row.t, row.data, row.times)
        except BlockError as error:
            return str(error)
    return None
