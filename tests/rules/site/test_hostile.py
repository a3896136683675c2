"""Site files and control files that were made to stop the program: each ends soon, with few lines, each on one line."""

import os

import pytest
from witnesspost.rules.book.contents import FIGURES, open_whole_site
from witnesspost.rules.site.file import MOST_BYTES
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import draft_of_file
from witnesspost.rules.site.salvage import salvage

from tests.bench.site_files import HOSTILE_LINES
from tests.rules.site.conftest import GOOD, changed, problems_of

MOST_LINES = 100
STREAM = '[[stream]]\nname = "s{0}"\nport = "/dev/tty{0}"\ncarries = ["corrections"]\n'
POINT = '[[project.control]]\nname = "P{0}"\nlatitude = {1}\nlongitude = -104.9\nheight = {2}\n'
OWN = '[[own_rule]]\nname = "r{0}"\nmeasure = "fix.satelites{0}"\nbelow = 6\n'
ANOTHER = '[[other_base]]\noccupies = "Z{0}"\nstation_id = {0}\nantenna_height_m = 1\n'


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (('log_dir = "log"', 'log_dir = "a\\u0000b"'), r"post.log_dir: read 'a\x00b'; expected the name of a file or folder"),
        (('name = "kestrel-base"', 'name = "k\\n"'), r"post.name: read 'k\n'; expected a text of up to 40 letters"),
        (("keep_days = 30", f"keep_days = {'9' * 5000}"), "line 7: keep_days: a number of thousands of digits"),
        (("keep_days = 30", f"keep_days = 0x{'9' * 4000}"), "post.keep_days: read a number of about 4,816 digits"),
        (("keep_days = 30", "keep_days = 1e308"), "post.keep_days: read 1e+308; expected a number from 0 to 36525"),
        (("keep_days = 30", "keep_days = nan"), "post.keep_days: read nan; expected a number"),
        (('port = "/dev/ttyUSB0"', 'port = "/dev/a\\u001b[2J"'), r"stream[1].port: read '/dev/a\x1b[2J'; expected a device"),
        (('geoid = "bundled"', 'geoid = "a\\u0000b"'), r"project.geoid: read 'a\x00b'; expected the name of a file or folder"),
        (('grids = "grids"', 'grids = "a\\u0000"'), r"project.grids: read 'a\x00'; expected the name of a file or folder"),
        (('frame = "EPSG:6319"', 'frame = "EPSG:\\n"'), r"project.frame: read 'EPSG:\n'; expected a frame's code"),
        (('name = "Kestrel quarry', 'name = "\\u001b[2JK'), r"project.name: read '\x1b[2JK haul road'; expected a text of"),
        (('name = "KQ-2"', 'name = "2-QK\\u202e"'), r"project.control[2].name: read '2-QK\u202e'; expected a text of 1 to 100"),
        (('antenna = ""', 'antenna = "x\\ny"'), r"base.antenna: read 'x\ny'; expected a text of up to 200 char"),
        (('protocol = "a', 'protocol = "\\u0000'), "radio.base.protocol: read"),
        (('say = "Few', 'say = "\\r\\nFew'), "own_rule[1].say: read"),
        (('"buzzer"\npin = 17', '"led-class"\nled = "../../../tmp/x"'), "signal[1].led: read '../../../tmp/x'; expected a"),
        (("angle_field = 3", f"angle_field = {'9' * 200}"), "tilt.angle_field: read 99999"),
        (("air_rate_bps = 9600", f"air_rate_bps = {'9' * 200}"), "radio.base.air_rate_bps: read 99999"),
        (("scale = 1.0", f"scale = {'[' * 500}{']' * 500}"), "is nested too deeply to be a site file"),
        (("scale = 1.0", f"scale = {'1' * 3000},5"), f"line 47: read {'1' * 59}…, with a decimal comma"),
        (("[rover]", f"[{'a.' * 2000}a]\n[rover]"), "is nested too deeply for a site file"),
        (("[rover]", f"[rules.sky.{'a.' * 2000}a]\n[rover]"), "is nested too deeply for a site file"),
        (("[rover]", f"[{' ' * 4000}!\n[rover]"), "expected a table's name in brackets"),
        (("[rover]", f"x ={' x' * 2000}\n[rover]"), "x: read x x x"),
        (("[rover]", f"{'x' * 1_000_000}\n[rover]"), "1,000,000 characters on one line; expected at most 4,096"),
        (("[rover]", f"[rover]\nx = '{'x' * 5000}'"), "x: 5,006 characters on one line; expected at most 4,096: a list"),
    ],
)  # fmt: skip
def test_values_that_no_site_has(change, problem):
    (said,) = problems_of(changed(change))
    assert problem in said


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda i: f"k{i} = 1\n", "more lines like these"),
        (lambda i: f"[t{i}]\n", "more lines like these"),
        (lambda i: f"[rules.t{i}]\n", "more lines like these"),
        (STREAM.format, "stream: 2,001 of them; expected at most 32"),
        (OWN.format, "own_rule: 2,001 of them; expected at most 100"),
        (ANOTHER.format, "other_base: 2,001 of them; expected at most 100"),
        (lambda i: '[[signal]]\nkind = "bell"\n', "signal: 2,001 of them; expected at most 32"),
        (lambda i: POINT.format(i, 39.1, "'x'"), "more lines like these"),
        (lambda i: POINT.format("", 39.1, 9.0), "project.control: 'P' is there 2000 times; expected once"),
        (lambda i: "x y\n", "and more lines that are not TOML"),
        (lambda i: "[" + " x" * 2000 + "!\n", "and more lines that are not TOML"),
        (lambda i: "x" * 5000 + "\n", "expected at most 4,096: a list may go over several lines; and 1,999 more such lines"),
    ],
)
def test_two_thousand_mistakes_are_told_in_few_lines(make, words):
    problems = problems_of(GOOD + "".join(map(make, range(2000))))
    assert any(words in problem for problem in problems)
    assert len(problems) < MOST_LINES


@pytest.mark.parametrize("make", HOSTILE_LINES.values(), ids=HOSTILE_LINES)
def test_whatever_the_lines_are_few_are_told(make):
    """What they cost is a row of the benchmark."""
    hostile = "".join(make(i) for i in range(25_000 // len(make(0))))
    assert len(problems_of(GOOD + hostile)) < MOST_LINES


@pytest.mark.parametrize("what", ["pipe", "device", "huge"])
def test_a_site_file_or_control_file_that_never_ends(tmp_path, what):
    """A pipe that nobody writes to, a device, a file of a terabyte (of holes)."""
    never = tmp_path / "never"
    if what == "pipe":
        os.mkfifo(never)
    elif what == "device":
        never.symlink_to("/dev/zero")
    else:
        with never.open("wb") as file:
            file.truncate(10**12)
    why = f"it has over {MOST_BYTES // 10**6} MB" if what == "huge" else "it is a pipe or a device"
    with pytest.raises(SiteError) as caught:
        draft_of_file(never, FIGURES).sound()
    assert caught.value.problems == [f"cannot be read: {why}; name a site file"]
    assert salvage(never, FIGURES).stream == []
    site = tmp_path / "site.toml"
    site.write_text(changed(("[base]", '[[project.control_file]]\npath = "never"\n[base]')))
    with pytest.raises(SiteError) as caught:
        draft_of_file(site, FIGURES).sound()
    assert caught.value.problems == [
        f"project.control_file[1].path: read 'never', which cannot be read: {why}; expected a CSV file"
    ]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda n: '"' + "x\n" * 10 * n, "is not CSV"),
        (lambda n: "KQ-9,39.1,-104.9,1\n" * n, "is there"),
        (lambda n: "a,b\n" * n, "2 cells; expected 4, as in the header"),
        (lambda n: "x," * n + "\n", "cells; expected 4"),
        (lambda n: f"KQ-9,39.1,-104.9,{'1' * n}\n", "expected a number"),
        (lambda n: f"KQ-9,{'1 ' * n}N,-104.9,1\n", "which is not an angle"),
        (lambda n: f"{'K' * 10000},39.1,-104.9,1\n" * (n // 10000), "a text of 1 to 100 characters"),
        (lambda n: "KQ-9,nan,inf,1e5\n" * n, "expected"),
        (lambda n: "KQ\x1b[2J,39.1,-104.9,1\n" * n, "a text of 1 to 100 characters on one line"),
        (lambda n: "KQ\0,39.1,-104.9,1\n" * n, "holds a NUL"),
        (lambda n: '"K\nQ",39.1,-104.9,1\n' * n, "a text of 1 to 100 characters on one line"),
    ],
)
def test_control_files_that_no_instrument_writes(tmp_path, make, words):
    (tmp_path / "site.toml").write_text(changed(("[base]", '[[project.control_file]]\npath = "control.csv"\n[base]')))
    (tmp_path / "control.csv").write_text("name,latitude,longitude,height\n" + make(10_000))
    with pytest.raises(SiteError) as caught:
        open_whole_site(tmp_path / "site.toml")
    problems = caught.value.problems
    assert any(words in problem for problem in problems), problems
    assert len(problems) < MOST_LINES
    assert all(problem.isprintable() and len(problem) < 500 for problem in problems)


@pytest.mark.slow
def test_a_site_file_of_a_hundred_thousand_points_is_read(tmp_path):
    """As CSV; each of them in the place of its own, found by name."""
    rows = "".join(f"P{i},39.{i:07d},-104.9876543,1874.322\n" for i in range(100_000))
    (tmp_path / "control.csv").write_text("name,latitude,longitude,height\n" + rows)
    (tmp_path / "site.toml").write_text(
        '[post]\nname = "k"\nrole = "rover"\n[[stream]]\nname = "a"\nport = "loop://"\ncarries = ["positions"]\n'
        '[project]\nvertical = "ellipsoidal"\n[[project.control_file]]\npath = "control.csv"\n'
    )
    site = draft_of_file(tmp_path / "site.toml", FIGURES).sound()
    assert len(site.project.control) == 100_000
    assert site.control_point("P99999").latitude == 39.0099999
