"""A damaged log read for what it still proves: each row whose digest fits the one before it, wherever the damage lies.

Rows are asked for one by one, so that a page that cannot be read costs the rows on it and no others. A row behind a missing one
is left out, for nothing is there to prove it by; those behind it count again.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import msgspec
from witnesspost.daemon.log.blocks import BlockError, chunks
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import CHAINED, ChainedRow, RawRow
from witnesspost.daemon.log.translation import digest_of

_MOST_MISSED = 5000  # rows in a row: then no more come, whatever a damaged file says of its last


class Sound(msgspec.Struct):
    """What was found: rows that are as they were written, and those that are not, are missing or cannot be proven."""

    rows: int = 0
    left_out: int = 0


def sound_blocks(log: LogFile, stream: str, found: Sound) -> Iterator[bytes]:
    """The bytes of each block of `stream` that is as it was written, in their order; `found` counts the rows of all kinds."""
    run = log.run
    previous: bytes | None = run.digest if digest_of(run, b"", log.version) == run.digest else None
    last, n, missed = _last(log), run.first_n - 1, 0
    while missed < _MOST_MISSED and (last is None or n < last):
        n += 1
        row = _row(log, n)
        if row is None:
            missed, previous = missed + 1, None
            continue
        found.left_out += missed
        missed = 0
        proven = previous is not None and digest_of(row, previous, log.version) == row.digest
        previous = row.digest
        if not proven or not _fits(row):
            found.left_out += 1
            continue
        found.rows += 1
        if isinstance(row, RawRow) and row.stream == stream:
            yield row.data
    found.left_out += missed if missed < _MOST_MISSED else 0


def _fits(row: ChainedRow) -> bool:
    try:
        if isinstance(row, RawRow):
            chunks(row.t, row.data, row.times)
    except BlockError:
        return False
    return True


def _last(log: LogFile) -> int | None:
    """The number of the last row; None where that cannot be read."""
    numbers = []
    for kind in CHAINED:
        try:
            numbers += [row.n for row in log.rows(kind, "ORDER BY n DESC LIMIT 1")]
        except (LogError, sqlite3.DatabaseError, ValueError):
            return None
    return max(numbers, default=log.run.first_n - 1)


def _row(log: LogFile, n: int) -> ChainedRow | None:
    """The row of that number; None where it is missing or cannot be read."""
    for kind in CHAINED:
        try:
            for row in log.rows(kind, "WHERE n = ?", (n,)):
                return row
        except (LogError, sqlite3.DatabaseError, ValueError):
            continue
    return None
