"""Word to the service manager and to the journal, over real datagram sockets."""

import os
import socket
import struct

import pytest
from witnesspost.daemon.host.journal import ALERT_ID, Journal, JournalSocket
from witnesspost.daemon.host.notify import Notifier
from witnesspost.rules.alert import Change
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.rule import Cause

from tests.daemon.view import View


@pytest.fixture
def manager(tmp_path):
    """A socket as the manager's: (path, read everything so far)."""
    path = tmp_path / "manager"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(path))
        end.setblocking(False)

        def said():
            messages = []
            while True:
                try:
                    messages.append(end.recv(65536))
                except BlockingIOError:
                    return messages

        yield path, said


def test_the_words_of_a_run(manager):
    path, said = manager
    notifier = Notifier({"NOTIFY_SOCKET": str(path)})
    notifier.status("waiting for /dev/ttyUSB0\nand more")
    notifier.status("waiting for /dev/ttyUSB0\nand more")
    notifier.starting()
    notifier.ready()
    notifier.watchdog()
    notifier.stopping()
    notifier.close()
    notifier.watchdog()
    assert said() == [
        b"STATUS=waiting for /dev/ttyUSB0 and more",
        b"EXTEND_TIMEOUT_USEC=60000000",
        b"READY=1",
        b"WATCHDOG=1",
        b"STOPPING=1",
    ]


def test_an_abstract_socket(tmp_path):
    name = f"witnesspost-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind("\0" + name)
        notifier = Notifier({"NOTIFY_SOCKET": "@" + name})
        notifier.ready()
        assert end.recv(100) == b"READY=1"
        notifier.close()


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": "/nonexistent/manager"}])
def test_without_a_manager_nothing_is_said_and_nothing_fails(environment):
    notifier = Notifier(environment)
    notifier.ready()
    notifier.watchdog()
    notifier.close()


def test_a_manager_that_does_not_read_never_blocks_the_post(manager):
    path, said = manager
    notifier = Notifier({"NOTIFY_SOCKET": str(path)})
    for _ in range(10_000):
        notifier.watchdog()
    notifier.close()
    assert set(said()) == {b"WATCHDOG=1"}


def fields(datagram):
    """A journal datagram as systemd reads it ("Native Journal Protocol"): name to value, in order."""
    found = {}
    while datagram:
        line, _, rest = datagram.partition(b"\n")
        if b"=" in line:
            key, _, value = line.partition(b"=")
            datagram = rest
        else:
            key, size = line, struct.unpack("<Q", rest[:8])[0]
            value = rest[8 : 8 + size]
            assert rest[8 + size : 9 + size] == b"\n"
            datagram = rest[9 + size :]
        found[key.decode()] = value.decode()
    return found


def alert(**changed):
    values = {
        "t": 12.3456,
        "utc": None,
        "change": "raised",
        "rule": "corrections-stopped",
        "cause": "port-lost",
        "causes": [Cause(cause="port-lost")],
        "severity": "stop",
        "stream": "corrections",
        "because_of": None,
        "evidence": {},
        "words": {"reason": ": no such device\nor address", "gone": "is gone"},
        "post": "kestrel",
        "role": "rover",
        "alert": 7,
    }
    return Change(**(values | changed))


def test_an_alert_in_the_journal(manager):
    path, said = manager
    told = words(alert())
    assert "no such device\nor address" in told.say  # what a device says stands in one line
    say = f"{told.say} (corrections-stopped: port-lost)".replace("\n", " ")
    journal = Journal(path)
    journal.start(View())
    said()
    journal.see([alert(), alert(change="raised", because_of="port-lost", severity="check")])
    journal.stop()
    assert [fields(datagram) for datagram in said()] == [
        {
            "MESSAGE": f"STOP: {say}\nFirst: {told.steps[0]}\nThe rest: witnesspost status kestrel",
            "PRIORITY": "2",
            "SYSLOG_IDENTIFIER": "witnesspost",
            "MESSAGE_ID": ALERT_ID,
            "RULE": "corrections-stopped",
            "CAUSE": "port-lost",
            "CHANGE": "raised",
            "SEVERITY": "stop",
            "STREAM": "corrections",
            "BECAUSE_OF": "",
            "ALERT": "7",
            "T_S": "12.346",
        },
        {
            "MESSAGE": f"check: Along with port-lost: {say}",
            "PRIORITY": "6",
            "SYSLOG_IDENTIFIER": "witnesspost",
            "MESSAGE_ID": ALERT_ID,
            "RULE": "corrections-stopped",
            "CAUSE": "port-lost",
            "CHANGE": "raised",
            "SEVERITY": "check",
            "STREAM": "corrections",
            "BECAUSE_OF": "port-lost",
            "ALERT": "7",
            "T_S": "12.346",
        },
    ]


def test_without_a_journal_messages_are_counted_and_nothing_fails(tmp_path):
    journal = JournalSocket(tmp_path / "none")
    journal.send("hello")
    assert journal.dropped == 1
    journal.close()


def test_a_very_long_message_is_cut_and_arrives(manager):
    path, said = manager
    journal = JournalSocket(path)
    journal.send("x" * 1_000_000, WHY="y")
    journal.close()
    (datagram,) = said()
    assert len(fields(datagram)["MESSAGE"]) == 32_000
    assert fields(datagram)["WHY"] == "y"


def test_the_journal_is_ours_only_when_what_we_print_goes_there(monkeypatch):
    assert not JournalSocket.is_ours()
    printed = os.fstat(2)
    monkeypatch.setenv("JOURNAL_STREAM", f"{printed.st_dev}:{printed.st_ino}")
    assert JournalSocket.is_ours()
    monkeypatch.setenv("JOURNAL_STREAM", "nonsense")
    assert not JournalSocket.is_ours()
