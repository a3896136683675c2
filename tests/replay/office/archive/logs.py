"""Logs of invented days, and what an archive holds of them."""

import subprocess
import sys
from pathlib import Path

import pyarrow.dataset as ds
import tomli_w
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.replay.office.archive.tables import PARTS
from witnesspost.replay.play.player import play
from witnesspost.replay.world.invent import invent
from witnesspost.replay.world.scenario import scenario


def write_log(folder: Path, name: str, *, until_s: float | None = None, post: str | None = None, zone: str = "UTC", told=()):
    """The next log of `folder`: the scenario of that name, up to `until_s`, with facts that people `told`; its path."""
    found = scenario(name)
    table = {**found.site_table, "post": {**found.site_table["post"], "time_zone": zone}}
    if post is not None:
        table["post"]["name"] = post
    text = tomli_w.dumps(table)
    found.site.post.name, found.site.post.time_zone = table["post"]["name"], zone
    end_t = until_s if until_s is not None else found.duration_s
    folder.mkdir(exist_ok=True)
    number = 1 + len([*folder.glob(f"{table['post']['name']}.*.db")])
    path = folder / f"{table['post']['name']}.{number:04d}.db"
    log = Log.start(folder, found.site, text, path=path)
    pipeline = Pipeline(found.site, log)
    waiting = sorted(told, key=lambda fact: fact.t)
    records = (record for record in invent(found) if record.t <= end_t)
    for record in records:
        while waiting and waiting[0].t <= record.t:
            pipeline.tell(waiting.pop(0))
        for _ in play(pipeline, [record]):
            pass
    pipeline.tick(end_t)
    pipeline.end()
    log.close(pipeline.t, "ended")
    return path


def witnesspost(*words, **options):
    """A command as a process of its own."""
    command = [sys.executable, "-m", "witnesspost.daemon", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300, **options)


def rows(archive: Path, table: str):
    """All rows of a table of an archive, read by Arrow from the folders' names and the files alone."""
    pattern = "logs/post=*/run=*/logs.parquet" if table == "logs" else f"post=*/day=*/run=*/{table}.parquet"
    found = []
    for path in sorted(archive.glob(pattern)):
        found += ds.dataset(path).to_table().to_pylist()
    return found


def contents(archive: Path):
    """Everything in an archive, for comparison with another; each run's day must be whole."""
    for folder in archive.glob("post=*/day=*/run=*"):
        assert {path.name for path in folder.iterdir()} == {f"{name}.parquet" for name in PARTS}
    return {
        (str(path.parent.relative_to(archive)), path.stem): ds.dataset(path).to_table().to_pylist()
        for path in sorted(archive.glob("post=*/**/*.parquet"))
    }
