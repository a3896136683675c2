"""Kills in what happens seldom: a rotation, the start after an older version's log, a snapshot, an upgrade by the installer.

Each round lets a process of its own do it and kills that at a random moment (SIGKILL); then what it has left is judged, and the
next one has to come through. The moment is a share of the time that the same work was seen to take on this machine, whatever
its speed, and only rounds that were cut short count.
"""

from __future__ import annotations

import contextlib
import math
import os
import random
import select
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from click.testing import CliRunner
from witnesspost.daemon.commands.snapshot import snapshot
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import SITE, Feeder, start
from tests.proof.table import Length, Row
from tests.systemd.test_install import POSTS, Machine

_OLDER = Path(__file__).parents[1] / "daemon" / "log" / "data"
_FROM = {"log-version-1.sql": 1, "log-version-2.sql": 2}


class Kills:
    """Kills of work that is done in a process of its own, each at a random share of the time that it takes. `left` counts what
    those that were cut short had left to be judged."""

    def __init__(self) -> None:
        self.takes_s = math.inf  # of the last that came to its end; the first is left to
        self.hits = 0
        self.left = 0

    def during(self, work: Callable[[], object], chance: random.Random) -> bool:
        """Do it in a fork of this process and kill that; whether it was cut short. AssertionError where it fails by itself."""
        begins, tell = os.pipe()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere), contextlib.redirect_stderr(nowhere):
                    os.write(tell, b"!")
                    work()
                status = 0
            finally:
                os._exit(status)
        os.close(tell)
        os.read(begins, 1)
        os.close(begins)
        if not self._ended_by_itself(child, chance):
            os.kill(child, signal.SIGKILL)
        ended = os.waitpid(child, 0)[1]
        assert os.WIFSIGNALED(ended) or ended == 0, "what was to be killed had failed by itself"
        self.hits += os.WIFSIGNALED(ended)
        return os.WIFSIGNALED(ended)

    def of(self, group: subprocess.Popen[bytes], chance: random.Random, number: signal.Signals) -> bool:
        """Send the signal to a program that was just begun as the leader of a group, and to whatever it has begun; whether it
        was cut short."""
        done = self._ended_by_itself(group.pid, chance)
        if not done:
            os.killpg(group.pid, number)
        status = group.wait()
        assert not done or status == 0, "what was to be killed had failed by itself"
        self.hits += status != 0
        return status != 0

    def _ended_by_itself(self, pid: int, chance: random.Random) -> bool:
        """Wait for a moment of its work, which has begun; whether it was done before."""
        begun = time.monotonic()
        after_s = None if math.isinf(self.takes_s) else self.takes_s * chance.uniform(0.0, 1.1)
        process = os.pidfd_open(pid)
        over, _, _ = select.select([process], [], [], after_s)
        os.close(process)
        if over:
            self.takes_s = time.monotonic() - begun
        return bool(over)


Round = Callable[[Path, random.Random, Kills], list[str]]


def _committed(path: Path) -> int:
    return int(path.read_text() or 0) if path.exists() else 0


def rotation(folder: Path, chance: random.Random, kills: Kills) -> list[str]:
    """A log that begins a new file every ten seconds of its time, fed as fast as it goes."""
    told = folder / "told"
    log_folder = folder / "log"

    def work() -> None:
        log = start(log_folder, rotate_s=10.0)
        feeder = Feeder(log)
        for second in range(45):
            feeder.feed(second, second + 1)
            if second % 5 == 4:  # commit_s is 5: what came five seconds ago is on the disk
                told.write_text(str((second - 5) * 5))

    cut_short = kills.during(work, chance)
    promised = _committed(told)
    kills.left += cut_short and promised > 0 and len(list(log_folder.glob("*.db"))) > 1
    log = start(log_folder)
    log.close(0.0, "stopped")
    wrong = [f"set aside: {path.name}" for path in log_folder.glob("*.damaged*")]
    stored: list[bytes] = []
    digest = None
    for path in sorted(log_folder.glob("*.db")):
        with LogFile.open(path) as opened:
            report = verify(opened)
            wrong += [] if report.sound else [f"{path.name}: {report.bad or report.sqlite}"]
            wrong += [] if opened.run.previous_digest == digest else [f"{path.name} does not go on from the file before it"]
            digest = report.digest
            stored += [what for _, _, what in opened.inputs() if isinstance(what, bytes)]
    expected = [b"%07d " % number * 12 for number in range(len(stored))]
    wrong += [] if stored == expected else ["what is stored is not what was fed, in its order and once"]
    wrong += [] if len(stored) >= promised else [f"{promised} chunks were committed, {len(stored)} are there"]
    return wrong


def migration(folder: Path, chance: random.Random, kills: Kills) -> list[str]:
    """A start whose last file is an older version's, as a crash left it."""
    log_folder = folder / "log"
    log_folder.mkdir()
    older = chance.choice(sorted(_FROM))
    path = log_folder / "kestrel-base.0001.db"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript((_OLDER / older).read_text())
        if chance.random() < 0.5:
            connection.execute("DELETE FROM event WHERE kind = 'log-closed'")
            connection.commit()

    def raw() -> list[tuple[object, ...]]:
        aside = path.with_name(f"{path.name}.damaged")
        with contextlib.closing(sqlite3.connect(path if path.exists() else aside)) as connection:
            return connection.execute("SELECT * FROM raw ORDER BY n").fetchall()

    before = raw()
    assert before, "the older log has no bytes"

    def work() -> None:
        log = start(log_folder)
        log.chunk(1.0, "corrections", b"x")
        log.tick(7.0)
        log.close(8.0, "stopped")

    kills.left += kills.during(work, chance)
    work()
    newest = max(log_folder.glob("kestrel-base.*.db"))
    with LogFile.open(newest) as opened:
        wrong = [] if verify(opened).sound else [f"{newest.name} is not sound"]
        wrong += (
            [] if [what for _, _, what in opened.inputs() if isinstance(what, bytes)] == [b"x"] else ["the new file lacks it"]
        )
    return wrong + ([] if raw() == before else ["the bytes in the older log were changed"])


def copying(source: Path) -> Round:
    """A snapshot of a log that is written."""

    def round_(folder: Path, chance: random.Random, kills: Kills) -> list[str]:
        out = folder / "copy.db"
        before = source.read_bytes()

        def copied() -> list[str]:
            done = CliRunner().invoke(snapshot, [str(source), str(out)])
            return [] if done.exit_code == 0 else [f"the next one ended with {done.exit_code}: {done.output}"]

        def work() -> None:
            assert copied() == []

        kills.left += kills.during(work, chance)
        wrong = [] if source.read_bytes() == before else ["the log that is copied was changed"]
        wrong += [] if out.exists() else copied()
        with LogFile.open(source) as log, LogFile.open(out) as copy:
            report = verify(copy)
            wrong += [] if report.sound and report.digest == verify(log).digest else ["there is a copy, and it is not whole"]
        return wrong

    return round_


def installing(folder: Path, chance: random.Random, kills: Kills) -> list[str]:
    """An upgrade of three posts; the tools around it are the tests' own."""
    machine = Machine(folder)
    machine.program("1.0")
    assert machine.install().returncode == 0
    machine.start(*POSTS)
    machine.program("2.0")
    environment = {**os.environ, "ROOT": str(folder), "PATH": f"{folder}/bin:/usr/sbin:/usr/bin:/sbin:/bin"}
    command = ["sh", str(folder / "checkout/systemd/install")]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    ) as process:
        kills.left += kills.of(process, chance, chance.choice((signal.SIGKILL, signal.SIGKILL, signal.SIGTERM)))
    program = folder / "opt/witnesspost/venv/bin/witnesspost"
    wrong = [] if program.exists() and machine.version in ("1.0", "2.0") else ["no program is in place"]
    if not wrong and subprocess.run([program, "--version"], env=environment, capture_output=True, check=False).returncode:
        wrong.append("the program in place does not run")
    again = machine.install()
    wrong += [] if again.returncode == 0 else [f"the next upgrade ended with {again.returncode}: {again.stderr[:200]}"]
    wrong += [] if machine.version == "2.0" else [f"after the next upgrade it is {machine.version}"]
    left = sorted(path.name for path in (folder / "opt/witnesspost/versions").iterdir())
    return wrong + ([] if len(left) == 1 else [f"versions left: {left}"])


def rows(length: Length) -> Iterator[Row]:
    """A row each."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-kills-") as name:
        live = Path(name) / "live"
        log = Log.start(live, site_from_toml(SITE), SITE)
        Feeder(log, size=4000).feed(0, 300)
        (source,) = live.glob("*.db")
        yield _rounds("kills in a rotation", rotation, length.of(200, 5))
        yield _rounds("kills in the first start over an older version's log", migration, length.of(200, 5))
        yield _rounds("kills in a snapshot", copying(source), length.of(200, 5))
        yield _rounds("kills in an upgrade", installing, length.of(100, 3))
        log.close(300.0, "stopped")


def _rounds(what: str, round_: Round, count: int) -> Row:
    """So many that were cut short; those that were done before their kill are judged too, and do not count. In some of them
    there must have been something to judge: files, after a rotation, and bytes that were promised."""
    wrong: list[str] = []
    kills = Kills()
    number = 0
    while kills.hits < count and number < 20 * count and len(wrong) < count:
        folder = Path(tempfile.mkdtemp(prefix="witnesspost-kills-"))
        try:
            wrong += [f"{what}, round {number}: {text}" for text in round_(folder, random.Random(f"{what} {number}"), kills)]
        except AssertionError as error:
            wrong.append(f"{what}, round {number}: {error}")
        finally:
            shutil.rmtree(folder)
        number += 1
    wrong += [] if kills.hits >= count or wrong else [f"{what}: of {number} rounds {kills.hits} were cut short, not {count}"]
    wrong += [] if kills.left or wrong else [f"{what}: those that were cut short left nothing to judge: nothing was tried"]
    result = f"what was whole is whole, and the next one comes through ({kills.takes_s * 1000:.0f} ms undisturbed)"
    return Row(what, f"{kills.hits} cut short of {number} rounds", result, tuple(wrong))
