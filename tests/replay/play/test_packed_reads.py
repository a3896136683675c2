"""Reads packed into few: the rules hear and are asked the same, in the same order."""

import math

from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.daemon.stream.reading import GRID_MS
from witnesspost.replay.play.packed_reads import packed, unpacked
from witnesspost.rules.facts import Bias, Planned

from tests.rules.conftest import Day

READS = st.lists(
    st.fixed_dictionaries(
        {
            "after_ms": st.sampled_from([0, 1, 40, 100, 160, 199, 200, 201, 400, 1370, 30_000]),
            "told": st.booleans(),
            "said": st.integers(0, 2),
            "at_once": st.sampled_from([None, None, None, 0, 1]),
            "every_turn": st.sampled_from([1, 1, 2, 7]),
        }
    ),
    max_size=40,
)


class Heard:
    """Stands where the engine does, and notes what it is told and when it is asked."""

    next_t = -math.inf
    events = ()

    def __init__(self):
        self.noted = []

    def see(self, fact):
        self.noted.append(fact)

    def see_all(self, facts):
        self.noted += facts

    def judge(self, t):
        self.noted.append(t)
        return []


def reads_of(plan):
    """Reads as they come of ports: what is said is numbered, so that each differs."""
    now_ms = number = 0

    def said(t_ms, count):
        nonlocal number
        number += count
        return [Bias(t=t_ms / 1000.0, stream="corrections", station_id=number - n) for n in range(count)]

    for one in plan:
        before_ms, now_ms = now_ms, now_ms + one["after_ms"]
        moments = range(before_ms // GRID_MS * GRID_MS + GRID_MS, now_ms + 1, GRID_MS * one["every_turn"])
        turns = [(at_ms, said(at_ms, 1)) for at_ms in moments]
        told = Planned(t=now_ms / 1000.0, stream="", for_s=1.0, why="battery")
        came = told if one["told"] else Chunk(now_ms / 1000.0, "corrections", b"")
        yield now_ms, turns, came, said(now_ms, one["said"]), None if one["at_once"] is None else said(now_ms, one["at_once"])


def heard(reads):
    pipeline = Pipeline(Day().site("base"))
    pipeline.engine = Heard()
    for read in reads:
        pipeline.take(read)
    pipeline.tick(pipeline.t + 40.0)
    return pipeline.engine.noted


@given(READS)
def test_all_is_heard_in_its_order_before_the_rules_are_asked(plan):
    plan.append({"after_ms": 200, "told": True, "said": 1, "at_once": None, "every_turn": 1})  # what ends both at one time
    assert heard(unpacked(packed(reads_of(plan)))) == heard(reads_of(plan))


def test_half_a_minute_of_two_reads_a_second_is_packed_into_few():
    second = {"told": False, "said": 1, "at_once": None, "every_turn": 1}
    plan = [{"after_ms": after_ms, **second} for after_ms in (370, 630)] * 30
    assert len([*unpacked(packed(reads_of(plan)))]) <= 3
