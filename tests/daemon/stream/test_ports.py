"""Reading a port, on a pty."""

import os
import pty
import threading
import time
import tty

import pytest
from witnesspost.daemon.stream import ports
from witnesspost.daemon.stream.inbox import Inbox
from witnesspost.daemon.stream.intake import milliseconds
from witnesspost.daemon.stream.ports import in_short, open_port


@pytest.fixture
def line():
    """The far end of a line, and the open port at this one."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    port = open_port(name, 115200)
    ends = [master, slave]
    yield ends, port, name
    port.close()
    for end in ends:
        os.close(end)


def test_a_burst_is_what_came_together(line, monkeypatch):
    (master, _), port, _ = line
    sleep = time.sleep

    def second_comes(seconds):
        assert seconds == ports.GATHER_S
        os.write(master, b"second")
        while port.in_waiting < len(b"firstsecond"):  # the kernel hands it over in its own time
            sleep(0.001)

    monkeypatch.setattr(ports.time, "sleep", second_comes)
    os.write(master, b"first")
    assert ports._burst(port) == b"firstsecond"


def test_a_line_that_is_silent_brings_nothing_and_does_not_hold_up_its_reader(line, monkeypatch):
    _, port, _ = line
    monkeypatch.setattr(ports, "READ_DEADLINE_S", 0.01)
    assert ports._burst(port) == b""


def test_a_device_that_has_gone_is_an_error_with_its_reason(line):
    """A line that was hung up is always ready, at its end (tty_hung_up_p in the kernel's tty_io.c)."""
    ends, port, name = line
    os.close(ends.pop(0))
    with pytest.raises(OSError, match="No such device") as error:
        ports._burst(port)
    assert in_short(error.value, name) == "No such device"


def test_who_waits_is_woken_by_what_comes():
    inbox = Inbox(["corrections"])
    came = []
    waiting = threading.Thread(target=lambda: came.append(inbox.wait(30.0)))
    waiting.start()
    assert inbox.put(ports.Chunk(0.0, "corrections", b"any"))
    waiting.join(20.0)
    assert came == [True]
    inbox.take_items()
    assert not inbox.wait(0.0)


def test_each_moment_of_the_grid_is_reached_when_the_clock_says_it():
    """In binary fractions 3 x 0.2 is after 0.6: a loop that waits for it would come round twice."""
    assert all(milliseconds(ms / 1000.0) == ms for ms in range(0, 90_000_000, 200))
