"""Kill the service at a random moment, again and again, and count what its log has lost.

    python -m tests.proof.kill_rounds [ROUNDS [POSTS [FIRST]]]        500 rounds on 4 posts at once, unless said otherwise

Each round runs `witnesspost watch` on two ptys that carry numbered frames, lets a neighbour's base come and go so that
alerts are raised, and kills the service (SIGKILL) at any moment; every fifth round within one and a half times what a start was
seen to take. An alert takes the bytes before it to the disk: in every other round the neighbour comes once, and then there are
bytes alone. Then: the file opens, every committed block verifies, what was kept is what was sent up to some instant, nothing
that was sent had waited for longer than `commit_s`, and each alert that had sounded is there. A start that begins a file must
have closed the one that was left open; the last of each post is closed by one more start, which is stopped.

An alert sounds first and is written then, since a slow card must not hold up the buzzer: one that is not in the log is named by
the next start, as sounded and not recorded. These are counted apart. Where a kill comes before there is a file, what is lost is
bounded by the same `commit_s`.

For how long: from the first look at which more had been sent than the file has, to the kill, whether the service had read it,
or it waited in a pty that nobody read. The kernel says how much of that the service could not help, on a busy machine and on
a slow one (schedstat, proc(5)): while a thread of it ran, or waited for a core, the log was not idle, and its idle time is held
to `commit_s`. But what it ran is no excuse without end: all but the waits for a core is held to `WORK_S` more. Before it is
killed the service is stopped (SIGSTOP), so that the waits that were under way count. Its files are on a disk in memory, where
there is one: what a process that is killed has written stays either way, and nobody else's syncs come between.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import EventRow
from witnesspost.daemon.log.verifying import verify

from tests.daemon.conftest import AS_ON_A_POST, epoch_frame
from tests.proof.numbered_lines import SITE, NumberedLine, numbered
from tests.proof.schedule import Moment, left_s, spent_by
from tests.proof.table import Length, Row

COMMIT_S = 1.0
TRANSIT_S = 0.25  # from the pty through a reader that gathers to the log; not the log's own time
WORK_S = 2.5  # of its own on a core, before what was sent is on the disk: a start on a machine five times slower than usual
KILLED = "the service ended without closing it"
LONGEST_S = 4.0  # from when its ports are open to the kill
_MEMORY = Path("/dev/shm")
_ROOM_BYTES = 1 << 30
QUICK = SITE + "[rules.wrong-channel]\non_delay_s = 0.2\noff_delay_s = 0.2\n"


class Alert(NamedTuple):
    """What names a raising: the rule, and when by the log's own clock."""

    rule: str
    t: float


class Seen(NamedTuple):
    """How many bytes had been sent on each line at a moment."""

    moment: Moment
    sent: dict[str, int]


class Waited(NamedTuple):
    """For how long the first byte that is missing had been sent when the kill came; without the service's waits for a core; and
    without what it ran, too."""

    wall_s: float
    own_s: float
    idle_s: float


class Outcome(NamedTuple):
    """One round: for how long the first byte that is missing had been sent (of the worse stream), bytes kept, alerts heard,
    those that the next start has to name, what is wrong; the file that it has left open, and how many it has closed that were
    left open before; how long the start took, None where the kill came about it."""

    waited: Waited
    kept_bytes: int
    raised: int
    not_recorded: list[Alert]
    wrong: list[str]
    left_open: Path | None = None
    closed: int = 0
    start_s: float | None = None


def kill_round(
    folder: Path,
    rng: random.Random,
    *,
    left_open: Path | None = None,
    start_s: float | None = None,
    last: bool = False,
) -> Outcome:
    """One round in `folder`, whose log goes on from the rounds before it, the last of which has left that file open; with
    `start_s`, what the start of one of them took, the kill comes about the start. The `last` one is followed by a start."""
    lines = {name: NumberedLine(folder / f"tty-{name}") for name in ("corrections", "receiver")}
    site = folder / "site.toml"
    site.write_text(QUICK.format(commit_s=COMMIT_S, **{name: line.path for name, line in lines.items()}))
    before = sorted((folder / "log").glob("*.db")) if (folder / "log").exists() else []
    try:
        killed = _kill(
            site, lines, rng.uniform(0.0, LONGEST_S if start_s is None else 1.5 * start_s), start_s, rng.random() < 0.5
        )
        outcome = judge(folder / "log", before, left_open, lines, killed.heard, killed.seen)
        if killed.status != -signal.SIGKILL:
            outcome.wrong.append(f"the service had ended by itself, with {killed.status}")
        if outcome.not_recorded or last:
            closes = outcome.left_open is not None
            outcome.wrong.extend(stopped_start(site, outcome.left_open, outcome.not_recorded))
            outcome = outcome._replace(left_open=None, closed=outcome.closed + closes)
        return outcome._replace(start_s=killed.start_s)
    finally:
        for line in lines.values():
            line.unplug()


class _Killed(NamedTuple):
    """A service that was killed: what was heard of it, what had been sent and spent, how it ended, how long its start took."""

    heard: list[Alert]
    seen: list[Seen]
    status: int
    start_s: float | None


def _kill(site: Path, lines: dict[str, NumberedLine], after_s: float, start_s: float | None, once: bool) -> _Killed:
    """Start, feed, and kill so long after the ports are open; after the start has begun where `start_s` is known."""
    opened = {name: threading.Event() for name in lines}
    killed = threading.Event()
    seen: list[Seen] = []
    took_s = None
    with (
        ThreadPoolExecutor(3) as pool,
        subprocess.Popen(
            _command(site), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=_environment(site)
        ) as process,
    ):
        begun = time.monotonic()
        heard = pool.submit(_alerts, process.stdout)
        ports = pool.submit(_ports, process.stderr, opened)
        feeder = pool.submit(_feed, lines, opened, killed, once, seen, process.pid)
        try:
            if start_s is None:
                assert all(event.wait(60.0) for event in opened.values()), "the service did not open its ports"
                took_s = time.monotonic() - begun
            time.sleep(after_s)
            killed_at = time.monotonic()
            os.kill(process.pid, signal.SIGSTOP)  # without asking whether it has ended: it must stay to be waited for
            os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WEXITED | os.WNOWAIT)
            killed.set()
            feeder.result()
            last = _look(lines, process.pid, killed_at)
        finally:
            killed.set()
            process.kill()
            status = process.wait()
        ports.result()
        return _Killed(heard.result(), [*(one for one in seen if one.moment.at < killed_at), last], status, took_s)


def _command(site: Path) -> list[str]:
    return [sys.executable, "-c", AS_ON_A_POST, "watch", str(site), "--json"]


def _environment(site: Path) -> dict[str, str]:
    return {**os.environ, "RUNTIME_DIRECTORY": str(site.parent)}


def stopped_start(site: Path, left_open: Path | None, alerts: list[Alert]) -> list[str]:
    """Start once more and stop: what is wrong with what it writes, with the file that was left open, and which of the alerts it
    does not name."""
    folder = site.parent / "log"
    before = set(folder.glob("*.db"))
    with subprocess.Popen(
        _command(site), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=_environment(site)
    ) as process:
        try:
            assert process.stderr is not None
            for text in process.stderr:
                if text.rstrip().endswith("open"):
                    break
            process.terminate()
            process.communicate(timeout=60)
        finally:
            process.kill()
    wrong = [] if process.returncode == 0 else [f"the start that was stopped ended with {process.returncode}"]
    files = sorted(set(folder.glob("*.db")) - before)
    if len(files) != 1:
        return [*wrong, f"the start that was stopped has begun {len(files)} files"]
    if left_open is not None:
        wrong += _ended(left_open, KILLED)
    wrong += _ended(files[0], "stopped")
    with LogFile.open(files[0]) as log:
        told = [json.loads(row.detail) for row in log.rows(EventRow, "WHERE kind = 'sounded-not-recorded'")]
    named = {Alert(one["rule"], round(one["of_t"], 3)) for one in told if one["change"] == "raised"}
    return wrong + [
        f"{rule} of {t} s is in no log, and the next start does not name it" for rule, t in alerts if (rule, t) not in named
    ]


def judge(
    folder: Path,
    before: list[Path],
    left_open: Path | None,
    lines: dict[str, NumberedLine],
    heard: list[Alert],
    seen: list[Seen],
) -> Outcome:
    """What a round did to the newest log in `folder`; `before` are the files of the rounds before it, of which one was
    `left_open`; the last of `seen` is the kill's."""
    wrong: list[str] = []
    files = sorted(path for path in folder.glob("*.db") if path not in before)
    kept = dict.fromkeys(lines, 0)
    logged: set[Alert] = set()
    if len(files) > 1:
        wrong.append(f"one start has begun {len(files)} files")
    if left_open is not None:
        wrong += _ended(left_open, KILLED) if files else _ended(left_open, KILLED, None)
    if files:
        with LogFile.open(files[-1]) as log:
            report = verify(log)
            if not report.sound:
                wrong.append(f"{files[-1].name}: {report.bad or report.sqlite}")
            if report.ended is not None:
                wrong.append(f"{files[-1].name}: killed, and ended {report.ended!r}")
            logged = {Alert(change.rule, round(change.t, 3)) for change in log.changes() if change.change == "raised"}
            for name, line in lines.items():
                data = b"".join(what for _, _, what in log.inputs(stream=name) if isinstance(what, bytes))
                if line.sent[: len(data)] != data:
                    wrong.append(f"{name}: what was kept is not what was sent")
                kept[name] = len(data)
    waited = Waited(*map(max, zip(*(_waited(seen, name, count) for name, count in kept.items()), strict=True)))
    what = "bytes are missing" if files else "bytes and no file"
    if waited.idle_s > COMMIT_S + TRANSIT_S:
        wrong.append(f"{waited.idle_s:.2f} s of {what}, in which it was idle")
    if waited.own_s > COMMIT_S + WORK_S:
        wrong.append(f"{waited.own_s:.2f} s of {what}, in which it waited for no core")
    return Outcome(
        waited,
        sum(kept.values()),
        len(heard),
        [alert for alert in heard if alert not in logged],
        wrong,
        left_open=files[-1] if files else left_open,
        closed=int(bool(files) and left_open is not None),
    )


def _waited(seen: list[Seen], name: str, kept: int) -> Waited:
    """For how long the byte after the first `kept` had been sent when the kill came, the last of `seen`."""
    since = [one.moment for one in seen if one.sent[name] > kept] or [seen[-1].moment]
    return Waited(since[-1].at - since[0].at, left_s(since, ran=False), left_s(since, ran=True))


def _look(lines: dict[str, NumberedLine], pid: int, at: float | None = None) -> Seen:
    """What was sent by now, and what the process has spent: at a time just before."""
    moment = Moment(time.monotonic() if at is None else at, spent_by(pid))
    return Seen(moment, {name: len(line.sent) for name, line in lines.items()})


def _ended(path: Path, *how: str | None) -> list[str]:
    """What is wrong with a file that must be sound, and have ended in one of these ways; None: not yet."""
    with LogFile.open(path) as log:
        report = verify(log)
    wrong = [] if report.sound else [f"{path.name}: {report.bad or report.sqlite} after the next start"]
    return wrong + ([] if report.ended in how else [f"{path.name}: ended {report.ended!r}, not {how[0]!r}"])


def _feed(
    lines: dict[str, NumberedLine],
    opened: dict[str, threading.Event],
    killed: threading.Event,
    once: bool,
    seen: list[Seen],
    pid: int,
) -> None:
    """Fifty frames a second on each line, with a neighbour's base in every other half second, or `once`; a look with each."""
    while not all(event.is_set() for event in opened.values()):
        if killed.wait(0.005):
            return
    number = 0
    while not killed.wait(0.02):
        half_seconds = number // 25
        station = 99 if half_seconds == 1 or (half_seconds % 2 and not once) else 417
        lines["corrections"].send(epoch_frame(number, station))
        lines["receiver"].send(numbered(number))
        seen.append(_look(lines, pid))
        number += 1


def _alerts(stream: Iterable[str] | None) -> list[Alert]:
    """What was raised, by the whole lines of it."""
    assert stream is not None
    changes = [json.loads(text) for text in stream if text.endswith("\n")]
    return [Alert(change["rule"], round(change["t"], 3)) for change in changes if change["change"] == "raised"]


def _ports(stream: Iterable[str] | None, opened: dict[str, threading.Event]) -> None:
    assert stream is not None
    for text in stream:
        for name, event in opened.items():
            if f"{name} (" in text and text.rstrip().endswith("open"):
                event.set()


def folder_in_memory() -> tempfile.TemporaryDirectory[str]:
    """A new folder for the rounds, on a disk in memory where there is one with room."""
    memory = _MEMORY if _MEMORY.is_dir() and shutil.disk_usage(_MEMORY).free > _ROOM_BYTES else None
    return tempfile.TemporaryDirectory(prefix="witnesspost-kills-", dir=memory)


def run(rounds: int, posts: int, folder: Path, first: int = 0) -> list[Outcome]:
    """`rounds` rounds, spread over `posts` posts that run at once."""

    def one_post(post: int) -> list[Outcome]:
        place = folder / f"post{post}"
        place.mkdir()
        rng = random.Random(first + post)
        outcomes: list[Outcome] = []
        left_open = start_s = None
        count = rounds // posts + (post < rounds % posts)
        for number in range(count):
            about_start = start_s if number % 5 == 1 else None
            last = number == count - 1
            try:
                outcomes.append(kill_round(place, rng, left_open=left_open, start_s=about_start, last=last))
            except Exception as error:
                wrong = f"post {post}, round {number}: {type(error).__name__}: {error}"
                outcomes.append(Outcome(Waited(0.0, 0.0, 0.0), 0, 0, [], [wrong]))
            left_open = outcomes[-1].left_open
            start_s = outcomes[-1].start_s or start_s
        return outcomes

    with ThreadPoolExecutor(posts) as pool:
        return [outcome for outcomes in pool.map(one_post, range(posts)) for outcome in outcomes]


def rows(length: Length) -> Iterator[Row]:
    """One row: 500 rounds, or eight."""
    yield _row(length.of(500, 8), 4, length.first)


def _row(rounds: int, posts: int, first: int = 0) -> Row:
    with folder_in_memory() as folder:
        outcomes = run(rounds, posts, Path(folder), first)
    return row_of(outcomes)


def row_of(outcomes: list[Outcome]) -> Row:
    """What the rounds came to; rounds in which something never happened have not tried it."""
    about_start = sum(outcome.start_s is None for outcome in outcomes)
    kept_bytes = sum(outcome.kept_bytes for outcome in outcomes)
    raised, closed = sum(outcome.raised for outcome in outcomes), sum(outcome.closed for outcome in outcomes)
    wrong = [f"kills: {text}" for outcome in outcomes for text in outcome.wrong]
    tried = {
        "kill": len(outcomes),
        "kill about a start": about_start,
        "byte kept": kept_bytes,
        "alert": raised,
        "file closed": closed,
    }
    wrong += [f"kills: no {what}: nothing was tried" for what, count in tried.items() if not count]
    lags = sorted(outcome.waited for outcome in outcomes) or [Waited(0.0, 0.0, 0.0)]
    return Row(
        "kills at any moment",
        f"{len(outcomes)} rounds, {about_start} of them about the start, {kept_bytes / 1e3:.0f} kB kept, "
        f"{closed} files closed by a start after",
        f"bytes missing before the kill, commit_s {COMMIT_S:g}: median {lags[len(lags) // 2].wall_s:.2f} s, "
        f"95 % {lags[len(lags) * 95 // 100].wall_s:.2f} s, worst {lags[-1].wall_s:.2f} s; without waits for a core at most "
        f"{max(lag.own_s for lag in lags):.2f} s, idle at most {max(lag.idle_s for lag in lags):.2f} s; "
        f"{raised} alerts, of which named by the next start alone {sum(len(o.not_recorded) for o in outcomes)}",
        tuple(wrong),
    )


def main() -> None:
    """Run and print the row; exit status 1 where anything was wrong."""
    rounds, posts, first = (*map(int, sys.argv[1:]), *(500, 4, 0)[len(sys.argv) - 1 :])
    row = _row(rounds, posts, first)
    print(row.line(), *row.wrong, sep="\n    ")
    sys.exit(1 if row.wrong else 0)


if __name__ == "__main__":
    main()
