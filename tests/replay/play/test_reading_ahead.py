"""A replay reads a stretch ahead: what the rules see, and when, is what a service that reads record by record sees."""

import random

import pytest
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play import reading_ahead
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Chunk
from witnesspost.replay.world.invent import invent
from witnesspost.rules.facts import Planned, Port

from tests.bench.streams import site, told


def records():
    """A minute of a rover, with noise, a lost port and a person's word in it."""
    noise = random.Random(5)
    extra = [
        *(Chunk(t=20.0 + n / 7, stream="corrections", data=noise.randbytes(80)) for n in range(60)),
        Port(t=30.0, stream="corrections", state="lost", reason="unplugged"),
        Planned(t=41.0, stream="", for_s=2.0, why="battery"),
        Port(t=43.0, stream="corrections", state="back"),
    ]
    made = [record for record in invent(told("rover", 60.0), None) if isinstance(record, Chunk)]
    return sorted([*made, *extra], key=lambda record: record.t)


def seen_by_the_engine(pipeline):
    """What the engine is told and when it is asked, as it comes."""
    seen = []
    see_all, judge = pipeline.engine.see_all, pipeline.engine.judge
    pipeline.engine.see_all = lambda facts: (seen.extend(map(repr, facts)), see_all(facts))[1]
    pipeline.engine.judge = lambda t: (seen.append(t), judge(t))[1]
    return seen


@pytest.mark.parametrize("stretch", [1, 7, 10_000])
def test_stretches_of_any_length_are_seen_as_record_by_record(monkeypatch, stretch):
    monkeypatch.setattr(reading_ahead, "_STRETCH", stretch)
    by_hand, played = Pipeline(site("rover")), Pipeline(site("rover"))
    expected, seen = seen_by_the_engine(by_hand), seen_by_the_engine(played)
    changes = []
    for record in records():
        if isinstance(record, Chunk):
            changes += by_hand.feed(record.t, record.stream, record.data)
        else:
            changes += by_hand.tell(record)
    changes += by_hand.tick(75.0)
    assert list(play(played, records(), end_t=75.0)) == changes
    assert seen == expected
    assert any(isinstance(one, float) for one in seen)
    assert any("Fix(" in one for one in seen if isinstance(one, str))
    assert any(change.cause == "port-lost" for change in changes)


def test_records_that_break_off_are_played_up_to_there():
    def broken():
        for record in records():
            if record.t > 35.0:
                raise ValueError("torn")
            yield record

    pipeline = Pipeline(site("rover"))
    said = []
    with pytest.raises(ValueError, match="torn"):
        said.extend(play(pipeline, broken()))
    assert pipeline.t > 34.0
