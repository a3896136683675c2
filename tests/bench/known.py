"""(d) a day's log under other figures, its facts known from an earlier replay: from opening the log to the last alert."""

from __future__ import annotations

import contextlib
import tempfile
from pathlib import Path

import tomli_w
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_source
from witnesspost.replay.play.stored_facts import StoredFacts

from tests.bench.row import Cost, Row, at_most, cost
from tests.bench.streams import records, site, told

_DAY_S = 86_400.0
_SHORT_S = 1800.0
_FIGURES = {"base": (5.0, "1 Hz base"), "rover": (12.0, "10 Hz rover")}
_REACHED = {"base": 8.5, "rover": 25.0}  # of half an hour, scaled to a day


def rows(short: bool) -> list[Row]:
    """The base's day and the rover's."""
    return [_day(name, _SHORT_S if short else _DAY_S) for name in _FIGURES]


def _day(name: str, duration_s: float) -> Row:
    limit, words = _FIGURES[name]
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        path, cache = Path(folder, "day.db"), Path(folder, "cache")
        _write(name, path, duration_s)
        other = Path(folder, "other.toml")
        other.write_text(tomli_w.dumps({**told(name, 1.0).site_table, "rules": {"corrections-stopped": {"on_delay_s": 8.0}}}))
        first = _replayed(path, cache, other)
        again = _replayed(path, cache, other)
        (stored,) = cache.iterdir()
        size = stored.stat().st_size / path.stat().st_size
    scale = _DAY_S / duration_s
    scaled = f", scaled from {duration_s / 3600:g} h" if scale > 1 else ""
    note = f" (the first time {first.cpu_s * scale:.3g} s{scaled}; {100 * size:.0f} % of the log's size in the cache)"
    what = f"24 h of a {words} under other figures, its facts known"
    return at_most("d", what, limit, again.cpu_s * scale, " s", note, reached=_REACHED[name])


def _write(name: str, path: Path, duration_s: float) -> None:
    at = site(name)
    log = Log.start(path.parent, at, tomli_w.dumps(told(name, 1.0).site_table), path=path)
    pipeline = Pipeline(at, log)
    for _ in play(pipeline, records(name, duration_s)):
        pass
    log.close(pipeline.t, "bench")


def _replayed(path: Path, cache: Path, site_file: Path) -> Cost:
    def run() -> None:
        with open_source(str(path), str(site_file)) as source, contextlib.closing(StoredFacts(source, cache)) as known:
            pipeline = Pipeline(source.site, begins_t=source.begins_t)
            for _ in play(pipeline, source.records, end_t=source.end_t, reader=known.reads):
                pass
            known.keep()

    return cost(run)
