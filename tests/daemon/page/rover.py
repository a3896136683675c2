"""A live rover at the Kestrel quarry: `witnesspost watch` as a process, its two lines as ptys that are fed each second."""

import contextlib
import datetime as dt
import signal
import sqlite3
import threading
import time

from witnesspost.daemon.stream.framing import nmea_checksum
from witnesspost.replay.world.rtcm import frame, station
from witnesspost.rules.datum.geodesy import point_at
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import Line, Watch, epoch_frame
from tests.daemon.page.conftest import PIN, free_port
from tests.daemon.view import until
from tests.kestrel import MARKS, TWO_LINES

SITE = (
    """
[post]
name = "kestrel-rover"
role = "rover"
commit_s = 0.5
time_zone = "America/Denver"
"""
    + TWO_LINES
    + """[project]
name = "Kestrel quarry haul road"
frame = "EPSG:6319"
epoch = 2010.0
vertical = "ellipsoidal"
"""
    + MARKS
    + """[base]
occupies = "KQ-1"
station_id = 417
antenna_height_m = 1.843
[rover]
pole_height_m = 2.0
[radio.base]
frequency_mhz = 461.025
protocol = "quarry"
antenna_above_ground_m = 4.0
[radio.rover]
frequency_mhz = 461.025
protocol = "quarry"
antenna_above_ground_m = 2.0
[rules.message-set]
off = true
[rules.sky]
off = true
[rules.corrections-stopped]
on_delay_s = 3.0
[page]
listen = "127.0.0.1:{port}"
pin = "{pin}"
"""
)
BEGAN = dt.datetime(2026, 5, 4, 14, 0, tzinfo=dt.UTC)  # a Monday: 1 day, 14 h and 18 leap seconds into the GPS week
WEEK_SECONDS = 86_400 + 14 * 3600 + 18


def sentence(body: str) -> bytes:
    return b"$%s*%02X\r\n" % (body.encode(), nmea_checksum(body.encode()))


class LiveRover:
    """It stands on KQ-2, fixed, while `corrections` and `positions` are true; the last epoch went out at `epoch_at`."""

    def __init__(self, folder):
        self.folder, self.port = folder, free_port()
        self.lines = [Line(folder / "tty-corrections"), Line(folder / "tty-receiver")]
        text = SITE.format(corrections=self.lines[0].path, receiver=self.lines[1].path, port=self.port, pin=PIN)
        (folder / "site.toml").write_text(text)
        arp = point_at(site_from_toml(text), "KQ-1", 1.843)
        self._place = station(417, arp.x_m, arp.y_m, arp.z_m)
        self.corrections = self.positions = True
        self.epoch_at = 0.0
        self._second, self._age_s = 0, 1.0
        self._ended = threading.Event()
        self.start()
        self._feeder = threading.Thread(target=self._feed)
        self._feeder.start()

    @property
    def address(self):
        return f"http://127.0.0.1:{self.port}"

    def start(self):
        self.watch = Watch(self.folder / "site.toml")
        self.watch.until_said(f"page: {self.address}/")

    def freeze(self, frozen):
        self.watch.process.send_signal(signal.SIGSTOP if frozen else signal.SIGCONT)

    def restart(self):
        assert self.watch.stop() == 0
        self.start()

    def close(self):
        self._ended.set()
        self._feeder.join(10)
        with contextlib.suppress(ProcessLookupError):
            self.freeze(False)
        if self.watch.process.poll() is None:
            self.watch.process.terminate()
            self.watch.process.wait(20)
        for line in self.lines:
            line.unplug()

    def logged(self):
        """The log, as soon as it holds a position that is given after this call, and so all that was told before it."""
        later = f"GNGGA,{self._clock(self._second + 1):%H%M%S}.00".encode()

        path = max(self.folder.glob("log/kestrel-rover.*.db"))
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as log:
            until(lambda: log.execute("SELECT count(*) FROM raw WHERE instr(data, ?)", (later,)).fetchone()[0], 30.0)
        return path

    def _feed(self):
        next_at = time.monotonic()
        while not self._ended.wait(max(0.0, next_at - time.monotonic())):
            next_at += 1.0
            self._second += 1
            self._age_s = 1.0 if self.corrections else self._age_s + 1.0
            if self.corrections:
                self.lines[0].send(
                    epoch_frame(WEEK_SECONDS + self._second) + (frame(self._place) if self._second % 3 == 1 else b"")
                )
                self.epoch_at = time.time()
            if self.positions:
                self.lines[1].send(self._position())

    def _clock(self, second):
        return BEGAN + dt.timedelta(seconds=second)

    def _position(self):
        now = self._clock(self._second)
        clock, day = f"{now:%H%M%S}.00", f"{now:%d%m%y}"
        wander = self._second % 5 - 2  # some millimetres: a position that never moves says how coarsely it is given
        at = f"3907.{527402 + wander},N,10459.{139258 - wander},W"
        gga = f"GNGGA,{clock},{at},4,18,0.7,{1895.1 + wander / 1000:.3f},M,-15.000,M,{self._age_s:.1f},0417"
        rmc = f"GNRMC,{clock},A,{at},0.0,0.0,{day},,,R"
        return sentence(gga) + sentence(f"GNGST,{clock},1,0.01,0.01,0,0.008,0.008,0.015") + sentence(rmc)
