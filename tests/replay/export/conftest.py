"""Logs to export: of an invented base's morning, whose sky knows every satellite, and of whatever bytes a test has."""

from pathlib import Path
from typing import NamedTuple

import pytest
from click.testing import CliRunner
from msgspec import structs
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.stream.framing import nmea_checksum
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import Scenario, scenario
from witnesspost.replay.world.sky import Sky
from witnesspost.replay.world.world import World
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import SITE
from tests.replay.conftest import logged

MORNING = Path(__file__).with_name("base-morning.toml")


def extract(*words):
    return CliRunner().invoke(main, ["extract", *map(str, words)])


class Morning(NamedTuple):
    """The base's log, its sky and world, and the scenario."""

    log: Path
    sky: Sky
    world: World
    told: Scenario


@pytest.fixture(scope="session")
def morning(tmp_path_factory):
    """`morning(kind="legacy")`: the base's morning as another receiver sends it."""
    made = {}

    def make(**messages):
        key = tuple(sorted(messages.items()))
        if key not in made:
            told = scenario(MORNING)
            told = structs.replace(told, messages=structs.replace(told.messages, **messages))
            log = logged(tmp_path_factory.mktemp("morning") / "kestrel-base.0001.db", told, invent(told))
            made[key] = Morning(log, Sky(told.start_utc), World(told), told)
        return made[key]

    return make


@pytest.fixture
def log_of(tmp_path):
    """`log_of(bytes, …)`: a log in which these came, one a second; `utc` is what the receiver says the time is then."""

    def make(*chunks, utc=None, name="kestrel-base.0001.db"):
        folder = tmp_path / "log"
        folder.mkdir(exist_ok=True)
        site = site_from_toml(SITE)
        log = Log.start(folder, site, SITE, path=folder / name)
        pipeline = Pipeline(site, log)
        if utc is not None:
            body = f"GPZDA,{utc:%H%M%S}.00,{utc:%d,%m,%Y},00,00"
            pipeline.feed(0.0, "receiver", f"${body}*{nmea_checksum(body.encode()):02X}\r\n".encode())
        for t, chunk in enumerate(chunks):
            pipeline.feed(float(t), "corrections", chunk)
        pipeline.tick(float(len(chunks)))
        pipeline.end()
        log.close(pipeline.t, "stopped")
        return folder / name

    return make
