"""Where commands write: a new file that appears whole or not at all, a device, a pipe, standard output.

Nothing that exists is overwritten, no link is followed, and no command writes into what it reads.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)  # of link(2), on a memory stick's file system


class CannotWrite(Exception):
    """The output cannot be written. The text is one line: where, why, and what to do."""


@contextlib.contextmanager
def output(name: str) -> Iterator[BinaryIO]:
    """What to write to: standard output for "-", a device or a pipe as it is, else a new file. Raises CannotWrite."""
    if name == "-":
        with writing(name):
            yield sys.stdout.buffer
            sys.stdout.buffer.flush()
    elif _is_device(name):
        with writing(name), open(os.open(name, os.O_WRONLY | os.O_NOCTTY), "wb") as device:
            yield device
    else:
        with new_file(name) as path, path.open("wb") as file:
            yield file


def expect_new(name: str) -> None:
    """Refuse before long work what `output` would refuse after it: what is there already, or a folder that is not or may not
    be written to. Raises CannotWrite."""
    if name == "-" or _is_device(name):
        return
    path = _file(name)
    if os.path.lexists(path):
        raise _exists(path, "file")
    with writing(name):
        os.stat(path.parent)
        if not os.access(path.parent, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


@contextlib.contextmanager
def new_file(name: str | Path) -> Iterator[Path]:
    """A path to write to, of the same name in a folder of its own: synced and put at `name` when the block ends, removed
    when it raises. Raises CannotWrite where something is there already, where the folder is missing, without rights or room.
    """
    path = _file(name)
    with writing(name), _beside(path) as written:
        yield written
        sync(written)
        try:
            put(written, path)
        except FileExistsError:
            raise _exists(path, "file") from None
        sync(path.parent)


@contextlib.contextmanager
def new_folder(name: str | Path) -> Iterator[Path]:
    """A folder to write files into: synced and put at `name` when the block ends, removed when it raises. Raises CannotWrite
    where something is there already, where the folder around it is missing, without rights or room.
    """
    path = Path(name)
    with writing(name), _beside(path, "folder") as written:
        written.mkdir()
        yield written
        for file in (*sorted(written.iterdir()), written):
            sync(file)
        if os.path.lexists(path):
            raise _exists(path, "folder")
        written.rename(path)
        sync(path.parent)


@contextlib.contextmanager
def writing(name: str | Path) -> Iterator[None]:
    """What the disk refuses within is a CannotWrite that names `name`; "-" is standard output."""
    try:
        yield
    except OSError as error:
        why = error.strerror or error
        if name == "-":
            leave_standard_output()
            raise CannotWrite(f"standard output: cannot be written whole: {why}") from error
        raise CannotWrite(f"{name}: cannot be written: {why}; name a place with room and rights") from error


def sync(path: Path) -> None:
    """A file or a folder, as it is now, is on the disk. Raises OSError."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def put(written: Path, path: Path) -> None:
    """Move a file to a path on the same disk where nothing is. Raises FileExistsError where something is."""
    try:
        os.link(written, path)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        os.close(os.open(path, os.O_CREAT | os.O_EXCL))
        written.replace(path)
    else:
        written.unlink()


def is_own_output(*paths: Path) -> bool:
    """True where this process's standard output or error goes into one of the files."""
    files = {_identity(os.stat(path)) for path in paths if path.exists()}
    for handle in (1, 2):
        with contextlib.suppress(OSError):
            found = os.fstat(handle)
            if stat.S_ISREG(found.st_mode) and _identity(found) in files:
                return True
    return False


def leave_standard_output() -> None:
    """Write no more to a standard output that failed, not even what waits in its buffer until the process ends."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _is_device(name: str) -> bool:
    """True for what accepts bytes and keeps none, which a disk is not."""
    try:
        mode = os.stat(name).st_mode
    except OSError:
        return False
    return stat.S_ISCHR(mode) or stat.S_ISFIFO(mode)


def _file(name: str | Path) -> Path:
    """The path of a file by that name; one that ends as a folder's asks for none."""
    path = Path(name)
    if str(name).endswith(os.sep) and not os.path.lexists(path):
        raise CannotWrite(f"{name}: is a folder's name; name a file that does not exist")
    return path


def _exists(path: Path, expected: str) -> CannotWrite:
    what = "is a link" if path.is_symlink() else "is a folder" if path.is_dir() else "exists"
    return CannotWrite(f"{path}: {what}; name a {expected} that does not exist")


@contextlib.contextmanager
def _beside(path: Path, expected: str = "file") -> Iterator[Path]:
    """A path of the same name in a new folder beside it, which is removed in the end."""
    if os.path.lexists(path):
        raise _exists(path, expected)
    around = Path(tempfile.mkdtemp(dir=path.parent, prefix=f".{path.name}."))
    try:
        yield around / path.name
    finally:
        shutil.rmtree(around, ignore_errors=True)


def _identity(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino
