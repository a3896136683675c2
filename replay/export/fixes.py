"""The positions of a day as CSV or GeoJSON: what the receiver said, and where that is in the project.

One row is a row of the table `fix`: at most one a second. Latitude and longitude are in the frame of the base's coordinates,
heights in metres; easting, northing and height as `fixes_in_project` has them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

import msgspec
from witnesspost.daemon.log.day import PostLogs
from witnesspost.replay.export.cell import cell
from witnesspost.replay.export.window import Way, Window

_COLUMNS = (
    "utc", "post", "log", "t", "stream", "quality", "latitude", "longitude", "ellipsoidal_height_m", "separation_m",
    "satellites", "hdop", "age_s", "station_id", "sigma_east_m", "sigma_north_m", "sigma_up_m", "easting", "northing", "height",
)  # fmt: skip


def fixes(
    post: PostLogs, window: Window, every_s: float | None = None, progress: Callable[[float], None] = lambda part: None
) -> Iterator[dict[str, Any]]:
    """The day's positions in order, at least `every_s` apart on each stream. Raises a LogError."""
    way = Way([(post, window)], progress)
    for log in post.files:
        asked = window.within(log)
        if asked is None:
            continue
        last: dict[str, float] = {}
        for row in log.positions(*asked):
            way.reached(log, row["t"])
            before = last.get(row["stream"])
            if every_s is not None and before is not None and row["t"] - before < every_s - 1e-3:
                continue
            last[row["stream"]] = row["t"]
            utc = log.utc_at(row["t"])
            height = row["height_m"]
            yield {
                **row,
                "utc": utc.isoformat(timespec="milliseconds").replace("+00:00", "Z") if utc is not None else None,
                "post": post.name,
                "log": log.path.name,
                "ellipsoidal_height_m": None if height is None else round(height + (row["separation_m"] or 0.0), 4),
            }


def write_csv(found: Iterator[dict[str, Any]], file: BinaryIO) -> int:
    """RFC 4180, UTF-8, a header first. Gives the number of rows."""
    text = io.TextIOWrapper(file, "utf-8", newline="", write_through=True)
    writer = csv.DictWriter(text, _COLUMNS, extrasaction="ignore")
    writer.writeheader()
    count = 0
    for row in found:
        writer.writerow({key: cell(value) for key, value in row.items()})
        count += 1
    text.detach()
    return count


def write_geojson(found: Iterator[dict[str, Any]], file: BinaryIO, note: str) -> int:
    """A FeatureCollection of points (RFC 7946): longitude, latitude, and the height above the ellipsoid where there is one.
    `note` is a foreign member."""
    file.write(b'{"type":"FeatureCollection","note":' + msgspec.json.encode(note) + b',"features":[')
    count = 0
    for row in found:
        if row["latitude"] is None or row["longitude"] is None:
            continue
        place = [round(row["longitude"], 9), round(row["latitude"], 9)]
        if row["ellipsoidal_height_m"] is not None:
            place.append(row["ellipsoidal_height_m"])
        said = {name: row[name] for name in _COLUMNS if name not in ("latitude", "longitude")}
        feature = {"type": "Feature", "geometry": {"type": "Point", "coordinates": place}, "properties": said}
        file.write((b",\n" if count else b"\n") + msgspec.json.encode(feature))
        count += 1
    file.write(b"\n]}\n")
    return count
