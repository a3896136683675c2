"""A log's rows as the archive's tables, cut into the days of its post's wall clock."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import msgspec
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from witnesspost.daemon.log.opening import UnreadableLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import AlertRow, EventRow, FixRow, Row, TrafficRow
from witnesspost.replay.export import arrow
from witnesspost.replay.office.archive.clock import Times, WallClock
from witnesspost.replay.office.archive.rebuilding import Rebuilt
from witnesspost.replay.office.archive.tables import (
    PARTS,
    BaseRow,
    ChangeRow,
    CheckRow,
    GapRow,
    HappeningRow,
    schema,
)
from witnesspost.rules.site.tables import on_one_line

MOST_DAYS = 8
"""That one log is cut into, the fullest: a file is rotated after a day. A receiver that says another date each minute would
make folders without end; the rows of its other days are kept under no day."""
_JUDGED_WITHIN_S = 1.0

Day = dt.date | None
"""A day of the wall clock at the post; None for rows of which nobody has said the time."""


class Whose(NamedTuple):
    """What stands before each row of a log."""

    post: str
    run: str
    digest: str


class _Check(msgspec.Struct):
    """The detail of an event `control-check`."""

    passed: bool
    point: str | None = None
    east_m: float | None = None
    north_m: float | None = None
    up_m: float | None = None
    tolerance_horizontal_m: float | None = None
    tolerance_vertical_m: float | None = None
    stood_s: float | None = None
    by: str | None = None


class _Judged(msgspec.Struct):
    """The detail of an event `base-check`."""

    passed: bool
    station_id: int
    x_m: float
    y_m: float
    z_m: float
    point: str | None = None
    cause: str | None = None
    project_east_m: float | None = None
    project_north_m: float | None = None
    project_up_m: float | None = None


class _SetUp(msgspec.Struct):
    """The detail of an event `setup`."""

    by: str | None = None


def cut(rebuilt: Rebuilt, whose: Whose) -> dict[Day, dict[str, pa.Table]]:
    """The log's tables by day; each day has every table, of no rows too. Raises a LogError."""
    clock = WallClock(rebuilt.log)
    whole: dict[str, tuple[pa.Table, NDArray[np.datetime64]]] = {}
    count: Counter[dt.date] = Counter()
    for name, kind, found in _tables(rebuilt):
        times = clock.times(np.array([row.t for row in found], float))
        days = times.local.astype("datetime64[D]")
        values, counts = np.unique(days[~np.isnat(days)], return_counts=True)
        count.update(dict(zip(values.tolist(), counts.tolist(), strict=True)))
        try:
            whole[name] = table(kind, found, whose, times), days
        except (pa.ArrowInvalid, pa.ArrowTypeError, OverflowError) as error:
            raise UnreadableLog(f"{rebuilt.log.path}: {name} cannot be written: {on_one_line(str(error))}") from None
    kept = {day for day, _ in count.most_common(MOST_DAYS)}
    parts: dict[Day, dict[str, pa.Table]] = {}
    rest: dict[str, pa.Table] = {}
    for name, (rows, days) in whole.items():
        for day in kept:
            parts.setdefault(day, {})[name] = rows.filter(pa.array(days == np.datetime64(day, "D")))
        rest[name] = rows.filter(pa.array(~np.isin(days, np.array(sorted(kept), "datetime64[D]"))))
    if any(rows.num_rows for rows in rest.values()):
        parts[None] = rest
    return parts


def table(kind: type[Row], found: Sequence[Row], whose: Whose, times: Times) -> pa.Table:
    """Rows of one of the archive's tables, with whose they are."""
    own = arrow.batch(kind, found)
    fields = schema(kind)
    first = [_same(text, len(found)) for text in whose]
    when = [pa.array(times.utc, pa.timestamp("ms")), pa.array(times.local, pa.timestamp("ms")), pa.array(times.about)]
    return pa.Table.from_arrays([*first, *when, *own.columns], schema=fields)


def _same(text: str, count: int) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([text]))


def _tables(rebuilt: Rebuilt) -> Iterator[tuple[str, type[Row], list[Any]]]:
    log = rebuilt.log
    found: dict[str, list[Any]] = {
        "changes": [_change(row) for row in log.rows(AlertRow, "ORDER BY n")],
        "checks": list(_checks(log)),
        "base_coordinates": _base_coordinates(log),
        "fixes": list(log.rows(FixRow, "ORDER BY rowid")),
        "traffic": list(log.rows(TrafficRow, "ORDER BY rowid")),
        "minutes": rebuilt.minutes,
        "gaps": [
            GapRow(t=gap.t, stream=gap.stream, seconds=gap.seconds, lost_bytes=gap.lost_bytes, why=gap.why)
            for gap in log.gaps()
        ],
        "events": [_happening(row) for row in log.rows(EventRow, "ORDER BY n")],
    }
    for name, kind in PARTS.items():
        yield name, kind, found[name]


def _change(row: AlertRow) -> ChangeRow:
    names = [name for name in ChangeRow.__struct_fields__ if name != "seq"]
    return ChangeRow(seq=row.n, **{name: getattr(row, name) for name in names})


def _happening(row: EventRow) -> HappeningRow:
    return HappeningRow(seq=row.n, t=row.t, kind=row.kind, stream=row.stream, input=row.input, detail=row.detail)


def _checks(log: LogFile) -> Iterator[CheckRow]:
    set_up_by = None
    for row in log.rows(EventRow, "WHERE kind IN ('setup', 'control-check') ORDER BY n"):
        if row.kind == "setup":
            set_up_by = log.detail(row, _SetUp).by
            continue
        said = msgspec.structs.asdict(log.detail(row, _Check))
        passed, by = int(said.pop("passed")), said.pop("by")
        yield CheckRow(seq=row.n, t=row.t, passed=passed, said_by=by or set_up_by, **said)


def _base_coordinates(log: LogFile) -> list[BaseRow]:
    judged = [(row.t, log.detail(row, _Judged)) for row in log.rows(EventRow, "WHERE kind = 'base-check' ORDER BY n")]
    found = []
    for span in log.view("base_coordinates"):
        row = BaseRow(
            t=span["from_t"],
            **{name: span[name] for name in BaseRow.__struct_fields__ if name in span},
        )
        for t, one in judged:
            there = (one.station_id, one.x_m, one.y_m, one.z_m) == (row.station_id, row.x_m, row.y_m, row.z_m)
            if there and row.t - _JUDGED_WITHIN_S <= t <= row.to_t + _JUDGED_WITHIN_S:
                row.judged, row.point, row.cause = int(one.passed), one.point, one.cause
                row.east_m, row.north_m, row.up_m = one.project_east_m, one.project_north_m, one.project_up_m
        found.append(row)
    return found
