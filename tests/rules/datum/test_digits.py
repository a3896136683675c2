"""Slips of the finger, for numbers and angles of any form."""

from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.datum.digits import slips
from witnesspost.rules.site.angles import degrees


def test_each_digit_may_be_any_other_and_neighbours_swap():
    texts = [text for text, _ in slips(12.3)]
    assert len(texts) == len(set(texts)) == 3 * 9 + 2 + 2
    assert {"92.3", "12.9", "21.3", "13.2", "1.23", "123"} <= set(texts)
    assert "12.3" not in texts


def test_the_point_slips_by_one_place():
    assert {"-4213.45", "-42.1345"} <= {text for text, _ in slips(-421.345)}
    assert {"18.43", "0.1843"} <= {text for text, _ in slips(1.843)}
    assert {"5", "0.05"} <= {text for text, _ in slips(0.5)}


def test_an_angle_keeps_its_notation_and_its_parts():
    found = dict(slips("39 07 24.4441 N"))
    assert {"39 07 42.4441 N", "93 07 24.4441 N", "39 07 24.4414 N", "39 17 24.4441 N"} <= set(found)
    assert not any(text.startswith(("30 97", "30 79")) for text in found)  # no digit wanders from degrees to minutes
    assert "39 07 94.4441 N" not in found  # no angle has 94 seconds
    assert all(value == text for text, value in found.items())


def test_no_number_has_no_slips():
    assert list(slips(None)) == []


@given(st.floats(min_value=0, max_value=9_999_999, allow_nan=False).map(lambda value: round(value, 4)))
def test_a_slip_of_a_number_is_that_number_read(value):
    for text, slipped in slips(value):
        assert float(text) == slipped
        assert slipped != value


@given(st.integers(0, 89), st.integers(0, 59), st.integers(0, 599_999), st.sampled_from("NS"))
def test_a_slip_of_an_angle_is_still_one(whole, minutes, seconds, letter):
    text = f"{whole:02d} {minutes:02d} {seconds / 10_000:07.4f} {letter}"
    found = list(slips(text))
    assert found
    for _, slipped in found:
        assert -100 < degrees(slipped) < 100
