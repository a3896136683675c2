"""The files of one life of the log, one after the other: begun, opened again after a fault, set aside, rotated."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from pathlib import Path
from typing import Any

from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.log.derived import DERIVATION
from witnesspost.daemon.log.folder import Ending, Folder, LogBusy, boot_id, is_damage, set_aside
from witnesspost.daemon.log.rows import EventRow, RunRow, StreamRow, json_text
from witnesspost.daemon.log.writing import NotOurs, Tail, WalGone, Writer
from witnesspost.rules.datum.grids import grids_of
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.recorded import self_contained

STOPPED = "stopped"
"""How a run ends that somebody ended."""
_NONE_BEFORE = Ending(None, "there is none", None)


class Succession:
    """The one file that is open, if any, and which comes next: the next number in `folder`, or the file `single` alone.

    `writer` is the open file; `down` is true while it failed and must be opened again; `begun_at_t` is when it was begun.
    `run` names this life of the log among all others; `name` is the open file's (`RowKey.run`). It is `t` now.
    """

    def __init__(self, folder: Folder, single: Path | None, site: Site, site_text: str, t: float):
        self.run = os.urandom(8).hex()
        self._up_s = time.monotonic() - t
        self.name = ""
        self.writer: Writer | None = None
        self.down = False
        self.begun_at_t = 0.0
        self._folder = folder
        self._single = single
        self._site = site
        self._site_text = self_contained(site_text, site)
        self._grids = grids_of(site)
        self._before = _NONE_BEFORE  # the file that was set aside a moment ago
        self._begun = False
        self._folder_id: str | None = None
        self._let_go_bytes = 0

    def reopen(self) -> bool:
        """The same file opened again after a fault; true where the commit that failed had reached the disk after all.
        Raises NotOurs, and what the disk raises."""
        assert self.writer is not None
        before = self.writer.tail
        self.writer = self.writer.reopen()
        self.down = False
        return self.writer.tail != before

    def begin(self, t: float, first_t: float | None) -> list[EventRow]:
        """A new file, and the events that say what it goes on from, and for how long nobody watched before it; `first_t` is
        when the first that waits came. Raises what the disk raises."""
        if self._single is not None:
            ending, number, path = self._before, 1, self._single
        else:
            try:
                self._folder.lock()
            except LogBusy as error:
                raise OSError(str(error)) from None
            ending = self._before if self._before.tail else self._folder.end_last()
            number = self._folder.next_number()
            path = self._folder.file(number)
        run = RunRow(
            number=number,
            name=self._site.post.name,
            role=self._site.post.role,
            begun_at_t=t if first_t is None else first_t,
            system_utc=system_utc().strftime("%Y-%m-%dT%H:%M:%SZ"),
            boot=boot_id(),
            site_toml=self._site_text,
            site_path=self._site.path,
            grids=json_text(self._grids),
            program=program(),
            sqlite=sqlite3.sqlite_version,
            previous_file=ending.file,
        )
        streams = [
            StreamRow(name=stream.name, port=stream.port, baud=stream.baud, carries=" ".join(stream.carries))
            for stream in self._site.stream
        ]
        self.writer = Writer.create(path, run, streams, ending.tail or Tail(0, b""), synced=self._single is None)
        self.down = False
        self.begun_at_t = t
        self._before = _NONE_BEFORE
        self._folder_id = self._folder_id or ending.folder_id or os.urandom(3).hex()
        self.name = f"{number}-{self._folder_id}"
        kind = "log-continued" if self._begun else "log-started"
        self._begun = True
        detail: dict[str, Any] = {"file": path.name, "previous_file": ending.file, "previous_ended": ending.how}
        detail |= {"folder": self._folder_id, "run": self.run, "up_s": round(self._up_s, 3), "derivation": DERIVATION}
        begun = [EventRow.of(t, kind, detail)]
        if kind == "log-started" and ending.up_s is not None and ending.how != STOPPED:
            seconds = round(max(0.0, self._up_s + run.begun_at_t - ending.up_s), 3)
            begun.append(EventRow.of(t, "not-watched", {"why": ending.how, "seconds": seconds}))
        return begun

    def failed(self, error: Exception) -> bool:
        """The open file failed: it is to be opened again, or, where it is damaged or not ours any more, set aside; then
        true."""
        writer = self.writer
        if writer is None:
            return False
        self.down = True
        lost = isinstance(error, NotOurs) or is_damage(error)
        rescued = lost and writer.rescue() and isinstance(error, WalGone)
        with contextlib.suppress(sqlite3.Error, OSError):
            writer.close()
        if not lost:
            return False
        self.writer = None
        if rescued:
            self._before = Ending(writer.path.name, f"{error}; what was written is in the file", writer.tail)
            return True
        there = writer.path.exists()
        what = "what came since its last checkpoint may be lost" if there else "what it held is gone"
        self._before = Ending(writer.path.name, f"set aside: {error}; {what}", writer.tail)
        with contextlib.suppress(OSError):
            if there:
                self._before = self._before._replace(file=set_aside(writer.path).name)
        return True

    def let_go(self) -> None:
        """Close the open file; another may be begun after it. Raises what the disk raises."""
        if self.writer is None:
            return
        self._let_go_bytes = self.size_bytes()
        writer, self.writer = self.writer, None
        writer.close()

    def size_bytes(self) -> int:
        """Bytes of all files together."""
        if self.writer is None or self.down:
            return self._let_go_bytes
        try:
            return self._let_go_bytes + self.writer.size_bytes()
        except sqlite3.Error:
            return self._let_go_bytes


def program() -> str:
    """This program's version."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("witnesspost")
    except PackageNotFoundError:
        return "from source"
