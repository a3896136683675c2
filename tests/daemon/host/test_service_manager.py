"""The companion that feeds the watchdog, and the one that writes the journal: real sockets, stepped time."""

import socket

import msgspec
import pytest
from witnesspost.daemon.host.health import EVERY_S, HealthTeller
from witnesspost.daemon.host.journal import Journal
from witnesspost.daemon.host.mending import Mending
from witnesspost.daemon.host.notify import ServiceManager
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Health

from tests.daemon.host.test_notify import fields
from tests.daemon.test_lines import OVER, SEEN, STOP
from tests.daemon.view import LOG, View, port


@pytest.fixture
def ear(tmp_path):
    """A datagram socket: (path, everything that came since the last call)."""
    path = tmp_path / "ear"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(path))
        end.setblocking(False)

        def heard():
            said = []
            while True:
                try:
                    said.append(end.recv(65536).decode(errors="surrogateescape"))
                except BlockingIOError:
                    return said

        yield path, heard


@pytest.fixture
def manager(ear):
    path, heard = ear
    companion = ServiceManager({"NOTIFY_SOCKET": str(path)})
    view = View()
    companion.start(view)
    yield companion, view, heard
    companion.stop()


def turns(companion, view, until, beating=True, every=0.2, **pulse):
    """Turns up to `until`, the loop coming round before each."""
    while view.t + every <= until + 1e-9:
        view.t = round(view.t + every, 3)
        if beating:
            view.beats(**pulse)
        companion.turn(view.t)


def test_ready_once_and_until_then_more_time_is_asked_for(manager):
    companion, view, heard = manager
    turns(companion, view, 2.0)
    said = heard()
    assert "READY=1" not in said
    assert "EXTEND_TIMEOUT_USEC=60000000" in said
    turns(companion, view, 4.0, ready=True, shown="well")
    said = heard()
    assert said.count("READY=1") == 1
    assert "WATCHDOG=1" in said
    assert "STATUS=shows well" in said


def test_the_watchdog_is_fed_once_a_second_while_everything_moves(manager):
    companion, view, heard = manager
    turns(companion, view, 10.0, ready=True)
    assert 9 <= heard().count("WATCHDOG=1") <= 10  # a second is over on a turn of 0.2 s, or just before one


def test_a_loop_that_stands_still_starves_the_watchdog(manager):
    companion, view, heard = manager
    turns(companion, view, 2.0, ready=True)
    turns(companion, view, 3.0, beating=False)  # its last round may be fed for yet
    heard()
    turns(companion, view, 60.0, beating=False)
    assert "WATCHDOG=1" not in heard()


def test_a_reader_that_stands_still_starves_the_watchdog_and_is_named(manager):
    companion, view, heard = manager
    turns(companion, view, 2.0, ready=True)
    heard()
    turns(companion, view, 30.0, stuck=("port corrections",))
    said = heard()
    assert "WATCHDOG=1" not in said
    assert "STATUS=shows dark; port corrections is stuck" in said


def test_what_is_waited_for_and_a_log_that_fails_are_in_the_status(manager):
    companion, view, heard = manager
    log = msgspec.structs.replace(LOG, failed="disk full")
    turns(companion, view, 1.0, ports=(port("waiting"),), log=log, shown="check")
    assert "STATUS=shows check; waits for corrections (/dev/ttyKESTREL); cannot write the log: disk full" in heard()


def test_stopping_is_said_at_the_service_s_end_and_not_at_its_own(ear):
    path, heard = ear
    for ended, said in ((False, []), (True, ["STOPPING=1"])):
        companion, view = ServiceManager({"NOTIFY_SOCKET": str(path)}), View()
        companion.start(view)
        view.beats(ended=ended)
        companion.stop()
        assert heard() == said


def test_the_journal_has_ports_once_a_change_and_what_others_say(ear):
    path, heard = ear
    journal, view = Journal(path), View()
    journal.start(view)
    view.beats(ports=(port("opening"),))
    journal.turn(0.1)
    view.beats(ports=(port("waiting", "not there yet"),))
    journal.turn(0.2)
    journal.turn(0.4)
    view.say("LED blue: no such LED")
    view.beats(ports=(port("open"),))
    journal.turn(0.6)
    view.beats(ended=True)
    journal.stop()
    assert [datagram.splitlines()[:2] for datagram in heard()] == [
        ["MESSAGE=log /log/kestrel-base.0001.db", "PRIORITY=6"],
        ["MESSAGE=port of corrections (/dev/ttyKESTREL) waiting: not there yet", "PRIORITY=4"],
        ["MESSAGE=LED blue: no such LED", "PRIORITY=4"],
        ["MESSAGE=port of corrections (/dev/ttyKESTREL) open", "PRIORITY=6"],
        ["MESSAGE=log /log/kestrel-base.0001.db closed", "PRIORITY=6"],
    ]


def journal_of(ear, *changes):
    path, heard = ear
    journal = Journal(path)
    journal.start(View())
    heard()
    journal.see(list(changes))
    journal.stop()
    return [fields(datagram.encode(errors="surrogateescape")) for datagram in heard()]


def test_a_stop_is_three_lines_in_the_journal_what_is_wrong_the_first_step_and_how_to_see_the_rest(ear):
    (said,) = journal_of(ear, STOP)
    assert said["MESSAGE"].splitlines() == [
        f"STOP: {words(STOP).say} (corrections-stopped: line-silent)",
        f"First: {words(STOP).steps[0]}",
        "The rest: witnesspost status kestrel-rover",
    ]
    assert (said["PRIORITY"], said["RULE"], said["SEVERITY"]) == ("2", "corrections-stopped", "stop")


def test_what_does_not_sound_is_one_line_in_the_journal(ear):
    consequence = msgspec.structs.replace(STOP, because_of="wrong-channel")
    said = journal_of(ear, consequence, SEEN, OVER)
    key = "(corrections-stopped: line-silent)"
    assert [one["MESSAGE"] for one in said] == [
        f"stop: Along with wrong-channel: {words(STOP).say} {key}",
        f"seen: By Kim (tree), after 12 s. It still stands. {key}",
        f"over: It lasted 91 s, and nobody has seen it yet. {key}",
    ]
    assert {one["PRIORITY"] for one in said} == {"6"}


def test_health_is_told_once_and_then_only_when_it_changes(tmp_path):
    teller, view = HealthTeller(tmp_path, 2, tmp_path / "no-sys"), View()
    teller.start(view)
    turns(teller, view, 60.0)
    assert [(type(fact), fact.t, fact.restarts, fact.log_failed) for fact in view.told] == [(Health, 0.2, 2, False)]
    turns(teller, view, 120.0, log=msgspec.structs.replace(LOG, failed="disk full"), lost_bytes=7)
    told = view.told[1:]
    assert [(fact.log_failed, fact.lost_bytes) for fact in told] == [(True, 7)]
    assert told[0].t <= 60.0 + EVERY_S


def test_a_site_file_that_is_mended_ends_the_service():
    mended = []
    fault = "site.toml: rules.corrections-stopped.on_delay_s: read '5,0'"
    mending, view = Mending("site.toml", [fault], lambda: bool(mended)), View()
    mending.start(view)
    turns(mending, view, 12.0)
    assert (view.ended, view.lines) == (0, [fault])
    mended.append(True)
    turns(mending, view, 18.0)
    assert (view.ended, view.lines[1:]) == (1, ["site.toml can be used now: starting again"])
