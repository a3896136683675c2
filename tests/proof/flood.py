"""A line that floods: what one sender costs the others, the watchdog and the memory.

The real `watch` as a process, with a service manager of the tests; a TCP source that sends a pattern without a pause, and
a serial line beside it that carries five epochs a second.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.bench.row import peak_mib
from tests.daemon.conftest import AS_ON_A_POST, Line, epoch_frame
from tests.proof.schedule import Moment, left_s, spent_by
from tests.proof.table import Length, Row

SITE = """
[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "flood"
port = "socket://127.0.0.1:{port}"
carries = ["positions"]
[[stream]]
name = "corrections"
port = "{line}"
carries = ["corrections"]
[base]
station_id = 417
[rules.corrections-stopped]
on_delay_s = 3.0
[rules.fix-lost]
off = true
"""
PING_S = 5.0  # a figure to hold: the watchdog is never fed more than so far apart
MOST_MIB = 96.0
_LEAST_BYTES = 1_000_000  # of a flood, however slow the machine

GGA = b"$GPGGA,120000.00,3907.40740,N,10459.25926,W,4,17,0.8,1850.0,M,-17.8,M,1.0,0417*6C\r\n"
PATTERNS = {
    "frames": b"".join(epoch_frame(number, 77) for number in range(1000)),
    "noise": random.Random(1).randbytes(1 << 20),
    "heads of frames": b"\xd3\x00\x40\xd3\x03" + b"\xff" * 60,
    "sentences": GGA * 1000,
    "nothing": bytes(1 << 16),
}


class Flooded(NamedTuple):
    """The longest time between two pings (`_own_s`), the most memory, the bytes that the flood brought, and what is wrong."""

    ping_s: float
    mib: float
    sent: int
    wrong: list[str]


class Flood:
    """A server that sends a pattern to whoever connects, as fast as it is taken, until `stop`."""

    def __init__(self, pattern: bytes):
        self._pattern = pattern * max(1, (1 << 18) // len(pattern))
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.sent = 0
        self._stopping = False
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def _send(self) -> None:
        connection, _ = self._server.accept()
        with connection, contextlib.suppress(OSError):
            connection.settimeout(1.0)
            while not self._stopping:
                with contextlib.suppress(TimeoutError):
                    self.sent += connection.send(self._pattern)

    def stop(self) -> None:
        """End it."""
        self._stopping = True
        self._thread.join(10)
        self._server.close()


class Manager:
    """The service manager's ear: when each ping came."""

    def __init__(self, path: Path):
        self.pings: list[float] = []
        self.ready = threading.Event()
        self._ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._ear.bind(str(path))
        self._ear.settimeout(0.1)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while not self._ended.is_set():
            with contextlib.suppress(TimeoutError):
                said = self._ear.recv(65536)
                if said == b"WATCHDOG=1":
                    self.pings.append(time.monotonic())
                elif said == b"READY=1":
                    self.ready.set()

    def stop(self) -> None:
        """End it."""
        self._ended.set()
        self._thread.join()
        self._ear.close()


def flooded(folder: Path, pattern: str, for_s: float) -> Flooded:
    """What a watch in `folder` does while the pattern comes for so long."""
    manager, line, flood = Manager(folder / "manager"), Line(folder / "tty-corrections"), Flood(PATTERNS[pattern])
    site = folder / "site.toml"
    site.write_text(SITE.format(port=flood.port, line=line.path))
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(folder), "NOTIFY_SOCKET": str(folder / "manager")}
    with (
        open(folder / "said", "wb") as said,
        subprocess.Popen(
            [sys.executable, "-c", AS_ON_A_POST, "watch", str(site)], stdout=said, stderr=said, env=environment
        ) as watch,
    ):
        try:
            assert manager.ready.wait(20), "it was never ready"
            began, sent, number = time.monotonic(), b"", 0
            moments: list[Moment] = []
            while time.monotonic() < began + for_s or (flood.sent < _LEAST_BYTES and time.monotonic() < began + 10 * for_s):
                frame = epoch_frame(number)
                line.send(frame)
                sent, number = sent + frame, number + 1
                moments.append(Moment(time.monotonic(), spent_by(watch.pid)))
                time.sleep(0.2)
            mib = peak_mib(watch.pid)
            ended_at = time.monotonic()
            watch.send_signal(signal.SIGTERM)
            status = watch.wait(20)
        finally:
            watch.kill()
            flood.stop()
            line.unplug()
            manager.stop()
    pings = pairwise([began, *(at for at in manager.pings if at > began), ended_at])
    ping_s = max(_own_s(earlier, later, moments) for earlier, later in pings)
    paused_s = max(later.at - earlier.at for earlier, later in pairwise(moments))  # by a machine that starves this process, too
    with LogFile.open(folder / "log" / "kestrel-rover.0001.db") as log:
        kept = b"".join(what for _, _, what in log.inputs(stream="corrections") if isinstance(what, bytes))
        raised = {(c.rule, c.stream) for c in log.changes() if c.change == "raised"}
        wrong = [] if (status, log.ended()) == (0, "stopped") else [f"it ended with {status}, its log: {log.ended()}"]
        wrong += [] if verify(log).sound else ["its log does not verify"]
    wrong += [] if kept == sent else [f"of the line beside it {len(sent)} bytes were sent, {len(kept)} kept"]
    wrong += ["it told a silence that was none"] if ("corrections-stopped", "corrections") in raised and paused_s < 2.0 else []
    wrong += [] if ping_s <= PING_S else [f"{ping_s:.1f} s between two pings"]
    wrong += [] if mib <= MOST_MIB else [f"{mib:.0f} MiB"]
    wrong += [] if flood.sent >= _LEAST_BYTES else [f"that was no flood: {flood.sent} bytes"]
    return Flooded(ping_s, mib, flood.sent, wrong)


def _own_s(earlier: float, later: float, moments: list[Moment]) -> float:
    """So long between two pings; where that is too long, without what the machine let the watch wait for a core."""
    if later - earlier <= PING_S:
        return later - earlier
    return left_s([moment for moment in moments if earlier <= moment.at <= later], ran=False)


def rows(length: Length) -> Iterator[Row]:
    """One row over all patterns."""
    found = {}
    for pattern in list(PATTERNS)[: length.of(len(PATTERNS), 2)]:
        with tempfile.TemporaryDirectory(prefix="witnesspost-flood-") as folder:
            found[pattern] = flooded(Path(folder), pattern, 5.0 if length.short else 30.0)
    yield Row(
        "floods on a TCP source",
        f"{len(found)} patterns, {sum(one.sent for one in found.values()) / 1e6:.0f} MB",
        f"at most {max(one.ping_s for one in found.values()):.1f} s between two pings of the watchdog, "
        f"{max(one.mib for one in found.values()):.0f} MiB; nothing is lost on the line beside it",
        tuple(f"flood of {pattern}: {text}" for pattern, one in found.items() for text in one.wrong),
    )
