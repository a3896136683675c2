"""A stop that nobody had seen when the power went is told to the next run: from real logs, closed, cut off or broken."""

import datetime as dt
import shutil

import pytest
from witnesspost.daemon.log import left as runs_before
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.rules.engine.tally import Tally
from witnesspost.rules.facts import Acknowledge, SetUp, Shelve, Solved, Unseen
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import SITE, change, start
from tests.daemon.stream.test_nmea import sentence

NAME = "kestrel-base"


def run(folder, *changes, until=60.0, acts=(), how="stopped"):
    """One run with these changes; the power goes at the end where `how` is None."""
    log = start(folder)
    for one in changes:
        log.change(one)
    for fact in acts:
        log.told(fact)
    log.tick(until)
    log.event(until, "mark", {})
    if how is not None:
        log.close(until, how)
        return
    image = folder.with_name(f"{folder.name}-image")
    shutil.copytree(folder, image)
    log.close(until, "stopped")
    shutil.rmtree(folder)
    image.rename(folder)


def left(folder, now=None):
    return runs_before.left(Folder(folder, NAME), 0.0, now)


def told(folder):
    return [(fact.run, fact.alert, fact.rule, fact.cause) for fact in left(folder)]


@pytest.mark.parametrize("how", ["stopped", None], ids=["closed", "power cut"])
def test_what_was_raised_or_over_and_not_seen_is_left(tmp_path, how):
    folder = tmp_path / "log"
    run(folder, change(1.0), change(2.0, alert=2), change(9.0, alert=2, what="normal"), how=how)
    first = f"{NAME}.0001.db"
    assert [(fact.run, fact.alert) for fact in left(folder)] == [(first, 1), (first, 2)]
    (fact, _) = left(folder)
    said = change(1.0)
    assert (fact.rule, fact.cause, fact.stream, fact.evidence, fact.words) == (
        said.rule,
        said.cause,
        said.stream,
        said.evidence,
        said.words,
    )


def quiet(t=1.0, alert=1, **other):
    one = change(t, alert=alert)
    for name, value in other.items():
        setattr(one, name, value)
    return one


@pytest.mark.parametrize(
    "changes",
    [
        [change(1.0), change(2.0, what="acknowledged")],
        [change(1.0), change(2.0, what="acknowledged"), change(6.0, what="cause")],
        [change(1.0), change(2.0, what="normal"), change(3.0, what="cleared")],
        [quiet(severity="check")],
        [quiet(because_of="wrong-channel")],
        [quiet(shelved=True)],
    ],
    ids=["seen", "seen, then another cause", "cleared", "check", "consequence", "shelved"],
)
def test_what_was_seen_or_made_no_sound_is_not(tmp_path, changes):
    run(tmp_path / "log", *changes)
    assert left(tmp_path / "log") == []


def test_what_became_a_stop_after_it_was_seen_is_left(tmp_path):
    run(tmp_path / "log", quiet(severity="check"), quiet(2.0, severity="check", change="acknowledged"), change(5.0))
    assert [fact.alert for fact in left(tmp_path / "log")] == [1]


def test_it_is_the_last_run_that_counts_over_all_its_files(tmp_path):
    folder = tmp_path / "log"
    run(folder, change(1.0))
    log = start(folder, rotate_s=20.0)
    log.change(change(1.0, alert=5))
    for t in range(60):
        log.chunk(float(t), "receiver", b"x")
        log.tick(float(t))
    log.close(60.0, "stopped")
    files = [path.name for _, path in Folder(folder, NAME).files()]
    assert len(files) >= 3
    assert told(folder) == [(files[1], 5, change(1.0).rule, change(1.0).cause)]


def test_no_log_and_a_broken_one_leave_nothing_and_stop_nobody(tmp_path):
    folder = tmp_path / "log"
    assert left(folder) == []
    run(folder, change(1.0))
    (folder / f"{NAME}.0002.db").write_bytes(b"no database")
    assert left(folder) == []


def next_run(folder, *acts, until=12.0):
    """A run that tells itself what the last one left; the path of its log."""
    log = start(folder)
    path = folder / f"{NAME}.{Folder(folder, NAME).next_number() - 1:04d}.db"
    pipeline = Pipeline(site_from_toml(SITE), log)
    for fact in left(folder, path):
        pipeline.tell(fact)
    pipeline.tick(1.0)
    for act in acts:
        pipeline.tell(act)
    pipeline.tick(until)
    standing = [(alert.rule, alert.change) for alert in pipeline.open_alerts()]
    log.close(until, "stopped")
    return path, standing


def test_it_is_carried_from_run_to_run_until_somebody_has_seen_it(tmp_path):
    folder = tmp_path / "log"
    run(folder, quiet(utc="2026-05-12T06:00:00.000Z"))
    for _ in range(2):
        path, standing = next_run(folder)
        assert standing == [(change(1.0).rule, "normal")]
        (fact,) = left(folder)
        assert (fact.run, fact.alert) == (f"{NAME}.0001.db", 1)
        assert fact.utc == dt.datetime(2026, 5, 12, 6, tzinfo=dt.UTC)
        assert fact.evidence == change(1.0).evidence
    path, standing = next_run(folder, Acknowledge(t=2.0, stream=""))
    assert standing == []
    assert left(folder) == []
    with LogFile.open(path) as log:  # a replay of this log is told the same
        assert [type(what) for _, _, what in log.inputs()] == [Unseen, Acknowledge]
        assert [c.change for c in log.changes()] == ["normal", "cleared"]


def test_a_run_that_ends_before_it_has_told_it_loses_nothing(tmp_path):
    folder = tmp_path / "log"
    run(folder, change(1.0))
    run(folder, until=0.2, how=None)
    assert [fact.run for fact in left(folder)] == [f"{NAME}.0001.db"]
    next_run(folder, until=1.4)  # told, but short
    assert [fact.run for fact in left(folder)] == [f"{NAME}.0001.db"]
    next_run(folder, Acknowledge(t=1.2, stream=""), until=1.6)  # seen in a short one
    assert left(folder) == []


def set_up(t, point="KQ-1", antenna=1.532):
    return SetUp(t=t, stream="", point=point, antenna_height_m=antenna, pole_height_m=2.0, by="Kim")


def test_the_last_set_up_holds_on_from_run_to_run_until_the_next(tmp_path):
    folder = tmp_path / "log"
    run(folder, acts=[set_up(1.0), set_up(2.0, "KQ-2", 1.6)], how=None)
    for _ in range(2):  # told anew by each run, it keeps its first name and time
        (fact,) = left(folder)
        assert (fact.t, fact.point, fact.antenna_height_m, fact.by) == (0.0, "KQ-2", 1.6, "Kim")
        assert (fact.run, fact.utc) == (f"{NAME}.0001.db", None)
        next_run(folder)
    next_run(folder, set_up(3.0, "KQ-3"))
    (fact,) = left(folder)
    assert (fact.point, fact.run) == ("KQ-3", f"{NAME}.0004.db")


def test_a_set_up_is_dated_by_what_a_receiver_said(tmp_path):
    folder = tmp_path / "log"
    pipeline = Pipeline(site_from_toml(SITE), log := start(folder))
    place = ("3907.4", "N", "10459.2", "W")
    pipeline.feed(1.0, "receiver", sentence("GPRMC", "090000.00", "A", *place, "0.0", "0.0", "120526", "", ""))
    pipeline.tell(set_up(31.0))
    pipeline.tick(60.0)
    log.close(60.0, "stopped")
    fact = left(folder)[0]
    assert fact.utc == dt.datetime(2026, 5, 12, 9, 0, 30, tzinfo=dt.UTC)


def test_what_solved_what_is_counted_over_all_logs_but_the_one_that_is_written(tmp_path):
    folder = tmp_path / "log"
    steps = ["Wait.", "Walk.", "Wait."]
    for step in steps:
        run(folder, acts=[Solved(t=1.0, stream="", rule="sky", cause="few-satellites", step=step, by="Kim")])
    (folder / f"{NAME}.0009.db").write_bytes(b"no database")
    logs = Folder(folder, NAME)
    assert sorted(said.step for said in runs_before.solved_before(logs)) == sorted(steps)
    tally = Tally(runs_before.solved_before(logs, folder / f"{NAME}.0001.db"))
    assert [tally.of("sky", "few-satellites", step) for step in ("Wait.", "Walk.", "Run.")] == [(1, 2), (1, 2), (0, 2)]
    assert tally.of("sky", "poor-geometry", "Wait.") == (0, 0)


def test_whoever_shelved_it_has_seen_it_only_if_it_was_raised_so(tmp_path):
    run(tmp_path / "log", change(1.0), acts=[Shelve(t=2.0, stream="", for_s=600.0)])
    assert [fact.alert for fact in left(tmp_path / "log")] == [1]
