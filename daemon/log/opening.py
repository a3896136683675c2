"""Opening a log to read it: what it is, whether this program can read it, and a copy where its folder forbids an index.

Nothing is written to the log or beside it.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path

from witnesspost.daemon.atomic import is_own_output
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.guarded import GuardedConnection, odd_table
from witnesspost.daemon.log.rows import TABLES
from witnesspost.daemon.log.translation import translate

_COPY_PAGES = 2048  # a megabyte a step

BROKEN = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What reading a damaged file raises: the second where a name in its schema was hit."""


class LogError(Exception):
    """A log cannot be read. The text is one line: what, where, and what was expected."""


class NoSuchLog(LogError):
    """There is no file at the path."""


class NotALog(LogError):
    """The file is not a log of this program."""


class NewerLog(LogError):
    """The log was written by a newer version."""


class OwnOutput(LogError):
    """What is written goes into the file that is read."""


class UnreadableLog(LogError):
    """SQLite cannot read the file."""


class NoSuchStream(LogError):
    """The log has no stream of that name; the names there are listed."""


class NothingThere(LogError):
    """The log has nothing in the time that was asked for."""


def open_reading(path: Path) -> tuple[GuardedConnection, int, Path | None]:
    """The log at `path` open for reading in one moment of it, its version, and the folder of the copy that is read
    instead (for the caller to remove), where there had to be one. Raises a LogError."""
    copy: Path | None = None
    try:
        if path.is_dir():
            raise NotALog(f"{path}: is a folder; name one of the logs in it (NAME.0001.db)")
        if not path.exists():
            raise NoSuchLog(f"{path}: there is no such file; name a log (NAME.0001.db)")
        if is_own_output(path, wal_of(path)):
            raise OwnOutput(f"{path}: the output goes into this very file; send it elsewhere")
        connection = connect_reading(path)
        try:
            if _needs_copy(connection):
                copy = Path(tempfile.mkdtemp(prefix="witnesspost-"))
                connection.close()
                connection = _aside(path, copy)
            version = _version(path, connection)
            if (odd := odd_table(connection, [kind.table for kind in TABLES])) is not None:
                raise UnreadableLog(f"{path}: {odd}: this is not how a log is written; keep the file as it is")
            translate(connection, version)
            connection.execute("BEGIN")
            connection.read_only_tables()
            return connection, version, copy
        except BaseException:
            connection.close()
            if copy is not None:
                shutil.rmtree(copy, ignore_errors=True)
            raise
    except BROKEN as error:
        raise readable(path, error) from None
    except PermissionError as error:
        raise UnreadableLog(f"{path}: may not be read by you ({error.strerror}); copy it where you may") from None


def copy_log(source: str | Path, target: Path, progress: Callable[[float], None] | None = None) -> None:
    """Copy one moment of a log to `target`, as one file without a WAL, while a service may write on.

    SQLite's backup begins again whenever somebody else writes between two steps; held to one moment by a reading
    transaction it cannot starve. Each step is synced on its own, so that the writer's own syncs never wait for a whole
    copy. `progress` is given the part done. Raises a LogError, and OSError where the target cannot be written.
    """
    checked, _, folder = open_reading(Path(source))
    checked.close()
    if folder is not None:
        shutil.rmtree(folder, ignore_errors=True)
    reading = connect_reading(Path(source))
    writing = sqlite3.connect(target, isolation_level=None)
    handle = os.open(target, os.O_RDONLY)
    try:
        writing.execute("PRAGMA journal_mode = OFF")
        writing.execute("PRAGMA synchronous = OFF")
        reading.execute("BEGIN")
        reading.execute("SELECT count(*) FROM run").fetchone()

        def step(_: int, remaining: int, total: int) -> None:
            os.fdatasync(handle)
            if progress is not None:
                progress(1 - remaining / max(total, 1))

        reading.backup(writing, pages=_COPY_PAGES, progress=step)
        writing.execute("PRAGMA journal_mode = DELETE")  # the mark of a copy, see `writes_ahead`
    except BROKEN as error:
        if getattr(error, "sqlite_errorcode", None) in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY):
            raise OSError(errno.ENOSPC, "no room on the disk") from None
        raise readable(Path(source), error) from None
    finally:
        writing.close()
        os.close(handle)
        reading.close()


def readable(path: Path, error: Exception) -> LogError:
    """SQLite's error as one of ours."""
    if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_NOTADB:
        return NotALog(f"{path}: is not an SQLite database; name a log (NAME.0001.db)")
    why = _NOT_OURS.get(getattr(error, "sqlite_errorcode", 0) & 0xFF, str(error))
    return UnreadableLog(f"{path}: cannot be read: {why}; run `witnesspost verify`, and keep the file as it is")


# What stops a query that no log of ours needs, in words.
_NOT_OURS = {
    sqlite3.SQLITE_INTERRUPT: "its tables ask for work without an end",
    sqlite3.SQLITE_AUTH: "its tables ask for more than to be read",
    sqlite3.SQLITE_TOOBIG: "a value in it is larger than any that a post writes",
}


def writes_ahead(path: Path) -> bool:
    """True where the file's header says that a WAL belongs to it (SQLite file format, 1.3.2), as in every log that a
    service writes; in one that `copy_log` made it does not."""
    with path.open("rb") as file:
        return file.read(20)[18:] == b"\x02\x02"


def connect_reading(path: Path) -> GuardedConnection:
    """The file at `path` connected to for reading, with its WAL where there is one; no query on it is without an end."""
    # Without a WAL beside it nobody writes, and `immutable` keeps SQLite from making files beside the evidence.
    wal = wal_of(path)
    how = "mode=ro" if wal.exists() and wal.stat().st_size else "mode=ro&immutable=1"
    uri = f"{path.absolute().as_uri()}?{how}"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, factory=GuardedConnection)
    connection.guard(path)
    return connection


def wal_of(path: Path) -> Path:
    """The write-ahead log beside a log."""
    return path.with_name(path.name + "-wal")


def _needs_copy(connection: sqlite3.Connection) -> bool:
    """Try the connection; true where the folder may not be written, for a WAL needs an index beside it."""
    try:
        schema.version(connection)
    except sqlite3.DatabaseError as error:
        code = error.sqlite_errorcode & 0xFF
        if code == sqlite3.SQLITE_CORRUPT:
            # A file that was cut: this is how SQLite can be told to read what is left of it (btree.c, lockBtree). The
            # connection cannot write.
            connection.execute("PRAGMA writable_schema = ON")
        elif code in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            return True
        else:
            raise
    return False


def _aside(path: Path, folder: Path) -> GuardedConnection:
    """The log and its WAL copied to a folder that can be written, and opened there."""
    for source in (path, wal_of(path)):
        if source.exists():
            shutil.copyfile(source, folder / source.name)
    return connect_reading(folder / path.name)


def _version(path: Path, connection: sqlite3.Connection) -> int:
    version = schema.version(connection)
    if version is None:
        if path.stat().st_size == 0:
            raise NotALog(f"{path}: is empty; its -wal file, if there is one, belongs beside it")
        raise NotALog(f"{path}: is a database, but no log of a Witnesspost; name a NAME.0001.db")
    if version > schema.VERSION:
        raise NewerLog(
            f"{path}: was written by a newer version (log version {version}, this program reads up to "
            f"{schema.VERSION}); install the newer program here"
        )
    return version
