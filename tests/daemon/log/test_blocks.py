"""Raw blocks: chunks and times come back exactly, and no change of a row leaves its digest as it was."""

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.log.blocks import BlockError, OpenBlock, chunks, link

CHUNKS = st.lists(st.tuples(st.integers(0, 200_000), st.integers(0, 3), st.binary(min_size=1, max_size=300)), min_size=1)


def filled(pieces, start_ms=0):
    block = OpenBlock()
    ms = start_ms
    for step_ms, order, data in pieces:
        ms += step_ms
        block.chunks.append((ms, order, data))
    return block


@given(CHUNKS, st.integers(0, 10**11))
def test_what_goes_in_comes_out(pieces, start_ms):
    block = filled(pieces, start_ms)
    first_t = block.chunks[0][0] / 1000
    assert list(chunks(first_t, block.data(), block.times())) == block.chunks


def test_times_of_a_steady_line_take_three_bytes_a_chunk():
    block = filled([(50 + k * 7 % 11, 0, b"x" * (20 + k * 5 % 17)) for k in range(100)])
    assert len(block.times()) <= 3 * 100


@given(st.binary(max_size=200), st.binary(max_size=50))
def test_any_bytes_as_times_are_refused_or_fit(data, times):
    try:
        found = list(chunks(1.0, data, times))
    except BlockError:
        return
    assert b"".join(part for _, _, part in found) == data


def test_times_beside_the_wrong_bytes_are_refused():
    block = filled([(0, 0, b"abc"), (10, 0, b"de")])
    with pytest.raises(BlockError, match="5 bytes stand beside 4 bytes"):
        chunks(0.0, b"abcd", block.times())


def test_the_longest_silence_of_two_seconds_is_told():
    block = filled([(1000, 0, b"a"), (2500, 0, b"b"), (3500, 0, b"c"), (100, 0, b"d")])
    assert block.pause(0) == (3.5, 3.5)
    assert block.pause(-9000) == (-9.0, 10.0)
    assert filled([(0, 0, b"a"), (1999, 0, b"b")]).pause(0) == (None, None)


def test_a_link_is_the_digest_that_the_docstring_draws():
    # RFC 7693, appendix A: BLAKE2b-512 of "abc" begins with these bytes; ours is the same function at 128 bits.
    assert hashlib.blake2b(b"abc").hexdigest().startswith("ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1")
    previous = bytes(range(16))
    values = [7, "corrections", 1.25, None, b"\xd3\x00", b"\x01"]
    header = json.dumps([7, "corrections", 1.25, None, 2, 1], separators=(",", ":")).encode()
    expected = hashlib.blake2b(previous + header + b"\xd3\x00" + b"\x01", digest_size=16).digest()
    assert link(previous, values) == expected


@given(st.lists(st.one_of(st.none(), st.integers(-9, 9), st.text(max_size=4), st.binary(max_size=4)), min_size=1), st.data())
def test_every_change_of_a_row_changes_its_digest(values, data):
    at = data.draw(st.integers(0, len(values) - 1))
    other = data.draw(st.one_of(st.none(), st.integers(10, 20), st.text(min_size=5), st.binary(min_size=5)))
    changed = [*values[:at], other, *values[at + 1 :]]
    if changed != values:
        assert link(b"", changed) != link(b"", values)


def test_bytes_moved_from_one_blob_to_the_next_change_the_digest():
    assert link(b"", [b"ab", b"c"]) != link(b"", [b"a", b"bc"])
