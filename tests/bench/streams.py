"""The streams that the benches feed: invented, the same at every run."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import tomli_w
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Chunk, Record
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import Scenario, scenario
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site
from witnesspost.rules.site.reading import site_from_table

_FOLDER = Path(__file__).parent


def told(name: str, duration_s: float) -> Scenario:
    """The scenario of that name (base, rover, rover-20hz) as long as wanted."""
    found = scenario(_FOLDER / f"{name}.toml")
    found.duration_s = duration_s
    return found


def site(name: str) -> Site:
    """The site of that scenario, with every rule's figures in it."""
    found = told(name, 1.0)
    return site_from_table(found.site_table, found.site.path, FIGURES)


def site_text(name: str, ports: Mapping[str, str], commit_s: float = 5.0) -> str:
    """The scenario's site as a site file, its streams on these ports."""
    table = told(name, 1.0).site_table
    streams = [{**stream, "port": ports[stream["name"]]} for stream in table["stream"]]
    return "\n".join(_toml({**table, "post": {**table["post"], "commit_s": commit_s}, "stream": streams}, ""))


def records(name: str, duration_s: float) -> Iterator[Record]:
    """Its records, invented as they are asked for."""
    return invent(told(name, duration_s), None)


@cache
def chunks(name: str, duration_s: float) -> tuple[Chunk, ...]:
    """Its bytes alone, held in memory: what they cost is not the bench's."""
    return tuple(record for record in records(name, duration_s) if isinstance(record, Chunk))


def through_the_pipeline(name: str, fed: tuple[Chunk, ...], folder: Path) -> Callable[[], list[Change]]:
    """Ready to put all of it through every rule and into a log in `folder`, which is synced as the service's is."""
    at = site(name)
    log = Log.start(folder, at, "")
    pipeline = Pipeline(at, log)

    def run() -> list[Change]:
        changes = list(play(pipeline, fed))
        log.close(pipeline.t, "bench")
        assert log.state().failed is None
        assert log.state().raw_bytes == sum(len(chunk.data) for chunk in fed)
        return changes

    return run


def log_of(
    folder: Path, name: str, seed: int | None = None, until_s: float | None = None, told: list[Fact] | None = None
) -> Path:
    """A log of that scenario in a new folder, what people have `told` in it."""
    found = scenario(name)
    if until_s is not None:
        found.duration_s = until_s
    folder.mkdir(parents=True)
    path = folder / f"{found.site.post.name}.0001.db"
    log = Log.start(folder, found.site, tomli_w.dumps(found.site_table), path=path)
    pipeline = Pipeline(found.site, log)
    waiting = list(told or ())
    for record in invent(found, seed):
        while waiting and isinstance(record, Chunk) and waiting[0].t <= record.t:
            pipeline.tell(waiting.pop(0))
        for _ in play(pipeline, [record]):
            pass
    pipeline.tick(found.duration_s)
    pipeline.end()
    log.close(pipeline.t, "bench")
    return path


def _toml(table: Mapping[str, Any], path: str) -> Iterator[str]:
    """The lines of a TOML table: its own keys first, then the tables in it."""
    tables = {key: value for key, value in table.items() if isinstance(value, dict) or _is_tables(value)}
    yield from (f"{key} = {json.dumps(value)}" for key, value in table.items() if key not in tables)
    for key, value in tables.items():
        for one in value if isinstance(value, list) else [value]:
            yield f"[[{path}{key}]]" if isinstance(value, list) else f"[{path}{key}]"
            yield from _toml(one, f"{path}{key}.")


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)
