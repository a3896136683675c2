"""`witnesspost ask ARCHIVE "SQL"`: what an archive answers, as a table, CSV or JSON."""

from __future__ import annotations

import csv
import datetime as dt
import sys
from collections.abc import Callable, Iterator
from typing import Any

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.screen import plain
from witnesspost.replay.commands.office_extra import INSTALL
from witnesspost.replay.export.cell import cell

_WIDEST = 60  # letters of a column on a terminal


@click.command()
@click.argument("archive", metavar="ARCHIVE")
@click.argument("sql", metavar="[SQL]", required=False)
@click.option("--as", "form", type=click.Choice(("table", "csv", "json")), help="Default: a table on a terminal, else CSV.")
def ask(archive: str, sql: str | None, form: str | None) -> None:
    """Ask ARCHIVE, which `gather` wrote, by SQL (DuckDB's); without SQL: what it has answers ready for.

    A view's name alone is a query of all of it: `ask ARCHIVE "FROM lost_corrections"`. Nothing is written, and nothing outside
    ARCHIVE is read.
    """
    try:
        from witnesspost.replay.office.archive import asking
    except ImportError:
        raise Unusable(f"ask {INSTALL}") from None
    form = form or ("table" if sys.stdout.isatty() else "csv")
    write = {"table": _table, "csv": _csv, "json": _json}[form]
    try:
        if sql is None:
            asking.root_of(archive)
            ready = [(f"FROM {name}", question) for name, question in asking.questions().items()]
            write(["query", "question"], iter(ready))
            return
        with asking.asked(archive, sql) as answer:
            write(answer.columns, answer.rows)
    except asking.CannotAsk as error:
        raise Unusable(str(error)) from None


def _csv(columns: list[str], rows: Iterator[tuple[Any, ...]]) -> None:
    """RFC 4180."""
    writer = csv.writer(sys.stdout)
    writer.writerow(columns)
    writer.writerows([cell(value) if isinstance(value, str) else _text(value) for value in row] for row in rows)


def _json(columns: list[str], rows: Iterator[tuple[Any, ...]]) -> None:
    """One object a line."""
    for row in rows:
        click.echo(msgspec.json.encode({name: _plain(value) for name, value in zip(columns, row, strict=True)}, enc_hook=str))


def _table(columns: list[str], rows: Iterator[tuple[Any, ...]]) -> None:
    """Columns of one width, numbers to the right."""
    found = list(rows)
    texts = [[_clipped(_text(value)) for value in row] for row in found]
    widths = [max([len(name), *(len(row[at]) for row in texts)]) for at, name in enumerate(columns)]
    numbers = [all(isinstance(row[at], int | float | None) for row in found) for at in range(len(columns))]
    adjust: list[Callable[[str, int], str]] = [str.rjust if number else str.ljust for number in numbers]
    for row in [columns, ["─" * width for width in widths], *texts]:
        click.echo("  ".join(one(text, width) for one, text, width in zip(adjust, row, widths, strict=True)).rstrip())
    click.echo(f"{len(found)} rows" if len(found) != 1 else "1 row", err=True)


def _clipped(text: str) -> str:
    line = plain(" ".join(text.split()))
    return line if len(line) <= _WIDEST else f"{line[: _WIDEST - 1]}…"


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, dt.datetime):
        return value.isoformat(" ", "milliseconds" if value.microsecond else "seconds")
    return value.hex() if isinstance(value, bytes) else str(value)


def _plain(value: Any) -> Any:
    return value.hex() if isinstance(value, bytes) else value
