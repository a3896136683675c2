"""One companion's fault is its own: thrown or hung, in whichever call, once or always, it costs no other and no byte.

The whole service in this process, on a real pty, with the real companions beside the one that fails.
"""

import socket
import threading
import time
import traceback
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import pytest
from gpiozero.pins.mock import MockFactory
from witnesspost.daemon import supervisor
from witnesspost.daemon.host import notify
from witnesspost.daemon.host.health import HealthTeller
from witnesspost.daemon.host.journal import Journal
from witnesspost.daemon.host.notify import ServiceManager
from witnesspost.daemon.host.terminal import Terminal
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.page.gate import Gate
from witnesspost.daemon.page.page import Page
from witnesspost.daemon.publish.publish import Publish
from witnesspost.daemon.service import Service
from witnesspost.daemon.signals.panel import Known, Panel
from witnesspost.daemon.status.morning import Morning
from witnesspost.daemon.status.server import StatusServer, ask
from witnesspost.daemon.stream.inbox import MOST_FACTS
from witnesspost.daemon.supervisor import Lost
from witnesspost.rules.facts import Acknowledge
from witnesspost.rules.language.speech import ENGLISH
from witnesspost.rules.site import model
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import Line, epoch_frame
from tests.daemon.view import until

SITE = """
[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "corrections"
port = "{port}"
carries = ["corrections"]
[[signal]]
kind = "buzzer"
pin = 17
[rules.corrections-stopped]
on_delay_s = 0.4
off_delay_s = 0.2
intervals = 1.0
"""
NO_OFFICE = model.Office(broker="mqtt://127.0.0.1:9")  # where nobody listens
PAUSES_S = (0.05, 0.1)
CALLS = ("start", "see", "turn", "stop")
NAMES = ("signals", "service manager", "journal", "health", "status", "terminal", "morning", "page", "office")
VITAL = ("signals", "service manager")


class Fails:
    """A real companion, one of whose calls throws or hangs the first `times` it is made, over all its lives.

    Where `stop` is to fail its `turn` throws once, so that there is a stop before the end, unless it is to fail `at_end`.
    """

    def __init__(self, make, call, times, how, at_end):
        self.lives = 0
        self.left = times
        self.freed, self.turned = threading.Event(), threading.Event()
        self._make, self._call, self._how = make, call, how
        self._turn_throws = call == "stop" and not at_end

    def __call__(self):
        self.lives += 1
        companion = self._make()
        for call in CALLS:
            setattr(companion, call, self._wrapped(call, getattr(companion, call)))
        return companion

    def _wrapped(self, call, real):
        def called(*arguments):
            if call == "stop":
                real()
            if call == "turn":
                self.turned.set()
            if call == self._call and self.left:
                self.left -= 1
                self._how(self)
            if call == "turn" and self._turn_throws:
                self._turn_throws = False
                raise ZeroDivisionError("so that there is a stop")
            return None if call == "stop" else real(*arguments)

        return called


def throws(failing):
    raise ZeroDivisionError("a bug")


def hangs(failing):
    failing.freed.wait()


class Post:
    """The service on its thread, its buzzer a mock pin, its manager and its journal sockets of the test's own."""

    def __init__(self, folder, name=None, call=None, times=0, how=throws, at_end=False):
        folder.mkdir()
        self.folder, self.line = folder, Line(folder / "tty-corrections")
        self.pins = MockFactory()
        self.ears = {what: _ear(folder / what) for what in ("manager", "journal")}
        self.output = open(folder / "output", "wb")  # noqa: SIM115
        text = SITE.format(port=self.line.path)
        site = site_from_toml(text, str(folder / "site.toml"))
        known = Known()
        makers = {
            "signals": lambda: Panel(site, known, self.pins),
            "service manager": lambda: ServiceManager({"NOTIFY_SOCKET": str(folder / "manager")}),
            "journal": lambda: Journal(folder / "journal"),
            "terminal": lambda: Terminal(False, self.output.fileno(), self.output.fileno()),
            "health": lambda: HealthTeller(folder, 0, folder / "no-sys"),
            "status": lambda: StatusServer(folder / "kestrel.sock"),
            "morning": lambda: Morning(site.post.zone, ENGLISH),
            "page": lambda: Page(site, model.Page(listen="127.0.0.1:0"), Gate(None)),
            "office": lambda: Publish(site, NO_OFFICE, folder / "log", "0"),
        }
        self.failing = Fails(makers[name], call, times, how, at_end) if name else None
        if name:
            makers[name] = self.failing
        self.service = Service(site, text, folder / "log", makers.values(), pauses_s=PAUSES_S)
        self.outcome = None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()
        assert self.service.readers[0].tried.wait(20)

    def _run(self):
        try:
            self.outcome = self.service.run()
        except Lost as error:
            self.outcome = error

    def feed(self):
        """Corrections, so that they can stop."""
        for number in range(3):
            self.line.send(epoch_frame(number))
            time.sleep(0.05)

    def until_stop_is_heard(self):
        """Corrections come and stop again, and everybody who is there to tell it tells it: the buzzer before all."""
        self.feed()
        while self.service.pulse().shown == "stop":
            self.feed()
        until(lambda: self.service.pulse().shown == "stop", 20.0)
        until(lambda: self.pins.pin(17).state == 1)
        heard = self.ears["journal"][1]
        until(lambda: any("RULE=corrections-stopped" in said for said in heard()))
        until(lambda: any(alert.rule == "corrections-stopped" for alert in ask(self.folder / "kestrel.sock").alerts))
        until(lambda: b"corrections-stopped" in (self.folder / "output").read_bytes())
        fed = self.ears["manager"][1]
        until(lambda: "WATCHDOG=1" in fed())

    def end(self):
        self.service.stop()
        if self.failing is not None:
            self.failing.left = 0
        self.thread.join(20)
        assert not self.thread.is_alive()
        return self.outcome

    def close(self):
        """Nothing of it is left."""
        if self.thread.is_alive():
            self.end()
        if self.failing is not None:
            self.failing.freed.set()
        self.output.close()
        self.line.unplug()
        self.pins.close()
        for end, _, listener in self.ears.values():
            end.shutdown(socket.SHUT_RDWR)
            listener.join(20)
            end.close()

    def log(self):
        """(how it ended, changes, inputs) of the log, which must be sound."""
        with LogFile.open(self.folder / "log" / "kestrel-rover.0001.db") as log:
            assert verify(log).sound
            return log.ended(), log.changes(), [what for _, _, what in log.inputs()]

    def faults(self):
        """The companions that the log's alerts name, and the errors."""
        changes = [c for c in self.log()[1] if (c.cause, c.change) == ("companion-failed", "raised")]
        return [(c.evidence["companion"], c.evidence["error"].partition(" (")[0]) for c in changes]


def post_of(one, name):
    """What the companion of this name now sees of the post."""
    return next(keeper.life for keeper in one.service._supervisor._keepers if keeper.life and keeper.life.name == name)


def _ear(path):
    """A socket that is read at once, as the journal is: a full one loses what is said."""
    end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    end.bind(str(path))
    everything = []

    def listen():
        while said := end.recv(65536):
            everything.append(said.decode(errors="replace"))

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    return end, lambda: list(everything), listener


@pytest.fixture
def post(tmp_path):
    posts = []

    def start(name=None, *arguments, **options):
        posts.append(Post(tmp_path / (name or "post"), name, *arguments, **options))
        return posts[-1]

    yield start
    for one in posts:
        one.close()


def each(names, check):
    """`check` of each name, at the same time: they mostly wait."""
    with ThreadPoolExecutor(len(names)) as pool:
        outcomes = zip(names, pool.map(partial(_outcome, check), names), strict=True)
        failed = [(name, error) for name, error in outcomes if error is not None]
    words = "".join(traceback.format_exception(failed[0][1])) if failed else ""
    assert [name for name, _ in failed] == [], words


def _outcome(check, name):
    try:
        check(name)
    except Exception as error:
        return error
    return None


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(supervisor, "DEADLINE_S", 0.6)
    monkeypatch.setattr(supervisor, "VITAL_DEADLINE_S", 0.6)
    monkeypatch.setattr(supervisor, "TURN_S", 0.1)
    monkeypatch.setattr(notify, "_FEED_S", 0.1)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("call", CALLS)
def test_one_that_throws_once_is_back_and_a_later_stop_is_heard(post, call):
    def check(name):
        one = post(name, call, 1)
        if call == "see":
            one.feed()
            until(lambda: one.failing.left == 0, 20.0)
        until(lambda: one.failing.lives == 2, 20.0)
        one.until_stop_is_heard()
        assert one.end() == []
        ended, _, inputs = one.log()
        assert ended == "stopped"
        assert epoch_frame(0) in b"".join(what for what in inputs if isinstance(what, bytes))
        error = "turn: ZeroDivisionError: so that there is a stop" if call == "stop" else f"{call}: ZeroDivisionError: a bug"
        assert one.faults() == [(name, error)]

    each(NAMES, check)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("call", ["start", "see", "turn"])
def test_one_that_always_throws_is_named_and_the_others_go_on(post, call):
    def check(name):
        one = post(name, call, 10**9)
        one.feed()
        until(lambda: one.service.pulse().shown == "stop" and one.failing.lives >= 3, 20.0)
        until(lambda: one.pins.pin(17).state == 1)
        heard, fed = one.ears["journal"][1], one.ears["manager"][1]
        until(lambda: name == "journal" or any("RULE=corrections-stopped" in said for said in heard()))
        until(lambda: "WATCHDOG=1" in fed())
        if name != "status":
            words = f"failed and is being restarted: {name}"
            until(lambda: any(words in alert.say for alert in ask(one.folder / "kestrel.sock").alerts))
        one.end()
        assert one.log()[0] == "stopped"
        assert one.faults() == [(name, f"{call}: ZeroDivisionError: a bug")]

    each([name for name in NAMES if name not in VITAL], check)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("call", ["start", "see", "turn"])
def test_a_vital_one_that_does_not_come_back_ends_the_service_with_its_log_closed(post, call):
    def check(name):
        one = post(name, call, 10**9)
        for _ in range(20):  # alerts, so that `see` is called
            one.feed()
            if call != "see":
                break
            one.service.tell(Acknowledge(t=one.service.now(), stream=""))
            one.thread.join(1.5)
            if not one.thread.is_alive():
                break
        one.thread.join(20)
        assert isinstance(one.outcome, Lost)
        assert str(one.outcome).startswith(f"{name}: {call}: ZeroDivisionError: a bug")
        assert one.failing.lives == 1 + supervisor.VITAL_RESTARTS
        ended, _, inputs = one.log()
        assert ended == "fault"
        assert epoch_frame(0) in b"".join(what for what in inputs if isinstance(what, bytes))
        assert one.faults() == [(name, f"{call}: ZeroDivisionError: a bug")]

    each(VITAL, check)


@pytest.mark.usefixtures("quick")
def test_a_stop_that_throws_at_the_end_is_named_and_the_others_are_stopped(post):
    def check(name):
        one = post(name, "stop", 10**9, at_end=True)
        assert one.failing.turned.wait(20)
        one.feed()
        one.service.stop()
        one.thread.join(20)
        (said,) = one.outcome
        assert said.startswith(f"{name}: stop: ZeroDivisionError: a bug")
        assert one.log()[0] == "stopped"
        assert name == "status" or not (one.folder / "kestrel.sock").exists()
        assert name == "signals" or one.pins.pin(17).function == "input"
        assert name == "service manager" or "STOPPING=1" in one.ears["manager"][1]()

    each(NAMES, check)


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("call", [*(pytest.param(call, marks=pytest.mark.slow) for call in ("start", "see")), "turn"])
def test_one_that_hangs_once_is_left_behind_and_a_fresh_one_does_its_work(post, call):
    def check(name):
        one = post(name, call, 1, hangs)
        if call == "see":
            one.feed()
        until(lambda: one.failing.lives == 2, 20.0)
        one.until_stop_is_heard()
        assert one.end() == []
        assert one.log()[0] == "stopped"
        assert one.faults() == [(name, f"hangs in {call}")]

    each(NAMES, check)


@pytest.mark.usefixtures("quick")
def test_one_that_hangs_twice_ends_the_service(post):
    def check(name):
        one = post(name, "turn", 2, hangs)
        one.thread.join(20)
        assert isinstance(one.outcome, Lost)
        assert str(one.outcome).startswith(f"{name}: hangs in turn")
        assert one.log()[0] == "fault"
        assert one.faults() == [(name, "hangs in turn")]

    each(NAMES, check)


def test_one_that_hangs_at_the_end_is_left_behind(post):
    one = post("journal", "stop", 1, hangs, at_end=True)
    assert one.failing.turned.wait(20)
    one.service.stop()
    one.thread.join(20)  # it is freed only after the test
    (said,) = one.outcome
    assert said.startswith("journal: hangs in stop")


@pytest.mark.usefixtures("quick")
def test_words_that_cannot_be_made_cost_the_status_alone(post, monkeypatch):
    def broken(*_, **__):
        raise KeyError("words")

    monkeypatch.setattr("witnesspost.daemon.service.snapshot_of", broken)
    one = post()
    one.feed()
    until(lambda: one.pins.pin(17).state == 1 and one.service.pulse().shown == "stop", 20.0)
    until(lambda: any("RULE=corrections-stopped" in said for said in one.ears["journal"][1]()))
    fed = one.ears["manager"][1]
    until(lambda: "WATCHDOG=1" in fed())
    assert one.end() == []
    assert one.faults() == [("status", "snapshot: KeyError: 'words'")]


@pytest.mark.usefixtures("quick")
def test_one_that_tells_without_end_fails_and_the_loop_goes_on(post):
    def floods(failing):
        for _ in range(100 * MOST_FACTS):
            post_of(one, "health").tell(Acknowledge(t=0.0, stream=""))

    one = post("health", "turn", 0, floods)
    one.failing.left = 1
    until(lambda: one.failing.lives == 2, 20.0)
    until(lambda: any("health" in alert.say for alert in ask(one.folder / "kestrel.sock").alerts), 20.0)  # all are judged
    one.until_stop_is_heard()
    assert one.end() == []
    assert one.faults() == [("health", f"turn: TooMuchTold: {MOST_FACTS} facts wait to be judged")]


def test_an_abandoned_one_that_comes_back_tells_nothing(post, quick):
    told = []

    def hangs_then_tells(failing):
        failing.freed.wait()
        view.tell(Acknowledge(t=0.0, stream=""))
        told.append(True)

    one = post("health", "turn", 1, hangs_then_tells)
    view = post_of(one, "health")
    until(lambda: one.failing.lives == 2, 20.0)
    one.failing.freed.set()
    until(lambda: told)
    assert one.end() == []
    assert not [fact for fact in one.log()[2] if isinstance(fact, Acknowledge)]
