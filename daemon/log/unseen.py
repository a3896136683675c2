"""The stop alerts that nobody had seen when the last run ended: the next run tells them again.

Whoever pulled the battery because of the buzzer has seen nothing yet: what stood is in the log alone.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, EventRow
from witnesspost.daemon.log.schema import utc_from
from witnesspost.rules.facts import Unseen

_TOLD_BY_S = 10.0  # a run that was cut off before may not have got round to telling what it had been left
_FILES_MOST = 50


def unseen_stops(folder: Folder, t: float, now: Path | None = None, also: Sequence[AlertRow] = ()) -> list[Unseen]:
    """What the last run left, as facts for this run's `t`, oldest first; `now` is the file that this run writes, `also` what
    the last run had come to say before it could be written.

    What cannot be read leaves nothing: no log, however broken, keeps a post from starting.
    """
    unseen: list[Unseen] = []
    with contextlib.suppress(msgspec.MsgspecError):
        unseen.extend(_left(folder, t, now, also))
    return sorted(unseen, key=lambda fact: (fact.run, fact.alert))


def _left(folder: Folder, t: float, now: Path | None, also: Sequence[AlertRow]) -> Iterator[Unseen]:
    known: set[tuple[str, int]] = set()
    for run, rows, last_t in _runs(folder, now):
        rows.extend(also)
        also = ()
        left: dict[int, AlertRow] = {}
        for row in rows:
            if row.change in ("acknowledged", "cleared"):
                left.pop(row.alert, None)
            elif row.change != "cause" or row.alert in left:
                left[row.alert] = row
        for alert, row in {row.alert: row for row in rows}.items():
            fact = _fact(row, run, t)
            stop = alert in left and row.severity == "stop" and row.because_of is None and not row.shelved
            if stop and (fact.run, fact.alert) not in known:
                yield fact
            known.add((fact.run, fact.alert))
        if last_t >= _TOLD_BY_S:
            return


def _runs(folder: Folder, now: Path | None) -> Iterator[tuple[str, list[AlertRow], float]]:
    """The runs before this one, the last first: the name of its first file, its alerts' rows, and how long it was."""
    rows: list[AlertRow] = []
    last_t = 0.0
    with contextlib.suppress(LogError, OSError):
        for _, path in [file for file in folder.files() if file[1] != now][: -_FILES_MOST - 1 : -1]:
            with LogFile.open(path) as log:
                rows = [*log.rows(AlertRow, "ORDER BY n"), *rows]
                last_t = max(last_t, log.span()[1])
                begins_run = any(log.rows(EventRow, "WHERE kind = 'log-started' LIMIT 1"))
            if begins_run:
                yield path.name, rows, last_t
                rows, last_t = [], 0.0
        return
    if rows:  # the rest of the run cannot be read
        yield path.name, rows, last_t


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
