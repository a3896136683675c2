"""Kill the service at a random moment, again and again, and count what its log has lost.

    python -m tests.proof.kill_rounds [ROUNDS [POSTS [FIRST]]]        500 rounds on 4 posts at once, unless said otherwise

Each round runs `witnesspost watch` on two ptys that carry numbered frames, lets a neighbour's base come and go so that
alerts are raised, and kills the service (SIGKILL) at any moment; one time in five within one and a half times what a start was
seen to take. An alert takes the bytes before it to the disk: in every other round the neighbour comes once, and then there are
bytes alone. Then: the file opens, every committed block verifies, what was kept is what was sent up to some instant, nothing
that the service had read had waited for longer than `commit_s`, and each alert that had sounded is there. The next start must
close the file that was left open.

An alert sounds first and is written then, since a slow card must not hold up the buzzer: one that is not in the log is named by
the next start, as sounded and not recorded. These are counted apart. Where a kill comes before there is a file, what is lost is
bounded by the same `commit_s`.

The kernel says how long, on a busy machine and on a slow one: what had been read is what the pty no longer has, and while
a thread of the service ran, or waited for a core, the log was not idle (schedstat, proc(5)). Before it is killed the service is
stopped (SIGSTOP), so that the waits that were under way count. Its files are on a disk in memory, where there is one: what a
process that is killed has written stays either way, and nobody else's syncs come between.
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
from collections.abc import Iterator
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
LONGEST_S = 4.0  # from when its ports are open to the kill
_MEMORY = Path("/dev/shm")
_ROOM_BYTES = 1 << 30
QUICK = SITE + "[rules.wrong-channel]\non_delay_s = 0.2\noff_delay_s = 0.2\n"


class Alert(NamedTuple):
    """What names a raising: the rule, and when by the log's own clock."""

    rule: str
    t: float


class Seen(NamedTuple):
    """How much of each line was read at a moment."""

    moment: Moment
    read: dict[str, int]


class Outcome(NamedTuple):
    """One round: for how long the first byte that is missing had been read (of the worse stream), and for how long of that the
    service was idle; alerts heard, those that the next start has to name, what is wrong, and how long the start took, None
    where the kill came first."""

    missing_s: float
    idle_s: float
    kept_bytes: int
    raised: int
    not_recorded: list[Alert]
    wrong: list[str]
    start_s: float | None = None


def kill_round(folder: Path, rng: random.Random, start_s: float | None = None) -> Outcome:
    """One round in `folder`, whose log goes on from the rounds before it; `start_s` is what the start of one of them took."""
    lines = {name: NumberedLine(folder / f"tty-{name}") for name in ("corrections", "receiver")}
    site = folder / "site.toml"
    site.write_text(QUICK.format(commit_s=COMMIT_S, **{name: line.path for name, line in lines.items()}))
    before = sorted((folder / "log").glob("*.db")) if (folder / "log").exists() else []
    in_start = rng.random() < 0.2 and start_s is not None
    after_s = rng.uniform(0.0, 1.5 * start_s if in_start and start_s is not None else LONGEST_S)
    once = rng.random() < 0.5
    command = [sys.executable, "-c", AS_ON_A_POST, "watch", str(site), "--json"]
    environment = {**os.environ, "RUNTIME_DIRECTORY": str(folder)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
    begun = time.monotonic()
    heard: list[Alert] = []
    opened = {name: threading.Event() for name in lines}
    pumps = [
        threading.Thread(target=_pump_changes, args=(process.stdout, heard)),
        threading.Thread(target=_pump_ports, args=(process.stderr, opened)),
    ]
    for pump in pumps:
        pump.start()
    killed = threading.Event()
    seen: list[Seen] = []
    feeder = threading.Thread(target=_feed, args=(lines, opened, killed, once, seen, process.pid))
    feeder.start()
    took_s = None
    try:
        if not in_start:
            assert all(event.wait(60.0) for event in opened.values()), "the service did not open its ports"
            took_s = time.monotonic() - begun
        time.sleep(after_s)
        killed_at = time.monotonic()
        process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WEXITED | os.WNOWAIT)
        killed.set()
        feeder.join()
        last = _look(lines, process.pid)
        last = last._replace(moment=last.moment._replace(at=killed_at))
        process.kill()
        process.wait()
        for pump in pumps:
            pump.join()
        before_it = [one for one in seen if one.moment.at < killed_at]
        outcome = judge(folder / "log", before, lines, heard, [*before_it, last])
        if outcome.not_recorded:
            outcome.wrong.extend(_named_by_the_next_start(command, environment, folder / "log", outcome.not_recorded))
        return outcome._replace(start_s=took_s)
    finally:
        killed.set()
        process.kill()
        for thread in (feeder, *pumps):
            thread.join()
        process.communicate()
        for line in lines.values():
            line.unplug()


def _named_by_the_next_start(command: list[str], environment: dict[str, str], folder: Path, alerts: list[Alert]) -> list[str]:
    """Start once more and stop: which of the alerts its log does not name."""
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stderr is not None
        for text in process.stderr:
            if text.rstrip().endswith("open"):
                break
        process.terminate()
        process.communicate(timeout=60)
    with LogFile.open(max(folder.glob("*.db"))) as log:
        told = [json.loads(row.detail) for row in log.rows(EventRow, "WHERE kind = 'sounded-not-recorded'")]
    named = {Alert(one["rule"], round(one["of_t"], 3)) for one in told if one["change"] == "raised"}
    return [
        f"{rule} of {t} s is in no log, and the next start does not name it" for rule, t in alerts if (rule, t) not in named
    ]


def judge(
    folder: Path,
    before: list[Path],
    lines: dict[str, NumberedLine],
    heard: list[Alert],
    seen: list[Seen],
) -> Outcome:
    """What a round did to the newest log in `folder`; `before` are the files of the rounds before it, the last of `seen` is the
    kill's."""
    wrong: list[str] = []
    if before:
        wrong += _closed(before[-1])
    files = sorted(path for path in folder.glob("*.db") if path not in before)
    if not files:
        read = sum(seen[-1].read.values())
        missing_s, idle_s = map(max, zip(*(_waited(seen, name, 0) for name in lines), strict=True))
        wrong += [f"{read} bytes of {idle_s:.2f} s and no file"] if idle_s > COMMIT_S + TRANSIT_S else []
        return Outcome(missing_s, idle_s, 0, len(heard), heard, wrong)
    waited: list[tuple[float, float]] = []
    kept_bytes = 0
    with LogFile.open(files[-1]) as log:
        report = verify(log)
        if not report.sound:
            wrong.append(f"{files[-1].name}: {report.bad or report.sqlite}")
        logged = {Alert(change.rule, round(change.t, 3)) for change in log.changes() if change.change == "raised"}
        for name, line in lines.items():
            kept = b"".join(what for _, _, what in log.inputs(stream=name) if isinstance(what, bytes))
            if line.sent[: len(kept)] != kept:
                wrong.append(f"{name}: what was kept is not what was sent")
            kept_bytes += len(kept)
            waited.append(_waited(seen, name, len(kept)))
    missing_s, idle_s = map(max, zip(*waited, strict=True))
    if idle_s > COMMIT_S + TRANSIT_S:
        wrong.append(f"{idle_s:.2f} s of bytes are missing")
    return Outcome(missing_s, idle_s, kept_bytes, len(heard), [alert for alert in heard if alert not in logged], wrong)


def _waited(seen: list[Seen], name: str, kept: int) -> tuple[float, float]:
    """For how long the byte after the first `kept` had been read when the kill came, and the part of it in which no thread ran
    or waited for a core."""
    since = [one.moment for one in seen if one.read[name] > kept] or [seen[-1].moment]
    return since[-1].at - since[0].at, left_s(since, ran=True)


def _look(lines: dict[str, NumberedLine], pid: int) -> Seen:
    spent = spent_by(pid)
    return Seen(Moment(time.monotonic(), spent), {name: line.read() for name, line in lines.items()})


def _closed(path: Path) -> list[str]:
    """What is wrong with a file that the round before left open and this round's start must have closed."""
    with LogFile.open(path) as log:
        report = verify(log)
    wrong = [] if report.sound else [f"{path.name}: {report.bad or report.sqlite} after the next start"]
    if report.ended not in ("the service ended without closing it", "stopped", None):  # stopped: `_named_by_the_next_start`
        wrong.append(f"{path.name}: ended {report.ended!r}")
    return wrong


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


def _pump_changes(stream, heard: list[Alert]) -> None:  # type: ignore[no-untyped-def]
    for text in stream:
        if text.endswith("\n"):
            change = json.loads(text)
            if change["change"] == "raised":
                heard.append(Alert(change["rule"], round(change["t"], 3)))


def _pump_ports(stream, opened: dict[str, threading.Event]) -> None:  # type: ignore[no-untyped-def]
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
        start_s = None
        for _ in range(rounds // posts + (post < rounds % posts)):
            try:
                outcomes.append(kill_round(place, rng, start_s))
            except Exception as error:
                wrong = f"post {post}, round {len(outcomes)}: {type(error).__name__}: {error}"
                outcomes.append(Outcome(0.0, 0.0, 0, 0, [], [wrong], start_s))
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
    lags = sorted(outcome.missing_s for outcome in outcomes)
    wrong = [f"kills: {text}" for outcome in outcomes for text in outcome.wrong]
    return Row(
        "kills at any moment",
        f"{len(outcomes)} rounds, {sum(outcome.start_s is None for outcome in outcomes)} of them about the start, "
        f"{sum(outcome.kept_bytes for outcome in outcomes) / 1e3:.0f} kB kept",
        f"bytes missing before the kill, commit_s {COMMIT_S:g}: median {lags[len(lags) // 2]:.2f} s, "
        f"95 % {lags[len(lags) * 95 // 100]:.2f} s, worst {lags[-1]:.2f} s, of that idle at most "
        f"{max(o.idle_s for o in outcomes):.2f} s; {sum(o.raised for o in outcomes)} alerts, of which "
        f"named by the next start alone {sum(len(o.not_recorded) for o in outcomes)}",
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
