"""Nothing is written over, no link is followed, nothing goes into what is read, and output is whole or not at all."""

import ast
import contextlib
import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from witnesspost.daemon import atomic
from witnesspost.daemon.atomic import CannotWrite, new_file, new_folder, output
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.log import Log
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import file_system, started

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""


@pytest.fixture
def log(tmp_path):
    """A closed log of twenty seconds."""
    folder = tmp_path / "log"
    log = Log.start(folder, site_from_toml(SITE), SITE)
    for t in range(20):
        log.chunk(float(t), "corrections", b"%03d " % t * 100)
        log.tick(float(t))
    log.close(20.0, "stopped")
    return folder / "kestrel-base.0001.db"


def run(*words, **more):
    """The command as a process of its own, for what hangs on its descriptors."""
    command = [sys.executable, "-m", "witnesspost.daemon", *map(str, words)]
    return subprocess.run(command, stderr=subprocess.PIPE, check=False, timeout=60, **more)


def commands(log, out):
    """Every command that writes a file, with `out` as the file."""
    return {
        "extract": ["extract", log, "--stream", "corrections", "-o", out],
        "snapshot": ["snapshot", log, out],
        "replay": ["replay", log, "--log", out],
        "invent": ["invent", "radio-sheet:quiet-same", "-o", out],
    }


def one_line(done):
    assert done.returncode == 2, done.stderr
    (said,) = done.stderr.decode().splitlines()
    return said


def refused(*words):
    """The line of a call, in this process, that must end with status 2."""
    done = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 2, done.output
    (said,) = done.stderr.splitlines()
    return said


NAMES = list(commands("", ""))


@pytest.mark.parametrize("name", NAMES)
def test_no_command_writes_over_a_file_or_through_a_link(log, tmp_path, name):
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    link = tmp_path / "link"
    link.symlink_to(precious)
    nowhere = tmp_path / "nowhere"
    nowhere.symlink_to(tmp_path / "made")
    hard = tmp_path / "hard"
    os.link(log, hard)
    before = log.read_bytes()
    for out, what in ((precious, "exists"), (link, "is a link"), (nowhere, "is a link"), (log, "exists"), (hard, "exists")):
        assert f"{out}: {what}; name a file that does not exist" in refused(*commands(log, out)[name])
    assert "is a folder" in refused(*commands(log, tmp_path)[name])
    assert precious.read_bytes() == b"precious"
    assert log.read_bytes() == before
    assert not (tmp_path / "made").exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["hard", "link", "log", "nowhere", "precious"]


@pytest.mark.parametrize("name", [*NAMES, "points", "report", "invented points"])
def test_a_name_that_ends_as_a_folders_is_not_taken_for_a_files(log, tmp_path, name):
    """Whether the folder is there or not: a file `reports` beside it is what nobody asked for."""
    words = {
        "points": ["points", log, "--points", "no-points", "-o"],
        "report": ["report", log, "-o"],
        "invented points": ["invent", "friday-with-412-points", "-o", tmp_path / "friday.jsonl.gz", "--points"],
    }
    folder = tmp_path / "reports"
    for out, what in ((f"{folder}/", "is a folder's name"), (f"{folder}/", "is a folder"), (folder, "is a folder")):
        said = refused(*(commands(log, out)[name] if name in NAMES else [*words[name], out]))
        assert said.startswith(str(folder))
        assert said.endswith(f": {what}; name a file that does not exist")
        assert list(tmp_path.glob("reports/*")) == []
        assert {path.name for path in tmp_path.iterdir()} <= {"log", "reports"}
        folder.mkdir(exist_ok=True)


@pytest.mark.parametrize("name", NAMES)
def test_no_command_writes_into_its_own_input_by_another_name(log, name):
    before = log.read_bytes()
    with log.open("r+b") as file:
        out = f"/dev/fd/{file.fileno()}"
        said = one_line(run(*commands(log, out)[name], pass_fds=[file.fileno()]))
        assert out in said
        done = run(*commands(log, "/dev/stdin")[name], stdin=file)
        assert "/dev/stdin" in one_line(done)
    assert log.read_bytes() == before


@pytest.mark.parametrize("words", [["extract", "--stream", "corrections", "-o", "-"], ["verify"], ["replay", "--json"]])
def test_standard_output_into_the_log_that_is_read_is_refused(log, words):
    before = log.read_bytes()
    with log.open("ab") as file:
        done = run(words[0], log, *words[1:], stdout=file)
    assert one_line(done) == f"{log}: the output goes into this very file; send it elsewhere"
    assert log.read_bytes() == before


def test_standard_output_into_the_tape_that_is_played_is_refused(tmp_path):
    tape = tmp_path / "tape.jsonl"
    assert run("invent", "radio-sheet:frequency-differs", "-o", tape, stdout=subprocess.DEVNULL).returncode == 0
    before = tape.read_bytes()
    with tape.open("ab") as file:
        done = run("replay", tape, "--json", stdout=file)
    assert "goes into this very file" in one_line(done)
    assert tape.read_bytes() == before


@pytest.mark.parametrize("name", NAMES)
def test_a_new_file_is_whole_and_alone(log, tmp_path, name):
    folder = tmp_path / "out"
    folder.mkdir()
    assert run(*commands(log, folder / "out.db")[name], stdout=subprocess.DEVNULL).returncode == 0
    assert [path.name for path in folder.iterdir()] == ["out.db"]
    assert (folder / "out.db").stat().st_size > 0
    mask = os.umask(0)
    os.umask(mask)
    assert (folder / "out.db").stat().st_mode & 0o777 == 0o666 & ~mask


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_that_is_missing_or_takes_nothing_ends_in_a_line(log, tmp_path, name):
    assert "No such file" in refused(*commands(log, tmp_path / "missing" / "out")[name])
    assert "/proc/out" in refused(*commands(log, "/proc/out")[name])


@pytest.fixture
def full_disk(tmp_path):
    """A file system of 64 kB with nothing in it."""
    with file_system(tmp_path / "disk", "64k") as folder:
        yield folder


def test_a_full_disk_ends_in_a_line_and_leaves_nothing(full_disk, tmp_path):
    log = Log.start(tmp_path / "big", site_from_toml(SITE), SITE)
    for t in range(20):
        log.chunk(float(t), "corrections", os.urandom(10_000))
        log.tick(float(t))
    log.close(20.0, "stopped")
    path = tmp_path / "big" / "kestrel-base.0001.db"
    for name, words in commands(path, full_disk / "out").items():
        if name == "invent":
            words[1] = "base-moved:slightly-moved"
        done = run(*words, stdout=subprocess.DEVNULL)
        assert done.returncode == 2, name
        assert done.stderr.decode().splitlines()[-1].startswith(f"{full_disk / 'out'}: cannot be written"), name
        assert list(full_disk.iterdir()) == [], name


@pytest.mark.parametrize("words", [["extract", "--stream", "corrections", "-o", "-"], ["verify"]])
def test_a_standard_output_that_is_full_or_closed_ends_in_a_line(log, words):
    with open("/dev/full", "wb") as full:
        done = run(words[0], log, *words[1:], stdout=full)
    assert "standard output: cannot be written" in one_line(done)
    assert "No space left" in one_line(done)
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as closed:
        done = run(words[0], log, *words[1:], stdout=closed)
    assert "Broken pipe" in one_line(done)


def test_devices_and_pipes_take_what_comes(log, tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with started(["cat", pipe], stdout=subprocess.PIPE) as reader:
        assert run("extract", log, "--stream", "corrections", "-o", pipe).returncode == 0
        assert reader.stdout.read() == b"".join(b"%03d " % t * 100 for t in range(20))
    assert run("extract", log, "--stream", "corrections", "-o", "/dev/null").returncode == 0
    assert Path("/dev/null").is_char_device()


@pytest.mark.parametrize(
    "words", [("points", "no-log", "--points", "no-points"), ("report", "no-log")], ids=lambda words: words[0]
)
def test_before_the_work_of_minutes_its_place_is_looked_at(tmp_path, words):
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    assert "precious: exists" in refused(*words, "-o", str(precious))
    assert "no/day: cannot be written: No such file" in refused(*words, "-o", str(tmp_path / "no" / "day"))
    assert precious.read_bytes() == b"precious"


def write_while_another_does(out):
    with new_file(out) as written:
        written.write_bytes(b"ours")
        out.write_bytes(b"theirs")


def test_what_comes_to_the_place_meanwhile_stays(tmp_path):
    out = tmp_path / "out"
    with pytest.raises(CannotWrite, match="exists"):
        write_while_another_does(out)
    assert out.read_bytes() == b"theirs"
    assert list(tmp_path.iterdir()) == [out]


def test_a_file_system_without_links_will_do(tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(atomic.os, "link", refuse)
    with output(str(tmp_path / "out")) as file:
        file.write(b"ours")
    assert (tmp_path / "out").read_bytes() == b"ours"
    with pytest.raises(CannotWrite, match="exists"):
        write_while_another_does(tmp_path / "other")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["other", "out"]


def test_what_fails_on_the_way_leaves_nothing(tmp_path):
    def fail(written):
        written.write_bytes(b"half")
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError), new_file(tmp_path / "out") as path:
        fail(path)
    assert list(tmp_path.iterdir()) == []


def test_the_lock_of_a_log_is_never_written_through_a_link(tmp_path):
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    folder = tmp_path / "log"
    folder.mkdir()
    (folder / "kestrel-base.lock").symlink_to(precious)
    log = Log.start(folder, site_from_toml(SITE), SITE)
    assert "kestrel-base.lock: is a link, and none is followed; remove it" in log.state().failed
    with contextlib.suppress(OSError):
        log.close(1.0, "stopped")
    assert precious.read_bytes() == b"precious"
    shutil.rmtree(folder)


def test_the_count_of_starts_is_never_written_through_a_link(tmp_path):
    from witnesspost.daemon.host.health import count_start

    precious = tmp_path / "precious"
    precious.write_text("7")
    (tmp_path / "kestrel.starts").symlink_to(precious)
    assert count_start(tmp_path / "kestrel.starts") is None
    assert precious.read_text() == "7"
    assert [count_start(tmp_path / "other.starts") for _ in range(3)] == [0, 1, 2]


def test_a_folder_appears_whole_or_not_at_all(tmp_path):
    with new_folder(tmp_path / "out") as folder:
        (folder / "one").write_bytes(b"1")
        assert not (tmp_path / "out").exists()
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == {"one": b"1"}
    with pytest.raises(CannotWrite, match="out: is a folder; name a folder that does not exist"), new_folder(tmp_path / "out"):
        pass
    with pytest.raises(CannotWrite, match="cannot be written"), new_folder(tmp_path / "no" / "out"):
        pass
    with pytest.raises(CannotWrite, match="Is a directory"), new_folder(tmp_path / "late") as folder:
        folder.write_bytes(b"1")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


# What opens a file to write it, and why it writes over nothing of anybody's. Outputs of commands come from `atomic` alone.
WRITERS = {
    "daemon/atomic.py": "the one place: whole, beside nothing, never through a link",
    "daemon/bundle.py": "packs into the file that it is given",
    "daemon/commands/listen.py": "into a new_file",
    "daemon/host/health.py": "the count of starts, never through a link",
    "daemon/log/folder.py": "a note, of a name that is new",
    "daemon/page/files.py": "a copy for a phone, of a name that is new",
    "daemon/publish/outbox.py": "its mark, never through a link",
    "daemon/signals/outputs.py": "LEDs, which are files to the kernel",
    "replay/export/rinex_day.py": "into a new_folder",
    "replay/office/archive/folder.py": "its views, in its own stage",
    "replay/play/stored_facts.py": "a cache, of a name that is new",
    "replay/world/controller.py": "into a new_file",
}


def test_no_output_is_written_past_the_one_place():
    tree = Path(__file__).parents[2]
    found = set()
    for room in ("daemon", "replay", "rules"):
        for path in (tree / room).rglob("*.py"):
            for call in [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)]:
                name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
                said = [*call.args, *(key.value for key in call.keywords if key.arg == "mode")]
                modes = [one.value for one in said if isinstance(one, ast.Constant) and isinstance(one.value, str)]
                opens = name in ("open", "fdopen", "ZipFile") and any(
                    set(mode) & set("wax+") and len(mode) < 4 for mode in modes
                )
                if opens or name in ("write_text", "write_bytes", "mkstemp", "NamedTemporaryFile"):
                    found.add(path.relative_to(tree).as_posix())
    assert found == set(WRITERS)
