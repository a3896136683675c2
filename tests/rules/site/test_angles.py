"""Angles as people write them. Expected values are worked out here: degrees + minutes/60 + seconds/3600."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from witnesspost.rules.site.angles import degrees

DMS = 61 + 6 / 60 + 51.5 / 3600


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (39.5, 39.5),
        ("39.5", 39.5),
        ("+12", 12.0),
        ("39 07 24.4441 N", 39 + 7 / 60 + 24.4441 / 3600),
        ("104°59′15.5555″W", -(104 + 59 / 60 + 15.5555 / 3600)),
        ("-33 30", -33.5),
        ("0 30 S", -0.5),
        ("-0 30", -0.5),
        ("33 30 00 s", -33.5),
        ("61-06-51.5", DMS),
        ("-61-06-51.5", -DMS),
        ("61-06-51.5W", -DMS),
        ("N61 06 51.5", DMS),
        ("S 61 06 51.5", -DMS),
        ("61°06'51.5\"N", DMS),
        ("61° 06' 51.5'' S", -DMS),
        ("61°06’51.5”N", DMS),
        ("61:06:51.5", DMS),
        ("61d06m51.5s", DMS),
        ("61d06m51.5s s", -DMS),
        ("61.1143°", 61.1143),
        ("N 61.1143", 61.1143),
        ("61 06.858", 61.1143),
        ("−61 06 51.5", -DMS),
        ("0-0-0", 0.0),
    ],
)
def test_what_is_an_angle(text, value):
    assert degrees(text) == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not an angle"),
        (" ", "not an angle"),
        ("north", "not an angle"),
        ("1 2 3 4", "not an angle"),
        ("390724", "not an angle"),
        ("39 0724", "not an angle"),
        ("39--07", "not an angle"),
        ("nan", "not an angle"),
        ("inf", "not an angle"),
        ("1e2", "not an angle"),
        ("1_0", "not an angle"),
        ("٣٩", "not an angle"),
        ("9" * 200, "not an angle"),
        ("39 61 00 N", "minutes and seconds under 60"),
        ("39 07 60", "minutes and seconds under 60"),
        ("39.5 07", "decimals in its last part alone"),
        ("-39 07 S", "two signs"),
        ("N12S", "two signs"),
        ("39,1234567", "with a decimal comma; expected a point: '39.1234567'"),
        ("39 07 24,4441 N", "with a decimal comma; expected a point: '39 07 24.4441 N'"),
    ],
)
def test_what_is_no_angle(text, words):
    with pytest.raises(ValueError, match=r"^read '") as caught:
        degrees(text)
    assert words in str(caught.value)
    assert len(str(caught.value)) < 160


@pytest.mark.parametrize(
    ("value", "axis", "words"),
    [
        (90.0001, "latitude", "−90 to 90"),
        ("91 N", "latitude", "−90 to 90"),
        (-180.5, "longitude", "−180 to 180"),
        ("39 07 E", "latitude", "of the other axis"),
        ("104 N", "longitude", "of the other axis"),
    ],
)
def test_an_axis_has_its_letters_and_its_bounds(value, axis, words):
    with pytest.raises(ValueError, match="expected") as caught:
        degrees(value, axis)
    assert words in str(caught.value)
    assert degrees("104 59 E", "longitude") == pytest.approx(104 + 59 / 60)


@given(st.integers(0, 179), st.integers(0, 59), st.integers(0, 599_999), st.sampled_from("NSEW"), st.sampled_from(" -:"))
def test_degrees_minutes_and_seconds_come_back(d, m, s, letter, gap):
    seconds = s / 10_000
    want = math.copysign(d + m / 60 + seconds / 3600, -1 if letter in "SW" else 1)
    assert degrees(f"{d}{gap}{m:02}{gap}{seconds:.4f}{letter}") == pytest.approx(want, abs=1e-12)
    assert degrees(f"{letter}{d}°{m:02}′{seconds:.4f}″") == pytest.approx(want, abs=1e-12)


@given(st.text(alphabet=st.sampled_from("0123456789 .,-+°'\"′″:dmsNSEWé\0\n"), max_size=45))
@example("s" * 45)
@example(" " * 45)
def test_any_text_is_an_angle_or_refused_on_one_line(text):
    try:
        said = f"{degrees(text):.1f}"
    except ValueError as error:
        said = str(error)
    assert said.isprintable()
