"""Reading a log: everything in the order it was fed, nothing left behind beside the evidence."""

import contextlib
import datetime as dt
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.commands.snapshot import snapshot
from witnesspost.daemon.commands.verify import verify
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import NoSuchLog, NotALog
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.replay.commands.extract import extract
from witnesspost.rules.facts import Acknowledge, CheckIn, Frozen, Health, Planned, Port, SetUp, Shelve, Solved
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.conftest import BEGAN, SITE, STREAMS, run, seconds, written

pytestmark = pytest.mark.usefixtures("told_without_bytes")


# ── order ───────────────────────────────────────────────────────────────────────────────────────────────────────────

DAY = dt.datetime(2026, 5, 12, 9, 0, tzinfo=dt.UTC)
TOLD = st.sampled_from(
    [
        Port(t=0, stream="corrections", state="lost", reason="unplugged"),
        Planned(t=0, stream="", for_s=60.5, why="battery"),
        Frozen(t=0, stream="", for_s=3.5),
        Acknowledge(t=0, stream="", rule="corrections-stopped"),
        Shelve(t=0, stream="", for_s=600.0),
        SetUp(t=0, stream="", point=None, antenna_height_m=1.532, pole_height_m=2.0, by="Kim", slant_m=1.54, radius_m=0.1),
        SetUp(t=0, stream="", point="KQ-1", antenna_height_m=1.532, pole_height_m=2.0, run="kestrel.0001.db", utc=DAY),
        CheckIn(t=0, stream="", point="KQ-2", by="Kim"),
        Solved(t=0, stream="", rule="sky", cause="few-satellites", step="Wait.", by="Kim"),
        Health(t=0, stream="", disk_free_fraction=0.25, lost_bytes=3, read_only=False),
    ]
)
STEP = st.sampled_from([0, 0, 0, 1, 3, 50, 1000, 4999, 30_000])
INPUT = st.tuples(STEP, st.one_of(st.tuples(st.sampled_from(STREAMS), st.binary(min_size=1, max_size=9)), TOLD))


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(INPUT, min_size=1, max_size=60), st.floats(0, 40), st.floats(0, 40))
def test_inputs_come_back_in_the_order_they_were_fed(tmp_path, inputs, a, b):
    path = tmp_path / "played.db"
    path.unlink(missing_ok=True)
    log = Log.start(tmp_path, site_from_toml(SITE), SITE, path=path)
    fed, ms = [], 0
    for step, what in inputs:
        ms += step
        t = ms / 1000
        if isinstance(what, tuple):
            fed.append((t, *what))
            log.chunk(*fed[-1])
        else:
            fact = type(what)(**{**{name: getattr(what, name) for name in what.__struct_fields__}, "t": t})
            fed.append((t, fact.stream, fact))
            log.told(fact)
        log.tick(t)
    log.close(ms / 1000, "stopped")
    first, last = sorted((round(a, 3), round(b, 3)))
    with LogFile.open(path) as opened:
        assert list(opened.inputs()) == fed
        assert list(opened.inputs(first, last)) == [item for item in fed if first <= item[0] <= last]
        assert list(opened.inputs(stream="receiver")) == [item for item in fed if item[1] == "receiver"]


def test_utc_and_t_are_each_other_undone(log_path):
    with LogFile.open(log_path) as log:
        assert log.utc_at(75.25) == BEGAN + dt.timedelta(seconds=75.25)
        assert log.t_at(BEGAN + dt.timedelta(seconds=75.25)) == pytest.approx(75.25, abs=1e-6)
        assert log.span() == (0.0, 119.1)


def test_an_anchor_that_cannot_be_read_costs_only_itself(log_path):
    with contextlib.closing(sqlite3.connect(log_path, isolation_level=None)) as connection:
        for utc in ("1-01-01T00:00:00.000Z", None, b"\xff", "2026-05-04"):
            connection.execute("INSERT INTO clock VALUES (0.0, ?, 'ZDA', 'receiver', 0.0)", (utc,))
    with LogFile.open(log_path) as log:
        assert log.utc_at(75.25) == BEGAN + dt.timedelta(seconds=75.25)
    assert run(verify, log_path).exit_code == 0


# ── not a log, or not a whole one ───────────────────────────────────────────────────────────────────────────────────


def test_what_is_no_log_is_refused_with_what_was_expected(tmp_path):
    text = tmp_path / "text.db"
    text.write_text("hello " * 100)
    other = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as connection, connection:
        connection.execute("CREATE TABLE raw (data BLOB)")
    empty = tmp_path / "empty.db"
    empty.touch()
    for path, error, words in (
        (tmp_path / "nowhere.db", NoSuchLog, "there is no such file; name a log"),
        (text, NotALog, "is not an SQLite database; name a log"),
        (other, NotALog, "is a database, but no log"),
        (empty, NotALog, "is empty; its -wal file"),
        (tmp_path, NotALog, "is a folder; name one of the logs in it"),
    ):
        with pytest.raises(error, match=words):
            LogFile.open(path)
        for command, arguments in (
            (verify, [path]),
            (snapshot, [path, tmp_path / "out.db"]),
            (extract, [path, "--stream", "x", "-o", tmp_path / "out"]),
        ):
            result = run(command, *arguments)
            assert result.exit_code == 2
            as_a_day = command in (verify, extract) and path is tmp_path
            assert ("a folder without a log (NAME.0001.db) in it" if as_a_day else words) in result.stderr
            assert result.stderr.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["empty.db", "other.db", "text.db"]


def test_a_log_without_its_wal_says_so(tmp_path):
    log = written(tmp_path / "live", seconds(30), close=False)
    alone = shutil.copy(tmp_path / "live" / "kestrel-base.0001.db", tmp_path / "kestrel-base.0001.db")
    result = run(verify, alone)
    assert result.exit_code == 0
    assert ": 0 blocks, 0 bytes" in result.stdout
    assert "no kestrel-base.0001.db-wal is beside it" in result.stdout
    log._files.writer._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    log.chunk(31.0, "receiver", b"more")
    log.tick(36.0)
    shutil.copy(tmp_path / "live" / "kestrel-base.0001.db", alone)
    result = run(verify, alone)
    assert result.exit_code == 0
    assert "no kestrel-base.0001.db-wal is beside it" in result.stdout
    log.close(36.0, "stopped")


def test_a_log_still_being_written_is_read_as_of_one_moment(tmp_path):
    log = written(tmp_path, seconds(30), close=False)
    with LogFile.open(tmp_path / "kestrel-base.0001.db") as reader:
        assert "still being written" in reader.note()
        before = list(reader.inputs())
        for t in range(30, 60):
            log.chunk(float(t), "receiver", b"later")
            log.tick(float(t))
        assert list(reader.inputs()) == before
        assert verified(reader).sound
    log.close(60.0, "stopped")


def test_reading_leaves_nothing_beside_a_closed_log(log_path):
    before = log_path.read_bytes()
    assert run(verify, log_path).exit_code == 0
    assert run(extract, log_path, "--stream", "receiver", "-o", "-").exit_code == 0
    assert log_path.read_bytes() == before
    assert list(log_path.parent.iterdir()) == [log_path]


def test_a_crashed_log_in_a_folder_that_cannot_be_written_is_read(tmp_path):
    log = written(tmp_path, seconds(30), close=False)
    # A process without root's rights, so that the folder's mode counts; what it needs later it imports before, since the
    # interpreter may stand where that user cannot look.
    code = (
        "import os, sys, urllib.parse\n"
        "from witnesspost.daemon.log.reading import LogFile\n"
        "from witnesspost.daemon.log.verifying import verify\n"
        "os.getuid() or os.setuid(65534)\n"
        "with LogFile.open(sys.argv[1]) as log: print(verify(log).sound, len(list(log.inputs())))"
    )
    names = ["kestrel-base.0001.db", "kestrel-base.0001.db-wal"]
    with tempfile.TemporaryDirectory() as evidence:
        for name in names:
            shutil.copy(tmp_path / name, evidence)
        log.close(30.0, "stopped")
        os.chmod(evidence, 0o555)
        path = os.path.join(evidence, names[0])
        done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=False)
        os.chmod(evidence, 0o755)
        assert done.stdout.split() == ["True", "51"], done.stderr
        assert sorted(os.listdir(evidence)) == names
