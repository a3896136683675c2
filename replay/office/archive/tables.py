"""The archive's tables, one struct a table, as the log's are (`daemon.log.rows`).

Each row begins with whose it is (`WHOSE`): post, run, the file's digest, UTC and the post's local time of its `t`. Times are
without a zone in their type, as `utc` and `local` say in their names: an engine that knows zones would show them in that of
the desk, and hours of the day would be wrong.
"""

from __future__ import annotations

from typing import Annotated, ClassVar

import pyarrow as pa
from msgspec import Meta
from witnesspost.daemon.log.rows import FixRow, Row, TrafficRow
from witnesspost.replay.export import arrow

_T = "seconds since the log began"
_SEQ = "the row's number in the log's chain: with post and run it names the row for good"
_TEXT = pa.dictionary(pa.int32(), pa.string())  # of a file it is one text: it costs nothing

WHOSE: tuple[pa.Field, ...] = (
    pa.field("post", _TEXT, False, {"meaning": "the post's name"}),
    pa.field("run", _TEXT, False, {"meaning": "the log: its file's number and the id of its folder (42-9f3a61)"}),
    pa.field(
        "digest", _TEXT, False, {"meaning": "the digest that the log ended with when it was gathered, as `verify` has it"}
    ),
    pa.field("utc", pa.timestamp("ms"), True, {"meaning": "UTC of the row's `t`, null where nobody had said the time"}),
    pa.field("local", pa.timestamp("ms"), True, {"meaning": "the same by the clock on the wall at the post"}),
    pa.field("about", pa.bool_(), False, {"meaning": "true where UTC hangs on the post's own clock, which nobody vouches for"}),
)

AS_THE_BYTES = "as the bytes"
NOT_COMPARED = "not compared"
"""How a log's tables stood to its bytes, when they did not differ; `NOT_COMPARED` goes on with why."""


class ChangeRow(Row, kw_only=True):
    """A change of an alert."""

    table: ClassVar[str] = "changes"

    seq: Annotated[int, Meta(description=_SEQ)]
    t: Annotated[float, Meta(description=_T)]
    alert: Annotated[int, Meta(description="number of the alert in its run of the service: its changes share it")]
    change: Annotated[str, Meta(description="raised, cause, acknowledged, normal or cleared")]
    rule: Annotated[str, Meta(description="the rule")]
    cause: Annotated[str, Meta(description="the most likely cause")]
    causes: Annotated[str, Meta(description="all of them in order: JSON")]
    severity: Annotated[str, Meta(description="stop, check or note")]
    stream: Annotated[str, Meta(description="the stream it is about, or empty")]
    because_of: Annotated[str | None, Meta(description="the rule whose alert explains this one: then it made no sound")]
    shelved: Annotated[int, Meta(description="1 while a person had silenced it")]
    say: Annotated[str, Meta(description="what is wrong, in a line")]
    steps: Annotated[str, Meta(description="what to check, in order: JSON list")]
    evidence: Annotated[str, Meta(description="the figures: JSON")]


class CheckRow(Row, kw_only=True):
    """A check on a control point, passed or not: observed minus known."""

    table: ClassVar[str] = "checks"

    seq: Annotated[int, Meta(description=_SEQ)]
    t: Annotated[float, Meta(description=_T)]
    point: Annotated[str | None, Meta(description="the control point")]
    passed: Annotated[int, Meta(description="1 where it is within its limits")]
    east_m: Annotated[float | None, Meta(description="observed minus known, east")]
    north_m: Annotated[float | None, Meta(description="the same, north")]
    up_m: Annotated[float | None, Meta(description="the same, height")]
    tolerance_horizontal_m: Annotated[float | None, Meta(description="the limit in plan")]
    tolerance_vertical_m: Annotated[float | None, Meta(description="the limit in height")]
    stood_s: Annotated[float | None, Meta(description="how long the rover had stood")]
    said_by: Annotated[str | None, Meta(description="who declared it or, else, who set up that day; null where nobody said")]


class BaseRow(Row, kw_only=True):
    """A stretch in which a base said one position, and what that was judged to be: broadcast minus the project's."""

    table: ClassVar[str] = "base_coordinates"

    t: Annotated[float, Meta(description=f"{_T}: its first word")]
    to_t: Annotated[float, Meta(description="the same of its last, to ten seconds")]
    stream: Annotated[str, Meta(description="where it was said")]
    station_id: Annotated[int, Meta(description="the RTCM reference station ID")]
    x_m: Annotated[float, Meta(description="antenna reference point, earth-centred earth-fixed")]
    y_m: Annotated[float, Meta(description="the same")]
    z_m: Annotated[float, Meta(description="the same")]
    latitude: Annotated[float | None, Meta(description="degrees on GRS 80, north positive")]
    longitude: Annotated[float | None, Meta(description="degrees on GRS 80, east positive")]
    ellipsoidal_height_m: Annotated[float | None, Meta(description="above GRS 80")]
    antenna_height_m: Annotated[float | None, Meta(description="reference point above the mark, with 1006")]
    judged: Annotated[int | None, Meta(description="1 right, 0 wrong; null where this log did not judge it")] = None
    point: Annotated[str | None, Meta(description="the control point it was held against")] = None
    cause: Annotated[str | None, Meta(description="why it is wrong")] = None
    east_m: Annotated[float | None, Meta(description="broadcast minus the project's, along its own axes, east")] = None
    north_m: Annotated[float | None, Meta(description="the same, north")] = None
    up_m: Annotated[float | None, Meta(description="the same, height")] = None


class MinuteRow(Row, kw_only=True):
    """A minute of a log: positions by quality, corrections, bytes, and how the post was."""

    table: ClassVar[str] = "minutes"

    t: Annotated[float, Meta(description=f"{_T}: the minute's start")]
    positions: Annotated[int, Meta(description="positions that came")] = 0
    rtk_fixed: Annotated[int, Meta(description="of them RTK fixed")] = 0
    rtk_float: Annotated[int, Meta(description="of them RTK float")] = 0
    differential: Annotated[int, Meta(description="of them differential")] = 0
    autonomous: Annotated[int, Meta(description="of them autonomous")] = 0
    age_s: Annotated[float | None, Meta(description="mean age of the corrections")] = None
    age_most_s: Annotated[float | None, Meta(description="their greatest age")] = None
    satellites: Annotated[int | None, Meta(description="fewest satellites in use")] = None
    hdop: Annotated[float | None, Meta(description="greatest horizontal dilution of precision")] = None
    epochs: Annotated[int, Meta(description="complete sets of observations that came")] = 0
    bytes: Annotated[int, Meta(description="bytes of all streams")] = 0
    bad: Annotated[int, Meta(description="frames and sentences that failed their checksum")] = 0
    disk_free_share: Annotated[float | None, Meta(description="free share of the disk, as last said")] = None
    temperature_c: Annotated[float | None, Meta(description="of the board, as last said")] = None
    under_voltage: Annotated[int | None, Meta(description="1 where the supply sagged, as last said")] = None


class GapRow(Row, kw_only=True):
    """A stretch of two seconds or more in which nothing came, or what came was not kept."""

    table: ClassVar[str] = "gaps"

    t: Annotated[float, Meta(description=f"{_T}; under 0: before the run")]
    stream: Annotated[str, Meta(description="where")]
    seconds: Annotated[float, Meta(description="how long")]
    lost_bytes: Annotated[int | None, Meta(description="what came and could not be written")]
    why: Annotated[str, Meta(description="why")]


class HappeningRow(Row, kw_only=True):
    """What came from outside the streams, or befell the post or its log: set-ups, check-ins, what solved an alert …"""

    table: ClassVar[str] = "events"

    seq: Annotated[int, Meta(description=_SEQ)]
    t: Annotated[float, Meta(description=_T)]
    kind: Annotated[str, Meta(description="what")]
    stream: Annotated[str, Meta(description="the stream it is about, or empty")]
    input: Annotated[int, Meta(description="1: an input like the bytes, which a replay feeds again")]
    detail: Annotated[str, Meta(description="the rest: JSON object")]


class GatheredRow(Row, kw_only=True):
    """A log that was gathered."""

    table: ClassVar[str] = "logs"

    role: Annotated[str, Meta(description="base or rover")]
    begun_digest: Annotated[str, Meta(description="the digest that the file begins with")]
    first_seq: Annotated[int, Meta(description="the number of its first row in the chain")]
    last_seq: Annotated[int, Meta(description="the number of its last")]
    t: Annotated[float, Meta(description=f"{_T}: the file's first; `utc` and `local` are of it")]
    seconds: Annotated[float, Meta(description="how long it lasts")]
    closed: Annotated[int, Meta(description="1 where it was closed: nothing more comes")]
    ended: Annotated[str | None, Meta(description="how it ended")]
    zone: Annotated[str, Meta(description="the post's time zone")]
    program: Annotated[str, Meta(description="the version of the program that wrote it")]
    raw_bytes: Annotated[int, Meta(description="bytes of its streams")]
    log_bytes: Annotated[int, Meta(description="bytes of the file")]
    days: Annotated[str, Meta(description="the days that it has rows in: JSON list")]
    tables: Annotated[
        str, Meta(description=f"how its tables stood to its bytes: `{AS_THE_BYTES}`, or what was wrong with them")
    ]


PARTS: dict[str, type[Row]] = {
    "changes": ChangeRow,
    "checks": CheckRow,
    "base_coordinates": BaseRow,
    "fixes": FixRow,
    "traffic": TrafficRow,
    "minutes": MinuteRow,
    "gaps": GapRow,
    "events": HappeningRow,
}
"""What a day is made of: one file each. `fixes` and `traffic` are the log's own `fix` and `traffic`."""


def schema(kind: type[Row]) -> pa.Schema:
    """The Arrow schema of a table of the archive."""
    own = arrow.schema(kind)
    return pa.schema([*WHOSE, *own], metadata=own.metadata)
