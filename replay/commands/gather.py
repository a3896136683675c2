"""`witnesspost gather LOG… ARCHIVE`: logs into an archive of Parquet files."""

from __future__ import annotations

import sys
from pathlib import Path

import click
from witnesspost.daemon.atomic import CannotWrite
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.opening import LogError

INSTALL = "needs more than a post has: pip install 'witnesspost[office]'"


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@click.argument("archive", metavar="ARCHIVE")
def gather(logs: tuple[str, ...], archive: str) -> None:
    """Gather LOG, or the logs of a folder, into ARCHIVE: Parquet files by post and day, which `ask` and other programs read.

    Each log is verified first, and its tables are made anew from its bytes. Gathered again, a log that has grown is completed,
    and one that has not is passed over. Exit status 1 where a log could not be gathered, or its tables were changed.
    """
    try:
        from witnesspost.replay.office.archive.folder import Archive
        from witnesspost.replay.office.archive.gathering import Progress, gather
    except ImportError:
        raise Unusable(f"gather {INSTALL}") from None
    bar = _Bar()
    well = True
    try:
        with Archive(
            archive, lambda who: click.echo(f"{archive}: {who} gathers into it; waiting until it is done", err=True)
        ) as to:
            for told in gather(logs, to, Progress(bar.begun, bar.reached)):
                bar.done()
                click.echo(told.said, err=told.outcome == "spoilt")
                well &= told.outcome != "spoilt" and not told.differs
    except (LogError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    finally:
        bar.done()
    sys.exit(0 if well else 1)


class _Bar:
    """How far a log is, on a terminal; nothing in a pipe."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._of = ""
        self._seconds = 1.0
        self._said = -1

    def begun(self, path: Path, seconds: float) -> None:
        self._of, self._seconds, self._said = path.name, max(seconds, 1.0), -1
        self.reached(0.0)

    def reached(self, seconds: float) -> None:
        percent = min(100, int(100 * seconds / self._seconds))
        if self._shown and percent != self._said:
            self._said = percent
            click.echo(f"\r{self._of}: {percent} %", nl=False, err=True)

    def done(self) -> None:
        if self._shown and self._said >= 0:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._said = -1
