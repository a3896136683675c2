"""The grid files that a log was judged with, found again.

A log keeps the name and the digest of each grid. A file of the same name is looked for beside the log, in the folder that is
named for it, and where the site file lay (a post that replays its own log); only one with that digest will do. The grids of a
site's folder are wanted all in one folder, as PROJ has them.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.datum.grids import Grid, digest_of
from witnesspost.rules.site.model import Site


class NoGrid(Exception):
    """A grid that the log was judged with is not there, or is another; the text is one line that names it."""


def find_grids(site: Site, log: LogFile, folder: Path | None) -> None:
    """Point `site`, which came out of `log`, to its grid files here. Raises NoGrid.

    Of an older log, which kept no digests, the first file of the name is taken.
    """
    if site.project is None:
        return
    places = [log.path.parent, *([folder] if folder else []), site.folder]
    kept = log.grids()
    geoid, grids = site.project.geoid, site.project.grids
    if geoid != "bundled":
        wanted = next((grid for grid in kept if grid.name == geoid), Grid(geoid, None))
        if wanted.digest is not None or not kept:  # else it could not be read when the log was written either
            files = [path for place in places for path in (place / geoid, place / Path(geoid).name)]
            site.moved[geoid] = str(_file(log.path, wanted, files))
    inside = [grid for grid in kept if grid.name.startswith(f"{grids}/") and grid.digest is not None]
    if grids is not None and inside:
        folders = [path for place in places for path in (place / grids, place / Path(grids).name, place)]
        site.moved[grids] = str(_folder(log.path, inside, folders))
    for grid in kept:  # that PROJ found somewhere on the post
        if Path(grid.name).is_absolute() and grid not in inside and grid.name != geoid and grid.digest is not None:
            files = [Path(grid.name), *(place / Path(grid.name).name for place in places)]
            site.moved[grid.name] = str(_file(log.path, grid, files))


def _file(log: Path, wanted: Grid, files: Iterable[Path]) -> Path:
    """The first of the files that is the grid."""
    there = [path for path in files if path.is_file()]
    for path in there:
        if wanted.digest is None or digest_of(path) == wanted.digest:
            return path.resolve()
    remedy = "put it beside the log, or name its folder with --grids"
    if there:
        what = f"another {wanted.name!r} than {there[0]} ({wanted.digest} by `b2sum -l 256`)"
        raise NoGrid(f"{log}: was judged with {what}; {remedy}")
    raise NoGrid(f"{log}: was judged with the grid {wanted.name!r}, which is missing here; {remedy}")


def _folder(log: Path, wanted: list[Grid], folders: Iterable[Path]) -> Path:
    """A folder that has all of the grids; what is wrong is said of the one that has most of their names."""
    found = [(folder, {path.name for path in folder.glob("*")}) for folder in folders]
    names = {Path(grid.name).name for grid in wanted}
    problem: NoGrid | None = None
    for folder, _ in sorted(found, key=lambda one: -len(names & one[1])):
        try:
            for grid in wanted:
                _file(log, grid, [folder / Path(grid.name).name])
        except NoGrid as error:
            problem = problem or error
            continue
        return folder.resolve()
    assert problem is not None
    raise problem
