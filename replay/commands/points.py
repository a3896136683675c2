"""`witnesspost points LOG… --points FIELD -o OUT`: which stored points can be kept, repaired, or must be observed again."""

from __future__ import annotations

import contextlib
import math
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from msgspec import structs
from witnesspost.daemon.atomic import CannotWrite, expect_new
from witnesspost.daemon.atomic import output as output_to
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.progress import progress_bar
from witnesspost.replay.commands.office_extra import INSTALL
from witnesspost.replay.office.field_points import FieldError
from witnesspost.replay.play.grids import NoGrid, find_grids
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_source
from witnesspost.rules.book.contents import FIGURES, open_site
from witnesspost.rules.coordinates import LEAST_RADIUS_M, MOST_RADIUS_M, Ecef
from witnesspost.rules.datum.geodesy import DatumError, position, to_ecef
from witnesspost.rules.datum.geoid import GeoidError, open_geoid
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Site, SiteError
from witnesspost.rules.site.reading import site_from_toml

if TYPE_CHECKING:
    from witnesspost.replay.office.base import Given
    from witnesspost.replay.office.field_frame import Stated
    from witnesspost.replay.office.judge import Judgement

_GEOJSON = (".geojson", ".json")
_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


def one_field_file(context: click.Context, parameter: click.Parameter, files: tuple[str, ...]) -> str | None:
    """The file of --points. Of several the last would count, and nobody would be told. Raises Unusable."""
    if len(files) > 1:
        raise Unusable(f"--points: read {len(files)} field files; expected one: judge each of them by itself, into its own -o")
    return files[0] if files else None


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@click.option("--points", "field", required=True, multiple=True, callback=one_field_file, metavar="FIELD",
              help="The field file: CSV, LandXML or GeoJSON.")  # fmt: skip
@click.option("-o", "--output", required=True, metavar="OUT", help="OUT.csv or OUT.geojson; - is CSV on standard output.")
@click.option("--columns", metavar="NAMES", help="Which column is what, such as name,north,east,height,code,-,start.")
@click.option("--frame", metavar="EPSG:…", help="The file's frame, where it is not the project's.")
@click.option("--unit", type=click.Choice(tuple(HEIGHT_UNIT_M)), help="The file's unit, where it is not the project's.")
@click.option("--vertical", type=click.Choice(("geoid", "ellipsoidal")), help="What the file's heights are above.")
@click.option("--geoid", metavar="GRID", help='The geoid of the file\'s heights: "bundled", or a .gtx or .tif grid.')
@click.option("--times", type=click.Choice(("local", "utc", "gps")), default="local", help="What times without an offset are.")
@click.option(
    "--base-is",
    metavar="PLACE,U95",
    help="The base antenna's true place from elsewhere: X,Y,Z,U95 (metres) or LATITUDE,LONGITUDE,HEIGHT,U95.",
)
@click.option(
    "--decisions", metavar="FILE", help="A person's decisions over the verdicts: CSV with point, verdict, by, reason."
)
@click.option("--site", "site_file", metavar="SITE", help="Judge by this site file instead of the log's own.")
@click.option("--grids", type=_FOLDER, metavar="FOLDER", help="A folder with the grids that a log was judged with.")
@click.option("--from-bytes", is_flag=True, help="Read nothing from the log's tables: make them again from the bytes first.")
@click.option(
    "--grade", "graded", is_flag=True, help="Compare with the truth beside an invented field file; exit 1 on a wrong one."
)
def points(
    logs: tuple[str, ...],
    field: str,
    output: str,
    columns: str | None,
    frame: str | None,
    unit: str | None,
    vertical: str | None,
    geoid: str | None,
    times: str,
    base_is: str | None,
    decisions: str | None,
    site_file: str | None,
    grids: Path | None,
    from_bytes: bool,
    graded: bool,
) -> None:
    """Say of each stored point of FIELD whether it can be kept, can be repaired by computation, or must be observed again.

    LOG are the rover's logs of the day, and the base's where there are any; a folder stands for the logs in it.
    """
    options = {"frame": frame, "unit": unit, "vertical": vertical, "geoid": geoid, "times": times, "base-is": base_is,
               "site": site_file, "from-bytes": from_bytes or None, "decisions": decisions}  # fmt: skip
    try:
        from witnesspost.replay.office.field_frame import Stated
    except ImportError:
        raise Unusable(f"points {INSTALL}") from None
    _expect_a_form(output)
    try:
        expect_new(output)
        with _day(logs, from_bytes, site_file, grids) as day:
            site = site_of_day(day, site_file, grids)
            stated = Stated(frame, unit, vertical, _geoid(site, geoid), None)
            judgement = _judged(day, site, field, columns, stated, times, base_is)
            if decisions is not None:
                from witnesspost.replay.office.decisions import apply_decisions

                apply_decisions(judgement, decisions)
            _write(judgement, site, options, output)
            passed = _say(judgement, output, graded)
    except (FieldError, LogError, SiteError, NoGrid, DatumError, GeoidError, CannotWrite) as error:
        raise Unusable(str(error)) from None
    if not passed:
        raise SystemExit(1)


def _expect_a_form(output: str) -> None:
    """Refuse, before the work, a name whose ending says what this command does not write."""
    if Path(output).suffix.lower() not in (*_GEOJSON, ".csv", ".txt", ""):
        raise Unusable(f"-o: read {output!r}; expected a name that ends in .csv, or in .geojson for GeoJSON")


def _judged(
    day: Day, site: Site, field: str, columns: str | None, stated: Stated, times: str, base_is: str | None
) -> Judgement:
    from witnesspost.replay.office.field_file import read_field
    from witnesspost.replay.office.field_frame import FieldFrame
    from witnesspost.replay.office.judge import judge

    read = read_field(field, _near(site, stated), columns)
    if read.unit is not None:
        if stated.unit is not None and stated.unit != read.unit:
            raise Unusable(f"{field}: --unit {stated.unit}, and the file itself says {read.unit}; leave the option out")
        stated = stated._replace(unit=read.unit)
    means = FieldFrame(site, stated, grid=read.grid)
    given = _given(base_is) if base_is is not None else None
    click.echo(f"{field}: {read.form}, {len(read.points)} points; {_shown(read.columns)}", err=True)
    with progress_bar("judging points") as progress:
        return judge(day, read, means, site, times=times, given=given, progress=progress)


def judged_points(
    day: Day,
    site: Site,
    field: str,
    *,
    columns: str | None,
    frame: str | None,
    unit: str | None,
    times: str,
    decisions: str | None,
) -> Judgement:
    """The points of a field file judged, a person's decisions over them. Raises what `points` says in a line."""
    from witnesspost.replay.office.decisions import apply_decisions
    from witnesspost.replay.office.field_frame import Stated

    judgement = _judged(day, site, field, columns, Stated(frame, unit), times, None)
    if decisions is not None:
        apply_decisions(judgement, decisions)
    return judgement


def _shown(columns: dict[str, str]) -> str:
    return ", ".join(meaning if meaning == column.lower() else f"{meaning} = {column}" for meaning, column in columns.items())


def _near(site: Site, stated: Stated) -> Any:
    """How far numbers lie from the project's control, as the file's frame would have them."""
    from witnesspost.replay.office.field_frame import FieldFrame

    project = site.project
    if project is None or not project.control:
        return lambda first, second, grid: None
    latitude, longitude = position(open_frame(site), project.control[0])
    import numpy as np

    frames: dict[bool, FieldFrame | None] = {}

    def near(first: float, second: float, grid: bool) -> float | None:
        if grid not in frames:
            with contextlib.suppress(Exception):
                frames[grid] = FieldFrame(site, stated, grid=grid)
            frames.setdefault(grid, None)
        frame = frames[grid]
        if frame is None:
            return None
        here = frame.plane_of(np.array([latitude]), np.array([longitude]))
        there = frame.plane(np.array([first]), np.array([second]))
        return float(np.hypot(there[0][0] - here[0][0], there[1][0] - here[1][0]))

    return near


def _geoid(site: Site, named: str | None) -> Any:
    if named is None:
        return None
    if site.project is None:
        return None
    path = named if named == "bundled" else str(Path(named).resolve())
    return open_geoid(structs.replace(site, project=structs.replace(site.project, geoid=path)))


def _given(text: str) -> Given:
    """A base's true place: geocentric metres or degrees and ellipsoidal metres, and its 95 % uncertainty."""
    from witnesspost.replay.office.base import Given

    try:
        a, b, c, u95 = (float(part) for part in text.split(","))
    except ValueError:
        raise Unusable(
            f"--base-is: read {text!r}; expected X,Y,Z,U95 (metres) or LATITUDE,LONGITUDE,HEIGHT,U95 of the antenna's point"
        ) from None
    if not 0 <= u95 < 10:
        raise Unusable(f"--base-is: U95 {u95:g} m; expected its uncertainty, 95 %, in metres")
    arp = to_ecef(a, b, c) if abs(a) <= 90 and abs(b) <= 360 else Ecef(a, b, c)
    if not LEAST_RADIUS_M < math.hypot(*arp) < MOST_RADIUS_M:
        raise Unusable(
            f"--base-is: {text} is no place on the earth; expected X,Y,Z,U95 (metres) or LATITUDE,LONGITUDE,HEIGHT,U95"
        )
    return Given(arp=arp, u95_m=u95)


def site_of_day(day: Day, site_file: str | None, grids: Path | None) -> Site:
    """The site that the points are judged by: the option's, else the rover's own."""
    if site_file is not None:
        return open_site(site_file)
    files = list(day.files)
    log = next((one for one in files if one.run.role == "rover"), files[0])
    site = site_from_toml(log.run.site_toml, log.run.site_path, FIGURES, recorded=True)
    find_grids(site, log, grids)
    return site


@contextlib.contextmanager
def _day(logs: tuple[str, ...], from_bytes: bool, site_file: str | None, grids: Path | None) -> Iterator[Day]:
    """The logs, or logs made anew from their bytes."""
    with Day.open(logs) as day:
        if not from_bytes:
            yield day
            return
        with tempfile.TemporaryDirectory(prefix="witnesspost-") as folder, contextlib.ExitStack() as opened:

            def again(files: Sequence[LogFile]) -> LogFile:
                path = Path(tempfile.mkdtemp(dir=folder)) / files[0].path.name
                _make_again(files, path, site_file, grids)
                return opened.enter_context(LogFile.open(path))

            yield day.made_again(again)


def _make_again(files: Sequence[LogFile], path: Path, site_file: str | None, grids: Path | None) -> None:
    """A log with the same bytes and told facts as those of one run; all its tables and alerts made anew. What stands at the
    end of a file, and is not in the bytes of the next, stands on as it did."""
    with contextlib.ExitStack() as opened:
        sources = [opened.enter_context(open_source(str(log.path), site_file, grids=grids)) for log in files]
        first = sources[0]
        again = Log.start(".", first.site, first.site_text, path=path, t=first.begins_t)
        pipeline = Pipeline(first.site, again, begins_t=first.begins_t)
        for source in sources:
            for _ in play(pipeline, source.records, end_t=source.end_t):
                pass
        pipeline.end()
        again.close(pipeline.t, "made again from the bytes")


def _write(judgement: Judgement, site: Site, options: dict[str, Any], output: str) -> None:
    from witnesspost.replay.office.audit import audit
    from witnesspost.replay.office.output import write_csv, write_geojson

    write = write_geojson if Path(output).suffix.lower() in _GEOJSON else write_csv
    with output_to(output) as file:
        write(judgement, audit(judgement, site, options), file)


def _say(judgement: Judgement, output: str, graded: bool) -> bool:
    """What came out, on standard error (the grade on standard output); false where a grade failed."""
    from witnesspost.replay.export.geojson_frame import frame_note
    from witnesspost.replay.office.grading import grade, truth_path
    from witnesspost.replay.office.verdict import NAMES

    counts = ", ".join(f"{judgement.count(name)} {name}" for name in NAMES if judgement.count(name))
    click.echo(f"{'' if output == '-' else output + ': '}{counts}", err=True)
    for name, words in judgement.difference.names.items():
        click.echo(f"  file against log: {name}: {words}", err=True)
    in_geojson = [frame_note(str(judgement.frame.project_frame.code))] if Path(output).suffix.lower() in _GEOJSON else []
    for note in (*judgement.notes, *in_geojson):
        click.echo(f"  note: {note}", err=True)
    twice = judgement.field.twice
    if twice:
        named = ", ".join(twice[:5]) + (" …" if len(twice) > 5 else "")
        click.echo(f"  note: {len(twice)} names stand for more than one point ({named}); each is judged by itself", err=True)
    if not graded:
        return True
    found = grade(judgement, truth_path(judgement.field.path))
    click.echo(found.in_words(), err=output == "-")
    return found.passed
