"""What people read in a log is held against its bytes: an untouched log is right, a forged one is found."""

import contextlib
import shutil
import sqlite3

import pytest
from click.testing import CliRunner
from witnesspost.daemon.commands.verify import verify
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import scenario
from witnesspost.rules.facts import Port

from tests import DATA
from tests.bench import streams

RIGHT = "  tables: what the bytes say"
FULL = ["neighbours-base-on-our-channel", "radio-cable-pulled-and-back", "message-set:interrupted", "tilt:sentences-pause"]


def write(folder, name, lasts_s=90.0, end="stopped", **more):
    """The bench's base or rover logged as the service does it, with pauses and a port that comes and goes."""
    site = streams.site(name)
    log = Log.start(folder, site, "", **more)
    pipeline = Pipeline(site, log)
    for number, chunk in enumerate(streams.chunks(name, lasts_s)):
        if 30 < chunk.t < 36:
            continue
        pipeline.feed(chunk.t, chunk.stream, chunk.data)
        if number == 100:
            pipeline.tell(Port(t=chunk.t, stream="corrections", state="lost"))
        if number % 3 == 0:
            pipeline.tick(chunk.t)
    if end is not None:
        pipeline.end()
        log.close(pipeline.t, end)
    return log, sorted(folder.glob("*.db"))


def checked(*paths):
    done = CliRunner().invoke(verify, [str(path) for path in paths], catch_exceptions=False)
    return done.exit_code, [line for line in done.stdout.splitlines() if line.startswith(("  tables", "  DAMAGED"))]


@pytest.mark.parametrize("name", ["base", "rover"])
def test_an_untouched_log_says_what_its_bytes_say(tmp_path, name):
    _, paths = write(tmp_path, name)
    assert checked(*paths) == (0, [RIGHT])


@pytest.mark.parametrize("name", ["base", "rover"])
def test_files_that_go_on_from_one_another_are_compared_together(tmp_path, name):
    _, paths = write(tmp_path, name, rotate_s=37.0)
    assert len(paths) == 3
    assert checked(*paths) == (0, [RIGHT] * 3)
    status, said = checked(*paths[1:])
    assert status == 0
    assert said[0] == "  tables not compared with the bytes: it goes on from another file; give them together, in order"


@pytest.mark.parametrize("name", ["base", "rover"])
def test_a_log_that_was_cut_off_says_what_its_bytes_say(tmp_path, name):
    log, paths = write(tmp_path / "live", name, end=None)
    image = shutil.copytree(tmp_path / "live", tmp_path / "image")
    log.close(90.0, "stopped")
    (image / f"{paths[0].name}-shm").unlink()
    assert checked(image / paths[0].name) == (0, [RIGHT])
    again = Log.start(image, streams.site(name), "")  # which closes it
    again.close(1.0, "stopped")
    assert checked(image / paths[0].name) == (0, [RIGHT])


@pytest.mark.parametrize("name", FULL)
def test_the_log_of_a_whole_scenario_says_what_its_bytes_say(tmp_path, name):
    told = scenario(name)
    log = Log.start(tmp_path, told.site, "")
    pipeline = Pipeline(told.site, log)
    assert list(play(pipeline, invent(told), end_t=told.duration_s))
    pipeline.end()
    log.close(pipeline.t, "stopped")
    assert checked(*tmp_path.glob("*.db")) == (0, [RIGHT])


def test_the_log_of_real_bytes_and_of_noise_says_what_its_bytes_say(tmp_path):
    site = streams.site("rover")
    log = Log.start(tmp_path, site, "")
    pipeline = Pipeline(site, log)
    t = 0.0
    for path in sorted(DATA.glob("*.bin")) + sorted(DATA.glob("nmea*.txt")):
        data = path.read_bytes()[:200_000]
        for number, at in enumerate(range(0, len(data), 70)):
            t = round(t + 0.173, 3)
            pipeline.feed(t, ("corrections", "receiver")[number // 20 % 2], data[at : at + 70])
            pipeline.tick(t)
    pipeline.end()
    log.close(pipeline.t, "stopped")
    assert t > 20
    assert checked(*tmp_path.glob("*.db")) == (0, [RIGHT])


@pytest.mark.parametrize(
    ("sql", "what"),
    [
        ("UPDATE fix SET height_m = height_m + 10 WHERE t > 20", "row of fix at t 20"),
        ("UPDATE fix SET quality = 4 WHERE rowid = 7", "row of fix at t "),
        ("DELETE FROM fix WHERE rowid = 9", "row of fix at t "),
        ("INSERT INTO fix SELECT * FROM fix WHERE rowid = 9", "row of fix at t "),
        ("DELETE FROM fix WHERE t > 80", "a row that the bytes give is not there"),
        ("UPDATE station SET x_m = x_m + 1", "row of station at t "),
        ("UPDATE station SET latitude = latitude + 1e-7", "latitude is 39.12"),
        ("UPDATE clock SET utc = '2019' || substr(utc, 5)", "utc is '2019-06-15"),
        ("UPDATE traffic SET bad = 3 WHERE rowid = 2", "bad is 3, and the bytes give 0"),
        ("DELETE FROM traffic", "row of traffic at t 0.000"),
    ],
)
def test_a_forged_table_is_found_and_named(tmp_path, sql, what):
    _, (path,) = write(tmp_path, "rover")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(sql)
    status, (said,) = checked(path)
    assert status == 1
    assert what in said


@pytest.mark.parametrize("version", [1, 2])
def test_a_log_of_another_version_is_not_compared_and_says_so(tmp_path, version):
    path = tmp_path / "kestrel-rover.0001.db"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        text = (DATA.parent / "daemon" / "log" / "data" / f"log-version-{version}.sql").read_text()
        connection.executescript(text)
    assert checked(path) == (
        0,
        [f"  tables not compared with the bytes: it is of version {version}, and this program knows how 3 was computed"],
    )


def test_a_log_of_another_program_or_of_a_failed_disk_is_not_compared(tmp_path, monkeypatch):
    monkeypatch.setattr("witnesspost.daemon.log.succession.program", lambda: "0.0.1")
    _, (path,) = write(tmp_path / "same", "base")
    assert checked(path) == (0, [RIGHT])  # another program that draws the same from the same bytes
    monkeypatch.setattr("witnesspost.daemon.log.succession.DERIVATION", 0)
    _, (path,) = write(tmp_path / "a", "base")
    monkeypatch.undo()
    assert "version 0.0.1 of the program, which wrote it, drew the tables otherwise" in checked(path)[1][0]
    log, _ = write(tmp_path / "b", "base", end=None)
    log.event(90.0, "log-recovered", {"why": "disk I/O error"})
    log.close(91.0, "stopped")
    (path,) = (tmp_path / "b").glob("*.db")
    assert checked(path)[1] == ["  tables not compared with the bytes: the disk failed while it was written (t 90.0)"]
