"""A file that is made when a person asks for it, and lies beside the running log for as long as the page runs."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.page.worker import Ending, Worker

Progress = Callable[[float], None]
"""Told the share that is done, 0 to 1; raises where the work is to end."""


class Making:
    """One such file: `file` once it is there, `part` of it while it is being made, `failed` where it could not be."""

    def __init__(self, worker: Worker):
        self.file: Path | None = None
        self.at_work = False
        self.part = 0.0
        self.failed = False
        self._worker = worker

    @property
    def size_bytes(self) -> int:
        """Of the file that is there."""
        with contextlib.suppress(OSError):
            return self.file.stat().st_size if self.file is not None else 0
        return 0

    async def make(self, target: Path, work: Callable[[Path, Progress], None]) -> None:
        """Have `work` write the file on a worker's thread, in place of the one before."""
        self.at_work, self.part, self.failed = True, 0.0, False
        try:
            await self._worker.do(lambda: self._write(target, work))
            self.file = target
        except Ending:
            pass
        except (LogError, OSError):
            self.failed = True
        finally:
            self.at_work = False

    def end(self) -> None:
        """Take the file away."""
        if self.file is not None:
            with contextlib.suppress(OSError):
                self.file.unlink(missing_ok=True)

    def _write(self, target: Path, work: Callable[[Path, Progress], None]) -> None:
        target.unlink(missing_ok=True)
        self.file = None
        try:
            work(target, self._progress)
        except BaseException:
            target.unlink(missing_ok=True)
            raise

    def _progress(self, part: float) -> None:
        self.part = part
        self._worker.check()
