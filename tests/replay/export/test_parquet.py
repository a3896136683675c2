"""Every table as Parquet: what SQLite itself reads from the log, column by column, whole or not at all."""

import contextlib
import datetime as dt
import shutil
import sqlite3

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.rows import TABLES, StationRow, columns
from witnesspost.replay.export import arrow


def extract(*words):
    return CliRunner().invoke(main, ["extract", *map(str, words)])


@pytest.fixture(scope="module")
def tables(day, tmp_path_factory):
    """The short day's tables: its log, and the folder of files."""
    out = tmp_path_factory.mktemp("out") / "day"
    done = extract(day[0], "--as", "parquet", "-o", out)
    assert done.exit_code == 0, done.output
    return day[0], out


@pytest.mark.parametrize("kind", TABLES, ids=lambda kind: kind.table)
def test_each_table_holds_what_sqlite_reads_from_the_log(tables, kind):
    log, folder = tables
    found = pq.read_table(folder / f"{kind.table}.parquet")
    with contextlib.closing(sqlite3.connect(f"file:{log}?mode=ro", uri=True)) as connection, connection:
        cursor = connection.execute(f"SELECT * FROM {kind.table} ORDER BY {kind.key or 'rowid'}")
        names, stored = [name for name, *_ in cursor.description], cursor.fetchall()
    assert list(zip(*(found.column(name).to_pylist() for name in names), strict=True)) == stored
    assert stored
    assert set(found.column("post").to_pylist()) == {"kestrel-rover"}
    assert set(found.column("log").to_pylist()) == {log.name}
    group = pq.ParquetFile(folder / f"{kind.table}.parquet").metadata.row_group(0)
    assert {group.column(i).compression for i in range(group.num_columns)} == {"ZSTD"}


@pytest.mark.parametrize("kind", TABLES, ids=lambda kind: kind.table)
def test_the_schema_says_type_null_and_meaning_of_every_column(kind):
    fields = arrow.schema(kind)
    assert fields.names == list(kind.__struct_fields__)
    for field, column in zip(fields, columns(kind), strict=True):
        assert field.metadata[b"meaning"].decode() == column.meaning
        assert field.nullable == column.may_be_null
    assert arrow.batch(kind, []).num_rows == 0


def test_types_are_those_of_sqlite():
    fields = arrow.schema(StationRow)
    assert [fields.field(name).type for name in ("t", "station_id", "message")] == [pa.float64(), pa.int64(), pa.string()]


def test_utc_of_a_row_is_that_of_its_second(tables):
    _log, folder = tables
    fixes = pq.read_table(folder / "fix.parquet")
    assert fixes.num_rows
    for t, said_s, utc in zip(*(fixes.column(name).to_pylist() for name in ("t", "time_s", "t_utc")), strict=True):
        midnight = utc.replace(hour=0, minute=0, second=0, microsecond=0)
        late_s = (utc - midnight) / dt.timedelta(seconds=1) - said_s
        assert abs((late_s + 43_200) % 86_400 - 43_200) < 1.0, t  # a position is heard within a second of its time


def test_a_stretch_of_the_day_is_what_falls_into_it(day, tmp_path):
    assert extract(day[0], "--as", "parquet", "--from", "100", "--to", "200", "-o", tmp_path / "part").exit_code == 0
    fixes = pq.read_table(tmp_path / "part" / "fix.parquet").column("t").to_pylist()
    assert fixes
    assert 100 <= min(fixes) <= 101
    assert 199 <= max(fixes) <= 200
    raw = pq.read_table(tmp_path / "part" / "raw.parquet")
    assert min(raw.column("t_last").to_pylist()) >= 100
    assert max(raw.column("t").to_pylist()) <= 200
    assert pq.read_table(tmp_path / "part" / "run.parquet").num_rows == 1


def test_a_damaged_log_leaves_nothing(day, tmp_path):
    log = tmp_path / "kestrel-rover.0001.db"
    shutil.copy(day[0], log)
    with contextlib.closing(sqlite3.connect(log)) as connection, connection:
        connection.execute("UPDATE station SET station_id = 'who'")
    done = extract(log, "--as", "parquet", "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert "a row of station was changed" in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == [log.name]


def test_what_cannot_be_written_is_one_line(day, tmp_path):
    done = extract(day[0], "--as", "parquet", "-o", "-")
    assert (done.exit_code, "expected -o FOLDER" in done.output) == (2, True)
    (tmp_path / "there").mkdir()
    done = extract(day[0], "--as", "parquet", "-o", tmp_path / "there")
    assert (done.exit_code, "is a folder; name a folder that does not exist" in done.output) == (2, True)
    done = extract(day[0], "--as", "parquet", "--every", "30", "-o", tmp_path / "out")
    assert (done.exit_code, "--every goes with --as csv or geojson" in done.output) == (2, True)
