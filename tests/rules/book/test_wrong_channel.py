"""wrong-channel: when, and by which cause, on a stepped clock through the real engine."""

from witnesspost.rules.book.wrong_channel import WrongChannel
from witnesspost.rules.facts import Traffic


def heard(day, stations, start, until):
    """A line that carries a frame of each of these stations once a second."""
    frames = dict.fromkeys(stations, 4)
    return [Traffic(t=t, stream="corrections", frames=4, frames_by_station=frames) for t in day.every(1.0, start, until)]


def said(day, facts, until, station_id=417):
    return day.said(day.bench(WrongChannel, base={"station_id": station_id}).play(facts, until))


def test_our_own_base_is_quiet(day):
    assert said(day, heard(day, [417], 1.0, 60.0), 60.0) == []


def test_another_base_after_a_minute_of_ours(day):
    facts = heard(day, [417], 1.0, 61.0) + heard(day, [88], 61.0, 70.0)
    assert said(day, facts, 70.0) == [(64.2, "raised", "wrong-channel", "another-base")]


def test_another_base_beside_ours(day):
    facts = heard(day, [417], 1.0, 61.0) + heard(day, [417, 88], 61.0, 70.0)
    assert said(day, facts, 70.0)[0] == (64.2, "raised", "wrong-channel", "two-bases")


def test_a_second_base_where_none_is_named(day):
    facts = heard(day, [417], 1.0, 61.0) + heard(day, [417, 88], 61.0, 70.0)
    assert said(day, facts, 70.0, station_id=None)[0] == (64.2, "raised", "wrong-channel", "two-bases")


def test_a_rover_that_uses_another_base(day):
    facts = [day.fix(t, station_id=417 if t < 61.0 else 88) for t in day.every(1.0, 1.0, 70.0)]
    assert said(day, facts, 70.0) == [(64.0, "raised", "wrong-channel", "another-base")]
