"""Logs into an archive: each row once, by post, day and run, as the bytes have it; whatever happens in between."""

import contextlib
import datetime as dt
import fcntl
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pyarrow.dataset as ds
import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.opening import copy_log
from witnesspost.daemon.log.reading import LogFile

from tests.replay.office.archive.conftest import CABLE, NEIGHBOUR
from tests.replay.office.archive.logs import contents, rows, write_log


def gather(*words):
    """The command's exit status and all that it said."""
    done = CliRunner().invoke(main, ["gather", *map(str, words)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


def query(path, sql):
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute(sql)]


def change_log(path, sql, *values):
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(sql, values)


@pytest.fixture(scope="module")
def archive(written, tmp_path_factory):
    folder = tmp_path_factory.mktemp("office") / "archive"
    status, said = gather(written, folder)
    assert status == 0, said
    return folder


def of_run(archive, table, path):
    with LogFile.open(path) as log:
        return [row for row in rows(archive, table) if (row["post"], row["run"]) == (log.run.name, log.run_name)]


@pytest.mark.parametrize(
    ("table", "sql"),
    [
        ("fixes", "SELECT * FROM fix ORDER BY rowid"),
        ("traffic", "SELECT * FROM traffic ORDER BY rowid"),
        (
            "changes",
            "SELECT n AS seq, t, change, rule, cause, severity, say, evidence, because_of, alert FROM alert ORDER BY n",
        ),
        ("events", "SELECT n AS seq, t, kind, stream, input, detail FROM event ORDER BY n"),
        ("gaps", "SELECT stream, t, seconds, lost_bytes, why FROM gaps"),
        ("checks", "SELECT t, point, passed, east_m, north_m, up_m, stood_s FROM checks"),
        (
            "base_coordinates",
            "SELECT base.from_t AS t, base.to_t, base.station_id, x_m, y_m, z_m, latitude, antenna_height_m, passed AS judged, "
            "cause, east_m, north_m, up_m FROM base_coordinates AS base LEFT JOIN offsets USING (station_id, to_t)",
        ),
    ],
)
def test_the_archive_has_what_the_logs_own_tables_and_views_have(written, archive, table, sql):
    """A sound log's views are right (tests of `daemon.log`): SQLite's words beside Parquet's, row by row."""
    seen = 0
    for path in written.glob("*.db"):
        wanted = query(path, sql)
        found = of_run(archive, table, path)
        assert [{name: row[name] for name in wanted[0]} for row in found] == wanted if wanted else found == []
        seen += len(wanted)
    assert seen > 0


def test_every_row_says_whose_it_is_and_when_it_was(written, archive):
    paths = sorted(written.glob("*.db"))
    assert paths
    for path in paths:
        with LogFile.open(path) as log:
            for table in ("changes", "fixes", "traffic", "minutes"):
                found = of_run(archive, table, path)
                assert found or table == "changes"
                for row in found:
                    assert (row["digest"], row["about"]) == (log.last_digest().hex(), False)
                    utc = log.utc_at(row["t"])
                    assert abs(row["utc"] - utc.replace(tzinfo=None)) <= dt.timedelta(milliseconds=1)
                    assert row["local"] - row["utc"] == utc.astimezone(log.zone).utcoffset()


def test_the_minutes_add_up_to_what_came(written, archive):
    paths = sorted(written.glob("*.db"))
    assert paths
    for path in paths:
        minutes = of_run(archive, "minutes", path)
        with LogFile.open(path) as log:
            assert sum(row["bytes"] for row in minutes) == log.raw_bytes()
            first, last = log.span()
        assert [row["t"] for row in minutes] == [60.0 * number for number in range(int(first // 60), int(last // 60) + 1)]
        gga = sum(row["frames"] for row in of_run(archive, "traffic", path) if row["message"] == "GGA")
        assert sum(row["positions"] for row in minutes) == gga > 0
        for row in minutes:
            assert row["rtk_fixed"] + row["rtk_float"] + row["differential"] + row["autonomous"] <= row["positions"]


@pytest.mark.slow
def test_a_day_is_the_posts_own(tmp_path):
    path = write_log(tmp_path / "logs", CABLE, zone="America/Los_Angeles")  # from 07:59:59.94 UTC on, 00:59 there
    change_zone = write_log(tmp_path / "logs", CABLE, zone="Pacific/Pitcairn", post="island")  # UTC−8: from 23:59:59.94 on
    assert gather(tmp_path / "logs", tmp_path / "archive")[0] == 0
    days = {(row["post"], row["days"]) for row in rows(tmp_path / "archive", "logs")}
    assert days == {("kestrel-rover", '["2026-06-15"]'), ("island", '["2026-06-14","2026-06-15"]')}
    fixes = 0
    for file in (tmp_path / "archive").glob("post=*/day=*/run=*/fixes.parquet"):
        found = ds.dataset(file).to_table().to_pylist()
        assert {f"day={row['local'].date()}" for row in found} <= {file.parents[1].name}
        fixes += len(found)
    assert fixes == sum(query(one, "SELECT count(*) AS n FROM fix")[0]["n"] for one in (path, change_zone))


def test_gathered_again_nothing_is_touched(written, archive):
    def files():
        return {path: (found.st_ino, found.st_mtime_ns) for path in archive.rglob("*.parquet") if (found := path.stat())}

    before = files()
    status, said = gather(written, archive)
    assert (status, said.count("nothing new")) == (0, 3)
    assert files() == before


def test_a_log_that_has_grown_is_completed(tmp_path, written):
    """A snapshot first, as somebody takes it from a running post; then the log as it was closed."""
    (path,) = written.glob("ridge-rover.*.db")
    part = tmp_path / path.name
    copy_log(path, part)
    with contextlib.closing(sqlite3.connect(part)) as connection, connection:
        (n,) = connection.execute("SELECT max(n) FROM raw WHERE t < 300").fetchone()
        for table in ("raw", "event", "alert"):
            connection.execute(f"DELETE FROM {table} WHERE n > ?", (n,))
        for table in ("fix", "station", "clock", "traffic"):
            connection.execute(f"DELETE FROM {table} WHERE t > 290")
    assert gather(part, tmp_path / "archive")[0] in (0, 1)  # its tables end a little before its bytes
    half = len(rows(tmp_path / "archive", "fixes"))
    status, said = gather(path, tmp_path / "archive")
    assert status == 0, said
    assert gather(path, tmp_path / "at-once")[0] == 0
    assert contents(tmp_path / "archive") == contents(tmp_path / "at-once")
    assert 0 < half < len(rows(tmp_path / "archive", "fixes"))
    status, said = gather(part, tmp_path / "archive")
    assert (status, "the archive has more of it" in said) == (0, True)
    assert contents(tmp_path / "archive") == contents(tmp_path / "at-once")


def test_another_log_under_the_same_name_does_not_take_its_place(tmp_path, written):
    """The same file's beginning, and another end: somebody made a copy write on."""
    (path,) = written.glob("ridge-rover.*.db")
    other = tmp_path / path.name
    shutil.copy(path, other)
    change_log(other, "UPDATE event SET digest = randomblob(16) WHERE n = (SELECT max(n) FROM event)")
    assert gather(path, tmp_path / "archive")[0] == 0
    before = contents(tmp_path / "archive")
    status, said = gather(other, tmp_path / "archive")
    assert (status, "ends otherwise" in said) == (1, True)
    assert contents(tmp_path / "archive") == before


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (
            lambda path: change_log(path, "UPDATE raw SET data = zeroblob(length(data)) WHERE n % 9 = 5"),
            "its digest does not fit",
        ),
        (lambda path: change_log(path, "DELETE FROM alert WHERE n = (SELECT max(n) FROM alert)"), "is missing before it"),
        (lambda path: os.truncate(path, path.stat().st_size * 2 // 3), "verify"),
        (lambda path: path.write_bytes(b""), "empty"),
        (lambda path: path.write_text("no log\n" * 999), "is not an SQLite database"),
        (lambda path: change_log(path, "UPDATE run SET name = '../../etc'"), "in name"),
    ],
    ids=["a-byte", "a-row-gone", "torn", "empty", "text", "name"],
)
def test_a_spoilt_log_is_named_and_the_others_are_gathered(tmp_path, written, spoil, said):
    shutil.copytree(written, tmp_path / "logs")
    bad = tmp_path / "logs" / "kestrel-rover.0001.db"
    spoil(bad)
    status, told = gather(tmp_path / "logs", tmp_path / "archive")
    (line,) = [line for line in told.splitlines() if "not gathered" in line]
    assert (status, line.startswith(str(bad)), said in line) == (1, True, True), line
    assert sorted(row["post"] for row in rows(tmp_path / "archive", "logs")) == ["kestrel-rover", "ridge-rover"]
    assert not (tmp_path / "etc").exists()


@pytest.mark.parametrize(
    ("table", "sql"),
    [
        ("fixes", "UPDATE fix SET height_m = height_m + 1 WHERE rowid = 50"),
        ("fixes", "DELETE FROM fix WHERE rowid > 100"),
        ("fixes", "INSERT INTO fix (t, stream, quality) VALUES (120.5, 'receiver', 4)"),
        ("base_coordinates", "UPDATE station SET x_m = x_m + 20"),
        ("traffic", "UPDATE traffic SET bad = 0, frames = frames + 1"),
        ("fixes", "UPDATE clock SET utc = '2025-01-01T00:00:00.000Z'"),
        ("gaps", "DELETE FROM clock"),
    ],
)
def test_forged_rows_are_said_and_the_bytes_are_taken(tmp_path, written, archive, table, sql):
    (path,) = written.glob("kestrel-rover.0001.db")
    shutil.copy(path, forged := tmp_path / path.name)
    change_log(forged, sql)
    status, said = gather(forged, tmp_path / "archive")
    assert (status, "what its bytes say was taken" in said) == (1, True)
    assert rows(tmp_path / "archive", table) == of_run(archive, table, path)
    (log,) = rows(tmp_path / "archive", "logs")
    assert log["tables"] != "as the bytes"
    assert gather(path, tmp_path / "archive")[0] == 0  # the same chain: nothing new


@pytest.mark.slow
def test_two_logs_of_one_run_are_one_story(tmp_path):
    """A file that goes on from another: given together its tables are compared, alone they are made from its bytes."""
    from witnesspost.daemon.log.log import Log
    from witnesspost.daemon.pipeline import Pipeline
    from witnesspost.replay.play.player import play
    from witnesspost.replay.world.invent import invent
    from witnesspost.replay.world.scenario import scenario

    found = scenario(NEIGHBOUR)
    log = Log.start(tmp_path, found.site, "", rotate_s=300.0)
    pipeline = Pipeline(found.site, log)
    for _ in play(pipeline, invent(found), end_t=found.duration_s):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) >= 2
    status, said = gather(*paths, tmp_path / "archive")
    assert status == 0, said
    assert {row["tables"] for row in rows(tmp_path / "archive", "logs")} == {"as the bytes"}
    wanted = [row for path in paths for row in query(path, "SELECT t, quality FROM fix ORDER BY rowid")]
    assert [{"t": row["t"], "quality": row["quality"]} for row in rows(tmp_path / "archive", "fixes")] == wanted
    assert gather(paths[-1], tmp_path / "alone")[0] == 0
    (alone,) = rows(tmp_path / "alone", "logs")
    assert alone["tables"].startswith("not compared: it goes on")


KILLED = """
import os, signal
from witnesspost.daemon.cli import main
from witnesspost.replay.office.archive import folder
sync, days = folder.sync, []
def patched(path):
    sync(path)
    if path.parent.name == folder._STAGE and path.is_dir():
        days.append(path)
        if len(days) == 2:
            os.kill(os.getpid(), signal.SIGKILL)
folder.sync = patched
main(prog_name="witnesspost")
"""


def test_a_gathering_that_is_killed_leaves_whole_days_and_is_resumed(tmp_path, written):
    """It kills itself when the second of its folders is complete and not in its place yet."""
    assert gather(written, tmp_path / "whole")[0] == 0
    command = [sys.executable, "-c", KILLED, "gather", str(written), str(tmp_path / "archive")]
    assert subprocess.run(command, capture_output=True, check=False).returncode == -signal.SIGKILL
    left = contents(tmp_path / "archive")
    whole = contents(tmp_path / "whole")
    assert 0 < len(left) < len(whole)
    assert left.items() <= whole.items()
    assert gather(written, tmp_path / "archive")[0] == 0
    assert contents(tmp_path / "archive") == whole
    assert not (tmp_path / "archive" / ".gathering").exists() or not any((tmp_path / "archive" / ".gathering").iterdir())


def test_the_second_of_two_gatherings_says_that_it_waits(tmp_path, written):
    archive = tmp_path / "archive"
    assert gather(*written.glob("ridge-rover.*.db"), archive)[0] == 0
    handle = os.open(archive / ".lock", os.O_RDWR)
    fcntl.flock(handle, fcntl.LOCK_EX)
    command = [sys.executable, "-m", "witnesspost.daemon", "gather", str(written), str(archive)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert "gathers into it; waiting" in process.stderr.readline()
        assert len(rows(archive, "logs")) == 1
        os.close(handle)
        assert process.wait(60) == 0
    assert len(rows(archive, "logs")) == 3


@pytest.mark.parametrize("what", ["file", "full", "missing", "logs"])
def test_only_an_archive_or_nothing_is_written_into(tmp_path, written, what):
    target = {"file": tmp_path / "x", "full": tmp_path / "y", "missing": tmp_path / "a" / "b", "logs": tmp_path / "logs"}[what]
    (tmp_path / "x").write_text("mine")
    (tmp_path / "y").mkdir()
    (tmp_path / "y" / "mine.txt").write_text("mine")
    shutil.copytree(written, tmp_path / "logs")
    before = sorted(tmp_path.rglob("*"))
    status, said = gather(tmp_path / "logs", target)
    assert (status, len(said.splitlines()), str(target) in said) == (2, 1, True), said
    assert sorted(tmp_path.rglob("*")) == before


def test_an_older_log_is_gathered_from_its_bytes(tmp_path):
    """Version 1 of the log: its tables were drawn by other rules, which is said in the archive."""
    source = (Path(__file__).parents[3] / "daemon" / "log" / "data" / "log-version-1.sql").read_text()
    path = tmp_path / "old.0001.db"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(source)
    status, said = gather(path, tmp_path / "archive")
    assert status == 0, said
    (log,) = rows(tmp_path / "archive", "logs")
    assert log["tables"].startswith("not compared: it is of version 1")
    assert len(rows(tmp_path / "archive", "changes")) == query(path, "SELECT count(*) AS n FROM alert")[0]["n"] > 0
