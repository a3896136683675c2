"""Several logs as one day: real files of two posts, in any order, in a folder, copied, and with one missing."""

import contextlib
import csv
import datetime as dt
import io
import json
import shutil

import pytest
from click.testing import CliRunner
from witnesspost.daemon.log.day import Day, NoLogs, SameLog, TwoPosts
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.commands.extract import extract
from witnesspost.rules.facts import Fix, Utc
from witnesspost.rules.site.reading import site_from_toml

SITE = """
[post]
name = "{name}"
role = "{role}"
time_zone = "America/Denver"
[[stream]]
name = "{stream}"
port = "loop://"
carries = ["positions"]
"""
BEGAN = dt.datetime(2026, 5, 4, 13, 30, tzinfo=dt.UTC)  # 07:30 in Denver


def run(*arguments):
    return CliRunner().invoke(extract, [str(argument) for argument in arguments])


def write(folder, name, role, stream, runs, rotate_s=86400.0):
    """Runs of a post, each (UTC at its beginning, seconds); one byte a second says which second of the day it is."""
    text = SITE.format(name=name, role=role, stream=stream)
    for began, seconds in runs:
        log = Log.start(folder, site_from_toml(text), text, rotate_s=rotate_s)
        for t in range(seconds):
            utc = began + dt.timedelta(seconds=t)
            log.fact(Utc(t=float(t), stream=stream, utc=utc, source="ZDA"))
            log.chunk(float(t), stream, f"{name} {utc:%H%M%S}\n".encode())
            log.fact(
                Fix(
                    t=float(t), stream=stream, time_s=None, quality=4, latitude=39.1, longitude=-104.9, height_m=1800.0,
                    separation_m=-17.0, satellites=12, hdop=0.7, age_s=1.0, station_id=417,
                )
            )  # fmt: skip
            log.tick(float(t))
        log.close(float(seconds), "stopped")


@pytest.fixture
def folder(tmp_path):
    """A base's day in two runs, the first of them in three files; a rover's in one."""
    write(tmp_path, "kestrel-base", "base", "receiver", [(BEGAN, 60)], rotate_s=20.0)
    write(tmp_path, "kestrel-base", "base", "receiver", [(BEGAN + dt.timedelta(hours=4), 30)])
    write(tmp_path, "kestrel-rover", "rover", "rover", [(BEGAN + dt.timedelta(seconds=10), 30)])
    return tmp_path


def seconds_of(name, *runs):
    return b"".join(
        f"{name} {began + dt.timedelta(seconds=t):%H%M%S}\n".encode() for began, first, last in runs for t in range(first, last)
    )


def test_files_of_a_post_stand_in_their_order_however_they_are_given(folder):
    files = sorted(folder.glob("*.db"))
    assert len(files) > 4
    for given in (files, files[::-1], [folder], [*files[2:], *files[:2]]):
        with Day.open(given) as day:
            assert [post.name for post in day.posts] == ["kestrel-base", "kestrel-rover"]
            base = day.post("kestrel-base")
            assert [log.path.name for log in base.files] == [path.name for path in files if "base" in path.name]
            assert base.missing() == []
            assert base.streams == ["receiver"]


def test_extract_goes_through_all_files_of_the_post(folder):
    whole = seconds_of("kestrel-base", (BEGAN, 0, 60), (BEGAN + dt.timedelta(hours=4), 0, 30))
    piped = run(folder, "--post", "kestrel-base", "--stream", "receiver", "-o", "-")
    assert (piped.exit_code, piped.stdout_bytes) == (0, whole)
    times = ["--from", "2026-05-04T07:30:50", "--to", "2026-05-04T17:30:05Z"]
    piped = run(folder, "--post", "kestrel-base", "--stream", "receiver", *times, "-o", "-")
    assert piped.stdout_bytes == seconds_of("kestrel-base", (BEGAN, 50, 60), (BEGAN + dt.timedelta(hours=4), 0, 6))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--stream", "receiver"], "kestrel-base, kestrel-rover: logs of 2 posts; say which with --post NAME"),
        (
            ["--stream", "receiver", "--post", "kestrl"],
            "no logs of a post 'kestrl'; there are those of kestrel-base, kestrel-rover",
        ),
        (["--post", "kestrel-base"], "--as raw needs --stream NAME"),
        (["--post", "kestrel-base", "--stream", "x"], "no stream 'x'; there are receiver"),
        (["--post", "kestrel-base", "--stream", "receiver", "--from", "5"], "seconds of a log, with"),
        (["--post", "kestrel-base", "--stream", "receiver", "--to", "2020-01-01"], "nothing came on receiver in that time"),
    ],
)
def test_what_is_not_clear_of_several_logs_is_one_line(folder, options, words):
    result = run(folder, *options, "-o", folder / "out")
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert words in result.stderr
    assert not (folder / "out").exists()


def test_a_copy_beside_its_log_is_named_and_a_missing_file_is_said(folder, tmp_path_factory):
    files = sorted(folder.glob("kestrel-base*.db"))
    elsewhere = tmp_path_factory.mktemp("copy") / "kestrel-base.0009.db"
    shutil.copy(files[0], elsewhere)
    with pytest.raises(SameLog, match=r"0009\.db: is the same log as .*0001\.db, or a copy of it"):
        Day.open([folder, elsewhere])
    with Day.open([files[0], *files[2:]]) as day:
        assert day.post().missing() == [f"{files[2].name} goes on from {files[1].name}, which is not here"]
    with pytest.raises(NoLogs, match="a folder without a log"):
        Day.open([tmp_path_factory.mktemp("empty")])
    with Day.open([folder]) as day, pytest.raises(TwoPosts):
        day.post()


def test_logs_made_again_are_traced_to_those_that_were_given(folder, tmp_path_factory):
    files = sorted(folder.glob("kestrel-base*.db"))
    made = tmp_path_factory.mktemp("made")
    for path in files:
        write(made / path.stem, "kestrel-base", "base", "receiver", [(BEGAN, 20)])
    with contextlib.ExitStack() as opened:

        def again(run):
            return opened.enter_context(LogFile.open(next((made / run[0].path.stem).glob("*.db"))))

        whole = opened.enter_context(Day.open(files)).post()
        post = opened.enter_context(Day.open(files)).made_again(again).post()
        assert [log.path.parent.name for log in post.files] == [files[0].stem, files[-1].stem], "one of each run"
        assert [log.path for log in post.given] == files
        second_t = whole.files[1].run.begun_at_t  # what came until then is in the first
        assert [post.given_at(0, t) for t in (0.0, second_t, second_t + 0.001, 59.0)] == [0, 0, 1, len(files) - 2]
        assert [post.given_at(1, t) for t in (0.0, 29.0)] == [len(files) - 1] * 2
        assert [whole.given_at(number, 59.0) for number in range(len(files))] == [*range(len(files))]
        post = opened.enter_context(Day.open([files[0], *files[2:]])).made_again(again).post()
        assert [log.path.parent.name for log in post.files] == [files[0].stem, files[2].stem, files[-1].stem]
        assert post.missing() == [f"{files[2].name} goes on from {files[1].name}, which is not here"]


def test_positions_come_out_as_csv_and_as_geojson_by_rfc_7946(folder):
    piped = run(folder, "--post", "kestrel-base", "--as", "csv", "--every", "10", "-o", "-")
    found = list(csv.DictReader(io.StringIO(piped.stdout)))
    seconds = [row["utc"] for row in found]
    assert len(seconds) == len(set(seconds))
    assert seconds == sorted(seconds)
    assert seconds[0] == "2026-05-04T13:30:00.000Z"
    assert "2026-05-04T17:30:20.000Z" in seconds
    assert "2026-05-04T13:30:05.000Z" not in seconds
    assert {row["post"] for row in found} == {"kestrel-base"}
    assert {float(row["ellipsoidal_height_m"]) for row in found} == {1783.0}
    collection = json.loads(run(folder, "--post", "kestrel-rover", "--as", "geojson", "-o", "-").stdout)
    assert collection["type"] == "FeatureCollection"
    assert len(collection["features"]) == 30
    for feature in collection["features"]:  # RFC 7946, 3.1.1 and 3.2: longitude first, a third number is the height
        assert feature["type"] == "Feature"
        assert feature["geometry"] == {"type": "Point", "coordinates": [-104.9, 39.1, 1783.0]}
        assert feature["properties"]["quality"] == 4
