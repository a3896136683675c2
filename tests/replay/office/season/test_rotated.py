"""A run whose log was rotated is judged as the one run that it was: held against the same run in one file."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import tomli_w
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.office.season import judging
from witnesspost.replay.office.season.judging import judge
from witnesspost.replay.office.season.runs import Run, runs_of
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import scenario

from tests.replay.office.season.test_season import CABLE, season, sounded

pytestmark = pytest.mark.slow

ROTATE_S, UNTIL_S = 140.0, 480.0  # the cable is out over the second rotation
PULLED = ("corrections-stopped", "port-lost", "kestrel-rover")
FIGURES = {"rules": {"corrections-late": {"off": True}}}
"""Of the day: not this program's own."""


def written(folder, *, rotate_s, figures=FIGURES):
    """The logs of one run in the folder; figures that are not in the site file, as after an update of the program."""
    told = scenario(CABLE)
    text = tomli_w.dumps(told.site_table)
    told.site.rules = figures["rules"]
    log = Log.start(folder, told.site, text, rotate_s=rotate_s)
    pipeline = Pipeline(told.site, log)
    for _ in play(pipeline, (record for record in invent(told) if record.t <= UNTIL_S), end_t=UNTIL_S):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    return sorted(folder.glob("*.db"))


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The run in one file."""
    (path,) = written(tmp_path_factory.mktemp("whole"), rotate_s=86_400.0)
    return path


@pytest.fixture(scope="module")
def rotated(tmp_path_factory):
    """The run in its files."""
    paths = written(tmp_path_factory.mktemp("rotated"), rotate_s=ROTATE_S)
    assert len(paths) >= 3
    return paths


@pytest.fixture
def apart(rotated, tmp_path):
    """Some of the run's files in a folder of their own: `apart(1, 2)`."""

    def copied(*numbers):
        folder = tmp_path / "apart"
        folder.mkdir()
        return [Path(shutil.copy(rotated[number], folder)) for number in numbers]

    return copied


def test_an_alert_that_stands_over_a_rotation_has_sounded_once(whole, rotated):
    with LogFile.open(rotated[2]) as third:
        begins_t = third.run.begun_at_t
    with LogFile.open(whole) as log:
        cable = [change.t for change in log.changes() if (change.rule, change.cause) == PULLED[:2]]
    assert cable[0] < begins_t < cable[-1], "the alert stands when the third file begins"
    then = sounded(whole.parent)
    assert then[PULLED] == 1
    status, found, said = season(rotated[0].parent)
    assert (status, said) == (0, "")
    assert {key: pair[0] for key, pair in found.items() if pair[0]} == then
    assert found == season(whole)[1]


def test_the_order_in_which_the_files_are_named_does_not_matter(rotated):
    assert season(*reversed(rotated)) == season(rotated[0].parent)


@pytest.mark.parametrize("beside", [True, False])
def test_the_figures_of_a_later_file_are_those_of_its_run(rotated, apart, beside):
    """Found beside it, though only the later one is named; and where they are not there, that is said."""
    later = rotated[2] if beside else apart(2)[0]
    runs, well = runs_of([later], pytest.fail)
    assert (well, [run.paths for run in runs]) == (True, [(str(later),)])
    judged = judge(runs[0], None)
    assert judged.spoilt == []
    assert [str(later) in note and "today's are taken" in note for note in judged.notes] == [True] * (not beside)
    with LogFile.open(rotated[0]) as first:
        assert first.figures().keys().isdisjoint({"corrections-late"}), "a rule that was off then"


def test_the_run_is_found_though_a_file_between_is_missing(rotated, apart):
    first, later = apart(0, 2)
    runs, _ = runs_of([later, first], pytest.fail)
    assert {run.paths for run in runs} == {(str(first),), (str(later),)}
    assert [judge(run, None).notes for run in runs] == [[], []]


def test_a_spoilt_file_of_a_run_is_named_and_the_others_are_judged(rotated, apart):
    paths = apart(0, 1, 2)
    with closing(sqlite3.connect(paths[1])) as connection, connection:
        connection.execute("UPDATE raw SET data = zeroblob(9) WHERE n % 9 = 5")
    ((run,), _) = runs_of(paths, pytest.fail)
    assert run.paths == tuple(map(str, paths))
    judged = judge(run, None)
    assert [str(paths[1]) in said for said in judged.spoilt] == [True]
    assert (judged.notes, judged.logs) == ([], 2)
    alone = [judge(Run((str(paths[number]),), str(paths[0])), None) for number in (0, 2)]
    assert judged.hours == pytest.approx(sum(one.hours for one in alone))
    assert sum(judged.then.values()) == sum(sum(one.then.values()) for one in alone) > 0


def test_what_is_remembered_of_a_run_says_the_same(rotated, tmp_path, monkeypatch):
    """The facts of the run are kept as one: judged again no byte is read, and nothing is counted otherwise."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    run = Run(tuple(map(str, rotated)))
    first = judge(run, FIGURES)
    assert first.then[PULLED[:2]] == first.now[PULLED[:2]] == 1
    monkeypatch.setattr(judging, "_records", lambda paths: (pytest.fail("a byte is read") for _ in paths))
    assert judge(run, FIGURES) == first


def test_a_run_that_begins_late_does_not_go_on_from_the_run_before(tmp_path):
    """As one does that could write nothing at first: its first file's `t` is not 0, and it follows the last file there."""
    told = scenario(CABLE)
    for t in (0.0, 5.0):
        log = Log.start(tmp_path, told.site, tomli_w.dumps(told.site_table), t=t)
        log.close(t + 10.0, "ended")
    first, second = sorted(tmp_path.glob("*.db"))
    with LogFile.open(first) as before, LogFile.open(second) as log:
        assert log.run.begun_at_t > 0
        assert log.run.previous_digest == before.last_digest()
        assert not log.goes_on_from(before.last_digest())
    assert {run.paths for run in runs_of([first, second], pytest.fail)[0]} == {(str(first),), (str(second),)}
