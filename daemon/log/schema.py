"""The log as a SQLite file: how it is begun, and the views that answer a person's first questions.

The tables are the structs of `daemon.log.rows`. The version is SQLite's `user_version`, the mark of a log its
`application_id` ("WPst").
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec
from witnesspost.daemon.log.rows import TABLES, RunRow, StreamRow, columns

if TYPE_CHECKING:  # sqlite-utils takes a quarter of a second to import: only what builds a log waits for it
    from sqlite_utils import Database

VERSION = 3
APPLICATION_ID = 0x57507374
# Overflow chains and the tails of rows waste about half a page a block: small pages keep the log, and what each
# commit writes to a flash card, small (measured; tests/bench/log.py).
PAGE_BYTES = 1024

# The log's last `t`. Each commit goes on in time from the one before, and holds no more than a block a stream: its last
# rows tell, and a start after a crash need not read the whole file.
LAST_T = """SELECT max(t) FROM (SELECT t FROM (SELECT t_last AS t FROM raw ORDER BY n DESC LIMIT 64)
    UNION ALL SELECT t FROM (SELECT t FROM event ORDER BY n DESC LIMIT 1)
    UNION ALL SELECT t FROM (SELECT t FROM alert ORDER BY n DESC LIMIT 1))"""

_WORDS_OF_QUALITY = """CASE quality WHEN 0 THEN 'no position' WHEN 1 THEN 'autonomous' WHEN 2 THEN 'differential'
    WHEN 4 THEN 'RTK fixed' WHEN 5 THEN 'RTK float' WHEN 6 THEN 'estimated' WHEN 7 THEN 'manual'
    WHEN 8 THEN 'simulator' ELSE 'not a fix' END"""

_FIX_COUNTS_FOR_S = 5  # a fix says nothing of the time after it once this much has passed without another


def utc_of(t: str) -> str:
    """SQL for the UTC of `t`, a column with its table (a bare `t` would be the anchor's own): by the last anchor before it
    or else the first one after it; null where no receiver ever said the time. Anchors are written in the order of `t`: by their
    rowid none is sorted, which for each of a day's 86,400 fixes took two minutes."""
    shifted = f"SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', {t} - c.t)) FROM clock AS c"
    return f"""coalesce(
            ({shifted} WHERE c.t <= {t} ORDER BY c.rowid DESC LIMIT 1),
            ({shifted} WHERE c.t > {t} ORDER BY c.rowid LIMIT 1))"""


def utc_from(text: Any) -> dt.datetime | None:
    """The UTC that stands in a row; None where it cannot be read as one."""
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
    except (TypeError, ValueError):
        return None


_POWERS = [
    (i, j) for i in range(4) for j in range(4) if i + j <= 3
]  # of a cubic in two unknowns, as `rules.datum.axes` fits it
_AXES = (
    "SELECT "
    + ", ".join(
        f"json_extract(detail, '$.{name}') AS {name}"
        for name in ("latitude_0", "longitude_0", "reach_latitude", "reach_longitude", "pole_m", "unit_m", "error_m")
    )
    + "".join(f", json_extract(detail, '$.{what}{i}{j}') AS {what}{i}{j}" for what in "ens" for i, j in _POWERS)
    + " FROM event WHERE kind = 'project-axes' ORDER BY event.n LIMIT 1"  # LIMIT: read once, not with each row
)
_DIGITS = "iif(abs(e00) > 360.0, 4, 10)"  # of a grid's metres or feet; of degrees
_INSIDE = "abs(fix.latitude - latitude_0) <= reach_latitude AND abs(fix.longitude - longitude_0) <= reach_longitude"


def _polynomial(what: str) -> str:
    """SQL of a cubic in `u` and `w`."""
    return " + ".join(" * ".join([f"{what}{i}{j}", *["u"] * i, *["w"] * j]) for i, j in _POWERS)


class View(NamedTuple):
    """A view: what one row of it is, and its SQL."""

    row: str
    sql: str


VIEWS: dict[str, View] = {
    "alerts": View(
        "a raising of an alert (one nobody has seen keeps its number when it comes again): when it began and why, how grave "
        "it became, whether another rule explained it to the end, how long it lasted, after how long somebody had seen it",
        f"""
        WITH told AS (
            SELECT n, t, alert, change, count(*) FILTER (WHERE change IN ('normal', 'cleared')) OVER (
                PARTITION BY alert ORDER BY n ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS ended_before
            FROM alert
        ), raising AS (
            SELECT min(n) FILTER (WHERE change = 'raised') AS first_n, max(n) FILTER (WHERE change = 'raised') AS last_n,
                min(t) FILTER (WHERE change IN ('normal', 'cleared')) AS ended_t,
                min(t) FILTER (WHERE change = 'acknowledged') AS acknowledged_t
            FROM told GROUP BY alert, ended_before
        )
        SELECT raised.alert, coalesce(raised.utc, {utc_of("raised.t")}) AS raised_utc, raised.t AS raised_t,
            again.severity, raised.rule, raised.cause, raised.say, again.because_of, raised.stream, raised.evidence,
            (SELECT group_concat(value, ' / ') FROM json_each(raised.steps)) AS steps,
            ended_t - raised.t AS lasted_s, acknowledged_t - raised.t AS acknowledged_after_s
        FROM raising JOIN alert AS raised ON raised.n = first_n JOIN alert AS again ON again.n = last_n ORDER BY raised.n""",
    ),
    "fix_minutes": View(
        "a quality of fix on a stream, and for how many minutes it was had",
        f"""
        SELECT stream, quality, {_WORDS_OF_QUALITY} AS fix, round(sum(lasts_s) / 60, 2) AS minutes, count(*) AS rows
        FROM (SELECT stream, quality,
            min({_FIX_COUNTS_FOR_S}, coalesce(lead(t) OVER (PARTITION BY stream ORDER BY rowid) - t, 0)) AS lasts_s
            FROM fix)
        GROUP BY stream, quality ORDER BY stream, minutes DESC""",
    ),
    "base_coordinates": View(
        "a stretch in which a base said one position, from its first word at `from_t` to its last at `to_t` (to ten seconds); "
        "a position that comes back is a new stretch, and those of one station never overlap",
        f"""
        WITH said AS (
            SELECT rowid, *, lag(x_m) OVER before IS NOT x_m OR lag(y_m) OVER before IS NOT y_m
                OR lag(z_m) OVER before IS NOT z_m OR lag(antenna_height_m) OVER before IS NOT antenna_height_m AS other
            FROM station WHERE x_m IS NOT NULL
            WINDOW before AS (PARTITION BY stream, station_id ORDER BY t, rowid)
        ), spans AS (
            SELECT stream, station_id, round(latitude, 9) AS latitude, round(longitude, 9) AS longitude,
                round(ellipsoidal_height_m, 4) AS ellipsoidal_height_m, x_m, y_m, z_m, antenna_height_m,
                min(t) AS from_t, max(t) AS last_t,
                lead(min(t)) OVER (PARTITION BY stream, station_id ORDER BY number) AS until_t
            FROM (SELECT *, sum(other) OVER (PARTITION BY stream, station_id ORDER BY t, rowid) AS number FROM said)
            GROUP BY stream, station_id, number
        ), heard AS MATERIALIZED (
            SELECT stream, station, t FROM traffic WHERE message IN ('1005', '1006')
        ), ended AS MATERIALIZED (
            SELECT spans.*, max(last_t, coalesce((SELECT min(max(heard.t) + 10, coalesce(until_t, max(heard.t) + 10)) FROM heard
                WHERE heard.stream = spans.stream AND heard.t >= last_t - 10 AND (until_t IS NULL OR heard.t < until_t)
                    AND (heard.station = spans.station_id OR heard.station IS NULL)), last_t)) AS to_t
            FROM spans
        )
        SELECT stream, station_id, latitude, longitude, ellipsoidal_height_m, x_m, y_m, z_m, antenna_height_m, from_t, to_t,
            {utc_of("from_t")} AS from_utc, {utc_of("to_t")} AS to_utc
        FROM ended ORDER BY from_t, stream, station_id""",
    ),
    "offsets": View(
        "a position of one of the project's bases as it was judged: broadcast minus the sheet, metres along the project's own "
        "axes (a grid's, or east, north and up), why, and the words of its alert",
        f"""
        SELECT event.t AS from_t, span.to_t, {utc_of("event.t")} AS from_utc, span.to_utc,
            json_extract(detail, '$.station_id') AS station_id, json_extract(detail, '$.point') AS point,
            json_extract(detail, '$.passed') AS passed, json_extract(detail, '$.project_east_m') AS east_m,
            json_extract(detail, '$.project_north_m') AS north_m, json_extract(detail, '$.project_up_m') AS up_m,
            json_extract(detail, '$.tolerance_horizontal_m') AS tolerance_horizontal_m,
            json_extract(detail, '$.tolerance_vertical_m') AS tolerance_vertical_m,
            json_extract(detail, '$.cause') AS cause,
            (SELECT say FROM alert WHERE alert.t >= event.t AND alert.t < event.t + 1 AND json_extract(detail, '$.passed') = 0
                AND rule = 'base-datum' AND change IN ('raised', 'cause') ORDER BY alert.n LIMIT 1) AS say
        FROM event LEFT JOIN base_coordinates AS span ON span.station_id = json_extract(detail, '$.station_id')
            AND span.x_m = json_extract(detail, '$.x_m') AND span.y_m = json_extract(detail, '$.y_m')
            AND span.z_m = json_extract(detail, '$.z_m') AND event.t BETWEEN span.from_t - 1 AND span.to_t + 1
        WHERE kind = 'base-check' ORDER BY event.n""",
    ),
    "gaps": View(
        "a stretch of two seconds or more in which nothing came, or what came was not kept; `t` under 0: before the run",
        f"""
        SELECT stream, gap.t, {utc_of("gap.t")} AS utc, seconds, lost_bytes, why FROM (
            SELECT stream, pause_t AS t, pause_s AS seconds, NULL AS lost_bytes, 'nothing came' AS why
            FROM raw WHERE pause_s IS NOT NULL
            UNION ALL
            SELECT stream.name, coalesce(heard.t, run.begun_at_t), ended.t - coalesce(heard.t, run.begun_at_t), NULL,
                CASE WHEN heard.t IS NULL THEN 'nothing ever came' ELSE 'nothing came up to the end' END
            FROM run, stream
            LEFT JOIN (SELECT stream, max(t_last) AS t FROM raw GROUP BY stream) AS heard ON heard.stream = stream.name
            JOIN (SELECT max(t) AS t FROM (SELECT max(t_last) AS t FROM raw UNION ALL SELECT max(t) FROM event
                UNION ALL SELECT max(t) FROM alert)) AS ended
            WHERE ended.t - coalesce(heard.t, run.begun_at_t) >= 2
            UNION ALL
            SELECT stream, t, json_extract(detail, '$.until_t') - t, json_extract(detail, '$.bytes'),
                'could not be written: ' || json_extract(detail, '$.why')
            FROM event WHERE kind = 'gap'
            UNION ALL
            SELECT stream.name, run.begun_at_t - json_extract(detail, '$.seconds'), json_extract(detail, '$.seconds'), NULL,
                'not watched: ' || json_extract(detail, '$.why')
            FROM run, stream JOIN event ON event.kind = 'not-watched') AS gap
        ORDER BY gap.t, stream""",
    ),
    "checks": View(
        "a check on a control point: when, which, passed or not, observed minus known, and the limits",
        f"""
        SELECT event.t, {utc_of("event.t")} AS utc, json_extract(detail, '$.point') AS point,
            json_extract(detail, '$.passed') AS passed, json_extract(detail, '$.east_m') AS east_m,
            json_extract(detail, '$.north_m') AS north_m, json_extract(detail, '$.up_m') AS up_m,
            json_extract(detail, '$.tolerance_horizontal_m') AS tolerance_horizontal_m,
            json_extract(detail, '$.tolerance_vertical_m') AS tolerance_vertical_m,
            json_extract(detail, '$.stood_s') AS stood_s
        FROM event WHERE kind = 'control-check' ORDER BY event.n""",
    ),
    "fixes_in_project": View(
        "a position as the project counts it, at the pole's foot: a grid's easting and northing, or degrees, and height, in "
        "the project's units, to `error_m`; null beyond the project's own ground",
        f"""
        SELECT placed.t, {utc_of("placed.t")} AS utc, stream, quality,
            round({_polynomial("e")}, {_DIGITS}) AS easting, round({_polynomial("n")}, {_DIGITS}) AS northing,
            latitude, longitude,
            round((height_m + coalesce(separation_m, 0) - pole_m) / unit_m - ({_polynomial("s")}), 4) AS height,
            age_s, station_id, iif(u IS NULL, NULL, error_m) AS error_m, row
        FROM (SELECT fix.*, axes.*, fix.rowid AS row,
                iif({_INSIDE}, (fix.latitude - latitude_0) / reach_latitude, NULL) AS u,
                iif({_INSIDE}, (fix.longitude - longitude_0) / reach_longitude, NULL) AS w
            FROM fix LEFT JOIN ({_AXES}) AS axes ON true) AS placed""",
    ),
    "points_window": View(
        "a stretch in which no points should have been stored, by a stop alert: why, the last check that passed before it, and "
        "the first one after it",
        f"""
        SELECT from_t, to_t, {utc_of("from_t")} AS from_utc, {utc_of("to_t")} AS to_utc, rule, cause, say,
            (SELECT {utc_of("checks.t")} FROM event AS checks WHERE checks.kind = 'control-check' AND checks.t < from_t
                AND json_extract(checks.detail, '$.passed') = 1 ORDER BY checks.n DESC LIMIT 1) AS checked_before_utc,
            (SELECT {utc_of("checks.t")} FROM event AS checks WHERE checks.kind = 'control-check' AND checks.t > to_t
                AND json_extract(checks.detail, '$.passed') = 1 ORDER BY checks.n LIMIT 1) AS checked_after_utc
        FROM (SELECT raised.n, raised.t AS from_t, rule, cause, say, coalesce(
                (SELECT min(t) FROM alert AS later WHERE later.alert = raised.alert AND later.n > raised.n
                    AND later.change IN ('normal', 'cleared')), ({LAST_T})) AS to_t
            FROM alert AS raised WHERE change = 'raised' AND severity = 'stop' AND because_of IS NULL)
        ORDER BY n""",
    ),
    "traffic_by_message": View(
        "a message of a station on a stream over the whole file",
        """
        SELECT stream, message, station, sum(frames) AS frames, sum(bytes) AS bytes, sum(bad) AS bad,
            min(t) AS from_t, max(t) + 10 AS to_t
        FROM traffic GROUP BY stream, message, station ORDER BY stream, bytes DESC""",
    ),
}


def build(connection: sqlite3.Connection, run: RunRow, streams: list[StreamRow]) -> None:
    """Make an empty database a log of this version, in one transaction, with its row of `run` and its streams."""
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode = WAL")
    db = _database(connection)
    with db.atomic():
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        for table in TABLES:
            db.table(table.table).create({column.name: column.type for column in columns(table)}, pk=table.key)
        for name, view in VIEWS.items():
            db.create_view(name, view.sql)
        db.table(RunRow.table).insert(msgspec.structs.asdict(run))
        db.table(StreamRow.table).insert_all(map(msgspec.structs.asdict, streams), ignore=True)
        connection.execute(f"PRAGMA user_version = {VERSION}")


def version(connection: sqlite3.Connection) -> int | None:
    """The version of the log that `connection` has open; None where the database is not a log."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (number,) = connection.execute("PRAGMA user_version").fetchone()
    return number if mark == APPLICATION_ID and number > 0 else None


def _database(connection: sqlite3.Connection) -> Database:
    from sqlite_utils import Database

    return Database(connection, execute_plugins=False)
