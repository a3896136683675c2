"""What is new to tell since last asked: the log, ports that came, went or are waited for, and what companions have said."""

from __future__ import annotations

from witnesspost.daemon.companion import PostView
from witnesspost.daemon.status.snapshot import PortStatus


class News:
    """For one who tells people of it, a line at a time."""

    def __init__(self, post: PostView):
        self._post = post
        self._ports: dict[str, tuple[str, str]] = {}
        self._said = 0
        self._log: str | None = None

    def log(self) -> str | None:
        """Where the log is, once it is there and each time that another file is begun; or that it cannot be yet."""
        log = self._post.pulse().log
        where = log.path or ("waits for the disk" if log.failed else None)
        if where in (None, self._log):
            return None
        self._log = where
        return where

    def ports(self) -> list[PortStatus]:
        """The ports whose state is another than last time."""
        changed = []
        for port in self._post.pulse().ports:
            state = (port.state, port.reason)
            if port.state != "opening" and self._ports.get(port.stream) != state:
                self._ports[port.stream] = state
                changed.append(port)
        return changed

    def said(self) -> list[str]:
        """The lines that companions have said."""
        self._said, lines = self._post.said(self._said)
        return lines


def port_words(port: PortStatus) -> str:
    """A port's state in a line."""
    reason = f": {port.reason}" if port.reason else ""
    return f"port of {port.stream} ({port.port}) {port.state}{reason}"
