"""`witnesspost report LOG… [--points FIELD] -o DAY.html`: a day on one page, to read, to print, and to sign."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from witnesspost.daemon.atomic import CannotWrite, expect_new
from witnesspost.daemon.atomic import output as output_to
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.progress import Progress, progress_bar
from witnesspost.replay.commands.office_extra import INSTALL
from witnesspost.replay.commands.points import judged_points, one_field_file, site_of_day
from witnesspost.replay.office.field_points import FieldError
from witnesspost.replay.play.grids import NoGrid
from witnesspost.rules.datum.geodesy import DatumError
from witnesspost.rules.datum.geoid import GeoidError
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Site, SiteError

if TYPE_CHECKING:
    from witnesspost.replay.office.judge import Judgement

_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@click.option("--points", "field", multiple=True, callback=one_field_file, metavar="FIELD",
              help="A field file: its points are judged, too.")  # fmt: skip
@click.option("-o", "--output", required=True, metavar="DAY.html", help="Where to; - is standard output.")
@click.option("--columns", metavar="NAMES", help="Of the field file, as `points` has it.")
@click.option("--frame", metavar="EPSG:…", help="The file's frame, where it is not the project's.")
@click.option("--unit", type=click.Choice(tuple(HEIGHT_UNIT_M)), help="The file's unit, where it is not the project's.")
@click.option("--times", type=click.Choice(("local", "utc", "gps")), default="local", help="What times without an offset are.")
@click.option("--decisions", metavar="FILE", help="A person's decisions over the verdicts.")
@click.option("--site", "site_file", metavar="SITE", help="Judge by this site file instead of the log's own.")
@click.option("--grids", type=_FOLDER, metavar="FOLDER", help="A folder with the grids that a log was judged with.")
def report(
    logs: tuple[str, ...],
    field: str | None,
    output: str,
    columns: str | None,
    frame: str | None,
    unit: str | None,
    times: str,
    decisions: str | None,
    site_file: str | None,
    grids: Path | None,
) -> None:
    """Write the report of a day from its LOGs (a folder stands for the logs in it): one page that needs no network."""
    try:
        import bokeh  # noqa: F401
    except ImportError:
        raise Unusable(f"report {INSTALL}") from None
    try:
        expect_new(output)
        with Day.open(logs) as day:
            site = site_of_day(day, site_file, grids)
            judgement = None
            if field is not None:
                judgement = judged_points(day, site, field, columns=columns, frame=frame, unit=unit, times=times,
                                          decisions=decisions)  # fmt: skip
            with progress_bar("writing the report") as progress:
                text = _text(day, site, judgement, progress)
        with output_to(output) as file:
            file.write(text.encode())
    except (FieldError, LogError, SiteError, NoGrid, DatumError, GeoidError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    if output != "-":
        click.echo(f"{output}: {len(text) / 1e6:.1f} MB", err=True)


def _text(day: Day, site: Site, judgement: Judgement | None, progress: Progress) -> str:
    from witnesspost.replay.office.audit import audit, logs_and_programs
    from witnesspost.replay.office.epochs import read_seconds
    from witnesspost.replay.office.facts_of_day import facts_of
    from witnesspost.replay.office.field_frame import FieldFrame, Stated
    from witnesspost.replay.office.pictures import on_paper, pictures, strip_of
    from witnesspost.replay.office.report import page

    facts = facts_of(day, site, judgement)
    progress(0.3)
    epochs = read_seconds(facts.post) if facts.post.role == "rover" else None
    progress(0.5)
    plane: Any = None
    if judgement is not None:
        plane = judgement.frame.plane_of
    elif site.project is not None and site.project.control:
        plane = FieldFrame(site, Stated(), grid=False).plane_of
    strip = strip_of(facts)
    progress(0.7)
    script, places = pictures(facts, epochs if plane is not None else None, judgement, plane, strip)
    progress(0.9)
    lines = audit(judgement, site, {}) if judgement is not None else logs_and_programs(day, site)
    project = site.project.name if site.project is not None and site.project.name else facts.post.name
    return page(facts, judgement, name=project, script=script, places=places, strip=on_paper(strip), audit=lines)
