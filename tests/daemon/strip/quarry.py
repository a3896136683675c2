"""A working day at the Kestrel quarry, written row by row: what was when is known here, not taken from the code under test.

07:00 the post starts   07:03 fixed   09:12 check-in on KQ-2, said again 20 s later   10:30–10:36 float
11:05–11:21 no corrections (a stop)   12:00–12:30 power off (the battery)   12:30 a second run
14:20–14:24 few satellites (a check)   15:10 a check-in that fails
"""

import contextlib
import datetime as dt
import json
import sqlite3

from witnesspost.daemon.log import rows, schema
from witnesspost.daemon.log.blocks import OpenBlock
from witnesspost.daemon.log.rows import AlertRow, ClockRow, EventRow, FixRow, RawRow, RunRow, StreamRow, TrafficRow

MORNING = dt.datetime(2026, 5, 4, 13, 0, tzinfo=dt.UTC)  # 07:00 in Denver
SITE = '[post]\nname = "kestrel-rover"\nrole = "rover"\ntime_zone = "America/Denver"\n'
_STOP = "No corrections for 16 min: the line brings no bytes."


def seconds(clock: str) -> float:
    """From 07:00 local."""
    hour, minute = clock.split(":")
    return (int(hour) - 7) * 3600.0 + int(minute) * 60.0


def write_day(folder, role="rover", clock=True):
    """The day's two logs; gives their paths, oldest first."""
    paths = [folder / "kestrel-rover.0001.db", folder / "kestrel-rover.0002.db"]
    _write(paths[0], 1, role, clock, "07:00", "12:00")
    _write(paths[1], 2, role, clock, "12:30", "16:10")
    return paths


def _write(path, number, role, clock, begins, ends):
    run = RunRow(
        number=number, name="kestrel-rover", role=role, begun_at_t=0.0, system_utc="", boot="", site_toml=SITE, site_path="",
        grids="[]", program="", sqlite="", previous_file=None,
    )  # fmt: skip
    begun, last = seconds(begins), seconds(ends) - seconds(begins)
    streams = [
        StreamRow(name="corrections", port="", baud=38400, carries="corrections"),
        StreamRow(name="receiver", port="", baud=38400, carries="positions"),
    ]
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        schema.build(connection, run, streams)
        connection.execute("BEGIN")
        if clock:
            utc = (MORNING + dt.timedelta(seconds=begun)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            rows.insert(connection, [ClockRow(t=0.0, utc=utc, source="RMC", stream="receiver", spread_s=0.0)])
        rows.insert(connection, [_fix(t, t + begun) for t in range(0, int(last), 5)])
        rows.insert(connection, [_traffic(t) for t in range(0, int(last), 10) if not _silent(t + begun)])
        for row in _rows():
            if begun <= row.t < begun + last:
                row.t -= begun
                rows.insert(connection, [row])
        rows.insert(connection, [_raw(900, "corrections", last), _raw(901, "receiver", last)])
        connection.execute("COMMIT")


def _fix(t, at):
    quality = 1 if at < seconds("07:03") else 5 if seconds("10:30") <= at < seconds("10:36") else 4
    age_s = 1.0
    if _silent(at):
        quality, age_s = (4, at - seconds("11:05")) if at < seconds("11:06") else (1, None)
    if quality == 1:
        age_s = None
    return FixRow(
        t=float(t), stream="receiver", time_s=None, quality=quality, latitude=39.1, longitude=-104.9, height_m=1800.0,
        separation_m=None, satellites=14, hdop=0.8, age_s=age_s, station_id=417, sigma_east_m=None,
        sigma_north_m=None, sigma_up_m=None,
    )  # fmt: skip


def _traffic(t):
    return TrafficRow(t=float(t), stream="corrections", message="1077", station=417, frames=10, bytes=4000, bad=0)


def _silent(at):
    return seconds("11:05") <= at < seconds("11:21")


def _raw(n, stream, t_last):
    """Of all bytes the first and the last."""
    block = OpenBlock()
    block.chunks += [(0, n, b"first"), (round(t_last * 1000), n, b"last")]
    return RawRow(
        n=n, stream=stream, t=0.0, t_last=t_last, chunks=2, pause_t=None, pause_s=None, data=block.data(), times=block.times(),
        digest=b"",
    )  # fmt: skip


def _rows():
    """Alerts, checks, and what a person said."""
    alert = {"causes": "[]", "shelved": 0, "words": "{}", "because_of": None, "evidence": "{}", "steps": "[]", "utc": None}
    stop = {
        **alert,
        "rule": "corrections-stopped",
        "cause": "line-silent",
        "stream": "corrections",
        "alert": 1,
        "say": _STOP,
        "evidence": '{"silent_s": 960}',
    }
    lost = {**alert, "rule": "fix-lost", "cause": "autonomous", "stream": "receiver", "alert": 2, "say": "No fix."}
    sky = {**alert, "rule": "sky", "cause": "few-satellites", "stream": "receiver", "alert": 3, "say": "Only 5 satellites."}
    check = {"tolerance_horizontal_m": 0.03, "tolerance_vertical_m": 0.05, "stood_s": 10.0}
    good = {**check, "point": "KQ-2", "passed": True, "east_m": 0.004, "north_m": 0.0, "up_m": -0.003}
    bad = {**check, "point": "KQ-3", "passed": False, "east_m": 0.004, "north_m": 0.012, "up_m": -0.3}
    yield _event(1, "09:12", "control-check", good)
    yield EventRow(
        n=10, t=seconds("09:12") + 20.0, kind="control-check", detail=json.dumps({**good, "again": True}), digest=b""
    )
    yield AlertRow(n=2, t=seconds("11:05"), change="raised", severity="stop", **stop)
    yield AlertRow(n=3, t=seconds("11:06"), change="raised", severity="check", **{**lost, "because_of": "corrections-stopped"})
    yield _event(4, "11:07", "acknowledge", {"rule": None, "by": "Kim", "note": None})
    yield AlertRow(n=5, t=seconds("11:21"), change="cleared", severity="stop", **stop)
    yield AlertRow(n=6, t=seconds("11:21"), change="cleared", severity="check", **lost)
    yield AlertRow(n=7, t=seconds("14:20"), change="raised", severity="check", **sky)
    yield AlertRow(n=8, t=seconds("14:24"), change="cleared", severity="check", **sky)
    yield _event(9, "15:10", "control-check", bad)


def _event(n, at, kind, detail):
    return EventRow(n=n, t=seconds(at), kind=kind, detail=json.dumps(detail), digest=b"")
