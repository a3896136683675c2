"""A disk of the test's own, laid under a program by LD_PRELOAD: slow to sync, full, or failing now and then (`disk.c`).

disk = Disk(folder)
disk.is_slow(1.5)
subprocess.Popen(…, env={**os.environ, **disk.environment})
"""

from __future__ import annotations

import errno
import mmap
import os
import struct
import tempfile
from pathlib import Path

from tests.proof.preloaded import compiled

_FIELDS = ("sync_us", "sync_error", "write_error", "room_bytes", "one_in", "syncs", "faults")


class Disk:
    """The disk under all files in `folder`. What it does can be changed while the program runs."""

    def __init__(self, folder: Path):
        handle, path = tempfile.mkstemp(prefix="disk-")
        os.ftruncate(handle, 4 * len(_FIELDS))
        self._control = mmap.mmap(handle, 4 * len(_FIELDS))
        os.close(handle)
        self._path = Path(path)
        self._set(room_bytes=-1)
        self.environment = {"LD_PRELOAD": str(compiled("disk")), "DISK_FOLDER": str(folder), "DISK_CONTROL": path}

    def is_slow(self, sync_s: float) -> None:
        """Each sync takes so long, or until the disk is well."""
        self._set(sync_us=int(sync_s * 1e6))

    def is_full(self, room_bytes: int = 0) -> None:
        """Nothing more can be written after so many bytes."""
        self._set(room_bytes=room_bytes, write_error=errno.ENOSPC)

    def fails(self, one_in: int = 1) -> None:
        """One sync and one write of so many fail, by chance."""
        self._set(sync_error=errno.EIO, write_error=errno.EIO, room_bytes=-1, one_in=one_in)

    def is_well(self) -> None:
        """No fault any more."""
        self._set(sync_us=0, sync_error=0, write_error=0, room_bytes=-1, one_in=0)

    def syncs(self) -> int:
        """How many syncs there were."""
        return self._get("syncs")

    def faults(self) -> int:
        """How many calls failed."""
        return self._get("faults")

    def keeps(self, journal: Path) -> None:
        """Whatever is written from the next start on goes into `journal` too."""
        self.environment["DISK_JOURNAL"] = str(journal)

    def close(self) -> None:
        """Let go of it."""
        self._control.close()
        self._path.unlink()

    def _set(self, **values: int) -> None:
        for name, value in values.items():
            struct.pack_into("i", self._control, 4 * _FIELDS.index(name), value)

    def _get(self, name: str) -> int:
        return int(struct.unpack_from("i", self._control, 4 * _FIELDS.index(name))[0])
