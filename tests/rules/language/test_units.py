"""A figure and its unit on a page."""

import pytest
from witnesspost.rules.language.units import kept_together


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("the base was 16.7 m high", "the base was 16.7~m high"), ("48 % after 25 s at 10 Hz", "48~% after 25~s at 10~Hz"),
        ("29 to 1144 s off, −12 mm", "29 to 1144~s off, −12~mm"), ("44 dB-Hz, 44 dBHz, 20 ms", "44~dB-Hz, 44~dBHz, 20~ms"),
        ("5 °C, 12 ppm, 9600 baud", "5~°C, 12~ppm, 9600~baud"), ("250 kB/s; 3 ft.", "250~kB/s; 3~ft."),
        ("3 steps, 4 minutes, 5 high", "3 steps, 4 minutes, 5 high"), ("10 metres off", "10 metres off"),
        ("39.1°, x s, 5 Hzz, 3  m", "39.1°, x s, 5 Hzz, 3  m"), ("", ""),
    ],
)  # fmt: skip
def test_a_figure_and_its_unit_stay_on_one_line(said, kept):
    assert kept_together(said) == kept.replace("~", "\N{NO-BREAK SPACE}")
    assert kept_together(kept_together(said)) == kept_together(said)
