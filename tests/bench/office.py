"""(o) many posts at one broker: how soon each change is there, days that were offline, and faults that lose nothing.

The broker is a real Mosquitto on this machine. A simulated post is the companion's own connection and queue, a hundred of
them in a process; the log before it is measured by the other parts. `python -m tests.bench.office ceiling` says how many
messages a second the broker itself takes here.
"""

from __future__ import annotations

import contextlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import trustme
from witnesspost.daemon.log.rows import AlertRow
from witnesspost.daemon.publish.connection import Connection
from witnesspost.daemon.publish.messages import CHANGE, change_message
from witnesspost.daemon.publish.outbox import Item, Marker
from witnesspost.daemon.publish.publish import Sender
from witnesspost.rules.site.model import Office

from tests.bench.row import Row, at_most, resident_mib
from tests.daemon.log.feeding import change
from tests.daemon.publish.broker import Broker, Listener, free_port
from tests.daemon.publish.post import Post

POSTS, MINUTES = 1000, 3
OFFLINE = 5000
_IN_A_PROCESS = 100


def rows(short: bool) -> Iterator[Row]:
    """The three of the office."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-", dir=_memory()) as name:
        folder = Path(name)
        yield _many(folder, 100 if short else POSTS, 6.0 if short else 60.0, 2 if short else MINUTES)
        yield from _offline(folder, 500 if short else OFFLINE)
        yield _faults(folder)


def _many(folder: Path, posts: int, every_s: float, times: int) -> Row:
    """Each post says a change every so often; when it is there, by the clock that all processes share."""
    with _broker(folder) as broker:
        listener = _Timed(broker.port)
        sent = posts * times
        words = [sys.executable, "-m", "tests.bench.office", "posts", str(broker.port), str(every_s), str(times)]
        processes = [
            subprocess.Popen([*words, str(first), str(min(_IN_A_PROCESS, posts - first))])
            for first in range(0, posts, _IN_A_PROCESS)
        ]
        try:
            until = time.monotonic() + every_s * (times + 1) + 60.0
            while len(listener.late_s) < sent and time.monotonic() < until:
                time.sleep(0.1)
            cpu_s = _cpu_s(broker.process.pid)
        finally:
            for process in processes:
                process.terminate()
            for process in processes:
                process.wait(20)
            listener.close()
    once = sum(count == 1 for count in Counter(listener.keys).values())
    median = statistics.median(listener.late_s) if once == sent == len(listener.keys) else float("inf")
    worst = max(listener.late_s, default=0.0)
    note = (
        f" (the worst {worst:.2f} s; {once} of {sent} there once; {statistics.mean(listener.sizes):.0f} bytes each; the broker "
        f"{100 * cpu_s / (every_s * times):.1f} % of a core)"
    )
    return at_most(
        "o", f"{posts} posts, an alert a post every {every_s:.0f} s: change to subscriber, median", 1.0, median, " s", note
    )


def _offline(folder: Path, changes: int) -> Iterator[Row]:
    """A post that was offline for three days, and its memory."""
    port = free_port()
    where = folder / "offline"
    words = [sys.executable, "-m", "tests.bench.office", "offline", str(where), str(port), str(changes)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as post:
        try:
            assert post.stdout is not None
            assert post.stdout.readline().strip() == "written"
            assert post.stdout.readline().strip() == "offline"
            before = resident_mib(post.pid)
            with _broker(folder, port) as broker:
                listener = Listener(broker.port)
                began = time.monotonic()
                while len(listener.heard) < changes and time.monotonic() < began + 120.0:
                    time.sleep(0.05)
                took_s = time.monotonic() - began
                after = max(resident_mib(post.pid), before)
                keys = listener.changes()
                right = keys == sorted(keys, key=lambda key: key[3]) and len(keys) == changes == len(listener.of("change"))
                listener.close()
        finally:
            post.terminate()
    note = f" ({changes / took_s:.0f} a second, in order, each once)" if right else " (NOT in order, or not each once)"
    yield at_most("o", f"three days offline, {changes} changes: all there", 60.0, took_s if right else float("inf"), " s", note)
    yield at_most("o", "the same, memory more than while offline", 2.0, after - before, " MiB", f" ({before:.0f} MiB before)")


def _faults(folder: Path) -> Row:
    """Changes go on while the broker is killed, comes back with another password, then with a certificate of nobody's."""
    secret = folder / "secret"
    secret.mkdir()
    (secret / "office.password").touch(0o600)
    known, said = folder / "known", []
    (secret / "office.password").write_text("tawny owl\n")
    _set_password(known, "tawny owl")
    guard = f"allow_anonymous false\npassword_file {known}\n"
    with _broker(folder, more=guard) as broker:
        listener = Listener(broker.port, user="kestrel", password="tawny owl")
        keys = 'user = "kestrel"\npassword_file = "office.password"'
        post = Post(secret, broker.port, keys)
        post.says(5)
        post.up()
        post.until(lambda: len(listener.changes()) == 5 and post.link.waiting == 0)
        broker.kill()
        post.until(lambda: not post.link.up)
        post.says(5)
        post.until(lambda: "nothing listens" in (post.link.error or ""))
        said.append(post.link.error)
        _set_password(known, "barn owl")
        broker.start()
        post.until(lambda: "password" in (post.link.error or ""), 60.0)
        said.append(post.link.error)
        post.says(5)
        _set_password(known, "tawny owl")
        broker.kill()
        broker.start()
        later = Listener(broker.port, user="kestrel", password="tawny owl")
        post.until(lambda: post.link.up and post.link.waiting == 0, 60.0)
        heard = {*listener.changes(), *later.changes()}
        later.close()
        listener.close()
        post.end()
    nobody = trustme.CA().issue_cert("127.0.0.1")
    nobody.private_key_pem.write_to_path(folder / "key.pem")
    nobody.cert_chain_pems[0].write_to_path(folder / "cert.pem")
    for name in ("key.pem", "cert.pem"):
        (folder / name).chmod(0o644)
    with _broker(folder, more=f"allow_anonymous true\ncertfile {folder}/cert.pem\nkeyfile {folder}/key.pem") as broker:
        again = Post(secret, broker.port, scheme="mqtts")
        again.until(lambda: again.link is not None and again.link.error is not None)
        said.append(again.link.error)
        again.end()
    lost = post.said - len(heard)
    told = sum(words in one for words, one in zip(("nothing listens", "password", "certificate"), said, strict=True))
    what = "broker killed, password changed, certificate of nobody's: changes lost, of 15"
    return at_most("o", what, 0, lost + (3 - told), "", f" ({told} of 3 said in `status`)")


class _Timed(Listener):
    """Notes how late each change is, its key and its size."""

    def __init__(self, port: int):
        self.late_s: list[float] = []
        self.keys: list[tuple[str, int]] = []
        self.sizes: list[int] = []
        super().__init__(port, "witnesspost/+/change")

    def _message(self, client, data, message):
        told = json.loads(message.payload)
        self.late_s.append(time.monotonic() - told["t"])
        self.keys.append((told["post"], told["seq"]))
        self.sizes.append(len(message.payload))


@contextlib.contextmanager
def _broker(folder: Path, port: int | None = None, more: str = "allow_anonymous true") -> Iterator[Broker]:
    broker = Broker(folder, more, port)
    try:
        yield broker
    finally:
        broker.kill()


def _memory() -> str | None:
    return "/dev/shm" if os.path.isdir("/dev/shm") else None


def _set_password(known: Path, password: str) -> None:
    known.touch()
    known.chmod(0o644)
    subprocess.run(["mosquitto_passwd", "-b", str(known), "kestrel", password], check=True, capture_output=True)
    known.chmod(0o644)


def _cpu_s(pid: int) -> float:
    """CPU time of a process so far (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# ── the processes of the posts ──────────────────────────────────────────────────────────────────────────────────


def _posts(port: int, every_s: float, times: int, first: int, count: int) -> None:
    """So many simulated posts, each with a change every so often, spread over that time."""
    office = Office(broker=f"mqtt://127.0.0.1:{port}")
    senders = [Sender(f"witnesspost/bench-{number}", f"{number:012x}") for number in range(first, first + count)]
    links = [Connection(office, Path(), f"bench-{first + n}", sender) for n, sender in enumerate(senders)]
    for link in links:
        link.start()
    while any(link.up_since is None for link in links):
        time.sleep(0.05)
    row = AlertRow.of(change(0.0), "No corrections for 5 s: nothing comes in on the port for corrections.", ["Check."] * 6)
    began = time.monotonic()
    for number in range(times):
        for n, (sender, link) in enumerate(zip(senders, links, strict=True)):
            time.sleep(max(0.0, began + every_s * (number + n / count) - time.monotonic()))
            row.n, row.t = number + 1, time.monotonic()
            payload = change_message(row, f"bench-{first + n}", "1-000000", precise=False)
            sender.put([Item(CHANGE, payload, Marker("1-000000", row.n))])
            link.wake()
    threading.Event().wait()


def _offline_post(folder: Path, port: int, changes: int) -> None:
    """A post with its changes of three days, which looks for its broker."""
    post = Post(folder, port)
    for _ in range(6):
        post.says(changes // 6)
        post.t += 43_200.0 - changes // 6
        post.log.tick(post.t)  # a file a day
    post.says(changes - post.said)
    print("written", flush=True)
    post.until(lambda: post.link is not None and post.link.error is not None and post.link.waiting == changes, 60.0)
    print("offline", flush=True)
    post.until(lambda: False, 300.0)


def _ceiling() -> None:
    """How many messages of QoS 1 a second the broker takes and hands on, and what each costs it."""
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as name, _broker(Path(name)) as broker:
        Path(name).chmod(0o755)
        listener = _Timed(broker.port)
        office = Office(broker=f"mqtt://127.0.0.1:{broker.port}")
        sender = Sender("witnesspost/bench", "0")
        link = Connection(office, Path(), "bench", sender)
        link.start()
        while link.up_since is None:
            time.sleep(0.01)
        row = AlertRow.of(change(0.0), "No corrections for 5 s: nothing comes in on the port for corrections.", ["Check."] * 6)
        before, began, count = _cpu_s(broker.process.pid), time.monotonic(), 20_000
        for number in range(count):
            row.n = number + 1
            while sender.waiting > 200:
                time.sleep(0.001)
            sender.put([Item(CHANGE, change_message(row, "bench", "1-000000", precise=False), Marker("1-000000", row.n))])
            link.wake()
        while len(listener.keys) < count:
            time.sleep(0.01)
        took_s, cpu_s = time.monotonic() - began, _cpu_s(broker.process.pid) - before
        print(f"{count / took_s:.0f} messages a second from one post; the broker {1e6 * cpu_s / count:.0f} µs of CPU each")
        print(f"{statistics.mean(listener.sizes):.0f} bytes each")
        link.stop()
        listener.close()


if __name__ == "__main__":
    what, *given = sys.argv[1:]
    if what == "posts":
        _posts(int(given[0]), float(given[1]), int(given[2]), int(given[3]), int(given[4]))
    elif what == "offline":
        _offline_post(Path(given[0]), int(given[1]), int(given[2]))
    else:
        _ceiling()
