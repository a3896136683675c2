"""However the watch ends, its lights and its buzzer end off: real processes, and a /sys of the test's own."""

import os
import signal
import subprocess
import sys
import time

import pytest

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
