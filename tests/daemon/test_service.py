"""The whole service as a process on real lines: what it says, what it keeps, and what a replay of its log says."""

import contextlib
import json
import os
import pty
import signal
import socket
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
from witnesspost.daemon.log.opening import NoSuchLog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.service import Service
from witnesspost.daemon.status.server import NoAnswer, ask
from witnesspost.rules.facts import SetUp, Unseen
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import Watch, epoch_frame, started, until_read
from tests.kestrel import KQ_1

SITE = """
[post]
name = "kestrel-rover"
role = "rover"
commit_s = 0.5
[[stream]]
name = "corrections"
port = "{port}"
carries = ["corrections"]
[base]
station_id = 417
[rules.corrections-stopped]
on_delay_s = 1.0
intervals = 1.0
"""
ON_DELAY_S = 1.0


def feed_epochs(send, count):
    """`count` epochs a fifth of a second apart: pace for a live line, not a wait for a result."""
    sent = b""
    for number in range(count):
        frame = epoch_frame(number)
        send(frame)
        sent += frame
        time.sleep(0.2)
    return sent


def until_written(path, change):
    """Wait until the log at `path`, which is being written, holds such a change of an alert."""
    deadline = time.monotonic() + 30.0
    while True:
        with contextlib.suppress(NoSuchLog), LogFile.open(path) as log:
            if change in [said.change for said in log.changes()]:
                return
        assert time.monotonic() < deadline, f"no alert {change}"
        time.sleep(0.02)


def until_answered(path, fits):
    """Wait until the post answers on its socket, and answers so."""
    deadline = time.monotonic() + 30.0
    while True:
        with contextlib.suppress(NoAnswer):
            if fits(ask(path)):
                return
        assert time.monotonic() < deadline, "no such answer"
        time.sleep(0.02)


def raised_after_silence(log, change):
    """`t` of the alert minus `t` of the last byte before it."""
    last = max(t for t, _, what in log.inputs() if isinstance(what, bytes) and t <= change["t"])
    return change["t"] - last


def replayed(log_path, site):
    done = subprocess.run(
        [sys.executable, "-m", "witnesspost.daemon", "replay", str(log_path), "--site", str(site), "--json"],
        capture_output=True,
        text=True,
        check=True,
    )
    return [json.loads(text) for text in done.stdout.splitlines()]


@pytest.mark.slow
def test_silence_on_a_pty_then_back_then_unplugged_then_back(tmp_path, line, watch):
    post = watch(SITE.format(port=line.path))
    post.until_said("open")
    sent = feed_epochs(line.send, 5)
    silent = post.until_change("raised", "corrections-stopped")
    assert (silent["cause"], silent["because_of"], silent["severity"]) == ("line-silent", None, "stop")

    sent += feed_epochs(line.send, 18)
    post.until_change("normal", "corrections-stopped")
    line.unplug()
    gone = post.until_change("raised", "corrections-stopped")
    assert gone["cause"] == "port-lost"
    line.plug_in()
    post.until_said("back")
    sent += feed_epochs(line.send, 4)
    until_read(tmp_path / "kestrel-rover.sock", sent)
    assert post.stop() == 0

    (path,) = (tmp_path / "log").glob("*.db")
    with LogFile.open(path) as log:
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent
        assert ON_DELAY_S <= raised_after_silence(log, silent) <= ON_DELAY_S + 0.3
        assert log.ended() == "stopped"
        assert verify(log).sound
    assert replayed(path, tmp_path / "site.toml") == post.changes


@pytest.mark.slow
def test_a_stop_that_nobody_had_seen_when_the_power_went_is_unseen_after_the_next_start(tmp_path, line, watch):
    text = SITE.format(port=line.path)
    post = watch(text)
    post.until_said("open")
    feed_epochs(line.send, 5)
    raised = post.until_change("raised", "corrections-stopped")
    until_written(tmp_path / "log" / "kestrel-rover.0001.db", "raised")
    post.process.kill()
    post.process.wait(10)

    post = watch(text)
    again = post.until_change("normal", "corrections-stopped")
    assert (again["severity"], again["cause"], again["because_of"]) == ("stop", raised["cause"], None)
    assert again["t"] < 5.0  # as soon as the files of before have been looked at, for which nobody waits
    assert again["say"] == raised["say"]
    assert again["evidence"]["of_run"] == "kestrel-rover.0001.db"
    if not any("open" in said for said in post.said):
        post.until_said("open")
    feed_epochs(line.send, 8)
    status = ask(tmp_path / "kestrel-rover.sock")
    assert [(a.state, a.of_run, a.say) for a in status.alerts] == [("normal", "kestrel-rover.0001.db", raised["say"])]
    assert status.state == "stop over, not seen"
    assert post.stop() == 0
    second = tmp_path / "log" / "kestrel-rover.0002.db"
    with LogFile.open(second) as log:
        assert [type(what) for _, _, what in log.inputs()].count(Unseen) == 1
        assert verify(log).sound
    assert replayed(second, tmp_path / "site.toml") == post.changes


def test_a_tcp_source_is_watched_the_same(tmp_path, watch):
    with socket.create_server(("127.0.0.1", 0)) as server:
        post = watch(SITE.format(port=f"socket://127.0.0.1:{server.getsockname()[1]}"))
        connection, _ = server.accept()
        with connection:
            sent = feed_epochs(connection.sendall, 5)
            silent = post.until_change("raised", "corrections-stopped")
        assert silent["cause"] == "line-silent"
        assert post.stop(signal.SIGINT) == 0
    (path,) = (tmp_path / "log").glob("*.db")
    with LogFile.open(path) as log:
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent
        assert ON_DELAY_S <= raised_after_silence(log, silent) <= ON_DELAY_S + 0.3
        rows = log.select("SELECT alert, n FROM alert ORDER BY n")
    assert [(c["alert"], c["seq"]) for c in post.changes] == rows
    assert replayed(path, tmp_path / "site.toml") == post.changes


def test_a_port_that_is_not_there_yet_is_waited_for(tmp_path, line, watch):
    line.unplug()
    post = watch(SITE.format(port=line.path))
    assert "not there yet" in post.until_said("waiting")
    line.plug_in()
    post.until_said("open")
    sent = feed_epochs(line.send, 2)
    until_read(tmp_path / "kestrel-rover.sock", sent)
    assert post.stop() == 0
    (path,) = (tmp_path / "log").glob("*.db")
    with LogFile.open(path) as log:
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent


def test_two_services_on_one_log(tmp_path, line, watch):
    post = watch(SITE.format(port=line.path))
    post.until_said("open")
    second = subprocess.run(
        [sys.executable, "-m", "witnesspost.daemon", "watch", str(tmp_path / "site.toml")], capture_output=True, text=True
    )
    assert second.returncode == 2
    assert len(second.stderr.splitlines()) == 1
    assert "kestrel-rover" in second.stderr
    assert post.stop() == 0


def test_two_services_on_one_port(tmp_path, line, watch):
    post = watch(SITE.format(port=line.path))
    post.until_said("open")
    other = tmp_path / "other.toml"
    other.write_text(SITE.format(port=line.path).replace("kestrel-rover", "kestrel-other"))
    second = Watch(other)
    try:
        assert "in use by another program" in second.until_said("waiting")
        sent = feed_epochs(line.send, 3)
        until_read(tmp_path / "kestrel-rover.sock", sent)
    finally:
        assert second.stop() == 0
    assert post.stop() == 0
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent


@pytest.mark.skipif(os.geteuid() != 0, reason="takes rights away from a user that only root can become")
def test_a_port_that_needs_rights_names_the_group(open_folder):
    port = open_folder / "tty0"
    os.mkfifo(port, 0o600)
    site = open_folder / "site.toml"
    site.write_text(SITE.format(port=port))
    site.chmod(0o644)
    script = (
        "import os, sys; os.setgid(65534); os.setuid(65534); from witnesspost.daemon.cli import main; "
        f"main(['watch', {str(site)!r}], prog_name='witnesspost')"
    )
    # Whatever is needed is imported first: the interpreter may stand where that user cannot look.
    script = "import witnesspost.rules.datum.check; from witnesspost.daemon.commands import watch\n" + script
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 2, done.stderr
    assert "be in the group root" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_who_says_a_set_up_and_asks_in_the_same_second_reads_what_he_has_said(tmp_path):
    service = Service(site_from_toml(SITE), SITE, tmp_path)
    service._turn(0.0)
    assert service.snapshot().set_up.planned
    service._process([SetUp(t=0.1, stream="", point=None, antenna_height_m=1.5, pole_height_m=1.9, by="Kim")])
    service._turn(0.2)
    assert (service.snapshot().set_up.pole_height_m, service.snapshot().set_up.by) == (1.9, "Kim")


def test_a_site_file_without_streams(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text('stream = []\n[post]\nname = "kestrel-rover"\nrole = "rover"\n')
    done = subprocess.run([sys.executable, "-m", "witnesspost.daemon", "watch", str(site)], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{site}: stream: none;")
    assert not (tmp_path / "log").exists()


def test_a_reader_of_its_lines_that_goes_away_does_not_end_the_watch(tmp_path, line):
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=line.path))
    ours, theirs = os.pipe()
    env = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    with started(words, stdout=theirs, stderr=subprocess.PIPE, text=True, env=env) as process:
        os.close(theirs)
        os.close(ours)  # whoever read the alerts is gone before there is one
        while "open" not in process.stderr.readline():
            pass
        sent = feed_epochs(line.send, 2)
        until_written(tmp_path / "log" / "kestrel-rover.0001.db", "raised")
        sent += feed_epochs(line.send, 2)
        process.send_signal(signal.SIGHUP)
        process.communicate(timeout=10)
    assert process.returncode == 0
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        assert log.ended() == "stopped"
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent
        assert [c.change for c in log.changes()][:1] == ["raised"]


@pytest.mark.parametrize("how", ["a full pipe", pytest.param("a stopped terminal", marks=pytest.mark.slow)])
def test_output_that_nobody_reads_holds_up_neither_the_watch_nor_its_end(tmp_path, line, how):
    """Both standard output and standard error are blocked before the watch begins to write."""
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=line.path))
    if how == "a full pipe":
        ours, theirs = os.pipe()
        os.set_blocking(theirs, False)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(theirs, bytes(4096))
        os.set_blocking(theirs, True)
    else:
        ours, theirs = pty.openpty()
        termios.tcflow(theirs, termios.TCOOFF)
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    with started(words, stdout=theirs, stderr=theirs, env=environment) as process:
        try:
            until_answered(tmp_path / "kestrel-rover.sock", lambda status: status.ports[0].state == "open")
            sent = feed_epochs(line.send, 2)
            until_written(tmp_path / "log" / "kestrel-rover.0001.db", "raised")
            sent += feed_epochs(line.send, 2)
            process.send_signal(signal.SIGTERM)
            assert process.wait(5) == 0  # two seconds on a quiet machine
        finally:
            process.kill()
    os.close(ours)
    os.close(theirs)
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        assert log.ended() == "stopped"
        assert b"".join(what for _, _, what in log.inputs() if isinstance(what, bytes)) == sent


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            SITE.format(port="/dev/ttyUSB0")
            + '[project]\nframe = "EPSG:99999"\nvertical = "geoid"\n[[project.control]]\nname = "KQ-1"\n'
            "latitude = 39.1\nlongitude = -104.9\nheight = 1874.3\n",
            "project.frame",
        ),
        ("a = " + "[\n" * 5000, "nested too deeply"),
        (None, "cannot be read"),
    ],
)
def test_a_site_file_that_cannot_be_used_starts_nothing(tmp_path, text, words):
    site = tmp_path / "site.toml"
    if text is not None:
        site.write_text(text)
    done = subprocess.run([sys.executable, "-m", "witnesspost.daemon", "watch", str(site)], capture_output=True, text=True)
    assert done.returncode == 2
    (said,) = done.stderr.splitlines()
    assert words in said
    assert not (tmp_path / "log").exists()


def test_bytes_are_kept_where_there_is_no_site_file_to_read(tmp_path):
    # Nothing to read means no port: but the service stays, says so, and waits for the file.
    env = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", "--keep-bytes", str(tmp_path / "none.toml")]
    with started(words, stderr=subprocess.PIPE, text=True, env=env, cwd=tmp_path) as process:
        said = [process.stderr.readline() for _ in range(2)]
        process.terminate()
        process.communicate(timeout=10)
    assert process.returncode == 0
    assert any("cannot be read" in text for text in said)


PROJECT = f"""
[project]
name = "Kestrel quarry haul road"
frame = "EPSG:6319"
epoch = 2010.0
vertical = "geoid"
{KQ_1}"""
POSITION = b"$GNGGA,120000.00,3907.4074020,N,10459.2592580,W,4,12,0.8,1890.000,M,-17.000,M,1.0,0417*5B\r\n"


@pytest.mark.parametrize("project", ["", PROJECT], ids=["no project", "a project"])
def test_only_a_post_with_a_project_loads_projs_machinery(tmp_path, line, project):
    """Fourteen MiB that a small computer keeps: nothing that is judged without a project may load it."""
    site = tmp_path / "site.toml"
    site.write_text(
        SITE.format(port=line.path).replace('carries = ["corrections"]', 'carries = ["corrections", "positions"]') + project
    )
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)}
    words = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    with started(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment) as process:
        until_answered(tmp_path / "kestrel-rover.sock", lambda status: status.ports[0].state == "open")
        feed_epochs(lambda frame: line.send(frame + POSITION), 2)
        until_written(tmp_path / "log" / "kestrel-rover.0001.db", "raised")
        until_answered(tmp_path / "kestrel-rover.sock", lambda status: status.alerts)
        mapped = Path(f"/proc/{process.pid}/maps").read_text()
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    assert ("pyproj" in mapped) == bool(project)
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        assert log.select("SELECT count(*) FROM fix")[0] == (2,)
