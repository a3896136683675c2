"""The invented RTCM 2 against a recorded stream, bit for bit, and against the reader that knows its shape."""

import random

import pytest
from witnesspost.daemon.stream.rtcm2 import rtcm2_words
from witnesspost.replay.world.rtcm2 import Rtcm2

from tests.daemon.stream.test_rtcm2 import BEFORE, BEGINS_AT_BIT, RECORDED


def test_a_recorded_message_is_written_as_it_came():
    # Type 9 (partial corrections) of station 268, 4 words of data and a header after them: read off the recording by hand.
    header, data = (9, 268, 0x0D1220 >> 11, 0x0D1220 >> 8 & 7), (0x93FF49, 0xF8BA2B, 0xF83557, 0x02AAAA)
    stream = Rtcm2(*BEFORE)
    written = stream.message(*header, data) + stream.words([0x66250C, 0x0D2328])
    assert bits_of(RECORDED)[BEGINS_AT_BIT:][: 30 * 8] == bits_of(written)


def bits_of(data: bytes) -> str:
    return "".join(f"{value & 63:06b}"[::-1] for value in data)


@pytest.mark.parametrize("satellites", [1, 5, 9, 15])
def test_every_word_of_an_invented_epoch_is_good(satellites):
    stream, chance, before = Rtcm2(), random.Random(satellites), b""
    for second in range(5):
        sent = stream.epoch(417, 200_000.0 + second, satellites, chance)
        assert len(sent) == 5 * 2 * (3 + 2 * satellites)
        assert {byte >> 6 for byte in sent} == {1}
        if before:  # without the last two bits before a word nothing can be said of it
            assert rtcm2_words(before[-1:] + sent) >= min(len(sent), 250) // 5 - 1
        before = sent
