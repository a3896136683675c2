"""The log as an outbox: what the office has not had yet, in the order of the log, a few at a time.

    kestrel.0041.db   kestrel.0042.db        kestrel.published: {"run": "42-9f3a61", "n": 1234}
    ──────────────────────────● what was published last: what comes after it waits

A log's rows never change, so that the last row sent is all that has to be kept. Nothing is copied, and no row waits in memory
but the few on their way: days without a network cost a post nothing. Each look is a connection of its own that only reads, open
for some milliseconds: the log's writer never waits for it.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import msgspec
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, EventRow
from witnesspost.daemon.publish.messages import CHANGE, CHECK, change_message, check_message

AT_ONCE = 100  # rows that are read in one look
_CHECKS = "WHERE kind = 'control-check' AND n > ? ORDER BY n LIMIT ?"
_CHANGES = "WHERE n > ? ORDER BY n LIMIT ?"
_SUFFIX = ".published"
_WHOLE = 1 << 62  # no file has so many rows


class Marker(msgspec.Struct, frozen=True):
    """The last row that the broker has: the file's name among all (`RowKey.run`) and the row's `n`."""

    run: str
    n: int


class Item(NamedTuple):
    """One message that waits: its topic's last level, its text, and the row that it is made of."""

    topic: str
    payload: bytes
    marker: Marker


class Outbox:
    """The logs of the post `name` in `folder`; `precise` as the site file says. Used by one thread.

    `skipped` are the files that could not be read, in words, each once. Raises OSError where the folder cannot be read.
    """

    def __init__(self, folder: Path, name: str, *, precise: bool):
        self.skipped: list[str] = []
        self._folder = folder
        self._name = name
        self._precise = precise
        self._path = folder / f"{name}{_SUFFIX}"
        self._read_to: tuple[int, int] | None = None  # the file and the row up to which all was read
        self._looked: tuple[int, ...] | None = None  # what the file looked like when there was nothing more in it
        self._counts: dict[int, int] = {}
        self._named: dict[int, str] = {}

    @property
    def read_through(self) -> bool:
        """True where nothing more was there at the last look."""
        return self._looked is not None

    def rewind(self) -> None:
        """What was read and is not marked is to be read again."""
        self._read_to = self._looked = None

    def mark(self, marker: Marker) -> None:
        """All up to this row has been published. Raises OSError where the disk does not take it."""
        begun = self._path.with_name(f".{self._path.name}.new")
        begun.unlink(missing_ok=True)  # what a crash has left; or a link, which is not followed
        with begun.open("xb") as file:
            file.write(msgspec.json.encode(marker))
            file.flush()
            os.fsync(file.fileno())
        begun.rename(self._path)

    def marked(self) -> Marker | None:
        """What was published last; None where nothing was, or where nobody knows."""
        try:
            return msgspec.json.decode(self._path.read_bytes(), type=Marker)
        except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return None

    def more(self, most: int = AT_ONCE) -> list[Item]:
        """The next messages, `most` at a time; none where all was read."""
        files = self._files()
        if self._read_to is not None and files and max(files) < self._read_to[0]:
            self.rewind()  # the folder was begun anew
        number, n = self._read_to if self._read_to is not None else self._row_of(self.marked(), files)
        for one in [number, *sorted(other for other in files if other > number)]:
            if one not in files:
                continue
            after = n if one == number else -1
            looks, is_last = _looks(files[one]), one == max(files)
            if is_last and self._looked == (one, *looks):
                return []
            try:
                found, self._read_to, whole = self._read(files[one], one, after, most)
            except (LogError, OSError) as error:
                if not is_last:  # the last one is being begun, or comes back
                    self._skip(f"{error}; what it holds is not sent")
                    self._read_to = one, _WHOLE
                continue
            self._looked = (one, *looks) if whole and is_last else None
            if found or not whole:
                return found
        return []

    def waiting(self) -> int:
        """How many changes and checks the office has not had."""
        files, marker = self._files(), self.marked()
        number, n = self._row_of(marker, files)
        return sum(self._count(path, one, n if one == number else -1) for one, path in files.items() if one >= number)

    def _row_of(self, marker: Marker | None, files: dict[int, Path]) -> tuple[int, int]:
        """The file and row of a marker: the beginning of all where the folder was begun anew since, or nothing is marked."""
        if marker is None or not files:
            return 0, -1
        number = int(marker.run.partition("-")[0]) if re.fullmatch(r"\d{1,9}-[0-9a-f]{6}", marker.run) else 0
        if number in files:
            return (number, marker.n) if self._run_of(files[number], number) in (marker.run, None) else (0, -1)
        return (number, marker.n) if max(files) > number else (0, -1)

    def _run_of(self, path: Path, number: int) -> str | None:
        if number not in self._named:
            with contextlib.suppress(LogError, OSError), LogFile.open(path) as log:
                self._named[number] = log.run_name
        return self._named.get(number)

    def _read(self, path: Path, number: int, after_n: int, most: int) -> tuple[list[Item], tuple[int, int], bool]:
        """The next messages of a file, up to where it was read, and whether that was all. Raises a LogError."""
        with LogFile.open(path) as log:
            changes = log.rows(AlertRow, _CHANGES, (after_n, most))
            checks = log.rows(EventRow, _CHECKS, (after_n, most))
            merged: Iterator[AlertRow | EventRow] = heapq.merge(changes, checks, key=lambda row: row.n)
            rows = [row for row, _ in zip(merged, range(most), strict=False)]
            found = [item for row in rows if (item := self._item(log, row)) is not None]
            whole = len(rows) < most
            return found, (number, max(after_n, log.last_n()) if whole else rows[-1].n), whole

    def _item(self, log: LogFile, row: AlertRow | EventRow) -> Item | None:
        post, run = self._name, log.run_name
        marker = Marker(run, row.n)
        try:
            if isinstance(row, AlertRow):
                return Item(CHANGE, change_message(row, post, run, precise=self._precise), marker)
            utc = log.utc_at(row.t)
            said = utc.isoformat(timespec="milliseconds").replace("+00:00", "Z") if utc is not None else None
            return Item(CHECK, check_message(row, post, run, said, precise=self._precise), marker)
        except (msgspec.MsgspecError, RecursionError, AttributeError, TypeError):
            self._skip(f"{log.path.name}: row {row.n} was changed; it is not sent")
            return None

    def _count(self, path: Path, number: int, after_n: int) -> int:
        """The rows of a file that wait; of a file that is not written any more it is counted once."""
        whole = after_n < 0
        if whole and number in self._counts:
            return self._counts[number]
        try:
            with LogFile.open(path) as log:
                ((changes,),) = log.select("SELECT count(*) FROM alert WHERE n > ?", (after_n,))
                ((checks,),) = log.select("SELECT count(*) FROM event WHERE kind = 'control-check' AND n > ?", (after_n,))
                if whole and log.ended() is not None:
                    self._counts[number] = changes + checks
                return int(changes + checks)
        except (LogError, OSError):
            return 0

    def _skip(self, words: str) -> None:
        if words not in self.skipped:
            self.skipped = [*self.skipped, words][-20:]

    def _files(self) -> dict[int, Path]:
        return dict(Folder(self._folder, self._name).files())


def _looks(path: Path) -> tuple[int, ...]:
    """What changes with each commit."""
    looks: list[int] = []
    for one in (path, path.with_name(path.name + "-wal")):
        try:
            found = one.stat()
            looks += [found.st_size, found.st_mtime_ns, found.st_ino]
        except OSError:
            looks += [0, 0, 0]
    return tuple(looks)
