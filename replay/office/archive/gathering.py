"""Gathering: log by log, each checked first and made anew from its bytes, into an archive.

A log that goes on is gathered again from its start once there is more of it; one that is there to its end is passed over by
its digests. What cannot be gathered is said, and the others are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Literal, NamedTuple

import msgspec
import numpy as np
import pyarrow as pa
from witnesspost.daemon.log.day import log_files
from witnesspost.daemon.log.opening import BROKEN, LogError, readable
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import CHAINED
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.recomputing import Odd
from witnesspost.replay.office.archive.clock import WallClock
from witnesspost.replay.office.archive.days import Day, Whose, cut, table
from witnesspost.replay.office.archive.folder import Archive
from witnesspost.replay.office.archive.rebuilding import Rebuilder, Rebuilt
from witnesspost.replay.office.archive.tables import GatheredRow

Outcome = Literal["gathered", "known", "older", "spoilt"]
"""`known`: it is there as it is; `older`: there is more of it there; `spoilt`: it cannot be gathered."""


class Told(NamedTuple):
    """What became of a log, in words; `differs`: its tables said something else than its bytes, which were taken."""

    path: Path
    outcome: Outcome
    said: str
    differs: bool = False


Progress = Callable[[Path, float], None]
"""Is given a log's path, and the part of it that is done, 0 to 1."""


def gather(paths: Iterable[str | Path], archive: Archive, progress: Progress = lambda path, part: None) -> Iterator[Told]:
    """Gather the logs at `paths`, a folder standing for those in it, each post's in their order. Raises NoLogs, and
    CannotWrite where the archive cannot be written."""
    rebuilder = Rebuilder()
    placed: list[tuple[str, int, Path]] = []
    for path in dict.fromkeys(log_files(paths)):
        try:
            with LogFile.open(path) as log:
                placed.append((log.run.name, log.run.first_n, path))
        except LogError as error:
            yield _spoilt(path, str(error))
    for _, _, path in sorted(placed):
        try:
            with LogFile.open(path) as log:
                yield _one(log, archive, rebuilder, progress)
        except LogError as error:
            yield _spoilt(path, str(error))
        except Odd as odd:
            yield _spoilt(path, f"{path}: {odd.row.table} at t {odd.row.t:.3f}: {odd.row.what}")
        except BROKEN as error:
            yield _spoilt(path, str(readable(path, error)))


def _one(log: LogFile, archive: Archive, rebuilder: Rebuilder, progress: Progress) -> Told:
    first, last = log.span()
    progress(log.path, 0.0)
    whose = Whose(log.run.name, log.run_name, log.last_digest().hex())
    there = archive.gathered(whose.post, whose.run)
    if there is not None and there.begun_digest != log.run.digest.hex():
        return _spoilt(log.path, f"{log.path}: another log is in the archive as {whose.post} {whose.run}; it stays")
    last_seq = log.last_n()
    if there is not None and there.last_seq >= last_seq:
        if there.last_seq == last_seq and there.digest == whose.digest:
            return Told(log.path, "known", f"{log.path}: is in the archive, nothing new")
        if there.last_seq > last_seq:
            return Told(log.path, "older", f"{log.path}: the archive has more of it: row {there.last_seq}, this {last_seq}")
        return _spoilt(
            log.path, f"{log.path}: ends otherwise than what is in the archive as {whose.post} {whose.run}; that stays"
        )
    report = verify(log)
    if not report.sound:
        bad = report.bad
        what = f"row {bad.n} ({bad.table}) at t {bad.t:.3f}: {bad.what}" if bad is not None else report.sqlite[0]
        return _spoilt(log.path, f"{log.path}: {what}; run `witnesspost verify`")
    if there is not None and not _goes_on(log, there.last_seq, there.digest):
        return _spoilt(
            log.path, f"{log.path}: does not go on from what is in the archive as {whose.post} {whose.run}; that stays"
        )
    rebuilt = rebuilder.rebuild(log, report.digest, lambda t: progress(log.path, (t - first) / max(last - first, 1.0)))
    with rebuilt.log:
        days = cut(rebuilt, whose)
        archive.put(whose.post, whose.run, days, _gathered(log, rebuilt, whose, days))
    rows = sum(one.num_rows for tables in days.values() for one in tables.values())
    said = f"{log.path}: {rows:,} rows of {', '.join(_day(day) for day in sorted(days, key=str))} as {whose.post} {whose.run}"
    if rebuilt.differs:
        said += f"\n  its tables were changed, and what its bytes say was taken: {rebuilt.tables}"
    return Told(log.path, "gathered", said, rebuilt.differs)


def _goes_on(log: LogFile, n: int, digest: str) -> bool:
    """True where the log has the row `n` with that digest: what was gathered is its beginning."""
    found = [bytes(one).hex() for kind in CHAINED for (one,) in
             log.select(f"SELECT digest FROM {kind.table} WHERE n = ?", (n,))]  # fmt: skip
    return found == [digest]


def _gathered(log: LogFile, rebuilt: Rebuilt, whose: Whose, days: Iterable[Day]) -> pa.Table:
    first, last = log.span()
    row = GatheredRow(
        role=log.run.role,
        begun_digest=log.run.digest.hex(),
        first_seq=log.run.first_n,
        last_seq=log.last_n(),
        t=first,
        seconds=last - first,
        closed=int(log.ended() is not None),
        ended=log.ended(),
        zone=str(log.zone),
        program=log.run.program,
        raw_bytes=log.raw_bytes(),
        log_bytes=log.path.stat().st_size,
        days=msgspec.json.encode(sorted(_day(day) for day in days)).decode(),
        tables=rebuilt.tables,
    )
    return table(GatheredRow, [row], whose, WallClock(rebuilt.log).times(np.array([first])))


def _day(day: Day) -> str:
    return str(day) if day is not None else "no known day"


def _spoilt(path: Path, said: str) -> Told:
    return Told(path, "spoilt", f"{said}; not gathered")
