"""Lights that are off at the end, that hang, and that go: real processes, and a /sys of the test's own."""

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest
from witnesspost.daemon.log.opening import NoSuchLog
from witnesspost.daemon.log.reading import LogFile

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "{port}"
carries = ["corrections"]
[[signal]]
kind = "led-class"
led = "lamp"
"""

# The command line as it is, but for the place of /sys.
PROGRAM = """
import functools, pathlib, sys
from witnesspost.daemon.commands import signal, watch
from witnesspost.daemon.cli import main
system = pathlib.Path(sys.argv.pop(1))
watch.Panel = functools.partial(watch.Panel, leds=system / "class/leds")
signal.Bank = functools.partial(signal.Bank, leds=system / "class/leds")
main()
"""


@pytest.fixture
def lamp(tmp_path):
    folder = tmp_path / "sys/class/leds/lamp"
    folder.mkdir(parents=True)
    (folder / "brightness").write_text("0")
    (folder / "max_brightness").write_text("255")
    (folder / "trigger").write_text("[none] heartbeat")
    return folder / "brightness"


@pytest.fixture
def command(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=tmp_path / "tty-not-there"))
    started = []

    def start(*words):
        environment = {key: value for key, value in os.environ.items() if key != "XDG_RUNTIME_DIR"}
        arguments = [sys.executable, "-c", PROGRAM, str(tmp_path / "sys"), *words, str(site)]
        started.append(
            subprocess.Popen(
                arguments, stderr=subprocess.PIPE, text=True, env={**environment, "RUNTIME_DIRECTORY": str(tmp_path)}
            )
        )
        return started[-1]

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=10)


def until_lit(process, lamp):
    deadline = time.monotonic() + 30
    while lamp.read_text() != "255":
        assert process.poll() is None, process.stderr.read()
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_dark(command, lamp, number):
    watch = command("watch")
    until_lit(watch, lamp)
    watch.send_signal(number)
    assert watch.wait(10) == 0
    assert lamp.read_text() == "0"


def test_after_a_kill_the_unit_s_own_command_makes_it_dark(command, lamp):
    """The lamp is lit by hand here, as a process that was killed in the middle of a beat leaves it."""
    watch = command("watch")
    until_lit(watch, lamp)
    watch.kill()
    watch.wait(10)
    lamp.write_text("255")
    assert command("signal", "--off").wait(10) == 0
    assert lamp.read_text() == "0"


def alerts_until(folder, fits):
    """The log's alerts as soon as one fits, while it is being written."""
    deadline = time.monotonic() + 30
    changes = []
    while True:
        with contextlib.suppress(NoSuchLog), LogFile.open(folder / "log" / "kestrel-base.0001.db") as log:
            changes = log.changes()
        if any(fits(change) for change in changes):
            return changes
        assert time.monotonic() < deadline, [(change.rule, change.cause) for change in changes]
        time.sleep(0.05)


def test_a_light_that_hangs_is_told_by_the_other_and_costs_no_more(command, lamp, tmp_path):
    """A pipe that nobody reads in place of the file: whoever opens it waits."""
    other = tmp_path / "sys/class/leds/other"
    shutil.copytree(lamp.parent, other)
    site = tmp_path / "site.toml"
    site.write_text(site.read_text() + '[[signal]]\nkind = "led-class"\nled = "other"\n')
    watch = command("watch")
    until_lit(watch, lamp)
    lamp.unlink()
    os.mkfifo(lamp)
    alerts_until(tmp_path, lambda change: (change.cause, change.evidence.get("output")) == ("output-failed", "LED lamp"))
    until_lit(watch, other / "brightness")
    watch.send_signal(signal.SIGTERM)
    assert watch.wait(10) == 0
    assert (other / "brightness").read_text() == "0"
    with LogFile.open(tmp_path / "log" / "kestrel-base.0001.db") as log:
        assert log.ended() == "stopped"


@pytest.mark.slow
def test_a_post_whose_only_light_is_gone_ends_with_its_log_closed_for_the_service_manager_to_start_it(command, lamp, tmp_path):
    watch = command("watch")
    until_lit(watch, lamp)
    shutil.rmtree(lamp.parent)
    assert watch.wait(60) == 1
    assert "the watch ends, its log closed: signals: turn: NoOutput" in watch.stderr.read()
    with LogFile.open(tmp_path / "log" / "kestrel-base.0001.db") as log:
        assert log.ended() == "fault"
        assert {"output-failed", "companion-failed"} <= {change.cause for change in log.changes()}
