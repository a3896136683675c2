"""Points judged, from a log and a field file to a CSV: verdicts against the invented truth, whatever the file looks like."""

import contextlib
import csv
import io
import json
import re
import resource
import subprocess
import sys
from collections import Counter

import pytest
from click.testing import CliRunner
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.commands.points import points


def run(*arguments):
    return CliRunner().invoke(points, [str(argument) for argument in arguments])


def judged(*arguments):
    result = run(*arguments, "-o", "-")
    assert result.exit_code == 0, result.output
    return rows_of(result.stdout), result


def rows_of(text):
    lines = text.splitlines(keepends=True)
    return list(csv.DictReader(io.StringIO("".join(line for line in lines if not line.startswith("#")))))


def test_every_verdict_of_the_day_is_one_that_its_truth_allows(day):
    log, field = day
    result = run(log, "--points", field, "--grade", "-o", "-")
    assert result.exit_code == 0, result.output
    assert "passed: 0 wrong verdicts" in result.stderr
    found = rows_of(result.stdout)
    verdicts = {name: sum(row["verdict"] == name for row in found) for name in ("keep", "repair", "undecided", "not-witnessed")}
    assert verdicts["repair"] >= 4
    assert verdicts["keep"] >= 4
    assert verdicts["undecided"] >= 2
    assert verdicts["not-witnessed"] >= 1


def test_stored_values_stand_as_they_were_beside_the_repaired_ones(day):
    log, field = day
    found, result = judged(log, "--points", field)
    with field.open() as file:
        stored = list(csv.DictReader(file))
    assert len(found) == len(stored)
    for row, was in zip(found, stored, strict=True):
        assert row["point"] == was["Point"]
        for name, column in (("stored_northing", "Northing"), ("stored_easting", "Easting"), ("stored_height", "Height")):
            assert float(row[name]) == float(was[column])
        assert bool(row["repaired_northing"]) == (row["verdict"] == "repair")
        assert row["reason"]
        assert (row["log"] == "") == (row["verdict"] == "not-witnessed")
    head = [line for line in result.stdout.splitlines() if line.startswith("#")]
    for words in ("PROJ ", "EPSG database", "SHA-256", "digest", "figures: ", "a named person decides", "kestrel.gtx"):
        assert any(words in line for line in head), words


def test_from_the_bytes_alone_the_same_verdicts_and_coordinates(day):
    log, field = day
    ours = (
        "point",
        "verdict",
        "reason",
        "repaired_northing",
        "repaired_easting",
        "repaired_height",
        "u95_plan_m",
        "check_after",
        "log",
        "log_digest",
        "log_rows",
    )
    by_tables, said = judged(log, "--points", field)
    by_bytes, said_again = judged(log, "--points", field, "--from-bytes")
    assert [[row[name] for name in ours] for row in by_bytes] == [[row[name] for name in ours] for row in by_tables]
    with LogFile.open(log) as opened:
        named = f"# log {log.name}, written by witnesspost {opened.run.program}, digest {opened.last_digest().hex()}"
    for result in (said, said_again):
        assert [line for line in result.stdout.splitlines() if line.startswith("# log ")] == [named]


def test_the_bytes_are_the_authority_where_a_table_was_changed(day, tmp_path):
    """A table that somebody changed misleads; the bytes do not."""
    import shutil
    import sqlite3

    log, field = day
    for name in ("kestrel-rover.0001.db", "kestrel.gtx"):
        shutil.copy(log.parent / name, tmp_path / name)
    with contextlib.closing(sqlite3.connect(tmp_path / log.name)) as connection, connection:
        connection.execute("UPDATE station SET x_m = x_m + 0.5 WHERE x_m IS NOT NULL")
    by_tables, _ = judged(tmp_path / log.name, "--points", field)
    by_bytes, _ = judged(tmp_path / log.name, "--points", field, "--from-bytes")
    right, _ = judged(log, "--points", field)
    assert [row["verdict"] for row in by_bytes] == [row["verdict"] for row in right]
    assert [row["verdict"] for row in by_tables] != [row["verdict"] for row in right]


@pytest.mark.parametrize(
    ("controller", "options"),
    [
        ({"form": "csv-bare"}, []),
        ({"form": "csv-semicolon"}, []),
        ({"form": "csv-tab", "times": "utc"}, ["--times", "utc"]),
        ({"form": "csv", "times": "gps"}, ["--times", "gps"]),
        ({"form": "csv", "unit": "ft"}, ["--unit", "ft"]),
        ({"form": "csv", "unit": "us-ft"}, ["--unit", "us-ft"]),
        ({"form": "landxml"}, []),
        ({"form": "landxml", "unit": "us-ft"}, []),
        ({"form": "geojson"}, ["--vertical", "ellipsoidal"]),
        ({"form": "csv", "ground_scale": 1.00069}, []),
        ({"form": "csv", "rotation_s": 40.0, "east_m": 12.5, "north_m": -3.25}, []),
    ],
)
def test_every_form_unit_and_time_gets_the_verdicts_of_its_truth(day, written, controller, options):
    log, _ = day
    field = written(**controller)
    result = run(log, "--points", field, *options, "--grade", "-o", "-")
    assert result.exit_code == 0, result.output
    assert "passed: 0 wrong verdicts" in result.stderr


def test_a_file_without_times_is_found_by_its_places(day, written):
    log, _ = day
    found, _ = judged(log, "--points", written(times="none"))
    timed, _ = judged(log, "--points", written())
    # Nobody stands twice within 3 cm of one place here but where a point was stored twice: the verdicts are those of the times.
    same = sum(one["verdict"] == other["verdict"] for one, other in zip(found, timed, strict=True))
    assert same >= len(found) - 2 > 0
    assert not any(one["verdict"] == "keep" and other["verdict"] != "keep" for one, other in zip(found, timed, strict=True))


@pytest.mark.parametrize(
    ("controller", "name"),
    [
        ({"ground_scale": 1.00069}, "ground scale: by the factor 1.00069000 about the grid's origin"),
        ({"rotation_s": 40.0, "east_m": 12.5, "north_m": -3.25}, "local calibration: scale 1.000000"),
        ({"pole_height_m": 2.15}, None),  # the file says the pole that it took off
        ({"geoid": "bundled"}, "other geoid: the bundled EGM96"),
        ({}, None),
    ],
)
def test_what_the_file_and_the_log_differ_by_is_named(day, written, controller, name):
    log, _ = day
    result = run(log, "--points", written(**controller), "-o", "-")
    said = [line for line in result.stderr.splitlines() if "file against log" in line]
    assert len(said) == (name is not None), said
    assert name is None or name in said[0]


def test_another_pole_height_that_no_column_says_is_named_and_keeps_nothing(day, written, tmp_path):
    log, _ = day
    text = written(pole_height_m=2.15).read_text().splitlines()
    cut = [",".join(cells[:5] + cells[6:]) for cells in (line.split(",") for line in text)]
    field = tmp_path / "no-pole.csv"
    field.write_text("\n".join(cut) + "\n")
    found, result = judged(log, "--points", field)
    assert "other pole height: heights differ by -0.150 m" in result.stderr
    assert len(found) == len(cut) - 1
    assert not any(row["verdict"] == "keep" for row in found)


def test_decisions_stand_over_the_verdicts_with_who_and_why(day, tmp_path):
    log, field = day
    before, _ = judged(log, "--points", field)
    name = next(row["point"] for row in before if row["verdict"] == "undecided")
    path = tmp_path / "decisions.csv"
    path.write_text(f"point,verdict,by,reason\n{name},observe-again,A. Surveyor,The pole was mended afterwards.\n")
    after, _ = judged(log, "--points", field, "--decisions", path)
    for row, was in zip(after, before, strict=True):
        if row["point"] == name:
            assert (row["verdict"], row["proposed"]) == ("observe-again", was["verdict"])
            assert (row["decided_by"], row["reason"]) == ("A. Surveyor", "The pole was mended afterwards.")
        else:
            assert row["verdict"] == was["verdict"]
    other = tmp_path / field.name
    other.write_text(re.sub(rf"\b{name}\b", "-A1", field.read_text()))
    path.write_text("point,verdict,by,reason\n'-A1,observe-again,A. Surveyor,because\n")  # as its judged CSV writes the name
    after, _ = judged(log, "--points", other, "--decisions", path)
    assert [row["verdict"] for row in after if row["point"] == "'-A1"] == ["observe-again"]
    for text, words in (
        (f"{name},keep,,because", "needs who made it and why"),
        (f"{name},keep", "needs who made it and why"),
        (name, "verdict: read ''; expected one of keep"),
        ("x" * 200_000, "a cell of over 131,072 characters"),
        (f"{name},kept,A. Surveyor,because", "read 'kept'; expected one of keep"),
        ("nobody,keep,A. Surveyor,because", "which the field file does not have"),
        (f"{name},repair,A. Surveyor,because", "no vector to be repaired by"),
    ):
        path.write_text(f"point,verdict,by,reason\n{text}\n")
        result = run(log, "--points", field, "--decisions", path, "-o", "-")
        assert (result.exit_code, words in result.stderr) == (2, True), result.stderr


def test_a_decision_on_a_name_that_stands_twice_is_for_both_and_says_so(day, tmp_path):
    log, field = day
    head, one, two, *others = field.read_text().splitlines()
    twice = tmp_path / field.name
    twice.write_text("\n".join([head, *(line.replace(line.split(",")[0], "twin", 1) for line in (one, two)), *others]) + "\n")
    path = tmp_path / "decisions.csv"
    path.write_text("point,verdict,by,reason\ntwin,undecided,A. Surveyor,One of them was measured from the wrong mark.\n")
    found, result = judged(log, "--points", twice, "--decisions", path)
    assert [row["verdict"] for row in found if row["decided_by"]] == ["undecided", "undecided"]
    said = "A. Surveyor's decision on twin is for all 2 points of that name."
    assert f"note: {said}" in result.stderr
    assert f"# note: {said}" in result.stdout.splitlines()


def test_geojson_has_each_point_where_it_stands_now(day, tmp_path):
    log, field = day
    found, _ = judged(log, "--points", field)
    out = tmp_path / "points.geojson"
    assert run(log, "--points", field, "-o", out).exit_code == 0
    collection = json.loads(out.read_text())
    assert collection["type"] == "FeatureCollection"
    assert len(collection["features"]) == len(found)
    for feature, row in zip(collection["features"], found, strict=True):  # RFC 7946: longitude first, WGS 84's degrees
        assert feature["geometry"]["type"] == "Point"
        longitude, latitude, height_m = feature["geometry"]["coordinates"]
        assert (round(longitude), round(latitude)) == (-105, 39)
        assert 1700 < height_m < 1950
        assert feature["properties"]["verdict"] == row["verdict"]


@pytest.mark.parametrize("name", ["points.xlsx", "points.html", "points.geojsn"])
def test_an_ending_that_is_not_written_is_refused_in_a_line(day, tmp_path, name):
    log, field = day
    result = run(log, "--points", field, "-o", tmp_path / name)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1)
    assert "expected a name that ends in .csv, or in .geojson for GeoJSON" in result.stderr
    assert not (tmp_path / name).exists()


def test_an_ending_in_capitals_is_the_same_ending(day, tmp_path):
    log, field = day
    assert run(log, "--points", field, "-o", tmp_path / "POINTS.GEOJSON").exit_code == 0
    assert json.loads((tmp_path / "POINTS.GEOJSON").read_text())["type"] == "FeatureCollection"


def test_nothing_is_written_over_and_nothing_read_is_changed(day, tmp_path):
    log, field = day
    before = log.read_bytes(), field.read_bytes()
    out = tmp_path / "out.csv"
    out.write_text("precious")
    result = run(log, "--points", field, "-o", out)
    assert (result.exit_code, out.read_text()) == (2, "precious")
    assert (log.read_bytes(), field.read_bytes()) == before
    assert sorted(path.name for path in log.parent.iterdir() if path.suffix == ".db") == [log.name]


@pytest.mark.long
def test_of_200_000_lines_each_is_judged_as_the_point_that_it_repeats_in_500_mib(day, tmp_path):
    log, field = day
    head, *lines = field.read_text().splitlines()
    many = tmp_path / "many.csv"
    cells = [line.partition(",")[2] for line in lines]
    many.write_text("\n".join([head, *(f"{n},{cells[n % len(cells)]}" for n in range(200_000)), ""]))
    out = tmp_path / "out.csv"
    words = [sys.executable, "-m", "witnesspost.daemon", "points", str(log), "--points", str(many), "-o", str(out)]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    # Linux gives the largest of all children that have been waited for, in KiB: of none that this test did not start.
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 500 * 1024
    few, _ = judged(log, "--points", field)
    wanted = [row["verdict"] for row in few]
    with out.open(newline="") as file:
        found = csv.DictReader(line for line in file if not line.startswith("#"))
        told = Counter((int(row["point"]) % len(cells), row["verdict"]) for row in found)
    assert sum(told.values()) == 200_000
    assert set(told) == set(enumerate(wanted))


def test_a_true_base_from_elsewhere_takes_the_sheets_place(day):
    """The base's true ARP, given: the morning is repaired by it, with its uncertainty in U95."""
    from pyproj import Transformer

    log, field = day
    found, _ = judged(log, "--points", field)
    row = next(row for row in found if row["verdict"] == "keep")
    arp = tuple(float(row[f"base_{axis}_m"]) for axis in "xyz")
    longitude, latitude, height_m = Transformer.from_crs("EPSG:6317", "EPSG:6319", always_xy=True).transform(*arp)
    given, _ = judged(log, "--points", field, "--base-is", f"{latitude:.10f},{longitude:.10f},{height_m:.4f},0.012")
    for one, other in zip(given, found, strict=True):
        assert one["verdict"] == other["verdict"]
        if one["verdict"] == "repair":
            assert "base coordinate 0.0120/0.0120 stated" in one["u95_parts"]
            assert abs(float(one["repaired_height"]) - float(other["repaired_height"])) < 0.001
    result = run(log, "--points", field, "--base-is", "39.1,-104.9", "-o", "-")
    assert (result.exit_code, "expected X,Y,Z,U95" in result.stderr) == (2, True)
    nowhere = run(
        log, "--points", field, "--base-is", "95,200,10,0.01", "-o", "-"
    )  # neither degrees nor metres from the centre
    assert (nowhere.exit_code, "is no place on the earth" in nowhere.stderr) == (2, True)
