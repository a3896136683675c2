"""A day in several files of one run says what it says in one file: alerts, check-ins and bases go on from file to file."""

import csv
import io
import shutil
from itertools import pairwise

import pytest
import tomli_w
from click.testing import CliRunner
from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.commands.points import points
from witnesspost.replay.office.facts_of_day import facts_of
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import FOLDER, scenario
from witnesspost.rules.book.contents import FIGURES
from witnesspost.rules.site.reading import site_from_toml

from tests.replay.conftest import DAY

pytestmark = pytest.mark.slow
ROTATE_S = 650.0  # within the first wrong height, and ten seconds into an occupation of KQ-3
OF_THE_FILE = ("log", "log_digest", "log_rows")


@pytest.fixture(scope="module")
def rotated(tmp_path_factory):
    """The folder with the short day's log in four files."""
    folder = tmp_path_factory.mktemp("rotated")
    told = scenario(DAY)
    log = Log.start(folder, told.site, tomli_w.dumps(told.site_table), rotate_s=ROTATE_S)
    pipeline = Pipeline(told.site, log)
    for _ in play(pipeline, invent(told), end_t=told.duration_s):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    shutil.copy(FOLDER / "kestrel.gtx", folder / "kestrel.gtx")
    assert len([*folder.glob("*.db")]) == 4
    return folder


def judged(*words):
    done = CliRunner().invoke(points, [*map(str, words), "-o", "-"])
    assert done.exit_code == 0, done.output
    return list(csv.DictReader(io.StringIO("".join(line for line in done.stdout.splitlines(True) if line[0] != "#"))))


def but(columns, rows):
    return [{name: cell for name, cell in row.items() if name not in columns} for row in rows]


def test_points_are_judged_as_in_one_file(day, rotated):
    log, field = day
    whole = judged(log, "--points", field)
    assert {row["alerts"] for row in whole} >= {"", "base-datum"}
    assert but(OF_THE_FILE, judged(rotated, "--points", field)) == but(OF_THE_FILE, whole)


def test_from_the_bytes_alone_every_cell_is_the_same(day, rotated):
    _, field = day
    by_tables = judged(rotated, "--points", field)
    assert len({row["log"] for row in by_tables} - {""}) >= 3
    assert judged(rotated, "--points", field, "--from-bytes") == by_tables


def test_where_a_file_is_missing_between_the_bytes_are_two_stretches(day, rotated, tmp_path):
    _, field = day
    for path in rotated.iterdir():
        if path.name != "kestrel-rover.0002.db":
            shutil.copy(path, tmp_path / path.name)
    by_tables = judged(tmp_path, "--points", field)
    by_bytes = judged(tmp_path, "--points", field, "--from-bytes")
    assert [(row["log"], row["log_rows"]) for row in by_bytes] == [(row["log"], row["log_rows"]) for row in by_tables]
    assert "not-witnessed" in {row["verdict"] for row in by_bytes}


def test_an_alert_that_stands_over_the_files_end_is_reported_once_with_its_length(day, rotated):
    def alerts(*paths):
        with Day.open(paths) as logs:
            run = next(logs.files).run
            site = site_from_toml(run.site_toml, run.site_path, FIGURES, recorded=True)
            lines = facts_of(logs, site, None).alerts
            return [(line.rule, round(line.utc), line.severity, line.lasted_s) for line in lines]

    assert len(alerts(day[0])) >= 3
    assert alerts(rotated) == alerts(day[0])


def test_files_are_one_run_where_each_goes_on_from_the_one_before(rotated, day, tmp_path):
    with Day.open([rotated]) as logs:
        (run,) = logs.post().runs()
        assert len(run) == 4
        for gone in (1, 2):
            left = [log for number, log in enumerate(run) if number != gone]
            stretches = type(logs.post())(left).runs()
            assert [len(files) for files in stretches] == [gone, 3 - gone]
        assert all(two.run.begun_at_t > one.run.begun_at_t for one, two in pairwise(run))
