"""The player: records in, alerts' changes out, through the same pipeline as the live service.

The end counts too: time runs on to `end_t`, so that a silence at the end of a tape is heard.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator

from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.daemon.stream.reading import Read
from witnesspost.replay.play.reading_ahead import read, read_ahead
from witnesspost.replay.play.tape import Record, Truth
from witnesspost.rules.alert import Change
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site

Reader = Callable[[Pipeline, Iterable[Chunk | Fact]], Iterable[Read]]
"""What gives what each record comes to."""


def play(
    pipeline: Pipeline,
    records: Iterable[Record],
    *,
    end_t: float | None = None,
    speed: float | None = None,
    truths: list[Truth] | None = None,
    moved: Callable[[float], None] | None = None,
    reader: Reader | None = None,
) -> Iterator[Change]:
    """Play `records` (in the order of `t`) and yield the changes as they come.

    `speed` paces them (1.0: real time; None: as fast as it goes), `truths` collects the truth lines, which the pipeline
    never sees; `moved` is told the time reached. Streams that the site does not name are passed over. `reader` may know what
    the records come to without reading them (`replay.play.stored_facts`).
    """
    started = time.monotonic()
    coming = of_the_site(pipeline.site, records, truths)
    if speed is not None:
        yield from _paced(pipeline, coming, started, speed, moved)
    else:
        for one in reader(pipeline, coming) if reader is not None else read_ahead(pipeline.reading, coming):
            if changes := _taken(pipeline, one, moved):
                yield from changes
    if end_t is not None and end_t > pipeline.t:
        if speed is not None:
            yield from _wait(pipeline, started, end_t, speed)
        yield from pipeline.tick(end_t)


def _taken(pipeline: Pipeline, one: Read, moved: Callable[[float], None] | None) -> list[Change]:
    changes = pipeline.take(one)
    if pipeline.log is not None and isinstance(one[2], tuple):
        pipeline.log.tick(pipeline.t)
    if moved is not None:
        moved(pipeline.t)
    return changes


def _paced(
    pipeline: Pipeline,
    records: Iterable[Chunk | Fact],
    started: float,
    speed: float,
    moved: Callable[[float], None] | None,
) -> Iterator[Change]:
    for record in records:
        yield from _wait(pipeline, started, record.t, speed)
        yield from _taken(pipeline, read(pipeline.reading, record), moved)


def of_the_site(site: Site, records: Iterable[Record], truths: list[Truth] | None = None) -> Iterator[Chunk | Fact]:
    """What a pipeline of the site is to have."""
    known = {stream.name for stream in site.stream}
    for record in records:
        if isinstance(record, Chunk):
            if record.stream in known:
                yield record
        elif isinstance(record, Truth):
            if truths is not None:
                truths.append(record)
        elif not record.stream or record.stream in known:
            yield record


def _wait(pipeline: Pipeline, started: float, t: float, speed: float) -> Iterator[Change]:
    """Let real time reach `t` at this speed, with the pipeline's own time going on meanwhile."""
    while (left_s := started + t / speed - time.monotonic()) > 0:
        time.sleep(min(left_s, 0.05))
        now = (time.monotonic() - started) * speed
        if now < t:
            yield from pipeline.tick(now)
