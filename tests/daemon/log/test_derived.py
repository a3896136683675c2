"""The tables that follow from the bytes, against the bytes read apart: no row is missing, none is made up."""

import contextlib
import re
import sqlite3
from itertools import pairwise

import pytest
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline

from tests.bench import streams

LASTS_S = 60.0
GGA = re.compile(
    rb"\$G.GGA,(\d\d)(\d\d)(\d\d(?:\.\d+)?),(\d\d)([\d.]+),([NS]),(\d{3})([\d.]+),([EW]),(\d),(\d+),([\d.]*),(-?[\d.]+),M,"
    rb"(-?[\d.]+),M,([\d.]*),(\d*)\*"
)


def positions(data):
    """Every GGA of a stream, by its fields' places in NMEA 0183 alone: (UTC seconds, quality, latitude, longitude, height,
    age, station)."""
    for match in GGA.finditer(data):
        h, m, s, lat, lat_min, ns, lon, lon_min, ew, quality, _, _, height_m, _, age_s, station = match.groups()
        yield (
            int(h) * 3600 + int(m) * 60 + float(s),
            int(quality),
            pytest.approx((int(lat) + float(lat_min) / 60) * (1 if ns == b"N" else -1), abs=1e-10),
            pytest.approx((int(lon) + float(lon_min) / 60) * (1 if ew == b"E" else -1), abs=1e-10),
            float(height_m),
            float(age_s) if age_s else None,
            int(station) if station else None,
        )


@pytest.fixture(scope="module", params=["base", "rover"])
def logged(request, tmp_path_factory):
    """A minute of the bench's base or its 10 Hz rover, through the pipeline: (name, bytes by stream, the log)."""
    folder = tmp_path_factory.mktemp("log")
    site = streams.site(request.param)
    log = Log.start(folder, site, "")
    pipeline = Pipeline(site, log)
    data = {stream.name: b"" for stream in site.stream}
    for chunk in streams.chunks(request.param, LASTS_S):
        pipeline.feed(chunk.t, chunk.stream, chunk.data)
        data[chunk.stream] += chunk.data
        log.tick(chunk.t)
    pipeline.end()
    log.close(pipeline.t, "stopped")
    (path,) = folder.glob("*.db")
    with contextlib.closing(sqlite3.connect(path)) as connection:
        yield request.param, data, connection


def test_each_second_of_a_rover_and_each_change_has_its_row_and_a_base_one_in_five_seconds(logged):
    name, data, log = logged
    said = list(positions(data["receiver"]))
    names = "time_s, quality, latitude, longitude, height_m, age_s, station_id"
    rows = log.execute(f"SELECT {names} FROM fix ORDER BY rowid").fetchall()
    assert len(said) == {"base": 60, "rover": 600}[name]
    if name == "rover":
        firsts = {int(one[0]): one for one in reversed(said)}  # of each second the first
        changes = [
            index for index, (one, next_one) in enumerate(pairwise(said)) if (one[1], one[6]) != (next_one[1], next_one[6])
        ]
        expected = [*firsts.values(), *(said[i] for i in changes), *(said[i + 1] for i in changes), said[-1]]
        assert rows == sorted({one[0]: one for one in expected}.values(), key=lambda one: one[0])
        return
    # A base repeats itself: what is left out says what the row before it says, and is no more than five seconds from it.
    assert rows[0] == said[0]
    assert rows[-1][1:] == said[-1][1:]
    times = [row[0] for row in rows]
    assert all(0 < later - earlier <= 5.0 for earlier, later in pairwise(times))
    ((minutes,),) = log.execute("SELECT minutes FROM fix_minutes").fetchall()
    assert minutes == pytest.approx(59 / 60, abs=0.01)
    by_time = {row[0]: row for row in rows}
    last = rows[0]
    for one in said:
        last = by_time.get(one[0], last)
        assert last[1:] == one[1:]


def test_the_traffic_is_every_byte_of_every_stream(logged):
    _, data, log = logged
    for stream, came in data.items():
        assert log.execute("SELECT sum(bytes) FROM traffic WHERE stream = ?", (stream,)).fetchone() == (len(came),)
    counted = log.execute("SELECT sum(frames) FROM traffic WHERE message = 'GGA'").fetchone()
    assert counted == (len(list(positions(data["receiver"]))),)


def test_each_base_has_its_row(logged):
    _, data, log = logged
    assert b"\xd3" in data["corrections"]
    assert log.execute("SELECT DISTINCT message, station_id FROM station ORDER BY message").fetchall() == [
        ("1005", 417),
        ("1033", 417),
    ]
