"""The log where somebody, or the card, meddles with its files: the next start begins, and what was committed is had back."""

import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.daemon.conftest import started
from tests.daemon.log.feeding import FIRST, SECOND, SITE, Feeder, change, crash_image, events, start, stored


@pytest.fixture(scope="module")
def crashed(tmp_path_factory):
    """What a killed service left: a file with its WAL."""
    folder = tmp_path_factory.mktemp("crashed")
    log = start(folder / "live")
    Feeder(log).feed(0, 61)
    log.change(change(61.0))
    log._files.writer._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
    Feeder(log).feed(62, 80)
    image = crash_image(folder / "live", folder / "image")
    log.close(81.0, "stopped")
    return image


SPOIL = st.tuples(
    st.sampled_from(["flip", "flip", "flip", "zero", "cut", "garbage"]), st.sampled_from(["", "-wal"]), st.floats(0, 1)
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(SPOIL, min_size=1, max_size=3), st.integers(0, 1 << 32))
def test_whatever_the_last_file_looks_like_a_new_one_begins(crashed, tmp_path, spoils, seed):
    image = tmp_path / "image"
    shutil.rmtree(image, ignore_errors=True)
    shutil.copytree(crashed, image)
    rng = random.Random(seed)
    for how, end, part in spoils:
        path = image / f"{FIRST}{end}"
        data = bytearray(path.read_bytes())
        # half of it in the first pages, where the tables of tables are
        at = min(len(data) - 1, int(part * (4096 if rng.random() < 0.5 else len(data)))) if data else 0
        if how == "flip" and data:
            data[at] ^= 1 << rng.randrange(8)
        elif how == "zero":
            data[at : at + 512] = bytes(len(data[at : at + 512]))
        elif how == "garbage":
            data[at : at + 64] = rng.randbytes(len(data[at : at + 64]))
        elif how == "cut":
            del data[at:]
        path.write_bytes(data)
    check_a_start(image)


def check_a_start(image):
    log = start(image)
    feeder = Feeder(log)
    feeder.feed(0, 10)
    assert log.state().failed is None
    log.close(10.0, "stopped")
    assert stored(image / SECOND) == feeder.fed
    (began,) = [json.loads(detail) for kind, _, _, detail in events(image / SECOND) if kind == "log-started"]
    assert began["previous_file"] in (FIRST, f"{FIRST}.damaged")
    assert (image / began["previous_file"]).exists()


@pytest.mark.parametrize("bit", range(8))
def test_the_count_of_cells_on_the_page_of_run(crashed, tmp_path, bit):
    """Its flipped bit once ended every start with a TypeError."""
    image = shutil.copytree(crashed, tmp_path / "image")
    with contextlib.closing(sqlite3.connect(image / FIRST)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'run'").fetchone()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray((image / FIRST).read_bytes())
    data[(page - 1) * 512 + 4] ^= 1 << bit  # SQLite file format, 1.6: bytes 3 and 4 of a page's header
    (image / FIRST).write_bytes(data)
    check_a_start(image)


def test_a_file_that_is_no_file(tmp_path):
    (tmp_path / FIRST).mkdir()
    log = start(tmp_path)
    log.close(1.0, "stopped")
    assert stored(tmp_path / SECOND) == []


def test_a_start_that_twice_ended_while_it_looked_begins_without_looking(crashed, tmp_path):
    """Two starts are killed while they look at the last file; the third does not look."""
    image = shutil.copytree(crashed, tmp_path / "image")
    code = textwrap.dedent("""
        import os, signal, sys
        from witnesspost.daemon.log import folder
        from witnesspost.daemon.log.log import Log
        from witnesspost.rules.site.reading import site_from_toml
        folder._end = lambda path: os.kill(os.getpid(), signal.SIGKILL)
        log = Log.start(sys.argv[1], site_from_toml(sys.argv[2]), "")
        log.close(1.0, "stopped")
    """)
    ended = [
        subprocess.run([sys.executable, "-c", code, str(image), SITE], check=False, capture_output=True).returncode
        for _ in range(3)
    ]
    assert ended == [-signal.SIGKILL, -signal.SIGKILL, 0]
    assert "not looked at: the starts before this one ended while they did" in events(image / SECOND)[0][3]
    assert (image / FIRST).exists()
    start(image).close(1.0, "stopped")  # which looks again, for the file before it is another
    assert '"previous_ended":"stopped"' in events(image / "kestrel-base.0003.db")[0][3]


def test_one_start_that_was_killed_while_it_looked_is_no_reason_not_to_look(crashed, tmp_path, monkeypatch):
    image = shutil.copytree(crashed, tmp_path / "image")
    (image / "kestrel-base.lock").write_text("process 1, looks at the last file: start 1 that does\n")
    start(image).close(1.0, "stopped")
    assert "the service ended without closing it" in events(image / SECOND)[0][3]


# ── meddled with while it is written ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("ends", [["-wal"], ["-shm"], ["-wal", "-shm"]])
def test_a_wal_that_is_deleted_while_it_is_written_costs_nothing_and_is_told(tmp_path, ends):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 33)
    log.change(change(33.0))
    for end in ends:
        (tmp_path / f"{FIRST}{end}").unlink()
    feeder.feed(33, 38)
    assert log.state().path == str(tmp_path / SECOND)  # within five seconds
    feeder.feed(38, 60)
    log.close(60.0, "stopped")
    assert stored(tmp_path / FIRST, tmp_path / SECOND) == feeder.fed
    with LogFile.open(tmp_path / FIRST) as first, LogFile.open(tmp_path / SECOND) as second:
        assert [one.t for one in first.changes()] == [33.0]
        assert second.run.previous_digest == verify(first).digest
    began = json.loads(events(tmp_path / SECOND)[0][3])
    assert began["previous_file"] == FIRST
    assert began["previous_ended"].endswith("was removed or replaced while it was written; what was written is in the file")


@pytest.mark.parametrize("ends", [["-wal"], ["", "-wal", "-shm"]])
def test_an_alert_that_finds_its_file_gone_is_on_the_disk_all_the_same(tmp_path, ends):
    log = start(tmp_path)
    Feeder(log).feed(0, 33)
    for end in ends:
        (tmp_path / f"{FIRST}{end}").unlink()
    log.change(change(33.0))
    with LogFile.open(tmp_path / SECOND) as second:
        assert [one.t for one in second.changes()] == [33.0]
    assert log.state().failed is None
    log.close(34.0, "stopped")


def test_a_wal_that_is_swapped_is_noticed(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 33)
    wal = tmp_path / f"{FIRST}-wal"
    shutil.copy(wal, tmp_path / "copy")
    os.replace(tmp_path / "copy", wal)
    feeder.feed(33, 60)
    log.close(60.0, "stopped")
    assert stored(tmp_path / FIRST, tmp_path / SECOND) == feeder.fed


def test_a_file_that_is_removed_with_its_wal_is_told_with_what_is_lost(tmp_path):
    log = start(tmp_path)
    feeder = Feeder(log)
    feeder.feed(0, 33)
    for path in tmp_path.glob(f"{FIRST}*"):
        path.unlink()
    feeder.feed(33, 60)
    log.close(60.0, "stopped")
    began = json.loads(events(tmp_path / SECOND)[0][3])
    assert began["previous_ended"].endswith("what it held is gone")
    kept = stored(tmp_path / SECOND)
    assert kept == feeder.fed[-len(kept) :]
    assert kept[0][0] <= 33.0


def test_a_folder_that_is_removed_is_made_again_with_its_lock_and_the_number_goes_on(tmp_path):
    folder = tmp_path / "log"
    log = start(folder)
    feeder = Feeder(log)
    feeder.feed(0, 33)
    shutil.rmtree(folder)
    feeder.feed(33, 60)
    assert sorted(path.name for path in folder.iterdir() if path.suffix in (".db", ".lock")) == [SECOND, "kestrel-base.lock"]
    code = (
        "import sys; from witnesspost.daemon.log.log import Log; from witnesspost.rules.site.reading import site_from_toml; "
        "Log.start(sys.argv[1], site_from_toml(sys.argv[2]), '')"
    )
    other = subprocess.run([sys.executable, "-c", code, str(folder), SITE], capture_output=True, text=True, check=False)
    assert "LogBusy" in other.stderr
    log.close(60.0, "stopped")
    kept = stored(folder / SECOND)
    assert kept == feeder.fed[-len(kept) :]


@pytest.mark.parametrize("cut", [False, True])
def test_garbage_over_the_header_is_noticed_in_seconds(tmp_path, cut):
    log = start(tmp_path)
    feeder = Feeder(log, size=4000)  # so much that there is more in the file than in its WAL
    feeder.feed(0, 100)
    with open(tmp_path / FIRST, "r+b") as file:
        file.write(b"garbage " * 64)
        if cut:
            file.truncate(2048)
    feeder.feed(100, 103)
    assert log.state().path == str(tmp_path / SECOND)
    feeder.feed(103, 120)
    log.close(120.0, "stopped")
    kept = stored(tmp_path / SECOND)
    assert kept == feeder.fed[-len(kept) :]
    assert kept[0][0] <= 100.0
    assert (tmp_path / f"{FIRST}.damaged").exists()
    assert "was cut or overwritten while it was written" in events(tmp_path / SECOND)[0][3]


# ── the end while the disk takes nothing ────────────────────────────────────────────────────────────────────────────


def fill(folder):
    with contextlib.suppress(OSError), (folder / "filler").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_what_is_lost_at_the_end_is_said_to_the_byte(small_disk, tmp_path, monkeypatch):
    monkeypatch.setattr("witnesspost.daemon.log.folder.tempfile.gettempdir", lambda: str(tmp_path / "elsewhere"))
    (tmp_path / "elsewhere").mkdir()
    log = start(small_disk / "log", waiting_most_bytes=100_000)
    feeder = Feeder(log, size=2000)
    feeder.feed(0, 30)
    fill(small_disk)
    feeder.feed(30, 60)  # more than may wait
    log.change(change(60.0))
    log.close(60.0, "stopped")
    kept = stored(small_disk / "log" / FIRST)
    lost = sum(len(data) for _, _, data in feeder.fed) - sum(len(data) for _, _, data in kept)
    assert lost > 0
    assert log.loss.raw_bytes == lost
    assert log.loss.note == tmp_path / "elsewhere" / "kestrel-base.lost-1.txt"
    first, alert = log.loss.note.read_text().splitlines()
    assert first.startswith("the log could not be written at its end (")
    assert first.endswith(f"): {lost} bytes and 1 changes of alerts are lost")
    assert "t 60.0 (UTC unknown) raised corrections-stopped: line-silent" in alert


def test_an_end_that_loses_nothing_says_nothing(tmp_path):
    log = start(tmp_path)
    Feeder(log).feed(0, 30)
    log.close(30.0, "stopped")
    assert log.loss is None
    assert list(tmp_path.glob("*.txt")) == []


def test_a_watch_that_stops_while_its_log_has_failed_ends_with_status_2(small_disk, tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(
        SITE.replace("keep_days = 30", f'keep_days = 30\nlog_dir = "{small_disk}/log"').replace("loop://receiver", "loop://r")
    )
    fill(small_disk)
    command = [sys.executable, "-m", "witnesspost.daemon", "watch", str(site)]
    environment = {**os.environ, "TMPDIR": str(tmp_path), "RUNTIME_DIRECTORY": str(tmp_path)}
    with started(command, stderr=subprocess.PIPE, text=True, env=environment) as watch:
        assert "waits for the disk" in watch.stderr.readline()
        watch.send_signal(signal.SIGTERM)
        said = watch.stderr.read()
    assert watch.returncode == 2
    assert "the log could not be written at its end (" in said
    assert "closed" not in said
