"""wrong-channel: when, and by which cause, on a stepped clock through the real engine."""

import math
from itertools import count

import pytest
from witnesspost.rules.book.words import words
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


def test_a_base_that_has_lost_its_number_is_where_ours_was(day):
    for moved_m, where in ((0.0, ", but from the place where ours was"), (900.0, "")):
        bench = day.bench(WrongChannel, base={"station_id": 417})
        stations = [day.station(1.0), day.station(61.0, station_id=88, x_m=-1281255.0 + moved_m)]
        changes = bench.play([*stations, *heard(day, [417], 1.0, 61.0), *heard(day, [88], 61.0, 70.0)], 70.0)
        assert words(changes[0]).say == f"Corrections come from station 88, not from ours (417){where}."


def test_another_base_beside_ours(day):
    facts = heard(day, [417], 1.0, 61.0) + heard(day, [417, 88], 61.0, 70.0)
    assert said(day, facts, 70.0)[0] == (64.2, "raised", "wrong-channel", "two-bases")


@pytest.mark.parametrize(("every_s", "severity"), [(5.0, "stop"), (9.0, "stop"), (12.0, "note"), (20.0, "note")])
def test_a_stray_epoch_of_a_far_neighbour_beside_ours_is_a_note(day, every_s, severity):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    stray = [fact for t in day.every(every_s, 61.0, 200.0) for fact in heard(day, [88], t, t + 1.0)]
    changes = bench.play([*heard(day, [417], 1.0, 200.0), *stray], 199.0)
    assert {(change.cause, change.severity) for change in changes} == {("two-bases", severity)}


def test_a_far_neighbour_that_comes_to_stay_is_a_stop(day):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    stray = [fact for t in day.every(20.0, 61.0, 102.0) for fact in heard(day, [88], t, t + 1.0)]
    changes = bench.play([*heard(day, [417], 1.0, 200.0), *stray, *heard(day, [88], 110.0, 200.0)], 199.0)
    assert [change.severity for change in changes if change.t > 120.0 or change.severity == "stop"] == ["stop"]
    assert next(change.t for change in changes if change.severity == "stop") < 116.0


def test_the_same_without_ours_is_none(day):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    stray = [fact for t in day.every(20.0, 61.0, 200.0) for fact in heard(day, [88], t, t + 1.0)]
    changes = bench.play([*heard(day, [417], 1.0, 61.0), *stray], 199.0)
    assert {(change.cause, change.severity) for change in changes} == {("another-base", "stop")}


def test_a_second_base_where_none_is_named(day):
    facts = heard(day, [417], 1.0, 61.0) + heard(day, [417, 88], 61.0, 70.0)
    assert said(day, facts, 70.0, station_id=None)[0] == (64.2, "raised", "wrong-channel", "two-bases")


def test_a_second_base_that_takes_over_where_none_is_named_is_ours_then(day):
    assert said(day, heard(day, [417], 1.0, 61.0) + heard(day, [88], 64.0, 120.0), 120.0, station_id=None) == []


class TestALineOfInventedStations:
    """A sender can give each frame another of the 4096 numbers."""

    def flood(self, day, until):
        numbers = count(1000)
        for t in day.every(0.2, 1.0, until):
            frames = {next(numbers) % 3000 + 1000: 1 for _ in range(100)} | ({417: 4, 88: 4} if round(t * 5) % 5 == 0 else {})
            yield Traffic(t=t, stream="corrections", frames=len(frames), frames_by_station=frames)

    def test_those_that_are_gone_are_forgotten(self, day):
        bench = day.bench(WrongChannel, base={"station_id": 417})
        bench.play(self.flood(day, 60.0), 60.0)
        (rule,) = bench.rules
        heard = rule._heard["corrections"]
        assert len(heard) < 2600  # those of the last pause, twice
        assert {417, 88} <= set(heard)

    def test_one_that_lasts_is_told_all_the_same(self, day):
        change, *_ = day.bench(WrongChannel, base={"station_id": 417}).play(self.flood(day, 60.0), 60.0)
        assert (change.cause, change.evidence["station_id"]) == ("two-bases", 88)


def test_of_many_strangers_the_ten_loudest_are_named(day):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    strangers = {100 + number: 1 + number for number in range(30)}  # frames a second
    facts = [Traffic(t=t, stream="corrections", frames=465, frames_by_station=strangers) for t in day.every(1.0, 1.0, 10.0)]
    (change,) = bench.play(facts, 10.0)
    assert change.evidence["station_id"] == 129
    assert change.evidence["stations"] == list(range(120, 130))


def test_where_hundreds_go_others_that_have_been_heard_as_long_take_their_place(day):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    changes = bench.play([*heard(day, range(1000, 1150), 1.0, 30.0), *heard(day, range(2000, 2150), 1.0, 60.0)], 70.0)
    assert [(change.t, change.change) for change in changes] == [(4.2, "raised"), (64.6, "normal")]


class TestTheReceiversOwnWord:
    """GGA's last field."""

    def test_counts_where_it_has_used_ours_in_this_run(self, day):
        facts = [day.fix(t, station_id=417 if t < 61.0 else 88) for t in day.every(1.0, 1.0, 70.0)]
        assert said(day, facts, 70.0) == [(64.0, "raised", "wrong-channel", "another-base")]

    def test_is_no_evidence_while_it_has_not(self, day):
        # A caster's own number, or a constant: many receivers put that there (common practice, no source).
        assert said(day, [day.fix(t, station_id=88) for t in day.every(1.0, 1.0, 120.0)], 120.0) == []

    def test_is_over_when_it_uses_ours_again(self, day):
        facts = [day.fix(t, station_id=88 if 61.0 <= t < 80.0 else 417) for t in day.every(1.0, 1.0, 100.0)]
        assert [change for _, change, _, _ in said(day, facts, 100.0)] == ["raised", "normal"]


def test_the_words_name_only_what_is_known(day):
    bench = day.bench(WrongChannel)
    (change,) = bench.play(heard(day, [417], 1.0, 61.0) + heard(day, [417, 88], 61.0, 70.0), 70.0)
    assert words(change).say == "Station 88 comes in on the same line as station 417."


def test_a_line_without_a_stranger_is_not_asked(day):
    bench = day.bench(WrongChannel, base={"station_id": 417})
    bench.play(heard(day, [417], 1.0, 10.0), 10.0)
    assert bench.rules[0].due() == math.inf
    bench.play(heard(day, [88], 10.0, 14.0), 13.4)
    assert bench.rules[0].due() == 0.0
    bench.play([], 20.0)
    assert bench.rules[0].due() == math.inf
