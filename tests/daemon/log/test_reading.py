"""Reading a log: everything in the order it was fed, damage found and named, nothing left behind beside the evidence."""

import contextlib
import datetime as dt
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.commands.snapshot import snapshot
from witnesspost.daemon.commands.verify import verify
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.opening import NoSuchLog, NoSuchStream, NotALog, UnreadableLog, copy_log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.schema import PAGE_BYTES
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.replay.commands.extract import extract
from witnesspost.rules.facts import Acknowledge, CheckIn, Frozen, Health, Planned, Port, SetUp, Shelve, Solved, Utc
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import started
from tests.kestrel import TWO_LINES

SITE = f"""
[post]
name = "kestrel-base"
role = "base"
time_zone = "America/New_York"
{TWO_LINES.format(corrections="loop://", receiver="loop://receiver")}"""
BEGAN = dt.datetime(2026, 5, 4, 7, 30, tzinfo=dt.UTC)
STREAMS = ("corrections", "receiver")


def seconds(count):
    """`count` seconds of numbered bytes: (t, stream, bytes)."""
    return [
        (second + place / 10, stream, f"{stream} {second:05d} ".encode() * 20)
        for second in range(count)
        for place, stream in enumerate(STREAMS)
    ]


def written(folder, inputs, close=True, utc=True):
    """A log of these inputs, closed, or left open as (log, path)."""
    log = Log.start(folder, site_from_toml(SITE), SITE)
    for t, stream, data in inputs:
        log.chunk(t, stream, data)
        if utc:
            log.fact(Utc(t=t, stream="receiver", utc=BEGAN + dt.timedelta(seconds=t), source="ZDA"))
        log.tick(t)
    if not close:
        return log
    log.close(inputs[-1][0], "stopped")
    return folder / "kestrel-base.0001.db"


@pytest.fixture(scope="module", autouse=True)
def told_without_bytes():
    """These logs are told facts that no bytes say: as another derivation's, their tables are not compared with the bytes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("witnesspost.daemon.log.succession.DERIVATION", 0)
        yield


@pytest.fixture(scope="module")
def minutes(tmp_path_factory):
    return written(tmp_path_factory.mktemp("log"), seconds(120))


@pytest.fixture
def log_path(minutes, tmp_path):
    return shutil.copy(minutes, tmp_path / "kestrel-base.0001.db")


def run(command, *arguments):
    return CliRunner().invoke(command, [str(argument) for argument in arguments])


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


# ── damage ──────────────────────────────────────────────────────────────────────────────────────────────────────────


def flip(path, at, bit=0):
    with open(path, "r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 1 << bit]))


def test_a_flipped_bit_in_a_raw_block_is_named_and_sqlite_is_blind_to_it(log_path):
    flip(log_path, log_path.read_bytes().index(b"receiver 00063") + 3)
    with LogFile.open(log_path) as log:
        report = verified(log)
        assert report.sqlite == []
        assert not report.sound
        assert (report.bad.table, report.bad.stream) == ("raw", "receiver")
        block = log._connection.execute("SELECT t, t_last FROM raw WHERE n = ?", (report.bad.n,)).fetchone()
        assert block[0] <= 63.1 <= block[1]
        assert report.bad.utc == log.utc_at(block[0])
    result = run(verify, log_path)
    assert result.exit_code == 1
    assert f"DAMAGED: block {report.bad.n} of receiver at t {block[0]:.3f} (2026-05-04 03:31:00-04:00)" in result.stdout
    assert "its digest does not fit" in result.stdout


@pytest.mark.parametrize(
    ("sql", "table", "what"),
    [
        ("UPDATE raw SET t = t + 0.001 WHERE n = 7", "raw", "its digest does not fit"),
        ("UPDATE raw SET times = substr(times, 2) WHERE n = 7", "raw", "its digest does not fit"),
        ("UPDATE raw SET stream = 'neither' WHERE n = 6", "raw", "its digest does not fit"),
        ("DELETE FROM raw WHERE n = 7", "raw", "row 7 is missing before it"),
        ("UPDATE event SET detail = '{}' WHERE n = 1", "event", "its digest does not fit"),
        ("DELETE FROM event WHERE n = 1", "raw", "row 1 is missing before it"),
        ("UPDATE run SET site_toml = site_toml || ' '", "run", "the run's own row was changed"),
    ],
)
def test_doubtful_hands_are_found(log_path, sql, table, what):
    with contextlib.closing(sqlite3.connect(log_path)) as connection, connection:
        connection.execute(sql)
    with LogFile.open(log_path) as log:
        report = verified(log)
    assert (report.bad.table, report.sqlite) == (table, [])
    assert what in report.bad.what
    assert run(verify, log_path).exit_code == 1


def test_a_flipped_bit_in_a_page_header_is_found(log_path):
    connection = sqlite3.connect(log_path)
    (leaf,) = connection.execute("SELECT pageno FROM dbstat WHERE name = 'raw' AND pagetype = 'leaf' LIMIT 1").fetchone()
    connection.close()
    flip(log_path, (leaf - 1) * PAGE_BYTES, bit=3)  # the page's type
    result = run(verify, log_path)
    assert result.exit_code == 1
    assert "DAMAGED" in result.stdout


@pytest.mark.parametrize("part", [0.02, 0.3, 0.6, 0.95])
def test_a_truncated_log_is_found_at_the_first_block_that_is_gone(log_path, part):
    with open(log_path, "r+b") as file:
        file.truncate(int(log_path.stat().st_size * part))
    result = run(verify, log_path)
    assert result.exit_code == 1
    # with the first pages goes the table of tables, and with it every name
    assert part < 0.1 or ("DAMAGED: block" in result.stdout and "malformed" in result.stdout)
    assert result.stderr == ""


def test_a_flipped_bit_in_the_wal_does_not_hide_the_commits_behind_it(tmp_path):
    log = written(tmp_path / "live", seconds(60), close=False)
    crashed = tmp_path / "crashed"
    shutil.copytree(tmp_path / "live", crashed)
    log.close(60.0, "stopped")
    path, wal = crashed / "kestrel-base.0001.db", crashed / "kestrel-base.0001.db-wal"
    whole = wal.read_bytes()
    (crashed / "kestrel-base.0001.db-shm").unlink()
    assert run(verify, path).exit_code == 0
    for at, words in (
        (len(whole) // 2, "commits behind it are lost"),
        (32 + 10, "commits behind it are lost"),  # the first frame's salt
        (20, "the header of the WAL went bad"),
    ):
        wal.write_bytes(whole)
        flip(wal, at)
        (crashed / "kestrel-base.0001.db-shm").unlink(missing_ok=True)
        result = run(verify, path)
        assert (result.exit_code, words in result.stdout + result.stderr) == (1, True)


def test_a_wal_cut_in_its_last_commit_is_what_a_power_cut_leaves(tmp_path):
    log = written(tmp_path / "live", seconds(60), close=False)
    crashed = tmp_path / "crashed"
    shutil.copytree(tmp_path / "live", crashed)
    log.close(60.0, "stopped")
    wal = crashed / "kestrel-base.0001.db-wal"
    (crashed / "kestrel-base.0001.db-shm").unlink()
    os.truncate(wal, wal.stat().st_size - 1500)
    result = run(verify, crashed / "kestrel-base.0001.db")
    assert result.exit_code == 0
    with LogFile.open(crashed / "kestrel-base.0001.db") as opened:
        kept = list(opened.inputs())
    assert kept == seconds(60)[: len(kept)]
    assert kept[-1][0] >= 49.0


def test_several_logs_are_checked_to_follow_one_another(tmp_path):
    log = Log.start(tmp_path, site_from_toml(SITE), SITE, rotate_s=10.0)
    for t in range(39):
        log.chunk(float(t), "receiver", b"x" * 50)
        log.tick(float(t))
    log.close(39.0, "stopped")
    paths = sorted(tmp_path.glob("*.db"))
    assert len(paths) == 4
    assert run(verify, *paths).exit_code == 0
    result = run(verify, paths[0], paths[2])
    assert result.exit_code == 1
    assert "a file between them is missing" in result.stdout


# ── extract and snapshot ────────────────────────────────────────────────────────────────────────────────────────────


def test_extract_gives_the_bytes_of_a_stream_and_a_time(log_path, tmp_path):
    fed = seconds(120)
    out = tmp_path / "out.bin"
    for options, first, last in (
        ([], 0.0, 1e9),
        (["--from", "10", "--to", "20"], 10.0, 20.0),
        (["--from", "2026-05-04T07:31:00Z"], 60.0, 1e9),
        (["--to", "2026-05-04T09:31:00+02:00"], 0.0, 60.0),
        (["--from", "2026-05-04 03:31:00", "--to", "61.05"], 60.0, 61.05),  # local: a summer's day in New York
    ):
        expected = b"".join(data for t, stream, data in fed if stream == "corrections" and first <= t <= last)
        assert run(extract, log_path, "--stream", "corrections", *options, "-o", out).exit_code == 0
        assert out.read_bytes() == expected
        out.unlink()
        piped = run(extract, log_path, "--stream", "corrections", *options, "-o", "-")
        assert (piped.exit_code, piped.stdout_bytes, piped.stderr) == (0, expected, "")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--stream", "corections"], "no stream 'corections'; there are corrections, receiver"),
        (["--stream", "receiver", "--from", "500"], "nothing came on receiver in that time; the log holds t 0.000 to 119"),
        (["--stream", "receiver", "--from", "9", "--to", "8"], "turn them round"),
        (
            ["--stream", "receiver", "--from", "noon"],
            "read 'noon', which is not a date and time; expected seconds of the log, the post's",
        ),
        (["--stream", "receiver", "--from", "nan"], "read 'nan', which is not a date and time; expected seconds of"),
        (["--stream", "receiver", "--from", "1e306"], "read '1e306', which is not a date and time; expected seconds"),
        (["--stream", "receiver", "--from", "0001-01-01T00:00+01:00"], "which is out of range; expected seconds of the log"),
    ],
)
def test_extract_refuses_what_it_cannot_do_and_keeps_the_file_that_is_there(log_path, tmp_path, options, words):
    out = tmp_path / "out.bin"
    out.write_bytes(b"precious")
    result = run(extract, log_path, *options, "-o", out)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert words in result.stderr
    assert out.read_bytes() == b"precious"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["kestrel-base.0001.db", "out.bin"]


def test_extract_by_utc_needs_a_log_that_knows_it(tmp_path):
    path = written(tmp_path, seconds(10), utc=False)
    result = run(extract, path, "--stream", "receiver", "--from", "2026-05-04T07:31:00Z", "-o", "-")
    assert result.exit_code == 2
    assert "never heard the time from a receiver; give seconds" in result.stderr


def test_extract_of_a_damaged_block_names_it_and_leaves_no_half_file(log_path, tmp_path):
    with contextlib.closing(sqlite3.connect(log_path)) as connection, connection:
        connection.execute("UPDATE raw SET times = x'00' WHERE n = (SELECT n FROM raw WHERE stream = 'receiver' LIMIT 1)")
    result = run(extract, log_path, "--stream", "receiver", "-o", tmp_path / "out.bin")
    assert result.exit_code == 2
    assert "(receiver, t 0.100) cannot be read: arrival times" in result.stderr
    assert not (tmp_path / "out.bin").exists()
    with LogFile.open(log_path) as log, pytest.raises(UnreadableLog):
        list(log.inputs())


def test_a_pipe_whose_reader_has_had_enough_ends_in_a_line(tmp_path):
    log_path = written(tmp_path, [(float(t), "receiver", bytes(100_000)) for t in range(10)])
    command = [sys.executable, "-m", "witnesspost.daemon", "extract", str(log_path), "--stream", "receiver", "-o", "-"]
    with started(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.read(10)
        process.stdout.close()
        said = process.stderr.read()
    assert (process.returncode, said) == (2, b"standard output: cannot be written whole: Broken pipe\n")


def test_an_unknown_stream_is_a_typed_error(log_path):
    with LogFile.open(log_path) as log, pytest.raises(NoSuchStream):
        log.stream("radio")


def test_snapshot_of_a_live_log_is_whole_and_one_file(tmp_path):
    log = written(tmp_path / "live", seconds(60), close=False)
    out = tmp_path / "copies" / "out.db"
    out.parent.mkdir()
    result = run(snapshot, tmp_path / "live" / "kestrel-base.0001.db", out)
    log.close(60.0, "stopped")
    assert result.exit_code == 0, result.stderr
    assert list(out.parent.iterdir()) == [out]
    with LogFile.open(out) as copy:
        report = verified(copy)
        assert report.sound
        assert f"chain   {report.digest.hex()}\n" in result.stdout
        assert list(copy.inputs()) == seconds(60)[: len(list(copy.inputs()))]
    said = run(verify, out)
    assert said.exit_code == 0
    assert "note: out.db is a snapshot of a log that was not closed then" in said.stdout
    assert "-wal" not in said.stdout
    digest = subprocess.run(["b2sum", "-l", "256", out], capture_output=True, text=True, check=True).stdout.split()[0]
    assert f"b2sum   {digest}\n" in result.stdout


def test_a_snapshot_cannot_starve_under_a_writer_that_never_rests(tmp_path, monkeypatch):
    monkeypatch.setattr("witnesspost.daemon.log.opening._COPY_PAGES", 50)
    log = written(tmp_path / "live", seconds(600), close=False)
    pages = (tmp_path / "live" / "kestrel-base.0001.db").stat().st_size // PAGE_BYTES
    t = 600.0
    steps = []

    def write_on(part):
        nonlocal t
        steps.append(part)
        assert len(steps) <= pages, "it begins again and again"
        t += 5.0
        log.chunk(t, "receiver", b"more")
        log.tick(t)
        log.tick(t + 5.0)

    copy_log(tmp_path / "live" / "kestrel-base.0001.db", tmp_path / "out.db", write_on)
    log.close(t + 5.0, "stopped")
    assert len(steps) > 3
    assert steps == sorted(set(steps))
    assert steps[-1] == 1.0
    with LogFile.open(tmp_path / "out.db") as copy:
        assert verified(copy).sound
        assert max(at for at, _, _ in copy.inputs()) < 600.0


def test_a_snapshot_of_a_closed_log_is_a_closed_log(log_path, tmp_path):
    assert run(snapshot, log_path, tmp_path / "out.db").exit_code == 0
    said = run(verify, tmp_path / "out.db")
    assert "ended: stopped" in said.stdout
    assert "note:" not in said.stdout


def test_snapshot_keeps_what_is_there_and_leaves_nothing_half_done(log_path, tmp_path):
    out = tmp_path / "out.db"
    out.write_bytes(b"precious")
    result = run(snapshot, log_path, out)
    assert (result.exit_code, out.read_bytes()) == (2, b"precious")
    result = run(snapshot, log_path, tmp_path / "nowhere" / "out.db")
    assert result.exit_code == 2
    assert "cannot be written: No such file or directory" in result.stderr


def test_a_snapshot_of_a_damaged_log_is_kept_and_said_to_be_damaged(log_path, tmp_path):
    flip(log_path, log_path.read_bytes().index(b"receiver 00063") + 3)
    result = run(snapshot, log_path, tmp_path / "out.db")
    assert result.exit_code == 1
    assert "DAMAGED" in result.stdout
    assert (tmp_path / "out.db").exists()
