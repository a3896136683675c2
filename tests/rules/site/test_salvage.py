"""What is left of a site file that is wrong: its ports, whatever the mistake."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_toml
from witnesspost.rules.site.salvage import salvage

RIGHT = """
[post]
name = "kestrel-base"
role = "rover"
log_dir = "days"

[[stream]]
name = "corrections"
port = "/dev/ttyUSB0"
baud = 9600
carries = ["corrections"]

[[stream]]
name = "receiver"
port = "/dev/ttyUSB1"
carries = ["positions"]

[base]
station_id = 417

[rules.corrections-stopped]
on_delay_s = 5.0

[[signal]]
kind = "buzzer"
pin = 17

[button]
pin = 22
"""


def of(tmp_path, text):
    path = tmp_path / "kestrel-base.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return salvage(path, FIGURES)


def ports(site):
    return [(stream.name, stream.port, stream.baud) for stream in site.stream]


BOTH = [("corrections", "/dev/ttyUSB0", 9600), ("receiver", "/dev/ttyUSB1", 38400)]


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("on_delay_s = 5,0", "on_delay_s = 5.0"),  # no TOML at all
        ('on_delay_s = "five"', "on_delay_s = 5.0"),
        ("station_id = 9999", "station_id = 417"),
        ("[bass]", "[base]"),
        ("[base", "[base]"),
        ('role = "rover', 'role = "rover"'),
        ("pin = ", "pin = 17"),
        ('kind = "horn"', 'kind = "buzzer"'),
        ("pin = 99", "pin = 22"),
    ],
)
def test_a_typo_elsewhere_costs_no_port(tmp_path, wrong, right):
    text = RIGHT.replace(right, wrong)
    with pytest.raises(SiteError):
        site_from_toml(text, figures=FIGURES)
    site = of(tmp_path, text)
    assert ports(site) == BOTH
    assert (site.post.name, site.post.log_dir) == ("kestrel-base", "days")


def test_a_typo_in_a_stream_costs_that_key(tmp_path):
    assert ports(of(tmp_path, RIGHT.replace("baud = 9600", "baud = 96oo"))) == [
        ("corrections", "/dev/ttyUSB0", 38400),
        BOTH[1],
    ]
    unnamed = of(tmp_path, RIGHT.replace('name = "corrections"', "name = corrections"))
    assert ports(unnamed) == [("stream-1", "/dev/ttyUSB0", 9600), BOTH[1]]
    uncarried = of(tmp_path, RIGHT.replace('["corrections"]', '["correctoins"]'))
    assert uncarried.stream[0].carries == ["corrections", "positions"]


def test_a_stream_without_a_port_is_lost_and_the_other_is_not(tmp_path):
    assert ports(of(tmp_path, RIGHT.replace('port = "/dev/ttyUSB0"', "port ="))) == [BOTH[1]]


def test_two_streams_on_one_port_are_one(tmp_path):
    assert ports(of(tmp_path, RIGHT.replace("ttyUSB1", "ttyUSB0"))) == [BOTH[0]]


def test_outputs_and_button_are_kept(tmp_path):
    site = of(tmp_path, RIGHT.replace("on_delay_s = 5.0", "on_delay_s = 5,0"))
    assert [(signal.kind, signal.pin) for signal in site.signal] == [("buzzer", 17)]
    assert site.button is not None
    assert site.button.pin == 22


def test_nothing_is_judged_but_the_post_itself(tmp_path):
    from witnesspost.rules.book.contents import rules_in_force
    from witnesspost.rules.engine.scene import Scene

    site = of(tmp_path, RIGHT.replace("on_delay_s = 5.0", "on_delay_s = 5,0"))
    assert [rule.name for rule in rules_in_force(site, Scene(site))] == ["post-health"]


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe\x00", b"[[[[", b"nonsense", b"[post]\nname = 5\n", b"post = 3\nstream = 4\n"]
)
def test_of_nothing_a_name_is_left(tmp_path, content):
    site = of(tmp_path, content)
    assert (site.post.name, site.stream, site.signal, site.button) == ("kestrel-base", [], [], None)


def test_a_file_that_is_not_there(tmp_path):
    assert salvage(tmp_path / "gone away!.toml", FIGURES).post.name == "gone-away"


@given(st.integers(0, len(RIGHT)), st.integers(0, 40), st.text(max_size=20))
def test_no_damage_stops_it(at, cut, inserted):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "kestrel-base.toml")
        path.write_bytes((RIGHT[:at] + inserted + RIGHT[at + cut :]).encode(errors="replace"))
        site = salvage(path, FIGURES)
    assert len({stream.port for stream in site.stream}) == len(site.stream) <= 3
