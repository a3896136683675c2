"""`witnesspost verify LOG…`: the hash chain, SQLite's own check, the gaps; exit 1 on damage, naming the first bad block."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.log.day import log_files
from witnesspost.daemon.log.opening import LogError, UnreadableLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import Report
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.daemon.progress import progress_bar
from witnesspost.daemon.recomputing import OddRow, Recomputation
from witnesspost.daemon.screen import Look

_GAPS_SHOWN = 20
_DAMAGES_SHOWN = 3


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
def verify(logs: tuple[str, ...]) -> None:
    """Check that LOG is as it was written: every block's digest, SQLite's own check, where nothing was heard, and whether
    the tables of positions, stations, times and traffic are what the bytes say.

    A folder stands for the logs in it. With several logs, of one post or of several, also that none between them is missing:
    they are taken in their own order. Exit status 1 where something was changed, removed or cannot be read: the first bad
    block is named with its time and stream.
    """
    sound = True
    chains: dict[str, _Chain] = {}
    recomputation = Recomputation()
    for path in _in_order(log_files(logs)):
        try:
            with LogFile.open(path) as log:
                report = _checked(log)
                _print(log, report)
                sound &= report.sound & chains.setdefault(log.run.name, _Chain()).joins(log, report)
                sound &= not report.sound or _says_what_the_bytes_say(log, report, recomputation)
        except UnreadableLog as error:
            _echo(str(error))
            sound = False
            chains.clear()
        except LogError as error:
            raise Unusable(str(error)) from None
    sys.exit(0 if sound else 1)


class _Chain:
    """The logs of one post so far, oldest first."""

    def __init__(self) -> None:
        self._last: str | None = None
        self._ends: dict[bytes, str] = {}
        self._runs: dict[bytes, str] = {}

    def joins(self, log: LogFile, report: Report) -> bool:
        """True where nothing is missing between `log` and those before it; what is to be said of it is said."""
        path, run, last = str(log.path), log.run, self._last
        again, self._last = self._runs.get(run.digest), path
        self._runs[run.digest], self._ends[report.digest] = path, path
        if again is not None:
            _echo(f"  the same file as {again}, or a copy of it")
        elif last is not None and run.previous_digest is None:
            _echo(f"  goes on from no other: when it was begun the file before it was {run.previous_file or 'not there'}")
        elif last is not None and run.previous_digest not in self._ends:
            _echo(f"  DAMAGED: does not go on from {last}: a file between them is missing, or one was changed")
            return False
        return True


def _in_order(logs: Iterable[Path]) -> list[Path]:
    """The logs of each post together and by their numbers, whatever order they were named in. Raises Unusable."""
    placed: list[tuple[str, int, Path]] = []
    try:
        for path in logs:
            try:
                with LogFile.open(path) as log:
                    placed.append((log.run.name, log.run.number, path))
            except UnreadableLog:
                placed.append(("", 0, path))  # said when it is looked at
    except LogError as error:
        raise Unusable(str(error)) from None
    return [path for _, _, path in sorted(placed, key=lambda one: one[:2])]


def _checked(log: LogFile) -> Report:
    try:
        raw_bytes = max(log.raw_bytes(), 1)
    except UnreadableLog:  # so damaged that only the check itself can say where
        return verified(log)
    with progress_bar(log.path.name) as progress:
        return verified(log, lambda done_bytes: progress(done_bytes / raw_bytes))


def _print(log: LogFile, report: Report) -> None:
    _echo(f"{log.path}: {report.blocks} blocks, {report.raw_bytes} bytes{_span(log)}")
    for gap in report.gaps[:_GAPS_SHOWN]:
        lost = f", {gap.lost_bytes} bytes lost" if gap.lost_bytes is not None else ""
        _echo(f"  gap: {gap.stream} from {_when(log, gap.t, bool(log.anchors))} for {gap.seconds:.1f} s: {gap.why}{lost}")
    if len(report.gaps) > _GAPS_SHOWN:
        _echo(f"  and {len(report.gaps) - _GAPS_SHOWN} more gaps: SELECT * FROM gaps")
    for text in report.sqlite[:_DAMAGES_SHOWN]:
        _echo(f"  DAMAGED: SQLite: {text}")
    if len(report.sqlite) > _DAMAGES_SHOWN:
        _echo(f"  and {len(report.sqlite) - _DAMAGES_SHOWN} more lines like these of SQLite's")
    bad = report.bad
    if bad is not None:
        what = "block" if bad.table == "raw" else f"row of {bad.table}"
        stream = f" of {bad.stream}" if bad.stream else ""
        _echo(f"  DAMAGED: {what} {bad.n}{stream} at {_when(log, bad.t, bad.utc is not None)}: {bad.what}")
        _echo(f"  before it {report.blocks} blocks ({report.raw_bytes} bytes) are as they were written")
    elif report.sound:
        _echo(f"  sound: {report.rows} rows, digest {report.digest.hex()}")


def _echo(text: str) -> None:
    look = Look.of_output()
    click.echo("\n".join(part for line in text.splitlines() for part in look.laid(line)))


def _span(log: LogFile) -> str:
    """When the log began, how long it lasts and how it ended: as far as a damaged one can still say."""
    try:
        (first, last), note = log.span(), log.note()
        known = log.utc_at(first) is not None
        begun = Stamps(log.zone, log.instant_at)(first) if known else "at an unknown time"
        said = f", {(last - first) / 3600:.2f} h, begun {begun}; ended: {log.ended() or 'not closed'}"
        return f"{said}\n  note: {note}" if note else said
    except UnreadableLog:
        return ""


def _says_what_the_bytes_say(log: LogFile, report: Report, recomputation: Recomputation) -> bool:
    with progress_bar(f"{log.path.name}: tables") as progress:
        found = recomputation.compare(log, report.digest, progress)
    if isinstance(found, OddRow):
        when = _when(log, found.t, log.utc_at(found.t) is not None)
        _echo(f"  DAMAGED: row of {found.table} at {when}: {found.what}")
        return False
    _echo("  tables: what the bytes say" if found is None else f"  tables not compared with the bytes: {found}")
    return True


def _when(log: LogFile, t: float, known: bool) -> str:
    return f"t {t:.3f} ({Stamps(log.zone, log.instant_at)(t)})" if known else f"t {t:.3f}"
