"""Logs and tapes that were made to stop the program, or to run what they like: each command ends soon, in plain lines.

Each file is given to each command that reads one; a case is what is done to a sound log or tape, in SQL or in bytes.
"""

import contextlib
import gzip
import json
import shutil
import sqlite3
import time

import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.source import open_source
from witnesspost.rules.facts import Acknowledge, Health, Port

MOST_CPU_S = 6.0
HANDED_ON_BYTES_S = 2e7  # what a file holds is handed on whole, however long a value
DEEP = "[" * 100_000


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A log of two minutes with fixes, stations, alerts and events, closed, in one file without a WAL."""
    folder = tmp_path_factory.mktemp("sound")
    source = open_source("fix-lost:float")
    log = Log.start(folder, source.site, source.site_text)
    pipeline = Pipeline(source.site, log)
    for record in source.records:
        if record.t > 120:
            break
        if hasattr(record, "data"):
            pipeline.feed(record.t, record.stream, record.data)
        elif not hasattr(record, "expect"):
            pipeline.tell(record)
    for fact in (
        Port(t=121.0, stream=source.site.stream[0].name, state="lost", reason="unplugged"),
        Health(t=121.5, stream="", disk_free_fraction=0.5),
        Acknowledge(t=122.0, stream=""),
    ):
        pipeline.tell(fact)
    pipeline.tick(130.0)
    log.close(pipeline.t, "stopped")
    (path,) = folder.glob("*.db")
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA journal_mode = DELETE")
        for table in ("raw", "fix", "station", "traffic", "alert", "event", "clock"):
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0], table
    return path


TABLES = ("run", "stream", "raw", "clock", "fix", "station", "traffic", "alert", "event")
RECURSIVE = "WITH RECURSIVE x(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM x)"
LOGS = {
    "sound": "",
    # A table that is a view without an end, or one that multiplies.
    **{
        f"{table} without an end": f"DROP TABLE {table}; CREATE VIEW {table} AS {RECURSIVE} SELECT {{columns:{table}}} FROM x"
        for table in TABLES
    },
    "view that multiplies": "ALTER TABLE raw RENAME TO raw2;"
    "CREATE VIEW raw AS SELECT a.* FROM raw2 a, raw2 b, raw2 c, fix d, fix e, fix f",
    "view of itself": "DROP TABLE fix; CREATE VIEW fix AS SELECT * FROM fix",
    "views over views": "".join(
        f"DROP VIEW IF EXISTS v{i}; CREATE VIEW v{i} AS SELECT * FROM {f'v{i - 1}' if i else 'fix'} UNION ALL "
        f"SELECT * FROM {f'v{i - 1}' if i else 'fix'};"
        for i in range(60)
    )
    + "DROP TABLE clock; CREATE VIEW clock AS SELECT t, 'x' AS utc, 'x' AS source, stream, 0.0 AS spread_s FROM v59",
    "its own views without an end": f"DROP VIEW gaps; CREATE VIEW gaps AS {RECURSIVE} SELECT 'x' AS stream, i AS t, "
    "'x' AS utc, 1 AS seconds, 1 AS lost_bytes, 'x' AS why FROM x",
    "generated column": "ALTER TABLE fix RENAME TO fix2; CREATE TABLE fix AS SELECT * FROM fix2;"
    "ALTER TABLE fix DROP COLUMN hdop;"
    "ALTER TABLE fix ADD COLUMN hdop REAL AS (length(hex(zeroblob(400000000))))",
    "huge value": "UPDATE event SET detail = hex(zeroblob(40000000)) WHERE n = (SELECT max(n) FROM event)",
    "huge blob": "UPDATE raw SET data = zeroblob(70000000) WHERE n = (SELECT max(n) FROM raw)",
    "huge default": "ALTER TABLE fix DROP COLUMN hdop; ALTER TABLE fix ADD COLUMN hdop REAL DEFAULT '{x:900000}'",
    "many tables": "".join(f"CREATE TABLE t{i}(x);" for i in range(2000)),
    "an index on an expression": "CREATE INDEX i ON raw(length(hex(data)))",
    "a trigger": "CREATE TRIGGER t AFTER INSERT ON fix BEGIN DELETE FROM raw; END",
    "a virtual table": "DROP TABLE station; CREATE VIRTUAL TABLE station USING fts5(t, stream, station_id)",
    "a view that reads a file": "DROP TABLE fix; CREATE VIEW fix AS SELECT readfile('/etc/passwd') AS t",
    # Wrong types, NULLs, nothing.
    "empty run": "DELETE FROM run",
    "two runs": "INSERT INTO run SELECT number + 1, {columns-1:run} FROM run",
    "no stream": "DELETE FROM stream",
    "nothing": "DELETE FROM raw; DELETE FROM fix; DELETE FROM station; DELETE FROM clock; DELETE FROM alert; DELETE FROM event;"
    "DELETE FROM traffic",
    **{f"no table {table}": f"DROP TABLE {table}" for table in TABLES},
}  # fmt: skip

VALUES = {
    "NULL": "NULL",
    "text": "'x'",
    "blob": "x'ff00'",
    "1e300": "1e300",
    "-1": "-1",
    "inf": "9e999",
    "1e15": "1e15",
    "2^62": "4611686018427387904",
    "deep JSON": f"'{DEEP}'",
    "list": "'[]'",
    "object": "'{}'",
    "number": "'1e999'",
    "long": "hex(zeroblob(200000))",
    "control characters": "char(0, 27, 91, 50, 74)",
}
COLUMNS = [
    "run.name", "run.number", "run.begun_at_t", "run.first_n", "run.site_toml", "run.grids", "run.system_utc", "run.digest",
    "run.role", "run.program", "run.previous_digest", "stream.name", "raw.n", "raw.t", "raw.t_last", "raw.stream",
    "raw.data", "raw.times", "raw.chunks", "raw.pause_s", "clock.t", "clock.utc", "clock.source", "fix.t", "fix.latitude",
    "fix.quality", "fix.height_m", "fix.stream", "station.x_m", "station.t", "traffic.t", "traffic.frames", "alert.t",
    "alert.causes", "alert.evidence", "alert.steps", "alert.change", "alert.alert", "event.t", "event.kind", "event.detail",
    "event.order_in_ms", "event.stream",
]  # fmt: skip
QUICK = {
    ("run.begun_at_t", "1e15"),
    ("run.grids", "text"),
    ("run.name", "control characters"),
    ("stream.name", "NULL"),
    ("raw.t", "1e15"),
    ("raw.t_last", "inf"),
    ("raw.times", "blob"),
    ("raw.stream", "long"),
    ("clock.utc", "control characters"),
    ("fix.t", "text"),
    ("fix.height_m", "inf"),
    ("event.detail", "deep JSON"),
    ("event.kind", "control characters"),
    ("alert.evidence", "text"),
}


def made(path, sound, sql):
    """The sound log with `sql` done to it, and an `{columns:table}` in that as the table's columns, all 1."""
    shutil.copyfile(sound, path)
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("PRAGMA ignore_check_constraints = ON")
    for table in TABLES:
        names = [name for _, name, *_ in connection.execute(f"PRAGMA table_info({table})")]
        sql = sql.replace(f"{{columns:{table}}}", ", ".join(f"i AS {name}" for name in names))
        sql = sql.replace(f"{{columns-1:{table}}}", ", ".join(names[1:]))
    sql = sql.replace("{x:900000}", "x" * 900_000)
    with contextlib.suppress(sqlite3.IntegrityError):  # a key that cannot be there twice, or not of that type: left as it was
        connection.executescript(sql)
    connection.close()


def commands(path, out):
    yield ("verify", str(path))
    yield ("snapshot", str(path), str(out / "snapshot.db"))
    yield ("extract", str(path), "--stream", "receiver", "-o", "-")
    yield ("extract", str(path), "--as", "csv", "-o", "-")
    yield ("extract", str(path), "--stream", "receiver", "--from", "2026-05-04T07:30:00", "-o", "-")
    yield ("extract", str(path), "--as", "geojson", "-o", "-")
    field = out / "field.csv"
    field.write_text("name,north,east,height\nP1,4330123.456,512345.678,1874.3\n")
    yield ("points", str(path), "--points", str(field), "-o", "-")
    yield ("replay", str(path))
    yield ("replay", str(path), "--json", "--log", str(out / "again.db"))


def ends_in_plain_words(command):
    begun = time.process_time()
    done = CliRunner().invoke(main, command)
    cpu_s = time.process_time() - begun
    raised = done.exception
    assert raised is None or isinstance(raised, SystemExit), (command, repr(raised)[:300])
    assert done.exit_code in (0, 1, 2), command
    assert cpu_s < MOST_CPU_S + len(done.stdout_bytes) / HANDED_ON_BYTES_S, command
    said = done.stderr
    assert len(said) < 5000, (command, said[:300])
    assert all(line.isprintable() for line in said.splitlines()), (command, said[:300])
    assert "Traceback" not in said
    if command[0] not in ("extract", "points"):  # these hand on what is in the file, as data
        assert all(line.isprintable() for line in done.stdout.splitlines()), (command, done.stdout[:300])
    return done


@pytest.mark.parametrize("case", LOGS)
def test_a_hostile_log(case, sound, tmp_path):
    path = tmp_path / "kestrel.0001.db"
    made(path, sound, LOGS[case])
    for command in commands(path, tmp_path):
        ends_in_plain_words(command)


def when(column, value):
    """The quick ones at once; of the others every fourth, in another column for each value, with the slow tests."""
    if (column, value) in QUICK:
        return []
    return [pytest.mark.long if (COLUMNS.index(column) + list(VALUES).index(value)) % 4 else pytest.mark.slow]


@pytest.mark.parametrize(
    ("column", "value"),
    [pytest.param(column, value, marks=when(column, value)) for column in COLUMNS for value in VALUES],
)
def test_a_log_with_a_value_that_no_post_writes(column, value, sound, tmp_path):
    path = tmp_path / "kestrel.0001.db"
    table, _, name = column.partition(".")
    made(path, sound, f"UPDATE {table} SET {name} = {VALUES[value]}")
    for command in commands(path, tmp_path):
        ends_in_plain_words(command)


FIRST = b'{"tape": 1, "streams": ["corrections"], "site": %s}\n'
SITE = {
    "post": {"name": "kestrel-base", "role": "base"},
    "stream": [{"name": "corrections", "port": "loop://", "carries": ["corrections"]}],
}
CHUNK = '{"t": 1.0, "stream": "corrections", "hex": "d300"}\n'


def tape(*lines, site=SITE):
    return FIRST % json.dumps(site).encode() + b"".join(line if isinstance(line, bytes) else line.encode() for line in lines)


TAPES = {
    "t of 1e308": (
        tape('{"t": 1e308, "stream": "corrections", "hex": "d300"}\n'),
        "line 2: t is 1e+308; expected seconds from 0 to",
    ),
    "t of 1e15": (
        tape('{"t": 1e15, "stream": "corrections", "hex": "d300"}\n'),
        "line 2: t is 1e+15; expected seconds from 0 to",
    ),
    "t of 1e400": (tape('{"t": 1e400, "stream": "corrections", "hex": "d300"}\n'), "line 2: "),
    "a jump of a month": (
        tape(CHUNK, '{"t": 3e6, "stream": "corrections", "hex": "d3"}\n'),
        "line 3: t jumps from 1 to 3e+06; expected",
    ),
    "a truth after a year": (
        tape(CHUNK, '{"t": 3e6, "expect": "raised", "rule": "sky", "within_s": 5}\n'),
        "a truth line is about 3e+06 s, over a day after the last other line",
    ),
    "a line of 20 MB": (tape('{"t": 1.0, "stream": "corrections", "hex": "' + "d3" * 10**7 + '"}\n'), "line 2: has over 4 MB"),
    "a first line of 30 MB": (FIRST % (b'"' + b"x" * 30 * 10**6 + b'"'), "line 1: has over 20 MB"),
    "deep JSON": (tape('{"t": 1, "tell": {"planned": {"why": ' + DEEP + "\n"), "line 2: is nested too deeply"),
    "a deep first line": (
        b'{"tape": 1, "streams": ["a"], "site": {"post": ' + DEEP.encode() + b"\n",
        "line 1: is not a tape's first",
    ),
    "a key of 1 MB": (tape('{"t": 1.0, "' + "x" * 10**6 + '": 1}\n'), "line 2: "),
    "a key that clears a terminal": (tape('{"t": 1.0, "\\u001b[2J": 1}\n'), "line 2: "),
    "a stream that clears a terminal": (tape('{"t": 1.0, "stream": "\\u001b[2J", "hex": "d3"}\n'), "line 2: stream "),
    "a thousand streams": (
        b'{"tape": 1, "streams": [' + b'"a",' * 1000 + b'"a"], "site": {}}\n',
        "line 1: is not a tape's first",
    ),
    "control characters in a stream": (
        b'{"tape": 1, "streams": ["\\u001b[2J"], "site": {}}\n',
        "line 1: is not a tape's first",
    ),
    "NULs": (tape("\0" * 1000 + "\n"), "line 2: "),
    "no JSON": (tape("x" * 10**6 + "\n"), "line 2: "),
    "half a line": (tape('{"t": 1.0, "stream"'), "line 2: the tape is cut off"),
    "no UTF-8": (tape(b'{"t": 1.0, "stream": "\xff\xfe"}\n'), "line 2: "),
    "a lone surrogate": (tape('{"t": 1.0, "stream": "\\ud800", "hex": "d3"}\n'), "line 2: "),
    "a number of 5,000 digits": (tape('{"t": ' + "9" * 5000 + ', "stream": "corrections", "hex": "d3"}\n'), "line 2: "),
    "a site of null": (tape(site=None), ""),
    "a site of lists": (tape(site={"post": [[[]]], "stream": {"a": None}}), ""),
    "a site's control file": (
        tape(site=SITE | {"project": {"vertical": "geoid", "control_file": [{"path": "/dev/zero"}]}}),
        "cannot be read: it is a pipe or a device",
    ),
    "an archive that grows a thousandfold": (gzip.compress(tape(b" " * 10**8)), "line 2: has over 4 MB"),
    "half an archive": (gzip.compress(tape(CHUNK * 1000))[:100], "cut off or damaged"),
    "planned for ever": (tape('{"t": 1, "tell": {"planned": {"for_s": 1e308, "why": "x"}}}\n', CHUNK), ""),
    "planned with a bell": (tape('{"t": 1, "tell": {"planned": {"for_s": 10, "why": "\\u001b[2J\\u0007"}}}\n', CHUNK), ""),
    "shelved for ever": (tape('{"t": 1, "tell": {"shelve": {"rule": "sky", "for_s": 1e308}}}\n', CHUNK), ""),
    "health beyond measure": (
        tape('{"t": 1, "tell": {"health": {"temperature_c": 1e308, "disk_left_h": 1e308, "restarts": -99999999999}}}\n', CHUNK),
        "",
    ),
    "a check-in nowhere": (tape('{"t": 1, "tell": {"checkin": {"point": "\\u001b[2J"}}}\n', CHUNK), ""),
    "a lost port with a bell": (tape('{"t": 1, "stream": "corrections", "port": "lost", "reason": "\\u0007\\u001b[2J"}\n'), ""),
    "told a list": (tape('{"t": 1, "tell": {"planned": []}}\n'), "line 2: "),
    "empty": (b"", "line 1: is not a tape's first line"),
    "a line end": (b"\n", "line 1: is not a tape's first line"),
}


@pytest.mark.parametrize("case", TAPES)
def test_a_hostile_tape(case, tmp_path):
    data, words = TAPES[case]
    path = tmp_path / "kestrel.jsonl"
    path.write_bytes(data)
    for command in (("replay", str(path)), ("replay", str(path), "--json"), ("replay", str(path), "--grade")):
        done = ends_in_plain_words(command)
        if words:
            assert done.exit_code == 2
            assert words in done.stderr


LAND = '<LandXML><Units><Metric linearUnit="meter"/></Units><CgPoints>{}</CgPoints></LandXML>'
FIELDS = {
    "entities that double": "<!DOCTYPE x [" + '<!ENTITY a0 "aa">'
    + "".join(f'<!ENTITY a{i} "&a{i - 1};&a{i - 1};">' for i in range(1, 40)) + "]><LandXML>&a39;</LandXML>",
    "an entity of a file": '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><LandXML>&a;</LandXML>',
    "deep XML": "<LandXML>" + "<a>" * 200_000,
    "many elements": LAND.format("<a/>" * 300_000),
    "an element of a long name": f"<{'x' * 100_000}/>",
    "a point of a long name": LAND.format(f'<CgPoint name="{"x" * 100_000}">1 x 3</CgPoint>'),
    "a point of long numbers": LAND.format(f'<CgPoint name="a">{"1" * 100_000} 2 3</CgPoint>'),
    "deep JSON": '{"type": "FeatureCollection", "features": ' + DEEP,
    "a place of many numbers": '{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": {"type": "Point", '
    f'"coordinates": {list(range(50_000))}}}}}]}}',
    "a name that clears a terminal": '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": '
    '"\\u001b[2J"}, "geometry": {"type": "Point", "coordinates": [1e308, 1, 1]}}]}',
    "a list of JSON": "{}",
    "NULs": "\0" * 1000,
    "one line of 5 MB": "x," * 2_500_000,
    "300,000 lines": "x,y\n" * 300_000,
    "a quote that does not end": "name,north,east,height\n" + '"' + "x\n" * 200_000,
    "a name of 100,000 letters": f"name,north,east,height\n{'x' * 100_000},a,b,c\n",
    "numbers beyond measure": "name,north,east,height\nP1,1e308,-1e308,inf\n",
    "numbers of 5,000 digits": f"name,north,east,height\nP1,{'9' * 5000},1,1\n",
}  # fmt: skip


@pytest.mark.parametrize("case", FIELDS)
def test_a_hostile_field_file(case, sound, tmp_path):
    field = tmp_path / "field.csv"
    field.write_text(FIELDS[case])
    done = ends_in_plain_words(("points", str(sound), "--points", str(field), "-o", "-"))
    assert done.exit_code == 2


@pytest.mark.parametrize("option", ["--points", "--decisions"])
def test_a_field_file_that_never_ends(option, sound, tmp_path):
    field = tmp_path / "field.csv"
    field.write_text("name,north,east,height\nP1,4330123.456,512345.678,1874.3\n")
    rest = () if option == "--points" else ("--points", str(field))
    done = ends_in_plain_words(("points", str(sound), *rest, option, "/dev/zero", "-o", "-"))
    assert done.exit_code == 2
