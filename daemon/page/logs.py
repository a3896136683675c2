"""The post's logs, as they lie in its folder: which are closed, which is being written. No name out of a request comes here."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.companion import PostView
from witnesspost.daemon.log.opening import LogError, wal_of
from witnesspost.daemon.log.reading import LogFile


class Log(NamedTuple):
    """A log's file. `from_utc` and `to_utc` are None where no receiver has said the time, or where it cannot be read."""

    number: int
    path: Path
    size_bytes: int
    from_utc: dt.datetime | None = None
    to_utc: dt.datetime | None = None


class Logs:
    """The logs of the post named `name`, in the folder in which it writes."""

    def __init__(self, post: PostView, name: str):
        self._post = post
        self._file = re.compile(re.escape(name) + r"\.(\d{4,})\.db")
        self._spans: dict[tuple[Path, int], tuple[dt.datetime | None, dt.datetime | None]] = {}

    def current(self) -> Path | None:
        """The one that is being written."""
        path = self._post.pulse().log.path
        return Path(path) if path is not None else None

    def paths(self) -> list[Path]:
        """All, oldest first, up to the one that is being written; none where the folder cannot be read."""
        current = self.current()
        try:
            there = list(current.parent.iterdir()) if current is not None else []
        except OSError:
            there = []
        if current is None:
            return []
        found = {int(match[1]): path for path in there if (match := self._file.fullmatch(path.name))}
        last = self._file.fullmatch(current.name)
        return [found[number] for number in sorted(found) if last is None or number <= int(last[1])]

    def closed(self) -> list[Log]:
        """Those that nobody writes any more, newest first."""
        closed = []
        current = self.current()
        for path in reversed(self.paths()):
            match = self._file.fullmatch(path.name)
            wal = wal_of(path)
            if path == current or match is None or (wal.exists() and wal.stat().st_size):
                continue
            size_bytes = path.stat().st_size
            closed.append(Log(int(match[1]), path, size_bytes, *self._span(path, size_bytes)))
        return closed

    def _span(self, path: Path, size_bytes: int) -> tuple[dt.datetime | None, dt.datetime | None]:
        if (path, size_bytes) not in self._spans:
            try:
                with LogFile.open(path) as log:
                    first, last = log.span()
                    self._spans[path, size_bytes] = log.utc_at(first), log.utc_at(last)
            except LogError:
                self._spans[path, size_bytes] = None, None
        return self._spans[path, size_bytes]
