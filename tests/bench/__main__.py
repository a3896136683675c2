"""`python -m tests.bench [--short]`: the table."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import click

from tests.bench import alarm, day, length, live, throughput
from tests.bench.row import Row, machine

_PARTS = {"throughput": throughput, "day": day, "live": live, "alarm": alarm, "length": length}


@click.command()
@click.option("--short", is_flag=True, help="Fewer runs of shorter streams, under a minute; exit 1 where a figure is far off.")
@click.argument("parts", nargs=-1, type=click.Choice(list(_PARTS)))
def main(short: bool, parts: tuple[str, ...]) -> None:
    """Print one Markdown table of speed and size, of all PARTS or of those named."""
    started = time.monotonic()
    click.echo(f"{machine()}{'; short' if short else ''}\n")
    click.echo("| | what | figure | measured | |")
    click.echo("|---|---|---|---|---|")
    off = False
    for row in _rows(short, parts):
        off = off or row.off
        word = {True: "held", False: "far off" if row.off else "missed", None: ""}[row.held]
        click.echo(f"| {row.letter} | {row.what} | {row.figure} | {row.measured} | {word} |")
        sys.stdout.flush()
    click.echo(f"\ntook {time.monotonic() - started:.0f} s")
    if short and off:
        raise SystemExit(1)


def _rows(short: bool, parts: tuple[str, ...]) -> Iterator[Row]:
    for name in parts or _PARTS:
        yield from _PARTS[name].rows(short)


main()
