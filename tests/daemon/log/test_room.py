"""Which old logs go to make room, and on whose word of the date."""

import datetime as dt
import os
from types import SimpleNamespace

import pytest
import witnesspost.daemon.log.log
import witnesspost.daemon.log.room
from witnesspost.daemon.log.folder import Folder
from witnesspost.rules.facts import Utc

from tests.daemon.log.feeding import BEGAN, events, start, stored


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
