"""The logs of a season, run by run: files that go on from one another are one piece of work, as they were one run."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.log.day import NoLogs, log_files
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile


class Run(NamedTuple):
    """The logs at `paths` go on from one another, in this order. `figures_in` is the log of the run that says by which figures
    it was judged: its first file, which need not be among them; None where that is not at hand."""

    paths: tuple[str, ...]
    figures_in: str | None = None


def runs_of(paths: Iterable[Path], say: Callable[[str], None]) -> tuple[list[Run], bool]:
    """The runs of the logs at `paths`, the largest first, so that no worker begins a long one last; of copies of one log the
    longest. False where one cannot be read; `say` is told which, and which are copies."""
    longest: dict[bytes, _Seen] = {}
    well = True
    for path in dict.fromkeys(paths):
        try:
            one = _Seen.at(path)
        except LogError as error:
            say(str(error))
            well = False
            continue
        before = longest.setdefault(one.digest, one)
        if before is not one:
            say(f"{path}: is the same log as {before.path}, or a copy of it; the longer one counts")
            longest[one.digest] = max(one, before, key=lambda log: (log.last_n, log.size))
    runs = _joined(longest.values())
    runs.sort(key=lambda run: (-sum(log.size for log in run), run[0].path))
    named = _who_says(longest.values())
    return [Run(tuple(str(log.path) for log in run), _figures_in(run[0], named)) for run in runs], well


class _Seen(NamedTuple):
    """What a log says of its place: `after` is the digest that the file before it in its run ends with, `ends` its own last."""

    path: Path
    size: int
    place: tuple[int, int]
    last_n: int
    digest: bytes
    after: bytes | None
    ends: bytes
    life: str | None
    says_figures: bool

    @classmethod
    def at(cls, path: Path) -> _Seen:
        """Raises a LogError."""
        with LogFile.open(path) as log:
            run = log.run
            says = log.figures() is not None
            place, last_n, ends = (run.first_n, run.number), log.last_n(), log.last_digest()
            return cls(path, path.stat().st_size, place, last_n, run.digest, log.after, ends, log.life, says)


def _joined(logs: Iterable[_Seen]) -> list[list[_Seen]]:
    runs: list[list[_Seen]] = []
    ending: dict[bytes, list[_Seen]] = {}
    for log in sorted(logs, key=lambda one: (one.place, one.path)):
        run = ending.pop(log.after, None) if log.after is not None else None
        if run is None:
            runs.append(run := [])
        run.append(log)
        ending[log.ends] = run
    return runs


def _who_says(logs: Iterable[_Seen]) -> dict[str, Path]:
    """By run, the log that says by which figures it was judged."""
    return {log.life: log.path for log in logs if log.life is not None and log.says_figures}


def _figures_in(log: _Seen, named: dict[str, Path]) -> str | None:
    """Among what was named, or else in the log's own folder."""
    if log.says_figures:
        return str(log.path)
    if log.life is None:
        return None
    found = named.get(log.life) or _who_says(_beside(log.path)).get(log.life)
    return str(found) if found is not None else None


def _beside(path: Path) -> list[_Seen]:
    found = []
    try:
        for one in log_files([path.parent]):
            try:
                found.append(_Seen.at(one))
            except LogError:  # nobody named it
                continue
    except (NoLogs, OSError):
        pass
    return found
