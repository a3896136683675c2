"""Whole columns of times, held against the standard library one by one."""

import datetime as dt
import zoneinfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.replay.office.archive.clock import WallClock

ZONES = ("UTC", "America/Denver", "Australia/Lord_Howe", "Pacific/Kiritimati", "Asia/Kathmandu", "America/St_Johns")
EARLY, LATE = dt.datetime(1980, 1, 6), dt.datetime(2100, 1, 1)


class Log:
    """What the clock asks of a log."""

    def __init__(self, anchors, zone):
        self.anchors = sorted((t, dt.datetime.fromisoformat(utc), source) for t, utc, source in anchors)
        self.zone = zoneinfo.ZoneInfo(zone)


anchors = st.lists(
    st.tuples(
        st.integers(0, 200_000).map(lambda ms: ms / 1000),
        st.datetimes(EARLY, LATE).map(lambda utc: utc.isoformat(timespec="milliseconds") + "Z"),
        st.sampled_from(["RMC", "MSM, week by the system clock"]),
    ),
    max_size=5,
    unique_by=lambda anchor: anchor[0],
)


@given(anchors, st.lists(st.integers(0, 400_000).map(lambda ms: ms / 1000), max_size=20), st.sampled_from(ZONES))
def test_times_are_those_of_the_anchor_before_or_else_the_first(anchors, t, zone):
    times = WallClock(Log(anchors, zone)).times(np.array(t, float))
    assert len(times.utc) == len(times.local) == len(times.about) == len(t)
    for at, utc, local, about in zip(t, times.utc.tolist(), times.local.tolist(), times.about.tolist(), strict=True):
        if not anchors:
            assert (utc, local, about) == (None, None, False)
            continue
        before = [one for one in anchors if one[0] <= at]
        t_0, said, source = max(before) if before else min(anchors)
        wanted = dt.datetime.fromisoformat(said) + dt.timedelta(milliseconds=round((at - t_0) * 1000))
        assert utc == wanted.replace(tzinfo=None)
        assert local == wanted.astimezone(zoneinfo.ZoneInfo(zone)).replace(tzinfo=None)
        assert about == source.startswith("MSM")


def test_at_the_calendars_end_there_is_still_a_time():
    log = Log([(0.0, "9999-12-31T23:59:59.000Z", "RMC")], "America/Denver")
    times = WallClock(log).times(np.array([0.0, 1e6]))
    assert str(times.utc[0]) == "9999-12-31T23:59:59.000"
    assert times.local[1] > times.utc[0]
