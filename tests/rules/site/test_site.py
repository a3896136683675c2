import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError, degrees, read_site, site_from_table, site_from_toml

GOOD = """
[post]
name = "kestrel-base"
role = "base"
log_dir = "log"
commit_s = 5.0
keep_days = 30
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
occupies = "KQ-1"
station_id = 417
antenna_height_m = 1.843
antenna = ""
[rover]
pole_height_m = 2.0
[tilt]
sentence = "PEXMP,TILT"
angle_field = 3
scale = 1.0
aligned_field = 4
aligned_value = "1"
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


def problems_of(text):
    with pytest.raises(SiteError) as caught:
        site_from_toml(text, "site.toml", FIGURES)
    return caught.value.problems


def test_every_key_of_a_whole_site_file_is_read():
    site = site_from_toml(GOOD, "/etc/witnesspost/kestrel.toml", FIGURES)
    assert (site.post.name, site.stream[0].baud, site.base.station_id) == ("kestrel-base", 38400, 417)
    assert site.control_point("KQ-2").northing == 4300000.0
    assert site.own_rule[0].below == 6
    assert site.rules["sky"] == {"off": True}
    assert str(site.folder) == "/etc/witnesspost"


def test_all_that_is_wrong_is_said_at_once_with_key_value_and_remedy():
    text = """
colour = "red"
[post]
name = "kestrel base"
role = "bass"
[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
baud = 0
carries = ["corrections"]
[[stream]]
name = "positions"
port = "/dev/ttyUSB0"
baud = "fast"
carries = ["position"]
[[project.control]]
name = "KQ-1"
latitude = 95.0
longitude = 10.0
height = 1.0
[base]
occupies = "KQ-9"
statoin_id = 417
[rules.corrections-stoped]
on_delay_s = 1
[rules.sky]
of = true
"""
    assert problems_of(text) == [
        "colour: unknown key; known here: post, stream, project, base, rover, tilt, radio, rules, own_rule, signal, button, "
        "page",
        "post.name: read 'kestrel base'; a text of up to 40 letters, digits and hyphens would do",
        'post.role: read \'bass\'; "base" or "rover" would do',
        "stream[1].baud: read 0; a whole number from 300 to 4000000 would do",
        "stream[2].baud: read 'fast'; a whole number from 300 to 4000000 would do",
        'stream[2].carries: read [\'position\']; a list of "corrections" or "positions" would do',
        "base.statoin_id: unknown key; did you mean station_id?",
        "rules.corrections-stoped: there is no such rule; did you mean corrections-stopped or corrections-late?",
        "rules.sky.of: unknown key; known here: " + ", ".join(f for f in FIGURES["sky"].__struct_fields__),
        "project.control[1] (KQ-1).latitude: read 95.0; −90 to 90 degrees would do",
        "base.occupies: 'KQ-9' is no listed control point; one of KQ-1 would do",
        "base.antenna_height_m: missing; metres from the mark up to the ARP would do, 0 on the mark",
    ]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (('name = "corrections"\n', 'name = "corrections"\n'), None),
        (('longitude = "104 59 15.5555 W"', 'longitude = "104 59 15.5555 N"'), "letter of the other axis"),
        (('longitude = "104 59 15.5555 W"', 'longitude = "104 75 15.5555 W"'), "60 minutes"),
        (('longitude = "104 59 15.5555 W"', ""), "either latitude and longitude"),
        (("below = 6", "below = 6\nabove = 9"), "exactly one of below, above, equals"),
        (("pin = 17", ""), "a buzzer needs the GPIO number"),
        (('name = "KQ-2"', 'name = "KQ-1"'), "'KQ-1' stands 2 times"),
        (("angle_field = 3", ""), None),
        (("station_id = 417", "station_id = 4096"), "a whole number from 0 to 4095"),
        (("station_id = 417", "station_id = true"), "read True"),
        (("height = 1880.0", "height = nan"), "height: read nan"),
        (("easting = 500000.0", "easting = inf"), "easting: read inf"),
    ],
)
def test_what_cannot_be_is_named(change, problem):
    text = GOOD.replace(*change)
    if problem is None:
        site_from_toml(text, "", FIGURES)
    else:
        assert problem in problems_of(text)[0]


def test_two_streams_of_one_name_and_no_stream_at_all():
    twice = GOOD.replace(
        "[project]", '[[stream]]\nname = "corrections"\nport = "/dev/ttyUSB1"\ncarries = ["positions"]\n[project]', 1
    )
    assert problems_of(twice) == ["stream: 'corrections' stands 2 times; once would do"]
    assert problems_of('stream = []\n[post]\nname = "a"\nrole = "base"')[0].startswith("stream: none;")
    assert problems_of('[post]\nname = "a"\nrole = "base"')[0].startswith("stream: missing;")


def test_files_that_are_none(tmp_path):
    for content, words in ((None, "cannot be read"), (b"\xff\xfe", "UTF-8"), (b"[post", "no TOML")):
        path = tmp_path / "site.toml"
        path.unlink(missing_ok=True)
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(SiteError, match=words):
            read_site(path)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (39.5, 39.5),
        ("39.5", 39.5),
        ("39 07 24.4441 N", 39 + 7 / 60 + 24.4441 / 3600),
        ("104°59′15.5555″W", -(104 + 59 / 60 + 15.5555 / 3600)),
        ("-33 30", -33.5),
        ("0 30 S", -0.5),
        ("-0 30", -0.5),
    ],
)
def test_angles(text, value):
    assert degrees(text) == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("text", ["", "north", "39 61 00 N", "39 07 60", "-39 07 S", "1 2 3 4"])
def test_what_is_no_angle(text):
    with pytest.raises(ValueError, match=r"angle|minutes"):
        degrees(text)


scalars = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8))
tables = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from([*tomllib.loads(GOOD), "name", "port", "x"]), inner)
    ),
    max_leaves=12,
)


@settings(suppress_health_check=[HealthCheck.too_slow])  # the first text that is drawn loads all of Unicode
@given(st.dictionaries(st.sampled_from([*tomllib.loads(GOOD), "x"]), tables))
def test_any_table_is_either_a_site_or_a_list_of_problems(table):
    try:
        site_from_table(table, "site.toml", FIGURES)
        problems = ["none"]
    except SiteError as error:
        problems = error.problems
    assert problems
    assert all("\n" not in problem for problem in problems)
