"""No rule finds anything before the `t` that its `due()` names, whatever came: the engine does not ask it until then.

The engine asks `due` after each fact of which `see` does not say that it is as before, and after each `judge`; when the rules
that are active change it asks every rule to judge.
"""

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.rules.book.contents import RULES, rules_in_force
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Antenna, Frozen, Health, Planned, Port, Tilt, Traffic

from tests.rules.book.test_hostile_facts import FACTS, OWN, RADIO
from tests.rules.conftest import Day

DAY = Day()
MARK = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.3}
PROJECT = {"frame": "EPSG:6319", "vertical": "ellipsoidal", "control": [MARK]}
BASES = [
    {},
    {"station_id": 417, "antenna": "KESTREL-A1", "antenna_height_m": 1.843},
    {"station_id": 417, "occupies": "KQ-1", "antenna_height_m": 1.843},
]
ACTIVE = st.frozensets(st.sampled_from([rule.name for rule in RULES]), max_size=3)

# What an ordinary day is made of, and the ways in which it goes wrong: these come again and again, a second or so apart.
ORDINARY = st.sampled_from(
    [
        lambda: DAY.epoch(0.0),
        lambda: DAY.epoch(0.0, late_s=9.0),
        lambda: DAY.epoch(0.0, station_id=9),
        lambda: DAY.epoch(0.0, size_bytes=2000),
        lambda: DAY.epoch(0.0, frequencies=1, systems="G"),
        lambda: DAY.fix(0.0),
        lambda: DAY.fix(0.0, quality=5),
        lambda: DAY.fix(0.0, quality=1, age_s=None),
        lambda: DAY.fix(0.0, quality=0, latitude=None, longitude=None, height_m=None),
        lambda: DAY.fix(0.0, age_s=9.0),
        lambda: DAY.fix(0.0, station_id=9),
        lambda: DAY.fix(0.0, satellites=4, hdop=5.0),
        lambda: DAY.fix(0.0, separation_m=None),
        lambda: DAY.fix(0.0, height_m=1893.5),
        lambda: DAY.fix(0.0, longitude=-104.98),
        lambda: DAY.station(0.0),
        lambda: DAY.station(0.0, x_m=-1281254.0),
        lambda: DAY.station(0.0, antenna_height_m=2.0),
        lambda: DAY.station(0.0, station_id=9),
        lambda: DAY.utc(0.0),
        lambda: Traffic(t=0.0, stream="corrections", frames=4, frame_bytes=900, frames_by_station={417: 4}),
        lambda: Traffic(t=0.0, stream="corrections", frames=4, frame_bytes=900, frames_by_station={9: 4}),
        lambda: Traffic(t=0.0, stream="corrections", other_bytes=900),
        lambda: Tilt(t=0.0, stream="receiver", angle_deg=2.0, aligned=True),
        lambda: Tilt(t=0.0, stream="receiver", angle_deg=40.0, aligned=False),
        lambda: Port(t=0.0, stream="corrections", state="lost"),
        lambda: Port(t=0.0, stream="receiver", state="lost"),
        lambda: Port(t=0.0, stream="corrections", state="back"),
        lambda: Antenna(t=0.0, stream="corrections", station_id=417, message=1033, descriptor="ANOTHER-B2"),
        lambda: Health(t=0.0, stream="", disk_free_fraction=0.05, temperature_c=90.0),
        lambda: Health(t=0.0, stream="", disk_free_fraction=0.5, temperature_c=40.0, lost_bytes=0),
        lambda: Planned(t=0.0, stream="", for_s=20.0, why="battery"),
        lambda: Frozen(t=0.0, stream="", for_s=20.0),
    ]
).map(lambda make: make())

STEPS = st.tuples(
    st.sampled_from([0.0, 0.2, 1.0, 1.0, 3.0, 7.0, 40.0, 700.0]),  # how long nothing comes
    st.lists(FACTS | ORDINARY | ACTIVE, max_size=4),  # what comes together; of names, the rules that are active from now on
    st.sampled_from([1, 1, 4, 15, 70]),  # how often
    st.booleans(),  # whether somebody asks in between
)


@pytest.mark.parametrize("name", [*(rule.name for rule in RULES), "own"])
@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    steps=st.lists(STEPS, max_size=6),
    role=st.sampled_from(["base", "rover"]),
    base=st.sampled_from(BASES),
    share=st.floats(0.0, 1.0),
    own=st.sampled_from([table["name"] for table in OWN]),
)
def test_no_rule_finds_anything_before_it_is_due(name, steps, role, base, share, own):
    site = DAY.site(role, base=base, radio=RADIO, own_rule=OWN, project=PROJECT)
    scene = Scene(site)
    wanted = own if name == "own" else name
    for rule in [rule for rule in rules_in_force(site, scene) if rule.name == wanted]:
        break_promise(rule, scene, steps, share)


def break_promise(rule, scene, steps, share):
    """Try to; facts are told as the engine tells them."""
    t = due = 0.0
    for wait, came, times, asked in steps:
        for _ in range(times):
            if asked:
                # The last moment before it is due or something comes, and one on the way there.
                last = min(t + wait, math.nextafter(due, -math.inf))
                # While an alert of its own is open the engine asks it always.
                for at in (t + share * (last - t), last) if last >= t and rule.name not in scene.active_rules else ():
                    found = list(rule.judge(at))
                    assert not found, f"{rule.name} was due at {due} and finds at {at}: {found}"
                if t + wait >= due:
                    list(rule.judge(t + wait))
                due = rule.due()
            t += wait
            for what in came:
                if isinstance(what, frozenset):
                    scene.active_rules, due = set(what), 0.0
                    continue
                what.t = t
                scene.see(what)
                if isinstance(what, rule.sees):
                    as_before = rule.see(what)
                    assert not as_before or rule.due() >= due, f"{rule.name}: {what} brings it forward to {rule.due()}"
                    if not as_before:
                        due = rule.due()


def test_a_rule_that_promises_too_much_would_be_found():
    class Boastful(RULES[0]):
        def due(self):
            return math.inf

    site = DAY.site("base")
    rule = Boastful(site, Boastful.Figures(), Scene(site))
    assert list(rule.judge(20.0))
    assert rule.due() == math.inf
