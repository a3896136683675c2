"""One pipeline for live and replay: the same bytes at the same times give the same changes, whatever the calls between."""

import random
from collections import Counter

import pynmeagps
import pyrtcm
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.log.derived import DerivedRows
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import TrafficRow
from witnesspost.daemon.log.verifying import verify
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.recomputing import FactsOnly
from witnesspost.daemon.stream.framing import nmea_checksum
from witnesspost.replay.play.player import play
from witnesspost.replay.play.tape import Chunk
from witnesspost.rules.facts import Fact, Port, Traffic
from witnesspost.rules.site.reading import site_from_toml

from tests import DATA
from tests.daemon.conftest import epoch_frame
from tests.kestrel import TWO_LINES

SITE_TEXT = f"""
[post]
name = "kestrel-rover"
role = "rover"
{TWO_LINES.format(corrections="loop://corrections", receiver="loop://receiver")}
[base]
station_id = 417
"""
SITE = site_from_toml(SITE_TEXT)


def said(changes):
    return [(c.t, c.change, c.rule, c.cause, c.because_of, c.evidence) for c in changes]


def inputs_of(seed):
    """Some minutes of a line with pauses, noise and a neighbour, and of a port that comes and goes; milliseconds apart."""
    rng = random.Random(seed)
    t, records = 0.0, []
    for number in range(60):
        t = round(t + rng.choice([0.2, 0.9, 1.0, 1.1, 7.0 if rng.random() < 0.3 else 1.0]), 3)
        data = epoch_frame(number, rng.choice([417, 417, 417, 88]))
        if rng.random() < 0.1:
            data = rng.randbytes(40)
        cut = rng.randrange(1, len(data))
        records += [Chunk(t=t, stream="corrections", data=data[:cut]), Chunk(t=t, stream="corrections", data=data[cut:])]
        if rng.random() < 0.1:
            records.append(Port(t=t, stream="corrections", state=rng.choice(["lost", "back"])))
    return records


@given(st.integers(0, 10_000), st.lists(st.floats(0, 120), max_size=40))
@settings(max_examples=15)
def test_ticks_between_the_bytes_change_nothing(seed, ticks):
    records = inputs_of(seed)
    plain = said(play(Pipeline(SITE), records, end_t=130.0))
    pipeline, changes = Pipeline(SITE), []
    for record in records:
        for t in sorted(t for t in ticks if t <= record.t):
            changes += pipeline.tick(t)
        changes += pipeline.tell(record) if isinstance(record, Fact) else pipeline.feed(record.t, record.stream, record.data)
    changes += pipeline.tick(130.0)
    assert said(changes) == plain
    assert plain


@pytest.mark.parametrize("seed", range(5))
def test_a_log_replays_to_the_changes_of_its_run(tmp_path, seed):
    records = inputs_of(seed)
    log = Log.start(tmp_path, SITE, SITE_TEXT)
    live = list(play(Pipeline(SITE, log), records, end_t=130.0))
    log.close(130.0, "stopped")
    with LogFile.open(tmp_path / "kestrel-rover.0001.db") as file:
        stored = [w if isinstance(w, Fact) else Chunk(t=t, stream=s, data=w) for t, s, w in file.inputs()]
        assert [(c.t, c.stream, c.data) for c in stored if isinstance(c, Chunk)] == [
            (c.t, c.stream, c.data) for c in records if isinstance(c, Chunk)
        ]
        assert said(play(Pipeline(SITE), stored, end_t=130.0)) == said(live)
        assert said(file.changes()) == said(live)


def test_time_never_steps_back():
    pipeline = Pipeline(SITE)
    pipeline.tick(20.0)
    pipeline.feed(3.0, "corrections", epoch_frame(1))
    assert pipeline.scene.last_epoch["corrections"].t == 20.0


def test_a_silent_line_gives_up_its_half_frame():
    pipeline = Pipeline(SITE)
    pipeline.feed(0.0, "corrections", epoch_frame(1)[:20])
    pipeline.tick(10.0)
    (finding,) = [c for c in pipeline.tick(16.0) if c.rule == "corrections-stopped"]
    assert finding.cause == "line-silent"
    pipeline.feed(17.0, "corrections", epoch_frame(18))
    assert pipeline.scene.last_epoch["corrections"].t == 17.0


@pytest.mark.parametrize("path", sorted(DATA.glob("*.bin")) + sorted(DATA.glob("nmea*.txt")), ids=lambda p: p.name)
@pytest.mark.parametrize("size", [1, 7, 100_000])
def test_real_bytes_play_in_any_cuts_and_are_counted_as_the_libraries_count(path, size):
    data = path.read_bytes()
    pipeline = Pipeline(SITE)
    traffic = []
    see_all = pipeline.engine.see_all
    pipeline.engine.see_all = lambda facts: (traffic.extend(f for f in facts if isinstance(f, Traffic)), see_all(facts))
    for start in range(0, len(data), size):
        pipeline.feed(start / 1000, "corrections", data[start : start + size])
    pipeline.tick(pipeline.t + 5.0)
    assert sum(fact.size_bytes for fact in traffic) == len(data)
    with path.open("rb") as file:
        frames = [r for r, _ in pyrtcm.RTCMReader(file, quitonerror=0, parsed=0) if not pyrtcm.calc_crc24q(r)]
    with path.open("rb") as file:
        sentences = [r for r, p in pynmeagps.NMEAReader(file, quitonerror=0, nmeaonly=False) if p is not None]
    assert sum(fact.frames for fact in traffic) == len(frames)
    assert sum(fact.sentence_bytes for fact in traffic) == sum(map(len, sentences))


def test_a_fault_in_reading_costs_the_facts_of_those_bytes_and_never_the_raw_log(tmp_path, monkeypatch):
    log = Log.start(tmp_path, SITE, SITE_TEXT)
    pipeline = Pipeline(SITE, log)
    monkeypatch.setattr(pipeline.reading.lines["corrections"].decoder, "decode", lambda t, units: 1 / 0)
    pipeline.feed(1.0, "corrections", epoch_frame(1))
    changes = pipeline.tick(2.0)
    monkeypatch.undo()
    pipeline.feed(3.0, "corrections", epoch_frame(2))
    pipeline.tick(4.0)
    log.close(4.0, "stopped")
    assert [(c.rule, c.cause) for c in changes] == [("post-health", "reading-failed")]
    assert pipeline.scene.last_epoch["corrections"].t == 3.0
    with LogFile.open(tmp_path / "kestrel-rover.0001.db") as file:
        assert [what for _, _, what in file.inputs()] == [epoch_frame(1), epoch_frame(2)]


@pytest.mark.parametrize(
    "body",
    [
        "GNZDA,235959.00,31,12,9999,00,00",
        "GNZDA,000000.00,01,01,0001,00,00",
        "GNGGA,120000.00,3907.4,N,10459.2,W,4," + "9" * 30 + ",0.7,1845.7,M,-19.1,M,1.0,0417",
        "GNGGA,120000.00,3907.4,N,10459.2,W,4," + "9" * 400 + ",0.7,1845.7,M,-19.1,M,1.0,0417",
        "GNGGA,120000.00,9959.9,N,10459.2,W,4,12,0.7,1e308,M,1e308,M,1.0,0417",
        "GPGSV,1,1,01,05,40,083,nan",
        "GPGSV,1,1,01,05,40,083,1e999",
    ],
)
def test_a_hostile_sentence_costs_nothing_but_itself(tmp_path, body):
    log = Log.start(tmp_path, SITE, SITE_TEXT)
    pipeline = Pipeline(SITE, log)
    hostile = b"$%s*%02X\r\n" % (body.encode(), nmea_checksum(body.encode()))
    for second in range(3):
        good = b"$GNGGA,12000%d.00,3907.4074,N,10459.2593,W,4,14,0.7,1845.7,M,-19.1,M,1.0,0417" % second
        good = good + b"*%02X\r\n" % nmea_checksum(good[1:])
        pipeline.feed(second + 0.5, "receiver", hostile)
        pipeline.feed(second + 0.6, "receiver", good)
        log.tick(second + 0.9)
    assert [c.rule for c in pipeline.tick(20.0) if c.change == "raised"] == ["fix-lost", "corrections-stopped"]
    assert pipeline.scene.utc_at(20.0) is None
    log.close(20.0, "stopped")
    with LogFile.open(tmp_path / "kestrel-rover.0001.db") as file:
        assert verify(file).sound
        assert len([what for _, _, what in file.inputs()]) == 6
        assert file._rows("SELECT count(*) FROM fix")[0][0] >= 3


def test_the_traffic_of_a_line_without_corrections_is_the_logs_alone(tmp_path):
    records = [Chunk(t=0.1, stream="receiver", data=b"no sentence " * 9), *inputs_of(1)]
    told = {}
    for name, log in (("no log", None), ("log", Log.start(tmp_path, SITE, SITE_TEXT))):
        pipeline = Pipeline(SITE, log)
        see_all, streams = pipeline.engine.see_all, told.setdefault(name, set())
        pipeline.engine.see_all = lambda facts, see_all=see_all, streams=streams: (
            streams.update(fact.stream for fact in facts if isinstance(fact, Traffic)),
            see_all(facts),
        )
        list(play(pipeline, records, end_t=130.0))
    log.close(130.0, "stopped")
    assert told == {"no log": {"corrections"}, "log": {"corrections", "receiver"}}
    with LogFile.open(tmp_path / "kestrel-rover.0001.db") as file:
        assert {row.stream for row in file.rows(TrafficRow)} == {"corrections", "receiver"}


@given(
    came=st.lists(st.integers(0, 65_000), min_size=1, max_size=40),
    ticks=st.lists(st.integers(0, 70_000), max_size=20),
)
@example(came=[3_000, 64_000], ticks=[])  # a long silence passes over the rows between
@example(came=[9_600, 9_800, 9_999, 10_000], ticks=[9_800, 10_000])
def test_it_is_handed_over_once_in_ten_seconds_and_counts_where_it_came(came, ticks):
    """By hand: what came is counted at the next moment of the grid, five a second, in the ten seconds of that moment."""
    told = []
    rows = DerivedRows()
    pipeline = Pipeline(SITE, FactsOnly(rows, told.append))
    for ms, chunk in sorted([(ms, True) for ms in came] + [(ms, False) for ms in ticks]):
        if chunk:
            pipeline.feed(ms / 1000, "receiver", b"x" * 7)
        else:
            pipeline.tick(ms / 1000)
    pipeline.tick(80.0)
    pipeline.end()
    traffic = [fact for fact in told if isinstance(fact, Traffic)]
    expected = Counter((ms // 200 + 1) * 200 // 10_000 for ms in came)
    assert {int(fact.t // 10): fact.other_bytes // 7 for fact in traffic} == expected
    assert len(traffic) == len(expected)
    bins = rows.complete(80.0, end=True)[TrafficRow]
    assert {row.t: row.bytes for row in bins} == {number * 10.0: count * 7 for number, count in expected.items()}
