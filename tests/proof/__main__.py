"""`python -m tests.proof [OPTIONS]`: what an attack costs, one table: test | cases | result.

    --short, --minutes N, --first N, --only PART (several times for several)

Exit status 1 where any case did not hold; each such case is named under the table, so that it can be made again.
"""

from __future__ import annotations

import importlib
import sys
import time

import click

from tests.proof.table import Length

PARTS = ("kill_rounds", "kills", "power_cuts", "flood", "hostile", "fuzz", "clocks", "soak")


@click.command()
@click.option("--short", is_flag=True, help="As few cases as show that each part works: some minutes.")
@click.option("--minutes", default=10.0, help="How long the fuzz goes on, all readers together.")
@click.option(
    "--first", default=0, help="The number of the first case of the fuzz and of the kills: others than the last time."
)
@click.option("--only", multiple=True, type=click.Choice(PARTS), help="This part; several times for several.")
def main(short: bool, minutes: float, first: int, only: tuple[str, ...]) -> None:
    """Attack the whole of it and print one table; hours, or minutes with --short."""
    began = time.monotonic()
    wrong: list[str] = []
    click.echo("| test | cases | result |\n|---|---|---|")
    for part in only or PARTS:
        for row in importlib.import_module(f"tests.proof.{part}").rows(Length(short, minutes, first)):
            click.echo(row.line())
            sys.stdout.flush()
            wrong += row.wrong
    click.echo(f"\ntook {time.monotonic() - began:.0f} s; {len(wrong)} wrong")
    for text in wrong:
        click.echo(f"    {text}")
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
