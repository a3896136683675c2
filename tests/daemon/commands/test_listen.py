"""`witnesspost listen` on real ends: a pty, a TCP source, a port in use, one that is silent, NMEA alone, binary alone."""

import contextlib
import fcntl
import json
import os
import socket
import termios
import threading
import tty
from pathlib import Path

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.commands import listen as command
from witnesspost.rules.book.contents import open_site
from witnesspost.rules.datum.geodesy import point_at
from witnesspost.rules.site.reading import site_from_toml

from tests.kestrel import MARKS

DATA = Path(__file__).parents[2] / "data"
STATION, MIXED, NMEA = (DATA / name for name in ("rtcm-station.bin", "mixed.bin", "nmea.txt"))


def call(*words):
    return CliRunner().invoke(main, ["listen", *words], catch_exceptions=False)


@pytest.fixture(autouse=True)
def sooner(monkeypatch):
    """Seconds are enough for ends that speak ten times a second."""
    whole = command.listened

    def short(name, open_port, bauds, **other):
        return whole(name, open_port, bauds, try_s=0.3, silent_s=0.6, **other)

    monkeypatch.setattr(command, "listened", short)


@contextlib.contextmanager
def speaking(send, data):
    """Another thread sends `data` ten times a second."""
    ended = threading.Event()

    def speak():
        while not ended.wait(0.1):
            with contextlib.suppress(OSError):
                send(data)

    thread = threading.Thread(target=speak)
    thread.start()
    yield
    ended.set()
    thread.join()


@pytest.fixture
def pty():
    ours, theirs = os.openpty()
    tty.setraw(ours)
    os.set_blocking(ours, False)
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def test_a_pty_with_everything(pty):
    ours, name = pty
    with speaking(lambda data: os.write(ours, data), MIXED.read_bytes()[:3000]):
        done = call(name, "--for", "1")
    assert done.exit_code == 0
    first, *rest = done.stdout.splitlines()
    assert first.startswith(f"{name}: ")
    assert first.endswith(" at 115200 baud")  # a pty takes any speed: the first that is tried
    assert any(line.startswith("  messages in 1 s: ") for line in rest)


def test_a_tcp_source_has_no_speed():
    with socket.create_server(("127.0.0.1", 0)) as server:
        accepted = []
        threading.Thread(target=lambda: accepted.append(server.accept()[0]), daemon=True).start()
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        with speaking(lambda data: accepted[0].sendall(data) if accepted else None, STATION.read_bytes()):
            done = call(url, "--for", "1", "--json")
    for end in accepted:
        end.close()
    told = json.loads(done.stdout)
    assert (done.exit_code, told["baud"], told["port"]) == (0, 0, url)
    assert told["messages"]["1005"] >= 1


def test_nmea_alone(pty):
    ours, name = pty
    with speaking(lambda data: os.write(ours, data), NMEA.read_bytes()):
        done = call(name, "--for", "1")
    assert done.exit_code == 0
    assert "  receiver: " in done.stdout
    assert "station" not in done.stdout


def test_binary_alone_is_said_to_be_unknown(pty):
    ours, name = pty
    with speaking(lambda data: os.write(ours, data), bytes(range(37)) * 8):
        done = call(name, "--for", "1")
    assert done.exit_code == 1
    assert "nothing among them is known here" in done.stdout
    assert "--baud" in done.stdout


def test_a_silent_port_says_so_and_what_to_look_at(pty):
    done = call(pty[1], "--for", "1")
    assert (done.exit_code, done.stderr) == (1, "")
    assert done.stdout == f"{pty[1]}: silent: nothing came. Is the cable in, and is the other end switched on?\n"


def test_a_port_in_use_is_left_alone(pty):
    _, name = pty
    with open(name, "rb", buffering=0) as holder:
        fcntl.ioctl(holder, termios.TIOCEXCL)
        fcntl.flock(holder, fcntl.LOCK_EX)
        if os.geteuid() == 0:  # root is not kept out by TIOCEXCL, but by the lock that pyserial takes
            fcntl.ioctl(holder, termios.TIOCNXCL)
        done = call(name, "--for", "1")
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == f"{name}: in use by another program; a post that watches it must be stopped first\n"


@pytest.mark.parametrize("name", ["/dev/ttyKESTREL", "/dev/null", "socket://127.0.0.1:1", "nonsense"])
def test_what_is_no_port_is_one_line_and_2(name):
    done = call(name)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.startswith(f"{name}: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("socket://kestrel.invalid:2101", "no computer of this name is found"),  # RFC 6761: no such name ever is
        ("rfc2217://kestrel.invalid:2101", "no computer of this name is found"),
        ("socket://127.0.0.1", "names no TCP port; expected socket://HOST:PORT"),
        ("socket://", "names no TCP port; expected socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "names no TCP port; expected socket://HOST:PORT"),
        ("rfc2217://127.0.0.1:rtcm", "names no TCP port; expected rfc2217://HOST:PORT"),
        ("tcp://127.0.0.1:2101", "is no kind of port; expected a device such as /dev/ttyUSB0 or socket://HOST:PORT"),
        ("/dev/ttyKESTREL", "not there; is it plugged in, and is this its name?"),
    ],
)
def test_no_librarys_words_show_through(name, why):
    done = call(name)
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == f"{name}: {why}\n"


def test_a_site_file_that_cannot_be_begun_is_told_before_the_listening(pty, tmp_path):
    there = tmp_path / "kestrel.toml"
    there.write_text("")
    done = call(pty[1], "--write", str(there))  # silent: listening says so
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr == f"{there}: exists; name a file that does not exist\n"


def test_two_ports_at_once_and_one_that_is_not_there(pty):
    ours, name = pty
    with speaking(lambda data: os.write(ours, data), NMEA.read_bytes()):
        done = call(name, "/dev/ttyKESTREL", "--for", "1")
    assert done.exit_code == 2
    assert done.stdout.startswith(f"{name}: ")
    assert done.stderr == "/dev/ttyKESTREL: not there; is it plugged in, and is this its name?\n"


SITE = f"""
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
carries = ["corrections"]
[base]
occupies = "KQ-1"
antenna_height_m = 1.843
[project]
frame = "EPSG:6319"
vertical = "ellipsoidal"
{MARKS}"""


def kestrel(point, height_m):
    """A 1006 of station 417 whose antenna is so high over the point."""
    from witnesspost.replay.world import rtcm

    x, y, z = point_at(site_from_toml(SITE), point, height_m).ecef
    return rtcm.frame(rtcm.station(417, x, y, z, height_m)) + rtcm.frame(rtcm.antenna(417, "KESTREL-A1      NONE"))


def test_the_station_its_coordinate_and_the_nearest_mark(pty, tmp_path):
    ours, name = pty
    site = tmp_path / "site.toml"
    site.write_text(SITE)
    with speaking(lambda data: os.write(ours, data), kestrel("KQ-2", 1.5)):
        done = call(name, "--for", "1", "--site", str(site))
    said = done.stdout
    assert "station 417: 0 sets of observations, its antenna at 39.1254567" in said
    assert "0.000 m from KQ-2 (+0.000 m up, 1.500 m above the mark taken off)" in said
    assert "antenna KESTREL-A1      NONE" in said


def test_a_site_file_begun_from_what_came_can_be_read(pty, tmp_path):
    ours, name = pty
    site = tmp_path / "new.toml"
    with speaking(lambda data: os.write(ours, data), kestrel("KQ-1", 1.843) + NMEA.read_bytes()):
        done = call(name, "--for", "1", "--write", str(site))
    assert done.exit_code == 0
    read = open_site(site)
    (stream,) = read.stream
    assert (stream.port, stream.baud, stream.carries) == (name, 115200, ["corrections", "positions"])
    assert (read.base.station_id, read.base.antenna_height_m, read.base.antenna) == (417, 1.843, "KESTREL-A1      NONE")
    before = site.read_text()
    with speaking(lambda data: os.write(ours, data), NMEA.read_bytes()):
        again = call(name, "--for", "1", "--write", str(site))
    assert again.exit_code == 2
    assert site.read_text() == before
