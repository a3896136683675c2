"""fix-lost: what it fell to, from when, and what is a fresh start."""

import pytest
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.fix_lost import FixLost
from witnesspost.rules.book.message_set import MessageSet
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Frozen, Planned, Port
from witnesspost.rules.language.speech import Speech

SPANISH = Speech.of("es")


def walk(day, until, start=0.0, interval=1.0, **fix):
    return [day.fix(t, **fix) for t in day.every(interval, start, until)]


def corrections(day, until, start=0.0):
    return [day.epoch(t + 0.3) for t in day.every(1.0, start, until)]


def test_fixed_all_hour_is_quiet(day):
    bench = day.bench(FixLost)
    assert bench.play(walk(day, 3600.0) + corrections(day, 3600.0), 3600.0) == []


@pytest.mark.parametrize(
    ("quality", "cause"),
    # GGA's quality indicator, NMEA 0183 (several public pages agree; 9 is in no list found).
    [
        (0, "no-position"),
        (1, "autonomous"),
        (2, "differential"),
        (3, "autonomous"),
        (5, "float"),
        (6, "no-position"),
        (7, "no-position"),
        (8, "no-position"),
        (9, "no-position"),
    ],
)
def test_the_state_that_it_fell_to(day, quality, cause):
    bench = day.bench(FixLost)
    facts = walk(day, 60.0) + walk(day, 90.0, start=60.0, quality=quality) + corrections(day, 90.0)
    # The first position that is not fixed comes at 60 s; the on-delay is 3 s.
    assert day.said(bench.play(facts, 90.0)) == [(63.0, "raised", "fix-lost", cause)]


def test_who_has_lost_the_satellites_is_first_sent_into_the_open(day):
    facts = walk(day, 60.0) + walk(day, 90.0, start=60.0, quality=1, satellites=4) + corrections(day, 90.0)
    (change,) = day.bench(FixLost).play(facts, 90.0)
    assert "open" in words(change).steps[1]
    assert "4 now" in words(change).steps[1]


@pytest.mark.parametrize(
    ("quality", "said"),
    [
        (0, "the rover has no position"),
        (6, "the receiver only estimates where it is (GGA quality 6)"),
        (7, "the receiver says a position that somebody gave it (GGA quality 7)"),
        (8, "the receiver is in its simulator (GGA quality 8)"),
        (9, "the receiver says GGA quality 9, which no list has"),
    ],
)
def test_no_position_is_said_only_where_there_is_none(day, quality, said):
    facts = walk(day, 60.0) + walk(day, 90.0, start=60.0, quality=quality) + corrections(day, 90.0)
    (change,) = day.bench(FixLost).play(facts, 90.0)
    assert words(change).say == f"The fix is lost: {said}."
    assert SPANISH.phrase(said) != said
    assert ("battery" in words(change).steps[1]) == (quality == 0)
    assert "?" not in words(change, SPANISH).say


@pytest.mark.parametrize("lost_at", [61.0, 62.0, 63.0, 64.0])
def test_it_is_said_in_time_whenever_it_falls(day, lost_at):
    facts = walk(day, lost_at) + walk(day, 90.0, start=lost_at, quality=5) + corrections(day, 90.0)
    assert day.said(day.bench(FixLost).play(facts, 90.0)) == [(lost_at + 3.0, "raised", "fix-lost", "float")]


def test_under_three_seconds_is_quiet(day):
    bench = day.bench(FixLost)
    facts = walk(day, 60.0) + walk(day, 62.8, start=60.0, interval=0.2, quality=5) + walk(day, 120.0, start=62.8)
    assert bench.play(facts, 120.0) == []


def test_twenty_positions_a_second(day):
    bench = day.bench(FixLost)
    facts = walk(day, 20.0, interval=0.05) + walk(day, 30.0, start=20.0, interval=0.05, quality=5)
    assert day.said(bench.play(facts, 30.0)) == [(23.0, "raised", "fix-lost", "float")]


def test_never_fixed_with_two_minutes_of_corrections(day):
    bench = day.bench(FixLost)
    facts = walk(day, 200.0, quality=5) + corrections(day, 200.0)
    changes = bench.play(facts, 200.0)
    assert [(round(c.t, 1), c.cause) for c in changes] == [(120.4, "float")]
    assert words(changes[0]).say.startswith("Corrections arrive, but there has been no fix yet")


def test_alone_under_a_base_that_never_says_where_it_is_the_missing_position_is_told_first(day):
    bench = day.bench(MessageSet, FixLost)
    epochs = [day.epoch(t + 0.3, systems="GEC") for t in day.every(1.0, 0.0, 300.0)]
    changes = bench.play(walk(day, 300.0, quality=1) + epochs, 300.0)
    assert [(round(c.t, 1), c.rule, c.cause, c.because_of) for c in changes] == [
        (150.4, "message-set", "no-station-position", None),
        (155.4, "fix-lost", "autonomous", None),
    ]


@pytest.mark.parametrize(
    ("heard_t", "raised_t"),
    [(5.0, 120.4), (89.0, 120.4), (100.0, 130.0), (140.0, 170.0)],  # half a minute for a fix, however late it comes
)
def test_alone_although_the_base_has_said_where_it_is(day, heard_t, raised_t):
    facts = walk(day, 200.0, quality=1) + corrections(day, 200.0)
    facts += [day.station(t) for t in day.every(10.0, heard_t, 200.0)]
    assert day.said(day.bench(FixLost).play(facts, 200.0)) == [(raised_t, "raised", "fix-lost", "autonomous")]


def test_differential_at_first_once_the_base_has_said_where_it_is(day):
    facts = walk(day, 138.0, quality=1) + walk(day, 141.0, start=138.0, quality=2) + walk(day, 160.0, start=141.0, quality=5)
    facts += walk(day, 200.0, start=160.0) + corrections(day, 200.0)
    facts += [day.station(t) for t in day.every(10.0, 138.0, 200.0)]
    assert day.bench(FixLost).play(facts, 200.0) == []


def test_another_base_s_position_is_not_what_it_waits_for(day):
    facts = walk(day, 200.0, quality=1) + corrections(day, 200.0)
    facts += [day.station(t, station_id=9) for t in day.every(10.0, 5.0, 200.0)]
    bench = day.bench(FixLost, base={"station_id": 417})
    assert day.said(bench.play(facts, 200.0)) == [(155.4, "raised", "fix-lost", "autonomous")]


def test_a_first_fix_in_time_is_quiet(day):
    bench = day.bench(FixLost)
    facts = walk(day, 119.0, quality=5) + walk(day, 300.0, start=119.0) + corrections(day, 300.0)
    assert bench.play(facts, 300.0) == []


def test_never_fixed_without_corrections_is_not_its_business(day):
    bench = day.bench(FixLost)
    assert bench.play(walk(day, 600.0, quality=1), 600.0) == []


def test_corrections_that_pause_start_the_two_minutes_anew(day):
    bench = day.bench(FixLost)
    facts = walk(day, 200.0, quality=5) + corrections(day, 90.0) + corrections(day, 200.0, start=100.0)
    assert bench.play(facts, 199.0) == []


def test_a_receiver_that_falls_silent_has_no_position(day):
    bench = day.bench(FixLost)
    changes = bench.play(walk(day, 60.0) + corrections(day, 90.0), 90.0)
    # The last position comes at 59 s; five seconds of silence make it certain, and the three of the on-delay are over.
    assert day.said(changes) == [(64.2, "raised", "fix-lost", "no-position")]
    assert words(changes[0]).say == "The fix is lost: no position comes from the receiver."


def test_one_position_alone_does_not_tell_how_often_they_come(day):
    """A receiver set to one position in ten seconds is silent after fifteen, not after five."""
    bench = day.bench(FixLost)
    assert day.said(bench.play([day.fix(1.0)], 30.0)) == [(16.2, "raised", "fix-lost", "no-position")]
    assert day.bench(FixLost).play(walk(day, 60.0, start=1.0, interval=14.0), 60.0) == []


def test_the_port_s_state_is_evidence(day):
    bench = day.bench(FixLost)
    lost = Port(t=59.5, stream="receiver", state="lost", reason="no such device")
    changes = bench.play([*walk(day, 60.0), lost], 90.0)
    assert [c.evidence["port"] for c in changes] == ["lost"]


def test_back_it_waits_for_a_person(day):
    bench = day.bench(FixLost)
    facts = walk(day, 60.0) + walk(day, 90.0, start=60.0, quality=5) + walk(day, 120.0, start=90.0)
    assert day.said(bench.play(facts, 120.0)) == [
        (63.0, "raised", "fix-lost", "float"),
        (93.2, "normal", "fix-lost", "float"),
    ]


def test_the_fix_s_history_is_evidence(day):
    bench = day.bench(FixLost)
    facts = corrections(day, 200.0) + walk(day, 20.0, quality=5) + walk(day, 100.0, start=20.0)
    facts += walk(day, 102.0, start=100.0, quality=5) + walk(day, 150.0, start=102.0) + walk(day, 200.0, start=150.0, quality=2)
    (raised,) = bench.play(facts, 200.0)
    # Corrections begin at 0.3 s, the first fix comes at 20 s; short and long losses begin at 100 s and 150 s.
    assert raised.evidence["time_to_fix_s"] == pytest.approx(19.7)
    assert raised.evidence["fixed_for_s"] == pytest.approx(48.0)
    assert raised.evidence["losses_in_10_min"] == 2
    assert (raised.evidence["station_id"], raised.evidence["age_when_fixed_s"]) == (417, 1.2)


def test_a_battery_change_announced_is_a_fresh_start(day):
    bench = day.bench(FixLost)
    facts = [*walk(day, 100.0), Planned(t=95.0, stream="", for_s=60.0, why="battery")]
    facts += walk(day, 230.0, start=140.0, quality=1) + walk(day, 400.0, start=230.0) + corrections(day, 400.0)
    assert bench.play(facts, 400.0) == []


def test_a_battery_change_that_never_fixes_again_is_raised(day):
    bench = day.bench(FixLost)
    facts = [*walk(day, 100.0), Planned(t=95.0, stream="", for_s=60.0, why="battery")]
    facts += walk(day, 400.0, start=140.0, quality=5) + corrections(day, 400.0)
    assert [(round(c.t), c.cause) for c in bench.play(facts, 400.0)] == [(275, "float")]


def test_a_fix_that_was_lost_while_the_post_did_not_run_is_raised_as_soon_as_it_does(day):
    """The receiver went on: this is no fresh start."""
    bench = day.bench(FixLost)
    facts = [*walk(day, 100.0), Frozen(t=99.9, stream="", for_s=6.0)]
    facts += walk(day, 200.0, start=105.0, quality=5) + corrections(day, 200.0)
    assert [(round(c.t), c.cause) for c in bench.play(facts, 200.0)] == [(106, "float")]


def test_with_the_corrections_gone_it_makes_no_sound(day):
    bench = day.bench(FixLost, CorrectionsStopped)
    facts = corrections(day, 60.0) + walk(day, 75.0) + walk(day, 120.0, start=75.0, quality=1)
    changes = [c for c in bench.play(facts, 120.0) if c.rule == "fix-lost"]
    assert [(c.cause, c.because_of, c.sounds) for c in changes] == [("autonomous", "corrections-stopped", False)]


def test_under_trees_it_never_chatters(day):
    bench = day.bench(FixLost)
    facts = [day.fix(t, quality=4 if t % 10 < 5 else 5) for t in day.every(1.0, 0.0, 900.0)]
    raised = [c.t for c in bench.play(facts, 900.0) if c.change == "raised"]
    # 3 or more a minute is chattering (as quoted in the alarm trade's press).
    assert raised
    assert all(len([u for u in raised if t <= u < t + 60.0]) < 3 for t in raised)


def test_a_base_has_no_fix_to_lose(day):
    assert FixLost.roles == ("rover",)


def test_a_post_without_positions_judges_none(day):
    stream = [{"name": "corrections", "port": "loop://", "carries": ["corrections"]}]
    bench = day.bench(FixLost, stream=stream)
    assert bench.play(corrections(day, 300.0), 300.0) == []


def moving(day, until, start=0.0, speed_m_s=1.2, **fix):
    return [day.fix(t, latitude=39.1 + speed_m_s * (t - start) / 111_320.0, **fix) for t in day.every(1.0, start, until)]


def test_on_the_way_it_is_a_look_and_where_the_rover_stands_a_stop(day):
    bench = day.bench(FixLost)
    facts = moving(day, 60.0) + moving(day, 80.0, start=60.0, quality=5)
    there = 39.1 + 1.2 * 19.0 / 111_320.0
    facts += [day.fix(t, quality=5, latitude=there) for t in day.every(1.0, 80.0, 90.0)]
    facts += [day.fix(t, quality=5, latitude=there + 1.2 * (t - 90) / 111_320.0) for t in day.every(1.0, 90.0, 110.0)]
    facts += [day.fix(t, latitude=there + 24.0 / 111_320.0) for t in day.every(1.0, 110.0, 130.0)]
    changes = bench.play(facts, 130.0)
    assert [(c.change, c.severity, c.alert) for c in changes] == [
        ("raised", "check", 1),
        ("raised", "stop", 1),
        ("normal", "stop", 1),  # it ends as a stop, though the rover walked on
    ]
    assert changes[0].t == pytest.approx(63.0)
    assert changes[1].t == pytest.approx(81.0, abs=1.5)
    assert [c.sounds for c in changes] == [True, True, False]


def test_a_float_that_wanders_over_a_point_stands(day):
    bench = day.bench(FixLost)
    # Half a metre in a minute, and back: what a float does, and no walk.
    wander = [39.1 + 0.5 * abs((t % 120) / 60.0 - 1.0) / 111_320.0 for t in range(60, 180)]
    facts = walk(day, 60.0, latitude=wander[0])
    facts += [day.fix(float(t), quality=5, latitude=there) for t, there in zip(range(60, 180), wander, strict=True)]
    assert [(c.change, c.severity) for c in bench.play(facts, 180.0)] == [("raised", "stop")]


@pytest.mark.parametrize("quality", [4, 1])
def test_a_port_that_goes_away_is_no_position_within_eight_seconds(day, quality):
    bench = day.bench(FixLost)
    facts = [*walk(day, 60.0, interval=10.0, quality=quality), Port(t=60.5, stream="receiver", state="lost")]
    (raised,) = bench.play(facts, 100.0)
    assert (raised.cause, raised.severity, raised.because_of) == ("no-position", "stop", None)
    assert raised.t <= 68.5
    assert "port is gone" in words(raised).say


def test_a_port_that_is_back_within_five_seconds_is_quiet(day):
    bench = day.bench(FixLost)
    facts = [*walk(day, 61.0), Port(t=60.5, stream="receiver", state="lost"), Port(t=64.0, stream="receiver", state="back")]
    assert bench.play(facts + walk(day, 100.0, start=64.5), 100.0) == []


def test_all_is_as_before_only_while_a_fix_stands_whose_silence_counts_no_sooner(day):
    (rule,) = (bench := day.bench(FixLost)).rules
    bench.play([day.fix(t) for t in day.every(1.0, 1.0, 20.5)], 20.5)
    assert rule.see(day.fix(21.0)) is True
    assert rule.see(day.epoch(21.5)) is True
    assert rule.see(day.fix(22.0, quality=5)) is False
    assert rule.due() <= 22.0
    assert rule.see(day.epoch(22.5)) is False
    assert rule.see(day.fix(23.0, quality=5)) is False
    (rule,) = (bench := day.bench(FixLost)).rules
    bench.play([day.fix(t) for t in day.every(2.0, 1.0, 20.5)], 20.5)
    assert rule.see(day.fix(21.0)) is False
