"""The logs, the bundle and the tape that a phone takes with it."""

import contextlib
import gzip
import io
import os
import re
import sqlite3
import threading
import zipfile
from pathlib import Path

import msgspec
import pytest
from witnesspost.daemon.log import opening
from witnesspost.daemon.page import files
from witnesspost.daemon.page.files import NoSuchPiece, Piece, piece_of
from witnesspost.replay.play.tape import Tape

from tests.daemon.page.conftest import PIN
from tests.daemon.view import LOG, until


@pytest.mark.parametrize(
    ("said", "piece"),
    [
        (None, None),
        ("", None),
        ("bytes=0-0", Piece(0, 0)),
        ("bytes=5-", Piece(5, 99)),
        ("bytes=5-500", Piece(5, 99)),
        ("bytes=-5", None),
        ("bytes=1-2,4-5", None),
        ("bytes=a-b", None),
        ("bytes=٣-٤", None),
        ("lines=1-2", None),
    ],
)
def test_the_piece_that_is_asked_for(said, piece):
    assert piece_of(said, 100) == piece


@pytest.mark.parametrize("said", ["bytes=100-", "bytes=5-4", "bytes=999999999999999-"])
def test_a_piece_that_is_not_there(said):
    with pytest.raises(NoSuchPiece):
        piece_of(said, 100)


def test_a_closed_log_is_had_byte_for_byte_also_in_pieces(day):
    browser = day.inside()
    whole = day.paths[0].read_bytes()
    text = browser.get("/files").text
    assert 'href="/files/1"' in text
    assert "2026-05-04 07:00–12:00" in text
    assert 'href="/files/2"' not in text, "the running one is not closed"
    answer = browser.get("/files/1")
    assert answer.body == whole
    assert answer.headers["Content-Disposition"] == 'attachment; filename="kestrel-rover.0001.db"'
    half = len(whole) // 2
    piece = browser.get("/files/1", Range=f"bytes={half}-", If_Range=answer.headers["ETag"])
    assert piece.status == 206
    assert piece.headers["Content-Range"] == f"bytes {half}-{len(whole) - 1}/{len(whole)}"
    assert whole[:half] + piece.body == whole
    assert browser.get("/files/1", Range=f"bytes={half}-", If_Range='"another"').body == whole
    assert browser.get("/files/1", Range=f"bytes={len(whole)}-").status == 416
    head = browser.raw(browser.head("HEAD", "/files/1"))
    assert head.headers["Content-Length"] == str(len(whole))


NO_LOGS = ["2", "3", "0001", "01", "1.db", "..", "%2e%2e", "..%2f..%2fetc%2fpasswd", "kestrel-rover.lock", "?"]


@pytest.mark.parametrize("what", NO_LOGS)
def test_what_is_no_closed_log_is_not_had(day, what, tmp_path):
    (tmp_path / "kestrel-rover.lock").write_text("process 1")
    answer = day.inside().get(f"/files/{what}")
    assert answer.status == 404
    assert day.browser().get("/files/1").status == 303, "and without the PIN nothing is"


def test_other_posts_logs_are_not_shown(day, tmp_path):
    (tmp_path / "kestrel-base.0001.db").write_bytes(day.paths[0].read_bytes())
    (tmp_path / "kestrel-rover.0007.db").write_bytes(b"")
    assert re.findall(r'href="/files/(\d+)"', day.inside().get("/files").text) == ["1"]


def test_a_snapshot_of_the_running_log_opens_and_is_gone_with_the_page(day):
    browser = day.inside()
    assert browser.get("/files/snapshot").status == 404
    assert browser.send("/files", do="snapshot").status == 303
    until(lambda: 'href="/files/snapshot"' in browser.get("/files").text)
    body = browser.get("/files/snapshot").body
    copy = day.paths[1].with_name("had.db")
    copy.write_bytes(body)
    with contextlib.closing(sqlite3.connect(copy)) as had:
        assert had.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert had.execute("SELECT number FROM run").fetchone() == (2,)
    day.page.stop()
    assert sorted(path.name for path in copy.parent.glob("*snapshot*")) == []


def test_one_snapshot_at_a_time(day, monkeypatch):
    begun, go = threading.Event(), threading.Event()

    def slow(*arguments):
        begun.set()
        go.wait(20)
        return opening.copy_log(*arguments)

    monkeypatch.setattr(files, "copy_log", slow)
    browser = day.inside()
    assert "Make a snapshot" in browser.get("/files").text
    assert browser.send("/files", do="snapshot").status == 303
    assert begun.wait(10)
    answer = browser.send("/files", do="snapshot")
    assert (answer.status, answer.line) == (409, "A snapshot or a bundle is being made already. Nothing was changed.")
    assert "is being made" in browser.get("/files").text
    go.set()
    until(lambda: 'href="/files/snapshot"' in browser.get("/files").text)


def test_no_snapshot_where_the_disk_would_fall_under_a_tenth(day, monkeypatch):
    size_bytes = sum(Path(f"{day.paths[1]}{end}").stat().st_size for end in ("", "-wal"))
    disk = {"f_bavail": size_bytes + 1000, "f_blocks": 10_000, "f_frsize": 1}
    monkeypatch.setattr(files.os, "statvfs", lambda path: type("Disk", (), disk))
    browser = day.inside()
    disk["f_bavail"] -= 10
    answer = browser.send("/files", do="snapshot")
    assert answer.status == 507
    assert answer.line.startswith("Not done: under a tenth of the disk would stay free.")
    assert list(day.paths[1].parent.glob("*snapshot*")) == []
    disk["f_bavail"] += 5000
    assert browser.send("/files", do="snapshot").status == 303
    until(lambda: 'href="/files/snapshot"' in browser.get("/files").text)


def test_a_snapshot_that_cannot_be_written_is_told_and_leaves_nothing(day, monkeypatch):
    def full(source, target, progress):
        target.write_bytes(b"half")
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(files, "copy_log", full)
    browser = day.inside()
    browser.send("/files", do="snapshot")
    until(lambda: "could not be made" in browser.get("/files").text)
    assert list(day.paths[1].parent.glob("*snapshot*")) == []


def test_the_bundle_has_what_support_asks_for_and_is_gone_with_the_page(day):
    site = day.paths[1].with_name("site.toml")
    site.write_text(f'[post]\nname = "kestrel-rover"\n[page]\npin = "{PIN}"\n')
    log = msgspec.structs.replace(LOG, path=str(day.paths[1]))
    day.view.status = msgspec.structs.replace(day.view.status, site=str(site), log=log)
    browser = day.inside()
    assert browser.get("/files/bundle").status == 404
    assert browser.send("/files", do="bundle").status == 303
    until(lambda: 'href="/files/bundle"' in browser.get("/files").text)
    answer = browser.get("/files/bundle")
    assert answer.headers["Content-Disposition"] == 'attachment; filename="kestrel-rover.bundle.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.body)) as bundle:
        assert bundle.testzip() is None
        assert {day.paths[1].name, "site.toml", "status.txt", "versions.txt", "journal.txt"} <= set(bundle.namelist())
        assert PIN not in bundle.read("site.toml").decode()
        assert bundle.read(day.paths[1].name).startswith(b"SQLite format 3")
    day.page.stop()
    assert list(site.parent.glob("*bundle*")) == []


def test_a_bundle_needs_room_for_the_copy_and_for_the_file(day, monkeypatch):
    size_bytes = sum(Path(f"{day.paths[1]}{end}").stat().st_size for end in ("", "-wal"))
    disk = {"f_bavail": 2 * size_bytes + 990, "f_blocks": 10_000, "f_frsize": 1}
    monkeypatch.setattr(files.os, "statvfs", lambda path: type("Disk", (), disk))
    assert day.inside().send("/files", do="bundle").status == 507


def test_the_page_s_end_does_not_wait_for_a_bundle(day, monkeypatch):
    begun = threading.Event()

    def endless(out, status, room, progress):
        begun.set()
        while True:
            progress(0.5)

    monkeypatch.setattr(day.page._application._tabs["/files"], "_write_bundle", endless)
    browser = day.inside()
    assert browser.send("/files", do="bundle").status == 303
    assert begun.wait(10)
    assert browser.send("/files", do="snapshot").status == 409, "one at a time"
    assert "The bundle is being made: 50 %" in browser.get("/files").text
    day.page.stop()
    assert not day.page._thread.is_alive()
    until(lambda: not list(day.paths[1].parent.glob("*bundle*")))


def test_the_tape_of_the_last_hour(day):
    day.view.t = 13_200.0
    day.view.beats()
    lines = gzip.decompress(day.inside().get("/files/tape").body).splitlines()
    first = msgspec.json.decode(lines[0])
    assert (first["tape"], first["streams"]) == (1, ["corrections", "receiver"])
    assert first["site"]["post"]["name"] == "kestrel-rover"
    (path := day.paths[0].with_name("tape.jsonl")).write_bytes(b"\n".join(lines))
    with Tape(path) as tape:
        told = [(record.t, getattr(record, "data", type(record).__name__)) for record in tape]
    assert told == [(3600.0, b"last"), (3600.0, b"last")], "the tape's own time begins an hour before its end"


def test_one_tape_at_a_time(day):
    day.page._application._tabs["/files"]._taping = True
    answer = day.inside().get("/files/tape")
    assert (answer.status, answer.text) == (409, "Another phone fetches a tape: try again in a minute.\n")


def test_a_tape_that_cannot_be_read_to_its_end_is_cut_off(day):
    with contextlib.closing(sqlite3.connect(day.paths[1])) as running:
        running.execute("UPDATE raw SET times = x'00' WHERE n = 901")
        running.commit()
    browser = day.inside()
    assert browser.get("/files/tape").body == b""
    assert browser.get("/").status == 200


def test_a_form_of_files_with_nonsense_changes_nothing(day):
    answer = day.inside().send("/files", do="delete", file="/etc/passwd")
    assert (answer.status, answer.line) == (400, "Choose what to do. Nothing was changed.")
