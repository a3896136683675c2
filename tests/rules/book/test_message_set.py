"""message-set: what a fixed solution needs beside observations."""

import pytest
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.fix_lost import FixLost
from witnesspost.rules.book.message_set import MessageSet
from witnesspost.rules.book.words import words
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


def test_no_station_position_in_two_and_a_half_minutes(day):
    bench = day.bench(MessageSet)
    changes = bench.play(stream(day, 240.0, position_s=None), 240.0)
    assert day.said(changes) == [(150.0, "raised", "message-set", "no-station-position")]
    assert (
        words(changes[0]).say == "The base sends observations, but for 150 s it has not sent its own position (1005 or 1006)."
    )


def test_observations_and_nothing_else(day):
    facts = stream(day, 240.0, position_s=None, bias_s=None, start=20.0, systems="G")
    assert day.said(day.bench(MessageSet).play(facts, 240.0)) == [(170.0, "raised", "message-set", "no-station-position")]


def test_a_position_at_the_last_moment_keeps_it_quiet(day):
    bench = day.bench(MessageSet)
    facts = [*stream(day, 250.0, position_s=None), *(day.station(t) for t in (149.5, 179.5, 209.5, 239.5))]
    assert bench.play(facts, 250.0) == []


def test_a_position_that_stops_coming(day):
    bench = day.bench(MessageSet)
    facts = stream(day, 300.0, position_s=None) + [day.station(t) for t in day.every(10.0, 0.0, 100.0)]
    assert day.said(bench.play(facts, 300.0)) == [(240.0, "raised", "message-set", "no-station-position")]
    changes = bench.play(stream(day, 400.0, start=300.0), 400.0)
    assert [(round(c.t), c.change) for c in changes] == [(304, "cleared")]


def test_one_lost_of_a_thirty_second_position_is_quiet(day):
    bench = day.bench(MessageSet)
    positions = [day.station(t) for t in day.every(32.0, 0.5, 600.0) if t != 256.5]  # a base a little late: 64 s without
    assert bench.play(stream(day, 600.0, position_s=None) + positions, 600.0) == []


class TestAPositionThatComesSeldom:
    """Told once, and never raised, cleared and raised again."""

    def test_two_long_intervals_running_are_rare(self, day):
        bench = day.bench(MessageSet)
        changes = bench.play(stream(day, 300.0, position_s=45.0), 300.0)
        assert day.said(changes) == [(90.6, "raised", "message-set", "station-position-rare")]
        assert changes[0].evidence["interval_s"] == 45.0

    @pytest.mark.parametrize(("every_s", "raised_t"), [(35.0, 70.6), (60.0, 120.6), (120.0, 240.6), (149.0, 298.6)])
    @pytest.mark.parametrize("role", ["base", "rover"])
    def test_as_seldom_as_every_two_minutes(self, day, every_s, raised_t, role):
        bench = day.bench(MessageSet, role=role)
        fixed = [day.fix(t) for t in day.every(1.0, 0.0, 1500.0)] if role == "rover" else []
        changes = bench.play(stream(day, 1500.0, position_s=every_s) + fixed, 1500.0)
        assert day.said(changes) == [(raised_t, "raised", "message-set", "station-position-rare")]

    @pytest.mark.parametrize("every_s", [160.0, 240.0, 600.0])
    def test_or_every_four(self, day, every_s):
        bench = day.bench(MessageSet, role="base")
        facts = stream(day, 2400.0, position_s=None) + [day.station(t + 100.0) for t in day.every(every_s, 0.0, 2300.0)]
        changes = bench.play(facts, 2400.0)
        assert [(c.change, c.rule) for c in changes if c.change != "cause"] == [("raised", "message-set")]
        assert bench.findings()[0].causes[0].cause == "station-position-rare"

    def test_with_a_first_one_after_a_while(self, day):
        # Averaging for 200 s, then every 10 s: over with the second.
        bench = day.bench(MessageSet)
        facts = stream(day, 400.0, position_s=None) + [day.station(t) for t in day.every(10.0, 200.0, 400.0)]
        assert [(round(c.t), c.change) for c in bench.play(facts, 400.0)] == [(150, "raised"), (213, "cleared")]

    def test_until_it_comes_twice_within_half_a_minute(self, day):
        bench = day.bench(MessageSet)
        bench.play(stream(day, 300.0, position_s=60.0), 300.0)
        changes = bench.play(stream(day, 400.0, start=300.0), 400.0)
        assert [(round(c.t), c.change) for c in changes] == [(314, "cleared")]

    def test_and_a_pause_of_the_observations_mends_nothing(self, day):
        bench = day.bench(MessageSet)
        bench.play(stream(day, 300.0, position_s=60.0), 300.0)
        assert bench.play(stream(day, 900.0, start=320.0, position_s=60.0), 900.0) == []


class TestBesideARoverThatIsFixed:
    """No "no rover can fix"."""

    def test_the_position_is_not_missed(self, day):
        bench = day.bench(MessageSet)
        facts = stream(day, 600.0, position_s=None) + [day.fix(t) for t in day.every(1.0, 0.0, 600.0)]
        assert bench.play(facts, 600.0) == []

    def test_until_it_is_not_fixed_any_more(self, day):
        bench = day.bench(MessageSet)
        fixes = [day.fix(t, quality=4 if t < 400 else 5) for t in day.every(1.0, 0.0, 600.0)]
        changes = bench.play(stream(day, 600.0, position_s=None) + fixes, 600.0)
        assert day.said(changes) == [(400.2, "raised", "message-set", "no-station-position")]


def test_glonass_without_its_biases(day):
    bench = day.bench(MessageSet)
    changes = bench.play(stream(day, 120.0, bias_s=None), 120.0)
    assert day.said(changes) == [(60.0, "raised", "message-set", "no-glonass-bias")]
    assert changes[0].evidence["receiver"] is None


def test_glonass_without_its_biases_that_the_rover_is_fixed_by_is_a_note(day):
    """A fleet of one make needs no 1230; the first step is to go on."""
    fixed = [day.fix(t) for t in day.every(1.0, 0.0, 120.0)]
    lost = [day.fix(t, quality=1, age_s=None) for t in day.every(1.0, 120.0, 300.0)]
    changes = day.bench(MessageSet).play([*stream(day, 300.0, bias_s=None), *fixed, *lost], 300.0)
    assert [(change.t, change.cause, change.severity) for change in changes] == [(60.0, "no-glonass-bias", "note")]
    said = words(changes[0])
    assert said.say.endswith("(1230): this rover is fixed all the same, one of another make may get no fix with GLONASS.")
    assert said.steps[0].startswith("Go on with this rover.")


def test_glonass_without_its_biases_that_a_rover_does_not_fix_by_is_a_check(day):
    floats = [day.fix(t, quality=5) for t in day.every(1.0, 0.0, 120.0)]
    (change,) = day.bench(MessageSet).play([*stream(day, 120.0, bias_s=None), *floats], 120.0)
    assert (change.severity, words(change).steps[0]) == ("check", "Base: switch on message 1230, every 10 s.")


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


def test_one_frequency_that_the_rover_is_fixed_by_is_a_note(day):
    fixed = [day.fix(t) for t in day.every(1.0, 0.0, 120.0)]
    lost = [day.fix(t, quality=1, age_s=None) for t in day.every(1.0, 120.0, 180.0)]
    changes = day.bench(MessageSet, FixLost).play([*stream(day, 180.0, frequencies=1), *fixed, *lost], 180.0)
    assert [(change.t, change.cause, change.severity, change.because_of) for change in changes] == [
        (60.0, "single-frequency", "note", None),
        (123.0, "autonomous", "stop", None),
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
    bench.scene.active_rules.add(root)
    bench.engine.ask_all()
    assert bench.play(stream(day, 200.0, position_s=None), 200.0) == []
    bench.scene.active_rules.discard(root)
    bench.engine.ask_all()
    assert day.said(bench.play(stream(day, 400.0, position_s=None, start=200.0), 400.0)) == [
        (350.0, "raised", "message-set", "no-station-position")
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


def test_one_frequency_is_1001_and_1002_alone(day):
    # RTCM 10403.3, table 3.5-1: 1003 and 1004 are of L1 and L2.
    said = " ".join(
        words(Sentence(rule="message-set", cause="single-frequency", stream="", role="base", evidence={}, words={})).steps
    )
    assert "1001 or 1002" in said
    assert "1003" not in said
