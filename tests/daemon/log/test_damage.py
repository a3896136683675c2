"""Damage of a log is found and named; what lies beside and behind it is read."""

import contextlib
import os
import shutil
import sqlite3

import pytest
from witnesspost.daemon.commands.verify import verify
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.schema import PAGE_BYTES
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.conftest import SITE, flip, run, seconds, written

pytestmark = pytest.mark.usefixtures("told_without_bytes")


def test_a_flipped_bit_in_a_raw_block_is_named_and_sqlite_is_blind_to_it(log_path):
    flip(log_path, log_path.read_bytes().index(b"receiver 00063") + 3)
    with LogFile.open(log_path) as log:
        report = verified(log)
        assert report.sqlite == []
        assert not report.sound
        assert (report.bad.table, report.bad.stream) == ("raw", "receiver")
        block = log._connection.execute("SELECT t, t_last FROM raw WHERE n = ?", (report.bad.n,)).fetchone()
        assert block[0] <= 63.1 <= block[1]
        assert report.bad.utc == log.utc_at(block[0])
    result = run(verify, log_path)
    assert result.exit_code == 1
    assert f"DAMAGED: block {report.bad.n} of receiver at t {block[0]:.3f} (2026-05-04 03:31:00-04:00)" in result.stdout
    assert "its digest does not fit" in result.stdout


@pytest.mark.parametrize(
    ("sql", "table", "what"),
    [
        ("UPDATE raw SET t = t + 0.001 WHERE n = 7", "raw", "its digest does not fit"),
        ("UPDATE raw SET times = substr(times, 2) WHERE n = 7", "raw", "its digest does not fit"),
        ("UPDATE raw SET stream = 'neither' WHERE n = 6", "raw", "its digest does not fit"),
        ("DELETE FROM raw WHERE n = 7", "raw", "row 7 is missing before it"),
        ("UPDATE event SET detail = '{}' WHERE n = 1", "event", "its digest does not fit"),
        ("DELETE FROM event WHERE n = 1", "raw", "row 1 is missing before it"),
        ("UPDATE run SET site_toml = site_toml || ' '", "run", "the run's own row was changed"),
    ],
)
def test_doubtful_hands_are_found(log_path, sql, table, what):
    with contextlib.closing(sqlite3.connect(log_path)) as connection, connection:
        connection.execute(sql)
    with LogFile.open(log_path) as log:
        report = verified(log)
    assert (report.bad.table, report.sqlite) == (table, [])
    assert what in report.bad.what
    assert run(verify, log_path).exit_code == 1


def test_a_flipped_bit_in_a_page_header_is_found(log_path):
    connection = sqlite3.connect(log_path)
    (leaf,) = connection.execute("SELECT pageno FROM dbstat WHERE name = 'raw' AND pagetype = 'leaf' LIMIT 1").fetchone()
    connection.close()
    flip(log_path, (leaf - 1) * PAGE_BYTES, bit=3)  # the page's type
    result = run(verify, log_path)
    assert result.exit_code == 1
    assert "DAMAGED" in result.stdout


@pytest.mark.parametrize("part", [0.02, 0.3, 0.6, 0.95])
def test_a_truncated_log_is_found_at_the_first_block_that_is_gone(log_path, part):
    with open(log_path, "r+b") as file:
        file.truncate(int(log_path.stat().st_size * part))
    result = run(verify, log_path)
    assert result.exit_code == 1
    # with the first pages goes the table of tables, and with it every name
    assert part < 0.1 or ("DAMAGED: block" in result.stdout and "malformed" in result.stdout)
    assert result.stderr == ""


def test_a_flipped_bit_in_the_wal_does_not_hide_the_commits_behind_it(tmp_path):
    log = written(tmp_path / "live", seconds(60), close=False)
    crashed = tmp_path / "crashed"
    shutil.copytree(tmp_path / "live", crashed)
    log.close(60.0, "stopped")
    path, wal = crashed / "kestrel-base.0001.db", crashed / "kestrel-base.0001.db-wal"
    whole = wal.read_bytes()
    (crashed / "kestrel-base.0001.db-shm").unlink()
    assert run(verify, path).exit_code == 0
    for at, words in (
        (len(whole) // 2, "commits behind it are lost"),
        (32 + 10, "commits behind it are lost"),  # the first frame's salt
        (20, "the header of the WAL went bad"),
    ):
        wal.write_bytes(whole)
        flip(wal, at)
        (crashed / "kestrel-base.0001.db-shm").unlink(missing_ok=True)
        result = run(verify, path)
        assert (result.exit_code, words in result.stdout + result.stderr) == (1, True)


def test_a_wal_cut_in_its_last_commit_is_what_a_power_cut_leaves(tmp_path):
    log = written(tmp_path / "live", seconds(60), close=False)
    crashed = tmp_path / "crashed"
    shutil.copytree(tmp_path / "live", crashed)
    log.close(60.0, "stopped")
    wal = crashed / "kestrel-base.0001.db-wal"
    (crashed / "kestrel-base.0001.db-shm").unlink()
    os.truncate(wal, wal.stat().st_size - 1500)
    result = run(verify, crashed / "kestrel-base.0001.db")
    assert result.exit_code == 0
    with LogFile.open(crashed / "kestrel-base.0001.db") as opened:
        kept = list(opened.inputs())
    assert kept == seconds(60)[: len(kept)]
    assert kept[-1][0] >= 49.0


def test_several_logs_are_checked_to_follow_one_another(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE, rotate_s=10.0)
    for t in range(39):
        log.chunk(float(t), "receiver", b"x" * 50)
        log.tick(float(t))
    log.close(39.0, "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) == 4
    assert run(verify, *paths).exit_code == 0
    result = run(verify, paths[0], paths[2])
    assert result.exit_code == 1
    assert "a file between them is missing" in result.stdout
