"""What sounded, in a file in memory: an alarm comes before its row is on the disk, and the process may be killed between.

    change ──► mark: a line in the run folder ──► buzzer, light, journal ──► log: a commit, synced

The run folder is a file system in memory. A line there takes some ten microseconds, whatever the card does, and outlives the
process, though not the power. A mark on the card would outlive that too, once it was synced: but the log's own commit is a sync
as well and begins at the same moment, so such a mark would be there no sooner than the row, or the alarm would have to wait.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

import msgspec
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, EventRow
from witnesspost.rules.alert import Change

_MOST_BYTES = 256 << 10
_FILES_MOST = 50
_UNREADABLE = (msgspec.MsgspecError, UnicodeDecodeError, RecursionError)  # what msgspec raises of bytes that are no JSON


class Sounded(NamedTuple):
    """The changes that were handed to whatever sounds, and the run in which they were (`Succession.run`)."""

    run: str
    changes: list[Change]


class AlarmMark:
    """The file at `path`, or none. Nothing here raises: without the mark an alarm sounds all the same."""

    def __init__(self, path: Path | None, run: str):
        self.before = _read(path)
        self._run = run
        self._handle: int | None = None
        self._size = _MOST_BYTES
        if path is not None:
            with contextlib.suppress(OSError):
                self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
                self._begin()

    def write(self, changes: Iterable[Change]) -> None:
        """These are about to sound."""
        if self._handle is None:
            return
        with contextlib.suppress(OSError, msgspec.MsgspecError, TypeError, ValueError):
            if self._size >= _MOST_BYTES:
                self._begin()
            self._size += os.write(self._handle, b"".join(msgspec.json.encode(one, enc_hook=str) + b"\n" for one in changes))

    def _begin(self) -> None:
        assert self._handle is not None
        os.ftruncate(self._handle, 0)
        self._size = os.write(self._handle, msgspec.json.encode(self._run) + b"\n")


def not_recorded(folder: Folder, sounded: Sounded, now: Path | None) -> list[Change]:
    """Of what `sounded` in the run before this one, what is in no file of it; `now` is the file that this run writes."""
    recorded: set[tuple[int, str, int]] = set()
    for _, path in [one for one in folder.files() if one[1] != now][: -_FILES_MOST - 1 : -1]:
        try:
            with LogFile.open(path) as log:
                if sounded.run not in _runs(log):
                    break
                recorded |= {(row.alert, row.change, round(row.t * 1000)) for row in log.rows(AlertRow)}
        except (LogError, OSError, msgspec.MsgspecError):  # what cannot be read does not say that anything is missing
            return []
    return [one for one in sounded.changes if (one.alert, one.change, round(one.t * 1000)) not in recorded]


def _runs(log: LogFile) -> list[str]:
    begun = log.rows(EventRow, "WHERE kind IN ('log-started', 'log-continued')")
    return [str(msgspec.json.decode(row.detail).get("run")) for row in begun]


def _read(path: Path | None) -> Sounded | None:
    """What the run before left; None where it left nothing that can be read."""
    if path is None:
        return None
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with open(handle, "rb") as file:
            run, *lines = file.read(2 * _MOST_BYTES).split(b"\n")
        changes = []
        for line in lines:
            with contextlib.suppress(*_UNREADABLE):  # cut off by the kill itself
                changes.append(msgspec.json.decode(line, type=Change))
        return Sounded(msgspec.json.decode(run, type=str), changes) if changes else None
    except (OSError, *_UNREADABLE):
        return None
