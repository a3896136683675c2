"""Logs of numbered bytes, and two minutes of them that a test may spoil."""

import datetime as dt
import shutil

import pytest
from click.testing import CliRunner
from witnesspost.daemon.log.log import Log
from witnesspost.rules.facts import Utc
from witnesspost.rules.site.reading import site_from_toml

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


@pytest.fixture(scope="module")
def told_without_bytes():
    """These logs are told facts that no bytes say: as another derivation's, their tables are not compared with the bytes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("witnesspost.daemon.log.succession.DERIVATION", 0)
        yield


@pytest.fixture(scope="module")
def minutes(told_without_bytes, tmp_path_factory):
    return written(tmp_path_factory.mktemp("log"), seconds(120))


@pytest.fixture
def log_path(minutes, tmp_path):
    return shutil.copy(minutes, tmp_path / "kestrel-base.0001.db")


def run(command, *arguments):
    return CliRunner().invoke(command, [str(argument) for argument in arguments])


def flip(path, at, bit=0):
    with open(path, "r+b") as file:
        file.seek(at)
        (byte,) = file.read(1)
        file.seek(at)
        file.write(bytes([byte ^ 1 << bit]))
