"""The grid files that a log was judged with, found again.

A log keeps the name and the digest of each grid. A file of the same name is looked for beside the log, in the folder that is
named for it, and where the site file lay (a post that replays its own log); only one with that digest will do.
"""

from __future__ import annotations

from pathlib import Path

from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.datum.grids import digest_of, names_of
from witnesspost.rules.site.model import Site


class NoGrid(Exception):
    """A grid that the log was judged with is not there, or is another; the text is one line that names it."""


def find_grids(site: Site, log: LogFile, folder: Path | None) -> None:
    """Point `site`, which came out of `log`, to its grid files here. Raises NoGrid.

    Of an older log, which kept no digests, the first file of the name is taken.
    """
    kept = {grid.name: grid.digest for grid in log.grids()}
    for name in names_of(site):
        if name in kept and kept[name] is None:
            continue  # it could not be read when the log was written either
        path = _found(log.path, name, kept.get(name), [log.path.parent, *([folder] if folder else []), site.folder])
        site.moved[name] = str(path)


def _found(log: Path, name: str, digest: str | None, folders: list[Path]) -> Path:
    remedy = "put it beside the log, or name its folder with --grids"
    there = [path.resolve() for folder in folders for path in _candidates(folder, name) if path.is_file()]
    if not there:
        raise NoGrid(f"{log}: was judged with the grid {name!r}, which is missing here; {remedy}")
    for path in there:
        if digest is None or digest_of(path) == digest:
            return path
    raise NoGrid(f"{log}: was judged with another {name!r} than {there[0]} ({digest} by `b2sum -l 256`); {remedy}")


def _candidates(folder: Path, name: str) -> list[Path]:
    return [folder / name, folder / Path(name).name]
