"""The log's tables, one struct a table, one instance a row.

From the struct come the table's columns (names, SQLite's types, what each one means), the statements that insert and read
a row, and the page README.md beside this file. Nobody else knows in which order a table's columns stand.

`t` is seconds since the log began (the pipeline's clock); UTC is ISO 8601 with "Z"; units are in the names. A value that
is not known is NULL. Columns are added at the end of a table, before its digest, never moved: see `translation`.
"""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Iterator, Sequence
from functools import cache
from operator import attrgetter
from sqlite3 import Connection
from typing import Annotated, Any, ClassVar, NamedTuple, TypeVar

import msgspec
from msgspec import Meta, Struct
from witnesspost.rules.alert import Change
from witnesspost.rules.facts import Fact, Fix

_T = "seconds since the log began"
_DIGEST = "BLAKE2b-128 of the row before's digest and this row's columns (`daemon.log.blocks`)"
_N = "running number over `raw`, `event` and `alert`, and over all files of the post"
_ORDER = "order among all inputs of the same millisecond"
_AT = re.compile(r" - at `\$\[(\d+)\]`")  # where msgspec says that a value is wrong
_NAME = r"\A[A-Za-z0-9][A-Za-z0-9-]{0,39}\Z"  # of a site file's posts and streams
_STREAM = r"\A([A-Za-z0-9][A-Za-z0-9-]{0,39})?\Z"  # or about none
LATEST_T = 1e9  # s: no run lasts thirty years
_encode = msgspec.json.Encoder(enc_hook=str).encode


def _moment(meaning: str) -> Meta:
    return Meta(description=meaning, ge=0, le=LATEST_T)


class Row(Struct, array_like=True, gc=False):
    """What every table has: its name, and its key column where it has one."""

    table: ClassVar[str]
    key: ClassVar[str | None] = None


class RunRow(Row, kw_only=True):
    """This file: who wrote it, by which site file, and what it goes on from."""

    table: ClassVar[str] = "run"
    key: ClassVar[str | None] = "number"

    number: Annotated[int, Meta(description="the number in the file's name")]
    name: Annotated[str, Meta(description="the post's name", pattern=_NAME)]
    role: Annotated[str, Meta(description="base or rover", pattern="^(base|rover)$")]
    begun_at_t: Annotated[float, _moment("`t` at which the file begins: over 0 where it goes on from another")]
    first_n: Annotated[int, Meta(description="`n` of the file's first row in the chain")] = 0
    system_utc: Annotated[str, Meta(description="the system's clock when the file was begun; it may have been wrong")]
    boot: Annotated[str, Meta(description="the kernel's name for the boot")]
    site_toml: Annotated[str, Meta(description="the site file, with the marks of its control files in it")]
    site_path: Annotated[str, Meta(description="where the site file lay")]
    grids: Annotated[
        str, Meta(description="the grid files it was judged with: JSON list of name (as in the site file) and BLAKE2b-256")
    ]
    program: Annotated[str, Meta(description="the program's version")]
    sqlite: Annotated[str, Meta(description="SQLite's version")]
    previous_file: Annotated[str | None, Meta(description="the file before this one")]
    previous_digest: Annotated[bytes | None, Meta(description="the digest that the file before ended with")] = None
    digest: Annotated[bytes, Meta(description="BLAKE2b-128 of this row's columns: the chain's first link")] = b""


class StreamRow(Row, kw_only=True):
    """One line of the site file."""

    table: ClassVar[str] = "stream"
    key: ClassVar[str | None] = "name"

    name: Annotated[str, Meta(description="the stream's name", pattern=_NAME)]
    port: Annotated[str, Meta(description="its port")]
    baud: Annotated[int, Meta(description="its speed, baud")]
    carries: Annotated[str, Meta(description="corrections, positions, or both with a space between")]


class RawRow(Row, kw_only=True):
    """A block of bytes as they came on one stream (`daemon.log.blocks` draws it)."""

    table: ClassVar[str] = "raw"
    key: ClassVar[str | None] = "n"

    n: Annotated[int, Meta(description=_N)] = 0
    stream: Annotated[str, Meta(description="where they came", pattern=_STREAM)]
    t: Annotated[float, _moment(f"{_T}, of the first chunk")]
    t_last: Annotated[float, _moment(f"{_T}, of the last chunk")]
    chunks: Annotated[int, Meta(description="how many reads of the port brought them")]
    pause_t: Annotated[float | None, Meta(description="when the longest silence up to the last chunk began, if it lasted 2 s")]
    pause_s: Annotated[float | None, Meta(description="how long that silence lasted")]
    data: Annotated[bytes, Meta(description="the bytes, nothing added or left out")]
    times: Annotated[bytes, Meta(description="each chunk's arrival, order and size, packed (`daemon.log.blocks`)")]
    digest: Annotated[bytes, Meta(description=_DIGEST)] = b""


class ClockRow(Row, kw_only=True):
    """An anchor between `t` and UTC."""

    table: ClassVar[str] = "clock"

    t: Annotated[float, _moment(_T)]
    utc: Annotated[str, Meta(description="the UTC that was said at `t`")]
    source: Annotated[str, Meta(description="who said it: the sentence, or the observations with the system clock's week")]
    stream: Annotated[str, Meta(description="where it was said")]
    spread_s: Annotated[float, Meta(description="by how much the receiver's words differed around then")]


class FixRow(Row):
    """A position (NMEA GGA, with the GST of the same second): of those that go on alike the first in a second and the last, at
    a base (all words alike) one in five seconds. A change of quality or station is always here, every position in the bytes."""

    table: ClassVar[str] = "fix"

    t: Annotated[float, _moment(_T)]
    stream: Annotated[str, Meta(description="where it was said")]
    time_s: Annotated[float | None, Meta(description="UTC seconds of the day that the receiver says")]
    quality: Annotated[int, Meta(description="GGA's quality: 0 none, 1 autonomous, 2 differential, 4 RTK fixed, 5 RTK float")]
    latitude: Annotated[float | None, Meta(description="degrees, north positive")]
    longitude: Annotated[float | None, Meta(description="degrees, east positive")]
    height_m: Annotated[float | None, Meta(description="the antenna above the receiver's geoid")]
    separation_m: Annotated[float | None, Meta(description="that geoid above the ellipsoid")]
    satellites: Annotated[int | None, Meta(description="satellites in use")]
    hdop: Annotated[float | None, Meta(description="horizontal dilution of precision")]
    age_s: Annotated[float | None, Meta(description="age of the corrections")]
    station_id: Annotated[int | None, Meta(description="the station that the corrections came from")]
    sigma_east_m: Annotated[float | None, Meta(description="the receiver's own standard deviation, east")]
    sigma_north_m: Annotated[float | None, Meta(description="the same, north")]
    sigma_up_m: Annotated[float | None, Meta(description="the same, height")]

    @classmethod
    def of(cls, fix: Fix) -> FixRow:
        """The row of a fact."""
        return cls(*_columns_of_fix(fix))


class StationRow(Row, kw_only=True):
    """What a base said of itself: the first time, at each change, and every ten minutes."""

    table: ClassVar[str] = "station"

    t: Annotated[float, _moment(_T)]
    stream: Annotated[str, Meta(description="where it was said")]
    station_id: Annotated[int, Meta(description="the RTCM reference station ID")]
    message: Annotated[str, Meta(description="1005 or 1006 (a position), 1007, 1008 or 1033 (an antenna)")]
    x_m: Annotated[float | None, Meta(description="antenna reference point, earth-centred earth-fixed")] = None
    y_m: Annotated[float | None, Meta(description="the same")] = None
    z_m: Annotated[float | None, Meta(description="the same")] = None
    antenna_height_m: Annotated[float | None, Meta(description="reference point above the mark, with 1006")] = None
    itrf_year: Annotated[int | None, Meta(description="ITRF realisation year as sent")] = None
    antenna: Annotated[str | None, Meta(description="antenna descriptor")] = None
    serial: Annotated[str | None, Meta(description="the antenna's serial number")] = None
    receiver: Annotated[str | None, Meta(description="the receiver's descriptor")] = None
    latitude: Annotated[float | None, Meta(description="degrees on GRS 80, north positive")] = None
    longitude: Annotated[float | None, Meta(description="degrees on GRS 80, east positive")] = None
    ellipsoidal_height_m: Annotated[float | None, Meta(description="above GRS 80")] = None


class TrafficRow(Row, kw_only=True):
    """Ten seconds of one message from one station on one stream."""

    table: ClassVar[str] = "traffic"

    t: Annotated[float, _moment(f"{_T}: the start of the ten seconds")]
    stream: Annotated[str, Meta(description="where it came")]
    message: Annotated[
        str,
        Meta(description="1077, GGA …; `more kinds` past a hundred; `bad frame`, `bad sentence`, `other`: no message"),
    ]
    station: Annotated[int | None, Meta(description="the station, where one alone was heard in those ten seconds")]
    frames: Annotated[int, Meta(description="how many came")]
    bytes: Annotated[int, Meta(description="their bytes, framing included")]
    bad: Annotated[int, Meta(description="how many failed their checksum")]


class AlertRow(Row, kw_only=True):
    """A change of an alert."""

    table: ClassVar[str] = "alert"
    key: ClassVar[str | None] = "n"

    n: Annotated[int, Meta(description=_N)] = 0
    t: Annotated[float, _moment(_T)]
    order_in_ms: Annotated[int, Meta(description=_ORDER)] = 0
    utc: Annotated[str | None, Meta(description="UTC of the change, where a receiver had said the time by then")]
    change: Annotated[
        str,
        Meta(description="raised, cause (another one is the likeliest), acknowledged, normal (over, not yet seen) or cleared"),
    ]
    rule: Annotated[str, Meta(description="the rule")]
    cause: Annotated[str, Meta(description="the most likely cause")]
    causes: Annotated[str, Meta(description="all of them in order: JSON")]
    severity: Annotated[str, Meta(description="stop, check or note")]
    stream: Annotated[str, Meta(description="the stream it is about, or empty", pattern=_STREAM)]
    because_of: Annotated[str | None, Meta(description="the rule whose alert explains this one: then it made no sound")]
    evidence: Annotated[str, Meta(description="the figures: JSON")]
    say: Annotated[str, Meta(description="what is wrong, in a line")]
    steps: Annotated[str, Meta(description="what to check, in order: JSON list")]
    alert: Annotated[int, Meta(description="number of the alert: its changes share it")]
    shelved: Annotated[int, Meta(description="1 while a person had silenced it")]
    words: Annotated[str, Meta(description="what its sentence needs beyond the figures: JSON")]
    digest: Annotated[bytes, Meta(description=_DIGEST)] = b""

    @classmethod
    def of(cls, change: Change, say: str, steps: list[str]) -> AlertRow:
        """The row of a change with its words."""
        return cls(
            t=change.t,
            utc=change.utc,
            change=change.change,
            rule=change.rule,
            cause=change.cause,
            causes=json_text(change.causes),
            severity=change.severity,
            stream=change.stream,
            because_of=change.because_of,
            evidence=json_text(change.evidence),
            say=say,
            steps=json_text(steps),
            alert=change.alert,
            shelved=int(change.shelved),
            words=json_text(change.words),
        )


class EventRow(Row, kw_only=True):
    """What came from outside the streams, or befell the post or the log itself."""

    table: ClassVar[str] = "event"
    key: ClassVar[str | None] = "n"

    n: Annotated[int, Meta(description=_N)] = 0
    t: Annotated[float, _moment(_T)]
    order_in_ms: Annotated[int, Meta(description=_ORDER)] = 0
    kind: Annotated[str, Meta(description="what: port, health, acknowledge …; log-started, gap, rules-in-force …")]
    stream: Annotated[str, Meta(description="the stream it is about, or empty", pattern=_STREAM)] = ""
    input: Annotated[int, Meta(description="1: an input like the bytes, which a replay feeds again")] = 0
    detail: Annotated[str, Meta(description="the rest: JSON object")]
    digest: Annotated[bytes, Meta(description=_DIGEST)] = b""

    @classmethod
    def of(cls, t: float, kind: str, detail: dict[str, Any]) -> EventRow:
        """The row of something that befell the post or the log at `t`."""
        return cls(t=t, kind=kind, detail=json_text(detail))

    @classmethod
    def told(cls, fact: Fact) -> EventRow:
        """The row of a fact that came from outside the streams."""
        detail = {key: value for key, value in msgspec.structs.asdict(fact).items() if key not in ("t", "stream")}
        return cls(t=fact.t, kind=type(fact).__name__.lower(), stream=fact.stream, input=1, detail=json_text(detail))


ChainedRow = RawRow | EventRow | AlertRow
DerivedRow = FixRow | StationRow | ClockRow | TrafficRow
Derived = dict[type[DerivedRow], list[DerivedRow]]
"""Rows that follow from the bytes, by table."""

TABLES: tuple[type[Row], ...] = (RunRow, StreamRow, RawRow, ClockRow, FixRow, StationRow, TrafficRow, AlertRow, EventRow)
CHAINED: tuple[type[ChainedRow], ...] = (RawRow, EventRow, AlertRow)
DERIVED: tuple[type[DerivedRow], ...] = (FixRow, StationRow, ClockRow, TrafficRow)

_Kind = TypeVar("_Kind", bound=Row)


class RowError(ValueError):
    """A row does not hold what its table ought to: it was not written by this program."""


class Column(NamedTuple):
    """A column: its name, Python's type, whether it may be NULL, and what it means."""

    name: str
    type: type
    may_be_null: bool
    meaning: str


@cache
def columns(kind: type[Row]) -> tuple[Column, ...]:
    """A table's columns, in order."""
    return tuple(_column(field) for field in msgspec.structs.fields(kind))


def insert(connection: Connection, rows: Sequence[Row]) -> None:
    """Insert rows, at least one, all of one table."""
    connection.executemany(_insert(type(rows[0])), map(msgspec.structs.astuple, rows))


def read(connection: Connection, kind: type[_Kind], rest: str = "", values: Any = ()) -> Iterator[_Kind]:
    """The rows of a table, `rest` being what follows FROM in SQL. Raises RowError, and sqlite3's errors as they come."""
    for found in connection.execute(f"{_select(kind)} {rest}", values):
        yield row_of(kind, found)


def row_of(kind: type[_Kind], values: tuple[Any, ...]) -> _Kind:
    """The row that has these values, in the order of `columns`. Raises RowError."""
    try:
        return msgspec.convert(values, kind, builtin_types=(bytes,))
    except msgspec.ValidationError as error:
        which = f"row {values[0]} of {kind.table}" if kind.key else f"a row of {kind.table}"
        told = _AT.sub(lambda at: f", in {kind.__struct_fields__[int(at[1])]}", str(error))
        raise RowError(f"{which} was changed: {told}") from None


def json_text(value: Any) -> str:
    """JSON of anything that a fact or an alert may carry."""
    try:
        return _encode(value).decode()
    except UnicodeEncodeError:  # a file name or an operating system's words that are no Unicode
        return _encode(_as_unicode(msgspec.to_builtins(value, enc_hook=str))).decode()


def _column(field: msgspec.structs.FieldInfo) -> Column:
    value, meta = typing.get_args(field.type)
    kinds = typing.get_args(value) if isinstance(value, types.UnionType) else (value,)
    assert meta.description is not None
    return Column(field.name, kinds[0], types.NoneType in kinds, meta.description)


@cache
def _insert(kind: type[Row]) -> str:
    names = kind.__struct_fields__
    return f"INSERT INTO {kind.table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


@cache
def _select(kind: type[Row]) -> str:
    return f"SELECT {', '.join(kind.__struct_fields__)} FROM {kind.table}"


def _as_unicode(value: Any) -> Any:
    if isinstance(value, str):
        return value.encode(errors="replace").decode()
    if isinstance(value, dict):
        return {_as_unicode(key): _as_unicode(one) for key, one in value.items()}
    return [_as_unicode(one) for one in value] if isinstance(value, list) else value


_columns_of_fix = attrgetter(*FixRow.__struct_fields__)
