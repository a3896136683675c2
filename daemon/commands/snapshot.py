"""`witnesspost snapshot LOG OUT`: a consistent copy, also while the service writes, that never holds the service up."""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import click
from witnesspost.daemon.atomic import CannotWrite, new_file
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.opening import LogError, copy_log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import Report, verify
from witnesspost.daemon.progress import progress_bar


@click.command()
@click.argument("log", metavar="LOG")
@click.argument("out", metavar="OUT")
def snapshot(log: str, out: str) -> None:
    """Copy LOG to OUT, which must not exist: one moment of it, checked, synced, and in one file.

    Prints the chain's last digest, which `witnesspost verify` prints too, and the copy's BLAKE2b-256, which `b2sum -l 256`
    prints. Exit status 1 where LOG itself is damaged; the copy is kept.
    """
    try:
        with new_file(out) as written:
            _copy(log, written)
            with LogFile.open(written) as copy:
                report = verify(copy)
            digest = _blake2b(written)
    except (LogError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    click.echo(f"{out}: {report.blocks} blocks, {report.raw_bytes} bytes of streams")
    click.echo(f"chain   {report.digest.hex()}" if report.sound else f"DAMAGED {_what(report)}; run `witnesspost verify`")
    click.echo(f"b2sum   {digest}")
    sys.exit(0 if report.sound else 1)


def _copy(log: str, written: Path) -> None:
    with progress_bar(Path(log).name) as progress:
        copy_log(log, written, progress)


def _what(report: Report) -> str:
    bad = report.bad
    return f"row {bad.n} of {bad.table}: {bad.what}" if bad else report.sqlite[0]


def _blake2b(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=32)).hexdigest()
