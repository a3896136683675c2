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
from tests.daemon.conftest import AS_ON_A_POST, Line, epoch_frame, until_read
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
on_delay_s = {silence_s}
first_silence_s = {silence_s}
[rules.fix-lost]
off = true
"""
SILENCE_S = 3.0  # fifteen times as long as between two frames of the line beside the flood
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


class Sent(NamedTuple):
    """A frame on the line beside the flood: the time before and after it was sent, and how many bytes that made."""

    before: float
    after: float
    total: int


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
    """The service manager's ear: when each ping came, and what the process `pid` had spent by then."""

    def __init__(self, path: Path):
        self.pid = 0
        self.pings: list[Moment] = []
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
                    self.pings.append(_look(self.pid))
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
    site.write_text(SITE.format(port=flood.port, line=line.path, silence_s=SILENCE_S))
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(folder), "NOTIFY_SOCKET": str(folder / "manager")}
    begun = time.monotonic()
    with (
        open(folder / "said", "wb") as said,
        subprocess.Popen(
            [sys.executable, "-c", AS_ON_A_POST, "watch", str(site)], stdout=said, stderr=said, env=environment
        ) as watch,
    ):
        try:
            manager.pid = watch.pid
            assert manager.ready.wait(60), "it was never ready"
            began, sent = _look(watch.pid), b""
            looks: list[Moment] = []
            sends = [Sent(begun, begun, 0)]
            while (gone_s := time.monotonic() - began.at) < for_s or (flood.sent < _LEAST_BYTES and gone_s < 10 * for_s):
                frame, before = epoch_frame(len(sends)), time.monotonic()
                line.send(frame)
                sent += frame
                sends.append(Sent(before, time.monotonic(), len(sent)))
                looks.append(_look(watch.pid))
                time.sleep(0.2)
            until_read(folder / "kestrel-rover.sock", sent)
            mib = peak_mib(watch.pid)
            ended = _look(watch.pid)
            watch.send_signal(signal.SIGTERM)
            status = watch.wait(60)
        finally:
            watch.kill()
            flood.stop()
            line.unplug()
            manager.stop()
    pings = pairwise([began, *(ping for ping in manager.pings if began.at < ping.at < ended.at), ended])
    ping_s = max(_own_s(earlier, later, looks) for earlier, later in pings)
    with LogFile.open(folder / "log" / "kestrel-rover.0001.db") as log:
        came = [(t, what) for t, _, what in log.inputs(stream="corrections") if isinstance(what, bytes)]
        kept = b"".join(what for _, what in came)
        raised = [change for change in log.changes() if change.change == "raised"]
        wrong = [] if (status, log.ended()) == (0, "stopped") else [f"it ended with {status}, its log: {log.ended()}"]
        wrong += [] if verify(log).sound else ["its log does not verify"]
    wrong += [] if kept == sent else [f"of the line beside it {len(sent)} bytes were sent, {len(kept)} kept"]
    for change in raised:
        paused_s = _paused_s(sends, sum(len(what) for at, what in came if at <= change.t), ended.at)
        if (change.rule, change.stream) == ("corrections-stopped", "corrections") and paused_s < SILENCE_S:
            wrong.append(f"it told a silence at {change.t:.1f} s; the sender had paused {paused_s:.1f} s")
    wrong += [] if ping_s <= PING_S else [f"{ping_s:.1f} s between two pings"]
    wrong += [] if mib <= MOST_MIB else [f"{mib:.0f} MiB"]
    wrong += [] if flood.sent >= _LEAST_BYTES else [f"that was no flood: {flood.sent} bytes"]
    return Flooded(ping_s, mib, flood.sent, wrong)


def _look(pid: int) -> Moment:
    return Moment(time.monotonic(), spent_by(pid))


def _own_s(earlier: Moment, later: Moment, looks: list[Moment]) -> float:
    """So long between two pings; where that is too long, without what the machine let the watch wait for a core."""
    if later.at - earlier.at <= PING_S:
        return later.at - earlier.at
    return left_s([earlier, *(look for look in looks if earlier.at < look.at < later.at), later], ran=False)


def _paused_s(sends: list[Sent], came: int, ended_at: float) -> float:
    """For how long the sender itself can have been silent at most, after the first `came` of its bytes: as it measured that."""
    last = max(index for index, one in enumerate(sends) if one.total <= came)
    until = sends[last + 1].after if last + 1 < len(sends) else ended_at
    return until - sends[last].before


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
