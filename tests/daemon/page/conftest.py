"""The page of a post that moves only when a test says so, on a real socket; and a browser that speaks plain bytes."""

import contextlib
import datetime as dt
import re
import socket
import sqlite3
import urllib.parse
from http.client import HTTPException, HTTPResponse

import msgspec
import pytest
from witnesspost.daemon.commands.watch import write_running_bundle
from witnesspost.daemon.page.gate import Gate
from witnesspost.daemon.page.page import Page
from witnesspost.daemon.status.snapshot import AlertStatus, Status
from witnesspost.daemon.status.told import SetUpStatus
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.strip.quarry import write_day
from tests.daemon.view import LOG, View, until
from tests.kestrel import MARKS, TWO_LINES

PIN = "418820"
PLACES = ("/", "/check-in", "/today", "/day", "/radio", "/files", "/help")
"""All tabs: what `test_tabs` finds in the page's own navigation."""
SITE = (
    """
[post]
name = "kestrel-rover"
role = "rover"
time_zone = "America/Denver"
"""
    + TWO_LINES.format(corrections="/dev/ttyKESTREL", receiver="/dev/ttyROVER")
    + """[project]
vertical = "ellipsoidal"
"""
    + MARKS
    + """[base]
occupies = "KQ-1"
antenna_height_m = 1.843
[radio.base]
frequency_mhz = 461.025
protocol = "quarry"
antenna_above_ground_m = 4.0
[radio.rover]
frequency_mhz = 461.05
protocol = "quarry"
antenna_above_ground_m = 2.0
[page]
listen = "127.0.0.1:{port}"
"""
)
ALERT = AlertStatus(
    number=1,
    rule="corrections-stopped",
    cause="line-silent",
    severity="stop",
    stream="corrections",
    state="raised",
    for_s=34.0,
    since_utc="2026-05-04T20:02:31Z",
    because_of=None,
    shelved=False,
    say="Corrections have stopped: nothing has come for 34 s <&>.",
    steps=["Store no points.", 'Is the radio\'s "RX" lamp blinking?', "Is the antenna fitted?"],
)
STATUS = Status(
    post="kestrel-rover",
    role="rover",
    site="site.toml",
    pid=1,
    up_s=100.0,
    utc="2026-05-04T20:03:05Z",
    clock_source="receiver",
    state="well",
    time_zone="America/Denver",
    restarts=None,
    temperature_c=None,
    ports=[],
    epochs=[],
    fix=None,
    base_check="",
    set_up=SetUpStatus(planned=True, point="KQ-1", antenna_height_m=1.843, pole_height_m=2.0),
    ready=["ports open"],
    missing=["no check-in since the post started"],
    alerts=[],
    log=LOG,
    problems=[],
)


def free_port():
    with socket.socket() as end:
        end.bind(("127.0.0.1", 0))
        return end.getsockname()[1]


class Answer:
    """An answer: its status, headers and text; `line` is what the page says to a form."""

    def __init__(self, response, body):
        self.status = response.status
        self.headers = response.headers
        self.body = body

    @property
    def text(self):
        """Without the no-break spaces between figures and their units: `body` has them."""
        return self.body.decode().replace("\N{NO-BREAK SPACE}", " ")

    @property
    def line(self):
        found = re.search(r'<p class="said[^>]*>(.*?)</p>', self.text)
        return found and found[1]

    @property
    def token(self):
        return re.search(r'name="token" value="([^"]+)"', self.text)[1]


class Browser:
    """Keeps one cookie, and says an Origin with each form; from an address of its own."""

    def __init__(self, port, address="127.0.0.1"):
        self.port, self.address = port, address
        self.cookie = None

    def connect(self):
        end = socket.socket()
        end.bind((self.address, 0))
        end.settimeout(30)
        end.connect(("127.0.0.1", self.port))
        return end

    def raw(self, *pieces):
        """The answer to these bytes; None where there is none."""
        with self.connect() as end:
            for piece in pieces:
                end.sendall(piece)
            response = HTTPResponse(end, method=pieces[0].partition(b" ")[0].decode("latin-1"))
            try:
                response.begin()
                body = response.read()
            except (OSError, HTTPException):
                return None
        answer = Answer(response, body)
        if "Set-Cookie" in response.headers:
            self.cookie = response.headers["Set-Cookie"].partition(";")[0].partition("=")[2] or None
        return answer

    def head(self, method, path, **headers):
        lines = {"Host": f"127.0.0.1:{self.port}"}
        if self.cookie:
            lines["Cookie"] = f"other=1; witnesspost-{self.port}={self.cookie}"
        lines |= {name.replace("_", "-"): value for name, value in headers.items() if value is not None}
        text = "".join(f"{name}: {value}\r\n" for name, value in lines.items() if value is not None)
        return f"{method} {path} HTTP/1.1\r\n{text}\r\n".encode()

    def get(self, path, **headers):
        return self.raw(self.head("GET", path, **headers))

    def send(self, path, **fields):
        """A form of that tab, filled in and sent."""
        return self.post(path, token=self.get(path).token, **fields)

    def post(self, path, body=None, *, origin="", content_type="application/x-www-form-urlencoded", **fields):
        body = urllib.parse.urlencode(fields).encode() if body is None else body
        origin = f"http://127.0.0.1:{self.port}" if origin == "" else origin
        head = self.head("POST", path, Origin=origin, Content_Type=content_type, Content_Length=str(len(body)))
        return self.raw(head + body)

    def enter(self, pin=PIN):
        return self.post("/pin", token=self.get("/").token, pin=pin)


class Served:
    """A page that is served."""

    def __init__(self, pin=PIN, more="", language="en"):
        self.port = free_port()
        site = SITE.format(port=self.port).replace("[post]\n", f'[post]\nlanguage = "{language}"\n')
        self.site = site_from_toml(site + (f'pin = "{pin}"\n' if pin else "") + more)
        self.view = View()
        self.view.site = self.site
        self.view.t = 100.0
        self.stands()
        self.gate = Gate(pin)
        self.page = Page(self.site, self.site.page, self.gate, write_running_bundle)
        self.page.start(self.view)
        until(lambda: self.view.lines)

    def stands(self, *alerts, shown="well"):
        """These alerts are what stands."""
        self.view.status = msgspec.structs.replace(STATUS, alerts=list(alerts), up_s=self.view.t)
        self.view.beats(shown=shown, silent=False, utc=dt.datetime.fromisoformat(STATUS.utc))

    def browser(self, address="127.0.0.1"):
        return Browser(self.port, address)

    def inside(self, address="127.0.0.1"):
        browser = self.browser(address)
        assert browser.enter().status == 303
        return browser


@pytest.fixture
def served():
    one = Served()
    yield one
    one.page.turn(0.0)
    one.page.stop()
    assert not one.page._thread.is_alive()


def events(end):
    """What news come on this connection, one after the other."""
    file = end.makefile("rb")
    for line in file:
        if line.startswith(b"data: "):
            yield line[6:].decode()


@pytest.fixture
def day(served, tmp_path):
    """A post in whose folder lie yesterday's log and the running one."""
    served.paths = write_day(tmp_path)
    with contextlib.closing(sqlite3.connect(served.paths[1])) as running:  # as a service that writes leaves it
        running.execute("PRAGMA wal_autocheckpoint = 0")
        running.execute("PRAGMA journal_mode = WAL")
        running.execute("UPDATE run SET boot = boot")
        running.commit()
        served.view.beats(log=msgspec.structs.replace(LOG, path=str(served.paths[1])))
        yield served
