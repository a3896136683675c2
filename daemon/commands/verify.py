"""`witnesspost verify LOG…`: the hash chain, SQLite's own check, the gaps; exit 1 on damage, naming the first bad block."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from typing import Any

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.log.opening import LogError, UnreadableLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import Report
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.daemon.recomputing import OddRow, Recomputation

_GAPS_SHOWN = 20


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
def verify(logs: tuple[str, ...]) -> None:
    """Check that LOG is as it was written: every block's digest, SQLite's own check, where nothing was heard, and whether
    the tables of positions, stations, times and traffic are what the bytes say.

    With several logs of one post, in order, also that none between them is missing. Exit status 1 where something was
    changed, removed or cannot be read: the first bad block is named with its time and stream.
    """
    sound = True
    before: tuple[str, Report] | None = None
    recomputation = Recomputation()
    for path in logs:
        try:
            with LogFile.open(path) as log:
                report = _checked(log)
                _print(log, report)
                sound &= report.sound & _joins(log, report, before)
                sound &= not report.sound or _says_what_the_bytes_say(log, report, recomputation)
                before = (path, report)
        except UnreadableLog as error:
            click.echo(str(error))
            sound, before = False, None
        except LogError as error:
            raise Unusable(str(error)) from None
    sys.exit(0 if sound else 1)


def _checked(log: LogFile) -> Report:
    bar: Any = nullcontext()
    if sys.stderr.isatty():
        bar = click.progressbar(length=log.raw_bytes(), label=log.path.name, file=sys.stderr)
    with bar as shown:
        done = 0

        def progress(raw_bytes: int) -> None:
            nonlocal done
            shown.update(raw_bytes - done)
            done = raw_bytes

        return verified(log, progress if shown is not None else None)


def _print(log: LogFile, report: Report) -> None:
    click.echo(f"{log.path}: {report.blocks} blocks, {report.raw_bytes} bytes{_span(log)}")
    for gap in report.gaps[:_GAPS_SHOWN]:
        lost = f", {gap.lost_bytes} bytes lost" if gap.lost_bytes is not None else ""
        click.echo(
            f"  gap: {gap.stream} from {_when(log, gap.t, gap.utc is not None)} for {gap.seconds:.1f} s: {gap.why}{lost}"
        )
    if len(report.gaps) > _GAPS_SHOWN:
        click.echo(f"  and {len(report.gaps) - _GAPS_SHOWN} more gaps: SELECT * FROM gaps")
    for text in report.sqlite:
        click.echo(f"  DAMAGED: SQLite: {text}")
    bad = report.bad
    if bad is not None:
        what = "block" if bad.table == "raw" else f"row of {bad.table}"
        stream = f" of {bad.stream}" if bad.stream else ""
        click.echo(f"  DAMAGED: {what} {bad.n}{stream} at {_when(log, bad.t, bad.utc is not None)}: {bad.what}")
        click.echo(f"  before it {report.blocks} blocks ({report.raw_bytes} bytes) are as they were written")
    elif report.sound:
        click.echo(f"  sound: {report.rows} rows, digest {report.digest.hex()}")


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


def _joins(log: LogFile, report: Report, before: tuple[str, Report] | None) -> bool:
    if before is None or log.run.previous_digest == before[1].digest:
        return True
    click.echo(f"  DAMAGED: does not go on from {before[0]}: a file between them is missing, or one was changed")
    return False


def _says_what_the_bytes_say(log: LogFile, report: Report, recomputation: Recomputation) -> bool:
    found = recomputation.compare(log, report.digest)
    if isinstance(found, OddRow):
        when = _when(log, found.t, log.utc_at(found.t) is not None)
        click.echo(f"  DAMAGED: row of {found.table} at {when}: {found.what}")
        return False
    click.echo("  tables: what the bytes say" if found is None else f"  tables not compared with the bytes: {found}")
    return True


def _when(log: LogFile, t: float, known: bool) -> str:
    return f"t {t:.3f} ({Stamps(log.zone, log.instant_at)(t)})" if known else f"t {t:.3f}"
