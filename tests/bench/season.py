"""(e) a month of a post's logs under other figures: what a second core gains. By the wall, as the office waits.

A log stands for a day: half an hour of it, so that the bench ends the same day; each is judged twice, by the figures of its day
and by the new ones.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from witnesspost.replay.office.season.runs import Run
from witnesspost.replay.office.season.workers import on_processes

from tests.bench.row import Row, at_least, cost
from tests.bench.streams import log_of

_LOGS, _LASTS_S = 30, 1800.0
_SHORT_LOGS, _SHORT_LASTS_S = 4, 300.0
_ROUNDS = 2
_NEW = {"rules": {"corrections-stopped": {"on_delay_s": 8.0}}}


def rows(short: bool) -> list[Row]:
    """Two processes against one."""
    count, lasts_s = (_SHORT_LOGS, _SHORT_LASTS_S) if short else (_LOGS, _LASTS_S)
    base = str(Path(__file__).with_name("base.toml"))
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as name:
        folder = Path(name)
        runs = [Run((str(log_of(folder / str(seed), base, seed=seed, until_s=lasts_s)),)) for seed in range(count)]
        rounds = [(_wall_s(runs, folder / f"round-{n}", 1), _wall_s(runs, folder / f"round-{n}", 2)) for n in range(_ROUNDS)]
    one, two = map(min, zip(*rounds, strict=True))  # what else runs only adds
    note = f" by the wall ({count} logs of {lasts_s / 60:g} min: {one:.3g} s, {two:.3g} s)"
    row = at_least("e", "days under other figures, two cores against one", 1.8, one / two, " ×", note)
    # Of logs so short half is the start of the processes: that it runs is all that they show.
    return [row._replace(held=None, off=False, measured=f"{row.measured}; too short to judge")] if short else [row]


def _wall_s(runs: list[Run], folder: Path, jobs: int) -> float:
    before = os.environ.get("XDG_CACHE_HOME")
    os.environ["XDG_CACHE_HOME"] = str(folder / f"cache-{jobs}")  # each begins without a fact known
    try:
        return cost(lambda: list(on_processes(runs, _NEW, None, jobs))).wall_s
    finally:
        if before is None:
            del os.environ["XDG_CACHE_HOME"]
        else:
            os.environ["XDG_CACHE_HOME"] = before
