"""RTCM 2 is told from noise, from text and from RTCM 3, by a published recording and by chance."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.stream.framing import OTHER, Framer
from witnesspost.daemon.stream.rtcm2 import rtcm2_words
from witnesspost.replay.world.rtcm2 import Rtcm2

from tests import DATA

# From a DGPS server's stream as recorded in gpsd's tests (test/sample.rtcm2, BSD-2-Clause): a message of type 9 whole, and
# the header after it. The message begins at bit 17, in the middle of a byte.
RECORDED = rb"xRrLwzyBXQb`Z[@hMmOzbzjOXU}t_UUUEsHEfOXIfBy"
BEGINS_AT_BIT = 17
BEFORE = (0, 1)
"""D29 and D30 of the word before it."""


def invented(seconds: int = 3, satellites: int = 9) -> bytes:
    stream, chance = Rtcm2(), random.Random(7)
    return b"".join(stream.epoch(417, 200_000.0 + second, satellites, chance) for second in range(seconds))


def test_a_recorded_message_and_the_header_after_it():
    assert rtcm2_words(RECORDED) == 8


def test_wherever_one_begins_to_listen():
    data = invented()
    for start in range(130):
        assert rtcm2_words(data[start : start + 250]) >= 20


def test_line_ends_between_the_bytes_do_no_harm():
    data = invented()
    lines = b"\r\n".join(data[at : at + 30] for at in range(1, 200, 30))
    assert rtcm2_words(lines) >= 20


def test_a_wrong_bit_ends_the_run():
    spoilt = bytearray(RECORDED)
    spoilt[24] ^= 1
    assert rtcm2_words(bytes(spoilt)) == 4


@pytest.mark.parametrize("name", ["rtcm-receiver.bin", "rtcm-station.bin", "mixed.bin", "nmea.txt"])
def test_rtcm_3_and_sentences_are_not_taken_for_it(name):
    data = (DATA / name).read_bytes()
    assert all(rtcm2_words(data[at : at + 250]) < 4 for at in range(0, len(data), 50))


def test_a_megabyte_of_the_right_bytes_by_chance_has_no_run_of_four_words():
    chance = random.Random(823)
    for _ in range(4000):
        assert rtcm2_words(bytes(chance.choices(range(0x40, 0x80), k=250))) < 4


@given(st.binary(max_size=400))
def test_no_bytes_make_it_throw(data):
    assert rtcm2_words(data) >= 0


def test_the_framer_leaves_it_as_it_came():
    # No byte of it is a $ or a D3.
    assert [kind for kind, _ in Framer().feed(invented())] == [OTHER]
