"""corrections-stopped: when, and by which cause, on a stepped clock through the real engine."""

import pytest
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.radio import radio_horizon_km
from witnesspost.rules.facts import Port, Traffic

RADIOS = {"base": {"frequency_mhz": 461.025, "antenna_above_ground_m": 4.0}, "rover": {"antenna_above_ground_m": 2.0}}


def traffic(t, **sums):
    return Traffic(t=t, stream="corrections", **sums)


def alerts(day, facts, until, **tables):
    bench = day.bench(CorrectionsStopped, base={"station_id": 417}, **tables)
    return bench.play(facts, until)


def minute(day, interval_s=1.0, until=60.0):
    return [day.epoch(t) for t in day.every(interval_s, 1.0, until)]


def test_silence_is_told_at_its_on_delay_from_the_last_epoch(day):
    changes = alerts(day, minute(day), 70.0)
    assert day.said(changes) == [(64.2, "raised", "corrections-stopped", "line-silent")]
    assert changes[0].evidence["silent_s"] == 5.2


@pytest.mark.parametrize("interval_s", [5.0, 10.0])
def test_a_base_that_sends_seldom_is_silent_after_three_of_its_intervals(day, interval_s):
    facts = minute(day, interval_s, until=61.0)
    last = facts[-1].t
    assert day.said(alerts(day, facts, 120.0)) == [
        (last + 3 * interval_s + 0.2, "raised", "corrections-stopped", "line-silent")
    ]


@pytest.mark.parametrize("last", [112.0, 116.0, 120.0, 124.0, 128.0])
def test_a_base_that_sends_more_often_than_it_did_is_missed_as_soon_as_any(day, last):
    facts = [*minute(day, 10.0, until=101.0), *(day.epoch(t) for t in day.every(1.0, 102.0, last + 1.0))]
    assert day.said(alerts(day, facts, 170.0)) == [(last + 5.2, "raised", "corrections-stopped", "line-silent")]


def test_the_port_of_a_base_that_sends_seldom_is_missed_as_soon_as_any(day):
    facts = [*minute(day, 10.0, until=101.0), Port(t=105.0, stream="corrections", state="lost")]
    assert day.said(alerts(day, facts, 140.0)) == [(107.0, "raised", "corrections-stopped", "port-lost")]


def test_silence_from_the_start_counts_after_fifteen_seconds(day):
    assert day.said(alerts(day, [], 20.0)) == [(15.0, "raised", "corrections-stopped", "line-silent")]


def test_a_port_that_goes_is_told_after_two_seconds_and_a_short_absence_never(day):
    gone, back = (Port(t=t, stream="corrections", state=s) for t, s in ((59.5, "lost"), (61.0, "back")))
    assert day.said(alerts(day, [*minute(day), gone], 63.0)) == [(61.6, "raised", "corrections-stopped", "port-lost")]
    facts = [*minute(day), gone, back, *(day.epoch(t) for t in day.every(1.0, 61.5, 80.0))]
    assert alerts(day, facts, 80.0) == []


@pytest.mark.parametrize(
    ("sums", "cause"),
    [
        ({"other_bytes": 900}, "line-noise"),
        ({"other_bytes": 12}, "line-silent"),
        ({"bad_frames": 4, "bad_frame_bytes": 800, "other_bytes": 90}, "weak-link"),
        ({"bad_frames": 2, "bad_frame_bytes": 400, "other_bytes": 600}, "weak-link"),
        ({"bad_frames": 1, "bad_frame_bytes": 200, "other_bytes": 800}, "line-noise"),
        ({"frames": 2, "frame_bytes": 50, "frames_by_station": {417: 2}}, "station-messages-only"),
        ({"frames": 5, "frame_bytes": 900, "observation_frames": 4, "frames_by_station": {88: 5}}, "another-base"),
        ({"frames": 2, "frame_bytes": 300, "observation_frames": 2, "frames_by_station": {417: 2}}, "weak-link"),
    ],
)
def test_the_cause_is_what_the_line_shows_since_the_last_epoch(day, sums, cause):
    # What came in the last epoch's own second belongs to that epoch.
    facts = [*minute(day), traffic(59.4, frames=2, frames_by_station={417: 2}), traffic(62.0, **sums)]
    assert day.said(alerts(day, facts, 66.0)) == [(64.2, "raised", "corrections-stopped", cause)]


def test_radios_that_differ_come_before_plain_silence_at_the_rover(day):
    radio = {"base": {"frequency_mhz": 461.025}, "rover": {"frequency_mhz": 464.5}}
    (change,) = alerts(day, minute(day), 66.0, radio=radio)
    assert [cause.cause for cause in change.causes] == ["radio-settings-differ", "line-silent"]
    (change,) = day.bench(CorrectionsStopped, role="base", base={"station_id": 417}, radio=radio).play(minute(day), 66.0)
    assert [cause.cause for cause in change.causes] == ["line-silent"]


@pytest.mark.parametrize(("share", "causes"), [(1.05, ["out-of-range", "line-silent"]), (0.5, ["line-silent"])])
def test_past_the_radio_horizon_it_is_out_of_range(day, share, causes):
    # 4.12 km a root metre (effective earth radius of 4/3): 4 m and 2 m see 14.07 km.
    distance_m = share * radio_horizon_km(4.0, 2.0) * 1000
    station = day.station(1.0, x_m=6378137.0, y_m=0.0, z_m=0.0)
    fix = day.fix(58.0, latitude=0.0, longitude=distance_m / 6378137.0 * 57.29577951, height_m=0.0)
    (change,) = alerts(day, [station, fix, *minute(day)], 66.0, radio=RADIOS)
    assert [cause.cause for cause in change.causes] == causes
    assert change.evidence["distance_km"] == pytest.approx(distance_m / 1000, abs=0.02)
    assert change.evidence["free_space_loss_db"] > 90


def test_only_our_own_observations_count(day):
    facts = [day.epoch(t, station_id=88) for t in day.every(1.0, 1.0, 20.0)]
    assert [change.rule for change in alerts(day, facts, 18.0)] == ["corrections-stopped"]
    bench = day.bench(CorrectionsStopped)  # the site file names none: any will do
    assert bench.play(facts, 18.0) == []
