"""What is taken out of a log: the bytes of a stream, and a snapshot."""

import contextlib
import sqlite3
import subprocess
import sys

import pytest
from witnesspost.daemon.commands.snapshot import snapshot
from witnesspost.daemon.commands.verify import verify
from witnesspost.daemon.log.opening import NoSuchStream, UnreadableLog, copy_log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.schema import PAGE_BYTES
from witnesspost.daemon.log.verifying import verify as verified
from witnesspost.replay.commands.extract import extract

from tests.daemon.conftest import started
from tests.daemon.log.conftest import flip, run, seconds, written

pytestmark = pytest.mark.usefixtures("told_without_bytes")


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
