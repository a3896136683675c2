"""`witnesspost invent SCENARIO -o TAPE`: a scenario's streams as a tape, with its truth lines."""

from __future__ import annotations

import click
from witnesspost.daemon.atomic import CannotWrite
from witnesspost.daemon.cli import Unusable
from witnesspost.replay.world.invent import invent_tape
from witnesspost.replay.world.scenario import ScenarioError, scenario


@click.command()
@click.argument("source", metavar="SCENARIO")
@click.option("-o", "--output", required=True, metavar="TAPE", help="The tape to write; packed where it ends in .gz.")
@click.option("--seed", type=int, help="Another seed than the scenario's own.")
def invent(source: str, output: str, seed: int | None) -> None:
    """Write a tape of SCENARIO (a TOML file, or the bare name of one that comes with Witnesspost) and its truth lines.

    One variant of a file is named after a colon, as in base-datum:frame-shift. The same scenario and seed give the same
    bytes.
    """
    try:
        lines = invent_tape(scenario(source), output, seed)
    except (ScenarioError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    click.echo(f"{output}: {lines} lines", err=output == "-")
