"""The bytes of a file that a person named: a regular file of bounded size, so that reading it ends."""

from __future__ import annotations

import os
import stat
from pathlib import Path

MOST_BYTES = 8_000_000
"""Of a site file or a file of control points: some 100,000 points."""


class NotReadable(Exception):
    """A file cannot be read; the text says why."""


def bytes_of(path: str | Path, most_bytes: int = MOST_BYTES) -> bytes:
    """What the file at `path` holds, at most so many bytes. Raises NotReadable, also for a pipe or a device."""
    try:
        with open(path, "rb", opener=_without_waiting) as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise NotReadable("it is a pipe or a device")
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise NotReadable(str(error.strerror)) from None
    except ValueError:
        raise NotReadable("this cannot be a file name") from None
    if len(data) > most_bytes:
        raise NotReadable(f"it has over {most_bytes // 1_000_000} MB")
    return data


def _without_waiting(path: str, flags: int) -> int:
    """A pipe that nobody writes to would hold up a plain opening."""
    return os.open(path, flags | os.O_NONBLOCK | os.O_NOCTTY)
