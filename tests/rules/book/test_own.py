"""The crew's own rules, and the measurements they can use."""

import itertools
import re

import pytest
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.book.measures import MEASURES, measure_problems
from witnesspost.rules.book.own import OwnRule, own_rules
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Epoch, Fix, Health, SignalLevels, Station, Tilt
from witnesspost.rules.language.speech import Speech, languages


def own_bench(day, **own):
    said = {"name": "mine", **own}
    site = day.site(own_rule=[said])
    bench = day.bench(own_rule=[said])
    (rule,) = own_rules(site, bench.scene)
    return type(bench)(site, [rule], bench.scene)


def test_below_for_the_on_delay(day):
    bench = own_bench(day, measure="fix.satellites", below=6, say="Too few: wait.")
    facts = [day.fix(t, satellites=5 if t >= 20 else 6) for t in day.every(1.0, 0.0, 60.0)]
    changes = bench.play(facts, 60.0)
    assert day.said(changes) == [(30.0, "raised", "mine", "below")]
    assert words(changes[0]) == ("Too few: wait. Satellites used in the position: 5, below 6.", [])
    assert changes[0].severity == "check"
    assert changes[0].evidence == {"measure": "fix.satellites", "value": 5, "limit": 6.0, "unit": "1"}


def test_at_the_bound_is_quiet(day):
    bench = own_bench(day, measure="fix.satellites", below=6)
    assert bench.play([day.fix(t, satellites=6) for t in day.every(1.0, 0.0, 60.0)], 60.0) == []
    bench = own_bench(day, measure="fix.hdop", above=2.0)
    assert bench.play([day.fix(t, hdop=2.0) for t in day.every(1.0, 0.0, 60.0)], 60.0) == []


def test_above_with_deadband_and_off_delay(day):
    bench = own_bench(day, measure="fix.age_s", above=3.0, deadband=1.0, on_delay_s=2.0, off_delay_s=5.0, severity="stop")
    ages = {0: 1.0, 10: 4.0, 20: 2.5, 30: 1.9}
    facts = [day.fix(t, age_s=ages[max(k for k in ages if k <= t)]) for t in day.every(1.0, 0.0, 60.0)]
    assert day.said(bench.play(facts, 60.0)) == [(12.0, "raised", "mine", "above"), (35.2, "normal", "mine", "above")]


def test_equals(day):
    bench = own_bench(day, measure="fix.quality", equals=5, on_delay_s=0)
    facts = [day.fix(t, quality=5 if t >= 5 else 4) for t in day.every(1.0, 0.0, 10.0)]
    assert day.said(bench.play(facts, 10.0)) == [(5.2, "raised", "mine", "equals")]


def test_what_is_not_said_is_no_trouble(day):
    bench = own_bench(day, measure="fix.age_s", above=3.0, on_delay_s=0)
    assert bench.play([day.fix(t, age_s=None) for t in day.every(1.0, 0.0, 10.0)], 10.0) == []
    bench = own_bench(day, measure="fix.age_s", above=3.0, on_delay_s=0, off_delay_s=0)
    assert [c.change for c in bench.play([day.fix(1.0, age_s=9.0)], 60.0)] == ["raised", "cleared"]


def test_without_words_of_its_own_it_says_the_measurement(day):
    bench = own_bench(day, measure="corrections.size_bytes", above=500, on_delay_s=0)
    (raised,) = bench.play([day.epoch(1.0, size_bytes=900)], 2.0)
    assert words(raised) == ("Size of one epoch's observations: 900 byte, above 500 byte.", [])


def test_the_crew_s_own_words_stay_and_the_measurement_is_said_in_its_language(day):
    bench = own_bench(day, measure="fix.satellites", below=6, on_delay_s=0, say="Espere, o salga de los árboles")
    (raised,) = bench.play([day.fix(1.0, satellites=5)], 2.0)
    said = "Espere, o salga de los árboles. Satélites usados en la posición: 5, por debajo de 6."
    assert words(raised, Speech.of("es")).say == said


@pytest.mark.parametrize("language", [language for language in languages() if language != "en"])
@pytest.mark.parametrize("measure", sorted(MEASURES))
def test_each_measurement_can_be_said_in_each_language(day, language, measure):
    for cause, bound in itertools.product(OwnRule.causes, (13.0, 0.25)):
        own = {"name": "mine", "measure": measure, cause: bound}
        (rule,) = own_rules(day.site(own_rule=[own]), day.bench(own_rule=[own]).scene)
        rule._value = 12.5
        told = Sentence(rule="mine", stream="", role="rover", cause=cause, evidence={}, words=rule._words(cause, bound))
        english, said = words(told).say, words(told, Speech.of(language)).say
        assert english != said
        assert re.findall(rf"12\.5|\b{bound:g}\b", english) == re.findall(rf"12\.5|\b{bound:g}\b", said) != []


def test_a_foreign_station_s_corrections_are_not_measured(day):
    site_base = {"station_id": 417}
    said = {"name": "mine", "measure": "corrections.satellites", "below": 10, "on_delay_s": 0}
    site = day.site(own_rule=[said], base=site_base)
    bench = day.bench(own_rule=[said], base=site_base)
    bench = type(bench)(site, own_rules(site, bench.scene), bench.scene)
    assert bench.play([day.epoch(1.0, satellites=5, station_id=9)], 5.0) == []
    assert [c.rule for c in bench.play([day.epoch(6.0, satellites=5)], 7.0)] == ["mine"]


def test_a_constellation_is_read_only_from_its_own_messages(day):
    bench = own_bench(day, measure="signals.galileo_dbhz", below=30, on_delay_s=5)
    facts = []
    for t in day.every(10.0, 0.0, 60.0):
        facts.append(SignalLevels(t=t, stream="corrections", levels={"E1C": (25.0, 4), "E5Q": (28.0, 4)}))
        facts.append(SignalLevels(t=t + 1, stream="corrections", levels={"G1C": (45.0, 8)}))
    changes = bench.play(facts, 60.0)
    assert [(c.t, c.evidence["value"]) for c in changes] == [(5.0, 26.5)]


@pytest.mark.parametrize(
    ("written", "near"),
    [
        ("fix.satelites", "fix.satellites"),
        ("fix.age", "fix.age_s"),
        ("corrections.size", "corrections.size_bytes"),
        ("satellites", "satellites"),
        ("hdop", "fix.hdop"),
    ],
)
def test_a_name_that_does_not_exist_gets_the_nearest(day, written, near):
    (problem,) = measure_problems(day.site(own_rule=[{"name": "mine", "measure": written, "below": 1}]))
    assert problem.startswith(f"own_rule[1].measure: {written!r} is not a measurement; did you mean ")
    assert near in problem


def test_a_name_like_no_other_is_sent_to_the_list(day):
    (problem,) = measure_problems(day.site(own_rule=[{"name": "mine", "measure": "qqqq", "below": 1}]))
    assert problem == "own_rule[1].measure: 'qqqq' is not a measurement; witnesspost check --measures lists them"


def test_a_built_in_rule_s_name_is_taken(day):
    site = day.site(own_rule=[{"name": "tilt", "measure": "fix.hdop", "above": 1}])
    assert measure_problems(site, FIGURES) == ["own_rule[1].name: 'tilt' is a built-in rule; expected another name"]
    assert measure_problems(site) == []


def test_every_measurement_can_be_had_from_an_ordinary_day(day):
    bench = day.bench()
    facts = [
        day.utc(0.0),
        day.station(0.0),
        day.epoch(0.5),
        day.epoch(1.5),
        day.fix(2.0, sigma_east_m=0.01, sigma_north_m=0.02, sigma_up_m=0.03),
        Tilt(t=2.0, stream="receiver", angle_deg=1.0, aligned=True),
        SignalLevels(t=2.0, stream="corrections", levels={f"{system}1C": (44.0, 8) for system in "GRECJ"}),
        Health(t=2.0, stream="", disk_free_fraction=0.5, disk_left_h=90, temperature_c=40, lost_bytes=0, restarts=1),
    ]
    for fact in facts:
        bench.scene.see(fact)
    latest = {type(fact): fact for fact in facts}
    assert set(latest) - {type(facts[0])} == {Station, Epoch, Fix, Tilt, SignalLevels, Health}
    for name, measure in MEASURES.items():
        fact = latest[measure.fact]
        assert measure.concerns(fact, bench.scene), name
        value = measure.get(fact, bench.scene)
        assert value is not None, name
        assert measure.unit
        assert measure.meaning
