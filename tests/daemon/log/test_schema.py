"""The tables and views: what a person with a SQLite browser finds, and logs of other versions."""

import contextlib
import datetime as dt
import json
import sqlite3
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from pyproj import Transformer
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import NewerLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import TABLES, ClockRow, EventRow, RowError, StationRow, columns, read
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.commands.replay import replay
from witnesspost.replay.world.rtcm import frame
from witnesspost.replay.world.rtcm import station as rtcm_station
from witnesspost.rules.alert import Change
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.rule import Cause
from witnesspost.rules.facts import Acknowledge, Antenna, Fix, Station, Traffic, Utc
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import BEGAN, SITE

DATA = Path(__file__).with_name("data")


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
            words(change(1.0, "raised")).say,
            " / ".join(words(change(1.0, "raised")).steps),
            25.0,
            14.0,
        )
    ]


def test_each_raising_is_one_row_however_grave_it_became(tmp_path):
    """From its raising to its end, under one number: one that nobody has seen keeps it when it comes again."""
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    for t, what, more in (
        (1.0, "raised", {"severity": "check", "because_of": "corrections-stopped"}),
        (4.0, "raised", {"severity": "check"}),
        (6.0, "raised", {}),
        (9.0, "normal", {}),
        (12.0, "raised", {"cause": "autonomous", "because_of": "corrections-stopped"}),
        (20.0, "acknowledged", {}),
        (31.0, "cleared", {}),
    ):
        log.change(change(t, what, rule="fix-lost", **{"cause": "float", **more}))
    for t, what in ((40.0, "raised"), (41.0, "normal"), (42.0, "raised"), (43.0, "normal"), (50.0, "cleared")):
        log.change(change(t, what, alert=2))
    log.change(change(60.0, "raised", alert=3))
    log.close(61.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection:
        sql = "SELECT alert, raised_t, severity, cause, because_of, lasted_s, acknowledged_after_s FROM alerts"
        assert rows(connection, sql) == [
            (1, 1.0, "stop", "float", None, 8.0, None),
            (1, 12.0, "stop", "autonomous", "corrections-stopped", 19.0, 8.0),
            (2, 40.0, "stop", "line-silent", None, 1.0, None),
            (2, 42.0, "stop", "line-silent", None, 1.0, None),
            (3, 60.0, "stop", "line-silent", None, None, None),
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


@pytest.mark.parametrize("view", ["fixes_in_project", "gaps", "checks"])
def test_the_utc_of_a_row_sorts_no_anchors(log, view):
    """With a sort in it, each of a day's 86,400 fixes took over a millisecond."""
    query = f"EXPLAIN QUERY PLAN SELECT utc FROM {view}"
    steps = [(number, within, what) for number, within, _, what in rows(log, query)]
    by_anchor = {number for number, _, what in steps if "SCALAR SUBQUERY" in what}
    assert by_anchor
    assert [what for _, within, what in steps if within in by_anchor and "TEMP B-TREE" in what] == []


def test_traffic_adds_up_to_every_byte_of_the_stream(log):
    assert rows(log, "SELECT stream, message, station, frames, bytes, bad, from_t, to_t FROM traffic_by_message") == [
        ("corrections", "1077", 417, 70, 4200, 0, 0.0, 100.0),
        ("corrections", "1087", 417, 70, 2100, 0, 0.0, 100.0),
        ("corrections", "bad frame", None, 0, 700, 70, 0.0, 100.0),
    ]


def test_base_coordinates_are_heard_once_each_with_their_time(log):
    found = rows(log, "SELECT station_id, x_m, z_m, from_t, to_t, from_utc FROM base_coordinates")
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


def test_a_base_coordinate_that_comes_back_is_a_new_span_and_spans_of_a_station_never_overlap(tmp_path):
    """One, another, the first again, with a silence in the middle; a second station speaks all the while."""
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    one, two, foreign = (
        (-1280907.7, -4787123.4, 4003204.1),
        (-1280907.7, -4787123.4, 4003205.1),
        (-1280000.0, -4787000.0, 4003000.0),
    )
    for t in range(0, 3000, 10):
        said = one if t < 1000 else two if t < 1500 else None if t < 2000 else one
        if said is not None:
            log.fact(station(float(t), said))
            log.fact(
                Traffic(t=float(t), stream="corrections", frames=1, frames_by_station={417: 1}, by_message={"1005": (1, 25)})
            )
        log.fact(msgspec.structs.replace(station(float(t), foreign), station_id=901))
        log.tick(float(t))
    log.close(3000.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        found = connection.execute("SELECT z_m, from_t, to_t FROM base_coordinates WHERE station_id = 417").fetchall()
        assert found == [(one[2], 0.0, 1000.0), (two[2], 1000.0, 1500.0), (one[2], 2000.0, 3000.0)]
        on_air = "SELECT z_m FROM base_coordinates WHERE station_id = 417 AND ? >= from_t AND ? < to_t"
        for t, z in ((999.0, one[2]), (1000.0, two[2]), (1490.0, two[2]), (2000.0, one[2]), (2995.0, one[2])):
            assert connection.execute(on_air, (t, t)).fetchall() == [(z,)]
        assert connection.execute(on_air, (1800.0, 1800.0)).fetchall() == []
        assert connection.execute("SELECT count(*) FROM base_coordinates WHERE station_id = 901").fetchall() == [(1,)]


def project_site(frame, place, role="base", pole_m=0.0):
    return f"""{SITE.replace('role = "base"', f'role = "{role}"')}
[project]
frame = "{frame}"
vertical = "ellipsoidal"
[[project.control]]
name = "KQ-1"
{place}
height = 1857.0
[base]
occupies = "KQ-1"
antenna_height_m = 1.843
[rover]
pole_height_m = {pole_m}
"""


def test_offsets_are_in_the_projects_own_axes_with_cause_span_and_words(tmp_path):
    """A base that is right, then 24.8 m low, then 0.30 m along the grid's north: by PROJ's own operations."""
    text = project_site("EPSG:6342", "easting = 501066.3\nnorthing = 4330393.2")
    to_geographic = Transformer.from_crs("EPSG:6342", "EPSG:6318", always_xy=True)
    to_ecef = Transformer.from_crs("EPSG:6319", "EPSG:6317", always_xy=True)

    def arp(north_m=0.0, up_m=0.0):
        longitude, latitude = to_geographic.transform(501066.3, 4330393.2 + north_m)
        return to_ecef.transform(longitude, latitude, 1857.0 + 1.843 + up_m)

    site = site_from_toml(text)
    log = Log.start(tmp_path, site, text)
    pipeline = Pipeline(site, log)
    for t in range(0, 300, 10):
        metres = arp() if t < 100 else arp(up_m=-24.8) if t < 200 else arp(north_m=0.30)
        pipeline.feed(float(t), "corrections", frame(rtcm_station(417, *metres)))
    pipeline.tick(300.0)
    pipeline.end()
    log.close(300.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        sql = "SELECT from_t, to_t, station_id, point, passed, east_m, north_m, up_m, cause IS NULL, say FROM offsets"
        found = connection.execute(sql).fetchall()
        assert [row[:5] for row in found] == [
            (0.0, 100.0, 417, "KQ-1", 1),
            (100.0, 200.0, 417, "KQ-1", 0),
            (200.0, 300.0, 417, "KQ-1", 0),
        ]
        for row, expected in zip(found, [(0, 0, 0), (0, 0, -24.8), (0, 0.30, 0)], strict=True):
            assert row[5:8] == pytest.approx(expected, abs=2e-4)  # 1005 counts tenths of a millimetre
        assert [row[8] for row in found] == [1, 0, 0]
        assert found[0][9] is None
        assert "24.8 m low" in found[1][9]


def test_fixes_in_project_are_the_poles_foot_by_proj(tmp_path):
    text = project_site("EPSG:6342", "easting = 501066.3\nnorthing = 4330393.2", role="rover", pole_m=2.0)
    log = Log.start(tmp_path, site_from_toml(text), text)
    log.fact(fix(1.0, 4))
    log.fact(msgspec.structs.replace(fix(2.0, 4), latitude=39.15, longitude=-104.93))
    log.fact(msgspec.structs.replace(fix(3.0, 4), latitude=41.0))  # in another county
    log.close(4.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        found = connection.execute("SELECT t, easting, northing, height, error_m FROM fixes_in_project").fetchall()
        assert found.pop() == (3.0, None, None, None, None)
        to_grid = Transformer.from_crs("EPSG:6318", "EPSG:6342", always_xy=True)
        for row, place in zip(found, [(-104.9876543, 39.1234567), (-104.93, 39.15)], strict=True):
            assert row[1:3] == pytest.approx(to_grid.transform(*place), abs=1e-4)
            assert row[3] == pytest.approx(1874.322 - 17.1 - 2.0, abs=1e-9)  # antenna above the ellipsoid, less the pole
            assert row[4] < 1e-4


def test_points_windows_are_roots_of_stop_alerts_between_the_checks_around_them(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    log.fact(Utc(t=0.0, stream="receiver", utc=BEGAN, source="ZDA"))
    check = {"point": "KQ-2", "passed": True}
    for t, what in (
        (10.0, lambda t: log.event(t, "control-check", check)),
        (20.0, lambda t: log.event(t, "control-check", {**check, "passed": False})),
        (30.0, lambda t: log.change(change(t, "raised"))),
        (31.0, lambda t: log.change(change(t, "raised", alert=2, rule="fix-lost", because_of="corrections-stopped"))),
        (35.0, lambda t: log.change(change(t, "raised", alert=3, severity="note"))),
        (50.0, lambda t: log.change(change(t, "normal"))),
        (60.0, lambda t: log.event(t, "control-check", check)),
        (70.0, lambda t: log.change(change(t, "raised", alert=4))),
    ):
        what(t)
    log.close(80.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        found = connection.execute(
            "SELECT from_t, to_t, rule, checked_before_utc, checked_after_utc FROM points_window"
        ).fetchall()
        assert found == [
            (30.0, 50.0, "corrections-stopped", "2026-05-04T07:30:10.000Z", "2026-05-04T07:31:00.000Z"),
            (70.0, 80.0, "corrections-stopped", "2026-05-04T07:31:00.000Z", None),  # stands to the log's end
        ]


def test_an_antenna_word_stands_beside_the_position(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    for t in (1.0, 2.0, 700.0):
        log.fact(Antenna(t=t, stream="corrections", station_id=417, message=1033, descriptor="KEST-3 NONE", serial="7"))
    log.close(701.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        assert connection.execute("SELECT t, message, antenna, serial, x_m FROM station").fetchall() == [
            (1.0, "1033", "KEST-3 NONE", "7", None),
            (700.0, "1033", "KEST-3 NONE", "7", None),
        ]


def test_where_no_receiver_said_the_time_utc_is_null(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE)
    log.change(change(1.0, "raised"))
    log.close(2.0, "stopped")
    with contextlib.closing(sqlite3.connect(tmp_path / "kestrel-base.0001.db")) as connection, connection:
        assert connection.execute("SELECT raised_utc, raised_t FROM alerts").fetchall() == [(None, 1.0)]


def test_the_contract_holds_in_any_sqlite_tool(log):
    """What everybody's queries may rely on, whatever else is renamed."""
    fixed = {
        "raw": "stream t t_last data",
        "clock": "t utc source",
        "fix": "t stream quality latitude longitude height_m age_s station_id",
        "station": "t station_id x_m y_m z_m",
        "traffic": "message station frames bytes bad",
        "alert": "n t utc rule change cause severity because_of say steps alert",
        "event": "t kind detail",
        "base_coordinates": "from_t to_t",
    }
    for table, names in fixed.items():
        assert set(names.split()) <= {row["name"] for row in log.execute(f"PRAGMA table_info({table})")}, table
    blobs = [row["name"] for row in log.execute("SELECT name FROM pragma_table_info('raw') WHERE type = 'BLOB'")]
    assert blobs[0] == "data"
    assert log.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert log.execute("PRAGMA user_version").fetchone()[0] == schema.VERSION
    assert (
        log.execute("SELECT value FROM alert, json_each(steps) ORDER BY n LIMIT 1").fetchone()[0]
        == words(change(1.0, "raised")).steps[0]
    )


def test_what_a_table_declares_is_what_the_file_has(log):
    """Names, types and order of the columns in the file, against the structs; and a row that goes in comes out."""
    types = {"INTEGER": int, "REAL": float, "FLOAT": float, "TEXT": str, "BLOB": bytes}
    for kind in TABLES:
        info = log.execute(f"PRAGMA table_info({kind.table})").fetchall()
        assert [(row["name"], types[row["type"]]) for row in info] == [(c.name, c.type) for c in columns(kind)]
        assert all(column.meaning for column in columns(kind))
        with contextlib.closing(sqlite3.connect(log.execute("PRAGMA database_list").fetchone()["file"])) as plain:
            found = list(read(plain, kind))
        assert len(found) == log.execute(f"SELECT count(*) FROM {kind.table}").fetchone()[0]
        assert kind is StationRow or found


@pytest.mark.parametrize("values", [(None, 1.0), ("x", 1.0), (b"x", 1.0)])
def test_a_row_that_no_log_holds_is_an_error_that_names_its_table(values):
    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE TABLE clock (t, utc, source, stream, spread_s)")
    connection.execute("INSERT INTO clock VALUES (?, '', '', '', ?)", values)
    with pytest.raises(RowError, match=r"a row of clock was changed: Expected `float`, got `(null|str|bytes)`, in t"):
        list(read(connection, ClockRow))
    connection.close()


# ── logs of older versions: written by the programs of their time, with what the last of those said of them ────────────


def lines(name):
    return [json.loads(line) for line in (DATA / name).read_text().splitlines()]


@pytest.fixture(params=[1, 2])
def older(request, tmp_path):
    """A rover's minute and a half as that version of the program wrote it: (version, path)."""
    path = tmp_path / "kestrel-rover.0001.db"
    connection = sqlite3.connect(path)
    connection.executescript((DATA / f"log-version-{request.param}.sql").read_text())
    connection.close()
    return request.param, path


def test_an_older_log_is_read_verified_and_left_as_it_is(older):
    version, path = older
    before = path.read_bytes()
    with LogFile.open(path) as log:
        assert log.version == version
        assert [change.rule for change in log.changes()][:3] == ["corrections-stopped", "corrections-late", "fix-lost"]
        inputs = list(log.inputs())
        assert [what for _, stream, what in inputs if stream == ""] == [Acknowledge(t=65.0, stream="")]
        assert sum(len(what) for _, stream, what in inputs if stream) == log.raw_bytes() == 33897
        report = verify(log)
        assert report.sound
        assert report.rows == {1: 55, 2: 56}[version]
        assert [(gap.stream, gap.t) for gap in report.gaps] == [("corrections", 24.19)]
        assert report.ended == "stopped"
        assert log.grids() == []
        station = next(log.rows(StationRow, "WHERE x_m IS NOT NULL"))
        # the scenario's base stands over KQ-1 of its site file, 1.843 m above the mark
        assert (station.latitude, station.longitude) == pytest.approx((39.1234567, -104.9876543), abs=1e-8)
        assert list(log._rows("SELECT from_t IS NULL FROM base_coordinates")) == [(0,)]
    assert path.read_bytes() == before
    assert list(path.parent.iterdir()) == [path]


def test_a_replay_of_an_older_log_says_what_the_last_old_program_said(older):
    version, path = older
    result = CliRunner().invoke(replay, [str(path), "--json"])
    assert result.exit_code == 0
    said = [one for one in map(json.loads, result.stdout.splitlines()) if one["change"] != "cause"]  # told since version 3
    expected = lines(f"log-version-{version}.alerts.jsonl")
    for one in expected:
        if one["rule"] == "corrections-late":
            one["cause"] = "old-at-rover"  # it named the link though the rover's age alone showed it
    assert [{key: one[key] for key in expected[0]} for one in said] == expected


@pytest.mark.parametrize(
    ("sql", "what"),
    [
        ("UPDATE raw SET t = t + 0.001 WHERE n = 7", "its digest does not fit"),
        ("UPDATE event SET place = 3 WHERE kind = 'acknowledge'", "its digest does not fit"),
        ("UPDATE run SET boot = 'another'", "the run's own row was changed"),
    ],
)
def test_a_change_to_an_older_log_is_found(older, sql, what):
    _, path = older
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(sql)
    with LogFile.open(path) as log:
        assert what in verify(log).bad.what


def test_an_unclosed_older_log_is_gone_on_from_and_not_written_on(older, monkeypatch):
    version, path = older
    monkeypatch.setattr("witnesspost.daemon.log.folder.boot_id", lambda: "another boot")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DELETE FROM event WHERE kind = 'log-closed'")
    before = path.read_bytes()
    log = Log.start(path.parent, site_from_toml(SITE.replace("kestrel-base", "kestrel-rover")), SITE)
    log.close(1.0, "stopped")
    assert path.read_bytes() == before
    with LogFile.open(path) as old, LogFile.open(path.with_name("kestrel-rover.0002.db")) as new:
        assert (old.version, old.ended()) == (version, None)
        assert new.run.previous_digest == verify(old).digest
        began = next(new.rows(EventRow, "WHERE kind = 'log-started'"))
        assert "the power was cut, or the machine reset" in began.detail


def test_a_newer_log_is_refused_with_what_was_expected(older):
    _, path = older
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {schema.VERSION + 1}")
    connection.close()
    with pytest.raises(NewerLog, match=r"newer version \(log version 4, this program reads up to 3\); install"):
        LogFile.open(path)
