"""The log's tables and views: what a person finds who opens the file in any SQLite browser.

`t` is seconds since the log began (the pipeline's clock), everywhere; UTC is ISO 8601 with "Z". Units are in the names.

| table | one row is |
|---|---|
| run | this file: its number, site file, versions, and the digest that the file before ended with |
| stream | one line: port, baud, what it should carry |
| raw | a block of bytes as they came (`daemon.log.blocks` draws it) |
| clock | an anchor: at `t` a receiver said `utc`; `spread_s` is by how much its words differed around then |
| fix | a position, as `rules.facts.Fix`; at a base, the same again only once in five seconds |
| station | what a base said of itself: at the first word, at each change, and every ten minutes; degrees are GRS 80 |
| traffic | ten seconds of one message (text: "1077", "GGA") from one station on one stream |
| alert | a change of an alert, as `rules.alert.Change` |
| event | what came from outside the streams (`input` = 1: replayed) or befell the log itself |

The version is SQLite's `user_version`, the mark of a log its `application_id` ("WPst").
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # sqlite-utils takes a quarter of a second to import: only what builds or migrates waits for it
    from sqlite_utils import Database

VERSION = 2
APPLICATION_ID = 0x57507374
# Overflow chains and the tails of rows waste about half a page a block: small pages keep the log, and what each
# commit writes to a flash card, small (measured; tests/bench/log.py).
PAGE_BYTES = 512

CHAINED = ("raw", "event", "alert")

_TABLES: dict[str, tuple[dict[str, type], str | None]] = {
    "run": (
        {
            "number": int,
            "name": str,
            "role": str,
            "begun_at_t": float,
            "first_n": int,
            "system_utc": str,
            "boot": str,
            "site_toml": str,
            "site_path": str,
            "program": str,
            "sqlite": str,
            "previous_file": str,
            "previous_digest": bytes,
            "digest": bytes,
        },
        "number",
    ),
    "stream": ({"name": str, "port": str, "baud": int, "carries": str}, "name"),
    "raw": (
        {
            "n": int,
            "stream": str,
            "t": float,
            "t_last": float,
            "chunks": int,
            "pause_t": float,
            "pause_s": float,
            "data": bytes,
            "times": bytes,
            "digest": bytes,
        },
        "n",
    ),
    "clock": ({"t": float, "utc": str, "source": str, "stream": str, "spread_s": float}, None),
    "fix": (
        {
            "t": float,
            "stream": str,
            "time_s": float,
            "quality": int,
            "latitude": float,
            "longitude": float,
            "height_m": float,
            "separation_m": float,
            "satellites": int,
            "hdop": float,
            "age_s": float,
            "station_id": int,
            "sigma_east_m": float,
            "sigma_north_m": float,
            "sigma_up_m": float,
        },
        None,
    ),
    "station": (
        {
            "t": float,
            "stream": str,
            "station_id": int,
            "message": str,
            "x_m": float,
            "y_m": float,
            "z_m": float,
            "antenna_height_m": float,
            "itrf_year": int,
            "antenna": str,
            "serial": str,
            "receiver": str,
            "latitude": float,
            "longitude": float,
            "ellipsoidal_height_m": float,
        },
        None,
    ),
    "traffic": (
        {
            "t": float,
            "stream": str,
            "message": str,
            "station": int,
            "frames": int,
            "bytes": int,
            "bad": int,
        },
        None,
    ),
    "alert": (
        {
            "n": int,
            "t": float,
            "place": int,
            "utc": str,
            "change": str,
            "rule": str,
            "cause": str,
            "causes": str,
            "severity": str,
            "stream": str,
            "because_of": str,
            "evidence": str,
            "say": str,
            "steps": str,
            "alert": int,
            "shelved": int,
            "digest": bytes,
        },
        "n",
    ),
    "event": (
        {
            "n": int,
            "t": float,
            "place": int,
            "kind": str,
            "stream": str,
            "input": int,
            "detail": str,
            "digest": bytes,
        },
        "n",
    ),
}

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
    or else the first one after it; null where no receiver ever said the time."""
    shifted = f"SELECT strftime('%Y-%m-%dT%H:%M:%fZ', c.utc, printf('%+.3f seconds', {t} - c.t)) FROM clock AS c"
    return f"""coalesce(
            ({shifted} WHERE c.t <= {t} ORDER BY c.t DESC LIMIT 1),
            ({shifted} WHERE c.t > {t} ORDER BY c.t LIMIT 1))"""


def utc_from(text: Any) -> dt.datetime | None:
    """The UTC that stands in a row; None where it cannot be read as one."""
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)
    except (TypeError, ValueError):
        return None


_VIEWS: dict[str, str] = {
    "alerts": f"""
        SELECT raised.alert, coalesce(raised.utc, {utc_of("raised.t")}) AS raised_utc, raised.t AS raised_t,
            raised.severity, raised.rule, raised.cause, raised.say, raised.because_of, raised.stream, raised.evidence,
            (SELECT group_concat(value, ' / ') FROM json_each(raised.steps)) AS steps,
            (SELECT min(t) FROM alert AS later WHERE later.alert = raised.alert AND later.n > raised.n
                AND later.change IN ('normal', 'cleared')) - raised.t AS lasted_s,
            (SELECT min(t) FROM alert AS later WHERE later.alert = raised.alert AND later.n > raised.n
                AND later.change = 'acknowledged') - raised.t AS acknowledged_after_s
        FROM alert AS raised WHERE raised.change = 'raised' ORDER BY raised.n""",
    "fix_minutes": f"""
        SELECT stream, quality, {_WORDS_OF_QUALITY} AS fix, round(sum(lasts_s) / 60, 2) AS minutes, count(*) AS rows
        FROM (SELECT stream, quality,
            min({_FIX_COUNTS_FOR_S}, coalesce(lead(t) OVER (PARTITION BY stream ORDER BY rowid) - t, 0)) AS lasts_s
            FROM fix)
        GROUP BY stream, quality ORDER BY stream, minutes DESC""",
    "base_coordinates": f"""
        SELECT *, {utc_of("first_t")} AS first_utc, {utc_of("last_t")} AS last_utc FROM (
            SELECT stream, station_id, round(latitude, 9) AS latitude, round(longitude, 9) AS longitude,
                round(ellipsoidal_height_m, 4) AS ellipsoidal_height_m, x_m, y_m, z_m, antenna_height_m, min(t) AS first_t,
                max(t) AS last_t
            FROM station WHERE x_m IS NOT NULL
            GROUP BY stream, station_id, x_m, y_m, z_m, antenna_height_m) ORDER BY first_t""",
    "gaps": f"""
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
            FROM event WHERE kind = 'gap') AS gap
        ORDER BY gap.t, stream""",
    "traffic_by_message": """
        SELECT stream, message, station, sum(frames) AS frames, sum(bytes) AS bytes, sum(bad) AS bad,
            min(t) AS first_t, max(t) + 10 AS last_t
        FROM traffic GROUP BY stream, message, station ORDER BY stream, bytes DESC""",
}


def build(connection: sqlite3.Connection, run: dict[str, Any], streams: list[dict[str, Any]]) -> None:
    """Make an empty database a log of this version, in one transaction, with its row of `run` and its streams."""
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode = WAL")
    db = _database(connection)
    with db.atomic():
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        for name, (columns, key) in _TABLES.items():
            db.table(name).create(columns, pk=key)
        for name, sql in _VIEWS.items():
            db.create_view(name, sql)
        db.table("run").insert(run)
        db.table("stream").insert_all(streams, ignore=True)
        connection.execute(f"PRAGMA user_version = {VERSION}")


def version(connection: sqlite3.Connection) -> int | None:
    """The version of the log that `connection` has open; None where the database is no log."""
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (number,) = connection.execute("PRAGMA user_version").fetchone()
    return number if mark == APPLICATION_ID and number > 0 else None


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a log of an older version up to this one, in one transaction. What the digests cover stays as it is."""
    db = _database(connection)
    with db.atomic():
        for number, step in _STEPS:
            if (version(connection) or 0) < number:
                step(db)
        for name, sql in _VIEWS.items():
            db.create_view(name, sql, replace=True)
        connection.execute(f"PRAGMA user_version = {VERSION}")


def columns(table: str) -> list[str]:
    """The names of a table's columns, in order."""
    return list(_TABLES[table][0])


def insert(table: str) -> str:
    """The statement that inserts a row of `table`."""
    names = columns(table)
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


def select(table: str) -> str:
    """The statement that reads a table with its columns in the order of `columns`: migrated logs may hold another."""
    return f"SELECT {', '.join(columns(table))} FROM {table}"


def _geodetic_stations(db: Database) -> None:
    """Version 2: base coordinates in degrees, since nobody recognises a place by its geocentric metres."""
    from witnesspost.rules.coordinates import Ecef
    from witnesspost.rules.datum.geodesy import to_geodetic

    table = db.table("station")
    names = ("latitude", "longitude", "ellipsoidal_height_m")
    for name in names:
        table.add_column(name, float)
    for key, *metres in db.conn.execute("SELECT rowid, x_m, y_m, z_m FROM station WHERE x_m IS NOT NULL").fetchall():
        table.update(key, dict(zip(names, to_geodetic(Ecef(*metres)), strict=True)))


_STEPS: list[tuple[int, Callable[[Database], None]]] = [(2, _geodetic_stations)]


def _database(connection: sqlite3.Connection) -> Database:
    from sqlite_utils import Database

    return Database(connection, execute_plugins=False)
