"""`witnesspost check` as a person calls it: all that is wrong, or what was understood and deserves a look."""

import json
import os
import pty

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.book.reach import NEEDS, NOT_JUDGED

from tests.daemon.commands.narrow import shown_at
from tests.kestrel import MARKS

SITE = f"""
[post]
name = "kestrel-base"
role = "base"
time_zone = "America/Denver"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
[project]
frame = "EPSG:6319"
epoch = 2010.0
vertical = "geoid"
{MARKS}[base]
occupies = "KQ-1"
station_id = [417, 418]
antenna_height_m = 1.843
"""
LOCAL = SITE.replace('frame = "EPSG:6319"', 'frame = "local"\ngnss_frame = "EPSG:6319"').replace('vertical = "geoid"\n', "")
LOCAL = LOCAL.replace("height = 1874.322", "height = 24.0\neasting = 5000.0\nnorthing = 9000.0\nellipsoidal_height = 1856.9")
LOCAL = LOCAL.replace("height = 1878.1", "height = 27.8\neasting = 5172.95\nnorthing = 9222.07\nellipsoidal_height = 1860.68")


@pytest.fixture
def check(tmp_path):
    def call(text, *options, rights=0o640):
        path = tmp_path / "kestrel.toml"
        path.write_text(text)
        path.chmod(rights)
        return CliRunner().invoke(main, ["check", str(path), *options], catch_exceptions=False)

    return call


def said(done):
    assert done.exit_code == 0, done.stderr
    assert done.stderr == ""
    return done.stdout.splitlines()


def look(done):
    return [line.removeprefix("  look: ") for line in said(done) if line.startswith("  look: ")]


RADIO = """[radio.base]
frequency_mhz = 461.025
protocol = "quarry"
[radio.rover]
frequency_mhz = 462.5
protocol = "quarry"
"""
NARROW_TABLE = ["radio:", "frequency_mhz: base 461.025, rover 462.5", "protocol: quarry at both"]


@pytest.mark.parametrize("columns", [40, 80])
def test_at_a_terminal_it_is_wrapped_and_nothing_is_lost(check, tmp_path, columns):
    piped = said(check(SITE + RADIO))
    shown, status = shown_at(columns, "check", tmp_path / "kestrel.toml")
    assert status == 0
    assert [line for line in shown if len(line) > columns] == []
    assert any(len(line) > columns for line in piped)
    if columns == 40:
        row = next(n for n, line in enumerate(piped) if line.startswith("  radio"))
        piped[row : row + 3] = NARROW_TABLE
    assert "".join(" ".join(shown).split()) == "".join(" ".join(piped).split())


def test_everything_wrong_is_a_line_on_stderr(check, tmp_path):
    done = check(SITE.replace('role = "base"', 'role = "bass"').replace('occupies = "KQ-1"', 'occupies = "KQ-9"'))
    assert (done.exit_code, done.stdout) == (2, "")
    assert done.stderr.splitlines() == [
        f'{tmp_path}/kestrel.toml: post.role: read \'bass\'; expected "base" or "rover"',
        f"{tmp_path}/kestrel.toml: base.occupies: 'KQ-9' is not a listed control point; expected one of KQ-1, KQ-2",
    ]


def test_a_password_that_others_may_read_deserves_a_look(check, tmp_path):
    password = tmp_path / "office.password"
    office = '[office]\nbroker = "mqtts://broker.kestrel.example"\nuser = "kestrel"\npassword_file = "office.password"\n'
    stays = "the office's link stays down without it."
    assert look(check(SITE + office)) == [
        f"office.password_file: {password}: cannot be read: No such file or directory: {stays}"
    ]
    password.write_text("owl\n")
    password.chmod(0o644)
    why = "others than its owner may read it (its rights are 0644); chmod 600 it"
    done = check(SITE + office)
    assert (done.exit_code, look(done)) == (0, [f"office.password_file: {password}: {why}: {stays}"])
    password.chmod(0o600)
    done = check(SITE + office)
    assert look(done) == []
    line = "  office: mqtts://broker.kestrel.example, as witnesspost/kestrel-base; places to 0.01°"
    assert line in said(done)
    assert "owl" not in done.output


def test_what_was_understood(check, tmp_path):
    lines = said(check(SITE))
    assert lines[0] == f"{tmp_path}/kestrel.toml: good. Post kestrel-base, at the base. Times in America/Denver."
    assert "  project: 2 control points, EPSG:6319, epoch 2010" in lines
    assert "  base: over KQ-1, station 417 or 418; its antenna reference point is expected at (NAD83(2011))" in lines
    assert look(check(SITE)) == []


def test_the_height_is_shown_as_a_sum_that_is_right(check):
    understood = json.loads(check(SITE, "--json").stdout)
    (line,) = [line.strip() for line in said(check(SITE)) if " = h " in line]
    words = line.replace("(", " ").split()
    height, n, antenna, total = (float(words[index]) for index in (1, 4, 7, 10))
    assert (words[0], words[3], words[6], words[9]) == ("H", "N", "antenna", "h")
    assert (height, antenna) == (1874.322, 1.843)
    assert n == pytest.approx(understood["separation_m"], abs=5e-5)
    assert height + n + antenna == pytest.approx(total, abs=2e-4)
    assert total == pytest.approx(understood["expected_arp"]["ellipsoidal_height_m"], abs=5e-5)
    assert line.endswith(f"(N: EGM96, bundled 0.5° grid, stated error {understood['geoid_error_m']:.2f} m)")


def test_a_height_in_feet_is_shown_in_both_units(check):
    feet = SITE.replace("height = 1874.322", "height = 6149.35").replace(
        'vertical = "geoid"', 'vertical = "geoid"\nheight_unit = "ft"'
    )
    (line,) = [line for line in said(check(feet.replace("height = 1878.1", "height = 6161.7"))) if " = h " in line]
    assert "H 1874.3219 + N " in line
    assert "(6149.35 ft = 1874.3219 m)" in line


def test_ellipsoidal_heights_have_no_n(check):
    (line,) = [line for line in said(check(SITE.replace('vertical = "geoid"', 'vertical = "ellipsoidal"'))) if " = h " in line]
    assert line.strip() == "mark, ellipsoidal 1874.3220 + antenna 1.8430 = h 1876.1650 m"


def test_json_has_what_the_words_have(check):
    done = check(SITE, "--json")
    assert done.stdout.count("\n") == 1
    understood = json.loads(done.stdout)
    assert understood["station_id"] == [417, 418]
    assert (understood["frame"], understood["frame_name"], understood["frame_accuracy_m"]) == ("EPSG:6319", "NAD83(2011)", 0.0)
    assert understood["expected_arp"]["mark_height_m"] == pytest.approx(1874.322 + understood["separation_m"], abs=1e-9)
    assert "base-datum" in understood["rules"]
    assert "height-reference" not in understood["rules"]  # a rule of the rover's
    assert (understood["look_at"], understood["cannot_judge"]) == (
        [],
        {"radio-sheet": "the site file does not have both radios"},
    )


def test_each_base_of_the_projects_own_is_shown(check):
    lines = said(check(SITE + '[[other_base]]\noccupies = "KQ-2"\nstation_id = 500\nantenna_height_m = 1.5\n'))
    assert "  other_base[1]: over KQ-2, station 500; its antenna reference point is expected at (NAD83(2011))" in lines
    assert sum(" = h " in line for line in lines) == 2


def test_a_sites_own_grid_shows_scale_rotation_and_every_residual(check):
    done = check(LOCAL)
    lines = said(done)
    (fit,) = [line for line in lines if "own grid against" in line]
    understood = json.loads(check(LOCAL, "--json").stdout)["calibration"]
    assert f"scale {understood['scale']:.8f}" in fit
    assert f"rotation {understood['rotation_degrees']:+.5f}°, heights by a shift" in fit
    assert [line.split()[0] for line in lines if " left: east " in line] == ["KQ-1", "KQ-2"]
    assert "    site height 24.0000 + plane +1832.8900 + antenna 1.8430 = h 1858.7330 m" in lines
    assert look(done) == []


def test_an_old_datum_says_how_well_it_is_judged(check):
    text = (
        SITE.replace("EPSG:6319", "EPSG:27700")
        .replace("epoch = 2010.0\n", "")
        .replace("-104.9876543", "0")
        .replace("latitude = 39.1234567\nlongitude = 0", "easting = 651409.903\nnorthing = 313177.270")
        .replace("height = 1874.322", "height = 32.1")
    )
    text = text.replace("latitude = 39.1254567\nlongitude = -104.9856543\nheight = 1878.1",
                        "easting = 651500.0\nnorthing = 313200.0\nheight = 33.0")  # fmt: skip
    notes = look(check(text))
    assert notes[0].startswith("EPSG:27700 (OSGB36 / British National Grid) is not a datum of GNSS")
    assert notes[1].startswith("uk_os_OSTN15_NTv2_OSGBtoETRS.tif in a folder")
    assert any("is expected at (ITRF2014, to 2 m)" in line for line in said(check(text)))


@pytest.mark.parametrize(
    ("port", "words"),
    [("socket://127.0.0.1:5000", "carries"), ("/dev/ttyUSB0", "38400 baud, "), ("rfc2217://kestrel-hut:5000", "38400 baud, ")],
)
def test_a_speed_is_said_of_what_has_one(check, port, words):
    assert f"stream corrections: {port}, {words}" in check(SITE.replace("loop://", port)).stdout


def test_ports_that_are_none_or_not_there(check, tmp_path):
    master, slave = pty.openpty()
    plain = tmp_path / "plain"
    plain.write_text("")
    try:
        for port, words in [
            (os.ttyname(slave), None),
            ("loop://", None),
            ("socket://127.0.0.1:5000", None),
            ("rfc2217://127.0.0.1:5000", None),
            ("socket://127.0.0.1", "socket://127.0.0.1 names no TCP port; expected socket://HOST:PORT."),
            ("rfc2217://kestrel-hut:99999", "rfc2217://kestrel-hut:99999 names no TCP port; expected rfc2217://HOST:PORT."),
            ("COM3", "COM3 is not a device name: one begins with /dev/, such as /dev/ttyUSB0."),
            ("ttyUSB0", "ttyUSB0 is not a device name"),
            ("/dev/no-such-port", "/dev/no-such-port is not there now. The post waits for it."),
            (str(plain), f"{plain} is not a device: look at its name."),
            ("http://127.0.0.1", "http://127.0.0.1 begins with none of the known kinds of port: socket, rfc2217"),
        ]:
            notes = look(check(SITE.replace("loop://", port)))
            assert [note.startswith(f"stream corrections: {words}") for note in notes] == ([True] if words else [])
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize(
    ("more", "note"),
    [
        ("[radio.base]\nfrequency_mhz = 461.025\n", None),
        ("[radio.base]\nfrequency_mhz = 100\n[radio.rover]\nfrequency_mhz = 1000\n", None),
        ("[radio.rover]\nfrequency_mhz = 461025\n", "radio.rover.frequency_mhz is 461025: radio modems work between 100 and"),
        ("[radio.base]\nfrequency_mhz = 99.9\n", "radio.base.frequency_mhz is 99.9: radio modems"),
    ],
)  # fmt: skip
def test_frequencies(check, more, note):
    notes = look(check(SITE + more))
    assert len(notes) == (note is not None)
    assert note is None or notes[0].startswith(note)


def test_antennas_over_four_metres(check):
    assert look(check(SITE.replace("1.843", "4.0"))) == []
    (note,) = look(check(SITE.replace("1.843", "6.047")))
    assert note.startswith("base.antenna_height_m is 6.047: over 4 m. Expected metres from the mark")


def test_a_base_over_no_listed_point_is_said(check):
    (note,) = look(check(SITE.replace('occupies = "KQ-1"\n', "")))
    assert note.startswith("base.occupies is not given: whether the base is where it should be is not judged")


RADIOS = "[radio.base]\nfrequency_mhz = 461.025\n[radio.rover]\nfrequency_mhz = 461.025\n"


def test_the_radios_stand_side_by_side_however_long_a_word_is(check):
    text = SITE + RADIOS.replace("[radio.rover]", 'protocol = "a word that both ends share"\n[radio.rover]')
    rows = [line for line in said(check(text)) if line.lstrip().startswith(("radio ", "frequency_mhz", "protocol"))]
    assert [row.split() for row in rows[:2]] == [["radio", "base", "rover"], ["frequency_mhz", "461.025", "461.025"]]
    assert [row.endswith(end) for row, end in zip(rows, ("rover", "461.025", "not said"), strict=True)] == [True] * 3
    assert len({len(row) for row in rows}) == 1
    assert [row.index(word) + len(word) for row, word in zip(rows, ("base", "461.025", "share"), strict=True)] == [59] * 3


def mute(done):
    return {line.strip() for line in said(done) if "cannot judge here" in line}


def test_rules_that_cannot_judge_with_these_streams_are_named(check):
    rover = SITE.replace('role = "base"', 'role = "rover"') + RADIOS
    assert mute(check(rover)) == {
        "cannot judge here: fix-lost, control-check, height-reference, tilt (no stream carries positions)"
    }
    positions = rover.replace('carries = ["corrections"]', 'carries = ["positions"]')
    assert mute(check(positions)) == {
        "cannot judge here: corrections-stopped, link-overload, message-set, base-datum, antenna-mismatch "
        "(no stream carries corrections)"
    }
    assert mute(check(rover.replace('carries = ["corrections"]', 'carries = ["corrections", "positions"]'))) == set()
    own = rover + '[[own_rule]]\nname = "few"\nmeasure = "fix.satellites"\nbelow = 6\n'
    assert json.loads(check(own, "--json").stdout)["cannot_judge"]["few"] == "no stream carries positions"


def test_rules_that_have_nothing_to_judge_by_are_named(check):
    stream = '[[stream]]\nname = "line"\nport = "loop://"\ncarries = ["corrections", "positions"]\n'
    new = f'[post]\nname = "new"\nrole = "rover"\n{stream}'
    assert mute(check(new)) == {
        "cannot judge here: radio-sheet (the site file does not have both radios)",
        "cannot judge here: base-datum, control-check, height-reference (the site file has no control points)",
    }


@pytest.mark.parametrize("kind", ["network", "moving"])
def test_with_a_networks_or_a_moving_base_what_is_judged_is_said(check, kind):
    text = SITE.replace('role = "base"', 'role = "rover"').replace(
        'carries = ["corrections"]', 'carries = ["corrections", "positions"]'
    )
    text = text.replace('occupies = "KQ-1"\n', f'kind = "{kind}"\n').replace("antenna_height_m = 1.843\n", "")
    lines = said(check(text))
    control = ", control-check" if kind == "moving" else ""
    why = f"(a {kind} base may be elsewhere, under another number, at any time)"
    assert any(
        line.startswith("  cannot judge here: wrong-channel, base-datum, base-moved") and line.endswith(why) for line in lines
    )
    (judged,) = [line for line in lines if line.startswith("  rules that judge: ")]
    assert ("control-check" in judged) == (not control)
    assert "corrections-stopped" in judged
    assert "base-datum" not in judged


def test_each_rule_says_what_it_needs():
    names = {rule.name for rule in RULES}
    assert set(NEEDS) == names
    assert set().union(*NOT_JUDGED.values()) <= names


def test_measurements_of_own_rules_are_listed():
    lines = CliRunner().invoke(main, ["check", "--measures"]).stdout.splitlines()
    assert any(line.startswith("fix.satellites ") for line in lines)


@pytest.mark.parametrize(
    ("keys", "notes"),
    [
        ('listen = "0.0.0.0:8017"\npin = "418820"\n', []),
        ('listen = "127.0.0.1:8017"\n', []),
        ("", []),
        (
            'listen = "0.0.0.0:8017"\n',
            ["page.pin is not given: the page listens on 127.0.0.1:8017, where no phone reaches it."],
        ),
        (
            'certificate = "/no.pem"\nkey = "/no.key"\n',
            [
                "page.certificate: /no.pem cannot be read: the page does not come up without it.",
                "page.key: /no.key cannot be read: the page does not come up without it.",
            ],
        ),
    ],
)
def test_a_page_that_no_phone_reaches_is_worth_a_look(check, keys, notes):
    assert look(check(f"{SITE}[page]\n{keys}")) == notes


@pytest.mark.parametrize(("rights", "warned"), [(0o600, False), (0o640, False), (0o644, True), (0o604, True)])
def test_a_pin_that_anybody_may_read_is_worth_a_look(check, tmp_path, rights, warned):
    found = look(check(f'{SITE}[page]\nlisten = "0.0.0.0:8017"\npin = "418820"\n', rights=rights))
    path = tmp_path / "kestrel.toml"
    line = (
        f"page.pin: anybody on this machine may read it in {path} (its rights are {rights:04o}): "
        f"chgrp witnesspost {path} && chmod 640 {path}"
    )
    assert found == ([line] if warned else [])
    assert look(check(f'{SITE}[page]\nlisten = "127.0.0.1:8017"\n', rights=rights)) == []
