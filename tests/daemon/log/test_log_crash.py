"""The service killed at random moments: nothing that was committed is lost, and nothing is missing unsaid.

The rounds are those of `tests/proof/kill_rounds.py`, which runs as many as one likes.
"""

import contextlib
import os
import random
import sqlite3
import sys
from pathlib import Path

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.proof import kill_rounds as proof
from tests.proof.schedule import Moment, Spent, left_s

ALERT = ("sky", 7.5)


def seen(at, read, busy_s=0.0):
    return proof.Seen(Moment(at, {"7": Spent(busy_s / 3, busy_s * 2 / 3)}), read)


@pytest.fixture
def lines(tmp_path):
    found = {name: proof.NumberedLine(tmp_path / f"our-{name}") for name in ("corrections", "receiver")}
    yield found
    for line in found.values():
        line.unplug()


@pytest.mark.slow
def test_twenty_kills_lose_no_alert_and_at_most_commit_s():
    with proof.folder_in_memory() as folder:
        outcomes = proof.run(20, 4, Path(folder))
        assert [text for outcome in outcomes for text in outcome.wrong] == []
        assert len(outcomes) == 20
        assert sum(outcome.kept_bytes for outcome in outcomes) > 0
        assert sum(outcome.raised for outcome in outcomes) > 0
        for post in range(4):
            _chain_goes_on(sorted(Path(folder, f"post{post}", "log").glob("*.db")))


def _chain_goes_on(paths):
    """No file between two is missing, none was set aside: each begins where the one before it ended."""
    digest = None
    for path in paths:
        with LogFile.open(path) as log:
            assert log.run.previous_digest == digest
            digest = verify(log).digest
    assert not list(paths[0].parent.glob("*.damaged*"))


@pytest.mark.slow
def test_the_rounds_can_fail(lines, tmp_path):
    """A log that lost a block, an alert, or changed a byte is called wrong by the same check."""
    rng = random.Random(3)
    outcome = proof.kill_round(tmp_path, rng)
    while not outcome.raised or not outcome.kept_bytes:
        outcome = proof.kill_round(tmp_path, rng)
    assert outcome.wrong == []
    path = max((tmp_path / "log").glob("*.db"))
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE raw SET data = zeroblob(length(data)) WHERE n = (SELECT min(n) FROM raw)")
        connection.execute("DELETE FROM alert")
    lines["receiver"].send(b"something else")
    judged = proof.judge(tmp_path / "log", [], lines, [ALERT], [seen(1000.0, {"corrections": 0, "receiver": 0})])
    assert any("its digest does not fit" in text or "is missing before it" in text for text in judged.wrong)
    assert any("receiver: what was kept is not what was sent" in text for text in judged.wrong)
    assert judged.not_recorded == [ALERT]
    site = tmp_path / "site.toml"
    site.write_text(proof.QUICK.format(commit_s=1.0, **{name: line.path for name, line in lines.items()}))
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    assert proof._named_by_the_next_start(words, environment, tmp_path / "log", [ALERT]) == [
        "sky of 7.5 s is in no log, and the next start does not name it"
    ]


@pytest.mark.slow
def test_a_log_that_commits_late_is_called_wrong(monkeypatch):
    """Soon on a quiet machine; on a busy one, where a service is seldom idle, after longer."""
    monkeypatch.setattr(proof, "QUICK", proof.QUICK.replace("{commit_s}", "60.0"))
    for longest_s in (4.0, 8.0, 16.0, 32.0):
        monkeypatch.setattr(proof, "LONGEST_S", longest_s)
        if any(text.endswith("s of bytes are missing") for text in proof._row(4, 2).wrong):
            return
    pytest.fail("every round held")


def test_bytes_before_there_is_a_file_are_lost_for_commit_s_at_most(lines, tmp_path):
    def after(waited_s, busy_s=0.0):
        """Five bytes were read, and so long after came the kill; the service ran or waited for a core, and had before."""
        read = {"corrections": 5, "receiver": 0}
        looks = [seen(0.0, dict.fromkeys(lines, 0)), seen(1.0, read, 3.0), seen(1.0 + waited_s, read, 3.0 + busy_s)]
        return proof.judge(tmp_path, [], lines, [ALERT], looks)

    assert after(1.2).wrong == []
    assert (after(1.3).wrong, after(1.3).not_recorded) == (["5 bytes of 1.30 s and no file"], [ALERT])
    assert after(1.3, busy_s=0.1).wrong == []
    assert after(2.3, busy_s=0.1).wrong == ["5 bytes of 2.20 s and no file"]


def test_what_the_pty_still_has_was_not_read(lines):
    line = lines["corrections"]
    line.send(b"x" * 100)
    while line.read() != 0:
        pass
    assert os.read(line.slave, 40) == b"x" * 40
    assert line.read() == 40


def test_a_wait_goes_to_the_time_before_it_was_over():
    def at(t, **spent):
        return Moment(t, {name: Spent(*s) for name, s in spent.items()})

    waits = [at(0.0, a=(0, 0), b=(0, 0)), at(1.0, a=(0, 0), b=(0, 1)), at(2.0, a=(0, 1.5), b=(0, 1)), at(3.0, b=(0.25, 1))]
    assert left_s(waits, ran=False) == pytest.approx(1.0)
    assert left_s(waits, ran=True) == pytest.approx(0.75)
