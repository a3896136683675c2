"""The start after a crash: the last file is closed with how it ended, or set aside whole."""

import contextlib
import os
import shutil
import sqlite3

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.verifying import verify

from tests.daemon.log.feeding import FIRST, SECOND, Feeder, crash_image, events, start, stored


def crashed_folder(tmp_path):
    log = start(tmp_path / "live")
    feeder = Feeder(log)
    feeder.feed(0, 61)
    image = crash_image(tmp_path / "live", tmp_path / "image")
    log.close(61.0, "stopped")
    return image, feeder.fed


def test_the_file_that_a_crash_left_open_is_closed_with_how_it_ended(tmp_path, monkeypatch):
    image, fed = crashed_folder(tmp_path)
    other = shutil.copytree(image, tmp_path / "other")
    start(image).close(1.0, "stopped")
    kept = stored(image / FIRST)
    assert kept == fed[: len(kept)]
    assert kept[-1][0] >= 61.0 - 5.0
    kind, _, t, detail = events(image / FIRST)[-1]
    assert (kind, t) == ("log-closed", kept[-1][0])
    assert '"how":"the service ended without closing it","found_by":"the next start"' in detail
    (began, *_), *_ = ([detail] for kind, _, _, detail in events(image / SECOND) if kind == "log-started")
    assert '"previous_file":"kestrel-base.0001.db","previous_ended":"the service ended without closing it"' in began
    with LogFile.open(image / FIRST) as first, LogFile.open(image / SECOND) as second:
        assert second.run.previous_digest == verify(first).digest
    monkeypatch.setattr("witnesspost.daemon.log.folder.boot_id", lambda: "another boot")
    start(other).close(1.0, "stopped")
    assert '"how":"the power was cut, or the machine reset"' in events(other / FIRST)[-1][3]


def damage_nothing(path, wal):
    """The control: what is not damaged is not set aside."""


def damage_cut(path, wal):
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    os.truncate(path, path.stat().st_size // 2)


def damage_text(path, wal):
    wal.unlink()
    path.write_text("no database at all, but long enough to be one " * 100)


def damage_emptied(path, wal):
    wal.unlink()
    os.truncate(path, 0)


def damage_last_block(path, wal):
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE raw SET data = data || x'00' WHERE n = (SELECT max(n) FROM raw)")


def damage_row_gone(path, wal):
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM raw WHERE n = (SELECT max(n) - 2 FROM raw)")


def damage_wal(path, wal):
    data = bytearray(wal.read_bytes())
    data[len(data) // 2] ^= 4
    wal.write_bytes(data)


@pytest.mark.parametrize(
    ("damage", "why"),
    [
        (damage_nothing, None),
        (damage_cut, "malformed"),
        (damage_text, "file is not a database"),
        (damage_emptied, "never begun"),
        (damage_last_block, "was changed"),
        (damage_row_gone, "is missing"),
        (damage_wal, "commits behind it are lost"),
    ],
)
def test_a_damaged_file_is_set_aside_whole_and_a_new_one_begun(tmp_path, damage, why):
    image, _ = crashed_folder(tmp_path)
    path, wal = image / FIRST, image / f"{FIRST}-wal"
    damage(path, wal)
    before = {one.name: one.read_bytes() for one in (path, wal) if one.exists()}
    log = start(image)
    assert log.state().path == str(image / SECOND)
    feeder = Feeder(log)
    feeder.feed(0, 20)
    log.close(20.0, "stopped")
    assert stored(image / SECOND) == feeder.fed
    aside = image / f"{FIRST}.damaged"
    if why is None:
        assert path.exists()
        assert not aside.exists()
        return
    assert not path.exists()
    assert aside.read_bytes() == before[FIRST]
    if damage is damage_wal:  # in the others SQLite may have taken the WAL in before the damage was seen
        assert (image / f"{aside.name}-wal").read_bytes() == before[wal.name]
    _, _, _, detail = events(image / SECOND)[0]
    assert f'"previous_file":"{aside.name}","previous_ended":"damaged and set aside: ' in detail
    assert why in detail
    start(image).close(1.0, "stopped")
    assert (image / "kestrel-base.0003.db").exists()
