"""A short invented day, written once: the rover's log, and the controller's points in any form and frame."""

import shutil
from pathlib import Path

import pytest
import tomli_w
from msgspec import structs
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent_day
from witnesspost.replay.world.scenario import FOLDER, scenario

DAY = Path(__file__).with_name("office") / "short-day.toml"


def invented(folder, told, field):
    """Play a scenario's day into a log in `folder`, its points into `field`; gives the log's path."""
    records, write = invent_day(told, field)
    path = folder / "kestrel-rover.0001.db"
    log = Log.start(folder, told.site, tomli_w.dumps(told.site_table), path=path)
    pipeline = Pipeline(told.site, log)
    for _ in play(pipeline, records, end_t=told.duration_s):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    write()
    shutil.copy(FOLDER / "kestrel.gtx", folder / "kestrel.gtx")
    return path


@pytest.fixture(scope="session")
def day(tmp_path_factory):
    """(log, field file) of the short day."""
    folder = tmp_path_factory.mktemp("day")
    return invented(folder, scenario(DAY), folder / "field.csv"), folder / "field.csv"


@pytest.fixture(scope="session")
def written(tmp_path_factory):
    """The same day's points as another controller writes them: `written(form="landxml", unit="ft")` gives the field file."""
    made = {}

    def write(**controller):
        key = tuple(sorted(controller.items()))
        if key not in made:
            told = scenario(DAY)
            told = structs.replace(told, controller=structs.replace(told.controller, **controller))
            endings = {"landxml": "xml", "geojson": "geojson"}
            field = tmp_path_factory.mktemp("field") / f"field.{endings.get(told.controller.form, 'csv')}"
            records, through = invent_day(told, field)
            for _ in records:
                pass
            through()
            made[key] = field
        return made[key]

    return write
