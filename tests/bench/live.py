"""(g) what a running post costs, and how soon after its start the first byte is in the log.

`witnesspost watch` as a process of its own on ptys that are fed at the pace of real lines; its costs are the kernel's own
counts (proc(5)): CPU time, voluntary context switches of all its threads, resident memory, bytes sent to the disk. They are
taken from when it has settled, with PROJ loaded.
"""

from __future__ import annotations

import contextlib
import os
import pty
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import NamedTuple

from tests.bench.row import Row, at_most, resident_mib
from tests.bench.streams import chunks, site, site_text

# As on a post: NumPy comes with the tests alone, and sqlite-utils would load it where it is (12 MiB, a tenth of a second).
_WATCH = "import sys; sys.modules['numpy'] = None; from witnesspost.daemon.cli import main; main(prog_name='witnesspost')"
_POSTS = {"base": (1.0, "1 Hz base"), "rover-20hz": (4.0, "20 Hz rover")}


class _Used(NamedTuple):
    """The kernel's counts for a process up to now; `at` is the wall's time."""

    at: float
    cpu_s: float
    wakes: int
    written: int


class _Post:
    """A running watch, its ptys and its folder."""

    def __init__(self, name: str, commit_s: float):
        self.folder = Path(tempfile.mkdtemp(prefix="witnesspost-bench-"))
        self._lines: dict[str, tuple[int, int]] = {}
        for stream in site(name).stream:
            master, slave = pty.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._lines[stream.name] = master, slave
        ports = {stream: os.ttyname(slave) for stream, (_, slave) in self._lines.items()}
        site_file = self.folder / "site.toml"
        site_file.write_text(site_text(name, ports, commit_s))
        environment = {**os.environ, "RUNTIME_DIRECTORY": str(self.folder)}
        self.started = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-c", _WATCH, "watch", str(site_file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=environment,
        )

    def wait_until_open(self) -> None:
        """Until it has said that each port is open."""
        assert self.process.stderr is not None
        told = 0
        while told < len(self._lines):
            line = self.process.stderr.readline()
            assert line, "the watch ended before its ports were open"
            told += b") open" in line

    def send(self, stream: str, data: bytes) -> None:
        """Bytes onto the line; a pty that is full (its reader was stopped) would fail the bench."""
        assert os.write(self._lines[stream][0], data) == len(data)

    def used(self) -> _Used:
        """What it has used by now."""
        folder = Path(f"/proc/{self.process.pid}")
        fields = (folder / "stat").read_text().rpartition(")")[2].split()
        tick = os.sysconf("SC_CLK_TCK")
        wakes = 0
        for task in (folder / "task").iterdir():
            with contextlib.suppress(OSError):
                wakes += _count(task / "status", "voluntary_ctxt_switches")
        return _Used(time.monotonic(), (int(fields[11]) + int(fields[12])) / tick, wakes, _count(folder / "io", "write_bytes"))

    def first_byte_logged_s(self, data: bytes) -> float:
        """Seconds from the start until a row of raw bytes can be read in the log, while `data` comes every 10 ms (a port
        that is opened begins with what comes then); TimeoutError after half a minute."""
        stream = next(iter(self._lines))
        while time.monotonic() < self.started + 30.0:
            with contextlib.suppress(BlockingIOError):
                os.write(self._lines[stream][0], data)
            if any(_has_bytes(path) for path in self.folder.glob("log/*.db")):
                return time.monotonic() - self.started
            time.sleep(0.01)
        raise TimeoutError("no byte in the log")

    def stop(self) -> None:
        """End it, and take its folder away."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(10.0)
        assert self.process.stderr is not None
        self.process.stderr.close()
        for line in self._lines.values():
            for end in line:
                os.close(end)
        shutil.rmtree(self.folder)


def rows(short: bool) -> list[Row]:
    """The running cost of both posts, side by side, and the start."""
    settled_s, measured_s = (7.0, 10.0) if short else (12.0, 300.0)
    return [*_running(settled_s, measured_s), _start(3 if short else 11)]


def _running(settled_s: float, measured_s: float) -> Iterator[Row]:
    """Measured once the base's position has come and PROJ has judged it."""
    posts = {name: _Post(name, 5.0) for name in _POSTS}
    try:
        for post in posts.values():
            post.wait_until_open()
        began = time.monotonic()
        before: dict[str, _Used] = {}
        fed = dict.fromkeys(posts, 0)
        whole_s = settled_s + measured_s
        everything = sorted((chunk.t, name, chunk.stream, chunk.data) for name in posts for chunk in chunks(name, whole_s))
        for t, name, stream, data in everything:
            if t >= settled_s and not before:
                before = {of: post.used() for of, post in posts.items()}
                fed = dict.fromkeys(posts, 0)
            time.sleep(max(0.0, began + t - time.monotonic()))
            posts[name].send(stream, data)
            fed[name] += len(data)
        time.sleep(max(0.0, began + whole_s - time.monotonic()))
        after = {of: post.used() for of, post in posts.items()}
        memory = {of: resident_mib(post.process.pid) for of, post in posts.items()}
        for name, (limit, words) in _POSTS.items():
            yield from _cost_rows(words, limit, before[name], after[name], memory[name], fed[name])
    finally:
        for post in posts.values():
            post.stop()


def _cost_rows(words: str, limit: float, before: _Used, after: _Used, memory_mib: float, fed: int) -> Iterator[Row]:
    wall_s = after.at - before.at
    share = 100.0 * (after.cpu_s - before.cpu_s) / wall_s
    yield at_most("g", f"{words} live: share of one core", limit, share, " %", f" (over {wall_s:.0f} s)")
    yield at_most("g", f"{words} live: resident memory, PROJ loaded", 64.0, memory_mib, " MiB")
    yield Row("g", f"{words} live: wake-ups", "", f"{(after.wakes - before.wakes) / wall_s:.0f} a second")
    written = after.written - before.written
    said = f"{written / wall_s:,.0f} a second, {written / fed:.1f} × raw"
    yield Row("g", f"{words} live: bytes written to the disk", "", said)


def _start(runs: int) -> Row:
    """With short commits, so that the row in the log tells when its byte was taken."""
    data = chunks("base", 60.0)[0].data
    times, cpu = [], []
    for _ in range(runs):
        post = _Post("base", 0.1)
        try:
            times.append(post.first_byte_logged_s(data))
            cpu.append(post.used().cpu_s)
        finally:
            post.stop()
    note = f" (worst of {runs}: {max(times):.2f} s; CPU time {median(cpu):.2f} s; committed, not only taken)"
    return at_most("g", "start of the process to the first byte in the log", 1.5, median(times), " s", note)


def _has_bytes(path: Path) -> bool:
    """True if a row of raw bytes can be read in the log."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as log:
            return log.execute("SELECT 1 FROM raw LIMIT 1").fetchone() is not None
    except sqlite3.Error:  # not built yet
        return False


def _count(path: Path, key: str) -> int:
    return next(int(line.split()[1]) for line in path.read_text().splitlines() if line.startswith(key + ":"))
