"""The lines on the terminal, over real pipes and a real pty: in their order, and never a wait for who does not read."""

import datetime as dt
import os
import pty
import termios
import zoneinfo

import msgspec
import pytest
from witnesspost.daemon.host.terminal import MOST_LINES, Lines, Terminal
from witnesspost.rules.alert import RowKey
from witnesspost.rules.book.words import words

from tests.daemon.view import CHANGE, LOG, View, port, until

DENVER = zoneinfo.ZoneInfo("America/Denver")
BEGAN = dt.datetime(2026, 5, 4, 9, 11, tzinfo=dt.UTC)


class Pipe:
    def __init__(self):
        self.ours, self.theirs = os.pipe()

    def read(self):
        """All that is in it."""
        os.set_blocking(self.ours, False)
        data = b""
        try:
            while more := os.read(self.ours, 1 << 20):
                data += more
        except BlockingIOError:
            pass
        return data.decode()

    def close(self):
        for fd in (self.ours, self.theirs):
            os.close(fd)


@pytest.fixture
def pipes():
    made = [Pipe(), Pipe()]
    yield made
    for pipe in made:
        pipe.close()


def test_alerts_go_to_one_and_everything_else_to_the_other(pipes):
    out, err = pipes
    terminal, view = Terminal(False, out.theirs, err.theirs, DENVER), View()
    view.beats(utc=BEGAN)
    terminal.start(view)
    terminal.see([msgspec.structs.replace(CHANGE, utc="2026-05-04T09:11:12.000Z")])
    view.t = 3.0
    view.beats(utc=BEGAN + dt.timedelta(seconds=3), ports=(port("waiting", "not there yet"),))
    view.say("LED blue: no such LED")
    terminal.turn(3.0)
    terminal.turn(3.5)
    view.beats(ended=True)
    terminal.stop()
    first, *steps = out.read().splitlines()
    said = f"{words(CHANGE).say} (corrections-stopped: line-silent)"
    assert first == f"STOP   2026-05-04 03:11:12-06:00  {said}"
    assert steps[0].startswith("       1. ")
    assert err.read().splitlines() == [
        "log    2026-05-04 03:11:00-06:00  /log/kestrel-base.0001.db",
        "post   2026-05-04 03:11:03-06:00  LED blue: no such LED",
        "port   2026-05-04 03:11:03-06:00  port of corrections (/dev/ttyKESTREL) waiting: not there yet",
        "log    2026-05-04 03:11:03-06:00  kestrel-base.0001.db closed",
    ]


def test_the_log_is_told_once_it_is_there_and_when_it_is_another(pipes):
    out, err = pipes
    terminal, view = Terminal(False, out.theirs, err.theirs, DENVER), View()
    view.beats(utc=BEGAN, log=msgspec.structs.replace(LOG, path=None))
    terminal.start(view)
    for path in ("/log/one.0001.db", "/log/one.0001.db", "/log/one.0002.db"):
        view.beats(utc=BEGAN, log=msgspec.structs.replace(LOG, path=path))
        terminal.turn(0.5)
    terminal.stop()
    assert [line.split("  ")[-1] for line in err.read().splitlines()] == ["/log/one.0001.db", "/log/one.0002.db"]


def test_a_consequence_that_was_seen_with_its_root_is_no_line_of_its_own(pipes):
    out, err = pipes
    terminal, view = Terminal(False, out.theirs, err.theirs, DENVER), View()
    terminal.start(view)
    seen = msgspec.structs.replace(CHANGE, change="acknowledged")
    terminal.see([seen, msgspec.structs.replace(seen, rule="fix-lost", cause="float", because_of="corrections-stopped")])
    terminal.stop()
    (line,) = out.read().splitlines()
    assert "(corrections-stopped: line-silent)" in line


def test_until_a_receiver_says_the_time_the_system_s_is_about_right(pipes):
    out, err = pipes
    terminal = Terminal(False, out.theirs, err.theirs, DENVER)
    terminal.start(View())
    terminal.see([CHANGE])
    terminal.stop()
    assert out.read().startswith("STOP   about 20")
    assert err.read().startswith("log    about 20")


def test_an_alert_as_json(pipes):
    out, err = pipes
    terminal = Terminal(True, out.theirs, err.theirs, DENVER)
    terminal.start(View())
    terminal.see([CHANGE])
    terminal.stop()
    said = msgspec.json.decode(out.read())
    assert (said["rule"], said["run"], said["seq"]) == ("corrections-stopped", None, None)


def test_an_alert_as_json_waits_a_second_for_its_row_in_the_log_and_keeps_its_order(pipes):
    out, err = pipes
    terminal, view = Terminal(True, out.theirs, err.theirs, DENVER), View()
    second, third = (msgspec.structs.replace(CHANGE, alert=number) for number in (2, 3))
    terminal.start(view)
    terminal.see([CHANGE, second])
    view.row_keys[2] = RowKey("42-9f3a61", 8)
    assert view.wakes == [pytest.approx(0.02)]
    view.row_keys[1] = RowKey("42-9f3a61", 7)
    view.t = 0.02
    terminal.turn(view.t)
    view.t = 5.0
    terminal.see([third])
    view.t = 5.9
    terminal.turn(view.t)
    waits = len(view.wakes)
    view.t = 6.0
    terminal.turn(view.t)  # a disk that does not answer
    assert len(view.wakes) == waits
    terminal.stop()
    said = [msgspec.json.decode(line) for line in out.read().splitlines()]
    assert [(one["alert"], one["run"], one["seq"]) for one in said] == [
        (1, "42-9f3a61", 7),
        (2, "42-9f3a61", 8),
        (3, None, None),
    ]


def test_a_pipe_that_nobody_reads_costs_the_oldest_lines_which_are_counted(pipes):
    out, err = pipes
    terminal, view = Terminal(False, out.theirs, err.theirs, DENVER), View()
    terminal.start(view)
    held = 70_000 // 75  # a pipe holds 64 KiB, a line has over 75 bytes
    for number in range(10_000):
        utc = (BEGAN + dt.timedelta(seconds=number)).isoformat()
        terminal.see([msgspec.structs.replace(CHANGE, t=float(number), utc=utc, change="acknowledged")])
    terminal.turn(1.0)
    assert view.lines == ["nobody reads standard output: the oldest lines are dropped"]
    seen = ""

    def read_all():
        nonlocal seen
        seen += out.read()
        terminal.turn(2.0)
        return "changes of alerts were dropped" in err_seen()

    said = []

    def err_seen():
        said.append(err.read())
        return "".join(said)

    until(read_all)
    (words,) = [line for line in "".join(said).splitlines() if "were dropped" in line]
    lost = int(words.split()[0])
    lines = seen.splitlines()
    assert len(lines) + lost == 10_000
    assert MOST_LINES <= len(lines) <= MOST_LINES + held
    assert lines[-1].startswith("seen   2026-05-04 05:57:39-06:00  ")  # the last one of all
    terminal.stop()


def test_a_terminal_that_was_stopped_holds_up_neither_a_turn_nor_the_end():
    master, slave = pty.openpty()
    termios.tcflow(slave, termios.TCOOFF)
    terminal = Terminal(False, slave, slave, DENVER)
    terminal.start(View())
    for _ in range(2000):
        terminal.see([CHANGE])
    terminal.stop()
    assert terminal._out.lost > 0
    termios.tcflow(slave, termios.TCOON)
    until(lambda: os.read(master, 65536) and terminal._out.empty and terminal._err.empty)
    os.close(master)
    os.close(slave)


def test_a_reader_that_is_gone_is_no_fault():
    ours, theirs = os.pipe()
    os.close(ours)
    lines = Lines(theirs, "standard output")
    lines.put("nobody")
    lines.close()
    lines.join(10.0)
    assert (lines.lost, lines.empty) == (1, True)
    os.close(theirs)
