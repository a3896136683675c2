"""What the runs before have left to this one: stops that nobody had seen, how it is set up, and what has solved what.

Whoever pulled the battery because of the buzzer has seen nothing yet, and has not moved the base: that is in the logs alone.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, EventRow
from witnesspost.daemon.log.schema import utc_from
from witnesspost.rules.facts import SetUp, Solved, Unseen

_TOLD_BY_S = 10.0  # a run that was cut off before may not have got round to telling what it had been left
_FILES_MOST = 50


class _Run(NamedTuple):
    """A run before this one: its first file's name, its alerts, the last set-up that it was told, how long it was."""

    name: str
    alerts: list[AlertRow]
    set_up: SetUp | None
    last_t: float


def left(folder: Folder, t: float, now: Path | None = None, also: Sequence[AlertRow] = ()) -> list[Unseen | SetUp]:
    """What holds on, as facts for this run's `t`: the set-up, then the unseen stops, oldest first; `now` is the file that this
    run writes, `also` what the last run had come to say before it could be written.

    What cannot be read leaves nothing: no log, however broken, keeps a post from starting.
    """
    unseen: list[Unseen] = []
    set_up: SetUp | None = None
    known: set[tuple[str, int]] = set()
    with contextlib.suppress(msgspec.MsgspecError):
        for run in _runs(folder, now):
            set_up = set_up or run.set_up
            run.alerts.extend(also)
            also = ()
            unseen.extend(_unseen(run, known, t))
            if run.last_t >= _TOLD_BY_S:
                break
    unseen.sort(key=lambda fact: (fact.run, fact.alert))
    return [*unseen] if set_up is None else [msgspec.structs.replace(set_up, t=t), *unseen]


def solved_before(folder: Folder, now: Path | None = None) -> list[Solved]:
    """All that people have said of what solved an alert, in the logs before `now`; what cannot be read says nothing."""
    said: list[Solved] = []
    for _, path in _files(folder, now):
        with contextlib.suppress(LogError, OSError), LogFile.open(path) as log:
            said += list(log.told(Solved))
    return said


def _unseen(run: _Run, known: set[tuple[str, int]], t: float) -> Iterator[Unseen]:
    open_alerts: dict[int, AlertRow] = {}
    for row in run.alerts:
        if row.change in ("acknowledged", "cleared"):
            open_alerts.pop(row.alert, None)
        elif row.change != "cause" or row.alert in open_alerts:
            open_alerts[row.alert] = row
    for alert, row in {row.alert: row for row in run.alerts}.items():
        fact = _fact(row, run.name, t)
        stop = alert in open_alerts and row.severity == "stop" and row.because_of is None and not row.shelved
        if stop and (fact.run, fact.alert) not in known:
            yield fact
        known.add((fact.run, fact.alert))


def _files(folder: Folder, now: Path | None) -> list[tuple[int, Path]]:
    """The files of the runs before this one, the last first."""
    return [file for file in folder.files() if file[1] != now][: -_FILES_MOST - 1 : -1]


def _runs(folder: Folder, now: Path | None) -> Iterator[_Run]:
    """The runs before this one, the last first."""
    alerts: list[AlertRow] = []
    set_up: SetUp | None = None
    last_t = 0.0
    with contextlib.suppress(LogError, OSError):
        for _, path in _files(folder, now):
            with LogFile.open(path) as log:
                alerts = [*log.rows(AlertRow, "ORDER BY n"), *alerts]
                set_up = set_up or _set_up(log)
                last_t = max(last_t, log.span()[1])
                begins_run = any(log.rows(EventRow, "WHERE kind = 'log-started' LIMIT 1"))
            if begins_run:
                yield _Run(path.name, alerts, set_up, last_t)
                alerts, set_up, last_t = [], None, 0.0
        return
    if alerts or set_up is not None:  # the rest of the run cannot be read
        yield _Run(path.name, alerts, set_up, last_t)


def _set_up(log: LogFile) -> SetUp | None:
    """The last one that this file was told; one that an earlier run had left to it keeps its first name and time."""
    said = next(log.told(SetUp, "ORDER BY n DESC LIMIT 1"), None)
    if said is not None and said.run is None:
        instant = log.instant_at(said.t)
        said.run, said.utc = log.path.name, instant.utc if instant is not None and not instant.about else None
    return said


def _fact(row: AlertRow, run: str, t: float) -> Unseen:
    """The alert of a row; one that an earlier run had left to that run keeps its first name and time."""
    evidence = msgspec.json.decode(row.evidence)
    of_run = evidence.pop("of_run", run)
    of_alert = evidence.pop("of_alert", row.alert)
    over_utc = evidence.pop("over_utc", row.utc)
    return Unseen(
        t=t,
        stream=row.stream,
        run=of_run,
        alert=of_alert,
        rule=row.rule,
        cause=row.cause,
        utc=utc_from(over_utc) if over_utc is not None else None,
        evidence=evidence,
        words=msgspec.json.decode(row.words, type=dict[str, str]),
    )
