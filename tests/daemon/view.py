"""A post as its companions see it, which moves only when a test says so."""

import time

import msgspec
from witnesspost.daemon.companion import Pulse
from witnesspost.daemon.status.snapshot import LogStatus, PortStatus
from witnesspost.rules.alert import Change
from witnesspost.rules.finding import Cause

LOG = LogStatus(
    path="/log/kestrel-base.0001.db",
    failed=None,
    size_bytes=0,
    raw_bytes=0,
    waiting_bytes=0,
    lost_bytes=0,
    disk_free_fraction=0.5,
    disk_left_h=None,
)
CHANGE = Change(
    t=12.0,
    utc=None,
    change="raised",
    rule="corrections-stopped",
    cause="line-silent",
    causes=[Cause(cause="line-silent")],
    severity="stop",
    stream="corrections",
    because_of=None,
    evidence={"silent_s": 12.0},
    words={},
    role="base",
    post="kestrel-base",
    alert=1,
)


def port(state, reason="", stream="corrections"):
    return PortStatus(stream=stream, port="/dev/ttyKESTREL", state=state, reason=reason, read_bytes=0, rate_bytes_per_s=None)


class View:
    """A `PostView`: `t` is now, `told`, `lines` and `wakes` are what came; `beats` makes the loop come round."""

    def __init__(self):
        self.t = 0.0
        self.told, self.lines, self.wakes = [], [], []
        self.ended = 0
        self.row_keys = {}
        self.office = None
        self.status = self.site = None
        self._pulse = Pulse(t=0.0, shown="dark", silent=False, ready=False, ports=(), stuck=(), log=LOG, lost_bytes=0)

    def beats(self, **changes):
        self._pulse = msgspec.structs.replace(self._pulse, t=self.t, **changes)

    def now(self):
        return self.t

    def pulse(self):
        return self._pulse

    def snapshot(self):
        return self.status

    def show_office(self, link):
        self.office = link

    def row_key(self, change):
        return self.row_keys.get(change.alert)

    def plan(self):
        return self.site

    def tell(self, fact):
        self.told.append(fact)

    def say(self, words, *, lasting=False):
        self.lines.append(words)

    def said(self, after):
        return len(self.lines), self.lines[after:]

    def wake(self, at=0.0):
        self.wakes.append(at)

    def end_service(self):
        self.ended += 1


def until(fits, timeout_s=10.0):
    """Wait for what another thread does."""
    deadline = time.monotonic() + timeout_s
    while not fits():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.002)
