"""The disk's room: how much is left, for how long, and old logs removed before it would be low."""

from __future__ import annotations

import datetime as dt
import os
import sqlite3
from pathlib import Path

from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.log.folder import Folder

_LOOK_EVERY_S = 10.0
# Old files go just before the rule `post-health` would speak of a low disk (10 %), so that a post that looks after
# itself stays quiet.
_ROOM_FRACTION = 0.12
_RATE_AFTER_S = 60.0


class Room:
    """The room where `folder` lies. `free_fraction` is the free part of the disk, `left_h` how long that will last at the
    rate so far; None where it cannot be told."""

    def __init__(self, folder: Folder, keep_days: float, begun_t: float):
        self.free_fraction: float | None = None
        self.left_h: float | None = None
        self._folder = folder
        self._keep_days = keep_days
        self._begun_t = begun_t
        self._due = begun_t

    def look(self, t: float, written_bytes: int, current: Path | None, receiver_utc: dt.datetime | None) -> list[str]:
        """See how much room there is, every ten seconds, and make some where old files may go; gives their names.

        `written_bytes` is what the log wrote so far, `current` the file that is being written.
        """
        if t < self._due:
            return []
        self._due = t + _LOOK_EVERY_S
        removed: list[str] = []
        try:
            disk = os.statvfs(self._folder.path)
            wanted = int(disk.f_blocks * _ROOM_FRACTION - disk.f_bavail) * disk.f_frsize
            if wanted > 0:
                removed = self._folder.make_room(wanted, self._keep_days, receiver_utc, system_utc(), current)
                disk = os.statvfs(self._folder.path)
        except (OSError, sqlite3.Error):
            self.free_fraction = self.left_h = None
            return removed
        ran_s = t - self._begun_t
        rate = written_bytes / ran_s if ran_s >= _RATE_AFTER_S else 0.0
        self.left_h = disk.f_bavail * disk.f_frsize / rate / 3600 if rate else None
        self.free_fraction = disk.f_bavail / disk.f_blocks
        return removed
