"""A password's file: the owner's alone, or it is not used."""

from __future__ import annotations

import os
import stat
from pathlib import Path

_MOST_BYTES = 4096


class NotSecret(Exception):
    """The password's file cannot be used; the text is one line that says why, and what to do."""


def password_in(path: Path) -> str:
    """The first line of the file. Raises NotSecret where anybody but its owner may read or write it, or where it has none."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise NotSecret(f"{path}: cannot be read: {error.strerror or error}") from None
    try:
        why = _why_not(path, os.fstat(handle))
        if why is not None:
            raise NotSecret(why)
        line = os.read(handle, _MOST_BYTES).partition(b"\n")[0].rstrip(b"\r")
    finally:
        os.close(handle)
    try:
        password = line.decode()
    except UnicodeDecodeError:
        raise NotSecret(f"{path}: is not UTF-8; expected the password on its first line") from None
    if not password:
        raise NotSecret(f"{path}: is empty; expected the password on its first line")
    return password


def why_not_secret(path: Path) -> str | None:
    """Why a post would not use the file, for one who may not read it himself; None where nothing is against it."""
    try:
        return _why_not(path, path.stat())
    except OSError as error:
        return f"{path}: cannot be read: {error.strerror or error}"


def _why_not(path: Path, found: os.stat_result) -> str | None:
    if not stat.S_ISREG(found.st_mode):
        return f"{path}: is no file; expected one with the password on its first line"
    rights = stat.S_IMODE(found.st_mode)
    if rights & 0o077:
        return f"{path}: others than its owner may read it (its rights are {rights:04o}); chmod 600 it"
    return None
