"""The archive's folder: who may write, and how a day appears in it.

    ARCHIVE/post=kestrel-base/day=2026-06-15/run=42-9f3a61/changes.parquet  checks.parquet  …
    ARCHIVE/logs/post=kestrel-base/run=42-9f3a61/logs.parquet      what was gathered: the last that is written of a log
    ARCHIVE/views.sql

The names of the folders are Hive's, which every engine that reads Parquet knows; `day=__HIVE_DEFAULT_PARTITION__` has the
rows whose time nobody had said. A log's day is made complete beside the archive's days, synced, and then renamed: it is there
whole, as it was before, or not at all, at every moment and after every crash.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq
from witnesspost.daemon.atomic import CannotWrite, sync, writing
from witnesspost.replay.office.archive.days import Day
from witnesspost.replay.office.archive.tables import GatheredRow
from witnesspost.replay.office.archive.views import VIEWS_FILE, script

_STAGE = ".gathering"
_LOCK = ".lock"
_LOGS = "logs"
_NO_DAY = "__HIVE_DEFAULT_PARTITION__"
_ROWS = 1 << 17  # of a row group
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2  # renameat2(2), Linux 3.15
_NO_EXCHANGE = (errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP)


class NotAnArchive(CannotWrite):
    """The folder holds something else."""


class Gathered(NamedTuple):
    """How far a log was gathered: the digest that its file begins with, the number of the last row, the digest after it."""

    begun_digest: str
    last_seq: int
    digest: str


class Archive:
    """An archive to write into, by one process at a time: a context manager. Methods raise CannotWrite where the disk does."""

    def __init__(self, path: str | Path, waits: Callable[[str], None] = lambda who: None) -> None:
        """`waits` is told who writes, once, where somebody else does."""
        self.path = Path(path)
        self._waits = waits
        self._lock: int | None = None

    def __enter__(self) -> Archive:
        with writing(self.path):
            _look_at(self.path)
            self.path.mkdir(exist_ok=True)
            self._take_lock()
            try:
                self._clear_stage()
                self._put_views()
            except BaseException:
                self.__exit__()
                raise
        return self

    def __exit__(self, *_: object) -> None:
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def gathered(self, post: str, run: str) -> Gathered | None:
        """How far a log was gathered; None where it never was, or not to its end."""
        file = self._logs(post, run) / f"{GatheredRow.table}.parquet"
        try:
            (row,) = pq.read_table(file, columns=list(Gathered._fields), partitioning=None).to_pylist()
        except FileNotFoundError:
            return None
        except (OSError, ValueError, pa.ArrowException):  # a damaged one proves nothing: the log is gathered again
            return None
        return Gathered(**row)

    def put(self, post: str, run: str, days: Mapping[Day, Mapping[str, pa.Table]], gathered: pa.Table) -> None:
        """Put a log's days in place of what was there of it, and then what was gathered."""
        with writing(self.path):
            kept = {self._day(post, day, run) for day in days}
            for folder in (*self.path.glob(f"post={post}/day=*/run={run}"), self._logs(post, run)):
                if folder not in kept:  # of no day is a row there twice, not even for a moment
                    self._remove(folder)
            for day, tables in days.items():
                self._put(self._day(post, day, run), tables)
            self._put(self._logs(post, run), {GatheredRow.table: gathered})

    def _day(self, post: str, day: Day, run: str) -> Path:
        return self.path / f"post={post}" / f"day={day or _NO_DAY}" / f"run={run}"

    def _logs(self, post: str, run: str) -> Path:
        return self.path / _LOGS / f"post={post}" / f"run={run}"

    def _put(self, folder: Path, tables: Mapping[str, pa.Table]) -> None:
        stage = self.path / _STAGE / folder.name
        stage.mkdir(parents=True)
        for name, table in tables.items():
            _write(stage / f"{name}.parquet", table)
        sync(stage)
        folder.parent.mkdir(parents=True, exist_ok=True)
        if folder.exists():
            _exchange(stage, folder)
        else:
            stage.rename(folder)
        for around in (folder.parent, *folder.parent.parents):
            sync(around)
            if around == self.path:
                break
        shutil.rmtree(stage, ignore_errors=True)

    def _remove(self, folder: Path) -> None:
        stage = self.path / _STAGE
        stage.mkdir(exist_ok=True)
        gone = stage / f"gone-{folder.name}"
        with contextlib.suppress(FileNotFoundError):
            folder.rename(gone)
        if folder.parent.exists():
            sync(folder.parent)
        shutil.rmtree(gone, ignore_errors=True)
        with contextlib.suppress(OSError):  # other runs are in it
            folder.parent.rmdir()

    def _take_lock(self) -> None:
        path = self.path / _LOCK
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o666)
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                self._waits(os.pread(handle, 100, 0).decode(errors="replace").strip() or "another process")
                fcntl.flock(handle, fcntl.LOCK_EX)
            os.ftruncate(handle, 0)
            os.pwrite(handle, f"process {os.getpid()}\n".encode(), 0)
        except BaseException:
            os.close(handle)
            raise
        self._lock = handle

    def _clear_stage(self) -> None:
        """What a gathering that was killed has left."""
        with contextlib.suppress(FileNotFoundError):
            shutil.rmtree(self.path / _STAGE)

    def _put_views(self) -> None:
        path, text = self.path / VIEWS_FILE, script()
        with contextlib.suppress(FileNotFoundError):
            if path.read_text() == text:
                return
        stage = self.path / _STAGE
        stage.mkdir()
        (stage / VIEWS_FILE).write_text(text)
        sync(stage / VIEWS_FILE)
        (stage / VIEWS_FILE).rename(path)
        sync(self.path)


def _look_at(path: Path) -> None:
    """Raises NotAnArchive where the folder is none, and is not empty."""
    if not os.path.lexists(path):
        return
    if not path.is_dir():
        raise NotAnArchive(f"{path}: is a file; name a folder for the archive")
    names = set(os.listdir(path))
    if VIEWS_FILE not in names and names - {_LOCK, _STAGE}:
        raise NotAnArchive(f"{path}: is no archive, and not empty; name a new folder, or an archive")


def _write(path: Path, table: pa.Table) -> None:
    pq.write_table(table, path, compression="zstd", row_group_size=_ROWS)
    sync(path)


def _exchange(new: Path, old: Path) -> None:
    """Let two folders change places in one step, where the disk can: else for a moment neither is there."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    names = os.fsencode(new), os.fsencode(old)
    if rename is not None and rename(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _RENAME_EXCHANGE) == 0:
        return
    number = ctypes.get_errno() if rename is not None else errno.ENOSYS
    if number not in _NO_EXCHANGE:
        raise OSError(number, os.strerror(number), str(old))
    aside = new.with_name(f"gone-{old.name}")
    old.rename(aside)
    new.rename(old)
    shutil.rmtree(aside, ignore_errors=True)
