"""A running `witnesspost watch` on real ptys and sockets, and bytes to feed it."""

import atexit
import contextlib
import json
import os
import pty
import queue
import signal
import subprocess
import sys
import threading
import tty

import pytest
from witnesspost.daemon.status.server import NoAnswer, ask
from witnesspost.daemon.stream.framing import crc24q

from tests.daemon.view import until


def rtcm(payload: bytes) -> bytes:
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def epoch_frame(number: int, station: int = 417) -> bytes:
    """An MSM4 of GPS with two satellites whose time of week is `number` seconds: numbered, usable corrections."""
    bits = f"{1074:012b}{station:012b}{number * 1000:030b}0" + "0" * 18
    bits += "1" * 2 + "0" * 62 + "01" + "0" * 30 + "11" + "0" * (2 * 18 + 2 * 48)
    bits += "0" * (-len(bits) % 8)
    return rtcm(int(bits, 2).to_bytes(len(bits) // 8, "big"))


@contextlib.contextmanager
def started(words, **options):
    """A process, killed at the end if it still runs: a test that fails must not wait for it for ever."""
    with subprocess.Popen(words, **options) as process:
        try:
            yield process
        finally:
            process.kill()


# NumPy comes with the tests alone, and sqlite-utils would load it where it is, and what goes with it: seconds and 12 MiB.
AS_ON_A_POST = "import sys; sys.modules['numpy'] = None; from witnesspost.daemon.cli import main; main(prog_name='witnesspost')"


class Line:
    """A serial line as a pty: `path` is what the service opens."""

    def __init__(self, link):
        self.path = str(link)
        self._link = link
        self.plug_in()

    def plug_in(self):
        self.master, slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self.slave = slave
        if self._link.is_symlink():
            self._link.unlink()
        self._link.symlink_to(os.ttyname(slave))

    def send(self, data: bytes):
        os.write(self.master, data)

    def unplug(self):
        self._link.unlink()
        os.close(self.master)
        os.close(self.slave)


class Watch:
    """`witnesspost watch SITE --json` as a process; `until` waits for a line that fits."""

    def __init__(self, site, **environment):
        self.process = subprocess.Popen(
            [sys.executable, "-c", AS_ON_A_POST, "watch", str(site), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **environment, "RUNTIME_DIRECTORY": str(site.parent)},
        )
        # What a failed test leaves would open the ptys of the tests after it, whose numbers are the same; this ends it at the
        # latest with pytest itself, where nobody has called `stop`.
        atexit.register(self.process.kill)
        self.changes = []
        self.said = []
        self._lines = queue.Queue()
        for name in ("stdout", "stderr"):
            threading.Thread(target=self._pump, args=(name,), daemon=True).start()

    def _pump(self, name):
        with getattr(self.process, name) as stream:
            for text in stream:
                self._lines.put((name, text.rstrip("\n")))
        self._lines.put((name, None))

    def until(self, fits, timeout_s=30.0):
        """The first line for which `fits(name, line)` is true; everything on the way is kept."""
        while True:
            name, text = self._lines.get(timeout=timeout_s)
            assert text is not None, f"the service ended: {self.said}"
            if name == "stdout":
                self.changes.append(json.loads(text))
            else:
                self.said.append(text)
            if fits(name, text):
                return text

    def until_said(self, words):
        return self.until(lambda name, text: name == "stderr" and words in text)

    def until_change(self, change, rule):
        self.until(lambda name, text: name == "stdout" and json.loads(text)["change"] == change and rule in text)
        return self.changes[-1]

    def stop(self, number=signal.SIGTERM):
        self.process.send_signal(number)
        status = self.process.wait(10)
        ends = 0
        while ends < 2:
            name, text = self._lines.get(timeout=5)
            if text is None:
                ends += 1
            elif name == "stdout":
                self.changes.append(json.loads(text))
            else:
                self.said.append(text)
        return status


def until_read(socket, sent, stream="corrections"):
    """Wait until the post at `socket` has read all of `sent`: what a port still holds when a post is stopped is nobody's."""

    def read():
        with contextlib.suppress(NoAnswer):
            return any((port.stream, port.read_bytes) == (stream, len(sent)) for port in ask(socket).ports)
        return False

    until(read, 60.0)


@contextlib.contextmanager
def file_system(folder, size):
    """A file system of its own at `folder`, of `size` as `mount` takes it; the test is skipped where nobody may mount."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    folder.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], capture_output=True, check=False)
    if done.returncode:
        pytest.skip("no mounting here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 2 MB."""
    with file_system(tmp_path / "disk", "2m") as folder:
        yield folder


@pytest.fixture
def line(tmp_path):
    return Line(tmp_path / "tty-corrections")


@pytest.fixture
def watch(tmp_path):
    """Start a watch of a site file's text; killed at the end if it still runs."""
    started = []

    def start(text):
        site = tmp_path / "site.toml"
        site.write_text(text)
        started.append(Watch(site))
        return started[-1]

    yield start
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait(10)
