"""The status over a real socket: what is published is what is read, and nobody who asks can hold the post up."""

import datetime as dt
import errno
import os
import socket
import stat

import msgspec
import pytest
from click.testing import CliRunner
from witnesspost.daemon.commands.status import screenful, status
from witnesspost.daemon.screen import Look
from witnesspost.daemon.status.ready import CheckStatus
from witnesspost.daemon.status.server import NoAnswer, SocketTaken, StatusServer, ask, sockets
from witnesspost.daemon.status.snapshot import AlertStatus, EpochStatus, FixStatus, LogStatus, PortStatus, Status
from witnesspost.daemon.status.told import (
    CheckInStatus,
    OfficeStatus,
    PausedStatus,
    SetUpStatus,
    shelved_status,
)
from witnesspost.rules.facts import Shelve

from tests.daemon.view import View, until

SAID = Status(
    post="kestrel-rover",
    role="rover",
    site="/etc/witnesspost/kestrel-rover.toml",
    pid=4711,
    up_s=4000.0,
    utc="2026-05-04T10:11:12Z",
    clock_source="receiver (RMC) on receiver, 1 s ago",
    state="stop",
    time_zone="America/Denver",
    restarts=2,
    temperature_c=51.4,
    ports=[
        PortStatus(
            stream="receiver",
            port="/dev/ttyACM0",
            state="open",
            reason="",
            read_bytes=123456,
            rate_bytes_per_s=410.2,
        ),
        PortStatus(
            stream="corrections",
            port="/dev/ttyUSB0",
            state="lost",
            reason="not there yet",
            read_bytes=99,
            rate_bytes_per_s=None,
        ),
    ],
    epochs=[EpochStatus(stream="receiver", station_id=417, ago_s=0.4, interval_s=1.0, systems="GRE", satellites=21)],
    fix=FixStatus(ago_s=0.2, quality=5, satellites=17, hdop=0.8, age_s=1.4, station_id=417),
    base_check="agrees with KQ-1",
    ready=["ports open", "corrections from 417"],
    missing=["not fixed"],
    set_up=SetUpStatus(planned=True, point="KQ-1", antenna_height_m=1.843, pole_height_m=2.0),
    alerts=[
        AlertStatus(
            number=1,
            rule="corrections-stopped",
            cause="port-lost",
            severity="stop",
            stream="corrections",
            state="raised",
            for_s=12.0,
            since_utc="2026-05-04T10:11:00.000Z",
            because_of=None,
            shelved=False,
            say="The port of corrections is gone.",
            steps=["Cable in at both ends?", "Power light on at the adapter?"],
        ),
        AlertStatus(
            number=2,
            rule="fix-lost",
            cause="float",
            severity="stop",
            stream="receiver",
            state="acknowledged",
            for_s=8.0,
            since_utc="2026-05-04T10:11:04.000Z",
            because_of="corrections-stopped",
            shelved=False,
            seen_by="Kim",
            seen_note="radio off",
            seen_utc="2026-05-04T10:11:08Z",
            say="No fixed solution.",
            steps=["Look at the sky."],
        ),
    ],
    log=LogStatus(
        path="/var/lib/witnesspost/kestrel-rover/log/kestrel-rover.0042.db",
        failed=None,
        size_bytes=12_400_000,
        raw_bytes=11_900_000,
        waiting_bytes=0,
        lost_bytes=0,
        disk_free_fraction=0.421,
        disk_left_h=900.0,
    ),
    problems=["LED blue: no such LED"],
)

SCREEN = """\
STOP  kestrel-rover (rover), 2026-05-04 04:11:12-06:00
STOP   2026-05-04 04:11:00-06:00  The port of corrections is gone. Raised 12 s ago. (corrections-stopped: port-lost)
       1. Cable in at both ends?
       2. Power light on at the adapter?
  stop   2026-05-04 04:11:04-06:00  Along with corrections-stopped: No fixed solution. Raised 8 s ago, seen by Kim (radio off) at 2026-05-04 04:11:08-06:00. (fix-lost: float)

ready             not yet: not fixed (ports open, corrections from 417)
post              up 67 min, site /etc/witnesspost/kestrel-rover.toml
port receiver     /dev/ttyACM0: open, 410 bytes/s
port corrections  /dev/ttyUSB0: lost (not there yet), rate not known yet
epoch receiver    station 417, 21 satellites (GPS, GLONASS, Galileo), 0.4 s ago, every 1.0 s
fix               RTK float, 0.2 s ago, 17 satellites, HDOP 0.8, corrections 1.4 s old
base              agrees with KQ-1
set-up            base over KQ-1, antenna 1.843 m, pole 2.000 m (as in the site file)
clock             receiver (RMC) on receiver, 1 s ago
log               kestrel-rover.0042.db, 12 MB, 12 MB of them raw, disk 42% free, 38 days left at this rate
health            51 °C, restarted 2 times since power on
problem           LED blue: no such LED"""  # noqa: E501


class Served(StatusServer):
    """A running server; `publish` is what the loop does."""

    def __init__(self, path):
        super().__init__(path)
        self.view = View()
        self.start(self.view)

    def publish(self, status):
        self.view.status = status


@pytest.fixture
def server(tmp_path):
    one = Served(tmp_path / "run" / "kestrel-rover.sock")
    yield one
    one.stop()


def test_what_is_published_is_read(server):
    with pytest.raises(NoAnswer, match="only just starting"):
        ask(server.path)
    server.publish(SAID)
    assert ask(server.path) == SAID
    later = msgspec.structs.replace(SAID, up_s=4001.0)
    server.publish(later)
    assert ask(server.path) == later


def test_a_snapshot_that_cannot_be_sent_is_raised_at_the_next_turn(server):
    server.turn(1.0)
    server.publish(object())
    with pytest.raises(NoAnswer):
        ask(server.path)
    until(lambda: server._failed)
    with pytest.raises(TypeError):
        server.turn(2.0)


def test_the_socket_is_its_owners_and_its_groups(server):
    assert stat.S_IMODE(server.path.stat().st_mode) == 0o660


def test_it_goes_with_the_server(tmp_path):
    server = Served(tmp_path / "one.sock")
    assert sockets([tmp_path, tmp_path / "none"]) == [tmp_path / "one.sock"]
    server.stop()
    assert sockets([tmp_path]) == []
    with pytest.raises(NoAnswer, match="no post is running there; see systemctl status witnesspost@one"):
        ask(tmp_path / "one.sock")


def test_a_socket_left_behind_is_taken_over_and_a_living_one_is_not(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as killed:
        killed.bind(str(tmp_path / "one.sock"))
    with pytest.raises(NoAnswer):
        ask(tmp_path / "one.sock")
    first = Served(tmp_path / "one.sock")
    first.publish(SAID)
    with pytest.raises(SocketTaken, match="another post answers there"):
        Served(tmp_path / "one.sock")
    assert ask(tmp_path / "one.sock") == SAID
    first.stop()


def test_who_asks_and_does_not_read_holds_nobody_up(server):
    server.publish(SAID)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as rude:
        rude.connect(str(server.path))
        for number in range(100):
            server.publish(msgspec.structs.replace(SAID, up_s=float(number)))
        assert ask(server.path).up_s == 99.0


def test_who_asks_and_goes_is_no_harm(server):
    server.publish(SAID)
    for _ in range(20):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as hasty:
            hasty.connect(str(server.path))
    assert ask(server.path) == SAID


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ECONNABORTED])
def test_it_answers_again_after_accept_has_failed(tmp_path, monkeypatch, number):
    failures = iter([OSError(number, os.strerror(number))] * 3)
    accept = socket.socket.accept

    def fails_at_first(self):
        for error in failures:
            raise error
        return accept(self)

    monkeypatch.setattr(socket.socket, "accept", fails_at_first)
    server = Served(tmp_path / "one.sock")
    server.publish(SAID)
    assert ask(server.path) == SAID
    server.stop()
    assert not server._thread.is_alive()


def test_no_rights_names_the_group(server, monkeypatch):
    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    with pytest.raises(NoAnswer, match="no rights to ask; be in the group"):
        ask(server.path)


def test_another_program_on_the_socket(tmp_path):
    path = tmp_path / "one.sock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(path))
        other.listen()
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
            end.connect(str(path))
            answered, _ = other.accept()
            answered.close()
        import threading

        thread = threading.Thread(target=_answer, args=(other,))
        thread.start()
        with pytest.raises(NoAnswer, match="not a post of this version"):
            ask(path)
        thread.join()


def _answer(other):
    asked, _ = other.accept()
    with asked:
        asked.sendall(b'{"post": 3}')


def test_a_screenful():
    assert screenful(SAID) == SCREEN


def test_how_the_offices_link_is():
    link = OfficeStatus(
        broker="broker:8883", up=False, since_s=720.0, waiting=1, error="broker:8883 does not answer", twice=True
    )
    shown = screenful(msgspec.structs.replace(SAID, office=link))
    line = "link down for 12 min, 1 change waits, broker:8883 does not answer, "
    assert f"office            {line}another post has this name: give one of them another post.name" in shown.splitlines()
    assert "office" not in screenful(SAID)


@pytest.mark.parametrize(
    ("systems", "satellites", "restarts", "rows"),
    [
        ("G", 2, 0, ["2 satellites (GPS)", "not restarted since power on"]),
        ("GECJ", 1, 1, ["1 satellite (GPS, Galileo, BeiDou, QZSS)", "restarted once since power on"]),
        ("", 0, 3, ["0 satellites, 0.4 s ago", "restarted 3 times since power on"]),
    ],
)
def test_constellations_and_restarts_are_said_in_words(systems, satellites, restarts, rows):
    epoch = msgspec.structs.replace(SAID.epochs[0], systems=systems, satellites=satellites)
    shown = screenful(msgspec.structs.replace(SAID, epochs=[epoch], restarts=restarts))
    assert [row in shown for row in rows] == [True, True], shown


def test_an_older_check_in_is_not_shown_beside_a_newer_check():
    declared = CheckInStatus(
        point="KQ-2",
        by="Kim",
        ago_s=90.0,
        stood_s=10.0,
        needed_s=10.0,
        hindrance=None,
        outcome="given-up",
        line="KQ-2: no check-in within 60 s: nobody stood still on it",
        ended_ago_s=30.0,
    )
    check = CheckStatus(point="KQ-2", passed=True, ago_s=30.0, utc=None, east_m=0.0, north_m=0.0, up_m=0.0)
    for ago_s, shown in ((300.0, True), (30.0, True), (5.0, False)):
        status = msgspec.structs.replace(SAID, check_in=declared, check=msgspec.structs.replace(check, ago_s=ago_s))
        assert ("30 s ago, KQ-2: no check-in within 60 s" in screenful(status)) is shown


def test_a_pause_is_no_shelving():
    shelve = Shelve(t=0.0, stream="", for_s=300.0, by="Kim")
    by_name = msgspec.structs.replace(shelve, rule="tilt")
    assert [one.rule for one in shelved_status({"sky": shelve, "tilt": by_name}, 1.0)] == ["tilt"]
    alert = msgspec.structs.replace(SAID.alerts[0], shelved=True, silent_left_s=200.0)
    paused = PausedStatus(why="battery", by="Kim", left_s=200.0)
    screen = screenful(msgspec.structs.replace(SAID, alerts=[alert], paused=paused))
    assert "ago, silent for 3 min more." in screen
    assert "for 3 min more by Kim: battery; nothing is raised until then, every byte is logged" in screen


def test_what_is_over_and_what_is_only_held_says_so():
    held = msgspec.structs.replace(SAID.alerts[0], held="back for 12 s; came twice within a minute")
    over = msgspec.structs.replace(SAID.alerts[0], state="normal")
    older = msgspec.structs.replace(over, of_run="kestrel-rover.0041.db")
    text = screenful(msgspec.structs.replace(SAID, state="stop over, not seen", alerts=[held, over, older]))
    assert text.startswith("STOP OVER, NOT SEEN  kestrel-rover (rover), 2026")
    assert "is gone. Raised 12 s ago, back for 12 s; came twice within a minute. (corrections-stopped: port-lost)" in text
    assert "is gone. Over, and nobody has seen it. (corrections-stopped: port-lost)\nover" in text  # without steps
    assert "is gone. Over, and nobody has seen it (kestrel-rover.0041.db). (corrections-stopped: port-lost)" in text


def test_what_stands_beside_a_root_comes_after_what_it_explains():
    root, consequence = SAID.alerts
    beside = msgspec.structs.replace(root, rule="sky", cause="few-satellites", severity="check")
    lines = screenful(msgspec.structs.replace(SAID, alerts=[root, beside, consequence])).splitlines()
    assert [line[:7] for line in lines if line.endswith(")") and "  2026" in line] == ["STOP   ", "  stop ", "CHECK  "]


def test_a_time_that_only_the_system_says_is_about():
    system = dt.datetime(2026, 5, 4, 10, 11, 12, tzinfo=dt.UTC)
    alerts = [msgspec.structs.replace(SAID.alerts[0], since_utc=None)]
    said = msgspec.structs.replace(SAID, utc=None, time_zone=None, alerts=alerts)
    lines = screenful(said, system=system).splitlines()
    assert lines[0] == "STOP  kestrel-rover (rover), about 2026-05-04 10:11:12+00:00"
    assert lines[1].startswith("STOP   about 2026-05-04 10:11:00+00:00  The port")
    assert screenful(said).splitlines()[1].startswith("STOP   +01:06:28  The port")  # nobody knows: the run's own time


@pytest.mark.parametrize("width", [40, 80, 120])
def test_a_screenful_keeps_to_the_width(width):
    lines = screenful(SAID, Look(width)).splitlines()
    assert max(map(len, lines)) <= width
    assert "".join("".join(lines).split()) == "".join(SCREEN.split()) or width == 40  # there a name stands before a colon


def test_a_screenful_of_a_post_that_has_heard_nothing():
    log = LogStatus(
        path=None,
        failed="disk full",
        size_bytes=0,
        raw_bytes=0,
        waiting_bytes=1200,
        lost_bytes=30,
        disk_free_fraction=None,
        disk_left_h=None,
    )
    said = msgspec.structs.replace(
        SAID, epochs=[], fix=None, alerts=[], problems=[], ports=[], utc=None, temperature_c=None, restarts=None, log=log
    )
    text = screenful(said)
    assert "epoch   none yet" in text
    assert "No alerts." in text
    assert "no file, 0 B, 0 B of them raw, CANNOT BE WRITTEN: disk full; 1200 B wait, 30 B lost" in text
    assert "health  nothing known" in text


def test_the_command(server, monkeypatch, tmp_path):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(server.path.parent))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", tmp_path / "none")
    server.publish(SAID)
    site = tmp_path / "site.toml"
    site.write_text('[post]\nname = "kestrel-rover"\nrole = "rover"\n')
    for arguments in ([], ["kestrel-rover"], [str(site)]):
        done = CliRunner().invoke(status, arguments)
        assert (done.exit_code, done.output) == (0, SCREEN + "\n")
    done = CliRunner().invoke(status, ["--json"])
    assert msgspec.json.decode(done.output, type=Status) == SAID


def test_a_socket_that_a_killed_post_left_is_passed_over_where_another_answers(server, monkeypatch, tmp_path):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(server.path.parent))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", tmp_path / "none")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as killed:
        killed.bind(str(server.path.with_name("kestrel-base.sock")))
    done = CliRunner().invoke(status, [])
    assert done.exit_code == 2  # nobody answers: the one is gone, the other only just starting
    assert len(done.output.splitlines()) == 2
    server.publish(SAID)
    done = CliRunner().invoke(status, [])
    assert (done.exit_code, done.output) == (0, SCREEN + "\n")
    done = CliRunner().invoke(status, ["kestrel-base"])
    assert done.exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "no post is running here"),
        (["kestrel-base"], "no post kestrel-base is running here; see systemctl status witnesspost@kestrel-base"),
        (["--post", "kestrel-base"], "no post kestrel-base is running here; see systemctl status"),
        (["kestrel-base", "--post", "kestrel-base"], "--post: kestrel-base names a post already; expected one of the two"),
        (["nonexist.toml"], "nonexist.toml: there is no such file; name a site file, or a post by its post.name"),
        (["sites/kestrel"], "sites/kestrel: there is no such file; name a site file, or a post by its post.name"),
        (["./"], "./: is not a file; name a site file, or a post by its post.name"),
    ],
)
def test_no_post_is_one_line_and_2(monkeypatch, tmp_path, arguments, words):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", tmp_path / "none")
    done = CliRunner().invoke(status, arguments)
    assert done.exit_code == 2
    assert words in done.output
    assert len(done.output.splitlines()) == 1


def test_where_a_socket_goes(monkeypatch):
    from pathlib import Path

    from witnesspost.daemon.host import places

    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert places.run_folder({"RUNTIME_DIRECTORY": "/run/witnesspost:/run/other"}) == Path("/run/witnesspost")
    assert places.run_folder({"XDG_RUNTIME_DIR": "/run/user/1000"}) == Path("/run/user/1000/witnesspost")
    assert places.run_folder({}) is None
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert places.run_folder({}) == Path("/run/witnesspost")


def test_a_socket_that_a_killed_post_left_hides_no_post_of_the_same_name(server, monkeypatch, tmp_path):
    """A service that was killed left its socket in the system's folder; the same post runs in a person's own."""
    system = tmp_path / "system"
    system.mkdir()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as killed:
        killed.bind(str(system / server.path.name))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", system)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(server.path.parent))
    server.publish(SAID)
    done = CliRunner().invoke(status, ["kestrel-rover"])
    assert (done.exit_code, done.output) == (0, SCREEN + "\n")
