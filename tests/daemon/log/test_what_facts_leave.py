"""The rows that facts leave: clock anchors, positions, traffic in bins."""

import datetime as dt
from types import SimpleNamespace

import msgspec
import pytest
import witnesspost.daemon.log.log
import witnesspost.daemon.log.room
from witnesspost.daemon.log.derived import DerivedRows
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import ClockRow, FixRow, TrafficRow
from witnesspost.rules.facts import Epoch, Traffic, Utc

from tests.daemon.log.feeding import BEGAN, FIRST, Feeder, events, fix, start, stored


def said(rows, late_s, from_t=0.0, to_t=200.0, jump_s=0.0):
    for number in range(round(from_t * 5), round(to_t * 5)):
        t = number / 5
        late = late_s[number % len(late_s)]
        utc = BEGAN + dt.timedelta(seconds=t - late + jump_s)
        rows.see(Utc(t=t, stream="receiver", utc=utc, source="RMC"))


def test_the_promptest_word_of_a_minute_is_the_anchor_and_the_rest_its_spread():
    rows = DerivedRows()
    said(rows, [0.3, 0.05, 0.2])
    clock = rows.complete(200.0, end=True)[ClockRow]
    assert len(clock) == 5  # five seconds, three minutes, and the rest
    for anchor in clock:
        offset = (dt.datetime.fromisoformat(anchor.utc) - BEGAN).total_seconds() - anchor.t
        assert (round(offset, 3), anchor.source, anchor.stream, anchor.spread_s) == (-0.05, "RMC", "receiver", 0.25)


def test_a_receiver_whose_time_jumps_gets_an_anchor_at_once():
    rows = DerivedRows()
    said(rows, [0.1], 0.0, 30.0)
    said(rows, [0.1], 30.0, 40.0, jump_s=18.0)  # the leap seconds came in
    clock = rows.complete(40.0, end=True)[ClockRow]
    assert [(anchor.t, anchor.utc) for anchor in clock] == [
        (0.0, "2026-05-04T07:29:59.900Z"),
        (5.0, "2026-05-04T07:30:04.900Z"),
        (30.0, "2026-05-04T07:30:47.900Z"),
    ]


@pytest.mark.parametrize("year", [1, 9999])
def test_a_year_that_cannot_be_is_no_harm(tmp_path, year):
    log = start(tmp_path)
    log.chunk(0.0, "receiver", b"raw")
    log.fact(Utc(t=0.0, stream="receiver", utc=dt.datetime(year, 12, 31, 23, 59, 59, 250_000, dt.UTC), source="ZDA"))
    log.tick(1.0)
    assert log._derived.utc_at(1e12) is None
    log.close(600.0, "stopped")
    with LogFile.open(tmp_path / FIRST) as read:
        assert read.utc_at(0.0) == dt.datetime(year, 12, 31, 23, 59, 59, 250_000, dt.UTC)
        assert read.utc_at(-1e12) is read.utc_at(1e12) is None


def test_a_system_clock_that_is_set_is_recorded_and_harmless(tmp_path, monkeypatch):
    clock = SimpleNamespace(time=lambda: 30.0, monotonic=lambda: 30.0)  # 1970: a board without a battery
    monkeypatch.setattr(witnesspost.daemon.log.log, "time", clock)
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 20)
    clock.time = lambda: 1_777_900_030.0
    feeder.feed(20, 40)
    log.close(40.0, "stopped")
    assert stored(tmp_path / FIRST) == feeder.fed
    (step,) = [row for row in events(tmp_path / FIRST) if row[0] == "system-clock-stepped"]
    assert '"by_s":1777900000.0' in step[3]
    assert 20.0 <= step[2] <= 25.0


def epoch(t, time_s):
    counts = {"satellites": 9, "cells": 18, "size_bytes": 300}
    return Epoch(t=t, stream="corrections", station_id=417, time_s=time_s, systems="G", messages=(1077,), **counts)


@pytest.mark.parametrize(
    ("system", "expected"),
    [
        (BEGAN, [(0.0, "2026-05-04T07:29:59.500Z", "MSM, week by the system clock")]),
        (BEGAN + dt.timedelta(days=3, hours=11), [(0.0, "2026-05-04T07:29:59.500Z", "MSM, week by the system clock")]),
        (dt.datetime(1970, 1, 1, tzinfo=dt.UTC), []),  # a board without a battery
    ],
)
def test_observations_date_a_log_that_no_receiver_dates(system, expected):
    # 2026-05-04 was a Monday: GPS time of week is a day, 7:30, and 18 leap seconds
    time_s = 86400 + 7.5 * 3600 + 18 - 0.5
    rows = DerivedRows(lambda: system)
    rows.see(epoch(0.0, time_s))
    rows.see(epoch(1.0, None))
    assert [(row.t, row.utc, row.source) for row in rows.complete(10.0, end=True).get(ClockRow, [])] == expected


def test_a_receiver_that_says_the_date_is_believed_over_the_system_clock():
    rows = DerivedRows(lambda: dt.datetime(2031, 1, 1, tzinfo=dt.UTC))
    said(rows, [0.1], 0.0, 2.0)
    rows.see(epoch(2.0, 1000.0))
    assert [row.source for row in rows.complete(10.0, end=True)[ClockRow]] == ["RMC"]


def fixes(rows, facts):
    for fact in facts:
        rows.see(fact)
    return [row.t for row in rows.complete(1e6, end=True)[FixRow]]


def test_a_base_that_says_the_same_is_written_every_five_seconds_and_at_its_end():
    seconds = [float(t) for t in range(13)]
    assert fixes(DerivedRows(at_base=True), map(fix, seconds)) == [0, 5, 10, 12]
    assert fixes(DerivedRows(), map(fix, seconds)) == seconds


def test_of_a_rovers_many_positions_a_second_the_first_is_written_and_each_change():
    tenths = [round(0.1 * n, 1) for n in range(36)]
    assert fixes(DerivedRows(), map(fix, tenths)) == [0, 1, 2, 3, 3.5]
    changed = [fix(t, quality=5 if 1.2 < t < 1.7 else 4, satellites=int(10 * t)) for t in tenths]
    assert fixes(DerivedRows(), changed) == [0, 1, 1.2, 1.3, 1.6, 1.7, 2, 3, 3.5]
    paused = [fix(t) for t in tenths if not 0.5 < t < 3.0]
    assert fixes(DerivedRows(), paused) == [0, 0.5, 3, 3.5]
    unsaid = [msgspec.structs.replace(fix(t), time_s=None) for t in tenths]
    assert fixes(DerivedRows(), unsaid) == [0, 1, 2, 3, 3.5]


def test_what_ends_at_a_base_is_written_before_what_begins():
    rows = DerivedRows(at_base=True)
    changed = [*map(fix, range(4)), fix(4, quality=1), fix(5, quality=1), fix(6), fix(7, satellites=9)]
    assert fixes(rows, changed) == [0, 3, 4, 5, 6, 7]
    assert fixes(DerivedRows(at_base=True), map(fix, [0, 1, 2, 30, 31, 32])) == [0, 2, 30, 32]


def test_traffic_goes_into_bins_of_ten_seconds_and_stays_open_where_two_stations_speak():
    rows = DerivedRows()

    def traffic(t, stations, by_message):
        rows.see(Traffic(t=t, stream="corrections", frames_by_station=stations, by_message=by_message))

    traffic(0.0, {417: 2}, {"1077": (2, 600)})
    traffic(9.999, {417: 1, None: 1}, {"1077": (1, 300), "GGA": (1, 80)})
    traffic(10.0, {417: 1, 99: 1}, {"1077": (2, 500)})

    def row(t, message, station, frames, size):
        return TrafficRow(t=t, stream="corrections", message=message, station=station, frames=frames, bytes=size, bad=0)

    assert rows.complete(19.9) == {TrafficRow: [row(0.0, "1077", 417, 3, 900), row(0.0, "GGA", None, 1, 80)]}
    assert rows.complete(19.9, end=True) == {TrafficRow: [row(10.0, "1077", None, 2, 500)]}
    assert rows.complete(30.0, end=True) == {}


def test_a_failed_disk_does_not_make_the_waiting_rows_grow_for_ever():
    rows = DerivedRows()
    said(rows, [0.1], 0.0, 1000.0)
    rows.give_back(rows.complete(1000.0))
    rows.give_back({ClockRow: [ClockRow(t=0.0, utc="", source="", stream="", spread_s=0.0)] * 50_000})
    assert len(rows.complete(0.0)[ClockRow]) == 20_000
