"""The audit head: what a result was made with, so that somebody else can make it again."""

from __future__ import annotations

import datetime as dt
import hashlib
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from witnesspost.daemon.log.day import Day
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.succession import program
from witnesspost.replay.office import difference, uncertainty, verdict
from witnesspost.replay.office.judge import Judgement
from witnesspost.rules.site.model import Site


def audit(judgement: Judgement, site: Site, options: dict[str, Any]) -> Iterator[str]:
    """The head's lines: programs, PROJ, files with digests, what was read as what, what was found, every figure used."""
    yield from _programs()
    field, frame = judgement.field, judgement.frame
    yield f"field file {field.path}, SHA-256 {_digest(Path(field.path))}: {field.form}, {len(field.points)} points"
    yield "columns: " + ", ".join(f"{meaning} = {column}" for meaning, column in field.columns.items())
    yield f"frame {frame.code} ({frame.frame.name}); operation to the project's: {frame.operation}"
    unit = f"1 plane unit = {frame.plane_unit_m!r} m, 1 height unit = {frame.height_unit_m!r} m"
    yield f"{unit}; heights: {frame.vertical}{', ' + frame.geoid.name if frame.vertical == 'geoid' else ''}"
    yield from _project(site)
    yield from _logs(judgement.post.given)
    for key, value in options.items():
        if value is not None:
            yield f"option {key}: {value}"
    found = judgement.difference
    agree = f"{found.inliers} of {found.of} points agree in plan to {difference.AGREE_M} m"
    yield f"file against log: {agree} (RMS {found.rms_m:.4f} m)"
    for name, words in found.names.items():
        yield f"{name}: {words}"
    for segment in judgement.bases.segments:
        begins = dt.datetime.fromtimestamp(segment.from_utc, judgement.post.zone)
        yield f"base: from {begins:%Y-%m-%d %H:%M:%S %z}: {segment.in_words}"
    for note in judgement.notes:
        yield f"note: {note}"
    figures = {**verdict.FIGURES, **uncertainty.FIGURES}
    yield "figures: " + ", ".join(f"{name} {value}" for name, value in figures.items())
    yield "The program proposes; a named person decides. Stored values are as they were; repaired ones stand beside them."


def logs_and_programs(day: Day, site: Site) -> Iterator[str]:
    """The head of a report without points."""
    yield from _programs()
    yield from _project(site)
    yield from _logs(day.files)


def _logs(files: Iterable[LogFile]) -> Iterator[str]:
    for log in files:
        yield f"log {log.path.name}, written by witnesspost {log.run.program}, digest {log.last_digest().hex()}"


def _programs() -> Iterator[str]:
    import numpy
    import pyproj
    from pyproj.database import get_database_metadata

    yield f"witnesspost {program()}, Python {sys.version.split()[0]}, numpy {numpy.__version__}, pyproj {pyproj.__version__}"
    yield f"PROJ {pyproj.proj_version_str}, EPSG database {get_database_metadata('EPSG.VERSION')}"


def _project(site: Site) -> Iterator[str]:
    project = site.project
    if project is None:
        return
    yield f"project frame {project.frame} at {project.epoch}, vertical {project.vertical}, geoid {project.geoid}"
    for name in dict.fromkeys((project.geoid, *site.moved)):
        path = site.file(name)
        if name != "bundled" and path.is_file():
            yield f"grid {name}, SHA-256 {_digest(path)}"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
