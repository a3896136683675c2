"""`python -m tests.proof [OPTIONS]`: what an attack costs, one table: test | cases | result.

    --short, --minutes N, --first N, --jobs N, --only PART (several times for several)

Exit status 1 where any case did not hold; each such case is named under the table, so that it can be made again.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed

import click

from tests.proof.table import Length, rows_of

PARTS = ("kill_rounds", "kills", "power_cuts", "flood", "hostile", "fuzz", "clocks", "soak")


@click.command()
@click.option("--short", is_flag=True, help="As few cases as show that each part works: some minutes.")
@click.option("--minutes", default=10.0, help="How long the fuzz goes on, all readers together.")
@click.option(
    "--first", default=0, help="The number of the first case of the fuzz and of the kills: others than the last time."
)
@click.option("--jobs", default=1, help="So many parts at a time; some wait more than they work.")
@click.option("--only", multiple=True, type=click.Choice(PARTS), help="This part; several times for several.")
def main(short: bool, minutes: float, first: int, jobs: int, only: tuple[str, ...]) -> None:
    """Attack the whole of it and print one table; hours, or minutes with --short."""
    began = time.monotonic()
    wrong: list[str] = []
    click.echo("| test | cases | result |\n|---|---|---|")
    length = Length(short, minutes, first)
    with ProcessPoolExecutor(jobs, mp_context=multiprocessing.get_context("spawn")) as pool:
        for part in as_completed([pool.submit(rows_of, name, length) for name in only or PARTS]):
            for row in part.result():
                click.echo(row.line())
                wrong += row.wrong
                click.echo("".join(f"{text}\n" for text in row.wrong), err=True, nl=False)
            sys.stdout.flush()
    click.echo(f"\ntook {time.monotonic() - began:.0f} s; {len(wrong)} wrong")
    for text in wrong:
        click.echo(f"    {text}")
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
