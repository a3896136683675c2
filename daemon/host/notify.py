"""Word to the service manager: ready, still moving, stopping (systemd's notification protocol, sd_notify(3)).

The watchdog is to be fed only while everything that must move has moved: then a hung rule, a blocked disk and a dead
reader thread each starve it, and the service is ended and started again.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping

from witnesspost.daemon.companion import PostView
from witnesspost.rules.alert import Change

_FEED_S = 1.0


class ServiceManager:
    """The companion that keeps the service manager informed. Vital: a watch that nobody watches may hang unseen."""

    name = "service manager"
    vital = True

    def __init__(self, environment: Mapping[str, str] = os.environ):
        self._environment = environment
        self._notifier: Notifier | None = None
        self._ready = False
        self._fed_at = -_FEED_S

    def start(self, post: PostView) -> None:
        """Find the manager's socket."""
        self._post = post
        self._notifier = Notifier(self._environment)
        self._fed_for = post.pulse()

    def see(self, changes: list[Change]) -> None:
        """The manager hears of the post's state at each turn."""

    def turn(self, t: float) -> None:
        """Ready once; the state in a line; the watchdog only if the loop has come round since it was fed last."""
        assert self._notifier is not None
        pulse = self._post.pulse()
        if pulse.ready and not self._ready:
            self._ready = True
            self._notifier.ready()
        waits = [port for port in pulse.ports if port.state in ("waiting", "lost")]
        words = [
            f"shows {pulse.shown}",
            *(f"waits for {port.stream} ({port.port})" for port in waits),
            *([f"cannot write the log: {pulse.log.failed}"] if pulse.log.failed else []),
            *(f"{who} is stuck" for who in pulse.stuck),
        ]
        self._notifier.status("; ".join(words))
        if pulse is not self._fed_for and not pulse.stuck and t - self._fed_at >= _FEED_S:
            self._fed_for, self._fed_at = pulse, t
            if pulse.ready:
                self._notifier.watchdog()
            else:
                self._notifier.starting()

    def stop(self) -> None:
        """The end, if it is the service's own: another of these may follow."""
        if self._notifier is not None:
            if self._post.pulse().ended:
                self._notifier.stopping()
            self._notifier.close()


class Notifier:
    """Speaks to the socket in NOTIFY_SOCKET; without one, everything here does nothing."""

    def __init__(self, environment: Mapping[str, str] = os.environ):
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
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
