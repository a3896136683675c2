"""An archive asked by SQL: the answers, their forms, and what a question can reach."""

import csv
import io
import json
import os
import re
import shutil

import duckdb
import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.replay.office.archive.views import QUESTIONS
from witnesspost.rules.facts import Acknowledge, CheckIn, SetUp, Solved

from tests.replay.office.archive.logs import write_log


def run(*words):
    return CliRunner().invoke(main, [*map(str, words)])


def answer(archive, sql):
    """The rows, as JSON has them."""
    done = run("ask", archive, sql, "--as", "json")
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Two posts: one whose base has a wrong height and whose crew checks in; one whose radio cable is pulled, in the
    evening of its own time, and whose crew says what was done about it."""
    folder = tmp_path_factory.mktemp("asked")
    step = "Put the cable back."
    told = [
        Acknowledge(t=260.0, stream="", by="Alma"),
        Solved(t=345.0, stream="", rule="corrections-stopped", cause="port-lost", step=step, by="Alma"),
        Solved(t=346.0, stream="", rule="corrections-stopped", cause="port-lost", step="Wait.", by="Bo"),
        Solved(t=347.0, stream="", rule="corrections-stopped", cause="port-lost", step=step, by="Bo"),
    ]
    write_log(folder / "logs", "radio-cable-pulled-and-back", post="cable", zone="Etc/GMT-14", told=told)
    crew = [
        SetUp(t=5.0, stream="", point="KQ-1", antenna_height_m=1.843, pole_height_m=2.0, by="Cleo"),
        CheckIn(t=75.0, stream="", point="KQ-2", by=None),
    ]
    wrong = "control-check:under-a-base-orthometric-as-ellipsoidal"
    write_log(folder / "logs", wrong, post="height", told=crew)
    done = run("gather", folder / "logs", folder / "archive")
    assert done.exit_code == 0, done.output
    return folder / "archive"


def test_lost_corrections_by_cause_and_hour(archive):
    """README's own figures of that day: raised at 08:04:01.94 UTC, 91 s long."""
    (row,) = answer(archive, "FROM lost_corrections")
    assert (row["post"], row["cause"], row["hour"], row["times"], row["lost_s"]) == ("cable", "port-lost", 22, 1, 91)
    assert row["lost_s_a_day"] is None  # ten minutes tell nothing of a day


def test_an_outage_over_several_hours_counts_in_each(archive):
    """The view's own arithmetic, over an invented hour: 23:50 to 01:20, and once more for a minute."""
    text = (archive / "views.sql").read_text()
    (view,) = re.findall(r"CREATE OR REPLACE VIEW lost_corrections AS(.*?);\n", text, re.DOTALL)
    with duckdb.connect() as connection:
        connection.execute("""CREATE TABLE alerts AS SELECT 'p' AS post, '1-abcdef' AS run, 1 AS alert, 7 AS seq,
            'x' AS cause, 'corrections-stopped' AS rule, TIMESTAMP '2026-01-01 23:50:00' AS raised_local,
            TIMESTAMP '2026-01-02 01:20:00' AS ended_local
            UNION ALL SELECT 'p', '1-abcdef', 1, 9, 'x', 'corrections-stopped', TIMESTAMP '2026-01-02 01:30:00',
            TIMESTAMP '2026-01-02 01:31:00'""")
        connection.execute("CREATE TABLE logs AS SELECT 'p' AS post, 86400.0 AS seconds")
        found = connection.execute(f"SELECT hour, times, lost_s, lost_s_a_day FROM ({view}) ORDER BY ALL").fetchall()
    assert found == [(0, 1, 3600.0, 3600.0), (1, 2, 1260.0, 1260.0), (23, 1, 600.0, 600.0)]


def test_wrong_base_coordinates_and_for_how_long(archive):
    (row,) = answer(archive, "FROM wrong_base_coordinates")
    assert (row["post"], row["station_id"], row["point"], row["cause"]) == ("height", 417, "KQ-1", "orthometric-as-ellipsoidal")
    assert (row["up_m"], row["east_m"], row["north_m"]) == (16.7389, 0, 0)  # the README's `offsets`
    assert 140 <= row["on_air_s"] <= 150


def test_check_ins_by_crew_and_month(archive):
    (row,) = answer(archive, "FROM check_ins")
    assert (row["month"], row["crew"], row["post"]) == ("2026-06", "Cleo", "height")
    assert (row["made"], row["passed"], row["failed"]) == (1, 0, 1)


def test_what_solved_what(archive):
    found = answer(archive, "FROM what_solved")
    assert [(row["step"], row["times"], row["of_times"], row["said_by"]) for row in found] == [
        ("Put the cable back.", 2, 3, "Alma, Bo"),
        ("Wait.", 1, 3, "Bo"),
    ]


def test_alerts_say_how_long_and_when_seen(archive):
    (row,) = answer(archive, "FROM alerts WHERE rule = 'corrections-stopped'")
    assert (row["lasted_s"], row["open_at_the_end"], row["severity"]) == (91.4, False, "stop")
    assert row["seen_after_s"] == pytest.approx(18, abs=1)
    (row,) = answer(archive, "FROM alerts WHERE rule = 'base-datum'")
    assert row["open_at_the_end"]


def test_an_alert_that_outlasts_its_file_ends_in_the_next(archive):
    """Alerts are numbered through a life of the service, over its files, and anew in the next."""
    text = (archive / "views.sql").read_text()
    (view,) = re.findall(r"CREATE OR REPLACE VIEW alerts AS(.*?);\n", text, re.DOTALL)
    with duckdb.connect() as connection:
        connection.execute("CREATE TABLE events (post VARCHAR, run VARCHAR, seq BIGINT, kind VARCHAR)")
        connection.execute("""INSERT INTO events VALUES ('p', '1-aaaaaa', 1, 'log-started'),
            ('p', '2-aaaaaa', 20, 'log-continued'),
            ('p', '3-aaaaaa', 40, 'log-started'), ('p', '1-bbbbbb', 1, 'log-started')""")
        columns = ["post", "run", "change", "severity", "rule", "cause", "because_of", "stream", "say"]
        texts = ", ".join(f"{name} VARCHAR" for name in columns)
        connection.execute(f"CREATE TABLE changes ({texts}, seq BIGINT, alert INT, utc TIMESTAMP, local TIMESTAMP)")
        for run_, seq, alert, change, minute in (
            ("1-aaaaaa", 10, 1, "raised", 1),
            ("2-aaaaaa", 30, 1, "cleared", 31),  # the same alert, in the next file
            ("2-aaaaaa", 32, 2, "raised", 32),  # never over: the power went
            ("3-aaaaaa", 50, 2, "raised", 50),  # another one, of the next life
            ("3-aaaaaa", 51, 2, "acknowledged", 50.5),
            ("3-aaaaaa", 52, 2, "cleared", 51),
            ("1-bbbbbb", 40, 2, "cleared", 55),  # another card under the same name
            ("1-bbbbbb", 41, 3, "raised", 56),
            ("1-bbbbbb", 42, 3, "normal", 57),
            ("1-bbbbbb", 43, 3, "raised", 58),  # the same alert, which nobody had seen, once more
            ("1-bbbbbb", 44, 3, "normal", 59),
            ("1-bbbbbb", 45, 3, "cleared", 59),
        ):
            at = f"2026-01-01 10:{int(minute):02d}:{60 * (minute % 1):02.0f}"
            values = ("p", run_, change, "stop", "r", "c", None, "", "", seq, alert, at, at)
            connection.execute(f"INSERT INTO changes VALUES ({', '.join('?' * len(values))})", values)
        connection.execute("""CREATE TABLE logs AS SELECT 'p' AS post, '2-aaaaaa' AS run,
            TIMESTAMP '2026-01-01 10:20:00' AS utc, TIMESTAMP '2026-01-01 10:20:00' AS local, 1200.0 AS seconds""")
        found = connection.execute(f"SELECT run, alert, lasted_s, open_at_the_end, seen_after_s FROM ({view})").fetchall()
    assert found == [
        ("1-aaaaaa", 1, 1800.0, False, None),
        ("2-aaaaaa", 2, 480.0, True, None),
        ("3-aaaaaa", 2, 60.0, False, 30.0),
        ("1-bbbbbb", 3, 60.0, False, 180.0),  # over both times, then seen, which clears it
        ("1-bbbbbb", 3, 60.0, False, 60.0),
    ]


@pytest.mark.parametrize("name", QUESTIONS)
def test_each_ready_question_is_listed_and_answers(archive, name):
    listed = list(csv.reader(io.StringIO(run("ask", archive).stdout)))
    assert [f"FROM {name}", QUESTIONS[name].asked] in listed
    assert answer(archive, f"SELECT count(*) AS n FROM {name}")[0]["n"] >= 1


def test_views_sql_works_by_itself_in_the_archives_folder(archive, monkeypatch):
    """As the README says: any DuckDB, without us."""
    monkeypatch.chdir(archive)
    with duckdb.connect() as connection:
        connection.execute((archive / "views.sql").read_text())
        ours = answer(archive, "SELECT post, cause, lost_s FROM lost_corrections")
        assert connection.execute("SELECT post, cause, lost_s FROM lost_corrections").fetchall() == [
            tuple(row.values()) for row in ours
        ]
        (said,) = connection.execute("SELECT comment FROM duckdb_views() WHERE view_name = 'alerts'").fetchone()
    assert said == QUESTIONS["alerts"].asked


def test_the_forms(archive):
    sql = "SELECT 1 AS one, 'a,\"b' AS text, NULL AS nothing, TIMESTAMP '2026-01-01 10:00:00' AS at, 0.5 AS half"
    sql += ", 'x\x1b[2J' AS bad"
    assert list(csv.reader(io.StringIO(run("ask", archive, sql).stdout))) == [
        ["one", "text", "nothing", "at", "half", "bad"],
        ["1", 'a,"b', "", "2026-01-01 10:00:00", "0.5", "x\x1b[2J"],
    ]
    (row,) = answer(archive, sql)
    assert (row["one"], row["text"], row["nothing"], row["at"]) == (1, 'a,"b', None, "2026-01-01T10:00:00")
    table = run("ask", archive, sql, "--as", "table").stdout
    assert "\x1b" not in table
    assert table.splitlines()[0].split() == ["one", "text", "nothing", "at", "half", "bad"]


OUTSIDE = ["/etc/hostname", "https://example.org/a.parquet", "../../secret.csv"]


@pytest.mark.parametrize(
    "sql",
    [
        "COPY (SELECT 1) TO '{archive}/x.csv'",
        "EXPLAIN ANALYZE COPY (SELECT 1) TO '{archive}/x.csv'",
        "CREATE TABLE x AS SELECT 1",
        "ATTACH '{archive}/x.db'",
        "EXPORT DATABASE '{archive}/x'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "DROP VIEW changes",
        "SELECT 1; COPY (SELECT 1) TO '{archive}/x.csv'",
        "",
        "SELEC 1",
        "SELECT nothing_of_this_name FROM alerts",
        "FROM no_such_table",
        "SELECT 1 + 'a'::INTEGER",
        "SELECT getenv('HOME')",
        *(f"FROM '{path}'" for path in OUTSIDE),
        *(f"SELECT * FROM read_text('{path}')" for path in OUTSIDE),
        "SELECT * FROM glob('/etc/*')",
        "SELECT * FROM read_parquet('{archive}/../secret.parquet')",
    ],
)
def test_a_question_reads_the_archive_and_nothing_else(archive, sql):
    (archive.parent / "secret.csv").write_text("secret\n1\n")
    before = sorted(archive.rglob("*"))
    done = run("ask", archive, sql.replace("{archive}", str(archive)))
    assert (done.exit_code, len(done.output.splitlines())) == (2, 1), done.output
    assert done.stdout == ""
    assert sorted(archive.rglob("*")) == before


def test_what_is_no_archive_or_an_empty_one_is_said(tmp_path):
    for question in (["SELECT 1"], []):
        done = run("ask", tmp_path, *question)
        assert (done.exit_code, "is no archive" in done.output) == (2, True)
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "bad.0001.db").write_text("x")
    assert run("gather", tmp_path / "logs", tmp_path / "archive").exit_code == 1
    done = run("ask", tmp_path / "archive", "FROM alerts")
    assert (done.exit_code, "holds no day yet" in done.output) == (2, True)


def test_a_quote_in_the_folders_name_is_no_sql(archive, tmp_path):
    os.symlink(archive, tmp_path / "it's")
    target = tmp_path / "o'clock"
    shutil.copytree(archive, target)
    assert answer(target, "SELECT count(*) > 0 AS some FROM fixes") == [{"some": True}]
