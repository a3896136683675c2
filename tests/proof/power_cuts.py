"""Power cuts and failing cards: what a disk has when the power goes, made anew from every change that was sent to it.

A log is written on the tests' own disk (`disk.c`), which keeps each write, each sync and each name. A cut is a moment in that
journal: what was synced before it is there, and of all that was not, any part, torn at 512 bytes; names that were made or taken
away since their folder was synced, in their order, up to any of them. An honest disk syncs when it
is asked; one that lies says so and does it or not. After an honest disk's cut all that was promised is there, in its order
and once; after a liar's the next start begins, and what it has verifies or is set aside.
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.daemon.log.feeding import start
from tests.proof.disk import Disk
from tests.proof.table import Length, Row

_HEAD = struct.Struct("iiqii")
_SECTOR = 512
_WRITE = """
import os, sys
from pathlib import Path
from tests.daemon.log.feeding import Feeder, start
folder = Path(sys.argv[1])
log = start(folder, rotate_s=60.0)
feeder = Feeder(log)
told = os.open(folder / "promised", os.O_CREAT | os.O_WRONLY)
for second in range(150):
    feeder.feed(second, second + 1)
    if second % 5 == 4:  # commit_s is 5
        os.pwrite(told, b"%08d" % ((second - 5) * 5), 0)
log.close(150.0, "stopped")
"""
_FAILING = """
import sys, time
from pathlib import Path
from tests.daemon.log.feeding import Feeder, start
folder, go = Path(sys.argv[1]), Path(sys.argv[2])
log = start(folder)
print("begun", flush=True)
feeder = Feeder(log)
second = 0
while not go.exists() or second < 60:
    feeder.feed(second, second + 1)
    second += 1
    time.sleep(0.002)
feeder.feed(second, second + 60)
log.close(second + 60.0, "stopped")
print(second + 60)
"""


class Change(NamedTuple):
    """One change of a file: a write, a truncation, a sync, a new name."""

    kind: str
    path: str
    at: int
    data: bytes


class _File:
    """A file as the disk has it, and what is on its way there."""

    def __init__(self) -> None:
        self.there = bytearray()
        self.coming: list[tuple[int, bytes | None]] = []

    def settle(self) -> None:
        for at, data in self.coming:
            self._put(at, data)
        self.coming.clear()

    def cut(self, chance: random.Random) -> bytes:
        share = chance.choice((0.0, 0.2, 0.5, 0.8, 1.0))
        for at, data in self.coming:
            if chance.random() >= share:
                continue
            if data is not None and chance.random() < 0.2:
                data = data[: chance.randrange(len(data) // _SECTOR + 1) * _SECTOR]
            self._put(at, data)
        return bytes(self.there)

    def _put(self, at: int, data: bytes | None) -> None:
        if len(self.there) < at:
            self.there.extend(bytes(at - len(self.there)))
        if data is None:
            del self.there[at:]
        else:
            self.there[at : at + len(data)] = data


def read_journal(path: Path) -> list[Change]:
    """All changes, in their order."""
    data = path.read_bytes()
    changes = []
    at = 0
    while at < len(data):
        kind, path_size, place, size, _ = _HEAD.unpack_from(data, at)
        at += _HEAD.size
        name = data[at : at + path_size].decode()
        changes.append(Change(chr(kind), name, place, data[at + path_size : at + path_size + size]))
        at += path_size + size
    return changes


def image(changes: list[Change], chance: random.Random, folder: Path, *, lies: bool) -> int:
    """What the disk has after the power went behind the last of the changes, laid into `folder`; how much was promised then."""
    files: dict[str, _File] = {}
    named: dict[str, _File] = {}
    renamed: list[tuple[str, _File | None]] = []  # since the folder was synced; None: taken away
    promised = 0
    for kind, path, at, data in changes:
        made: list[tuple[str, _File | None]] = []
        if path.endswith("/promised"):
            promised = int(data) if kind == "w" else promised
            continue
        if kind == "l":
            made = [(data.decode(), files[path])]
        elif kind == "r":
            made = [(data.decode(), files[path]), (path, None)]
        elif kind == "u" or (kind in "wt" and path not in files):
            made = [(path, None if kind == "u" else _File())]
        _name(files, made)
        renamed += made
        if kind in "wt":
            files[path].coming.append((at, data if kind == "w" else None))
        elif kind == "s" and not (lies and chance.random() < 0.5):
            if path in files:
                files[path].settle()
            elif any(Path(name).parent == Path(path) for name in files):
                _name(named, renamed)
                renamed.clear()
    _name(named, renamed[: chance.randrange(len(renamed) + 1)])
    for path, file in named.items():
        if not path.endswith("-shm") and not path.endswith(".lock"):
            (folder / Path(path).name).write_bytes(file.cut(chance))
    return promised


def _name(names: dict[str, _File], changes: list[tuple[str, _File | None]]) -> None:
    for path, file in changes:
        if file is None:
            names.pop(path, None)
        else:
            names[path] = file


class Cut(NamedTuple):
    """What is wrong with the log that the next start found after a cut, and how many chunks had been promised by then."""

    wrong: list[str]
    promised: int


def after_a_cut(changes: list[Change], chance: random.Random, folder: Path, *, lies: bool) -> Cut:
    """A cut somewhere in the changes, and the next start."""
    promised = image(changes[: chance.randrange(1, len(changes))], chance, folder, lies=lies)
    log = start(folder)
    log.chunk(1.0, "corrections", b"after")
    log.close(2.0, "stopped")
    wrong = [] if log.loss is None else [f"the next start lost: {log.loss.why}"]
    stored: list[bytes] = []
    paths = sorted(folder.glob("*.db"))
    for path in paths:
        try:
            with LogFile.open(path) as opened:
                report = verify(opened)
                chunks = [what for _, _, what in opened.inputs() if isinstance(what, bytes)]
                if path == paths[-1]:
                    wrong += [] if report.sound and chunks == [b"after"] else [f"{path.name}, the next start's, is not sound"]
                    continue
                wrong += [] if report.sound or lies else [f"{path.name}: {report.bad or report.sqlite}"]
                stored += chunks
        except LogError as error:
            wrong += [] if lies else [f"{path.name}: {error}"]
    if lies:
        return Cut(wrong, promised)
    wrong += [f"set aside: {path.name}" for path in folder.glob("*.damaged*")]
    wrong += (
        [] if stored == [b"%07d " % n * 12 for n in range(len(stored))] else ["what is there is not what was fed, in its order"]
    )
    wrong += [] if len(stored) >= promised else [f"{promised} chunks were promised, {len(stored)} are there"]
    return Cut(wrong, promised)


def fails_late(folder: Path, chance: random.Random) -> tuple[list[str], int]:
    """A disk that is slow, fails in a sync or a write now and then, and is full, by turns; then it is well. What is wrong, and
    how many calls failed."""
    disk = Disk(folder / "log")
    go = folder / "go"
    words = [sys.executable, "-c", _FAILING, str(folder / "log"), str(go)]
    environment = {**os.environ, **disk.environment}
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        for _ in range(6):
            how = chance.randrange(4)
            if how == 0:
                disk.is_slow(chance.uniform(0.0, 0.1))
            elif how == 1:
                disk.fails(chance.randint(1, 6))
            elif how == 2:
                disk.is_full(chance.randrange(20_000))
            else:
                disk.is_well()
            _until_asked(disk, chance.randint(1, 20))
        disk.is_well()
        go.touch()
        said, errors = process.communicate(timeout=120)
    faults = disk.faults()
    disk.close()
    if process.returncode:
        return [f"the log's process ended with {process.returncode}: {errors[-200:]}"], faults
    stored: list[bytes] = []
    wrong: list[str] = []
    for path in sorted((folder / "log").glob("*.db")):
        with LogFile.open(path) as opened:
            wrong += [] if verify(opened).sound else [f"{path.name} is not sound"]
            stored += [what for _, _, what in opened.inputs() if isinstance(what, bytes)]
    expected = [b"%07d " % n * 12 for n in range(int(said) * 5)]
    return wrong + ([] if stored == expected else [f"{len(expected)} chunks were fed, {len(stored)} are there"]), faults


def _until_asked(disk: Disk, times: int) -> None:
    """Wait until the disk was asked so often, in whatever state it is."""
    asked, deadline = disk.syncs() + disk.faults(), time.monotonic() + 60.0
    while disk.syncs() + disk.faults() < asked + times:
        assert time.monotonic() < deadline, "the log asks no more of its disk"
        time.sleep(0.005)


def rows(length: Length) -> Iterator[Row]:
    """A row for each kind of disk."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-disk-") as name:
        folder, journal = Path(name) / "log", Path(name) / "journal"
        disk = Disk(folder)
        disk.keeps(journal)
        subprocess.run([sys.executable, "-c", _WRITE, str(folder)], check=True, env={**os.environ, **disk.environment})
        disk.close()
        changes = read_journal(journal)
    syncs = sum(change.kind == "s" for change in changes)
    count = length.of(1000, 10)
    for lies in (False, True):
        wrong: list[str] = []
        promised = 0
        for number in range(count):
            place = Path(tempfile.mkdtemp(prefix="witnesspost-cut-"))
            chance = random.Random(f"cut {lies} {number}")
            what = "lying disk" if lies else "honest disk"
            try:
                cut = after_a_cut(changes, chance, place, lies=lies)
                wrong += [f"power cut, {what}, {number}: {text}" for text in cut.wrong]
                promised += cut.promised
            except Exception as error:
                wrong.append(f"power cut, {what}, {number}: {type(error).__name__}: {error}")
            shutil.rmtree(place)
        wrong += [] if promised else [f"power cut, {what}: nothing had been promised: nothing was tried"]
        kind = "a disk that lies about every other sync" if lies else "an honest disk"
        result = (
            "the next start begins, and what it writes verifies"
            if lies
            else "all that was promised is there, in its order and once; it verifies"
        )
        yield Row(f"power cuts on {kind}", f"{count} cuts in {len(changes)} changes, {syncs} syncs", result, tuple(wrong))
    wrong, faults = [], 0
    count = length.of(60, 2)
    for number in range(count):
        with tempfile.TemporaryDirectory(prefix="witnesspost-disk-") as name:
            found, failed = fails_late(Path(name), random.Random(f"late {number}"))
        wrong += [f"failing disk, {number}: {text}" for text in found]
        faults += failed
    wrong += [] if faults else ["failing disk: no call failed: nothing was tried"]
    yield Row(
        "a disk that is slow, fails late and is full by turns",
        f"{count} runs, {faults} calls that failed",
        "once it is well, all bytes are there, once and in their order",
        tuple(wrong),
    )
