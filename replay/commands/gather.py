"""`witnesspost gather LOG… ARCHIVE`: logs into an archive of Parquet files."""

from __future__ import annotations

import sys

import click
from witnesspost.daemon.atomic import CannotWrite
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.progress import PassingLine
from witnesspost.replay.commands.office_extra import INSTALL


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
        from witnesspost.replay.office.archive.gathering import gather
    except ImportError:
        raise Unusable(f"gather {INSTALL}") from None
    line = PassingLine()
    well = True
    try:
        with Archive(
            archive, lambda who: click.echo(f"{archive}: {who} gathers into it; waiting until it is done", err=True)
        ) as to:
            for told in gather(logs, to, lambda path, part: line.show(f"{path.name}: {min(part, 1.0):.0%}")):
                line.clear()
                click.echo(told.said, err=told.outcome == "spoilt")
                well &= told.outcome != "spoilt" and not told.differs
    except (LogError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    finally:
        line.clear()
    sys.exit(0 if well else 1)
