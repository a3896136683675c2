"""A log read in a process of its own, while the rules judge in this one: a day's replay takes as long as the slower of the two.

    log ─► [ chunks ─► what is read ─► blocks ] ═ pipe ═► blocks ─► what was read ─► rules

The process ends with its pipe; what ends its reading early is raised here, after all that was read before.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections.abc import Iterator
from multiprocessing.connection import Connection

from witnesspost.daemon.log.opening import LogError, UnreadableLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.stream.reading import Read, Reading
from witnesspost.replay.play.packed_reads import packed
from witnesspost.replay.play.source import Source
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site

WORTH_S = 7200.0
"""A shorter log is read before a process has begun."""
_GARBAGE = 10_000  # new objects after which Python looks for garbage: there is none, and 700 come twice a second


def is_worth_it(source: Source) -> bool:
    """True for a long log where there is a core for its reading."""
    return source.path is not None and (source.end_t or 0.0) - source.begins_t >= WORTH_S and len(os.sched_getaffinity(0)) > 1


class Beside:
    """The process that reads the log at `path`. `blocks` gives what `packed_reads` packs; `close` ends it, wherever it is."""

    def __init__(self, path: str, site: Site, wanted: frozenset[type[Fact]], begins_t: float):
        self._path = path
        context = multiprocessing.get_context("spawn")
        self._blocks, to = context.Pipe(duplex=False)
        self._process = context.Process(target=_read, args=(path, site, wanted, begins_t, to), daemon=True)
        self._process.start()
        to.close()

    def blocks(self) -> Iterator[bytes]:
        """All blocks, in order. Raises the log's own errors, and UnreadableLog where the process died."""
        while True:
            try:
                sent: bytes | LogError | None = self._blocks.recv()
            except (EOFError, OSError):
                raise UnreadableLog(f"{self._path}: the process that read it died; run it again with --no-cache") from None
            if sent is None:
                return
            if isinstance(sent, LogError):
                raise sent
            yield sent

    def close(self) -> None:
        self._blocks.close()
        self._process.terminate()
        self._process.join()


def _read(path: str, site: Site, wanted: frozenset[type[Fact]], begins_t: float, to: Connection) -> None:
    gc.set_threshold(_GARBAGE)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a person at the keyboard means the other one, which ends this
    try:
        with LogFile.open(path) as log:
            reading = Reading(site, wanted, begins_t)
            for block in packed(_reads(log, reading)):
                to.send(block)
        to.send(None)
    except LogError as error:
        to.send(error)
    except BrokenPipeError:
        pass


def _reads(log: LogFile, reading: Reading) -> Iterator[Read]:
    """What each input comes to that `player.of_the_site` lets pass, without an object for each."""
    known = reading.lines
    for t, stream, what in log.played():
        if isinstance(what, bytes):
            if stream in known:
                yield reading.feed((t, stream, what))
        elif not stream or stream in known:
            yield reading.until(what.t, what)
