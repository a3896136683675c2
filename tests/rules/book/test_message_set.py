"""message-set: what a fixed solution needs beside observations."""

import pytest
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.message_set import MessageSet
from witnesspost.rules.facts import Antenna, Bias


def stream(day, until, position_s=10.0, bias_s=10.0, start=0.0, **epoch):
    facts = [day.epoch(t, **epoch) for t in day.every(1.0, start, until)]
    if position_s:
        facts += [day.station(t + 0.5) for t in day.every(position_s, start, until)]
    if bias_s:
        facts += [Bias(t=t + 0.6, stream="corrections", station_id=417) for t in day.every(bias_s, start, until)]
    return facts


@pytest.mark.parametrize("position_s", [1.0, 10.0, 30.0, 32.0])
def test_an_hour_with_everything_is_quiet(day, position_s):
    bench = day.bench(MessageSet)
    assert bench.play(stream(day, 3600.0, position_s=position_s, bias_s=60.0), 3600.0) == []


def test_no_station_position_in_a_minute(day):
    bench = day.bench(MessageSet)
    assert day.said(bench.play(stream(day, 120.0, position_s=None), 120.0)) == [
        (60.0, "raised", "message-set", "no-station-position")
    ]


def test_observations_and_nothing_else(day):
    facts = stream(day, 120.0, position_s=None, bias_s=None, start=20.0, systems="G")
    assert day.said(day.bench(MessageSet).play(facts, 120.0)) == [(80.0, "raised", "message-set", "no-station-position")]


def test_a_position_at_the_last_moment_keeps_it_quiet(day):
    bench = day.bench(MessageSet)
    facts = [*stream(day, 100.0, position_s=None), day.station(59.5), day.station(69.5), day.station(79.5), day.station(89.5)]
    assert bench.play(facts, 100.0) == []


def test_a_position_that_stops_coming(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 300.0, position_s=None) + [day.station(t) for t in day.every(10.0, 0.0, 100.0)]
    changes = bench.play(facts, 300.0)
    assert day.said(changes) == [(150.0, "raised", "message-set", "no-station-position")]


def test_one_lost_of_a_thirty_second_position_is_quiet(day):
    bench = day.bench(MessageSet)
    positions = [day.station(t) for t in day.every(32.0, 0.5, 600.0) if t != 256.5]  # a base a little late: 64 s without
    assert bench.play(stream(day, 600.0, position_s=None) + positions, 600.0) == []


def test_two_long_intervals_running_are_rare(day):
    bench = day.bench(MessageSet)
    changes = bench.play(stream(day, 300.0, position_s=45.0), 300.0)
    assert day.said(changes) == [(90.6, "raised", "message-set", "station-position-rare")]
    assert changes[0].evidence["interval_s"] == 45.0


def test_glonass_without_its_biases(day):
    bench = day.bench(MessageSet)
    changes = bench.play(stream(day, 120.0, bias_s=None), 120.0)
    assert day.said(changes) == [(60.0, "raised", "message-set", "no-glonass-bias")]
    assert changes[0].evidence["receiver"] is None


def test_biases_that_stop_coming(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 400.0, bias_s=None) + [Bias(t=t, stream="corrections", station_id=417) for t in (1.0, 31.0, 61.0)]
    assert day.said(bench.play(facts, 400.0)) == [(241.0, "raised", "message-set", "no-glonass-bias")]


def test_a_named_receiver_is_evidence_but_no_bias(day):
    bench = day.bench(MessageSet)
    named = Antenna(t=5.0, stream="corrections", station_id=417, message=1033, descriptor="X NONE", receiver="KESTREL R1")
    changes = bench.play([*stream(day, 120.0, bias_s=None), named], 120.0)
    assert [c.evidence["receiver"] for c in changes] == ["KESTREL R1"]


def test_without_glonass_no_biases_are_missed(day):
    bench = day.bench(MessageSet)
    assert bench.play(stream(day, 300.0, bias_s=None, systems="GEC"), 300.0) == []


def test_one_frequency(day):
    bench = day.bench(MessageSet)
    assert day.said(bench.play(stream(day, 120.0, frequencies=1), 120.0)) == [
        (60.0, "raised", "message-set", "single-frequency")
    ]


def test_one_frequency_by_the_counts_where_bands_are_not_known(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 120.0, frequencies=None, satellites=20, cells=20)
    assert [c.cause for c in bench.play(facts, 120.0)] == ["single-frequency"]
    bench = day.bench(MessageSet)
    assert bench.play(stream(day, 120.0, frequencies=None, satellites=20, cells=38), 120.0) == []


def test_a_moment_with_two_frequencies_starts_the_minute_anew(day):
    bench = day.bench(MessageSet)
    facts = [day.epoch(t, frequencies=2 if t % 50 == 0 else 1, systems="G") for t in day.every(1.0, 0.0, 300.0)]
    assert bench.play(facts + [day.station(t) for t in day.every(10.0, 0.0, 300.0)], 300.0) == []


def test_a_pause_in_the_observations_starts_the_minute_anew(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 50.0, position_s=None) + stream(day, 115.0, position_s=None, start=60.0)
    assert bench.play(facts, 119.0) == []


@pytest.mark.parametrize("root", ["corrections-stopped", "wrong-channel"])
def test_silent_while_another_rule_explains_it(day, root):
    bench = day.bench(MessageSet)
    bench.scene.standing.add(root)
    bench.engine.ask_all()
    assert bench.play(stream(day, 200.0, position_s=None), 200.0) == []
    bench.scene.standing.discard(root)
    bench.engine.ask_all()
    assert day.said(bench.play(stream(day, 300.0, position_s=None, start=200.0), 300.0)) == [
        (260.0, "raised", "message-set", "no-station-position")
    ]


def test_an_interruption_neither_ends_it_nor_says_it_again(day):
    bench = day.bench(MessageSet, CorrectionsStopped)
    facts = stream(day, 100.0, bias_s=None) + stream(day, 400.0, bias_s=None, start=130.0)
    assert [(round(c.t), c.change, c.rule) for c in bench.play(facts, 400.0)] == [
        (60, "raised", "message-set"),
        (104, "raised", "corrections-stopped"),
        (133, "normal", "corrections-stopped"),
    ]
    assert [(c.change, c.rule) for c in bench.play(stream(day, 500.0, start=400.0), 500.0)] == [("cleared", "message-set")]


def test_a_foreign_station_is_not_judged(day):
    bench = day.bench(MessageSet, base={"station_id": 417})
    assert bench.play(stream(day, 200.0, position_s=None, station_id=9), 200.0) == []


def test_once_it_comes_it_clears(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 90.0, position_s=None) + stream(day, 200.0, start=90.0)
    assert [(c.change, c.cause) for c in bench.play(facts, 200.0)] == [
        ("raised", "no-station-position"),
        ("cleared", "no-station-position"),
    ]
