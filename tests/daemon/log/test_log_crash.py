"""The service killed at random moments: nothing that was committed is lost, and nothing is missing unsaid.

The rounds are those of `tests/proof/kill_rounds.py`, which runs as many as one likes.
"""

import importlib.util
import os
import sys
from pathlib import Path

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

ALERT = ("sky", 7.5)


@pytest.fixture(scope="module")
def proof():
    path = Path(__file__).parents[2] / "proof" / "kill_rounds.py"
    spec = importlib.util.spec_from_file_location("kill_rounds", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_twenty_kills_lose_no_alert_and_at_most_commit_s(proof, tmp_path):
    outcomes = proof.run(20, 4, tmp_path, transit_s=1.0)  # a machine that runs tests is a busy one
    assert [text for outcome in outcomes for text in outcome.wrong] == []
    assert len(outcomes) == 20
    assert sum(outcome.kept_bytes for outcome in outcomes) > 0
    assert sum(outcome.raised for outcome in outcomes) > 0
    for post in range(4):
        _chain_goes_on(sorted((tmp_path / f"post{post}" / "log").glob("*.db")))


def _chain_goes_on(paths):
    """No file between two is missing, none was set aside: each begins where the one before it ended."""
    digest = None
    for path in paths:
        with LogFile.open(path) as log:
            assert log.run.previous_digest == digest
            digest = verify(log).digest
    assert not list(paths[0].parent.glob("*.damaged*"))


@pytest.mark.slow
def test_the_rounds_can_fail(proof, tmp_path):
    """A log that lost a block, an alert, or changed a byte is called wrong by the same check."""
    import random
    import sqlite3

    rng = random.Random(3)
    outcome = proof.kill_round(tmp_path, rng, 1.0)
    while not outcome.raised or not outcome.kept_bytes:
        outcome = proof.kill_round(tmp_path, rng, 1.0)
    assert outcome.wrong == []
    path = max((tmp_path / "log").glob("*.db"))
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE raw SET data = zeroblob(length(data)) WHERE n = (SELECT min(n) FROM raw)")
        connection.execute("DELETE FROM alert")
    connection.close()
    lines = {"corrections": proof.Line(), "receiver": proof.Line()}
    lines["receiver"].send(b"something else")
    judged = proof.judge(tmp_path / "log", [], lines, [ALERT], 1000.0)
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
    for line in lines.values():
        line.close()


@pytest.mark.slow
def test_a_log_that_commits_late_is_called_wrong(proof, monkeypatch):
    monkeypatch.setattr(proof, "QUICK", proof.QUICK.replace("{commit_s}", "9.0"))
    assert [text for text in proof._row(8, 2).wrong if text.endswith("rounds more than commit_s is missing")] != []


def test_bytes_before_there_is_a_file_are_lost_for_commit_s_at_most(proof, tmp_path):
    lines = {"corrections": proof.Line(), "receiver": proof.Line()}
    lines["corrections"].send(b"first")
    (sent_at, _), *_ = lines["corrections"].when
    assert proof.judge(tmp_path, [], lines, [ALERT], sent_at + 1.2).wrong == []
    judged = proof.judge(tmp_path, [], lines, [ALERT], sent_at + 1.3)
    assert (judged.wrong, judged.not_recorded) == (["5 bytes of 1.30 s and no file"], [ALERT])
    for line in lines.values():
        line.close()
