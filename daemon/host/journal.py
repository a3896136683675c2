"""Messages with fields to the system's journal, by its native protocol (systemd's "Native Journal Protocol").

    one datagram:  KEY=value\\n            where the value has no line break
                   KEY\\n<u64 LE length><value>\\n   where it has

An alert carries RULE=, CAUSE=, SEVERITY=, CHANGE=, STREAM=, ALERT= and T_S= besides MESSAGE= and PRIORITY=, so that
`journalctl -t witnesspost RULE=corrections-stopped` finds them.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import socket
import struct
from pathlib import Path

from witnesspost.daemon.companion import PostView
from witnesspost.daemon.host.news import News, port_words
from witnesspost.daemon.lines import Teller
from witnesspost.daemon.local_time import Stamps
from witnesspost.daemon.screen import plain
from witnesspost.rules.alert import Change
from witnesspost.rules.language.speech import ENGLISH, Speech

SOCKET = Path("/run/systemd/journal/socket")

# Lets `journalctl MESSAGE_ID=` find exactly these; drawn at random once, as sd-id128(3) advises.
ALERT_ID = "4a7c08c6e7594de8a674890f3f9d8a37"

_PRIORITY = {"stop": 2, "check": 4, "note": 5}  # syslog's critical, warning, notice
_LONGEST = 32_000  # far under a datagram's limit: longer messages would have to go by memory file


class Journal:
    """The companion that writes the journal: alerts with their fields, ports, and what other companions say."""

    name = "journal"
    vital = False

    def __init__(self, path: Path = SOCKET, zone: dt.tzinfo = dt.UTC, speech: Speech = ENGLISH):
        self._path = path
        self._speech = speech
        self._teller = Teller(Stamps(zone), speech)
        self._socket: JournalSocket | None = None

    def start(self, post: PostView) -> None:
        """Find the socket, and say where the log is."""
        self._socket = JournalSocket(self._path)
        self._post, self._news = post, News(post)
        self._tell_news()

    def see(self, changes: list[Change]) -> None:
        """Each change, with its fields."""
        assert self._socket is not None
        for change in changes:
            self._socket.change(change, self._message(change))

    def turn(self, t: float) -> None:
        """What is new."""
        self._tell_news()

    def stop(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._tell_news()
            if (pulse := self._post.pulse()).ended and pulse.log.failed is None:
                self._socket.send(self._speech.phrase(f"log {pulse.log.path or 'none'} closed"))
            self._socket.close()
            self._socket = None

    def _message(self, change: Change) -> str:
        """What sounds is three lines: what is wrong, the first step, how to see the rest. What makes no sound is one."""
        entry, phrase = self._teller.entry(change), self._speech.phrase
        lines = [f"{entry.shown}: {plain(entry.text)}"]
        if change.sounds:
            lines += [f"{phrase('First:')} {plain(entry.steps[0])}"] if entry.steps else []
            lines.append(f"{phrase('The rest:')} witnesspost status {change.post}")
        return "\n".join(lines)

    def _tell_news(self) -> None:
        assert self._socket is not None
        phrase = self._speech.phrase
        if (where := self._news.log()) is not None:
            self._socket.send(phrase(f"log {where}"))
        for line in self._news.said():
            self._socket.send(phrase(line), 4)
        for port in self._news.ports():
            priority = 6 if port.state in ("open", "back") else 4
            self._socket.send(phrase(port_words(port)), priority, STREAM=port.stream, PORT_STATE=port.state)


class JournalSocket:
    """The journal's socket; where there is none, or it is full, messages are dropped and counted in `dropped`."""

    def __init__(self, path: Path = SOCKET):
        self._path = str(path)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.setblocking(False)
        self.dropped = 0

    @staticmethod
    def is_ours() -> bool:
        """True if what this process prints goes to the journal anyway (JOURNAL_STREAM): then messages are sent here."""
        with contextlib.suppress(OSError, ValueError):
            device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
            printed = os.fstat(2)
            return (printed.st_dev, printed.st_ino) == (int(device), int(inode))
        return False

    def send(self, message: str, priority: int = 6, **fields: str | int | float) -> None:
        """One message; field names are capital letters, digits and underscores, `priority` is syslog's (0–7)."""
        entry = {"MESSAGE": message, "PRIORITY": priority, "SYSLOG_IDENTIFIER": "witnesspost", **fields}
        try:
            self._socket.sendto(b"".join(_field(key, str(value)) for key, value in entry.items()), self._path)
        except OSError:
            self.dropped += 1

    def change(self, change: Change, message: str) -> None:
        """An alert's change of state with its fields; what makes no sound is information only."""
        self.send(
            message,
            _PRIORITY[change.severity] if change.sounds else 6,
            MESSAGE_ID=ALERT_ID,
            RULE=change.rule,
            CAUSE=change.cause,
            CHANGE=change.change,
            SEVERITY=change.severity,
            STREAM=change.stream,
            BECAUSE_OF=change.because_of or "",
            ALERT=change.alert,
            T_S=f"{change.t:.3f}",
        )

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()


def _field(key: str, value: str) -> bytes:
    data = value.encode(errors="replace")[:_LONGEST]
    if b"\n" in data:
        return key.encode() + b"\n" + struct.pack("<Q", len(data)) + data + b"\n"
    return key.encode() + b"=" + data + b"\n"
