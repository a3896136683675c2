"""`witnesspost season LOG…`: what would have sounded more, and what less, under other figures."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.log.day import log_files
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.progress import PassingLine
from witnesspost.replay.commands.office_extra import INSTALL
from witnesspost.replay.office.season.figures import Tables, new_figures
from witnesspost.replay.office.season.judging import Judged
from witnesspost.replay.office.season.runs import Run, runs_of
from witnesspost.replay.office.season.workers import NoCluster, on_cluster, on_processes
from witnesspost.rules.site.model import SiteError

_FOLDER = click.Path(exists=True, file_okay=False)


class Difference(msgspec.Struct):
    """How many alerts of a rule and cause sounded at a post: by the figures of the day, and by the new ones."""

    rule: str
    cause: str
    post: str
    then: int
    now: int


@click.command()
@click.argument("logs", metavar="LOG...", nargs=-1, required=True)
@click.option("--site", "site_file", metavar="NEW.toml", help="Its [rules] and [[own_rule]] are the new figures.")
@click.option(
    "--jobs", type=click.IntRange(min=1), help="How many runs are judged at a time. Default: as many as there are cores."
)
@click.option("--scheduler", metavar="tcp://…", help="Judge on the workers of the Dask scheduler there instead.")
@click.option("--grids", type=_FOLDER, metavar="FOLDER", help="A folder with the grids that the logs were judged with.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a rule, cause and post.")
def season(
    logs: tuple[str, ...], site_file: str | None, jobs: int | None, scheduler: str | None, grids: str | None, as_json: bool
) -> None:
    """Judge each LOG, or the logs of a folder, twice: by the figures of its day, and by new ones; say what differs.

    The new figures are those of --site, for every post, or else this program's own with what the log's site file sets. What is
    counted is alerts that sounded: consequences of another make no sound. The files of a run are judged as that one run: an
    alert that stands while the log is rotated has sounded once. Exit status 1 where a log could not be judged.
    """
    try:
        tables = new_figures(site_file) if site_file is not None else None
        runs, well = runs_of(log_files(logs), lambda said: click.echo(said, err=True))
    except (SiteError, LogError) as error:
        raise Unusable(str(error)) from None
    then: Counter[tuple[str, str, str]] = Counter()
    now: Counter[tuple[str, str, str]] = Counter()
    hours, posts = 0.0, set()
    judged_count = 0
    line = PassingLine()
    for judged in _judged(runs, tables, jobs, scheduler, grids, line):
        for said in (*judged.spoilt, *judged.notes):
            line.clear()
            click.echo(said, err=True)
        well &= not judged.spoilt
        if not judged.logs:
            continue
        judged_count += judged.logs
        hours += judged.hours
        posts.add(judged.post)
        for counted, into in ((judged.then, then), (judged.now, now)):
            for (rule, cause), count in counted.items():
                into[rule, cause, judged.post] += count
    found = [Difference(*key, then[key], now[key]) for key in then.keys() | now.keys()]
    found.sort(key=lambda one: (-abs(one.now - one.then), one.rule, one.cause, one.post))
    if as_json:
        for one in found:
            click.echo(msgspec.json.encode(one))
    else:
        _print(found)
        click.echo(
            f"{_counted(judged_count, 'log')} of {_counted(len(posts), 'post')}, {hours:,.1f} h: "
            f"{_counted(sum(then.values()), 'alert')} sounded then, {sum(now.values())} now",
            err=bool(found) and not sys.stdout.isatty(),
        )
    sys.exit(0 if well else 1)


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'s' if count != 1 else ''}"


def _print(found: list[Difference]) -> None:
    if not found:
        return
    width = max(len("post"), *(len(one.post) for one in found))
    click.echo(f"{'then':>7}{'now':>7}{'':>8}  post")
    for one in found:
        change = f"{one.now - one.then:+d}".replace("-", "−") if one.now != one.then else "="
        click.echo(f"{one.then:>7}{one.now:>7}{change:>8}  {one.post:<{width}}  ({one.rule}: {one.cause})")


def _judged(
    runs: list[Run], tables: Tables | None, jobs: int | None, scheduler: str | None, grids: str | None, line: PassingLine
) -> Iterator[Judged]:
    """Each run as it is done; `line` shows of how many logs."""
    if scheduler is not None:
        try:
            import distributed  # noqa: F401
        except ImportError:
            raise Unusable(f"season --scheduler {INSTALL}") from None
        found = on_cluster([_resolved(run) for run in runs], tables, str(Path(grids).resolve()) if grids else None, scheduler)
    else:
        found = on_processes(runs, tables, grids, jobs or len(os.sched_getaffinity(0)))
    try:
        done, of = 0, sum(len(run.paths) for run in runs)
        for judged in found:
            done += len(judged.run.paths)
            line.show(f"{done} of {of} logs")
            yield judged
    except NoCluster as error:
        raise Unusable(str(error)) from None
    finally:
        line.clear()


def _resolved(run: Run) -> Run:
    """For a worker, which runs in another folder."""
    figures_in = str(Path(run.figures_in).resolve()) if run.figures_in is not None else None
    return Run(tuple(str(Path(path).resolve()) for path in run.paths), figures_in)
