"""The service killed at random moments: nothing that was committed is lost, and nothing is missing unsaid.

The rounds are those of `tests/proof/kill_rounds.py`, which runs as many as one likes.
"""

import contextlib
import random
import shutil
import sqlite3
from pathlib import Path

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.daemon.log.feeding import start
from tests.proof import kill_rounds as proof
from tests.proof.schedule import Moment, Spent

ALERT = ("sky", 7.5)


def seen(at, sent, ran_s=0.0, waited_s=0.0):
    return proof.Seen(Moment(at, {"7": Spent(ran_s, waited_s)}), dict.fromkeys(("corrections", "receiver"), sent))


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
    judged = proof.judge(tmp_path / "log", [], None, lines, [ALERT], [seen(1000.0, 0)])
    assert any("its digest does not fit" in text or "is missing before it" in text for text in judged.wrong)
    assert any("receiver: what was kept is not what was sent" in text for text in judged.wrong)
    assert judged.not_recorded == [ALERT]


@pytest.mark.slow
def test_what_the_next_start_does_not_do_is_called_wrong(lines, tmp_path, monkeypatch):
    """It names what sounded and is in no log, and closes what was killed, as killed; a start that was stopped has said so."""
    site = tmp_path / "site.toml"
    site.write_text(proof.QUICK.format(commit_s=1.0, **{name: line.path for name, line in lines.items()}))
    assert proof.stopped_start(site, None, [ALERT]) == ["sky of 7.5 s is in no log, and the next start does not name it"]
    (stopped,) = (tmp_path / "log").glob("*.db")
    assert proof._ended(stopped, "stopped") == []
    wrong = f"{stopped.name}: ended 'stopped', not '{proof.KILLED}'"
    assert proof.judge(tmp_path / "log", [stopped], stopped, lines, [], [seen(0.0, 0)]).wrong == [wrong]
    shutil.copy(stopped, tmp_path / "log" / "kestrel-base.0002.db")
    judged = proof.judge(tmp_path / "log", [stopped], stopped, lines, [], [seen(0.0, 0)])
    assert judged.wrong == [wrong, "kestrel-base.0002.db: killed, and ended 'stopped'"]
    monkeypatch.setattr(proof, "_command", lambda site: ["sh", "-c", "exit 3"])
    assert proof.stopped_start(site, None, []) == [
        "the start that was stopped ended with 3",
        "the start that was stopped has begun 0 files",
    ]


def test_a_file_that_was_killed_is_closed_by_the_start_that_begins_another(lines, tmp_path):
    folder = tmp_path / "log"
    for _ in range(2):
        log = start(folder)
        log.chunk(0.0, "corrections", b"x")
        log.tick(6.0)
        log._folder.unlock()  # as a kill leaves it
    killed, newest = sorted(folder.glob("*.db"))
    lines["corrections"].send(b"x")

    def wrong(before, left_open):
        return proof.judge(folder, before, left_open, lines, [], [seen(0.0, 0)]).wrong

    assert wrong([killed], killed) == []
    with contextlib.closing(sqlite3.connect(newest)) as connection, connection:
        assert connection.execute("SELECT count(*) FROM event WHERE kind = 'log-closed'").fetchone() == (0,)
    assert wrong([killed, newest], newest) == []  # that start, too, was killed before it had begun a file
    assert f"{newest.name}: ended None, not '{proof.KILLED}'" in wrong([newest], newest)
    with contextlib.closing(sqlite3.connect(killed)) as connection, connection:
        connection.execute("UPDATE event SET detail = replace(detail, 'ended without closing it', 'was asleep')")
    assert any("ended 'the service was asleep'" in text for text in wrong([killed], killed))


def test_a_service_that_ends_by_itself_was_not_killed(tmp_path, monkeypatch):
    monkeypatch.setattr(proof, "_command", lambda site: ["sh", "-c", "exit 3"])
    monkeypatch.setattr(proof, "LONGEST_S", 0.0)
    outcome = proof.kill_round(tmp_path, random.Random(1), start_s=0.1)
    assert outcome.wrong == ["the service had ended by itself, with 3"]


def test_rounds_in_which_something_never_happened_have_tried_nothing():
    whole = proof.Outcome(proof.Waited(0.5, 0.5, 0.5), 100, 1, [], [], None, 1, 0.5)
    about_start = whole._replace(start_s=None)
    assert proof.row_of([whole, about_start]).wrong == ()
    spoilt = {
        "kill about a start": [whole],
        "byte kept": [whole._replace(kept_bytes=0), about_start._replace(kept_bytes=0)],
        "alert": [whole._replace(raised=0), about_start._replace(raised=0)],
        "file closed": [whole._replace(closed=0), about_start._replace(closed=0)],
    }
    for what, outcomes in spoilt.items():
        assert proof.row_of(outcomes).wrong == (f"kills: no {what}: nothing was tried",)
    assert "kills: no kill: nothing was tried" in proof.row_of([]).wrong


@pytest.mark.slow
def test_a_log_that_commits_late_is_called_wrong(monkeypatch):
    """Soon on a quiet machine; on a busy one, where a service is seldom idle, after longer."""
    monkeypatch.setattr(proof, "QUICK", proof.QUICK.replace("{commit_s}", "60.0"))
    for longest_s in (4.0, 8.0, 16.0, 32.0):
        monkeypatch.setattr(proof, "LONGEST_S", longest_s)
        if any("s of bytes are missing, in which it was idle" in text for text in proof._row(4, 2).wrong):
            return
    pytest.fail("every round held")


@pytest.mark.parametrize("file", [True, False], ids=["a file", "no file"])
def test_what_was_sent_waits_for_commit_s_at_most_whatever_the_service_does(lines, tmp_path, file):
    """Five bytes were sent, and so long after came the kill; the service ran or waited for a core, before and since."""
    if file:
        log = start(tmp_path)
        log.tick(6.0)
        log._folder.unlock()
    for line in lines.values():
        line.send(b"12345")

    def after(wall_s, ran_s=0.0, waited_s=0.0):
        looks = [seen(0.0, 0), seen(1.0, 5, 1.0, 2.0), seen(1.0 + wall_s, 5, 1.0 + ran_s, 2.0 + waited_s)]
        judged = proof.judge(tmp_path, [], None, lines, [ALERT], looks)
        assert judged.not_recorded == [ALERT]
        return judged.wrong

    what = "bytes are missing" if file else "bytes and no file"
    assert after(1.2) == []
    assert after(1.3) == [f"1.30 s of {what}, in which it was idle"]
    assert after(1.3, ran_s=0.1) == after(1.3, waited_s=0.1) == []
    assert after(2.3, waited_s=0.1) == [f"2.20 s of {what}, in which it was idle"]
    assert after(3.4, ran_s=3.0) == after(9.0, ran_s=2.0, waited_s=6.0) == []
    assert after(3.6, ran_s=3.0) == [f"3.60 s of {what}, in which it waited for no core"]
    assert after(9.0, ran_s=3.0, waited_s=5.0) == [f"4.00 s of {what}, in which it waited for no core"]


def test_what_nobody_reads_is_missing_to_the_kill_however_full_the_line_is(lines, tmp_path):
    for _ in range(100):
        lines["corrections"].send(b"x" * 60)  # more than a terminal keeps for who reads
    looks = [seen(n / 50, 60 * n) for n in range(100)]
    (wrong,) = proof.judge(tmp_path, [], None, {"corrections": lines["corrections"]}, [], looks).wrong
    assert wrong == "1.96 s of bytes and no file, in which it was idle"
