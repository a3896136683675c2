"""A day's log through all the rules, from opening it to the last alert, as `witnesspost replay` plays it.

(c) from its bytes: by the wall, as people wait for it, with a process that reads and one that judges; and (d) under other
figures, its facts known from that first replay.
"""

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
_SHORT_S = 3600.0
_FIGURES = {"base": (11.0, 5.0, "1 Hz base"), "rover": (24.0, 12.0, "10 Hz rover")}
_REACHED = {"base": 8.5, "rover": 25.0}  # of (d), of an hour, scaled to a day; (c) is held against one process


def rows(short: bool) -> list[Row]:
    """The base's day and the rover's."""
    return sorted(row for name in _FIGURES for row in _day(name, _SHORT_S if short else _DAY_S))


def _day(name: str, duration_s: float) -> list[Row]:
    bytes_s, known_s, words = _FIGURES[name]
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        path, alone, cache = Path(folder, "day.db"), Path(folder, "alone"), Path(folder, "cache")
        alerts = _write(name, path, duration_s)
        other = Path(folder, "other.toml")
        other.write_text(tomli_w.dumps({**told(name, 1.0).site_table, "rules": {"corrections-stopped": {"on_delay_s": 8.0}}}))
        one = _replayed(path, alone, other, beside=False)
        two = _replayed(path, cache, other, beside=True)
        known = _replayed(path, cache, other, beside=True)
        (stored,) = cache.iterdir()
        size = stored.stat().st_size / path.stat().st_size
    scale = _DAY_S / duration_s
    scaled = f", scaled from {duration_s / 3600:g} h" if scale > 1 else ""
    from_bytes = f" by the wall, on two cores (in one process {one.wall_s * scale:.3g} s{scaled}; {alerts} alerts)"
    again = f" ({100 * size:.0f} % of the log's size in the cache)"
    return [
        at_most(
            "c",
            f"24 h of a {words} from its log's bytes",
            bytes_s,
            two.wall_s * scale,
            " s",
            from_bytes,
            reached=one.wall_s * scale,
        ),
        at_most(
            "d",
            f"24 h of a {words} under other figures, its facts known",
            known_s,
            known.cpu_s * scale,
            " s",
            again,
            reached=_REACHED[name],
        ),
    ]


def _write(name: str, path: Path, duration_s: float) -> int:
    """A log of that scenario at `path`; how many alerts changed."""
    at = site(name)
    log = Log.start(path.parent, at, tomli_w.dumps(told(name, 1.0).site_table), path=path)
    pipeline = Pipeline(at, log)
    alerts = sum(1 for _ in play(pipeline, records(name, duration_s)))
    log.close(pipeline.t, "bench")
    return alerts


def _replayed(path: Path, cache: Path, site_file: Path, *, beside: bool) -> Cost:
    def run() -> None:
        with (
            open_source(str(path), str(site_file)) as source,
            contextlib.closing(StoredFacts(source, cache, beside=beside)) as known,
        ):
            pipeline = Pipeline(source.site, begins_t=source.begins_t)
            for _ in play(pipeline, source.records, end_t=source.end_t, reader=known.reads):
                pass
            known.keep()

    return cost(run)
