"""A disk that fails, fills, or is changed under the log: what is kept, what is lost, and that it is said."""

import contextlib
import os
import resource
import shutil
import sqlite3

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.log.reading import LogFile, LoggedChange
from witnesspost.daemon.log.writing import Writer
from witnesspost.rules.facts import Acknowledge, Health

from tests.daemon.log.feeding import FIRST, SECOND, Feeder, change, crash_image, events, kinds, start, stored


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
    assert list((small_disk / "log").glob("*.db*")) == []
    filler.unlink()
    feeder.feed(20, 30)
    log.close(30.0, "stopped")
    (path,) = (small_disk / "log").glob("*.db")
    assert stored(path) == feeder.fed
