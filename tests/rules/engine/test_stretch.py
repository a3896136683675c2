"""Positions that wait for their rules change nothing: all is as with an engine that tells each at once."""

import math
from itertools import count

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.rules.book.contents import rules_in_force
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.corrections_late import CorrectionsLate
from witnesspost.rules.book.height_reference import HeightReference
from witnesspost.rules.datum.geodesy import expected_arp
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.engine.stretch import OFTEN_S, WAIT_S, Stretch
from witnesspost.rules.facts import CheckIn, Planned, SetUp, SignalLevels, Tilt, Traffic, Unseen

from tests.rules.conftest import Day

DAY = Day()
METRE = 1 / 111_320.0  # of latitude, in degrees
MARK = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
PROJECT = {"frame": "EPSG:6319", "vertical": "geoid", "geoid": "bundled", "control": [MARK]}
BASE = {"station_id": 417, "occupies": "KQ-1", "antenna_height_m": 1.843}
ARP = dict(zip(("x_m", "y_m", "z_m"), expected_arp(DAY.site("rover", base=BASE, project=PROJECT)).ecef, strict=True))
QUIET = {"message-set": {"off": True}}  # these epochs lack messages; and while an alert stands, no position waits
FIGURES = [
    {},
    {
        "corrections-late": {"limit_s": 1.0, "on_delay_s": 0.0},
        "height-reference": {"on_delay_s": 0.0},
        "sky": {"on_delay_s": 0.0},
    },
    {"fix-lost": {"on_delay_s": 0.0}, "control-check": {"still_s": 0.5}, "tilt": {"on_delay_s": 0.2}},
    {"control-check": {"lean_deg": 0.3, "still_s": 4.0}, "tilt": {"plumb_deg": 0.3}},
    {"control-check": {"still_s": WAIT_S + OFTEN_S}},
]
OWN = {"name": "high", "measure": "fix.height_m", "above": 1893.0, "on_delay_s": 0.0, "off_delay_s": 0.4, "say": "High."}

EPISODES = st.fixed_dictionaries(
    {
        "lasts_s": st.sampled_from([0.3, 1.0, 2.5, 6.0, 14.0, 25.0]),
        "every_s": st.sampled_from([0.1, 0.1, 0.2, 1.0]),
        "walks_m_s": st.sampled_from([0.0, 0.0, 0.1, 1.2]),
        "leaps_m": st.sampled_from([0.0, 0.0, 0.08, 5.0, -5.0, 40_000.0]),
        "rises_m": st.sampled_from([0.0, 0.0, 0.2, 1.9]),
        "lean_deg": st.sampled_from([None, 0.2, 0.4, 4.0, 20.0, 60.0]),
        "aligned": st.sampled_from([None, True, False]),
        "epochs": st.booleans(),
        "asks": st.sampled_from([None, None, "check-in", "planned", "set-up"]),
        "fix": st.fixed_dictionaries(
            {
                "quality": st.sampled_from([4, 4, 4, 5, 1, 0]),
                "age_s": st.sampled_from([1.0, 1.0, 2.0, 4.0, 9.0, None]),
                "station_id": st.sampled_from([417, 417, 9]),
                "satellites": st.sampled_from([20, 20, 4]),
                "hdop": st.sampled_from([0.7, 0.7, 5.0]),
                "separation_m": st.sampled_from([-16.0, -16.0, 3.0, None]),
            }
        ),
    }
)


class AtOnce(Stretch):
    """Lets no position wait."""

    def goes_on(self, fix):
        return False


class Deaf(Stretch):
    """Takes a position of another quality for one that goes on as before."""

    def goes_on(self, fix):
        return super().goes_on(msgspec.structs.replace(fix, quality=4)) and bool(self.fixes.__setitem__(-1, fix) or True)


def facts_of(episodes):
    """What a rover's post is told, in order: ten positions a second, and what comes between them."""
    t, north_m, up_m, ticks = 0.0, 0.0, 0.0, count()
    yield DAY.station(0.0, **ARP)
    for episode in episodes:
        north_m, up_m = north_m + episode["leaps_m"], episode["rises_m"]
        asked = {
            "check-in": lambda t: CheckIn(t=t, stream="", point="KQ-1"),
            "planned": lambda t: Planned(t=t, stream="", for_s=4.0, why="battery"),
            "set-up": lambda t: SetUp(t=t, stream="", point="KQ-1", antenna_height_m=1.9, pole_height_m=2.0),
        }.get(episode["asks"])
        if asked is not None:
            yield asked(t)
        for _ in range(math.ceil(episode["lasts_s"] / episode["every_s"])):
            t = round(t + episode["every_s"], 3)
            north_m += episode["walks_m_s"] * episode["every_s"]
            tick = next(ticks)
            where = {"latitude": MARK["latitude"] + north_m * METRE, "longitude": MARK["longitude"]}
            fix = DAY.fix(t, **where, height_m=1876.32 + up_m + 0.002 * (tick % 3), **episode["fix"])
            if fix.age_s is not None:
                fix.age_s += 0.1 * (tick % 10)
            if tick % 9 == 8 and not episode["epochs"]:
                fix.latitude = fix.longitude = None
            yield fix
            if tick % 2 == 0:
                yield Traffic(t=t, stream="corrections", frames=4, frame_bytes=900, frames_by_station={417: 4})
            if tick % 7 == 0 and (episode["lean_deg"] is not None or episode["aligned"] is not None):
                yield Tilt(t=t, stream="receiver", angle_deg=episode["lean_deg"], aligned=episode["aligned"])
            if tick % 10 == 4 and episode["epochs"]:
                yield DAY.epoch(t)
            if tick % 25 == 3:
                yield SignalLevels(t=t, stream="receiver", levels={"G1C": (42.0, 8)})
                yield DAY.utc(t)


def told(stretch, episodes, figures, *, passed_over=None):
    """All that an engine says of it, asked every 0.2 s; but for the moments before `next_t`, which then are collected."""
    site = DAY.site("rover", base=BASE, project=PROJECT, rules=QUIET | figures, own_rule=[OWN], rover={"pole_height_m": 2.0})
    scene = Scene(site)
    engine = Engine(rules_in_force(site, scene), scene)
    engine._stretch = stretch
    said, step = [], 0
    for fact in facts_of(episodes):
        while (step + 1) / 5.0 <= fact.t:
            step += 1
            if passed_over is None or step / 5.0 >= engine.next_t:
                said += engine.judge(step / 5.0)
            else:
                passed_over.append(step)
        engine.see(fact)
        declared = scene.declared
        said.append((scene.fix and scene.fix.t, declared and (declared.stood_s, declared.hindrance, declared.outcome)))
    for more in range(step + 1, step + 100):
        said += engine.judge(more / 5.0)
    return [msgspec.to_builtins(one) for one in said], engine.events


@pytest.mark.slow
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.lists(EPISODES, min_size=1, max_size=6), st.sampled_from(FIGURES))
def test_what_waits_changes_nothing(episodes, figures):
    at_once = told(AtOnce(), episodes, figures)
    assert told(Stretch(), episodes, figures) == at_once
    assert told(Stretch(), episodes, figures, passed_over=[]) == at_once


FIX = {"quality": 4, "age_s": 0.5, "station_id": 417, "satellites": 20, "hdop": 0.7, "separation_m": -16.0}
WALK = {
    "lasts_s": 6.0,
    "every_s": 0.1,
    "walks_m_s": 1.2,
    "leaps_m": 0.0,
    "rises_m": 0.0,
    "lean_deg": None,
    "aligned": None,
    "epochs": True,
    "asks": None,
    "fix": FIX,
}
STAND = WALK | {"walks_m_s": 0.0, "rises_m": 0.5}


@pytest.mark.parametrize(
    ("rule", "figures", "epochs", "news"),
    [
        # Where epochs come, their interval widens the limit past what is told at once.
        (CorrectionsLate, {"limit_s": 1.0, "on_delay_s": 0.0}, False, [WALK | {"fix": FIX | {"age_s": 2.0}}]),
        (HeightReference, {"on_delay_s": 0.0}, True, [WALK | {"leaps_m": 30_000.0}]),
        (
            ControlCheck,
            {"lean_deg": 0.5},
            True,
            [STAND | {"leaps_m": -156.48, "lean_deg": 1.0, "lasts_s": 6.0}, STAND | {"lean_deg": 0.2, "lasts_s": 14.0}],
        ),
        (ControlCheck, {"still_s": 0.5}, True, [STAND | {"leaps_m": -156.48, "lasts_s": 1.0}, WALK]),
    ],
    ids=["corrections-late", "height-reference", "control-check's lean", "control-check's time"],
)
def test_a_rule_that_finds_it_sooner_than_positions_wait_lets_none_wait(monkeypatch, rule, figures, epochs, news):
    settled = WALK | {"lasts_s": 130.4, "every_s": 0.2}  # before, some rule is always to be asked
    episodes = [episode | {"epochs": epochs} for episode in (settled, *news)]
    figures = {rule.name: figures, "corrections-stopped": {"off": not epochs}}
    at_once = told(AtOnce(), episodes, figures)
    assert rule.name in [one["rule"] for one in at_once[0] if isinstance(one, dict)]
    assert told(Stretch(), episodes, figures) == at_once
    begin = rule.begin

    def begin_and_wait(self):
        begin(self)
        self.can_wait = True

    monkeypatch.setattr(rule, "begin", begin_and_wait)
    assert told(Stretch(), episodes, figures) != at_once


def test_an_engine_that_has_nothing_to_do_is_passed_over():
    episodes = [WALK | {"lasts_s": 130.0}, WALK | {"fix": FIX | {"quality": 5}}]
    passed_over = []
    at_once = told(AtOnce(), episodes, FIGURES[2])
    assert told(Stretch(), episodes, FIGURES[2], passed_over=passed_over) == at_once
    assert "fix-lost" in [one["rule"] for one in at_once[0] if isinstance(one, dict)]
    assert len(passed_over) > 100


def test_a_stop_that_nobody_had_seen_is_told_at_the_next_moment():
    site = DAY.site("rover", base=BASE, project=PROJECT)
    scene = Scene(site)
    engine = Engine(rules_in_force(site, scene), scene)
    engine.judge(0.2)
    assert engine.next_t > 0.4
    engine.see(Unseen(t=0.3, stream="", rule="wrong-channel", cause="another-base", run="before", alert=1))
    assert engine.next_t <= 0.4
    assert [change.change for change in engine.judge(0.4)] == ["normal"]


def test_a_news_that_waits_would_be_found():
    episodes = [WALK, {**WALK, "fix": {**FIX, "quality": 5}}]
    assert told(Stretch(), episodes, FIGURES[2]) == told(AtOnce(), episodes, FIGURES[2])
    assert told(Deaf(), episodes, FIGURES[2]) != told(AtOnce(), episodes, FIGURES[2])
