"""The log as it is written: what is on the disk when, by one writer, in one file a run."""

import contextlib
import datetime as dt
import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from witnesspost.daemon.log.folder import LogBusy
from witnesspost.daemon.log.reading import LogFile, LoggedChange
from witnesspost.daemon.log.verifying import verify
from witnesspost.rules.facts import Acknowledge, Fix, Health, Planned, Port, Shelve, Station, Traffic, Utc

from tests.bench.row import resident_mib
from tests.daemon.log.feeding import BEGAN, FIRST, SECOND, SITE, Feeder, change, crash_image, events, fix, kinds, start, stored


def test_raw_bytes_reach_the_disk_at_most_commit_s_after_they_came(tmp_path):
    log = start(tmp_path)
    look = sqlite3.connect(tmp_path / FIRST)
    commits, late = 0, []
    fed = []
    for number in range(600):
        t = number / 10
        log.chunk(t, "receiver", b"12345678")
        fed.append(t)
        log.tick(t)
        last, blocks = look.execute("SELECT coalesce(max(t_last), -0.1), count(*) FROM raw").fetchone()
        commits = blocks
        late.append(round(t - last, 3))
    assert max(late) <= 5.0
    assert commits == 12  # and no more often than that
    look.close()
    log.close(60.0, "stopped")


def test_an_alert_is_on_the_disk_at_once_with_all_bytes_before_it(tmp_path):
    log = start(tmp_path / "live")
    log.chunk(0.5, "corrections", b"before")
    log.change(change(1.0))
    log.chunk(1.5, "corrections", b"after")
    log.told(Acknowledge(t=2.0, stream=""))
    log.change(change(2.0, what="acknowledged"))
    log.chunk(2.5, "corrections", b"lost")
    image = crash_image(tmp_path / "live", tmp_path / "image")
    with LogFile.open(image / FIRST) as crashed:
        assert [(c.t, c.change) for c in crashed.changes()] == [(1.0, "raised"), (2.0, "acknowledged")]
        assert [what for _, stream, what in crashed.inputs() if stream] == [b"before", b"after"]
    assert log._files.writer._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    log.close(3.0, "stopped")


@pytest.mark.parametrize(
    "fact",
    [
        Acknowledge(t=1.0, stream=""),
        Shelve(t=1.0, stream="", for_s=600.0),
        Planned(t=1.0, stream="", for_s=60.0, why="battery"),
        Port(t=1.0, stream="corrections", state="lost", reason="unplugged"),
    ],
)
def test_what_people_and_ports_say_is_on_the_disk_at_once(tmp_path, fact):
    log = start(tmp_path / "live")
    log.chunk(0.5, "corrections", b"before")
    log.told(fact)
    image = crash_image(tmp_path / "live", tmp_path / "image")
    log.close(3.0, "stopped")
    assert stored(image / FIRST) == [(0.5, "corrections", b"before"), (1.0, fact.stream, fact)]


def test_health_waits_for_the_next_commit(tmp_path):
    log = start(tmp_path)
    size = log._files.writer.tail.n
    log.told(Health(t=1.0, stream="", lost_bytes=0))
    assert log._files.writer.tail.n == size
    log.close(2.0, "stopped")
    assert [what for _, _, what in stored(tmp_path / FIRST)] == [Health(t=1.0, stream="", lost_bytes=0)]


def test_changes_come_back_as_they_were_said(tmp_path):
    said = [change(1.0), change(2.5, what="normal"), change(3.0, alert=2)]
    log = start(tmp_path)
    for one in said:
        log.change(one)
    log.close(4.0, "stopped")
    with LogFile.open(tmp_path / FIRST) as read:
        assert read.changes() == [LoggedChange.of(one) for one in said]


@pytest.mark.parametrize("until_s", [120, 1800])
def test_the_size_that_is_counted_between_checkpoints_is_near_the_files(tmp_path, until_s):
    log = start(tmp_path)
    Feeder(log).feed(0, until_s)
    with contextlib.closing(sqlite3.connect(tmp_path / FIRST)) as other:
        (pages,) = other.execute("PRAGMA page_count").fetchone()
    assert log.state().size_bytes == pytest.approx(1024 * pages, rel=0.2)
    log.close(float(until_s), "stopped")


def print_what_a_log_takes_mib(folder):
    """How far the process grows while a log does, from one megabyte to eight."""
    log = start(Path(folder))
    for number in range(400):
        log.chunk(float(number), "receiver", bytes(20_000))
        log.tick(float(number))
        if number == 50:
            before = resident_mib()
    print(resident_mib() - before)


def test_a_log_that_grows_takes_no_more_memory(tmp_path):
    script = f"import {__name__} as here; here.print_what_a_log_takes_mib({str(tmp_path)!r})"
    env = {"PYTHONPATH": ":".join(sys.path)}
    ran = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True, env=env)
    assert float(ran.stdout) < 0.5


def test_the_state_says_where_how_much_and_what_is_left(tmp_path):
    log = start(tmp_path)
    Feeder(log).feed(0, 120)
    state = log.state()
    assert (state.path, state.failed, state.lost_bytes) == (str(tmp_path / FIRST), None, 0)
    assert 50_000 < state.raw_bytes <= 60_000
    assert state.raw_bytes < state.size_bytes < 2 * state.raw_bytes
    assert 0 < state.disk_free_fraction < 1
    assert state.disk_left_h > 0
    log.close(120.0, "stopped")


def test_words_and_numbers_that_sqlite_cannot_hold_cost_nothing_else(tmp_path):
    log = start(tmp_path)
    odd = change(1.0)
    odd.evidence = {"path": Path("x"), "count": 10**30, "word": "\udc80", "nan": float("nan")}
    log.change(odd)
    log.chunk(1.5, "receiver", b"raw")
    log.fact(Fix(**{**msgspec.structs.asdict(fix(1.5)), "station_id": 10**30}))
    log.event(2.0, "odd", {"word": "\udc80"})
    log.close(3.0, "stopped")
    assert log.state().failed is None
    assert stored(tmp_path / FIRST) == [(1.5, "receiver", b"raw")]
    with LogFile.open(tmp_path / FIRST) as read:
        assert [c.alert for c in read.changes()] == [1]


def test_a_row_that_sqlite_cannot_hold_costs_no_other_row_and_is_said(tmp_path):
    log = start(tmp_path)
    log.chunk(1.0, "receiver", b"raw")
    for t in (1.0, 2.0, 3.0):
        log.fact(fix(t, quality=4, satellites=10**30 if t == 2.0 else 14))
    log.fact(Utc(t=1.0, stream="receiver", utc=BEGAN, source="\udc80"))
    log.fact(Traffic(t=3.0, stream="receiver", by_message={"GGA": (3, 200)}))
    log.tick(40.0)
    log._rotate_s = 30.0  # what is carried over to the next file must not bring the row along
    log.tick(80.0)
    log.close(90.0, "stopped")
    assert log.state().failed is None
    with contextlib.closing(sqlite3.connect(tmp_path / FIRST)) as connection:
        assert connection.execute("SELECT t FROM fix").fetchall() == [(1.0,), (3.0,)]
        assert connection.execute("SELECT message, frames FROM traffic").fetchall() == [("GGA", 3)]
    (said,) = [row for row in events(tmp_path / FIRST) if row[0] == "rows-left-out"]
    assert json.loads(said[3]) == {"fix": 1, "clock": 1, "why": "SQLite cannot hold a value in them; the raw bytes have it"}
    assert stored(tmp_path / FIRST, tmp_path / SECOND) == [(1.0, "receiver", b"raw")]


def test_two_services_cannot_write_one_log(tmp_path):
    log = start(tmp_path)
    with pytest.raises(LogBusy, match=rf"'kestrel-base' is being written by process {os.getpid()}; stop that service, or"):
        start(tmp_path)
    code = (
        "import sys; from witnesspost.daemon.log.log import Log; from witnesspost.rules.site.reading import site_from_toml; "
        "Log.start(sys.argv[1], site_from_toml(sys.argv[2]), '')"
    )
    other = subprocess.run([sys.executable, "-c", code, str(tmp_path), SITE], capture_output=True, text=True, check=False)
    assert "LogBusy" in other.stderr
    assert sorted(path.name for path in tmp_path.glob("*.db")) == [FIRST]
    log.close(1.0, "stopped")
    start(tmp_path).close(1.0, "stopped")
    assert sorted(path.name for path in tmp_path.glob("*.db")) == [FIRST, SECOND]


def test_a_single_file_must_not_exist(tmp_path):
    path = tmp_path / "out.db"
    log = start(tmp_path / "unused", path=path)
    Feeder(log).feed(0, 20)
    log.close(20.0, "played")
    assert len(stored(path)) == 100
    before = path.read_bytes()
    with pytest.raises(FileExistsError, match=r"out\.db: exists; name a file that does not"):
        start(tmp_path, path=path)
    assert path.read_bytes() == before
    assert not (tmp_path / "unused").exists()


def test_files_rotate_by_time_and_the_chain_goes_on(tmp_path):
    log = start(tmp_path, rotate_s=60.0)
    position = {"x_m": 1.0, "y_m": 2.0, "z_m": 6e6, "antenna_height_m": None, "itrf_year": 0}
    log.fact(Station(t=1.0, stream="corrections", station_id=417, message=1005, **position))
    for t in range(10):
        log.fact(Utc(t=float(t), stream="receiver", utc=BEGAN + dt.timedelta(seconds=t), source="ZDA"))
    feeder = Feeder(log)
    feeder.feed(0, 200)
    log.close(200.0, "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) == 4
    assert stored(*paths) == feeder.fed
    digest, n = None, 0
    for number, path in enumerate(paths, 1):
        with LogFile.open(path) as one:
            assert (one.run.number, one.run.previous_digest, one.run.first_n) == (number, digest, n + 1)
            assert one.ended() == ("stopped" if number == 4 else "rotated")
            assert one.utc_at(100.0) == BEGAN + dt.timedelta(seconds=100)  # anchors are carried over
            assert one._rows("SELECT DISTINCT station_id FROM station") == [(417,)]
            report = verify(one)
            digest, n = report.digest, n + report.rows
    assert kinds(paths[0]) == ["log-started", "log-closed"]
    assert kinds(paths[1]) == ["log-continued", "log-closed"]


def test_a_file_s_name_keeps_its_folder_apart_from_another_of_the_same_post(tmp_path):
    names = []
    for folder in ("a", "a", "a", "b"):
        if len(names) == 2:  # one that cannot say how it was begun
            with contextlib.closing(sqlite3.connect(tmp_path / folder / SECOND)) as spoilt:
                spoilt.execute("UPDATE event SET detail = '[]' WHERE kind = 'log-started'")
                spoilt.commit()
        log = start(tmp_path / folder)
        told = change(1.0)
        assert log.row_key(told) is None
        log.change(told)
        log.close(2.0, "stopped")
        with LogFile.open(max((tmp_path / folder).glob("*.db"))) as file:
            names.append(file.run_name)
            ((n,),) = file.select("SELECT n FROM alert")
            assert log.row_key(told) == file.row_key(told) == (names[-1], n)
            assert file.row_key(change(1.0, alert=2)) is None
    assert [name.split("-")[0] for name in names] == ["1", "2", "3", "1"]
    first, second, third, other = (name.split("-")[1] for name in names)
    assert first == second
    assert len({first, third, other}) == 3
    assert all(re.fullmatch("[0-9a-f]{6}", one) for one in (first, third, other))


def test_a_change_that_waits_for_the_disk_has_no_row_yet(tmp_path):
    log = start(tmp_path)
    with contextlib.closing(sqlite3.connect(tmp_path / FIRST)) as held:
        held.execute("BEGIN IMMEDIATE")
        log.change(change(1.0))
        assert (log.row_key(change(1.0)), bool(log.state().failed)) == (None, True)
    log.tick(6.0)
    log.tick(12.0)
    row_key = log.row_key(change(1.0))
    log.close(13.0, "stopped")
    with LogFile.open(tmp_path / FIRST) as file:
        assert [(file.run_name, n) for (n,) in file.select("SELECT n FROM alert")] == [row_key]


def test_files_rotate_by_size(tmp_path):
    log = start(tmp_path, rotate_bytes=100_000)
    feeder = Feeder(log, size=1000)
    feeder.feed(0, 60)
    log.close(60.0, "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) > 2
    assert all(path.stat().st_size < 150_000 for path in paths)
    assert stored(*paths) == feeder.fed
