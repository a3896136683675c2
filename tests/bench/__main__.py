"""`python -m tests.bench [--short | --write]`: the table."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import click

from tests.bench import (
    adversarial,
    alarm,
    archive,
    day,
    length,
    live,
    office,
    page,
    phones,
    screen,
    season,
    site_files,
    throughput,
    views,
)
from tests.bench.row import Row, machine

_PARTS = {
    "throughput": throughput,
    "day": day,
    "season": season,
    "views": views,
    "live": live,
    "alarm": alarm,
    "phones": phones,
    "screen": screen,
    "adversarial": adversarial,
    "length": length,
    "site files": site_files,
    "office": office,
    "archive": archive,
}


@click.command()
@click.option("--short", is_flag=True, help="Fewer runs of shorter streams, a few minutes; exit 1 where a figure is far off.")
@click.option("--write", is_flag=True, help="Put the table into tests/bench/README.md, its short form into README.md.")
@click.argument("parts", nargs=-1, type=click.Choice(list(_PARTS)))
def main(short: bool, write: bool, parts: tuple[str, ...]) -> None:
    """Print one Markdown table of speed and size, of all PARTS or of those named; the pages keep the rows of the others."""
    if write and short:
        raise click.UsageError("--write takes parts at their full length")
    started = time.monotonic()
    click.echo(f"{machine()}{'; short' if short else ''}\n")
    click.echo(page.table(()))
    rows = []
    for row in _rows(short, parts):
        rows.append(row)
        click.echo(page.line(row))
        sys.stdout.flush()
    if write:
        page.write(machine(), rows, whole=not parts)
    click.echo(f"\ntook {time.monotonic() - started:.0f} s")
    if short and any(row.off for row in rows):
        raise SystemExit(1)


def _rows(short: bool, parts: tuple[str, ...]) -> Iterator[Row]:
    for name in parts or _PARTS:
        yield from _PARTS[name].rows(short)


main()
