"""Two hours of a 10 Hz rover's stream through the real watch, twenty times as fast: memory, threads and descriptors stay flat.

The watch is a process of its own on ptys. Its clock runs `SPEED` times as fast as the machine's, so that what it keeps for so
many seconds comes and goes as in two hours. Corrections fail now and then, so that alerts are raised and end. Readings are the
kernel's (proc(5)), a minute of stream apart, from when half an hour is over: the longest that a rule looks back.
"""

from __future__ import annotations

import contextlib
import os
import pty
import signal
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.status.server import ask
from witnesspost.replay.play.tape import Chunk

from tests.bench.row import resident_mib
from tests.bench.streams import records, site, site_text
from tests.daemon.view import until
from tests.proof.table import Length, Row

SPEED = 20.0
MORE_MIB = 4.0  # a page more of SQLite's, an allocator's arena: not what grows with the bytes
SETTLED_S = 1800.0
_LEAST_READINGS = 8  # from then on: what one reading shows is flat
_NAME = "rover"
_WATCH = f"""
import sys; sys.modules["numpy"] = None  # as on a post
import witnesspost.daemon.service as service
class Fast(service.Clock):
    def __call__(self):
        return int(super().__call__() * {SPEED} * 1000) / 1000.0
service.Clock = Fast
from witnesspost.daemon.cli import main
main(prog_name="witnesspost")
"""


class Reading(NamedTuple):
    """What the process has at second `t` of the stream."""

    t: float
    mib: float
    threads: int
    descriptors: int


class Soaked(NamedTuple):
    """The readings, bytes sent and kept, alerts raised, and whether the log verifies."""

    readings: list[Reading]
    sent: int
    kept: int
    raised: int
    sound: bool


def soak(duration_s: float, folder: Path, every_s: float = 60.0) -> Soaked:
    """So much stream; corrections are silent for twenty seconds of every ten minutes."""
    lines: dict[str, int] = {}
    slaves = []
    for stream in site(_NAME).stream:
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        lines[stream.name] = master
        slaves.append(slave)
    ports = {name: os.ttyname(slave) for name, slave in zip(lines, slaves, strict=True)}
    (folder / "site.toml").write_text(site_text(_NAME, ports))
    socket = folder / f"{site(_NAME).post.name}.sock"
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(folder)}
    words = [sys.executable, "-c", _WATCH, "watch", str(folder / "site.toml")]
    readings: list[Reading] = []
    sent = 0
    with (
        open(folder / "said", "wb") as said,
        subprocess.Popen(words, stdout=said, stderr=subprocess.PIPE, env=environment) as watch,
    ):
        try:
            assert watch.stderr is not None
            opened = 0
            while opened < len(lines):
                line = watch.stderr.readline()
                assert line, "the watch ended before its ports were open"
                opened += b") open" in line
            os.set_blocking(watch.stderr.fileno(), False)
            began = time.monotonic()
            for record in records(_NAME, duration_s):
                if not isinstance(record, Chunk) or (record.stream == "corrections" and record.t % 600.0 > 580.0):
                    continue
                time.sleep(max(0.0, began + record.t / SPEED - time.monotonic()))
                _send(lines[record.stream], record.data)
                sent += len(record.data)
                if record.t >= (len(readings) + 1) * every_s:
                    readings.append(_reading(watch.pid, record.t))
                    with contextlib.suppress(BlockingIOError):
                        watch.stderr.read()
            until(lambda: sum(port.read_bytes for port in ask(socket).ports) == sent, 60.0)
            watch.send_signal(signal.SIGTERM)
            watch.wait(30)
        finally:
            watch.kill()
            for end in (*lines.values(), *slaves):
                os.close(end)
    kept = raised = 0
    sound = True
    for path in sorted((folder / "log").glob("*.db")):
        with LogFile.open(path) as log:
            sound = sound and verify(log).sound
            kept += sum(len(what) for _, _, what in log.inputs() if isinstance(what, bytes))
            raised += sum(change.change == "raised" for change in log.changes())
    return Soaked(readings, sent, kept, raised, sound)


def _send(line: int, data: bytes) -> None:
    """All of it, however slowly it is taken: a machine that is busy makes the stream slower, and loses nothing."""
    until = time.monotonic() + 60.0
    while data:
        try:
            data = data[os.write(line, data) :]
        except BlockingIOError:
            assert time.monotonic() < until, "the watch reads no more"
            time.sleep(0.002)


def _reading(pid: int, t: float) -> Reading:
    folder = Path(f"/proc/{pid}")
    return Reading(t, resident_mib(pid), len(list((folder / "task").iterdir())), len(list((folder / "fd").iterdir())))


def rows(length: Length) -> Iterator[Row]:
    """One row; in short ten minutes of stream, whose first half is taken for the start."""
    duration_s = 600.0 if length.short else 7200.0
    with tempfile.TemporaryDirectory(prefix="witnesspost-soak-") as name:
        soaked = soak(duration_s, Path(name), 30.0 if length.short else 60.0)
    settled = [one for one in soaked.readings if one.t >= min(SETTLED_S, duration_s / 2)]
    assert len(settled) >= _LEAST_READINGS, f"{len(settled)} readings"
    first, most = settled[0].mib, max(one.mib for one in settled)
    threads, descriptors = {one.threads for one in settled}, {one.descriptors for one in settled}
    wrong = [] if most - first <= MORE_MIB else [f"soak: {first:.1f} MiB grew to {most:.1f}"]
    wrong += [] if max(threads) - min(threads) <= 1 else [f"soak: threads {sorted(threads)}"]
    wrong += [] if max(descriptors) - min(descriptors) <= 2 else [f"soak: descriptors {sorted(descriptors)}"]
    wrong += [] if soaked.kept == soaked.sent else [f"soak: {soaked.sent} bytes sent, {soaked.kept} kept"]
    wrong += [] if soaked.sound else ["soak: the log does not verify"]
    wrong += [] if soaked.raised else ["soak: no alert was raised: nothing was tried"]
    yield Row(
        f"soak: {duration_s / 3600:.2g} h of a 10 Hz rover at {SPEED:g} × the pace",
        f"{len(soaked.readings)} readings, {soaked.sent / 1e6:.1f} MB, {soaked.raised} alerts",
        f"{first:.1f} to {most:.1f} MiB, threads {min(threads)} to {max(threads)}, "
        f"descriptors {min(descriptors)} to {max(descriptors)}; all bytes kept",
        tuple(wrong),
    )
