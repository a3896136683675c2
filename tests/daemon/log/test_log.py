"""The log as it is written: what is on the disk when, and what survives a disk that fails, fills, or is pulled away."""

import contextlib
import datetime as dt
import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest
import witnesspost.daemon.log.log
import witnesspost.daemon.log.room
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.log.derived import DerivedRows
from witnesspost.daemon.log.folder import Folder, LogBusy
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile, LoggedChange
from witnesspost.daemon.log.rows import ClockRow, FixRow, TrafficRow
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.log.writing import Writer
from witnesspost.rules.alert import Change
from witnesspost.rules.engine.rule import Cause
from witnesspost.rules.facts import Acknowledge, Epoch, Fix, Health, Planned, Port, Shelve, Station, Traffic, Utc
from witnesspost.rules.site.reading import site_from_toml

SITE = """
[post]
name = "kestrel-base"
role = "base"
commit_s = 5.0
keep_days = 30
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
FIRST, SECOND = "kestrel-base.0001.db", "kestrel-base.0002.db"


def start(folder, **more):
    return Log.start(folder, site_from_toml(SITE), SITE, **more)


def change(t, alert=1, what="raised"):
    return Change(
        t=t,
        utc=None,
        change=what,
        rule="corrections-stopped",
        cause="line-silent",
        causes=[Cause(cause="line-silent")],
        severity="stop",
        stream="corrections",
        because_of=None,
        evidence={"silent_s": 5.0},
        words={"reason": "unplugged"},
        post="kestrel",
        role="rover",
        alert=alert,
    )


class Feeder:
    """Numbered chunks, five a second, and a tick after each; remembers everything."""

    def __init__(self, log, size=100):
        self.log = log
        self.size = size
        self.fed = []

    def feed(self, from_t, to_t):
        for number in range(round(from_t * 5), round(to_t * 5)):
            t = number / 5
            data = b"%07d " % number * (self.size // 8)
            stream = ("corrections", "receiver")[number % 2]
            self.fed.append((t, stream, data))
            self.log.chunk(t, stream, data)
            self.log.tick(t)


def stored(*paths):
    """What the logs hold, one after the other; each verified."""
    found = []
    for path in paths:
        with LogFile.open(path) as log:
            assert verify(log).sound
            found += log.inputs()
    return found


def events(path):
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT kind, stream, t, detail FROM event WHERE input = 0 ORDER BY n").fetchall()


def kinds(path):
    return [kind for kind, *_ in events(path)]


def crash_image(folder, to):
    """The folder as a power cut at this moment would leave it."""
    shutil.copytree(folder, to)
    for path in to.glob("*-shm"):
        path.unlink()
    return to


# ── commits ─────────────────────────────────────────────────────────────────────────────────────────────────────────


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


# ── one writer, one file a run ──────────────────────────────────────────────────────────────────────────────────────


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


def test_files_rotate_by_size(tmp_path):
    log = start(tmp_path, rotate_bytes=100_000)
    feeder = Feeder(log, size=1000)
    feeder.feed(0, 60)
    log.close(60.0, "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) > 2
    assert all(path.stat().st_size < 150_000 for path in paths)
    assert stored(*paths) == feeder.fed


# ── the start after a crash ─────────────────────────────────────────────────────────────────────────────────────────


def crashed_folder(tmp_path):
    log = start(tmp_path / "live")
    feeder = Feeder(log)
    feeder.feed(0, 61)
    image = crash_image(tmp_path / "live", tmp_path / "image")
    log.close(61.0, "stopped")
    return image, feeder.fed


def test_the_file_that_a_crash_left_open_is_closed_with_how_it_ended(tmp_path, monkeypatch):
    image, fed = crashed_folder(tmp_path)
    other = shutil.copytree(image, tmp_path / "other")
    start(image).close(1.0, "stopped")
    kept = stored(image / FIRST)
    assert kept == fed[: len(kept)]
    assert kept[-1][0] >= 61.0 - 5.0
    kind, _, t, detail = events(image / FIRST)[-1]
    assert (kind, t) == ("log-closed", kept[-1][0])
    assert '"how":"the service ended without closing it","found_by":"the next start"' in detail
    (began, *_), *_ = ([detail] for kind, _, _, detail in events(image / SECOND) if kind == "log-started")
    assert '"previous_file":"kestrel-base.0001.db","previous_ended":"the service ended without closing it"' in began
    with LogFile.open(image / FIRST) as first, LogFile.open(image / SECOND) as second:
        assert second.run.previous_digest == verify(first).digest
    monkeypatch.setattr("witnesspost.daemon.log.folder.boot_id", lambda: "another boot")
    start(other).close(1.0, "stopped")
    assert '"how":"the power was cut, or the machine reset"' in events(other / FIRST)[-1][3]


def damage_nothing(path, wal):
    """The control: what is not damaged is not set aside."""


def damage_cut(path, wal):
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    os.truncate(path, path.stat().st_size // 2)


def damage_text(path, wal):
    wal.unlink()
    path.write_text("no database at all, but long enough to be one " * 100)


def damage_emptied(path, wal):
    wal.unlink()
    os.truncate(path, 0)


def damage_last_block(path, wal):
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE raw SET data = data || x'00' WHERE n = (SELECT max(n) FROM raw)")


def damage_row_gone(path, wal):
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM raw WHERE n = (SELECT max(n) - 2 FROM raw)")


def damage_wal(path, wal):
    data = bytearray(wal.read_bytes())
    data[len(data) // 2] ^= 4
    wal.write_bytes(data)


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (damage_nothing, None),
        (damage_cut, "malformed"),
        (damage_text, "file is not a database"),
        (damage_emptied, "never begun"),
        (damage_last_block, "was changed"),
        (damage_row_gone, "is missing"),
        (damage_wal, "commits behind it are lost"),
    ],
)
def test_a_damaged_file_is_set_aside_whole_and_a_new_one_begun(tmp_path, damage, why):
    image, _ = crashed_folder(tmp_path)
    path, wal = image / FIRST, image / f"{FIRST}-wal"
    damage(path, wal)
    before = {one.name: one.read_bytes() for one in (path, wal) if one.exists()}
    log = start(image)
    assert log.state().path == str(image / SECOND)
    feeder = Feeder(log)
    feeder.feed(0, 20)
    log.close(20.0, "stopped")
    assert stored(image / SECOND) == feeder.fed
    aside = image / f"{FIRST}.damaged"
    if why is None:
        assert path.exists()
        assert not aside.exists()
        return
    assert not path.exists()
    assert aside.read_bytes() == before[FIRST]
    for name in before.keys() - {FIRST}:  # SQLite may have taken the WAL in before the damage was seen
        assert damage is not damage_wal or (image / f"{aside.name}-wal").read_bytes() == before[name]
    _, _, _, detail = events(image / SECOND)[0]
    assert f'"previous_file":"{aside.name}","previous_ended":"damaged and set aside: ' in detail
    assert why in detail
    start(image).close(1.0, "stopped")
    assert (image / "kestrel-base.0003.db").exists()


# ── a disk that fails ───────────────────────────────────────────────────────────────────────────────────────────────


@contextlib.contextmanager
def no_file_grows_beyond(size):
    """Every write past `size` fails, as on a full disk (EFBIG; Python ignores the signal)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_disk_that_fails_for_a_while_costs_nothing_that_memory_can_hold(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 30)
    assert log.state().failed is None
    with no_file_grows_beyond(8192):
        feeder.feed(30, 60)
        assert log.state().failed is not None
        log.change(change(60.0))
        feeder.feed(60, 90)
        assert log.state().waiting_bytes > 10_000
    feeder.feed(90, 100)
    state = log.state()
    assert (state.failed, state.waiting_bytes < 1000, state.lost_bytes) == (None, True, 0)
    log.close(100.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed
    with LogFile.open(tmp_path / FIRST) as read:
        assert read.changes() == [LoggedChange.of(change(60.0))]
    assert kinds(tmp_path / FIRST) == ["log-started", "log-recovered", "log-closed"]


def test_what_memory_cannot_hold_is_a_gap_with_its_size_and_alerts_stay(tmp_path):
    log = start(tmp_path, waiting_most_bytes=20_000)
    feeder = Feeder(log)
    feeder.feed(0, 30)
    with no_file_grows_beyond(8192):
        for minute in range(1, 6):
            feeder.feed(minute * 60 - 30, minute * 60)
            log.change(change(minute * 60.0, alert=minute))
            feeder.feed(minute * 60, minute * 60 + 30)
            assert log.state().waiting_bytes < 25_000
    feeder.feed(330, 360)
    state = log.state()
    log.close(360.0, "stopped")
    kept = stored(tmp_path / FIRST)
    lost = [item for item in feeder.fed if item not in set(kept)]
    assert kept == [item for item in feeder.fed if item in set(kept)]
    assert state.lost_bytes == sum(len(data) for _, _, data in lost)
    assert len(lost) > 500
    with LogFile.open(tmp_path / FIRST) as read:
        assert [c.alert for c in read.changes()] == [1, 2, 3, 4, 5]
        gaps = [gap for gap in read.gaps() if gap.lost_bytes is not None]
    for stream in ("corrections", "receiver"):
        missing = [(t, data) for t, name, data in lost if name == stream]
        (gap,) = [gap for gap in gaps if gap.stream == stream]
        assert gap.lost_bytes == sum(len(data) for _, data in missing)
        assert gap.t == missing[0][0]
        assert gap.t + gap.seconds == pytest.approx(missing[-1][0])
        assert gap.why.startswith("could not be written: ")


def test_much_that_waited_is_written_in_several_turns(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log, size=10_000)
    with no_file_grows_beyond(8192):
        feeder.feed(0, 80)
    assert log.state().waiting_bytes > 3_000_000
    left = []
    for turn in range(30):
        t = 80 + turn / 5
        log.tick(t)
        left.append(log.state().waiting_bytes)
    steps = [a - b for a, b in zip([left[0], *left], left, strict=False)]
    assert left[-1] == 0
    assert 0 < max(steps) < 1_500_000  # no turn of the pipeline waits for all of it
    log.close(90.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed


def test_a_folder_that_cannot_be_written_at_the_start_is_tried_until_it_can(tmp_path):
    in_the_way = tmp_path / "log"
    in_the_way.write_text("a file where the folder should be")
    log = start(in_the_way)
    assert "exists" in log.state().failed.lower()
    feeder = Feeder(log)
    feeder.feed(0, 30)
    in_the_way.unlink()
    feeder.feed(30, 40)
    assert log.state().failed is None
    log.close(40.0, "stopped")
    assert stored(in_the_way / FIRST) == feeder.fed
    with LogFile.open(in_the_way / FIRST) as read:
        assert read.run.begun_at_t == 0.0


@pytest.fixture
def nobody(open_folder):
    """A folder, without root's rights, so that its mode counts."""
    folder = open_folder / "log"
    folder.mkdir()
    if os.geteuid() != 0:
        yield folder
        return
    os.chown(folder, 65534, 65534)
    os.seteuid(65534)
    yield folder
    os.seteuid(0)


def test_a_folder_made_read_only_in_between_costs_nothing(nobody):
    log = start(nobody, rotate_s=60.0)
    feeder = Feeder(log)
    feeder.feed(0, 40)
    nobody.chmod(0o555)
    feeder.feed(40, 120)
    assert log.state().failed is not None  # the file after the rotation cannot be made
    log.change(change(120.0))
    nobody.chmod(0o755)
    feeder.feed(120, 130)
    assert log.state().failed is None
    log.close(130.0, "stopped")
    paths = sorted(nobody.glob("*.db"))
    assert stored(*paths) == feeder.fed
    assert kinds(paths[1]) == ["log-continued", "log-recovered", "log-closed"]


def test_a_file_that_is_deleted_while_open_is_noticed_and_another_begun(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 30)
    (tmp_path / FIRST).unlink()
    feeder.feed(30, 60)
    log.close(60.0, "stopped")
    (path,) = tmp_path.glob("*.db")
    kept = stored(path)
    assert kept == feeder.fed[-len(kept) :]
    assert kept[0][0] <= 30.0
    assert "kestrel-base.0001.db was removed or replaced while it was written" in events(path)[0][3]


def test_a_file_that_is_swapped_while_open_is_set_aside(tmp_path):
    log = start(tmp_path / "log")
    feeder = Feeder(log)
    feeder.feed(0, 30)
    other = start(tmp_path / "other")
    Feeder(other).feed(0, 6)
    other.close(6.0, "stopped")
    shutil.copy(tmp_path / "other" / FIRST, tmp_path / "swap")
    os.replace(tmp_path / "swap", tmp_path / "log" / FIRST)
    feeder.feed(30, 60)
    assert log.state().failed is None
    log.close(60.0, "stopped")
    assert sorted(path.name for path in (tmp_path / "log").glob("*.db")) == [SECOND]
    assert (tmp_path / "log" / f"{FIRST}.damaged").read_bytes() == (tmp_path / "other" / FIRST).read_bytes()
    kept = stored(tmp_path / "log" / SECOND)
    assert kept == feeder.fed[-len(kept) :]


def test_a_file_that_comes_back_older_is_set_aside_and_the_chain_goes_on_from_what_was_written(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 12)
    older = crash_image(tmp_path, tmp_path / "older")
    feeder.feed(12, 30)
    tail = log._files.writer.tail
    with no_file_grows_beyond(8192):
        feeder.feed(30, 40)
    for path in tmp_path.glob(f"{FIRST}*"):
        path.unlink()
    for path in older.glob(f"{FIRST}*"):
        shutil.copy(path, tmp_path)
    feeder.feed(40, 60)
    assert log.state().failed is None
    log.close(60.0, "stopped")
    assert (tmp_path / f"{FIRST}.damaged").exists()
    kept = stored(tmp_path / SECOND)
    assert kept == feeder.fed[-len(kept) :]
    assert kept[0][0] <= 30.0
    with LogFile.open(tmp_path / SECOND) as read:
        assert (read.run.previous_digest, read.run.first_n) == (tail.digest, tail.n + 1)


def test_somebody_who_holds_the_lock_is_waited_out(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 10)
    browser = sqlite3.connect(tmp_path / FIRST, isolation_level=None)
    browser.execute("BEGIN IMMEDIATE")
    feeder.feed(10, 20)
    assert log.state().failed == "database is locked"
    browser.execute("ROLLBACK")
    browser.close()
    feeder.feed(20, 30)
    assert log.state().failed is None
    log.close(30.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed


class _Unsure:
    """A connection whose COMMIT reaches the disk and then reports an error, as a sync that fails does."""

    def __init__(self, connection):
        self._connection = connection

    def __getattr__(self, name):
        return getattr(self._connection, name)

    def execute(self, sql, *values):
        result = self._connection.execute(sql, *values)
        if sql == "COMMIT":
            raise sqlite3.OperationalError("disk I/O error")
        return result


def test_a_commit_that_failed_but_was_written_is_not_written_twice(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 12)
    log._files.writer._connection = _Unsure(log._files.writer._connection)
    feeder.feed(12, 17)
    assert log.state().failed == "disk I/O error"
    feeder.feed(17, 30)
    assert log.state().failed is None
    log.close(30.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed


FATES = st.sampled_from(["written", "written", "refused", "written but refused"])
STEPS = st.lists(st.tuples(st.sampled_from(["chunk", "alert", "word", "health"]), st.integers(0, 40_000), FATES), max_size=40)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STEPS)
def test_whatever_a_disk_does_nothing_is_lost_doubled_or_out_of_order(tmp_path, steps):
    """Each write may fail before or after it reached the disk, and each attempt to open the file again too."""
    path = tmp_path / "out.db"
    path.unlink(missing_ok=True)
    fate = "written"
    append, reopen = Writer.append, Writer.reopen

    def flaky_append(self, rows, derived):
        if fate == "refused":
            raise sqlite3.OperationalError("disk I/O error")
        append(self, rows, derived)
        if fate == "written but refused":
            self.tail, self._tried = before, self.tail
            raise sqlite3.OperationalError("disk I/O error")

    def flaky_reopen(self):
        if fate == "refused":
            raise OSError(5, "Input/output error")
        return reopen(self)

    fed, alerts, ms = [], [], 0
    with pytest.MonkeyPatch.context() as patch:
        log = start(tmp_path, path=path)
        patch.setattr(Writer, "append", flaky_append)
        patch.setattr(Writer, "reopen", flaky_reopen)
        for number, (what, step_ms, next_fate) in enumerate(steps):
            fate = next_fate
            ms += step_ms
            t = ms / 1000
            before = log._files.writer.tail
            if what == "chunk":
                fed.append((t, "receiver", b"%d" % number))
                log.chunk(*fed[-1])
            elif what == "alert":
                alerts.append(change(t, number))
                log.change(alerts[-1])
            else:
                fact = Acknowledge(t=t, stream="") if what == "word" else Health(t=t, stream="", lost_bytes=number)
                fed.append((t, "", fact))
                log.told(fact)
            before = log._files.writer.tail
            log.tick(t)
        fate = "written"
        log.tick(ms / 1000 + 100)
        log.close(ms / 1000 + 200, "stopped")
    assert log.state().failed is None
    assert stored(path) == fed
    with LogFile.open(path) as read:
        assert read.changes() == [LoggedChange.of(alert) for alert in alerts]


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 2 MB."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", folder], capture_output=True, check=False)
    if done.returncode:
        pytest.skip("no mounting here")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_disk_that_fills_and_then_gains_room(small_disk):
    (small_disk / "filler").write_bytes(bytes(1_000_000))
    log = start(small_disk / "log", waiting_most_bytes=300_000)
    feeder = Feeder(log, size=2000)  # 10 kB a second
    feeder.feed(0, 120)
    assert "full" in log.state().failed
    log.change(change(120.0))
    feeder.feed(120, 150)
    (small_disk / "filler").unlink()
    feeder.feed(150, 160)
    state = log.state()
    assert state.failed is None
    log.close(160.0, "stopped")
    kept = stored(small_disk / "log" / FIRST)
    lost = [item for item in feeder.fed if item not in set(kept)]
    assert kept == [item for item in feeder.fed if item in set(kept)]
    with LogFile.open(small_disk / "log" / FIRST) as read:
        assert read.changes() == [LoggedChange.of(change(120.0))]
        assert sum(gap.lost_bytes or 0 for gap in read.gaps()) == sum(len(data) for _, _, data in lost) == state.lost_bytes
    assert state.lost_bytes > 0


def test_a_disk_too_full_for_the_first_file_is_waited_for(small_disk):
    filler = small_disk / "filler"
    with contextlib.suppress(OSError):
        filler.write_bytes(bytes(3_000_000))
    log = start(small_disk / "log")
    feeder = Feeder(log)
    feeder.feed(0, 20)
    assert log.state().failed is not None
    assert list((small_disk / "log").glob("*.db*")) == [] if (small_disk / "log").exists() else True
    filler.unlink()
    feeder.feed(20, 30)
    log.close(30.0, "stopped")
    (path,) = (small_disk / "log").glob("*.db")
    assert stored(path) == feeder.fed


# ── room ────────────────────────────────────────────────────────────────────────────────────────────────────────────


def old_logs(folder, days, by_system=None):
    """One log for each number of days ago by the receiver (None: it never said) and by the system's clock (left out:
    the same), ten minutes each."""
    folder.mkdir(exist_ok=True)
    for ago in days:
        log = start(folder)
        for t in (0.0, 300.0, 600.0):
            log.chunk(t, "receiver", b"x" * 2000)
            if ago is not None:
                utc = BEGAN - dt.timedelta(days=ago) + dt.timedelta(seconds=t)
                log.fact(Utc(t=t, stream="receiver", utc=utc, source="ZDA"))
            log.tick(t)
        log.close(600.0, "stopped")
    logs = Folder(folder, "kestrel-base")
    for (_, path), ago in zip(logs.files(), by_system or days, strict=True):
        written_at = (BEGAN - dt.timedelta(days=ago or 0)).timestamp()
        os.utime(path, (written_at, written_at))
    return logs


def removed_of(folder, wanted, keep_days, receiver, system):
    """The numbers of the logs that go; all others must still be there, and nothing else beside them."""
    before = {path.name for path in folder.path.iterdir()}
    names = folder.make_room(wanted, keep_days, receiver, system, None)
    assert {path.name for path in folder.path.iterdir()} == before - set(names)
    return [int(name.split(".")[1]) for name in names]


@pytest.mark.parametrize(
    ("days", "wanted", "keep_days", "removed"),
    [
        ([90, 60, 40, 20], 1, 30, [1]),  # no more than is needed
        ([90, 60, 40, 20], 10**9, 30, [1, 2, 3]),  # and none that is younger than keep_days
        ([90, 60, 40, 20], 0, 30, []),
        ([None, 20], 10**9, 30, []),  # no clock: only what comes after it tells its age
        ([None, None, None], 10**9, 1000 / 86400, [1]),  # 1200 s of logs follow the first, 600 s the second
        ([-3, 90], 10**9, 30, []),  # a file that claims to be from the future stops the removal
    ],
)
def test_only_whole_files_older_than_keep_days_go_and_the_oldest_first(tmp_path, days, wanted, keep_days, removed):
    assert removed_of(old_logs(tmp_path, days), wanted, keep_days, BEGAN, BEGAN) == removed


YEARS = dt.timedelta(days=7300)


@pytest.mark.parametrize(
    ("days", "by_system", "receiver", "system"),
    [
        ([0.02, 0.01], [0.02, 0.01], BEGAN + YEARS, BEGAN),  # the receiver is twenty years ahead now
        ([0.02, 0.01], [0.02, 0.01], BEGAN, BEGAN + YEARS),  # the system is
        ([7168, 7168], [0.02, 0.01], BEGAN, BEGAN),  # the receiver said a date of 1024 weeks ago when it wrote
        ([0.02, 0.01], [20_000, 20_000], BEGAN, BEGAN),  # the system's clock stood in 1970 when it wrote
        ([90, 60], [90, 60], BEGAN + YEARS, BEGAN),  # and where they do not agree, not even an old one goes
        ([90, 60], [90, 60], None, BEGAN),
        ([7168, 7168], [20_000, 20_000], BEGAN, BEGAN),  # both were wrong when they wrote, and are right now
        ([0.02, 0.01], [0.02, 0.01], BEGAN + YEARS, BEGAN + YEARS),  # both are wrong now, one set by the other
        ([90, 60], [90, 60], BEGAN + YEARS, BEGAN + YEARS),
    ],
)
def test_no_log_goes_on_the_word_of_one_clock(tmp_path, days, by_system, receiver, system):
    assert removed_of(old_logs(tmp_path, days, by_system), 10**9, 30, receiver, system) == []


def test_a_file_that_cannot_be_read_proves_no_age_and_costs_nothing(tmp_path):
    folder = old_logs(tmp_path, [90, 60, 40, 20])
    (tmp_path / "kestrel-base.0002.db").write_bytes(b"no log")
    (tmp_path / "kestrel-base.0003.db").write_bytes(b"")
    assert removed_of(folder, 10**9, 30, BEGAN, BEGAN) == []


def test_the_log_makes_room_before_the_disk_is_low_and_says_so(tmp_path, monkeypatch):
    old_logs(tmp_path, [90, 40, 10])
    room = SimpleNamespace(f_blocks=1_000_000, f_bavail=119_999, f_frsize=4096)
    monkeypatch.setattr(witnesspost.daemon.log.room.os, "statvfs", lambda path: room)
    monkeypatch.setattr(witnesspost.daemon.log.room, "system_utc", lambda: BEGAN + dt.timedelta(hours=23))
    log = start(tmp_path)
    log.fact(Utc(t=0.5, stream="receiver", utc=BEGAN, source="ZDA"))
    for t in range(30):
        log.tick(float(t))
    log.close(30.0, "stopped")
    assert sorted(path.name for path in tmp_path.glob("*.db")) == [f"kestrel-base.000{n}.db" for n in (3, 4)]
    removed = [detail for kind, _, _, detail in events(tmp_path / "kestrel-base.0004.db") if kind == "log-removed"]
    assert removed == [f'{{"file":"kestrel-base.000{n}.db","why":"the disk would have filled"}}' for n in (1, 2)]
    assert stored(tmp_path / "kestrel-base.0003.db")


# ── clock anchors and traffic ───────────────────────────────────────────────────────────────────────────────────────


def said(rows, late_s, from_t=0.0, to_t=200.0, jump_s=0.0):
    for number in range(round(from_t * 5), round(to_t * 5)):
        t = number / 5
        late = late_s[number % len(late_s)]
        utc = BEGAN + dt.timedelta(seconds=t - late + jump_s)
        rows.see(Utc(t=t, stream="receiver", utc=utc, source="RMC"))


def test_the_promptest_word_of_a_minute_is_the_anchor_and_the_rest_its_spread():
    rows = DerivedRows()
    said(rows, [0.3, 0.05, 0.2])
    clock = rows.complete(200.0, end=True)[ClockRow]
    assert len(clock) == 5  # five seconds, three minutes, and the rest
    for anchor in clock:
        offset = (dt.datetime.fromisoformat(anchor.utc) - BEGAN).total_seconds() - anchor.t
        assert (round(offset, 3), anchor.source, anchor.stream, anchor.spread_s) == (-0.05, "RMC", "receiver", 0.25)


def test_a_receiver_whose_time_jumps_gets_an_anchor_at_once():
    rows = DerivedRows()
    said(rows, [0.1], 0.0, 30.0)
    said(rows, [0.1], 30.0, 40.0, jump_s=18.0)  # the leap seconds came in
    clock = rows.complete(40.0, end=True)[ClockRow]
    assert [(anchor.t, anchor.utc) for anchor in clock] == [
        (0.0, "2026-05-04T07:29:59.900Z"),
        (5.0, "2026-05-04T07:30:04.900Z"),
        (30.0, "2026-05-04T07:30:47.900Z"),
    ]


@pytest.mark.parametrize("year", [1, 9999])
def test_a_year_that_cannot_be_is_no_harm(tmp_path, year):
    log = start(tmp_path)
    log.chunk(0.0, "receiver", b"raw")
    log.fact(Utc(t=0.0, stream="receiver", utc=dt.datetime(year, 12, 31, 23, 59, 59, 250_000, dt.UTC), source="ZDA"))
    log.tick(1.0)
    assert log._derived.utc_at(1e12) is None
    log.close(600.0, "stopped")
    with LogFile.open(tmp_path / FIRST) as read:
        assert read.utc_at(0.0) == dt.datetime(year, 12, 31, 23, 59, 59, 250_000, dt.UTC)
        assert read.utc_at(-1e12) is read.utc_at(1e12) is None


def test_a_system_clock_that_is_set_is_recorded_and_harmless(tmp_path, monkeypatch):
    clock = SimpleNamespace(time=lambda: 30.0, monotonic=lambda: 30.0)  # 1970: a board without a battery
    monkeypatch.setattr(witnesspost.daemon.log.log, "time", clock)
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 20)
    clock.time = lambda: 1_777_900_030.0
    feeder.feed(20, 40)
    log.close(40.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed
    (step,) = [row for row in events(tmp_path / FIRST) if row[0] == "system-clock-stepped"]
    assert '"by_s":1777900000.0' in step[3]
    assert 20.0 <= step[2] <= 25.0


def epoch(t, time_s):
    counts = {"satellites": 9, "cells": 18, "size_bytes": 300}
    return Epoch(t=t, stream="corrections", station_id=417, time_s=time_s, systems="G", messages=(1077,), **counts)


@pytest.mark.parametrize(
    ("system", "expected"),
    [
        (BEGAN, [(0.0, "2026-05-04T07:29:59.500Z", "MSM, week by the system clock")]),
        (BEGAN + dt.timedelta(days=3, hours=11), [(0.0, "2026-05-04T07:29:59.500Z", "MSM, week by the system clock")]),
        (dt.datetime(1970, 1, 1, tzinfo=dt.UTC), []),  # a board without a battery
    ],
)
def test_observations_date_a_log_that_no_receiver_dates(system, expected):
    # 2026-05-04 was a Monday: GPS time of week is a day, 7:30, and 18 leap seconds
    time_s = 86400 + 7.5 * 3600 + 18 - 0.5
    rows = DerivedRows(lambda: system)
    rows.see(epoch(0.0, time_s))
    rows.see(epoch(1.0, None))
    assert [(row.t, row.utc, row.source) for row in rows.complete(10.0, end=True).get(ClockRow, [])] == expected


def test_a_receiver_that_says_the_date_is_believed_over_the_system_clock():
    rows = DerivedRows(lambda: dt.datetime(2031, 1, 1, tzinfo=dt.UTC))
    said(rows, [0.1], 0.0, 2.0)
    rows.see(epoch(2.0, 1000.0))
    assert [row.source for row in rows.complete(10.0, end=True)[ClockRow]] == ["RMC"]


def fix(t, quality=7, satellites=14):
    place = {"latitude": 39.1234567, "longitude": -104.9876543, "height_m": 1876.165, "separation_m": -16.005}
    more = {"satellites": satellites, "hdop": 0.5, "age_s": None, "station_id": None}
    return Fix(t=t, stream="receiver", time_s=t, quality=quality, **place, **more)


def fixes(rows, facts):
    for fact in facts:
        rows.see(fact)
    return [row.t for row in rows.complete(1e6, end=True)[FixRow]]


def test_a_base_that_says_the_same_is_written_every_five_seconds_and_at_its_end():
    seconds = [float(t) for t in range(13)]
    assert fixes(DerivedRows(at_base=True), map(fix, seconds)) == [0, 5, 10, 12]
    assert fixes(DerivedRows(), map(fix, seconds)) == seconds


def test_of_a_rovers_many_positions_a_second_the_first_is_written_and_each_change():
    tenths = [round(0.1 * n, 1) for n in range(36)]
    assert fixes(DerivedRows(), map(fix, tenths)) == [0, 1, 2, 3, 3.5]
    changed = [fix(t, quality=5 if 1.2 < t < 1.7 else 4, satellites=int(10 * t)) for t in tenths]
    assert fixes(DerivedRows(), changed) == [0, 1, 1.2, 1.3, 1.6, 1.7, 2, 3, 3.5]
    paused = [fix(t) for t in tenths if not 0.5 < t < 3.0]
    assert fixes(DerivedRows(), paused) == [0, 0.5, 3, 3.5]
    unsaid = [msgspec.structs.replace(fix(t), time_s=None) for t in tenths]
    assert fixes(DerivedRows(), unsaid) == [0, 1, 2, 3, 3.5]


def test_what_ends_at_a_base_is_written_before_what_begins():
    rows = DerivedRows(at_base=True)
    changed = [*map(fix, range(4)), fix(4, quality=1), fix(5, quality=1), fix(6), fix(7, satellites=9)]
    assert fixes(rows, changed) == [0, 3, 4, 5, 6, 7]
    assert fixes(DerivedRows(at_base=True), map(fix, [0, 1, 2, 30, 31, 32])) == [0, 2, 30, 32]


def test_traffic_goes_into_bins_of_ten_seconds_and_stays_open_where_two_stations_speak():
    rows = DerivedRows()

    def traffic(t, stations, by_message):
        rows.see(Traffic(t=t, stream="corrections", frames_by_station=stations, by_message=by_message))

    traffic(0.0, {417: 2}, {"1077": (2, 600)})
    traffic(9.999, {417: 1, None: 1}, {"1077": (1, 300), "GGA": (1, 80)})
    traffic(10.0, {417: 1, 99: 1}, {"1077": (2, 500)})

    def row(t, message, station, frames, size):
        return TrafficRow(t=t, stream="corrections", message=message, station=station, frames=frames, bytes=size, bad=0)

    assert rows.complete(19.9) == {TrafficRow: [row(0.0, "1077", 417, 3, 900), row(0.0, "GGA", None, 1, 80)]}
    assert rows.complete(19.9, end=True) == {TrafficRow: [row(10.0, "1077", None, 2, 500)]}
    assert rows.complete(30.0, end=True) == {}


def test_a_failed_disk_does_not_make_the_waiting_rows_grow_for_ever():
    rows = DerivedRows()
    said(rows, [0.1], 0.0, 1000.0)
    rows.give_back(rows.complete(1000.0))
    rows.give_back({ClockRow: [ClockRow(t=0.0, utc="", source="", stream="", spread_s=0.0)] * 50_000})
    assert len(rows.complete(0.0)[ClockRow]) == 20_000
