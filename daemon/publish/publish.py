"""The companion `office`: tells the office's broker how the post is and what has changed. Nobody waits for it.

    log ──Outbox──► a bounded queue ──► Connection ──► broker        (the broker's word ──► the marker beside the log)
    snapshot ─────► the latest state, the minute's row ──┘

The companion's own thread reads the log and the snapshot; the connection's thread sends. Offline, nothing is read and nothing
grows: the log has it. What was on its way when a connection was lost is sent again, in its order: who receives it knows a
repeat by post, run, alert and seq.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.subscribeoptions import SubscribeOptions
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.publish.connection import Connection
from witnesspost.daemon.publish.messages import GONE, MINUTE, STATE, state_message, what_matters
from witnesspost.daemon.publish.minute import Minute
from witnesspost.daemon.publish.outbox import AT_ONCE, Item, Marker, Outbox
from witnesspost.daemon.status.snapshot import Status
from witnesspost.daemon.status.told import NAME_TWICE, OfficeStatus
from witnesspost.rules.alert import Change
from witnesspost.rules.site.model import Office, Site

MOST_WAITING = 2 * AT_ONCE  # messages between the log and the broker
MOST_ON_THE_WAY = 20  # of them that the broker has not confirmed
STATE_S = 60.0  # a state is said again after so long: who hears it knows that the post lives
TWICE_S = 3 * STATE_S  # a post of the same name that has not been heard for so long is gone
_AGAIN_S = 5.0  # between two words to another post of the same name
_COUNT_S, _COUNT_UP_S = 60.0, 2.0  # what waits is counted in the log: seldom while all of it waits, often while it goes
_LOOK_AGAIN_S = 30.0  # at the log, where nobody has said that something changed
_COMMITTED_S = 1.0
_SOON_S = 0.02  # a change is in the log within milliseconds, and on a slow card within seconds: looks come ever less often
_MOST_MINUTES = 5


class Publish:
    """Publishes the post of `site`, whose logs are in `folder`, to the broker of `office`."""

    name = "office"
    vital = False

    def __init__(self, site: Site, office: Office, folder: Path, version: str):
        self._site = site
        self._office = office
        self._version = version
        self._precise = office.precise
        self._outbox = Outbox(folder, site.post.name, precise=office.precise)
        self._minute = Minute()
        self._sender = Sender(f"{office.topic}/{site.post.name}", boot_of(folder))
        self._connection: Connection | None = None
        self._looked_at: Status | None = None
        self._news: dict[str, Any] | None = None
        self._state_at = -STATE_S
        self._count_at = self._look_at = 0.0
        self._behind = True
        self._unmarked: Marker | None = None
        self._disk: str | None = None
        self._checked: str | None = None
        self._waiting = 0
        self._told_t = -2 * _LOOK_AGAIN_S  # when the last was told that is on its way into the log
        self._since_t = 0.0
        self._was_up = False
        self._twice = False
        self._skipped: list[str] = []
        self._error: str | None = None

    def start(self, post: PostView) -> None:
        """Begin to look for the broker."""
        self._post = post
        self._since_t = post.now()
        self._sender.wake = post.wake
        self._connection = Connection(self._office, self._site.folder, f"wp-{os.urandom(8).hex()}", self._sender)
        self._connection.start()

    def see(self, changes: list[Change]) -> None:
        """They are in the log in a moment."""
        self._told_t = self._look_at = self._post.now()
        self._count_at = min(self._count_at, self._post.now() + _COMMITTED_S)

    def turn(self, t: float) -> None:
        """Fetch what waits, mark what has arrived, say how things are. Raises what ended the connection's thread."""
        connection = self._connection
        assert connection is not None
        if connection.failed is not None:
            raise connection.failed
        up = connection.up_since is not None
        if up != self._was_up:
            self._was_up, self._since_t, self._count_at, self._behind = up, t, t, True
        self._look(t, connection)
        failed = self._tried(self._mark)
        if up:
            failed = self._tried(lambda: self._fetch(t, connection)) or failed
        failed = self._tried(lambda: self._count(t, up)) or failed
        if failed is not None and self._disk is None:
            self._post.say(f"office: {failed}")
        self._disk = failed
        self._tell(t, connection, up)

    def stop(self) -> None:
        """The last word, and what has arrived by then is marked."""
        if self._connection is not None:
            self._connection.stop()
            with contextlib.suppress(OSError):
                self._mark()

    def _tried(self, what: Callable[[], None]) -> str | None:
        """Why the disk did not let it, which costs nothing else: what is not marked is sent again after a start."""
        try:
            what()
        except OSError as error:
            return f"{error.filename or 'the log'}: {error.strerror or error}"
        return None

    def _mark(self) -> None:
        self._unmarked = self._sender.arrived() or self._unmarked
        if self._unmarked is not None:
            self._outbox.mark(self._unmarked)
            self._unmarked = None

    def _fetch(self, t: float, connection: Connection) -> None:
        if self._sender.take_rewind():
            self._outbox.rewind()
            self._behind = True
        if not (self._behind or t >= self._look_at):
            return
        while MOST_WAITING - self._sender.waiting >= AT_ONCE and (items := self._outbox.more(AT_ONCE)):
            if not self._sender.put(items):
                break
            connection.wake()
        self._behind = not self._outbox.read_through
        self._look_at = t + min(_LOOK_AGAIN_S, max(_SOON_S, (t - self._told_t) / 2))
        if t < self._told_t + _LOOK_AGAIN_S:
            self._post.wake(self._look_at)

    def _look(self, t: float, connection: Connection) -> None:
        status = self._post.snapshot()
        if status is None or (status is self._looked_at and t - self._state_at < STATE_S):
            return
        self._looked_at = status
        row = self._minute.look(status)
        if row is not None:
            self._sender.put_minute(msgspec.json.encode(row))
        state = state_message(status, self._sender.boot, self._version, precise=self._precise)
        if status.check is not None and status.check.utc != self._checked:
            self._checked = status.check.utc
            self._told_t = self._look_at = t
        news = what_matters(state)
        if news != self._news or t - self._state_at >= STATE_S:
            self._news, self._state_at = news, t
            self._sender.put_state(msgspec.json.encode({**state, "utc": status.utc}))
            connection.wake()

    def _count(self, t: float, up: bool) -> None:
        if up and self._outbox.read_through:
            self._waiting = self._sender.waiting
        elif t >= self._count_at:
            self._count_at = t + (_COUNT_UP_S if up else _COUNT_S)
            self._waiting = self._outbox.waiting()

    def _tell(self, t: float, connection: Connection, up: bool) -> None:
        for words in self._outbox.skipped:
            if words not in self._skipped:
                self._skipped = [*self._skipped, words][-50:]
                self._post.say(f"office: {words}")
        error = None if up else connection.error
        if error is not None and error != self._error:
            self._post.say(f"office: {error}")
        self._error = error or (None if up else self._error)
        twice = self._sender.twice_at is not None and time.monotonic() - self._sender.twice_at < TWICE_S
        if twice and not self._twice:
            self._post.say(f"office: {NAME_TWICE}")
        self._twice = twice
        link = OfficeStatus(
            broker=f"{self._office.host}:{self._office.port}",
            up=up,
            since_s=round(t - self._since_t, 1),
            waiting=self._waiting,
            error=error,
            twice=twice,
        )
        self._post.show_office(link)


def boot_of(folder: Path) -> str:
    """What tells this post from another of its name: the kernel's name for the boot, and where on this machine its logs are."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        boot = ""
    return hashlib.blake2b(f"{boot} {folder.absolute()}".encode(), digest_size=6).hexdigest()


class Sender:
    """What is to be sent, and what is on its way: filled by the companion's thread, sent on the connection's."""

    def __init__(self, topic: str, boot: str):
        self.boot = boot
        self.twice_at: float | None = None
        self._topic = topic
        self.wake: Callable[[], None] = lambda: None  # the companion: there is room again
        self._lock = threading.RLock()  # paho calls back while it sends
        self._queue: deque[Item] = deque()
        self._on_the_way: dict[int, Item] = {}  # by message, in order
        self._confirmed: set[int] = set()  # of them
        self._arrived: Marker | None = None
        self._lost = False
        self._state: bytes | None = None
        self._state_new = False
        self._minutes: deque[bytes] = deque(maxlen=_MOST_MINUTES)
        self._again_at = 0.0

    # ── the companion's thread ──────────────────────────────────────────────────────────────────────────────────

    @property
    def waiting(self) -> int:
        """Messages that the broker has not confirmed."""
        with self._lock:
            return len(self._queue) + len(self._on_the_way)

    def put(self, items: list[Item]) -> bool:
        """More, in their order; False where the connection was lost meanwhile: then they are to be fetched again."""
        with self._lock:
            if not self._lost:
                self._queue.extend(items)
            return not self._lost

    def put_state(self, payload: bytes) -> None:
        """The state of now; the one before is old."""
        with self._lock:
            self._state, self._state_new = payload, True

    def put_minute(self, payload: bytes) -> None:
        """A row; of those that wait the oldest goes."""
        self._minutes.append(payload)

    def arrived(self) -> Marker | None:
        """The last row up to which the broker has all, where that is news."""
        with self._lock:
            marker, self._arrived = self._arrived, None
            return marker

    def take_rewind(self) -> bool:
        """True once after a connection was lost: what was fetched and did not arrive is to be fetched again."""
        with self._lock:
            lost, self._lost = self._lost, False
            return lost

    # ── the connection's thread ─────────────────────────────────────────────────────────────────────────────────

    def prepare(self, client: Client) -> None:
        client.will_set(f"{self._topic}/{STATE}", GONE, qos=1, retain=True)
        client.max_inflight_messages_set(MOST_ON_THE_WAY)

    def up(self, client: Client) -> None:
        with self._lock:
            self._state_new = self._state is not None
        client.subscribe(f"{self._topic}/{STATE}", options=SubscribeOptions(qos=1, noLocal=True))

    def send(self, client: Client) -> float:
        with self._lock:
            state = self._state if self._state_new else None
            self._state_new = False
        if state is not None:
            client.publish(f"{self._topic}/{STATE}", state, qos=1, retain=True)
        while self._minutes:
            client.publish(f"{self._topic}/{MINUTE}", self._minutes.popleft(), qos=0)
        while True:
            with self._lock:
                if not self._queue or len(self._on_the_way) >= MOST_ON_THE_WAY:
                    return STATE_S
                item = self._queue.popleft()
                told = client.publish(f"{self._topic}/{item.topic}", item.payload, qos=1)
                self._on_the_way[told.mid] = item

    def taken(self, mid: int) -> None:
        with self._lock:
            if mid not in self._on_the_way:
                return  # a state, or a minute
            self._confirmed.add(mid)
            while self._on_the_way and (first := next(iter(self._on_the_way))) in self._confirmed:
                self._confirmed.remove(first)
                self._arrived = self._on_the_way.pop(first).marker
            if len(self._queue) + len(self._on_the_way) in (0, AT_ONCE):
                self.wake()

    def heard(self, message: MQTTMessage) -> None:
        """The post's own state, said by another: the broker for a connection that was lost, or a second post of this name."""
        if message.retain:
            return  # of before this connection
        try:
            told = msgspec.json.decode(message.payload, type=dict[str, Any])
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            return
        boot = told.get("boot")
        if boot == self.boot:
            return
        now = time.monotonic()
        if isinstance(boot, str):
            self.twice_at = now
        if now >= self._again_at:  # so that what is kept is what is, and the other hears of this one
            self._again_at = now + _AGAIN_S
            with self._lock:
                self._state_new = self._state is not None

    def down(self) -> None:
        with self._lock:
            self._lost = True
            self._queue.clear()
            self._on_the_way.clear()
            self._confirmed.clear()

    def leave(self, client: Client) -> None:
        client.publish(f"{self._topic}/{STATE}", GONE, qos=1, retain=True)
