"""The unit as systemd itself judges it, without a running systemd; skipped where the machine has none."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from witnesspost.daemon.commands.watch import ABORT_S

FOLDER = Path(__file__).parents[2] / "systemd"
UNIT = FOLDER / "witnesspost@.service"

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze here")


def analyze(*arguments):
    return subprocess.run(["systemd-analyze", *map(str, arguments)], capture_output=True, text=True, check=False)


@needs_systemd
def test_the_unit_is_clean(tmp_path):
    """Only the program's place is replaced: it is not installed where the tests run."""
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("/opt/witnesspost/venv/bin/witnesspost", "/bin/true"))
    done = analyze("verify", "--man=no", "--recursive-errors=no", unit)
    assert (done.returncode, done.stderr, done.stdout) == (0, "", "")


@needs_systemd
def test_a_unit_that_is_wrong_is_found(tmp_path):
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("WatchdogSec=10s", "WatchdogSec=thirty"))
    assert "thirty" in analyze("verify", "--man=no", "--recursive-errors=no", unit).stderr


@needs_systemd
def test_its_exposure_is_two_or_better(tmp_path):
    """The threshold counts 0–100 where the score counts 0–10 (systemd 252), so 20 is 2.0; a bare unit must fail it."""
    assert analyze("security", "--offline=true", "--threshold=20", UNIT).returncode == 0
    bare = tmp_path / "bare@.service"
    bare.write_text("[Service]\nExecStart=/bin/true\n")
    assert analyze("security", "--offline=true", "--threshold=20", bare).returncode == 1


def test_the_service_never_gives_up_and_is_never_left_hanging():
    unit = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.M))
    assert unit["Type"] == "notify"
    assert unit["Restart"] == "always"
    assert unit["StartLimitIntervalSec"] == "0"
    assert int(unit["WatchdogSec"].rstrip("s")) + int(unit["TimeoutAbortSec"].rstrip("s")) <= 20
    assert int(unit["TimeoutAbortSec"].rstrip("s")) > 2 * ABORT_S
    assert unit["RestartSec"] == "500ms"  # with commit_s of 5 s and the start, what a kill costs is under 8 s


def test_there_is_room_for_every_thread_and_once_more_for_those_that_hang():
    """Eight ports; seven companions, four outputs, the status socket, two of lines; loop, log, two of an abort and of pins."""
    unit = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.M))
    assert int(unit["TasksMax"]) >= 8 + 2 * (7 + 4 + 1 + 2) + 1 + 1 + 2 + 2


def test_the_installer_is_posix_shell_and_refuses_what_it_does_not_know():
    installer = FOLDER / "install"
    assert subprocess.run(["sh", "-n", installer], check=False).returncode == 0
    asked = subprocess.run(["sh", installer, "--wat"], capture_output=True, text=True, check=False)
    assert asked.returncode == 2
    assert "sudo systemd/install --remove" in asked.stdout


def test_the_installer_names_every_file_that_it_installs():
    text = (FOLDER / "install").read_text() + (FOLDER / "wifi").read_text()
    for file in FOLDER.iterdir():
        if file.name != "install":
            assert f"$here/{file.name}" in text


def test_the_example_is_a_site_file():
    from witnesspost.rules.book.contents import open_site

    assert open_site(FOLDER / "example.toml").post.name == "kestrel-base"


def test_the_bash_of_the_box_parses():
    here = Path(__file__).parent
    for script in ("box", "box-steps"):
        assert subprocess.run(["bash", "-n", here / script], check=False).returncode == 0
