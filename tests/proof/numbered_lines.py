"""A base's post on two ptys, and what is sent on them: every frame and sentence carries its number."""

from __future__ import annotations

from pathlib import Path

from witnesspost.daemon.stream.framing import nmea_checksum

from tests.daemon.conftest import Line
from tests.kestrel import TWO_LINES

SITE = (
    """
[post]
name = "kestrel-base"
role = "base"
commit_s = {commit_s}
"""
    + TWO_LINES
    + """[base]
station_id = 417
"""
)


class NumberedLine(Line):
    """A line that knows what was sent on it."""

    def __init__(self, link: Path) -> None:
        super().__init__(link)
        self.sent = b""

    def send(self, data: bytes) -> None:
        """Send now."""
        super().send(data)
        self.sent += data


def numbered(number: int) -> bytes:
    """A sentence that carries its number."""
    body = f"GNTXT,01,01,02,number {number:06d}"
    return f"${body}*{nmea_checksum(body.encode()):02X}\r\n".encode()
