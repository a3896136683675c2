"""A short invented day, written once: the rover's log, and the controller's points in any form and frame."""

import copy
import functools
import shutil
from pathlib import Path

import pytest
import tomli_w
from msgspec import structs
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import Invention
from witnesspost.replay.world.scenario import FOLDER, scenario

DAY = Path(__file__).with_name("office") / "short-day.toml"


def logged(path, told, records):
    """Play a scenario's records into a log at `path`; gives the path."""
    log = Log.start(path.parent, told.site, tomli_w.dumps(told.site_table), path=path)
    pipeline = Pipeline(told.site, log)
    for _ in play(pipeline, records, end_t=told.duration_s):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    return path


def invented(folder, told, field):
    """Play a scenario's day into a log in `folder`, its points into `field`; gives the log's path and the controller."""
    invention = Invention(told, told.seed)
    path = logged(folder / "kestrel-rover.0001.db", told, invention.records())
    invention.controller.write(field)
    shutil.copy(FOLDER / "kestrel.gtx", folder / "kestrel.gtx")
    return path, invention.controller


@pytest.fixture(scope="session")
def short_day(tmp_path_factory):
    """((log, controller), field file) of the short day."""
    folder = tmp_path_factory.mktemp("day")
    return invented(folder, scenario(DAY), folder / "field.csv"), folder / "field.csv"


@pytest.fixture(scope="session")
def day(short_day):
    """(log, field file) of the short day."""
    (log, _), field = short_day
    return log, field


@pytest.fixture(scope="session")
def written(short_day, tmp_path_factory):
    """The same day's points as another controller writes them: `written(form="landxml", unit="ft")` gives the field file."""
    (_, heard), _ = short_day
    endings = {"landxml": "xml", "geojson": "geojson"}

    @functools.cache
    def write(**controller):
        other = copy.copy(heard)  # what it stored is the same; how it writes it, and its pole, are not
        other._told = structs.replace(heard._told, **controller)
        field = tmp_path_factory.mktemp("field") / f"field.{endings.get(other._told.form, 'csv')}"
        other.write(field)
        return field

    return write
