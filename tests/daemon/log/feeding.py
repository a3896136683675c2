"""A log that is fed, and what it and its files hold then."""

import contextlib
import datetime as dt
import shutil
import sqlite3

import msgspec
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify
from witnesspost.rules.facts import Fix
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.view import CHANGE
from tests.kestrel import TWO_LINES

SITE = f"""
[post]
name = "kestrel-base"
role = "base"
commit_s = 5.0
keep_days = 30
{TWO_LINES.format(corrections="loop://", receiver="loop://receiver")}"""
KEYS = (
    *("post", "run", "alert", "seq", "t", "utc", "change", "rule", "cause", "causes", "severity", "stream", "because_of"),
    *("evidence", "say", "steps", "shelved"),
)
"""What each change says as JSON, to programs and to the office, in its order."""
BEGAN = dt.datetime(2026, 5, 4, 7, 30, tzinfo=dt.UTC)
FIRST, SECOND = "kestrel-base.0001.db", "kestrel-base.0002.db"


def start(folder, **more):
    return Log.start(folder, site_from_toml(SITE), SITE, **more)


def change(t, alert=1, what="raised"):
    return msgspec.structs.replace(CHANGE, t=t, change=what, words={"reason": "unplugged"}, role="rover", alert=alert)


class Feeder:
    """Numbered chunks, five a second, and a tick after each; remembers everything."""

    def __init__(self, log, size=100):
        self.log = log
        self.size = size
        self.fed = []

    def feed(self, from_t, to_t):
        for number in range(round(from_t * 5), round(to_t * 5)):
            t = number / 5
            data = b"%07d " % number * (self.size // 8)
            stream = ("corrections", "receiver")[number % 2]
            self.fed.append((t, stream, data))
            self.log.chunk(t, stream, data)
            self.log.tick(t)


def stored(*paths):
    """What the logs hold, one after the other; each verified."""
    found = []
    for path in paths:
        with LogFile.open(path) as log:
            assert verify(log).sound
            found += log.inputs()
    return found


def events(path):
    with contextlib.closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT kind, stream, t, detail FROM event WHERE input = 0 ORDER BY n").fetchall()


def kinds(path):
    return [kind for kind, *_ in events(path)]


def crash_image(folder, to):
    """The folder as a power cut at this moment would leave it."""
    shutil.copytree(folder, to)
    for path in to.glob("*-shm"):
        path.unlink()
    return to


def fix(t, quality=7, satellites=14):
    place = {"latitude": 39.1234567, "longitude": -104.9876543, "height_m": 1876.165, "separation_m": -16.005}
    more = {"satellites": satellites, "hdop": 0.5, "age_s": None, "station_id": None}
    return Fix(t=t, stream="receiver", time_s=t, quality=quality, **place, **more)
