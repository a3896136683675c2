"""The post around a real pipeline, with stepped time, mock pins, and sockets of the test's own as manager and journal."""

import socket
import threading
from types import SimpleNamespace

import pytest
from gpiozero.pins.mock import MockFactory
from witnesspost.daemon.host.journal import Journal
from witnesspost.daemon.log.log import LogState
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.post import READER_MOVES_S, SHELVE_S, Post
from witnesspost.daemon.status.server import ask
from witnesspost.daemon.stream.inbox import Inbox
from witnesspost.rules.facts import Acknowledge, Health, Port, Shelve
from witnesspost.rules.site.reading import site_from_toml

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "/dev/ttyKESTREL"
carries = ["corrections"]
[[signal]]
kind = "buzzer"
pin = 17
[[signal]]
kind = "led"
pin = 27
[button]
pin = 22
[rules.corrections-stopped]
on_delay_s = 3.0
"""


def ear(path):
    """A datagram socket at `path`: (socket, everything that came since the last call)."""
    end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    end.bind(str(path))
    end.setblocking(False)

    def heard():
        said = []
        while True:
            try:
                said.append(end.recv(65536).decode())
            except BlockingIOError:
                return said

    return end, heard


class Bench:
    """A post, the pipeline that it stands around, and a service that moves only when it is told to."""

    def __init__(self, folder, text=SITE, **options):
        self.folder = folder
        self.t = 0.0
        self.pins = MockFactory()
        self.site = site_from_toml(text)
        self.site.path = str(folder / "site.toml")
        self._manager, self.manager = ear(folder / "manager")
        self._journal, self.journal = ear(folder / "journal")
        self.said = []
        self.post = Post(
            self.site,
            lambda: self.t,
            self.said.append,
            pins=self.pins,
            journal=Journal(folder / "journal"),
            environment={"NOTIFY_SOCKET": str(folder / "manager"), "RUNTIME_DIRECTORY": str(folder)},
            system=folder / "no-sys",
            **options,
        )
        self.log_failed = None
        self.reader = SimpleNamespace(
            stream=self.site.stream[0] if self.site.stream else None,
            name="port corrections",
            state="waiting",
            reason="",
            bytes_read=0,
            moved_at=0.0,
            tried=threading.Event(),
        )
        self.stopped = []
        self.service = SimpleNamespace(
            readers=[self.reader],
            inbox=Inbox(),
            pipeline=Pipeline(self.site, None, self.post.changed),
            log=SimpleNamespace(state=self.log_state),
            stop=lambda: self.stopped.append(self.t),
        )

    def log_state(self):
        return LogState(
            path="kestrel-base.0001.db",
            failed=self.log_failed,
            raw_bytes=0,
            size_bytes=0,
            waiting_bytes=0,
            lost_bytes=0,
            disk_free_fraction=0.5,
            disk_left_h=None,
        )

    def port(self, state, reason=""):
        self.reader.state, self.reader.reason = state, reason
        self.reader.tried.set()
        self.service.pipeline.tell(Port(t=self.t, stream="corrections", state=state, reason=reason))

    def until(self, t, reader_moves=True):
        """Turns of 0.2 s up to `t`; the facts that the post gave on the way."""
        facts = []
        while self.t + 0.2 <= t + 1e-9:
            self.t = round(self.t + 0.2, 3)
            if reader_moves:
                self.reader.moved_at = self.t
            self.service.pipeline.tick(self.t)
            for fact in self.post.turn(self.service, self.t):
                facts.append(fact)
                self.service.pipeline.tell(fact)
        return facts

    def press(self, for_s):
        """A hand on the button, with the panel's steps made here instead of by its thread."""
        button = self.post._panel._button
        self.pins.pin(22).drive_low()
        button.step(self.t + 0.05)
        pressed_at, self.t = self.t, self.t + for_s
        button.step(self.t)
        self.pins.pin(22).drive_high()
        self.t += 0.05
        button.step(self.t)
        self.t = round(pressed_at + for_s + 0.2, 1)

    def close(self):
        self.post.close()
        self.pins.close()
        self._manager.close()
        self._journal.close()


@pytest.fixture
def bench(tmp_path):
    benches = []

    def start(text=SITE, **options):
        benches.append(Bench(tmp_path, text, **options))
        # The test makes every step itself: the panel's own thread would add steps at times that nobody chose.
        benches[-1].post._panel._stepper.stop()
        return benches[-1]

    yield start
    for one in benches:
        one.close()


def test_ready_when_every_port_was_tried_and_the_log_is_open(bench):
    post = bench()
    post.until(2.0)
    assert "READY=1" not in post.manager()
    post.log_failed = "disk full"
    post.port("waiting", "not there yet")
    post.until(4.0)
    said = post.manager()
    assert "READY=1" not in said
    assert "EXTEND_TIMEOUT_USEC=60000000" in said
    assert said[-1] == "EXTEND_TIMEOUT_USEC=60000000"
    assert "STATUS=shows starting; waits for corrections (/dev/ttyKESTREL); cannot write the log: disk full" in said
    post.log_failed = None
    post.until(4.2)
    assert post.manager()[0] == "READY=1"  # a port that is not there yet is waited for, and holds nothing up


def test_the_watchdog_is_fed_while_everything_moves(bench):
    post = bench()
    post.port("open")
    post.until(10.0)
    assert post.manager().count("WATCHDOG=1") == 9  # after each whole second, on turns of 0.2 s
    post.until(10.0 + READER_MOVES_S, reader_moves=False)
    post.manager()
    post.until(60.0, reader_moves=False)
    said = post.manager()
    assert "WATCHDOG=1" not in said
    assert any("port corrections is stuck" in words for words in said)


def test_the_end_is_said_and_dark(bench):
    post = bench()
    post.port("open")
    post.until(1.0)
    post.post.close()
    assert post.manager()[-1] == "STOPPING=1"
    assert [post.pins.pin(number).function for number in (17, 27)] == ["input", "input"]
    assert not (post.folder / "kestrel-base.sock").exists()


def test_from_starting_to_well_to_stop_and_back(bench):
    post = bench()
    assert post.post.showing == "starting"
    post.port("waiting", "not there yet")
    post.until(1.0)
    assert post.post.showing == "starting"
    post.port("open")
    post.until(1.2)
    assert post.post.showing == "well"
    post.until(15.0)
    assert post.post.showing == "stop"
    assert (post.pins.pin(17).state, post.pins.pin(27).state) == (1, 1)


def test_an_alert_is_at_the_pins_before_the_judgement_returns(bench):
    """No turn in between: the pipeline's own call switches them."""
    post = bench()
    post.port("open")
    post.until(14.8)
    assert (post.post.showing, post.pins.pin(17).state) == ("well", 0)
    changes = post.service.pipeline.tick(15.0)
    assert [change.rule for change in changes] == ["corrections-stopped"]
    assert (post.post.showing, post.pins.pin(17).state, post.pins.pin(27).state) == ("stop", 1, 1)
    assert any("RULE=corrections-stopped" in message for message in post.journal())


def test_a_short_press_acknowledges_and_a_long_one_shelves(bench):
    post = bench()
    post.port("open")
    post.until(16.0)
    post.press(0.3)
    (fact,) = [fact for fact in post.until(17.0) if not isinstance(fact, Health)]
    assert isinstance(fact, Acknowledge)
    assert fact.rule is None
    assert (post.post.showing, post.pins.pin(17).state) == ("stop", 0)
    post.press(3.0)
    (fact,) = [fact for fact in post.until(22.0) if not isinstance(fact, Health)]
    assert isinstance(fact, Shelve)
    assert (fact.rule, fact.for_s) == (None, SHELVE_S)


def test_health_is_told_once_and_then_only_when_it_changes(bench):
    post = bench()
    post.port("open")
    told = post.until(60.0)
    assert [(fact.t, fact.log_failed) for fact in told] == [(0.2, False)]
    post.log_failed = "disk full"
    told = post.until(120.0)
    assert [fact.log_failed for fact in told] == [True]
    assert told[0].t <= 70.2


def test_the_status_is_what_the_pipeline_knows(bench):
    post = bench()
    post.port("waiting", "not there yet")
    post.until(16.2)
    said = ask(post.folder / "kestrel-base.sock")
    assert (said.post, said.role, said.showing, said.restarts) == ("kestrel-base", "base", "stop", 0)
    assert [(port.stream, port.state, port.reason) for port in said.ports] == [("corrections", "waiting", "not there yet")]
    assert [(alert.rule, alert.cause, alert.state) for alert in said.alerts] == [("corrections-stopped", "port-lost", "raised")]
    assert said.base_check == "not possible: the site file names no control point under the base"
    assert said.log.path == "kestrel-base.0001.db"


def test_ports_are_in_the_journal_once_a_change(bench):
    post = bench()
    post.port("waiting", "not there yet")
    post.until(1.0)
    post.port("open")
    post.until(2.0)
    said = [message for message in post.journal() if "PORT_STATE=" in message]
    assert [message.splitlines()[:2] for message in said] == [
        ["MESSAGE=port corrections (/dev/ttyKESTREL) waiting: not there yet", "PRIORITY=4"],
        ["MESSAGE=port corrections (/dev/ttyKESTREL) open", "PRIORITY=6"],
    ]


def test_a_wrong_site_file_is_a_fault_until_it_is_mended(bench):
    post = bench(faults=["site.toml: rules.corrections-stopped.on_delay_s: read '5,0'"])
    assert (post.post.showing, post.pins.pin(17).state, post.pins.pin(27).state) == ("fault", 1, 1)
    assert any("on_delay_s" in message for message in post.journal())
    (post.folder / "site.toml").write_text("still wrong")
    post.port("open")
    post.until(4.0)
    post.press(0.3)
    post.until(10.0)
    assert (post.post.showing, post.stopped) == ("fault", [])
    (post.folder / "site.toml").write_text(SITE)
    post.until(16.0)
    assert post.stopped
    assert any("can be used now" in message for message in post.journal())


def test_a_stuck_button_is_said(bench):
    post = bench()
    post.port("open")
    post.until(1.0)
    post.pins.pin(22).drive_low()
    button = post.post._panel._button
    for at in (1.1, 3.1, 31.1):
        button.step(at)
    post.until(2.0)
    assert any("leaning on it" in message for message in post.journal())


def test_a_start_beside_a_running_post_goes_on_without_a_status(bench, tmp_path):
    first = bench()
    first.port("open")
    first.until(1.2)
    second = Post(
        first.site,
        lambda: 0.0,
        first.said.append,
        pins=MockFactory(),
        environment={"RUNTIME_DIRECTORY": str(tmp_path)},
    )
    assert first.said == [
        f"no status: {tmp_path}/kestrel-base.sock: another post answers there; give this one another post.name"
    ]
    second.close()
    assert ask(tmp_path / "kestrel-base.sock").showing == "well"
