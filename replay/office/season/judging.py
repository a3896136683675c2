"""The logs of a run, judged twice: what sounded by the figures of their day, and by the new ones. Works wherever it is put."""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.office.season.figures import Tables, judged_as_then, judged_by
from witnesspost.replay.office.season.runs import Run
from witnesspost.replay.play.grids import NoGrid
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import NoSource, Source, open_source, records_of
from witnesspost.replay.play.stored_facts import stored_facts
from witnesspost.replay.play.tape import Record
from witnesspost.rules.site.model import SiteError

Key = tuple[str, str]
"""Rule and cause."""


class Judged(msgspec.Struct, kw_only=True):
    """What became of a run: how often which alert sounded in its `logs` that could be judged, `then` and `now`; `spoilt` says
    which could not, and why, `notes` what else to know of them."""

    run: Run
    post: str = ""
    logs: int = 0
    hours: float = 0.0
    then: Counter[Key] = msgspec.field(default_factory=Counter)
    now: Counter[Key] = msgspec.field(default_factory=Counter)
    notes: list[str] = []
    spoilt: list[str] = []


def judge(run: Run, tables: Tables | None, grids: str | None = None) -> Judged:
    """Judge the logs of `run` as one; `tables` are the new figures, None: this program's. Raises nothing that a log brings
    about: one that cannot be judged is named, and what stands before it and behind it are two stretches."""
    judged = Judged(run=run)
    left: list[Sequence[str]] = [run.paths]
    while left:
        paths = left.pop()
        try:
            _judge(paths, judged, tables, Path(grids) if grids is not None else None)
        except _Spoilt as spoilt:
            judged.spoilt.append(spoilt.why)
            left += [part for part in (paths[spoilt.number + 1 :], paths[: spoilt.number]) if part]
    return judged


class _Spoilt(Exception):
    """The log with this number of a stretch cannot be judged, and why."""

    def __init__(self, number: int, why: str):
        super().__init__(why)
        self.number, self.why = number, why


def _judge(paths: Sequence[str], judged: Judged, tables: Tables | None, grids: Path | None) -> None:
    """Add what became of a stretch. Raises _Spoilt, with nothing added."""
    with _stretch(paths, grids) as source:
        post, hours = source.site.post.name, ((source.end_t or 0.0) - source.begins_t) / 3600
        figures = source.figures if source.figures is not None else _figures_in(judged.run.figures_in, grids)
        if figures is not None:
            judged_as_then(source.site, figures)
        then = _sounded(source)
    with _stretch(paths, grids) as source:
        if tables is not None:
            judged_by(source.site, tables)
        now = _sounded(source)
    judged.post, judged.logs, judged.hours = post, judged.logs + len(paths), judged.hours + hours
    judged.then += then
    judged.now += now
    if figures is None:
        judged.notes.append(f"{paths[0]}: does not say by which figures it was judged; today's are taken for them")


@contextlib.contextmanager
def _stretch(paths: Sequence[str], grids: Path | None) -> Iterator[Source]:
    """Logs that go on from one another, as one source: of the first's site, up to the last's end. Raises _Spoilt."""
    with contextlib.ExitStack() as opened:
        first = opened.enter_context(_whole(0, paths[0], grids))
        end_t, digest = first.end_t, first.digest
        for number, path in enumerate(paths[1:], 1):
            with _whole(number, path, grids) as log:
                end_t, digest = log.end_t, log.digest
        source = Source("log", first.site, first.site_text, _records(paths), first.begins_t, end_t)
        source.digest = digest  # the last's stands for all: its chain goes on from theirs
        source.figures = first.figures
        with _spoiling(0):
            yield source


def _whole(number: int, path: str, grids: Path | None) -> Source:
    """An open log that is as it was written. Raises _Spoilt."""
    with _spoiling(number), contextlib.ExitStack() as opened:
        source = opened.enter_context(open_source(path, grids=grids))
        if source.kind != "log":
            raise NoSource(f"{path}: is no log; name a log (NAME.0001.db)")
        if source.damage is not None:
            raise NoSource(source.damage)
        opened.pop_all()
        return source


def _records(paths: Sequence[str]) -> Iterator[Record]:
    for number, path in enumerate(paths):
        with _spoiling(number), LogFile.open(path) as log:
            yield from records_of(log)


@contextlib.contextmanager
def _spoiling(number: int) -> Iterator[None]:
    """What a log brings about is raised as _Spoilt."""
    try:
        yield
    except (NoSource, NoGrid, LogError, SiteError, msgspec.MsgspecError) as error:
        raise _Spoilt(number, " ".join(str(error).split())) from None


def _figures_in(path: str | None, grids: Path | None) -> dict[str, dict[str, object]] | None:
    """Those that another log of the run says; None where there is none that is as it was written."""
    if path is not None:
        with contextlib.suppress(_Spoilt), _whole(0, path, grids) as log:
            return log.figures
    return None


def _sounded(source: Source) -> Counter[Key]:
    """How often alerts sounded, by rule and the cause that they first sounded with; mere consequences make no sound, and what
    becomes graver while it stands has sounded once."""
    sounded: Counter[Key] = Counter()
    standing: set[int] = set()
    with contextlib.ExitStack() as opened:
        known = stored_facts(source)
        if known is not None:
            opened.callback(known.close)
        pipeline = Pipeline(source.site, begins_t=source.begins_t)
        reader = known.reads if known is not None else None
        for change in play(pipeline, source.records, end_t=source.end_t, reader=reader):
            if change.change in ("normal", "cleared"):
                standing.discard(change.alert)
            elif change.sounds and change.alert not in standing:
                standing.add(change.alert)
                sounded[change.rule, change.cause] += 1
        if known is not None:
            known.keep()
    return sounded
