"""sky: satellites, geometry, and signals against their own half hour."""

import math
import random

import pytest
from witnesspost.rules.book.sky import Sky
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Planned, SignalLevels

SIGNALS = {"G1C": 9, "G2W": 9, "R1C": 7, "R2C": 6, "E1C": 8, "E5Q": 8, "C2I": 9, "C7I": 7}


def levels(day, until, start=0.0, fall=None, stream="corrections", interval=10.0, signals=None):
    """One constellation a sample, in turn, as the decoder reads them; `fall` is dB by signal."""
    noise = random.Random(7)
    facts = []
    for index, t in enumerate(day.every(interval, start, until)):
        system = "GREC"[index % 4]
        said = {
            name: (44.0 + noise.gauss(0, 0.4) - (fall or {}).get(name, 0.0), count)
            for name, count in (signals or SIGNALS).items()
            if name[0] == system
        }
        if said:
            facts.append(SignalLevels(t=t, stream=stream, levels=said))
    return facts


def fixes(day, until, start=0.0, **fix):
    return [day.fix(t, **fix) for t in day.every(1.0, start, until)]


def test_an_ordinary_hour_is_quiet(day):
    bench = day.bench(Sky)
    facts = levels(day, 3600.0) + fixes(day, 3600.0) + [day.epoch(t) for t in day.every(1.0, 0.0, 3600.0)]
    assert bench.play(facts, 3600.0) == []


def test_few_satellites_for_half_a_minute(day):
    bench = day.bench(Sky)
    changes = bench.play(fixes(day, 60.0) + fixes(day, 120.0, start=60.0, satellites=4), 120.0)
    assert day.said(changes) == [(90.0, "raised", "sky", "few-satellites")]
    assert words(changes[0]).say == "The rover has only 4 satellites."


def test_six_satellites_and_hdop_three_are_quiet(day):
    bench = day.bench(Sky)
    assert bench.play(fixes(day, 300.0, satellites=6, hdop=3.0), 300.0) == []


def test_a_dip_under_half_a_minute_is_quiet(day):
    bench = day.bench(Sky)
    facts = fixes(day, 60.0) + fixes(day, 88.0, start=60.0, satellites=3, hdop=8.0) + fixes(day, 200.0, start=88.0)
    assert bench.play(facts, 200.0) == []


def test_a_receiver_that_starts_gets_two_minutes(day):
    bench = day.bench(Sky)
    facts = fixes(day, 110.0, satellites=0, quality=0, hdop=99.99) + fixes(day, 300.0, start=110.0)
    assert bench.play(facts, 300.0) == []
    bench = day.bench(Sky)
    assert day.said(bench.play(fixes(day, 300.0, satellites=3), 300.0)) == [(150.0, "raised", "sky", "few-satellites")]


def test_the_base_s_satellites_at_the_rover(day):
    bench = day.bench(Sky)
    facts = [day.epoch(t, satellites=30 if t < 60 else 4) for t in day.every(1.0, 0.0, 120.0)]
    (raised,) = bench.play(facts, 120.0)
    assert (raised.cause, raised.stream, words(raised).say) == (
        "few-satellites",
        "corrections",
        "The base has only 4 satellites.",
    )


def test_poor_geometry(day):
    bench = day.bench(Sky, role="base")
    changes = bench.play(fixes(day, 60.0) + fixes(day, 120.0, start=60.0, hdop=3.1), 120.0)
    assert day.said(changes) == [(90.0, "raised", "sky", "poor-geometry")]


def test_no_position_has_no_geometry(day):
    bench = day.bench(Sky)
    facts = fixes(day, 60.0) + fixes(day, 300.0, start=60.0, quality=0, hdop=99.99, satellites=7)
    assert bench.play(facts, 300.0) == []


def test_a_base_that_was_told_its_position_says_nothing_of_its_sky(day):
    bench = day.bench(Sky, role="base")
    assert bench.play(fixes(day, 300.0, quality=7, satellites=0, hdop=None), 300.0) == []


def test_all_signals_at_once_point_at_the_antenna(day):
    bench = day.bench(Sky, role="base")
    facts = levels(day, 1200.0) + levels(day, 1320.0, start=1200.0, fall=dict.fromkeys(SIGNALS, 9.0))
    changes = bench.play(facts, 1320.0)
    assert [(c.change, c.cause, c.evidence["pattern"]) for c in changes] == [("raised", "signal-drop", "all")]
    assert 1230.0 <= changes[0].t <= 1240.0  # the first fallen sample at 1200 s, 30 s on
    assert changes[0].evidence["drop_db"] == pytest.approx(9.0, abs=0.6)
    assert "antenna" in words(changes[0]).say


def test_one_constellation_does_not(day):
    bench = day.bench(Sky, role="base")
    fall = {"R1C": 9.0, "R2C": 9.0}
    changes = bench.play(levels(day, 1200.0) + levels(day, 1400.0, start=1200.0, fall=fall), 1400.0)
    assert [(c.cause, c.evidence["pattern"], c.evidence["fallen"]) for c in changes] == [
        ("signal-drop", "constellation", "R1C R2C")
    ]
    assert "Only GLONASS: not the antenna's cable" in words(changes[0]).say


def test_one_band_of_several_constellations_is_interference_there(day):
    bench = day.bench(Sky, role="base")
    fall = {name: 25.0 for name in SIGNALS if name[1] == "1"}
    changes = bench.play(levels(day, 1200.0) + levels(day, 1400.0, start=1200.0, fall=fall), 1400.0)
    assert [(c.cause, c.evidence["pattern"]) for c in changes] == [("signal-drop", "band")]


def test_one_antenna_is_one_alert_though_two_streams_tell_of_it(day):
    fall = dict.fromkeys(SIGNALS, 9.0)
    facts = []
    for stream in ("corrections", "receiver"):
        facts += levels(day, 1200.0, stream=stream) + levels(day, 1300.0, start=1200.0, fall=fall, stream=stream)
    facts += [day.epoch(t, satellites=30 if t < 1200 else 3) for t in day.every(1.0, 0.0, 1300.0)]
    facts += fixes(day, 1200.0) + fixes(day, 1300.0, start=1200.0, satellites=3)
    base, rover = day.bench(Sky, role="base"), day.bench(Sky)
    assert sorted(c.cause for c in base.play(facts, 1300.0)) == ["few-satellites", "signal-drop"]
    assert sorted(c.cause for c in rover.play(facts, 1300.0)) == ["few-satellites"] * 2 + ["signal-drop"] * 2


def test_close_under_six_db_is_quiet(day):
    bench = day.bench(Sky)
    facts = levels(day, 1200.0) + levels(day, 2400.0, start=1200.0, fall=dict.fromkeys(SIGNALS, 5.0))
    assert bench.play(facts, 2400.0) == []


def test_without_ten_minutes_of_baseline_nothing_has_fallen(day):
    bench = day.bench(Sky)
    facts = levels(day, 200.0) + levels(day, 1200.0, start=200.0, fall=dict.fromkeys(SIGNALS, 12.0))
    assert bench.play(facts, 1200.0) == []


def test_a_drop_that_lasts_stands_until_its_half_hour_is_over(day):
    bench = day.bench(Sky)
    facts = levels(day, 1800.0) + levels(day, 7200.0, start=1800.0, fall=dict.fromkeys(SIGNALS, 9.0))
    changes = bench.play(facts, 7200.0)
    assert [c.change for c in changes] == ["raised", "cleared"]
    assert 1100.0 < changes[1].t - changes[0].t < 1900.0


def test_a_planned_stop_begins_the_half_hour_anew(day):
    bench = day.bench(Sky)
    facts = [*levels(day, 1200.0), Planned(t=1200.0, stream="", for_s=120.0, why="battery")]
    facts += levels(day, 2400.0, start=1300.0, fall=dict.fromkeys(SIGNALS, 9.0))
    facts += fixes(day, 1200.0) + fixes(day, 1400.0, start=1300.0, satellites=3) + fixes(day, 2400.0, start=1400.0)
    assert bench.play(facts, 2400.0) == []


def test_a_signal_of_a_few_satellites_is_no_mean(day):
    bench = day.bench(Sky)
    few = {"G1C": 9, "J1C": 2}
    facts = [
        SignalLevels(t=t, stream="receiver", levels={"G1C": (45.0, 9), "J1C": (45.0 if t < 1200 else 20.0, few["J1C"])})
        for t in day.every(10.0, 0.0, 2400.0)
    ]
    assert bench.play(facts, 2400.0) == []


def test_satellites_that_rise_and_set_are_quiet(day):
    """A made-up pass: each satellite climbs and sinks over five hours, C/N0 from 34 to 50 dB-Hz with its elevation."""
    bench = day.bench(Sky)
    phases = {system: [random.Random(ord(system) * 50 + k).random() for k in range(24)] for system in "GREC"}
    facts = []
    for index, t in enumerate(day.every(10.0, 0.0, 86_400.0)):
        system = "GREC"[index % 4]
        seen = []
        for phase in phases[system]:
            height = math.sin(math.pi * 2 * ((t / 43_000.0 + phase) % 1.0))
            if height > 0.17:
                seen.append(34.0 + 16.0 * height)
        if seen:
            name = f"{system}1C"
            facts.append(SignalLevels(t=t, stream="corrections", levels={name: (sum(seen) / len(seen), len(seen))}))
    assert bench.play(facts, 86_400.0) == []
