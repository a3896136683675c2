"""The log on a thread of its own: woken when there is something to do, and writing what a log on the loop's thread writes."""

import random
import sqlite3
import threading
from contextlib import closing

import pytest
from witnesspost.daemon.log.recorder import Recorder
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import FIRST, SITE, Feeder, start

PATIENCE_S = 30.0


@pytest.fixture
def recorder(tmp_path):
    begun = threading.Event()
    now = [0.0]
    made = Recorder(tmp_path / "threaded", site_from_toml(SITE), SITE, lambda: now[0], lambda: None, begun.set)
    made.now = now
    made.start()
    assert begun.wait(PATIENCE_S)
    yield made
    made.close(now[0], "test")


def blocks(folder):
    with closing(sqlite3.connect(folder / FIRST)) as log:
        return log.execute("SELECT stream, t, t_last, chunks, data FROM raw ORDER BY n").fetchall()


def test_a_tick_has_something_to_do_exactly_when_it_is_due(tmp_path, monkeypatch):
    log = start(tmp_path)
    did = []
    for name in ("_write", "_look_at_file"):
        at = getattr(log, name)
        monkeypatch.setattr(log, name, lambda t, at=at, **more: (did.append(t), at(t, **more)))
    chance, t, due = random.Random(1), 0.0, 0
    for _ in range(400):
        next_t = t + chance.choice([0.2, 0.2, 0.2, 0.4, 1.3])
        log.chunk(t, "corrections", bytes(chance.choice([10, 500_000]) if chance.random() < 0.05 else 10))
        is_due = log.is_due(t, next_t)
        did.clear()
        log.tick(t, next_t)
        assert bool(did) == is_due
        due += is_due
        t = next_t
    assert 60 < due < 300
    log.close(t, "test")


def test_the_thread_commits_at_the_ticks_at_which_a_log_of_the_loop_would(tmp_path, recorder):
    plain = start(tmp_path / "plain")
    alone, threaded = Feeder(plain), Feeder(_InStep(recorder))
    alone.feed(0.0, 61.0)
    threaded.feed(0.0, 61.0)
    plain.close(61.0, "test")
    recorder.close(61.0, "test")
    assert recorder.loss is None
    assert blocks(tmp_path / "threaded") == blocks(tmp_path / "plain")
    assert len(blocks(tmp_path / "plain")) > 20


def test_a_tick_with_nothing_to_do_wakes_nobody(recorder):
    fed = _InStep(recorder)
    Feeder(fed).feed(0.0, 20.0)
    assert fed.ticks == 100
    assert fed.pressed <= 20 + 20 / 5 + 1  # the look at the files each second, and the commits


def test_bytes_that_wait_are_taken_before_they_are_many(recorder):
    with recorder._news:  # the thread takes nothing meanwhile
        presses = []
        for number in range(1, 5):
            recorder.bytes_came(number / 100, "corrections", bytes(20_000))
            recorder.tick(number / 100)
            presses.append(recorder._presses)
    assert presses == [False, False, False, True]


class _InStep:
    """A recorder, fed in step with its thread: what presses is done before the next thing comes."""

    def __init__(self, recorder):
        self.recorder = recorder
        self.ticks = self.pressed = 0

    def chunk(self, t, stream, data):
        self.recorder.bytes_came(t, stream, data)

    def tick(self, t):
        self.recorder.now[0] = t
        done = threading.Event()
        self.recorder.tick(t)
        self.ticks += 1
        with self.recorder._news:
            if not self.recorder._presses:
                return
            self.pressed += 1
            self.recorder._tasks.append((done.set, (), 0))
        assert done.wait(PATIENCE_S)
