"""(f) what somebody waits for who opens a 10 Hz rover's day in an SQLite browser: every view of the schema.

A browser reads the first rows; a view that sums up has few, and must have read the whole day for them.
"""

from __future__ import annotations

import contextlib
import sqlite3
import tempfile
import time
from pathlib import Path

from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.schema import VIEWS
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play

from tests.bench.row import Row, at_most
from tests.bench.streams import records, site

_DAY_S = 86_400.0
_SHORT_S = 900.0
_FIGURE_S = 0.3
_FIRST_ROWS = 1000


def rows(short: bool) -> list[Row]:
    """The slowest view, and what the others took."""
    duration_s = _SHORT_S if short else _DAY_S
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        path = Path(folder, "day.db")
        _write(path, duration_s)
        taken_s = {name: _opened(path, name) for name in VIEWS}
    slowest = max(taken_s, key=taken_s.__getitem__)
    others = ", ".join(f"`{name}` {taken_s[name]:.2g} s" for name in sorted(taken_s) if name != slowest)
    note = f" (`{slowest}`{f', of {duration_s / 60:g} min alone' if short else ''}; {others})"
    return [at_most("f", "a view over a day of a 10 Hz rover, the slowest", _FIGURE_S, taken_s[slowest], " s", note)]


def _write(path: Path, duration_s: float) -> None:
    at = site("rover")
    log = Log.start(path.parent, at, "", path=path)
    pipeline = Pipeline(at, log)
    for _ in play(pipeline, records("rover", duration_s)):
        pass
    log.close(pipeline.t, "bench")


def _opened(path: Path, view: str) -> float:
    """CPU seconds to open the file and read the view's first rows."""
    started = time.process_time()
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for _ in connection.execute(f"SELECT * FROM {view} LIMIT {_FIRST_ROWS}"):
            pass
    return time.process_time() - started
