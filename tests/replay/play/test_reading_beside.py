"""A log read in a process of its own: the same alerts, and no process left, however the replay ends."""

import contextlib
import multiprocessing
import os
import signal

import pytest
from msgspec.structs import replace
from witnesspost.daemon.log.opening import LogError, UnreadableLog
from witnesspost.daemon.log.reading import LogFile, LongSilence
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.reading import Reading
from witnesspost.replay.play import reading_beside, stored_facts
from witnesspost.replay.play.player import of_the_site, play
from witnesspost.replay.play.reading_ahead import read
from witnesspost.replay.play.source import open_source
from witnesspost.replay.play.stored_facts import StoredFacts
from witnesspost.rules.facts import Fact, Planned, Port

from tests.replay.play.test_stored_facts import ENCODE, FAMILIES, fresh, logged


@pytest.fixture
def path(tmp_path, monkeypatch):
    """A log with told facts in it, and two cores to read it by, whatever this machine has."""
    monkeypatch.setattr(reading_beside, "WORTH_S", 0.0)
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0, 1})
    extra = [
        Port(t=20.0, stream="corrections", state="lost", reason="unplugged"),
        Port(t=31.0, stream="corrections", state="back"),
        Planned(t=40.0, stream="", for_s=5.0, why="battery"),
    ]
    return logged(tmp_path, FAMILIES["control-check"], extra)


@pytest.fixture
def processes(monkeypatch):
    """Those that are begun; a short log's may have done before anybody looks."""
    found = []

    def beside(*values):
        found.append(reading_beside.Beside(*values))
        return found[-1]

    monkeypatch.setattr(stored_facts, "Beside", beside)
    return found


def begun(stack, path, cache):
    """The stored facts and the changes of a replay that reads beside, with nothing played yet."""
    source = stack.enter_context(open_source(str(path)))
    known = stack.enter_context(contextlib.closing(StoredFacts(source, cache, beside=True)))
    return known, play(Pipeline(source.site), source.records, end_t=source.end_t, reader=known.reads)


@pytest.mark.parametrize("left_out", [None, "corrections", "receiver"])
def test_reads_what_the_player_lets_pass(path, left_out):
    with open_source(str(path)) as source, LogFile.open(path) as log:
        site = replace(source.site, stream=[stream for stream in source.site.stream if stream.name != left_out])
        wanted = Pipeline(source.site).wanted
        here = Reading(site, wanted, 0.0)
        expected = [read(here, record) for record in of_the_site(site, source.records)]
        found = [*reading_beside._reads(log, Reading(site, wanted, 0.0))]
    assert found == expected
    assert [type(came) for _, _, came, _, _ in found if isinstance(came, Fact)] == [Port, Port, Planned][
        2 if left_out == "corrections" else 0 :
    ]
    assert any(facts for _, _, _, facts, _ in found)


def test_says_the_same_and_keeps_it(path, tmp_path, processes):
    expected = [ENCODE(line) for line in _changes(path)]
    for is_known in (False, True):
        with contextlib.ExitStack() as stack:
            known, changes = begun(stack, path, tmp_path / "cache")
            said = [ENCODE(change) for change in changes]
            assert len(processes) == 1
            known.keep()
            assert known.are_known is is_known
        assert said == expected
        assert b"port-lost" in b"".join(said)
    assert not multiprocessing.active_children()


def _changes(path):
    with open_source(str(path)) as source:
        yield from play(Pipeline(source.site), source.records, end_t=source.end_t)


def test_a_short_log_or_a_single_core_has_no_process(path, tmp_path, monkeypatch, processes):
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0})
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        assert list(changes)
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0, 1})
    monkeypatch.setattr(reading_beside, "WORTH_S", 1e6)
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        assert list(changes)

    assert processes == []


def test_a_replay_that_is_broken_off_leaves_no_process_and_no_file(path, tmp_path, processes):
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        next(changes)
    assert len(processes) == 1
    assert not multiprocessing.active_children()
    assert list((tmp_path / "cache").iterdir()) == []


def test_a_process_that_dies_is_told_in_a_line(path, tmp_path, monkeypatch):
    monkeypatch.setattr(reading_beside, "_read", _dies)
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        with pytest.raises(UnreadableLog, match=r"0001\.db: the process that read it died; run it again with --no-cache$"):
            list(changes)
    assert list((tmp_path / "cache").iterdir()) == []


def _dies(*_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_what_the_log_raises_there_is_raised_here(path, tmp_path, monkeypatch):
    monkeypatch.setattr(reading_beside, "_read", _finds_a_silence)
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        with pytest.raises(LongSilence, match="40 days"):
            list(changes)


def _finds_a_silence(path, site, wanted, begins_t, to):
    to.send(LongSilence("nothing for 40 days"))


def test_a_log_that_cannot_be_read_there_is_raised_here(path, tmp_path):
    with contextlib.ExitStack() as stack:
        _, changes = begun(stack, path, tmp_path / "cache")
        path.rename(tmp_path / "elsewhere.db")  # open here, and gone there
        with pytest.raises(LogError, match=r"0001\.db"):
            list(changes)
    assert fresh(tmp_path / "elsewhere.db")
