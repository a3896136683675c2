"""Files that stand at their place whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def whole(path: str | Path) -> Iterator[Path]:
    """A path beside `path` to write to: synced and renamed to `path` when the block ends, removed when it raises.

    Raises OSError where the folder is missing, or has no room or rights.
    """
    path = Path(path)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    os.close(handle)
    written = Path(name)
    try:
        yield written
        _sync(written)
        mask = os.umask(0)
        os.umask(mask)
        written.chmod(0o666 & ~mask)
        written.replace(path)
        _sync(path.parent)
    except BaseException:
        written.unlink(missing_ok=True)
        raise


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
