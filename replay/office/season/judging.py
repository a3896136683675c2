"""One log, judged twice: what sounded by the figures of its day, and by the new ones. Works alone, wherever it is put."""

from __future__ import annotations

import contextlib
from collections import Counter
from pathlib import Path

import msgspec
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.office.season.figures import Tables, judged_as_then, judged_by
from witnesspost.replay.play.grids import NoGrid
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import NoSource, Source, open_source
from witnesspost.replay.play.stored_facts import stored_facts
from witnesspost.rules.site.model import SiteError

Key = tuple[str, str]
"""Rule and cause."""


class Judged(msgspec.Struct, kw_only=True):
    """What became of a log: how often which alert sounded, `then` and `now`; or why it could not be judged (`spoilt`)."""

    path: str
    post: str = ""
    hours: float = 0.0
    then: dict[Key, int] = {}
    now: dict[Key, int] = {}
    note: str | None = None
    spoilt: str | None = None


def judge(path: str, tables: Tables | None, grids: str | None = None) -> Judged:
    """Judge the log at `path`; `tables` are the new figures, None: this program's. Raises nothing that the log brings about."""
    try:
        with open_source(path, grids=_folder(grids)) as source:
            if source.kind != "log":
                return Judged(path=path, spoilt=f"{path}: is no log; name a log (NAME.0001.db)")
            if source.damage is not None:
                return Judged(path=path, spoilt=source.damage)
            judged = Judged(path=path, post=source.site.post.name, hours=((source.end_t or 0.0) - source.begins_t) / 3600)
            then = source.figures
            if then is None:
                judged.note = f"{path}: does not say by which figures it was judged; today's are taken for them"
            else:
                judged_as_then(source.site, then)
            judged.then = _sounded(source)
        with open_source(path, grids=_folder(grids)) as source:
            if tables is not None:
                judged_by(source.site, tables)
            judged.now = _sounded(source)
    except (NoSource, NoGrid, LogError, SiteError, msgspec.MsgspecError) as error:
        return Judged(path=path, spoilt=" ".join(str(error).split()))
    return judged


def _sounded(source: Source) -> dict[Key, int]:
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
    return dict(sounded)


def _folder(name: str | None) -> Path | None:
    return Path(name) if name is not None else None
