"""(g) from the last byte of the frame that shows trouble to the pin that sounds.

The service, its companions and a pretended board in this process, a pty as the line. A base whose position changes is trouble
at once, with no on-delay: what is measured is the gathering of a burst at the port, the grid on which rules are judged, and the
way from an alert to its pin. After each alert a person acknowledges it, and the next comes from another base, at another moment
of the grid.
"""

from __future__ import annotations

import os
import pty
import random
import tempfile
import threading
import time
import tty
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any, ClassVar

from gpiozero.pins.mock import MockFactory, MockPin
from witnesspost.daemon.clock import Clock
from witnesspost.daemon.companion import PostView
from witnesspost.daemon.host.health import HealthTeller
from witnesspost.daemon.host.notify import ServiceManager
from witnesspost.daemon.service import Service
from witnesspost.daemon.signals.panel import Known, Panel
from witnesspost.daemon.status.server import StatusServer
from witnesspost.daemon.supervisor import Maker
from witnesspost.replay.world.rtcm import frame, station
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import open_site
from witnesspost.rules.facts import Acknowledge

from tests.bench.row import Row, at_most

_SITE = """
[post]
name = "bench"
role = "base"
[[stream]]
name = "corrections"
port = "{port}"
carries = ["corrections"]
[rules.corrections-stopped]
off = true
[[signal]]
kind = "buzzer"
pin = 17
"""
_PLACE = (1112189.0, -4842955.0, 3985352.0)  # metres, geocentric: anywhere
_PATIENCE_S = 10.0


class _Pins(MockPin):
    """A pretended pin that remembers when it went on."""

    went_on: ClassVar[list[float]] = []

    def _change_state(self, value: Any) -> Any:
        changed = super()._change_state(value)
        if changed and self.state:
            self.went_on.append(time.monotonic())
            _heard.set()
        return changed


class _Ear:
    """A companion of the service: notes each raise, and acknowledges when asked."""

    name = "ear"
    vital = False

    def __init__(self) -> None:
        self.raised: list[float] = []
        self.news = threading.Event()

    def start(self, post: PostView) -> None:
        self._post = post

    def see(self, changes: list[Change]) -> None:
        if raised := [change.t for change in changes if change.change == "raised"]:
            self.raised += raised
            self.news.set()

    def turn(self, t: float) -> None:
        """Nothing to do."""

    def acknowledge(self) -> None:
        self._post.tell(Acknowledge(t=self._post.now(), stream=""))

    def stop(self) -> None:
        """Nothing to let go of."""


_heard = threading.Event()


def rows(short: bool) -> list[Row]:
    """From the byte and from the alert's own time to the pin: the worst of each, with the median beside it."""
    from_byte, from_alert = latencies(10 if short else 200)
    return [
        at_most("g", "last byte of a frame to the pin", 0.1, max(from_byte), " s", words(from_byte)),
        at_most("g", "alert (its own t) to the pin", 0.1, max(from_alert), " s", words(from_alert)),
    ]


def words(times: list[float]) -> str:
    return f" (worst of {len(times)}; median {median(times):.3f} s)"


def latencies(count: int, more: Sequence[Maker] = ()) -> tuple[list[float], list[float]]:
    """From a frame's last byte, and from the alert's own time, to the pin: `count` of each, with these companions as well."""
    chance = random.Random(1)
    master, slave = pty.openpty()
    tty.setraw(slave)
    from_byte, from_alert = [], []
    with tempfile.TemporaryDirectory(prefix="witnesspost-bench-") as folder:
        site_file = Path(folder, "site.toml")
        site_file.write_text(_SITE.format(port=os.ttyname(slave)))
        at = open_site(str(site_file))
        clock, ear = Clock(), _Ear()
        began = time.monotonic() - clock()
        known, pins = Known(), MockFactory(pin_class=_Pins)
        companions = [
            lambda: Panel(at, known, pins),
            lambda: ear,
            lambda: ServiceManager({}),
            lambda: HealthTeller(Path(folder)),
            lambda: StatusServer(Path(folder, "bench.sock")),
            *more,
        ]
        service = Service(at, site_file.read_text(), Path(folder), companions, clock)
        thread = threading.Thread(target=service.run)
        thread.start()
        try:
            for reader in service.readers:
                reader.tried.wait(_PATIENCE_S)
            time.sleep(2.0)  # until the chirps of a start have been: a pin that is on already is not switched
            for base in range(1, count + 1):
                os.write(master, frame(station(base, *_PLACE)))
                time.sleep(0.3 + 0.2 * chance.random())
                _heard.clear()
                ear.news.clear()
                moved = frame(station(base, _PLACE[0] + 1.0, *_PLACE[1:]))
                os.write(master, moved[:-1])
                sent = time.monotonic()
                os.write(master, moved[-1:])
                assert _heard.wait(_PATIENCE_S), "no sound"
                assert ear.news.wait(_PATIENCE_S), "no alert"
                from_byte.append(_Pins.went_on[-1] - sent)
                from_alert.append(_Pins.went_on[-1] - began - ear.raised[-1])
                ear.acknowledge()
                time.sleep(0.45)
        finally:
            service.stop()
            thread.join()
    os.close(master)
    os.close(slave)
    return from_byte, from_alert
