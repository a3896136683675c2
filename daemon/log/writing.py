"""One log file that is open for appending: each call of `append` is one transaction, all of it or nothing.

Rows of the chained tables get their running number and digest here, at the moment of writing: what could not be written
never was a link of the chain.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec
from witnesspost.daemon.atomic import put, sync
from witnesspost.daemon.log import rows, schema
from witnesspost.daemon.log.blocks import link
from witnesspost.daemon.log.rows import CHAINED, ChainedRow, Derived, RunRow, StreamRow

# A checkpoint copies the WAL into the file and syncs both. Small and often keeps each one short on a slow card; the
# pages that it rewrites for that are few, since a log only appends (measured; tests/bench/log.py).
_CHECKPOINT_BYTES = 512 * 1024
# A log only appends, and asks again for no page but the last of each table: a larger cache spares not one read (measured).
_CACHE_KIB = 256
_MAGIC = b"SQLite format 3\0"  # SQLite file format, 1.2
_BUSY_S = 0.1  # somebody's database browser holds the lock: try again later rather than hold up the pipeline


class Tail(NamedTuple):
    """Where a chain stands: the last row's number and digest."""

    n: int
    digest: bytes


class NotOurs(Exception):
    """The file at the path is not as we left it: it was removed, replaced, cut or changed."""


class WalGone(NotOurs):
    """The file's WAL or its index was removed or replaced: what was committed since the last checkpoint hangs on us."""


class Writer:
    """The open file. Every method raises sqlite3.Error or OSError where the disk fails; then `close` and `reopen`."""

    def __init__(self, path: Path, tail: Tail, *, synced: bool):
        self.path = path
        self.tail = tail
        self._tried = tail
        self._synced = synced
        self._since_checkpoint = 0
        self._asked_bytes = 0  # the size when SQLite was last asked for it
        self._files: dict[str, int] = {}  # those that SQLite has open, and their inodes
        # Kept open as long as the connection: to close any handle of the file ends SQLite's locks on it (fcntl(2)).
        self._handle: int | None = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            self._connection = sqlite3.connect(path, isolation_level=None, timeout=_BUSY_S, check_same_thread=False)
        except BaseException:
            os.close(self._handle)
            raise

    @classmethod
    def create(cls, path: Path, run: RunRow, streams: list[StreamRow], previous: Tail, *, synced: bool) -> Writer:
        """Begin the file at `path` with its `run` row after `previous`. Raises FileExistsError.

        It is made whole under another name: a log that can be found can be read, whenever the power goes.
        """
        if path.exists():
            raise FileExistsError(f"{path} exists")
        run.first_n, run.previous_digest = previous.n + 1, previous.digest or None
        run.digest = link(b"", msgspec.structs.astuple(run)[:-1])
        begun = path.with_name(path.name.split(".")[0] + ".new")
        _remove(begun)
        try:
            connection = sqlite3.connect(begun, isolation_level=None)
            try:
                connection.execute("PRAGMA synchronous = OFF")  # synced once, below, when all of it is there
                schema.build(connection, run, streams)
            finally:
                connection.close()
            if synced:
                sync(begun)
            put(begun, path)
        except BaseException:
            _remove(begun)
            raise
        if synced:
            sync(path.parent)
        writer = cls(path, Tail(previous.n, run.digest), synced=synced)
        try:
            writer._settle()
        except BaseException:
            writer.close()
            raise
        return writer

    @classmethod
    def resume(cls, path: Path, *ends: Tail, synced: bool) -> Writer:
        """Go on with the file at `path`, which ends with one of `ends`: `tail` says with which. Raises NotOurs."""
        if not path.exists():
            raise NotOurs(f"{path.name} is gone")
        writer = cls(path, ends[0], synced=synced)
        try:
            writer._settle()
            found = read_tail(writer._connection)
            if found not in ends:
                raise NotOurs(f"{path.name} does not end as it was left")
        except BaseException:
            writer.close()
            raise
        writer.tail = found
        return writer

    def reopen(self) -> Writer:
        """The same file opened again after a failure. What the failed commit left behind is seen: `tail` tells whether
        it was written after all. Raises NotOurs."""
        return Writer.resume(self.path, self.tail, self._tried, synced=self._synced)

    def append(self, chained: Sequence[ChainedRow], derived: Derived) -> None:
        """Write `chained` as the chain's next links, giving them their `n` and digest, and the `derived` rows, in one
        transaction."""
        n, digest = self.tail
        tables: dict[type[rows.Row], list[rows.Row]] = {}
        written = 0
        for row in chained:
            row.n = n = n + 1
            values = msgspec.structs.astuple(row)[:-1]
            row.digest = digest = link(digest, values)
            tables.setdefault(type(row), []).append(row)
            written += sum([len(value) for value in values if isinstance(value, (bytes, str))])
        self._tried = Tail(n, digest)
        if (gone := self.gone()) is not None:
            raise gone
        run = self._connection.execute
        run("BEGIN IMMEDIATE")
        try:
            batches: list[Sequence[rows.Row]] = [*tables.values(), *derived.values()]
            for batch in batches:
                rows.insert(self._connection, batch)
                written += 100 * len(batch)
            run("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                run("ROLLBACK")
            raise
        self.tail = self._tried
        self._since_checkpoint += written

    def tidy(self) -> None:
        """Bring the WAL into the file when it has grown enough: between commits, never within an alert's."""
        if self._since_checkpoint >= _CHECKPOINT_BYTES:
            self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
            self._since_checkpoint = 0
            self._take_sizes()

    def gone(self) -> NotOurs | None:
        """What of the file is not where it was, or not what it was; None where all is. What is deleted or swapped while open
        takes every byte and keeps none."""
        for path, inode in self._files.items():
            if _inode(path) != inode:
                kind = NotOurs if path == str(self.path) else WalGone
                return kind(f"{Path(path).name} was removed or replaced while it was written")
        assert self._handle is not None
        if os.pread(self._handle, len(_MAGIC), 0) != _MAGIC or os.lseek(self._handle, 0, os.SEEK_END) < self._least_bytes:
            return NotOurs(f"{self.path.name} was cut or overwritten while it was written")
        return None

    def rescue(self) -> bool:
        """Bring into the file what its WAL holds, though that was removed; true where the file then holds all that was
        committed."""
        try:
            if _inode(str(self.path)) != self._files[str(self.path)]:
                return False
            self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
            with contextlib.closing(sqlite3.connect(f"{self.path.absolute().as_uri()}?immutable=1", uri=True)) as alone:
                return read_tail(alone) == self.tail
        except (sqlite3.Error, OSError, TypeError):
            return False

    def size_bytes(self) -> int:
        """The file's size with all that was committed: as SQLite had it at the last checkpoint, and what was written since."""
        return self._asked_bytes + self._since_checkpoint

    def close(self) -> None:
        """Let go of the file; SQLite brings the WAL in and removes it where the disk allows."""
        try:
            self._connection.close()
        finally:
            if self._handle is not None:
                os.close(self._handle)
            self._handle = None

    def _settle(self) -> None:
        # FULL: without it a committed transaction of WAL mode can roll back at a power cut (sqlite.org, pragma).
        self._connection.execute(f"PRAGMA synchronous = {'FULL' if self._synced else 'OFF'}")
        self._connection.execute("PRAGMA wal_autocheckpoint = 0")
        self._connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        self._connection.execute("PRAGMA journal_size_limit = 4194304")
        self._connection.execute("SELECT count(*) FROM run").fetchone()  # opens the WAL and its index
        for path in (f"{self.path}{end}" for end in ("", "-wal", "-shm")):
            if (inode := _inode(path)) is not None:
                self._files[path] = inode
        self._take_sizes()

    def _take_sizes(self) -> None:
        (pages,) = self._connection.execute("PRAGMA page_count").fetchone()
        self._asked_bytes = int(pages) * schema.PAGE_BYTES
        self._least_bytes = os.stat(self.path).st_size


def read_tail(connection: sqlite3.Connection) -> Tail:
    """Where the chain in an open log stands."""
    last = [
        Tail(*found)
        for kind in CHAINED
        if (found := connection.execute(f"SELECT n, digest FROM {kind.table} ORDER BY n DESC LIMIT 1").fetchone())
    ]
    if last:
        return max(last)
    first_n, digest = connection.execute("SELECT first_n, digest FROM run").fetchone()
    return Tail(first_n - 1, digest)


def _inode(path: str) -> int | None:
    try:
        return os.stat(path).st_ino
    except OSError:
        return None


def _remove(path: Path) -> None:
    for one in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
        one.unlink(missing_ok=True)
