"""What sounded and could not be written: noted in memory before it sounds, and told by the next start."""

import json
import os
import time

import msgspec
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.mark import AlarmMark
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.recorder import Recorder
from witnesspost.daemon.log.rows import EventRow
from witnesspost.daemon.log.verifying import verify
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import SITE, change, start
from tests.daemon.view import until

BEGUN = "WHERE kind IN ('log-started', 'log-continued')"


def sounded(mark_path, log, *changes):
    """A run whose `changes` sounded; those that `log` has been told are recorded."""
    mark = AlarmMark(mark_path, log.run)
    mark.write(changes)


def next_start(folder, mark):
    """What the next start records and tells."""
    told = []
    site = site_from_toml(SITE)
    log = Recorder(folder, site, SITE, time.monotonic, lambda: None, lambda: told.extend(look_back(log)), mark)
    log.start()
    until(lambda: told, 20.0)
    log.close(0.0, "stopped")
    path = max(folder.glob("*.db"))
    with LogFile.open(path) as opened:
        assert verify(opened).sound
        events = [json.loads(row.detail) for row in opened.rows(EventRow, "WHERE kind = 'sounded-not-recorded' ORDER BY n")]
    return events, told


def look_back(log):
    return [log.left(0.0), log.not_recorded()]


def test_what_was_not_written_is_told_and_what_was_is_not(tmp_path):
    log = start(tmp_path / "log")
    log.change(change(1.0))
    sounded(tmp_path / "mark", log, change(1.0), change(2.0, alert=2))
    log.close(3.0, "fault")
    events, (unseen, missing) = next_start(tmp_path / "log", tmp_path / "mark")
    assert [(event["of_t"], event["change"], event["rule"]) for event in events] == [(2.0, "raised", change(2.0).rule)]
    assert [(one.alert, say) for one, say in missing] == [(2, events[0]["say"])]
    assert [fact.alert for fact in unseen] == [1, 2]
    events, (_, missing) = next_start(tmp_path / "log", tmp_path / "mark")  # once is enough
    assert (events, missing) == ([], [])


def test_a_run_that_never_had_a_file_and_one_whose_numbers_are_the_same(tmp_path):
    log = start(tmp_path / "log")
    log.change(change(1.0))
    log.close(3.0, "stopped")
    mark = AlarmMark(tmp_path / "mark", "another run")
    mark.write([change(1.0)])
    events, _ = next_start(tmp_path / "log", tmp_path / "mark")
    assert [event["of_t"] for event in events] == [1.0]


def test_a_mark_that_is_cut_off_is_no_mark_or_a_link(tmp_path):
    log = start(tmp_path / "log")
    sounded(tmp_path / "mark", log, change(1.0), change(2.0, alert=2))
    log.close(3.0, "fault")
    whole = (tmp_path / "mark").read_bytes()
    for size in range(len(whole)):
        (tmp_path / "cut").write_bytes(whole[:size])
        left = AlarmMark(tmp_path / "cut", "next").before
        assert left is None or [one.alert for one in left.changes] in ([1], [1, 2])
    (tmp_path / "noise").write_bytes(os.urandom(5000))
    assert AlarmMark(tmp_path / "noise", "next").before is None
    for line in (b'"\xf9"', b"[" * 100_000):
        (tmp_path / "noise").write_bytes(line + b"\n" + whole + line + b"\n")
        assert AlarmMark(tmp_path / "noise", "next").before is None
    (tmp_path / "link").symlink_to(tmp_path / "log" / "kestrel-base.0001.db")
    before = (tmp_path / "log" / "kestrel-base.0001.db").read_bytes()
    AlarmMark(tmp_path / "link", "next").write([change(1.0)])
    assert (tmp_path / "log" / "kestrel-base.0001.db").read_bytes() == before
    AlarmMark(tmp_path / "no folder" / "mark", "next").write([change(1.0)])
    AlarmMark(None, "next").write([change(1.0)])


def test_the_mark_stays_small_and_costs_next_to_nothing(tmp_path):
    mark = AlarmMark(tmp_path / "mark", "run")
    began = time.process_time()
    for number in range(2000):
        mark.write([change(float(number), alert=number)])
    assert time.process_time() - began < 1.0
    assert (tmp_path / "mark").stat().st_size < 300_000
    left = AlarmMark(tmp_path / "mark", "next").before
    assert left is not None
    assert left.changes[-1] == msgspec.convert(msgspec.to_builtins(change(1999.0, alert=1999)), type(change(1.0)))


def test_a_log_names_its_run_in_each_of_its_files(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE, rotate_s=10.0)
    log.chunk(1.0, "corrections", b"abc")
    for t in (11.0, 12.0):
        log.tick(t)
    log.close(13.0, "stopped")
    runs = []
    for path in sorted(tmp_path.glob("*.db")):
        with LogFile.open(path) as opened:
            runs += [json.loads(row.detail)["run"] for row in opened.rows(EventRow, BEGUN)]
    assert len(runs) >= 2
    assert set(runs) == {log.run}
