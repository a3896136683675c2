"""The post's health from a /sys of the test's own making, and what of it is worth a fact."""

from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest
from witnesspost.daemon.host.health import HealthReader, count_start
from witnesspost.rules.facts import Health


def log(**changed):
    values = {"failed": None, "lost_bytes": 0, "disk_free_fraction": 0.5, "disk_left_h": 100.0}
    return SimpleNamespace(**(values | changed))


@pytest.fixture
def system(tmp_path):
    zones = tmp_path / "sys/class/thermal"
    for name, text in (("thermal_zone0", "41234\n"), ("thermal_zone1", "63000\n"), ("thermal_zone2", "")):
        (zones / name).mkdir(parents=True)
        (zones / name / "temp").write_text(text)
    supply = tmp_path / "sys/class/hwmon/hwmon1"
    supply.mkdir(parents=True)
    (supply / "name").write_text("rpi_volt\n")
    (supply / "in0_lcrit_alarm").write_text("0\n")
    return tmp_path / "sys"


def test_what_the_kernel_says(tmp_path, system):
    reader = HealthReader(tmp_path / "log", 3, system)
    assert msgspec.structs.asdict(reader.read(12.0, log(), 7)) == {
        "t": 12.0,
        "stream": "",
        "disk_free_fraction": 0.5,
        "disk_left_h": 100.0,
        "temperature_c": 63.0,
        "under_voltage": False,
        "read_only": False,
        "lost_bytes": 7,
        "restarts": 3,
        "log_failed": False,
    }
    (system / "class/hwmon/hwmon1/in0_lcrit_alarm").write_text("1\n")
    assert reader.read(13.0, log(failed="disk full", lost_bytes=5), 7) == Health(
        t=13.0,
        stream="",
        disk_free_fraction=0.5,
        disk_left_h=100.0,
        temperature_c=63.0,
        under_voltage=True,
        read_only=False,
        lost_bytes=12,
        restarts=3,
        log_failed=True,
    )


def test_a_machine_that_says_nothing(tmp_path):
    said = HealthReader(tmp_path, None, tmp_path / "none").read(1.0, log(disk_free_fraction=None, disk_left_h=None))
    assert (said.temperature_c, said.under_voltage, said.disk_left_h, said.restarts) == (None, None, None, None)


def test_a_read_only_file_system_is_seen():
    """By the kernel's own list of what is mounted how; also for a folder that is not there yet."""
    mounted = [line.split() for line in Path("/proc/mounts").read_text().splitlines()]
    places = [Path(words[1]) for words in mounted if words[3].split(",")[0] == "ro" and Path(words[1]).is_dir()]
    if not places:
        pytest.skip("nothing is mounted read-only here")
    assert HealthReader(places[0] / "not/there").read(0.0, log()).read_only is True


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, False),
        ({"disk_free_fraction": 0.495}, False),
        ({"disk_free_fraction": 0.49}, True),
        ({"disk_free_fraction": None}, True),
        ({"disk_left_h": 91.0}, False),
        ({"disk_left_h": 89.0}, True),
        ({"lost_bytes": 1}, True),
        ({"failed": "disk full"}, True),
    ],
)
def test_only_news_is_told(tmp_path, system, change, told):
    reader = HealthReader(tmp_path, 0, system)
    assert reader.news(0.0, log()) is not None
    assert reader.news(10.0, log()) is None
    assert (reader.news(20.0, log(**change)) is not None) is told


def test_slow_drift_is_told_against_what_was_told_last(tmp_path, system):
    reader = HealthReader(tmp_path, 0, system)
    told = []
    for step in range(10):
        (system / "class/thermal/thermal_zone1/temp").write_text(str(63000 + 500 * step))
        if (news := reader.news(10.0 * step, log())) is not None:
            told.append(news.temperature_c)
            news.temperature_c = 0.0  # the pipeline may change what it was given
    assert told == [63.0, 65.0, 67.0]


def test_an_empty_disk_is_no_crash(tmp_path, system):
    reader = HealthReader(tmp_path, 0, system)
    assert reader.news(0.0, log(disk_left_h=0.0)) is not None
    assert reader.news(1.0, log(disk_left_h=0.0)) is None
    assert reader.news(2.0, log(disk_left_h=5.0)) is not None


def test_starts_are_counted(tmp_path):
    counts = [count_start(tmp_path / "starts") for _ in range(3)]
    assert counts == [0, 1, 2]
    (tmp_path / "starts").write_text("nonsense")
    assert count_start(tmp_path / "starts") is None
    assert count_start(tmp_path / "no folder" / "starts") is None
