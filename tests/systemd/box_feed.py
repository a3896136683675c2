#!/usr/bin/env python3
"""A base's line in the box: a pty at /dev/ttyKESTREL that carries a numbered correction epoch a second.

Sends while /run/feeding exists; every byte that it sent is in /proof/out/sent.bin as well.
"""

import os
import pty
import shutil
import time
import tty
from pathlib import Path

from witnesspost.daemon.stream.framing import crc24q

LINK = Path("/dev/ttyKESTREL")
FEEDING = Path("/run/feeding")


def epoch_frame(number: int) -> bytes:
    """MSM4 of GPS, station 417, two satellites; the time of week is `number` seconds (RTCM 10403, MSM header)."""
    bits = f"{1074:012b}{417:012b}{number * 1000:030b}0" + "0" * 18
    bits += "1" * 2 + "0" * 62 + "01" + "0" * 30 + "11" + "0" * (2 * 18 + 2 * 48)
    bits += "0" * (-len(bits) % 8)
    payload = int(bits, 2).to_bytes(len(bits) // 8, "big")
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


master, slave = pty.openpty()
tty.setraw(master)
tty.setraw(slave)
name = os.ttyname(slave)
shutil.chown(name, group="dialout")
os.chmod(name, 0o660)
LINK.unlink(missing_ok=True)
LINK.symlink_to(name)
number = 0
with open("/proof/out/sent.bin", "ab", buffering=0) as sent:
    while True:
        if FEEDING.exists():
            number += 1
            frame = epoch_frame(number)
            os.write(master, frame)
            sent.write(frame)
        time.sleep(1.0)
