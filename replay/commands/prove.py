"""`witnesspost prove`: every scenario with several seeds, graded, and what the rules were worth."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor

import click
from witnesspost.daemon.atomic import CannotWrite, expect_new
from witnesspost.daemon.atomic import output as output_to
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.progress import PassingLine
from witnesspost.replay.play.grading import Tally
from witnesspost.replay.play.proving import (
    Job,
    Proof,
    all_scenarios,
    confusion,
    prove_one,
    scenario_row,
    scenario_table,
    score_table,
)
from witnesspost.replay.world.scenario import ScenarioError

LONG_S = 6 * 3600.0
SEED_STEP = 1000


@click.command()
@click.argument("names", nargs=-1, metavar="[SCENARIO]...")
@click.option("--seeds", type=click.IntRange(min=1), default=1, show_default=True, help="How many seeds for each scenario.")
@click.option("--days", is_flag=True, help="Also the whole days, which take minutes each.")
@click.option("--jobs", type=click.IntRange(min=1), default=1, show_default=True, help="How many processes at a time.")
@click.option("--table", metavar="FILE", help="Also write a table of the scenarios to a new file, as Markdown.")
def prove(names: tuple[str, ...], seeds: int, days: bool, jobs: int, table: str | None) -> None:
    """Play every scenario that comes with Witnesspost, or those named, and compare the alerts with the truth.

    Prints each run that fails, then by rule how many faults were detected, with the first cause right, how soon, and the
    false alerts; last, how many days of right practice were quiet: no more than a note that was expected. Exits with 1 on any
    miss or false alert, and where right practice was not quiet.
    """
    try:
        found = list(all_scenarios(names))
    except ScenarioError as error:
        raise Unusable(str(error)) from None
    wanted = [one for one in found if days or names or one.duration_s < LONG_S]
    tally = Tally()
    quiet: list[bool] = []
    rows: dict[str, str] = {}
    work = [Job(one, one.seed + SEED_STEP * step) for one in wanted for step in range(seeds)]
    line = PassingLine()
    try:
        if table:
            expect_new(table)
        line.show(f"0 of {len(work)} runs")
        for number, (job, (graded, row)) in enumerate(_played(work, jobs), 1):
            if row:
                rows[job.scenario.name] = row
            tally.add(f"{job.scenario.name} seed {job.seed}", graded, job.scenario.duration_s)
            if job.scenario.is_right_practice:
                quiet.append(graded.quiet)
            if not graded.passed:
                line.clear()
                click.echo(f"{job.scenario.name} seed {job.seed}:")
                click.echo("    " + graded.in_words().replace("\n", "\n    "))
            line.show(f"{number} of {len(work)} runs")
        if table:
            with output_to(table) as file:
                file.write(f"{scenario_table(rows.get(one.name) or scenario_row(one) for one in found)}\n".encode())
    except (ScenarioError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    finally:
        line.clear()
    click.echo(score_table(tally))
    click.echo()
    click.echo(confusion(tally))
    click.echo()
    if quiet:
        click.echo(f"right practice: {sum(quiet)} of {len(quiet)} quiet")
    click.echo(f"{tally.runs} runs, {tally.hours:.1f} hours played, {len(tally.failed)} failed")
    if tally.failed or not all(quiet):
        raise SystemExit(1)


def _played(work: list[Job], jobs: int) -> Iterator[tuple[Job, Proof]]:
    if jobs == 1:
        yield from ((job, prove_one(job)) for job in work)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from zip(work, pool.map(prove_one, work), strict=True)
