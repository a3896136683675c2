"""`witnesspost invent SCENARIO -o TAPE [--points FIELD]`: a scenario's streams as a tape, with its truth lines; and the points
that its crew stored."""

from __future__ import annotations

from collections.abc import Iterator

import click
from witnesspost.daemon.atomic import CannotWrite, expect_new
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.progress import Progress, progress_bar
from witnesspost.replay.play.tape import Record, Truth, write_tape
from witnesspost.replay.world.invent import header, invent_day
from witnesspost.replay.world.invent import invent as invent_records
from witnesspost.replay.world.scenario import Scenario, ScenarioError, scenario


@click.command()
@click.argument("source", metavar="SCENARIO")
@click.option("-o", "--output", required=True, metavar="TAPE", help="The tape to write; compressed if its name ends in .gz.")
@click.option("--seed", type=int, help="A seed other than the scenario's own.")
@click.option("--points", metavar="FIELD", help="Write the points that the scenario's crew stored, and their truth beside.")
def invent(source: str, output: str, seed: int | None, points: str | None) -> None:
    """Write a tape of SCENARIO (a TOML file, or the bare name of one that comes with Witnesspost) and its truth lines.

    One variant of a file is named after a colon, as in base-datum:frame-shift. The same scenario and seed give the same
    bytes.
    """
    said = ""
    try:
        told = scenario(source)
        if points is None:
            lines = _written(output, told, invent_records(told, seed))
        else:
            expect_new(points)
            records, write = invent_day(told, points, seed)
            lines = _written(output, told, records)
            count, truth = write()
            said = f"; {points}: {count} points, {truth}: their truth"
    except (ScenarioError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    click.echo(f"{output}: {lines} lines{said}", err=output == "-")


def _written(output: str, told: Scenario, records: Iterator[Record]) -> int:
    with progress_bar("inventing") as progress:
        return write_tape(output, header(told), _followed(records, told.duration_s, progress))


def _followed(records: Iterator[Record], duration_s: float, progress: Progress) -> Iterator[Record]:
    for record in records:
        if not isinstance(record, Truth):  # which is told before its time
            progress(record.t / duration_s)
        yield record
