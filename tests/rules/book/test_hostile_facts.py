"""No sequence of facts, however odd, makes a rule throw, and what it then says can be put into words and JSON."""

import datetime as dt
import json
from string import Formatter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.contents import RULES, rules_in_force
from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import (
    Antenna,
    Bias,
    CheckIn,
    Epoch,
    Fix,
    Frozen,
    Health,
    Planned,
    Port,
    ReadingFailed,
    RuleFailed,
    SetUp,
    SignalLevels,
    Solved,
    Station,
    Tilt,
    Traffic,
    Utc,
)

STREAM = st.sampled_from(["corrections", "receiver", ""])
STATION = st.sampled_from([0, 1, 417, 4095])
NUMBER = st.one_of(st.floats(-1e9, 1e9), st.sampled_from([0.0, -0.0, 1e-300, 1e15, -1e15, 90.0, 180.0, 604_800.0]))
MAYBE = st.none() | NUMBER
COUNT = st.integers(0, 2**31)
MAYBE_COUNT = st.none() | COUNT
MESSAGES = st.lists(st.sampled_from([1004, 1012, 1071, 1074, 1077, 1087, 1127, 1137, 4072]), max_size=4).map(tuple)
SYSTEMS = st.text("GRECJIS", max_size=7)
WORDS = st.text(max_size=30)

FACTS = st.one_of(
    st.builds(
        Fix,
        t=st.just(0.0),
        stream=STREAM,
        time_s=MAYBE,
        quality=st.integers(-1, 99),
        latitude=MAYBE,
        longitude=MAYBE,
        height_m=MAYBE,
        separation_m=MAYBE,
        satellites=MAYBE_COUNT,
        hdop=MAYBE,
        age_s=MAYBE,
        station_id=st.none() | st.integers(0, 9999),
        sigma_east_m=MAYBE,
        sigma_north_m=MAYBE,
        sigma_up_m=MAYBE,
    ),
    st.builds(
        Epoch,
        t=st.just(0.0),
        stream=STREAM,
        station_id=STATION,
        time_s=st.none() | st.floats(0, 604_800),
        systems=SYSTEMS,
        satellites=COUNT,
        cells=COUNT,
        size_bytes=COUNT,
        messages=MESSAGES,
        masks=st.lists(st.tuples(st.integers(0, 64), st.integers(0, 32), st.integers(0, 64)), max_size=4).map(tuple),
        frequencies=st.none() | st.integers(0, 5),
    ),
    st.builds(
        Utc,
        t=st.just(0.0),
        stream=STREAM,
        utc=st.datetimes(dt.datetime(1, 1, 2), dt.datetime(9998, 1, 1), timezones=st.just(dt.UTC)),
        source=st.sampled_from(["RMC", "ZDA"]),
    ),
    st.builds(
        Station,
        t=st.just(0.0),
        stream=STREAM,
        station_id=STATION,
        message=st.sampled_from([1005, 1006]),
        x_m=NUMBER,
        y_m=NUMBER,
        z_m=NUMBER,
        antenna_height_m=MAYBE,
        itrf_year=st.integers(0, 63),
    ),
    st.builds(
        Antenna,
        t=st.just(0.0),
        stream=STREAM,
        station_id=STATION,
        message=st.sampled_from([1007, 1008, 1033]),
        descriptor=WORDS,
        receiver=st.none() | WORDS,
    ),
    st.builds(Bias, t=st.just(0.0), stream=STREAM, station_id=STATION),
    st.builds(Tilt, t=st.just(0.0), stream=STREAM, angle_deg=MAYBE, aligned=st.none() | st.booleans()),
    st.builds(
        SignalLevels,
        t=st.just(0.0),
        stream=STREAM,
        levels=st.dictionaries(
            st.sampled_from(["G", "G1C", "G2W", "R1C", "E1C", "C2I", "", "?"]), st.tuples(NUMBER, st.integers(0, 60))
        ),
    ),
    st.builds(
        Traffic,
        t=st.just(0.0),
        stream=STREAM,
        frame_bytes=COUNT,
        other_bytes=COUNT,
        frames=COUNT,
        bad_frames=COUNT,
        frames_by_station=st.dictionaries(st.none() | STATION, COUNT, max_size=3),
        by_message=st.dictionaries(
            st.sampled_from(["1077", "1033", "GGA", "bad frame", "", "²", "99999"]), st.tuples(COUNT, COUNT), max_size=4
        ),
    ),
    st.builds(
        Health,
        t=st.just(0.0),
        stream=st.just(""),
        disk_free_fraction=MAYBE,
        disk_left_h=MAYBE,
        temperature_c=MAYBE,
        under_voltage=st.none() | st.booleans(),
        read_only=st.none() | st.booleans(),
        lost_bytes=MAYBE_COUNT,
        restarts=MAYBE_COUNT,
        log_failed=st.none() | st.booleans(),
    ),
    st.builds(Port, t=st.just(0.0), stream=STREAM, state=st.sampled_from(["open", "waiting", "lost", "back"]), reason=WORDS),
    st.builds(
        SetUp,
        t=st.just(0.0),
        stream=st.just(""),
        point=st.none() | st.sampled_from(["KQ-1", "KQ-2", "", "?"]),
        antenna_height_m=NUMBER,
        pole_height_m=NUMBER,
    ),
    st.builds(CheckIn, t=st.just(0.0), stream=st.just(""), point=st.sampled_from(["KQ-1", "KQ-2", "", "?"])),
    st.builds(Solved, t=st.just(0.0), stream=st.just(""), rule=WORDS, cause=WORDS, step=WORDS),
    st.builds(Planned, t=st.just(0.0), stream=st.just(""), for_s=st.floats(0, 1e6), why=WORDS),
    st.builds(Frozen, t=st.just(0.0), stream=st.just(""), for_s=st.floats(0, 1e6)),
    st.builds(ReadingFailed, t=st.just(0.0), stream=WORDS, error=WORDS),
    st.builds(RuleFailed, t=st.just(0.0), stream=st.just(""), rule=WORDS, error=WORDS),
)
STRETCHES = st.lists(  # facts that come together, again and again
    st.tuples(st.sampled_from([0.0, 0.05, 1.0, 4.0, 30.0, 700.0]), st.sampled_from([1, 1, 3, 12]), st.lists(FACTS, max_size=4)),
    max_size=8,
)
RADIO = {"base": {"air_rate_bps": 9600, "forward_error_correction": True, "antenna_above_ground_m": 4.0}}
MARKS = [
    {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322},
    {"name": "KQ-2", "latitude": 39.1255567, "longitude": -104.9851543, "height": 1881.976},
]
PROJECT = {"project": {"frame": "EPSG:6319", "vertical": "ellipsoidal", "control": MARKS}}
OWN = [{"name": f"own-{index}", "measure": name, "above": 0.0} for index, name in enumerate(MEASURES)]


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(
    stretches=STRETCHES,
    role=st.sampled_from(["base", "rover"]),
    base=st.sampled_from([{}, {"station_id": 417, "antenna": "KESTREL-A1"}]),
    pole_m=st.sampled_from([0.0, 2.0]),
    project=st.sampled_from([{}, PROJECT]),
)
def test_no_rule_throws(day, stretches, role, base, pole_m, project):
    site = day.site(role, base=base, radio=RADIO, rover={"pole_height_m": pole_m}, own_rule=OWN, **project)
    scene = Scene(site)
    rules = rules_in_force(site, scene)
    assert len(rules) > len(OWN) + len(RULES) // 2
    t = 0.0
    for wait, fact in ((wait, fact) for wait, times, facts in stretches for _ in range(times) for fact in facts):
        t += wait
        fact.t = t
        scene.see(fact)
        for rule in rules:
            rule.site = scene.site  # as the engine does
            if isinstance(fact, rule.sees):
                rule.see(fact)
        for rule in rules:
            for finding in rule.judge(t):
                assert finding.causes
                assert {cause.cause for cause in finding.causes} <= set(rule.causes)
                first = finding.causes[0].cause
                line, steps, at_base = rule.causes[first]
                wanted = {
                    field for text in (line, *steps, *(at_base or ())) for _, field, _, _ in Formatter().parse(text) if field
                }
                assert wanted <= finding.evidence.keys() | finding.words.keys() | {"stream", "rule"}
                sentence = Sentence(
                    rule=rule.name, cause=first, stream="", role=role, evidence=finding.evidence, words=finding.words
                )
                assert words(sentence).say != f"{rule.name}: {first}"
                json.dumps(finding.evidence, allow_nan=False)
