"""The tables and views: what a person with a SQLite browser finds, and logs of other versions."""

import datetime as dt
import sqlite3
from pathlib import Path

import pytest
import sqlite_utils
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import NewerLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.alert import Change
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.rule import Cause
from witnesspost.rules.facts import Antenna, Fix, Station, Traffic, Utc
from witnesspost.rules.site.model import site_from_toml

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
[[stream]]
name = "receiver"
port = "loop://receiver"
carries = ["positions"]
"""
BEGAN = dt.datetime(2026, 5, 4, 7, 30, tzinfo=dt.UTC)
VERSION_1 = Path(__file__).with_name("data") / "log-version-1.sql"


def change(t, what, alert=1, **more):
    values = {
        "t": t,
        "utc": None,
        "change": what,
        "rule": "corrections-stopped",
        "cause": "line-silent",
        "causes": [Cause(cause="line-silent"), Cause(cause="out-of-range")],
        "severity": "stop",
        "stream": "corrections",
        "because_of": None,
        "evidence": {"silent_s": 5.0},
        "words": {},
        "post": "kestrel-base",
        "role": "base",
        "alert": alert,
    }
    return Change(**{**values, **more})


def fix(t, quality, satellites=14):
    return Fix(
        t=t,
        stream="receiver",
        time_s=27000.0 + t,
        quality=quality,
        latitude=39.1234567,
        longitude=-104.9876543,
        height_m=1874.322,
        separation_m=-17.1,
        satellites=satellites,
        hdop=0.7,
        age_s=1.0,
        station_id=417,
    )


@pytest.fixture
def log(tmp_path):
    """Two minutes of a base whose corrections stop at 60 s, come back at 90 s and stop for good at 100 s."""
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    for second in range(120):
        t = float(second)
        if second < 60 or 90 <= second < 100:
            log.chunk(t, "corrections", b"\xd3" * 100)
            log.fact(
                Traffic(
                    t=t,
                    stream="corrections",
                    frame_bytes=90,
                    bad_frame_bytes=10,
                    frames=2,
                    bad_frames=1,
                    frames_by_station={417: 2},
                    by_message={"1077": (1, 60), "1087": (1, 30)},
                )
            )
        if second >= 20:
            log.fact(Utc(t=t, stream="receiver", utc=BEGAN + dt.timedelta(seconds=second - 0.1), source="ZDA"))
        log.chunk(t, "receiver", b"$")
        log.fact(fix(t, 4 if second < 62 else 5, satellites=10 + second % 3))
        if second in (1, 2, 70):
            metres = (-1280907.7, -4787123.4, 4003204.1 + (second == 70))
            log.fact(station(t, metres))
        if second == 66:
            log.change(change(t, "raised"))
        if second == 80:
            log.change(change(t, "acknowledged"))
        if second == 91:
            log.change(change(t, "cleared"))
        log.tick(t)
    log.close(120.0, "stopped")
    connection = sqlite3.connect(tmp_path / "kestrel-base.0001.db")
    connection.row_factory = sqlite3.Row
    yield connection
    connection.close()


def station(t, metres):
    x, y, z = metres
    return Station(
        t=t, stream="corrections", station_id=417, message=1005, x_m=x, y_m=y, z_m=z, antenna_height_m=None, itrf_year=0
    )


def rows(log, sql):
    return [tuple(row) for row in log.execute(sql)]


def test_alerts_say_when_why_and_what_to_do(log):
    assert rows(log, "SELECT raised_utc, rule, cause, say, steps, lasted_s, acknowledged_after_s FROM alerts") == [
        (
            "2026-05-04T07:31:05.900Z",
            "corrections-stopped",
            "line-silent",
            "No corrections for 5.0 s: not one byte on corrections.",
            " / ".join(words(change(1.0, "raised")).steps),
            25.0,
            14.0,
        )
    ]


def test_minutes_of_each_quality_count_a_fix_until_the_next(log):
    assert rows(log, "SELECT stream, fix, minutes, rows FROM fix_minutes") == [
        ("receiver", "RTK fixed", 1.03, 62),
        ("receiver", "RTK float", 0.95, 58),  # the last one says nothing of the time after it
    ]


def test_gaps_are_pauses_in_and_between_blocks_and_the_silence_at_the_end(log):
    assert rows(log, "SELECT stream, t, utc, seconds, lost_bytes, why FROM gaps") == [
        ("corrections", 59.0, "2026-05-04T07:30:58.900Z", 31.0, None, "nothing came"),
        ("corrections", 99.0, "2026-05-04T07:31:38.900Z", 21.0, None, "nothing came up to the end"),
    ]


def test_traffic_adds_up_to_every_byte_of_the_stream(log):
    assert rows(log, "SELECT stream, message, station, frames, bytes, bad, first_t, last_t FROM traffic_by_message") == [
        ("corrections", "1077", 417, 70, 4200, 0, 0.0, 100.0),
        ("corrections", "1087", 417, 70, 2100, 0, 0.0, 100.0),
        ("corrections", "bad frame", None, 0, 700, 70, 0.0, 100.0),
    ]


def test_base_coordinates_are_heard_once_each_with_their_time(log):
    found = rows(log, "SELECT station_id, x_m, z_m, first_t, last_t, first_utc FROM base_coordinates")
    assert found == [
        (417, -1280907.7, 4003204.1, 1.0, 1.0, "2026-05-04T07:30:00.900Z"),  # before the first anchor: shifted back
        (417, -1280907.7, 4003205.1, 70.0, 70.0, "2026-05-04T07:31:09.900Z"),
    ]
    ((latitude, longitude, height_m),) = rows(
        log, "SELECT latitude, longitude, ellipsoidal_height_m FROM base_coordinates LIMIT 1"
    )
    # by the closed formulas of IOGP 373-7-2 (method 9602) on GRS 80, computed apart
    assert (latitude, longitude) == pytest.approx((39.120399568, -104.979918228), abs=1e-9)
    assert height_m == pytest.approx(805.6315, abs=1e-3)


def test_an_antenna_word_stands_beside_the_position(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    for t in (1.0, 2.0, 700.0):
        log.fact(Antenna(t=t, stream="corrections", station_id=417, message=1033, descriptor="KEST-3 NONE", serial="7"))
    log.close(701.0, "stopped")
    with sqlite3.connect(tmp_path / "kestrel-base.0001.db") as connection:
        assert connection.execute("SELECT t, message, antenna, serial, x_m FROM station").fetchall() == [
            (1.0, "1033", "KEST-3 NONE", "7", None),
            (700.0, "1033", "KEST-3 NONE", "7", None),
        ]
    connection.close()


def test_where_no_receiver_said_the_time_utc_is_null(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    log.change(change(1.0, "raised"))
    log.close(2.0, "stopped")
    with sqlite3.connect(tmp_path / "kestrel-base.0001.db") as connection:
        assert connection.execute("SELECT raised_utc, raised_t FROM alerts").fetchall() == [(None, 1.0)]
    connection.close()


def test_the_contract_holds_in_any_sqlite_tool(log):
    tables = {name: [column.name for column in sqlite_utils.Database(log)[name].columns] for name in schema.CHAINED}
    blobs = [row["name"] for row in log.execute("SELECT name FROM pragma_table_info('raw') WHERE type = 'BLOB'")]
    assert blobs[0] == "data"
    assert {"n", "t", "digest"} <= set.intersection(*map(set, tables.values()))
    assert {"frames", "bytes", "bad", "message", "station", "stream", "t"} == set(schema.columns("traffic"))
    assert log.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert log.execute("PRAGMA user_version").fetchone()[0] == schema.VERSION


@pytest.fixture
def version_1(tmp_path):
    """A log as version 1 wrote it."""
    path = tmp_path / "kestrel-base.0001.db"
    connection = sqlite3.connect(path)
    connection.executescript(VERSION_1.read_text())
    connection.close()
    return path


def test_a_log_of_version_1_is_read_and_left_as_it_is(version_1):
    before = version_1.read_bytes()
    with LogFile.open(version_1) as log:
        assert log.version == 1
        assert [change.rule for change in log.changes()] == ["corrections-stopped"]
        assert len(list(log.inputs())) == 49
        assert b"".join(what for _, stream, what in log.inputs() if stream == "corrections") == b"".join(
            b"\xd3\x00\x02" + bytes([number]) * 5 for number in range(24)
        )
        assert log.verify().sound
        copy = log._copy
    assert version_1.read_bytes() == before
    assert list(version_1.parent.iterdir()) == [version_1]
    assert not copy.exists()


def test_a_migrated_log_has_every_table_column_and_view_of_a_new_one(version_1, tmp_path):
    old = sqlite3.connect(version_1, isolation_level=None)
    schema.migrate(old)
    new = sqlite3.connect(tmp_path / "new.db", isolation_level=None)
    schema.build(new, {"number": 1}, [])

    def shape(connection):
        db = sqlite_utils.Database(connection)
        return {
            **{table.name: sorted((c.name, c.type) for c in table.columns) for table in db.tables},
            **{view.name: view.schema for view in db.views},
        }

    assert shape(old) == shape(new)
    assert schema.version(old) == schema.VERSION
    assert old.execute("SELECT round(latitude, 6), round(longitude, 6) FROM station").fetchall() == [(39.1204, -104.979918)]
    old.close()
    new.close()


def test_an_unclosed_log_of_version_1_is_ended_by_the_next_start(version_1):
    connection = sqlite3.connect(version_1)
    connection.execute("DELETE FROM event WHERE kind = 'log-closed'")
    connection.commit()
    connection.close()
    ending = Folder(version_1.parent, "kestrel-base").end_last()
    assert ending.how == "the power was cut, or the machine reset"
    with LogFile.open(version_1) as log:
        assert log.version == schema.VERSION
        assert log.ended() == ending.how
        assert log.verify().sound


def test_a_newer_log_is_refused_with_what_would_do(version_1):
    connection = sqlite3.connect(version_1)
    connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    connection.close()
    with pytest.raises(NewerLog, match=r"newer version \(log version 3, this program reads up to 2\); install"):
        LogFile.open(version_1)
