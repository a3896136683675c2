"""Word to the service manager: ready, still moving, stopping (systemd's notification protocol, sd_notify(3)).

The watchdog is to be fed only while everything that must move has moved: then a hung rule, a blocked disk and a dead
reader thread each starve it, and the service is ended and started again.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """Speaks to the socket in NOTIFY_SOCKET; without one, everything here does nothing.

    `watchdog_s` is the service manager's limit in seconds (WATCHDOG_USEC), None where there is none: feed it at less
    than half of that.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ):
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        limit_us, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
        ours = not pid or pid == str(os.getpid())
        self.watchdog_s = int(limit_us) / 1e6 if self._address and limit_us.isdigit() and ours else None
        self._socket: socket.socket | None = None
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self._said = ""

    def ready(self) -> None:
        """The log and every port that exists are open."""
        self._send("READY=1")

    def starting(self) -> None:
        """Not ready yet, but moving: another minute, please."""
        self._send("EXTEND_TIMEOUT_USEC=60000000")

    def status(self, text: str) -> None:
        """One line for `systemctl status`; the same line again is not sent."""
        if text != self._said:
            self._said = text
            self._send("STATUS=" + text.replace("\n", " "))

    def watchdog(self) -> None:
        """Everything moves."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """The end has begun, and is wanted."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Let go of the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):  # the manager restarts or its queue is full: the next one says the same
                self._socket.sendto(message.encode(), self._address)
