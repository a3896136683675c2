"""Days on which the log knows less than it seems: each invented as it can happen, judged and reported by what is known."""

import re

import pytest
from click.testing import CliRunner
from witnesspost.replay.commands.points import points
from witnesspost.replay.commands.report import report
from witnesspost.replay.world.scenario import FOLDER, scenario

from tests.replay.conftest import invented
from tests.replay.office.test_points import rows_of
from tests.replay.office.test_report import read

DAY = """
like = "quiet-hour-rover"
seed = 9
duration_s = {lasts_s}
site.project.geoid = "{geoid}"
site.post.time_zone = "America/Denver"
rover.works = true
rover.tilt = "none"
rover.east_m = 285.0
rover.north_m = 155.0
controller.points = {points}
messages.kind = "legacy"
messages.interval_s = 3.0
"""
OCCUPY = '[[event]]\ndo = "occupy"\nat_s = {}\nfor_s = 30\npoint = "{}"\n{}'
SLIP = "ground.marks = { KQ-1 = [39.1235567, -104.9876543, 1857.583] }\n"  # the site file has 39.1234567: 11.1 m
OFF = "east_m = 0.07\nnorth_m = -0.05\nup_m = 0.02\n"
ON_KQ3 = 'base.stands_on = "KQ-3"\n', '[[event]]\ndo = "broadcast"\nat_s = 0\ncause = "other-control-point"\nto = "KQ-1"\n'
TO_KQ3 = 'base.stands_on = "KQ-3"\n', '[[event]]\ndo = "broadcast"\nat_s = 0\ncause = "other-control-point"\nto = "KQ-3"\n'
SET_UP = '[[event]]\ndo = "set-up"\nat_s = {}\nantenna_height_m = 1.843\npoint = "KQ-3"\n'
DAYS = {
    "the sheet has a slip": [SLIP, OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-3", "")],
    "the sheet has a slip, one mark": [SLIP, OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-2", "")],
    "the tripod moved": [
        OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(260, "KQ-2", ""),
        OCCUPY.format(400, "KQ-2", OFF), OCCUPY.format(640, "KQ-3", OFF),
    ],
    "the base on another mark": [
        *ON_KQ3, OCCUPY.format(40, "KQ-2", ""), '[[event]]\ndo = "check-in"\nat_s = 45\npoint = "KQ-2"\n',
        '[[event]]\ndo = "check-in"\nat_s = 560\npoint = "KQ-3"\n',
    ],
    "an averaged base on a free point": [
        'without = ["site.base.occupies"]\nbase.stands_on = "KQ-1"\n',
        '[[event]]\ndo = "broadcast"\nat_s = 0\neast_m = -1.4\nnorth_m = 0.9\nup_m = 2.2\n',
        OCCUPY.format(40, "KQ-2", ""), '[[event]]\ndo = "check-in"\nat_s = 45\npoint = "KQ-2"\n',
        OCCUPY.format(640, "KQ-3", ""), '[[event]]\ndo = "check-in"\nat_s = 650\npoint = "KQ-3"\n',
    ],
    "a right base on a free point": [
        'without = ["site.base.occupies"]\nbase.stands_on = "KQ-1"\n',
        OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-3", ""),
    ],
    "the base on KQ-3, told": [*TO_KQ3, SET_UP.format(5), OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-2", "")],
    "moved to KQ-3, its coordinate not": [OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(260, "KQ-2", ""), SET_UP.format(400)],
    "the rover on a tripod, told": [
        "controller.pole_height_m = 1.472\n", '[[event]]\ndo = "pole"\nat_s = 0\nby_m = -0.528\n',
        SET_UP.format(5).replace("KQ-3", "KQ-1") + "pole_height_m = 1.472\n",
        OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-3", ""),
    ],
    "an extension under the base": [
        "base.antenna_height_m = 2.093\n", '[[event]]\ndo = "antenna-height"\nat_s = 0\nheight_m = 1.843\n',
        OCCUPY.format(40, "KQ-2", ""), OCCUPY.format(640, "KQ-3", ""),
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """`told(name)` gives the rows of the points' CSV and the report's text of that day."""
    found = {}

    def tell(name):
        if name not in found:
            folder = tmp_path_factory.mktemp("day")
            source = folder / "day.toml"
            source.write_text(DAY.format(lasts_s=700, points=5, geoid=FOLDER / "kestrel.gtx") + "".join(DAYS[name]))
            log, _ = invented(folder, scenario(source), folder / "field.csv")
            if name == "the rover on a tripod, told":  # many a controller writes no pole
                without_column(folder / "field.csv", "Pole height")
            csv, page = folder / "judged.csv", folder / "day.html"
            for command, out in ((points, csv), (report, page)):
                done = CliRunner().invoke(command, [str(log), "--points", str(folder / "field.csv"), "-o", str(out)])
                assert done.exit_code == 0, done.output
            found[name] = rows_of(csv.read_text()), read(page)[1].replace("\N{NO-BREAK SPACE}", " ")
        return found[name]

    return tell


def without_column(path, name):
    table = [line.split(",") for line in path.read_text().splitlines()]
    at = table[0].index(name)
    path.write_text("".join(",".join([*row[:at], *row[at + 1 :]]) + "\n" for row in table))


def first_sentences(text):
    return text[text.index("(-0600)") + 8 : text.index(" The day Times")]


def assert_missed_alike(said, how_many, read_so, advice):
    assert re.search(rf"{how_many} failed: the rover read {read_so}\.", said), said
    assert f"The same on each mark: {advice}." in said


def test_check_ins_on_two_marks_prove_the_base_against_a_slip_in_the_site_file(told):
    rows, text = told("the sheet has a slip")
    between = [row for row in rows if row["check_before"] and row["check_after"]]
    assert len(between) >= 4
    assert {row["verdict"] for row in between} == {"keep"}
    assert not any(row["repaired_latitude"] or row["vector_north_m"] for row in rows)
    assert all(float(row["u95_plan_m"]) < 0.05 for row in between)  # 11 m of the sheet's are none of the point's
    apart = (
        "the base's coordinate and the site file's KQ-1 differ by 11.1 m (a slip in typing), and the check-ins on KQ-2 and "
        "KQ-3 agree with the base: compare the site file with the control sheet."
    )
    assert f"T{apart[1:]}" in between[0]["reason"]
    said = first_sentences(text)
    assert re.match(rf"From 02:00 to 02:\d\d {re.escape(apart)}", said)
    assert "the base was" not in said


def test_one_mark_and_the_site_file_leave_it_to_the_surveyor(told):
    rows, text = told("the sheet has a slip, one mark")
    assert {row["verdict"] for row in rows} == {"undecided"}
    assert not any("repaired" in row["reason"] for row in rows)
    assert "the check-in on KQ-2 agrees with the base: a check-in on another mark would tell which is right." in text


def test_each_failed_check_in_has_its_own_name_and_two_that_miss_by_the_same_speak_of_the_base(told):
    rows, text = told("the tripod moved")
    said = first_sentences(text)
    read_so = r"7 cm east, 5 cm south, 2 cm high on KQ-2 \(02:06\) and on KQ-3 \(02:10\)\. Until 02:04 they passed"
    assert_missed_alike(said, "Of 4 check-ins 2", read_so, "ask first whether the base stood on its mark, and stayed there")
    assert "times" not in said
    by_checks = {tuple(row[name].split(" ")[2] for name in ("check_before", "check_after") if row[name]): row for row in rows}
    assert by_checks["passed", "passed"]["verdict"] == "keep"
    doubted = by_checks["failed", "failed"]
    assert doubted["verdict"] == "undecided"
    assert "and that on KQ-3 by the same: ask first whether the base stood on its mark" in doubted["reason"]


def test_a_base_on_another_mark_and_a_check_in_far_from_its_mark_are_told(told):
    rows, text = told("the base on another mark")
    said = first_sentences(text)
    assert re.search(
        r"The one check-in failed: the rover read 310\.\d m east, 27\d\.\d m north, [\d.]+ m high on KQ-2 \(02:00\)", said
    )
    assert "KQ-3 under the base instead of KQ-1" in text
    assert "No check-in was made" not in text
    assert "None made" not in text
    assert re.search(r"At 02:09 a check-in on KQ-3 came to nothing: ", said)
    assert "was right" not in said
    assert "The base's coordinate agreed with the site file from 02:00" in said
    assert {row["verdict"] for row in rows} == {"undecided"}


def test_the_same_height_on_each_mark_is_not_the_poles_alone(told):
    rows, text = told("an extension under the base")
    both = "it may be the base's antenna height or the rover's pole, and heights alone do not tell which"
    read_so = r"2[56] cm low on KQ-2 \(02:00\) and on KQ-3 \(02:10\)"
    assert_missed_alike(first_sentences(text), "Both check-ins", read_so, both)
    assert {row["verdict"] for row in rows} == {"undecided"}
    assert any(f"and that on KQ-3 by the same: {both}." in row["reason"] for row in rows)
    assert not any(row["repaired_height"] for row in rows)
    assert not any(" -0 " in row["check_before"] + row["check_after"] for row in rows)


def test_a_base_is_judged_by_the_set_up_of_the_day(told):
    """On KQ-3 today and not on KQ-1, as somebody told the post: right practice, told a few seconds after the base began."""
    rows, text = told("the base on KQ-3, told")
    said = first_sentences(text)
    assert said.startswith("The base's coordinate agreed with the site file from 02:00 to 02:1")
    assert {row["verdict"] for row in rows if row["check_before"]} == {"keep"}
    assert all(row["base"].startswith("station 417 as the site file has it on KQ-3, to ") for row in rows)


def test_a_set_up_that_was_told_and_a_coordinate_that_was_not_typed_are_told_from_then_on(told):
    rows, text = told("moved to KQ-3, its coordinate not")
    said = first_sentences(text)
    assert re.match(
        r"From 02:06 to 02:1\d the base's coordinate was .+ against the site file's KQ-3 \(another control point\)", said
    )
    before = [row for row in rows if row["first_time"][11:19] < "02:04:20"]
    assert {row["verdict"] for row in before if row["check_before"]} == {"keep"}
    after = [row for row in rows if row["first_time"][11:19] > "02:06:40"]
    assert {row["verdict"] for row in after} == {"undecided"}
    assert all("and no check-in tells which is right." in row["reason"] for row in after)


def test_a_pole_that_was_told_is_the_one_of_a_file_that_says_none(told):
    rows, _ = told("the rover on a tripod, told")
    assert {row["verdict"] for row in rows if row["check_before"] and row["check_after"]} == {"keep"}
    assert all(abs(float(row["file_less_log_up_m"])) < 0.02 for row in rows)


def test_a_base_on_no_mark_is_judged_by_check_ins_alone(told):
    _, text = told("a right base on a free point")
    kept = "No stop alert was raised. All 5 points can be kept."
    assert first_sentences(text) == f"Only check-ins can judge the base's coordinate. Both check-ins passed. {kept}"
    rows, text = told("an averaged base on a free point")
    read_so = r"2\.\d\d m high, 1\.\d\d m west, \d\d cm north on KQ-2 \(02:00\) and on KQ-3 \(02:1\d\)"
    assert_missed_alike(first_sentences(text), "Both check-ins", read_so, "ask first where the base's coordinate came from")
    assert "mark, and stayed" not in text
    assert {row["verdict"] for row in rows} == {"undecided"}
