"""The folder of logs: numbers, the lock, how the last file ended, and which old ones may go.

`NAME.0042.db`: the run's number, never a date, for the clock may be wrong at boot. A file that is damaged is renamed to
`NAME.0042.db.damaged` with all that belongs to it, and never deleted. `NAME.lock` is held by the service that writes.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import fcntl
import itertools
import os
import re
import sqlite3
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.opening import connect_reading, wal_of
from witnesspost.daemon.log.rows import CHAINED, ChainedRow, EventRow, RunRow, read
from witnesspost.daemon.log.translation import digest_of, translate
from witnesspost.daemon.log.wal import lost_commits
from witnesspost.daemon.log.writing import Tail, Writer, read_tail

_TAIL_CHECKED = 50  # rows at the end of a file that a start looks at: enough for what a power cut can spoil
_BESIDE = ("-wal", "-shm")
_LOOKED = re.compile(rb"start (\d+) that does")
_TRIES = 2  # starts that may end while they look at the last file
_OUTSIDE = (  # SQLite's errors that lie outside the file (sqlite.org, "Result and Error Codes")
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_INTERRUPT,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PROTOCOL,
    sqlite3.SQLITE_PERM,
    sqlite3.SQLITE_AUTH,
)
_CLOCKS_AGREE = dt.timedelta(days=1)
_LONGEST_PAUSE = dt.timedelta(days=31)
_LONGEST_S = 2 * 86400.0  # a file is rotated after a day; one that says more of itself may be damaged


class LogBusy(Exception):
    """Another service writes this log."""


class Ending(NamedTuple):
    """How the last file ended, in words, where its chain stands (None where that cannot be read), how long the machine had
    been up by then (None where it was off since, or the file does not say), and the folder's id (None where it says none)."""

    file: str | None
    how: str
    tail: Tail | None
    up_s: float | None = None
    folder_id: str | None = None


class Folder:
    """The logs of the post `name` in `path`. Methods raise OSError where the disk does."""

    def __init__(self, path: Path, name: str):
        self.path = path
        self.name = name
        self._lock: int | None = None
        self._died_looking = 0  # starts before this one that ended while they looked at the last file
        self._highest = 0

    def lock(self) -> None:
        """Be the only writer until `unlock` or the end of the process, also where the folder was removed and has to be
        made again. Raises LogBusy."""
        path = self.path / f"{self.name}.lock"
        if self._lock is not None:
            if _is_file_at(self._lock, path):
                return
            self.unlock()
        self.path.mkdir(parents=True, exist_ok=True)
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o666)
        except OSError as error:
            if error.errno != errno.ELOOP:
                raise
            raise OSError(f"{path}: is a link, and none is followed; remove it") from None
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            who = os.read(handle, 100).decode(errors="replace").strip() or "another process"
            os.close(handle)
            if not isinstance(error, BlockingIOError):
                raise
            raise LogBusy(
                f"{self.path}: the log {self.name!r} is being written by {who}; "
                "stop that service, or give this site file another post.name or post.log_dir"
            ) from None
        self._lock = handle
        looked = _LOOKED.search(os.pread(handle, 200, 0))
        self._died_looking = int(looked[1]) if looked else 0
        self._say()

    def unlock(self) -> None:
        """Let another service write."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def files(self) -> list[tuple[int, Path]]:
        """The logs that are in use, oldest first, with their numbers."""
        return sorted(
            (int(match[1]), path)
            for path in self.path.iterdir()
            if (match := re.fullmatch(re.escape(self.name) + r"\.(\d{4,})\.db", path.name))
        )

    def next_number(self) -> int:
        """A number that no log here bears, not even a damaged one, nor one that was begun here and is gone."""
        taken = [
            int(match[1])
            for path in self.path.iterdir()
            if (match := re.match(re.escape(self.name) + r"\.(\d{4,})\.db", path.name))
        ]
        self._highest = max([self._highest, *taken])
        return self._highest + 1

    def file(self, number: int) -> Path:
        """The path of the log of that number, which is taken from now on."""
        self._highest = max(self._highest, number)
        return self.path / f"{self.name}.{number:04d}.db"

    def end_last(self) -> Ending:
        """Look at the last file, close it with an event where a crash left it open, set it aside where it is damaged.

        Whatever that file looks like, this ends: where two starts in a row ended while they looked, the third does not.
        """
        files = self.files()
        if not files:
            return Ending(None, "there is none", None)
        path = files[-1][1]
        if self._died_looking >= _TRIES:
            return Ending(path.name, "not looked at: the starts before this one ended while they did", None)
        self._say(self._died_looking + 1)
        try:
            ending = _end(path)
        except Exception as error:
            if isinstance(error, OSError) or getattr(error, "sqlite_errorcode", 0) & 0xFF in _OUTSIDE:
                return Ending(path.name, f"cannot be read or written: {error}", None)
            how = f"damaged and set aside: {error or type(error).__name__}"
            try:
                return Ending(set_aside(path).name, how, None)
            except OSError as refused:
                return Ending(path.name, f"{how}; it keeps its name ({refused.strerror})", None)
        finally:
            self._say()
        return ending

    def _say(self, looking: int = 0) -> None:
        """Write into the lock who holds it, for people, and, for the next start, that this one looks at the last file."""
        if self._lock is None:
            return
        text = f"process {os.getpid()}" + (f", looks at the last file: start {looking} that does" if looking else "")
        with contextlib.suppress(OSError):  # a full disk must not keep the log from waiting
            os.ftruncate(self._lock, 0)
            os.pwrite(self._lock, f"{text}\n".encode(), 0)

    def leave_note(self, text: str) -> Path | None:
        """Write `text` where it can be written, the folder first: its path, None where it cannot anywhere."""
        for folder in (self.path, Path(tempfile.gettempdir())):
            for number in itertools.count(1):
                path = folder / f"{self.name}.lost-{number}.txt"
                try:
                    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
                except FileExistsError:
                    continue
                except OSError:
                    break
                with contextlib.suppress(OSError), open(handle, "w", errors="replace") as file:
                    file.write(text + "\n")
                    file.flush()
                    os.fsync(handle)
                    return path
                path.unlink(missing_ok=True)
                break
        return None

    def make_room(
        self, wanted_bytes: int, keep_days: float, receiver: dt.datetime | None, system: dt.datetime, current: Path | None
    ) -> list[str]:
        """Remove whole old files, oldest first, until `wanted_bytes` more are free; none that may be younger than
        `keep_days`. Gives the names.

        `receiver` and `system` are the two clocks' UTC now. A file is as old as the files after it last together, by a clock
        that nobody sets, and as the pauses between them. A pause counts where both clocks say the same of it and it is no
        longer than a month: a receiver that is 1024 weeks off and a board that starts in 1970 make years of what is minutes
        old, together as well as alone. Where that is in doubt the file stays, and the disk is told to be low.
        """
        files = [path for _, path in self.files() if path != current]
        ends = [_end_of(path) for path in files]
        now = _End(_end_of(current).length_s if current is not None else 0.0, receiver, system)
        pauses = [_pause_s(before, after) for before, after in pairwise([*ends, now])]
        removed: list[str] = []
        for index, path in enumerate(files):
            if wanted_bytes <= 0:
                break
            age_s = now.length_s + sum(end.length_s for end in ends[index + 1 :]) + sum(pauses[index:])
            if age_s <= keep_days * 86400:
                break
            wanted_bytes -= path.stat().st_size
            for gone in (path, *(path.with_name(path.name + end) for end in _BESIDE)):
                gone.unlink(missing_ok=True)
            removed.append(path.name)
        return removed


class UnreliableFile(Exception):
    """A file that cannot be written on, with what is wrong with it."""


def is_damage(error: Exception) -> bool:
    """True where SQLite says that the file itself is bad, or has no tables of a log, not the disk or the rights."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or (code == sqlite3.SQLITE_ERROR and "no such" in str(error))


def set_aside(path: Path) -> Path:
    """Rename a damaged log with all that belongs to it; gives its new path."""
    aside = path.with_name(path.name + ".damaged")
    for end in ("", *_BESIDE):
        if (source := path.with_name(path.name + end)).exists():
            source.rename(aside.with_name(aside.name + end))
    return aside


def check_tail(connection: sqlite3.Connection, version: int) -> None:
    """Recompute the digests of the last rows of an open log. Raises UnreliableFile, RowError."""
    first_n = read_tail(connection).n - _TAIL_CHECKED
    rows: list[ChainedRow] = []
    for kind in CHAINED:
        rows += read(connection, kind, "WHERE n > ? ORDER BY n", (first_n,))
    rows.sort(key=lambda row: row.n)
    if not rows:
        return
    run = next(read(connection, RunRow), None)
    if run is None:
        raise UnreliableFile("its own row is missing")
    if rows[0].n == run.first_n:
        n, digest = run.first_n - 1, run.digest
    else:
        n, digest = rows[0].n, rows[0].digest
        del rows[0]
    for row in rows:
        if row.n != n + 1:
            raise UnreliableFile(f"row {n + 1} of the chain is missing")
        n, digest = row.n, digest_of(row, digest, version)
        if digest != row.digest:
            raise UnreliableFile(f"row {n} of the chain was changed")


def check_length(path: Path) -> None:
    """Compare the file's length with what its own header says (SQLite file format, 1.3.8). Raises UnreliableFile."""
    with path.open("rb") as file:
        header = file.read(100)
    if len(header) < 100 or header[:16] != b"SQLite format 3\0":
        raise UnreliableFile("no SQLite database")
    page_bytes = int.from_bytes(header[16:18], "big")
    wanted = int.from_bytes(header[28:32], "big") * (65536 if page_bytes == 1 else page_bytes)
    if path.stat().st_size < wanted:
        raise UnreliableFile(f"{path.stat().st_size} bytes are left of {wanted}")


def _end(path: Path) -> Ending:
    lost = lost_commits(wal_of(path))
    if lost is not None:  # before SQLite opens the file and takes the rest for granted
        raise UnreliableFile(str(lost))
    with contextlib.closing(connect_reading(path)) as connection:
        number = schema.version(connection)
        if number is None:
            raise UnreliableFile("no log, or one that was never begun")
        if number > schema.VERSION:
            return Ending(path.name, f"version {number}, newer than this program", read_tail(connection))
        if number < schema.VERSION:  # is not written on: what stands in it is all that its own program wrote
            translate(connection, number)
            return Ending(path.name, *_look_at(path, connection, number))
    with contextlib.closing(sqlite3.connect(path, isolation_level=None, timeout=1.0)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        how, tail = _look_at(path, connection, schema.VERSION)
        begun = _begun(connection)
        ending = Ending(path.name, how, tail, _up_s(connection, begun), folder_id_in(begun))
        if _closed_by(connection, tail) is not None:
            return ending
        t = connection.execute(schema.LAST_T).fetchone()[0] or 0.0
    writer = Writer.resume(path, tail, synced=True)
    try:
        writer.append([EventRow.of(t, "log-closed", {"how": how, "found_by": "the next start"})], {})
        return ending._replace(tail=writer.tail)
    finally:
        writer.close()


def _look_at(path: Path, connection: sqlite3.Connection, version: int) -> tuple[str, Tail]:
    """How the log that is open ended, and its tail. Raises UnreliableFile, RowError."""
    check_length(path)
    check_tail(connection, version)
    tail = read_tail(connection)
    closed_by = _closed_by(connection, tail)
    if closed_by is not None:
        return closed_by, tail
    (boot,) = connection.execute("SELECT boot FROM run").fetchone()
    return "the service ended without closing it" if boot == boot_id() else "the power was cut, or the machine reset", tail


def folder_id_in(begun: dict[str, Any]) -> str | None:
    """The folder's id by the detail of the event that began a file; None where it says none."""
    said = begun.get("folder")
    return said if isinstance(said, str) and re.fullmatch("[0-9a-f]{6}", said) else None


def _begun(connection: sqlite3.Connection) -> dict[str, Any]:
    """The detail of the event that began the open log."""
    begun = next(read(connection, EventRow, "WHERE kind IN ('log-started', 'log-continued') ORDER BY n LIMIT 1"), None)
    return msgspec.json.decode(begun.detail, type=dict[str, Any]) if begun is not None else {}


def _up_s(connection: sqlite3.Connection, begun: dict[str, Any]) -> float | None:
    """How long the machine had been up when the open log ended; None where it was off since, or the log does not say."""
    (boot,) = connection.execute("SELECT boot FROM run").fetchone()
    up_s, (last_t,) = begun.get("up_s"), connection.execute(schema.LAST_T).fetchone()
    return up_s + last_t if boot and boot == boot_id() and isinstance(up_s, float) and last_t is not None else None


def _closed_by(connection: sqlite3.Connection, tail: Tail) -> str | None:
    """How the log says that it was closed; None where it was not."""
    last = next(read(connection, EventRow, "WHERE n = ? AND kind = 'log-closed'", (tail.n,)), None)
    return str(msgspec.json.decode(last.detail)["how"]) if last is not None else None


def _is_file_at(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), os.lstat(path))
    except OSError:
        return False


def boot_id() -> str:
    """The kernel's name for this boot: tells a crashed service from a machine that was off."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""


class _End(NamedTuple):
    """How long a file lasts by `t`, and what the two clocks said at its end: None where they did not."""

    length_s: float
    receiver: dt.datetime | None
    system: dt.datetime | None


def _end_of(path: Path) -> _End:
    try:
        with contextlib.closing(connect_reading(path)) as connection:
            (first,) = connection.execute("SELECT begun_at_t FROM run").fetchone()
            (last,) = connection.execute(schema.LAST_T).fetchone()
            (utc,) = connection.execute(f"SELECT {schema.utc_of('last.t')} FROM (SELECT ? AS t) AS last", (last,)).fetchone()
        written = [one.stat() for one in (path, wal_of(path)) if one.exists()]
        system = dt.datetime.fromtimestamp(max(one.st_mtime for one in written if one.st_size), dt.UTC)
        return _End(min(max(0.0, last - first), _LONGEST_S), schema.utc_from(utc), system)
    except Exception:  # a file that cannot be read proves nothing
        return _End(0.0, None, None)


def _pause_s(before: _End, after: _End) -> float:
    """Seconds between the end of one file and the beginning of the next, as far as they are proven."""
    if before.receiver is None or before.system is None or after.receiver is None or after.system is None:
        return 0.0
    length = dt.timedelta(seconds=after.length_s)
    by_receiver, by_system = after.receiver - length - before.receiver, after.system - length - before.system
    if abs(by_receiver - by_system) > _CLOCKS_AGREE or max(by_receiver, by_system) > _LONGEST_PAUSE:
        return 0.0
    return max(0.0, min(by_receiver, by_system).total_seconds())
