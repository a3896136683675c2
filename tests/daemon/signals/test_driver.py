"""An output on a thread of its own: whoever switches it never waits, and one that hangs is known by its deadline."""

import os
import pty
import termios
import threading

import pytest
from witnesspost.daemon.signals.driver import DEADLINE_S, OPEN_S, Driver
from witnesspost.daemon.signals.outputs import Bell, OutputError

from tests.daemon.view import until


class Lamp:
    """An output that hangs while `free` is not set, and raises `error` if there is one."""

    def __init__(self):
        self.seen = []
        self.free = threading.Event()
        self.free.set()
        self.error = None
        self.closed = False

    def set(self, on):
        self.free.wait()
        if self.error:
            raise self.error
        self.seen.append(on)

    def close(self):
        self.closed = True


@pytest.fixture
def lamp():
    one = Lamp()
    yield one
    one.free.set()


@pytest.fixture
def clock():
    now = [0.0]
    return now


def driver_of(lamp, clock):
    one = Driver("lamp", lambda: lamp, lambda: clock[0])
    assert one.opened(10.0) is None
    return one


def test_what_is_wished_is_done_and_the_last_wish_counts(lamp, clock):
    driver = driver_of(lamp, clock)
    driver.set(True)
    until(lambda: lamp.seen == [True])
    lamp.free.clear()
    driver.set(False)
    until(lambda: driver.busy)
    driver.set(True)
    driver.set(False)
    lamp.free.set()
    until(lambda: lamp.seen == [True, False])
    driver.close()
    driver.join(10.0)
    assert (lamp.closed, lamp.seen, driver.trouble(1e9)) == (True, [True, False], None)


def test_one_that_hangs_is_known_by_its_deadline_and_well_again_when_it_comes_back(lamp, clock):
    driver = driver_of(lamp, clock)
    lamp.free.clear()
    driver.set(True)
    until(lambda: driver.busy)
    assert driver.trouble(DEADLINE_S) is None
    assert driver.trouble(DEADLINE_S + 0.01) == "it hangs"
    driver.set(False)
    lamp.free.set()
    until(lambda: lamp.seen == [True, False])
    until(lambda: not driver.busy)
    assert driver.trouble(1e9) is None
    driver.close()


def test_one_that_hangs_holds_up_neither_who_switches_nor_who_closes(lamp, clock):
    driver = driver_of(lamp, clock)
    lamp.free.clear()
    for number in range(1000):
        driver.set(number % 2 == 0)
    driver.close()
    driver.join(0.01)
    assert lamp.seen == []


def test_one_that_fails_stays_failed(lamp, clock):
    driver = driver_of(lamp, clock)
    lamp.error = OSError(19, "No such device")
    driver.set(True)
    until(lambda: driver.trouble(0.0))
    assert driver.trouble(0.0) == "[Errno 19] No such device"
    driver.join(10.0)
    assert lamp.closed


def test_one_that_cannot_be_opened_says_why_and_one_that_hangs_there_has_longer(clock):
    def none():
        raise OutputError("LED blue: no such LED")

    assert Driver("LED blue", none, lambda: 0.0).opened(10.0) == "LED blue: no such LED"
    opens = threading.Event()
    driver = Driver("lamp", lambda: opens.wait() and Lamp(), lambda: clock[0])
    assert driver.opened(0.01) == "lamp: it does not answer"
    assert (driver.trouble(OPEN_S), driver.trouble(OPEN_S + 0.01)) == (None, "it hangs")
    opens.set()
    driver.close()


class NotedBell(Bell):
    """Says how often it has been switched."""

    switched = 0

    def set(self, on):
        super().set(on)
        self.switched += 1


def test_the_bell_of_a_terminal_that_was_stopped_hangs_alone(clock):
    """A real pty: Ctrl-S stops what is written to it."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as terminal:
        bell = NotedBell(terminal)
        driver = driver_of(bell, clock)
        driver.set(True)
        assert os.read(master, 10) == b"\a"
        driver.set(False)
        until(lambda: bell.switched == 2)
        termios.tcflow(slave, termios.TCOOFF)
        driver.set(True)
        until(lambda: driver.busy)
        assert driver.trouble(DEADLINE_S + 0.01) == "it hangs"
        termios.tcflow(slave, termios.TCOON)
        assert os.read(master, 10) == b"\a"
        until(lambda: not driver.busy)
        driver.close()
        driver.join(10.0)
    os.close(master)
