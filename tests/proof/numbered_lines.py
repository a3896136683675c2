"""A base's post on two ptys, and what is sent on them: every frame and sentence carries its number."""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import termios
import tty

from witnesspost.daemon.stream.framing import crc24q, nmea_checksum

SITE = """
[post]
name = "kestrel-base"
role = "base"
commit_s = {commit_s}
[[stream]]
name = "corrections"
port = "{corrections}"
carries = ["corrections"]
[[stream]]
name = "receiver"
port = "{receiver}"
carries = ["positions"]
[base]
station_id = 417
"""

_FULL_BYTES = 3500  # of the 4095 that a terminal keeps; what is beyond waits where nobody counts it


class Line:
    """A pty on which numbered frames are sent."""

    def __init__(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self.slave = slave
        self.sent = b""

    def send(self, data: bytes) -> None:
        """Send now."""
        os.write(self.master, data)
        self.sent += data

    def read(self) -> int:
        """How many of the bytes sent were certainly read at the other end by now: a full pty does not tell."""
        (unread,) = struct.unpack("i", fcntl.ioctl(self.slave, termios.FIONREAD, bytes(4)))
        return len(self.sent) - unread if unread < _FULL_BYTES else 0

    def close(self) -> None:
        """Let go of the pty."""
        os.close(self.master)
        os.close(self.slave)


def epoch(number: int, station: int) -> bytes:
    """An MSM4 of GPS with one satellite whose time of week is `number` seconds (RTCM 10403, table 3.5-78)."""
    bits = f"{1074:012b}{station:012b}{number * 1000:030b}0" + "0" * 18 + "1" + "0" * 63 + "01" + "0" * 30 + "1" + "0" * 66
    bits += "0" * (-len(bits) % 8)
    payload = int(bits, 2).to_bytes(len(bits) // 8, "big")
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def numbered(number: int) -> bytes:
    """A sentence that carries its number."""
    body = f"GNTXT,01,01,02,number {number:06d}"
    return f"${body}*{nmea_checksum(body.encode()):02X}\r\n".encode()
