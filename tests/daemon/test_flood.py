"""A line that floods: whatever one sender does, time goes on, the other lines are kept, and memory is bounded.

The real `watch` as a process, with a service manager's socket of the test's own; a TCP source that sends without a pause.
"""

import contextlib
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.bench.row import peak_mib
from tests.daemon.conftest import Line, epoch_frame

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
FLOOD_S = 8.0
PING_S = 5.0  # a figure to hold: the watchdog is never fed more than so far apart
MOST_MIB = 96.0
COMMIT_S = 5.0
WATCH = "from witnesspost.daemon.cli import main; main(prog_name='witnesspost')"

GGA = b"$GPGGA,120000.00,3907.40740,N,10459.25926,W,4,17,0.8,1850.0,M,-17.8,M,1.0,0417*6C\r\n"
PATTERNS = {
    "frames": b"".join(epoch_frame(number, 77) for number in range(1000)),
    "noise": random.Random(1).randbytes(1 << 20),
    "heads of frames": b"\xd3\x00\x40\xd3\x03" + b"\xff" * 60,
    "sentences": GGA * 1000,
    "nothing": bytes(1 << 16),
}


class Flood:
    """A server that sends a pattern to whoever connects, as fast as it is taken, until `stop`."""

    def __init__(self, pattern):
        self._pattern = pattern * max(1, (1 << 18) // len(pattern))
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self.sent = 0
        self._stopping = False
        self._thread = threading.Thread(target=self._send)
        self._thread.start()

    def _send(self):
        connection, _ = self._server.accept()
        with connection, contextlib.suppress(OSError):
            connection.settimeout(1.0)
            while not self._stopping:
                with contextlib.suppress(TimeoutError):
                    self.sent += connection.send(self._pattern)

    def stop(self):
        self._stopping = True
        self._thread.join(10)
        self._server.close()


@pytest.fixture
def manager(tmp_path):
    """The service manager's ear: when each ping came."""
    pings, ready = [], threading.Event()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "manager"))
        ear.settimeout(0.1)
        ended = threading.Event()

        def listen():
            while not ended.is_set():
                with contextlib.suppress(TimeoutError):
                    said = ear.recv(65536)
                    if said == b"WATCHDOG=1":
                        pings.append(time.monotonic())
                    elif said == b"READY=1":
                        ready.set()

        listener = threading.Thread(target=listen)
        listener.start()
        yield pings, ready
        ended.set()
        listener.join()


@pytest.mark.slow
@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_flood_starves_nobody(tmp_path, manager, pattern):
    pings, ready = manager
    line, flood = Line(tmp_path / "tty-corrections"), Flood(PATTERNS[pattern])
    site = tmp_path / "site.toml"
    site.write_text(SITE.format(port=flood.port, line=line.path))
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(tmp_path), "NOTIFY_SOCKET": str(tmp_path / "manager")}
    with (
        open(tmp_path / "said", "wb") as said,
        subprocess.Popen([sys.executable, "-c", WATCH, "watch", str(site)], stdout=said, stderr=said, env=environment) as watch,
    ):
        try:
            assert ready.wait(20)
            began, sent, number = time.monotonic(), b"", 0
            while time.monotonic() < began + FLOOD_S:
                frame = epoch_frame(number)
                line.send(frame)
                sent, number = sent + frame, number + 1
                time.sleep(0.2)
            memory = peak_mib(watch.pid)
            ended_at = time.monotonic()
            watch.send_signal(signal.SIGTERM)
            assert watch.wait(20) == 0
        finally:
            watch.kill()
            flood.stop()
            line.unplug()
    gaps = [later - earlier for earlier, later in zip([began, *pings], [*pings, ended_at], strict=True) if later > began]
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        kept = list(log.inputs())
        raised = {(c.rule, c.cause, c.stream) for c in log.changes() if c.change == "raised"}
        assert log.ended() == "stopped"
        assert verify(log).sound
    corrections = b"".join(what for _, stream, what in kept if stream == "corrections" and isinstance(what, bytes))
    assert corrections == sent
    assert [change for change in raised if change[0] == "corrections-stopped" and change[2] == "corrections"] == []
    assert max(gaps) <= PING_S
    assert memory <= MOST_MIB
