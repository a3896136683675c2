"""What hangs or is slow, and what goes on meanwhile: bytes reach the file, ports open, and it sounds."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.recorder import Recorder
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.recomputing import Recomputation
from witnesspost.daemon.service import Service
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.facts import Frozen
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import Line, Watch, epoch_frame
from tests.daemon.test_service import ON_DELAY_S, SITE, replayed
from tests.daemon.view import until
from tests.proof.disk import Disk

SYNC_S = 300.0  # until the disk is well, much sooner; who waits for it comes when it has synced again
LATE_S = 0.3  # an alert comes no later after its on-delay (design, lifecycle)


def kept(path):
    """The bytes that can be read in the log now."""
    try:
        with LogFile.open(path) as log:
            return b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes))
    except Exception:
        return b""


class Hangs:
    """A rule that does not come back until it is let go."""

    def __init__(self, monkeypatch):
        self.now, self.here, self.free = False, threading.Event(), threading.Event()
        judge = CorrectionsStopped.judge

        def hanging(rule, t):
            if self.now:
                self.here.set()
                self.free.wait(60)
            return judge(rule, t)

        monkeypatch.setattr(CorrectionsStopped, "judge", hanging)


@pytest.fixture
def running(tmp_path):
    """A service in this process, its site file in `tmp_path`."""
    line = Line(tmp_path / "tty-corrections")
    text = SITE.format(port=line.path)
    (tmp_path / "site.toml").write_text(text)
    service = Service(site_from_toml(text, str(tmp_path / "site.toml")), text, tmp_path / "log")
    thread = threading.Thread(target=service.run)
    thread.start()
    until(lambda: service.pulse().ready, 20.0)
    yield service, thread, line
    service.stop()
    thread.join(30)
    line.unplug()


def feed(line, first, count):
    sent = b""
    for number in range(first, first + count):
        frame = epoch_frame(number)
        line.send(frame)
        sent += frame
        time.sleep(0.1)
    return sent


def test_while_a_rule_hangs_bytes_reach_the_file_and_a_replay_says_the_same(tmp_path, running, monkeypatch):
    service, thread, line = running
    path = tmp_path / "log" / "kestrel-rover.0001.db"
    hang = Hangs(monkeypatch)
    sent = feed(line, 0, 3)
    hang.now = True
    assert hang.here.wait(10)
    sent += feed(line, 3, 5)
    until(lambda: kept(path) == sent, 10.0)
    time.sleep(1.5)  # a silence that the rules have not judged yet
    sent += feed(line, 8, 3)
    until(lambda: kept(path) == sent, 10.0)
    hang.now = False
    hang.free.set()
    sent += feed(line, 11, 5)
    until(lambda: service.readers[0].bytes_read == len(sent), 20.0)
    service.stop()
    thread.join(30)
    assert kept(path) == sent
    with LogFile.open(path) as log:
        report = verify(log)
        assert report.sound
        assert Recomputation().compare(log, report.digest) is None
        logged = [(c.t, c.change, c.rule, c.cause) for c in log.changes()]
    assert ("raised", "corrections-stopped") in [c[1:3] for c in logged]
    assert [(c["t"], c["change"], c["rule"], c["cause"]) for c in replayed(path, tmp_path / "site.toml")] == logged


HANGS = """
import sys, time
from pathlib import Path
from witnesspost.rules.engine.engine import Engine
judge = Engine.judge
def hanging(engine, t):
    while Path(sys.argv[-1]).with_name("hang").exists():
        time.sleep(60.0)
    return judge(engine, t)
Engine.judge = hanging
from witnesspost.daemon.cli import main
main(prog_name="witnesspost")
"""


@pytest.mark.parametrize("how", ["a rule hangs", "killed", pytest.param("frozen", marks=pytest.mark.slow)])
def test_what_an_ended_process_costs_is_told_as_a_gap(tmp_path, line, how):
    """As the service manager does it: SIGABRT, then SIGCONT; and the next start."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=line.path))
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-c", HANGS, "watch", str(site)]
    path = tmp_path / "log" / "kestrel-rover.0001.db"
    with subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, env=environment, text=True) as watch:
        try:
            while "open" not in watch.stderr.readline():
                pass
            sent = feed(line, 0, 3)
            until(lambda: kept(path) == sent, 20.0)
            if how == "a rule hangs":
                (tmp_path / "hang").touch()
            elif how == "frozen":
                watch.send_signal(signal.SIGSTOP)
            sent += feed(line, 3, 8)
            if how == "killed":
                watch.kill()
            else:
                watch.send_signal(signal.SIGABRT)
                watch.send_signal(signal.SIGCONT)
            ended_at = time.monotonic()
            said = watch.communicate(timeout=30)[1]
        finally:
            watch.kill()
    if how == "killed":
        assert sent.startswith(kept(path))
    else:
        assert watch.returncode == -signal.SIGABRT
        assert "Fatal Python error: Aborted" in said
        assert kept(path) == sent
        with LogFile.open(path) as log:
            report = verify(log)
            assert report.sound
            assert Recomputation().compare(log, report.digest) is None
            assert log.ended().startswith("it did not come round and was ended (")
            assert how == "frozen" or "<string>:" in log.ended()
    (tmp_path / "hang").unlink(missing_ok=True)
    post = Watch(site)
    post.until_said("open")
    opened_at = time.monotonic()
    feed(line, 11, 3)
    assert post.stop() == 0
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0002.db") as log:
        (gap,) = [gap for gap in log.gaps() if gap.why.startswith("not watched")]
        assert gap.stream == "corrections"
        assert ("did not come round" in gap.why) == (how != "killed")
        assert gap.t == -gap.seconds
        assert 0.0 < gap.seconds <= opened_at - ended_at + 1.0


@pytest.mark.slow
@pytest.mark.parametrize("attempt", range(3))
def test_a_process_that_was_frozen_and_goes_on_takes_it_for_no_silence(tmp_path, line, watch, attempt):
    """Bytes wait in the kernel meanwhile: who did not run cannot say that nothing came."""
    post = watch(SITE.format(port=line.path))
    post.until_said("open")
    sent = feed(line, 0, 10)
    post.process.send_signal(signal.SIGSTOP)
    sent += feed(line, 10, 30)
    post.process.send_signal(signal.SIGCONT)
    sent += feed(line, 40, 20)
    stop = post.until_change("raised", "corrections-stopped")  # the line is silent now, and that is said as ever
    assert post.stop() == 0
    assert [one["change"] for one in post.changes if one["rule"] == "corrections-stopped"].count("raised") == 1
    path = tmp_path / "log" / "kestrel-rover.0001.db"
    assert kept(path) == sent
    with LogFile.open(path) as log:
        told = [what for _, _, what in log.inputs() if isinstance(what, Frozen)]
        assert verify(log).sound
    longest = max(told, key=lambda one: one.for_s)  # a machine that others use may starve it for a second, too
    assert longest.for_s > 2.5
    assert longest.t + longest.for_s < stop["t"]
    raised = [(c["t"], c["rule"]) for c in replayed(path, tmp_path / "site.toml") if c["change"] == "raised"]
    assert raised == [(c["t"], c["rule"]) for c in post.changes if c["change"] == "raised"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_an_error_of_the_log_ends_the_service(tmp_path, running, monkeypatch):
    service, thread, _ = running

    def broken(t, next_t):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(service.log._log, "tick", broken)
    thread.join(20)
    assert not thread.is_alive()
    assert "a bug" in service.log.loss.why


@pytest.mark.slow
def test_a_slow_card_holds_up_neither_ports_nor_alarms(tmp_path):
    """The first sync has not come back when the ports are open, nor when it sounds: longer than of any worn-out card."""
    line = Line(tmp_path / "tty-corrections")
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=line.path))
    disk = Disk(tmp_path / "log")
    disk.is_slow(SYNC_S)
    environment = {**os.environ, **disk.environment, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site), "--json"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True) as watch:
        try:
            assert any("open" in text for text in watch.stderr)
            until(lambda: disk.syncs() == 1, 60.0)
            sent = feed(line, 0, 10)
            assert any("corrections-stopped" in text for text in watch.stdout)
            syncs = disk.syncs()
            disk.is_well()
            watch.terminate()
            watch.communicate(timeout=60)
        finally:
            watch.kill()
    assert syncs == 1  # it had begun and did not come back, whatever was done meanwhile
    path = tmp_path / "log" / "kestrel-rover.0001.db"
    assert kept(path) == sent
    with LogFile.open(path) as log:
        inputs = [(t, what) for t, _, what in log.inputs()]
        (raised,) = [change for change in log.changes() if change.change == "raised"]
    last_t = max(t for t, what in inputs if isinstance(what, bytes))
    frozen_s = sum(what.for_s for t, what in inputs if isinstance(what, Frozen) and t >= last_t)  # by a machine that starves it
    assert ON_DELAY_S <= raised.t - last_t <= ON_DELAY_S + LATE_S + frozen_s


def test_a_disk_that_never_answers_costs_bytes_in_bounded_memory_and_says_so(tmp_path):
    site = site_from_toml(SITE.format(port="loop://"))
    free = threading.Event()
    log = Recorder(tmp_path / "log", site, "", time.monotonic, lambda: None, lambda: free.wait(60))
    log.start()
    until(lambda: log.state().path is not None, 20.0)
    data = bytes(1 << 16)
    for number in range(200):  # 13 MB
        log.bytes_came(number / 100, "corrections", data)
        log.tick(number / 100)
    assert log._waiting_bytes <= 5 << 20
    free.set()
    until(lambda: log._waiting_bytes == 0, 20.0)
    log.tick(3.0)
    log.close(3.1, "stopped")
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as opened:
        (gap,) = [gap for gap in opened.gaps() if gap.lost_bytes]
        size = sum(len(what) for _, _, what in opened.inputs() if isinstance(what, bytes))
        assert gap.lost_bytes + size == 200 * len(data)
        assert "the disk did not answer" in gap.why
        assert verify(opened).sound


def test_the_disk_of_these_tests_is_one(tmp_path):
    """The shim works on the folder that it is given, and on no other."""
    disk = Disk(tmp_path / "here")
    disk.is_slow(0.3)
    (tmp_path / "here").mkdir()
    script = (
        "import os, sys, time\n"
        "for folder in sys.argv[1:]:\n"
        "    f = os.open(folder + '/file', os.O_CREAT | os.O_WRONLY); os.write(f, b'x'); t = time.monotonic()\n"
        "    os.fsync(f); print(time.monotonic() - t)\n"
    )
    words = [sys.executable, "-c", script, str(tmp_path / "here"), str(tmp_path)]
    done = subprocess.run(words, capture_output=True, text=True, check=True, env={**os.environ, **disk.environment})
    slow, fast = map(float, done.stdout.split())
    assert slow >= 0.3 > fast
    assert disk.syncs() == 1
