import io
import random
from itertools import pairwise

import pynmeagps
import pyrtcm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.daemon.stream import framing
from witnesspost.daemon.stream.framing import (
    BAD_FRAME,
    BAD_SENTENCE,
    FRAME,
    OTHER,
    REST,
    SENTENCE,
    Framer,
    crc24q,
    nmea_checksum,
)

from tests import DATA

# RTCM 10403.2 / 10403.3 section 4.2, the standard's own example (a D3 stands inside its payload).
STANDARDS_1005 = bytes.fromhex("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98")
# Checksums of published example sentences (several public NMEA 0183 references).
PUBLISHED_SENTENCES = [
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
    b"$GPGLL,4916.45,N,12311.12,W,225444,A,*1D\r\n",
    b"$GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,*28\r\n",
    b"$GPZDA,160012.71,11,03,2004,-1,00*7D\r\n",
]


def rtcm(payload: bytes) -> bytes:
    body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
    return body + crc24q(body).to_bytes(3, "big")


def units_of(data: bytes, cuts: list[int] = ()) -> list[tuple[int, bytes]]:
    framer = Framer()
    units = []
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    for start, end in pairwise(edges):
        units += framer.feed(data[start:end])
    return units + framer.flush()


def whole(units: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    return [unit for unit in units if unit[0] in (FRAME, SENTENCE)]


def test_crc24q_check_value_and_the_standards_example():
    assert crc24q(b"123456789") == 0xCDE703  # CRC-24/LTE-A check value
    assert crc24q(STANDARDS_1005[:22]) == 0x360B98
    assert crc24q(STANDARDS_1005) == 0


def test_the_standards_1005_is_one_frame_although_a_d3_stands_inside():
    assert units_of(STANDARDS_1005) == [(FRAME, STANDARDS_1005)]
    # Begun in the middle, the inner D3 must not swallow the next frame.
    assert whole(units_of(STANDARDS_1005[5:] + STANDARDS_1005)) == [(FRAME, STANDARDS_1005)]


@pytest.mark.parametrize("line", PUBLISHED_SENTENCES)
def test_published_sentences_have_the_checksum_they_print(line):
    body = line[1:].split(b"*")[0]
    assert nmea_checksum(body) == int(line.split(b"*")[1][:2], 16)
    assert units_of(line) == [(SENTENCE, line)]


def test_the_misprinted_zda_is_a_bad_sentence():
    printed = b"$GPZDA,172809.456,12,07,1996,00,00*45\r\n"  # seen printed so; the right value is 57
    assert units_of(printed) == [(BAD_SENTENCE, printed)]
    assert units_of(printed.replace(b"*45", b"*57"))[0][0] == SENTENCE


piece = st.one_of(
    st.binary(max_size=60).map(lambda b: ("frame", rtcm(b"\x43\x50" + b))),
    st.sampled_from([("sentence", line) for line in PUBLISHED_SENTENCES]),
    # Noise that can begin neither a frame nor a sentence, so that the count of what is good is exact.
    st.binary(max_size=40).map(lambda b: ("noise", b.replace(b"\xd3", b"x").replace(b"$", b"y"))),
)


@given(st.lists(piece, max_size=12), st.lists(st.integers(0, 10_000), max_size=20))
@settings(deadline=None)
def test_wherever_the_bytes_are_cut_the_same_units_come_out(pieces, cuts):
    data = b"".join(chunk for _, chunk in pieces)
    units = units_of(data, cuts)
    assert b"".join(chunk for _, chunk in units) == data
    expected = [(FRAME if kind == "frame" else SENTENCE, chunk) for kind, chunk in pieces if kind != "noise"]
    assert whole(units) == expected


@given(st.binary(max_size=3000), st.lists(st.integers(0, 10_000), max_size=20))
@settings(deadline=None)
def test_every_byte_of_anything_is_in_exactly_one_unit(data, cuts):
    assert b"".join(chunk for _, chunk in units_of(data, cuts)) == data


@given(st.integers(0, 2**32), st.integers(1, 12))
@settings(max_examples=60)
def test_a_corrupted_stream_loses_only_what_was_corrupted(seed, hits):
    rng = random.Random(seed)
    pieces = [rtcm(b"\x43\x50" + rng.randbytes(rng.randrange(5, 300))) for _ in range(10)]
    for index in rng.sample(range(10), rng.randrange(0, 4)):
        pieces.insert(index, rng.choice(PUBLISHED_SENTENCES))
    data = bytearray(b"".join(pieces))
    edges = [sum(map(len, pieces[:i])) for i in range(len(pieces) + 1)]
    for _ in range(hits):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    kept = [bytes(data[a:b]) for a, b, p in zip(edges, edges[1:], pieces, strict=False) if bytes(data[a:b]) == p]
    found = [chunk for _, chunk in whole(units_of(bytes(data)))]
    assert [chunk for chunk in found if chunk in set(kept)] == kept
    # The libraries read on behind a broken frame's stated length, so they never find more than is there.
    pairs = list(pyrtcm.RTCMReader(io.BytesIO(bytes(data)), quitonerror=0, parsed=0))
    assert [raw for raw, _ in pairs if raw in set(kept) and raw[0] == 0xD3 and crc24q(raw) == 0] == [
        raw for raw, _ in pairs if raw in set(kept) and raw[0] == 0xD3
    ]


def test_a_broken_frame_counts_once_and_covers_its_own_bytes():
    good = rtcm(b"\x43\x50" + bytes(range(1, 90)))
    broken = bytearray(good)
    broken[40] ^= 0x10
    for cuts in ([], [3], [10, 50], list(range(len(good) * 2))):
        units = units_of(bytes(broken) + good, cuts)
        assert [kind for kind, _ in units].count(BAD_FRAME) == 1
        assert sum(len(c) for kind, c in units if kind in (BAD_FRAME, REST)) == len(good)
        assert whole(units) == [(FRAME, good)]


def test_half_a_sentence_then_a_whole_one():
    line = PUBLISHED_SENTENCES[0]
    units = units_of(line[:30] + line)
    assert units == [(BAD_SENTENCE, line[:30]), (SENTENCE, line)]


def test_what_never_ends_is_judged_when_the_line_falls_silent():
    assert units_of(STANDARDS_1005[:20]) == [(BAD_FRAME, STANDARDS_1005[:1]), (REST, STANDARDS_1005[1:20])]
    assert units_of(STANDARDS_1005[:3]) == [(OTHER, STANDARDS_1005[:3])]
    assert units_of(PUBLISHED_SENTENCES[0][:20]) == [(BAD_SENTENCE, PUBLISHED_SENTENCES[0][:20])]


@pytest.mark.parametrize("path", sorted(DATA.glob("*.bin")) + sorted(DATA.glob("nmea*.txt")), ids=lambda p: p.name)
def test_real_bytes_give_the_frames_that_the_libraries_find(path):
    data = path.read_bytes()
    units = units_of(data)
    assert b"".join(chunk for _, chunk in units) == data
    frames = [
        raw
        for raw, _ in pyrtcm.RTCMReader(io.BytesIO(data), quitonerror=0, parsed=0)
        if raw is not None and pyrtcm.calc_crc24q(raw) == 0
    ]
    sentences = [
        raw for raw, parsed in pynmeagps.NMEAReader(io.BytesIO(data), quitonerror=0, nmeaonly=False) if parsed is not None
    ]
    assert [chunk for kind, chunk in units if kind == FRAME] == frames
    assert [chunk for kind, chunk in units if kind == SENTENCE] == sentences
    assert frames or sentences or "bad" in path.name


@given(st.integers(0, 1023), st.lists(st.binary(min_size=2, max_size=80), min_size=1, max_size=6))
@settings(deadline=None)
def test_a_false_promise_of_a_long_frame_holds_no_good_frame_back(length, payloads):
    # A fade cuts a frame, and its tail happens to look like the head of a long one: what follows must not wait for it.
    framer = Framer()
    head = bytes([0xD3, length >> 8, length & 0xFF, 0x00, 0x11])
    units = framer.feed(head)
    for payload in payloads:
        good = rtcm(b"\x43\x50" + payload)
        units += framer.feed(good)
        assert whole(units)[-1:] == [(FRAME, good)]
    assert b"".join(chunk for _, chunk in units) == head + b"".join(rtcm(b"\x43\x50" + payload) for payload in payloads)


@pytest.mark.parametrize("heads", [b"\xd3\x03\xff", b"\xd3\x03\xff\x43\x50", b"\xd3\x00", b"\xd3\x00\x02"])
def test_a_false_head_has_its_crc_taken_twice_at_most_however_many_there_are(heads, monkeypatch):
    taken, crc = [], framing._crc24q
    monkeypatch.setattr(framing, "_crc24q", lambda data: taken.append(data) or crc(data))
    data = heads * 3000
    framer = Framer()
    for at in range(0, len(data), 50):
        framer.feed(data[at : at + 50])
    assert 1000 < len(taken) <= 2 * data.count(b"\xd3")


def test_what_begins_nothing_is_passed_over_in_one_unit_a_read():
    for junk in (b"\xd3" * 999, b"$" * 999, b"$ABC" * 200, b"\xd3\xd3\x04$$" * 200):
        assert len(Framer().feed(junk + b".")) == 1
