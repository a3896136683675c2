from __future__ import annotations

import contextlib
import gzip
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import UNSET
from witnesspost.daemon.atomic import CannotWrite
from witnesspost.replay.play.tape import Chunk, Header, Tape, TapeError, Truth, tape_lines, write_tape
from witnesspost.rules.facts import Acknowledge, Frozen, Health, Planned, Port, Shelve

HEADER = Header(streams=["corrections", "receiver"], note="a morning")
FIRST = '{"tape": 1, "streams": ["corrections", "receiver"], "note": "a morning"}\n'
RECORDS = [
    Chunk(t=0.25, stream="corrections", data=b"\xd3\x00\x13"),
    Port(t=30.0, stream="corrections", state="lost", reason="unplugged"),
    Planned(t=31.0, stream="", for_s=120.0, why="battery"),
    Frozen(t=31.5, stream="", for_s=3.0),
    Acknowledge(t=32.0, stream="", rule="fix-lost"),
    Shelve(t=33.0, stream="", for_s=600.0),
    Health(t=34.0, stream="", temperature_c=81.5),
    Truth(t=30.0, expect="raised", rule="corrections-stopped", cause="port-lost", within_s=2.3, because_of=None),
    Truth(t=30.0, expect="cleared", rule="base-datum", cause=["epoch-shift", "frame-shift"], within_s=4.0),
    Chunk(t=40.0, stream="receiver", data=b"$GNGGA"),
]


def written(tmp_path, text, name="x.jsonl"):
    path = tmp_path / name
    path.write_text(text)
    return path


def read(path):
    with Tape(path) as tape:
        return tape.header, list(tape)


@pytest.mark.parametrize("name", ["tape.jsonl", "tape.jsonl.gz"])
def test_what_is_written_is_read_back(tmp_path, name):
    path = tmp_path / name
    assert write_tape(path, HEADER, RECORDS) == 1 + len(RECORDS)
    assert read(path) == (HEADER, RECORDS)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_a_tape_carries_its_site(tmp_path):
    site = {"post": {"name": "kestrel-base", "role": "base"}}
    write_tape(tmp_path / "a.jsonl", Header(streams=["a"], site=site), [])
    assert read(tmp_path / "a.jsonl")[0].site == site


def test_the_same_records_are_the_same_bytes(tmp_path):
    for name in ("a.jsonl.gz", "b.jsonl.gz"):
        write_tape(tmp_path / name, HEADER, RECORDS)
    assert (tmp_path / "a.jsonl.gz").read_bytes() == (tmp_path / "b.jsonl.gz").read_bytes()


def test_lines_are_those_of_the_documentation():
    lines = [json.loads(line) for line in tape_lines(HEADER, RECORDS)]
    assert lines[1] == {"t": 0.25, "stream": "corrections", "hex": "d30013"}
    assert lines[2] == {"t": 30.0, "stream": "corrections", "port": "lost", "reason": "unplugged"}
    assert lines[3] == {"t": 31.0, "tell": {"planned": {"for_s": 120.0, "why": "battery"}}}
    assert lines[8] == {
        "t": 30.0, "expect": "raised", "rule": "corrections-stopped", "cause": "port-lost", "within_s": 2.3,
        "because_of": None,
    }  # fmt: skip
    assert "because_of" not in lines[9]


def test_a_truth_line_without_because_of_asks_for_none(tmp_path):
    path = written(tmp_path, FIRST + '{"t": 1, "expect": "raised", "rule": "sky", "cause": "few-satellites", "within_s": 31}')
    assert read(path)[1] == [Truth(t=1, expect="raised", rule="sky", cause="few-satellites", within_s=31, because_of=UNSET)]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("not json\n", "line 3: is not JSON: not json"),
        ('{"t": 5, "stream": "corrections", "he', "line 3: the tape is cut off in the middle of this line"),
        ('{"stream": "corrections", "hex": "d3"}\n', "line 3: t is None"),
        ('{"t": -1, "stream": "corrections", "hex": "d3"}\n', "line 3: t is -1;"),
        ('{"t": 0.1, "stream": "corrections", "hex": "d3"}\n', "line 3: t goes back from 0.2 to 0.1"),
        ('{"t": 1, "stream": "corections", "hex": "d3"}\n', "line 3: stream 'corections' is not in the first line; did you"),
        ('{"t": 1, "stream": "corrections", "hex": "d3f"}\n', "line 3: hex is 'd3f'"),
        ('{"t": 1, "stream": "corrections"}\n', "line 3: hex is None"),
        ('{"t": 1, "stream": "corrections", "port": "gone"}\n', "line 3: Invalid enum value 'gone'"),
        ('{"t": 1, "stream": "corrections", "hexx": "d3"}\n', "line 3: Object contains unknown field `hexx`"),
        ('{"t": 1, "tell": {"planed": {}}}\n', "line 3: tell is ['planed']; expected one of planned"),
        ('{"t": 1, "tell": {"planned": {"for_s": "long", "why": ""}}}\n', "line 3: tell.planned: Expected `float`"),
        ('{"t": 1, "expect": "raised", "rule": "sky"}\n', "line 3: a truth line needs rule and within_s"),
        ("[1, 2]\n", "line 3: Expected `object`"),
    ],
)  # fmt: skip
def test_a_bad_line_is_named_and_what_came_before_is_played(tmp_path, line, says):
    path = written(tmp_path, FIRST + '{"t": 0.2, "stream": "corrections", "hex": "d3"}\n' + line)
    with Tape(path) as tape:
        records = iter(tape)
        assert next(records) == Chunk(t=0.2, stream="corrections", data=b"\xd3")
        with pytest.raises(TapeError) as error:
            next(records)
    assert str(error.value).startswith(f"{path} {says}")
    assert error.value.line == 3


@pytest.mark.parametrize("first", ["", "{}", "no", '{"streams": ["a"]}', '{"tape": 1, "streams": "a"}'])
def test_a_file_that_is_no_tape(tmp_path, first):
    with pytest.raises(TapeError, match="line 1: is not a tape's first line"):
        Tape(written(tmp_path, first))


def test_a_newer_tape_and_a_missing_one(tmp_path):
    with pytest.raises(TapeError, match="is a tape of version 2; this Witnesspost reads version 1"):
        Tape(written(tmp_path, '{"tape": 2, "streams": []}'))
    with pytest.raises(TapeError, match="cannot be read: No such file"):
        Tape(tmp_path / "none.jsonl")
    with pytest.raises(TapeError, match="cannot be read: Is a directory"):
        Tape(tmp_path)


def test_a_truncated_archive_gives_what_it_holds(tmp_path):
    whole = tmp_path / "a.jsonl.gz"
    write_tape(whole, HEADER, [Chunk(t=float(n), stream="receiver", data=bytes([n])) for n in range(200)])
    cut = tmp_path / "cut.jsonl.gz"
    cut.write_bytes(whole.read_bytes()[:-40])
    with Tape(cut) as tape:
        records = iter(tape)
        assert next(records) == Chunk(t=0.0, stream="receiver", data=b"\x00")
        with pytest.raises(TapeError, match="compressed file is cut off or damaged"):
            list(records)
    damaged = bytearray(whole.read_bytes())
    damaged[40] ^= 0xFF
    cut.write_bytes(damaged)
    with pytest.raises(TapeError), Tape(cut) as tape:
        list(tape)


def test_a_failed_write_leaves_nothing_and_no_tape_is_written_over(tmp_path):
    path = tmp_path / "a.jsonl"
    write_tape(path, HEADER, RECORDS[:1])
    before = path.read_bytes()

    def failing():
        yield RECORDS[0]
        raise OSError("disk full")

    with pytest.raises(CannotWrite, match="disk full"):
        write_tape(tmp_path / "b.jsonl", HEADER, failing())
    with pytest.raises(CannotWrite, match="exists"):
        write_tape(path, HEADER, RECORDS)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.jsonl"]


@given(
    chunks=st.lists(
        st.tuples(st.integers(0, 86_400_000), st.sampled_from(HEADER.streams), st.binary(max_size=80)), max_size=20
    ),
    packed=st.booleans(),
)
def test_any_chunks_survive(tmp_path_factory, chunks, packed):
    path = tmp_path_factory.mktemp("tape") / ("t.gz" if packed else "t")
    records = [Chunk(t=t / 1000, stream=stream, data=data) for t, stream, data in sorted(chunks)]
    write_tape(path, HEADER, records)
    assert read(path)[1] == records
    assert (path.read_bytes()[:2] == b"\x1f\x8b") == packed
    opened = gzip.decompress(path.read_bytes()) if packed else path.read_bytes()
    assert opened.count(b"\n") == 1 + len(records)


@given(st.binary(max_size=300))
def test_no_bytes_break_the_reader(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("tape") / "t"
    path.write_bytes(FIRST.encode() + data)
    with contextlib.suppress(TapeError):
        read(path)
