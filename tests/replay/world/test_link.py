from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.daemon.stream.framing import FRAME, Framer
from witnesspost.replay.world import rtcm
from witnesspost.replay.world.link import PIECE_BYTES, Link, Sent, corrected

FRAMES = [rtcm.frame(rtcm.antenna(417, f"ANTENNA-{n}")) for n in range(6)]


def sent(frames):
    return [Sent(data, index) for index, data in enumerate(frames)]


def joined(pieces):
    return b"".join(data for _t, data in pieces)


def test_bytes_take_their_time():
    data = bytes(1200)
    pieces, arrivals = Link(1200.0, random.Random(1)).send(10.0, [Sent(data, "a")])
    assert joined(pieces) == data
    assert [len(piece) for _t, piece in pieces] == [PIECE_BYTES] * 5
    assert [t for t, _piece in pieces] == pytest.approx([10.2, 10.4, 10.6, 10.8, 11.0])
    assert [(t, meaning) for t, meaning in arrivals] == [(pytest.approx(11.0), "a")]


def test_a_slow_link_queues_and_then_drops():
    link = Link(100.0, random.Random(1), queue_s=2.0)
    ends = [link.send(float(n), [Sent(bytes(180), n)])[1] for n in range(8)]
    times = [arrivals[0].t if arrivals else None for arrivals in ends]
    assert times[:3] == pytest.approx([1.8, 3.6, 5.4])
    assert None in times
    assert [t for t in times if t] == sorted(t for t in times if t)


def test_a_fade_leaves_halves():
    link = Link(1000.0, random.Random(1))
    frames = sent([bytes([n]) * 100 for n in range(5)])
    pieces, arrivals = link.send(0.0, frames, gone=lambda begin, end: (0.15, 0.32))
    assert [arrival.meaning for arrival in arrivals] == [0, 4]
    assert joined(pieces) == bytes(100) + b"\1" * 50 + b"\3" * 80 + b"\4" * 100


def test_every_frame_bad():
    link = Link(1000.0, random.Random(1))
    pieces, arrivals = link.send(0.0, sent(FRAMES), bad_share=1.0)
    assert arrivals == []
    assert len(joined(pieces)) == len(b"".join(FRAMES))
    assert [kind for kind, _data in Framer().feed(joined(pieces)) if kind == FRAME] == []


def test_forward_error_correction_by_its_chances():
    # Of words of 24 bits with one bit in a hundred wrong, four wrong bits or more happen once in 11,045 (binomial).
    assert corrected(0.01) == pytest.approx(0.5 / 11_045, rel=0.02)
    assert corrected(0.1) == pytest.approx(0.5 * 0.2143, rel=0.01)


@pytest.mark.parametrize("rate", [0.001, 0.01])
def test_bits_go_wrong_at_their_rate(rate):
    link = Link(1e6, random.Random(3))
    pieces, arrivals = link.send(0.0, [Sent(bytes(1000), n) for n in range(400)], bit_error_rate=rate)
    wrong = sum(byte.bit_count() for byte in joined(pieces))
    assert wrong == pytest.approx(3_200_000 * rate, rel=0.05)
    assert len(arrivals) == pytest.approx(400 * (1 - rate) ** 8000, abs=3)


@settings(max_examples=50, deadline=None)
@given(
    st.integers(0, 2**32),
    st.floats(0, 1),
    st.tuples(st.floats(0, 2), st.floats(0, 1)).map(lambda fade: (fade[0], fade[0] + fade[1])),
    st.floats(0, 0.2),
)
def test_what_is_said_to_arrive_unharmed_does(seed, bad_share, fade, jitter_s):
    link = Link(150.0, random.Random(seed), jitter_s)
    data, meanings, all_sent, last = b"", [], [], 0.0
    for n in range(3):
        frames = [rtcm.frame(rtcm.antenna(417, f"{6 * n + i}".rjust(9 + 6 * n + i, "A"))) for i in range(6)]
        pieces, arrivals = link.send(
            float(n),
            sent(frames),
            gone=lambda begin, end: fade if fade[0] < end and fade[1] > begin else None,
            bad_share=bad_share,
        )
        assert all(a <= b for a, b in zip([last, *(t for t, _ in pieces)], (t for t, _ in pieces), strict=False))
        last = pieces[-1][0] if pieces else last
        data += joined(pieces)
        all_sent += frames
        meanings += [frames[arrival.meaning] for arrival in arrivals]
    framer = Framer()
    got = [unit for kind, unit in [*framer.feed(data), *framer.flush()] if kind == FRAME]
    # The preamble of a frame that was cut and the rest of one that lost just its preamble make a whole: so got may be more.
    rest = iter(got)
    assert all(any(one == other for other in rest) for one in meanings)
    assert set(got) <= set(all_sent)
    assert len(got) <= len(meanings) + 1
