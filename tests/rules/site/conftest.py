"""A whole site file, and what is said of one that is wrong."""

import pytest
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_toml

GOOD = """
[post]
name = "kestrel-base"
role = "base"
log_dir = "log"
commit_s = 5.0
keep_days = 30
time_zone = "America/Denver"
[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
baud = 38400
carries = ["corrections"]
[project]
name = "Kestrel quarry haul road"
frame = "EPSG:6319"
epoch = 2010.0
vertical = "geoid"
geoid = "bundled"
grids = "grids"
height_unit = "m"
[[project.control]]
name = "KQ-1"
latitude = 39.1234567
longitude = "104 59 15.5555 W"
height = 1874.322
[[project.control]]
name = "KQ-2"
easting = 500000.0
northing = 4300000.0
height = 1880.0
[base]
kind = "own"
occupies = "KQ-1"
station_id = [417, 418]
antenna_height_m = 1.843
antenna = ""
[[other_base]]
occupies = "KQ-2"
station_id = 500
antenna_height_m = 1.5
[rover]
pole_height_m = 2.0
[tilt]
sentence = "PEXMP,TILT"
angle_field = 3
scale = 1.0
aligned_field = 4
aligned_value = "1"
compensates = true
[radio.base]
frequency_mhz = 461.0250
protocol = "a word that both ends share"
forward_error_correction = false
air_rate_bps = 9600
antenna_above_ground_m = 4.0
[radio.rover]
frequency_mhz = 461.0250
[rules.corrections-stopped]
on_delay_s = 5.0
[rules.sky]
off = true
[[own_rule]]
name = "too-few-satellites"
measure = "fix.satellites"
below = 6
on_delay_s = 10
off_delay_s = 10
severity = "check"
say = "Fewer than six satellites: wait, or move out of the trees."
[[signal]]
kind = "buzzer"
pin = 17
[page]
listen = "127.0.0.1:8017"
"""


def problems_of(text, path="site.toml"):
    """The problems of a site file that must have some."""
    with pytest.raises(SiteError) as caught:
        site_from_toml(text, str(path), FIGURES)
    problems = caught.value.problems
    assert problems
    assert all(problem.isprintable() and len(problem) < 500 for problem in problems)
    return problems


def changed(*changes):
    """The whole site file with each (old, new) text exchanged, once."""
    text = GOOD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text
