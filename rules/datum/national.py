"""Old national datums: the way from one that GNSS does not use (DHDN, CH1903, OSGB36, NAD27 …) to one that it does.

PROJ's database knows the operations, each with its stated accuracy and the grid files that it needs. Of those whose grids are
at hand the most accurate one at the place is used. Grids are looked for in the site's own folder, then where PROJ looks
(its data folder and those of `PROJ_DATA`), then where Debian's proj-data puts them; by today's names and by former ones, and
whatever their capitals: distributions differ. Only horizontal positions are moved: heights on such a datum are above the
geoid, or what GNSS gives.
"""

from __future__ import annotations

import contextlib
import functools
import math
import os
import re
import sqlite3
import warnings
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from msgspec import Struct, structs

# What GNSS services give, by region: EPSG's geographic 2D codes. Of equals the first is used.
GNSS_FRAMES = {
    4258: "ETRS89",
    6318: "NAD83(2011)",
    8255: "NAD83(CSRS)v7",
    7844: "GDA2020",
    4283: "GDA94",
    4167: "NZGD2000",
    4674: "SIRGAS 2000",
    6668: "JGD2011",
    4737: "KGD2002",
    3824: "TWD97",
    4490: "CGCS2000",
    4148: "Hartebeesthoek94",
}
_WGS84 = 4326
_WGS84_M = 1.0  # an operation to the WGS 84 ensemble, which is not a frame, must be better by this; no source
_BOX_DEGREES = 0.01
_SYSTEM = "/usr/share/proj"  # Debian's proj-data
_GRIDS = re.compile(r"(?<=[+ ])grids=@?([^\s,]+)")
_LIKE_WGS84 = (6378137.0, 298.257)
_GNSS_ELLIPSOID_M, _GNSS_FLATTENING = 3.0, 0.1  # GRS80, WGS 84, WGS 72, PZ-90: the ellipsoids of satellite geodesy


class Way(Struct, frozen=True, kw_only=True):
    """An operation from an old datum to a frame of GNSS.

    `to_code` is that frame's EPSG code (geographic 2D), `accuracy_m` the operation's stated one; `grids` are the files used.
    `better` are grid files that are not at hand, with which it would be `better_accuracy_m`; empty where none is known.
    """

    name: str
    to_code: int
    accuracy_m: float
    grids: tuple[str, ...]
    better: tuple[str, ...]
    better_accuracy_m: float | None
    _transformer: Any

    def forward(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Latitude and longitude in GNSS's frame (degrees) of those of the old datum, in its own unit; inf where it fails."""
        north, east = self._transformer.transform(latitude, longitude)
        return float(north), float(east)

    def back(self, latitude: float, longitude: float) -> tuple[float, float]:
        """The same undone."""
        north, east = self._transformer.transform(latitude, longitude, direction="INVERSE")
        return float(north), float(east)


def is_spoken_by_gnss(geodetic: Any) -> bool:
    """True if receivers and services give coordinates on this geodetic CRS's datum (pyproj's CRS).

    EPSG has a 3D form of each such frame, and its ellipsoid is geocentric within metres; an old datum lacks one or the other.
    """
    ellipsoid = geodetic.ellipsoid
    return (
        geodetic.to_3d().to_epsg() is not None
        and abs(ellipsoid.semi_major_metre - _LIKE_WGS84[0]) < _GNSS_ELLIPSOID_M
        and abs(ellipsoid.inverse_flattening - _LIKE_WGS84[1]) < _GNSS_FLATTENING
    )


@functools.lru_cache(maxsize=16)
def way_of(code: str, latitude: float, longitude: float, folders: tuple[str, ...] = ()) -> Way | None:
    """The best way from the datum of that geographic CRS at a place (degrees); grids in `folders` first. None if there is none.

    `code` is what pyproj makes the CRS of.
    """
    places = [*folders, *_proj_folders(), _SYSTEM]
    best: tuple[float, Way] | None = None
    lacking: list[tuple[float, float, tuple[str, ...]]] = []
    for to_code in (*GNSS_FRAMES, _WGS84):
        handicap_m = _WGS84_M if to_code == _WGS84 else 0.0
        for name, accuracy_m, pipeline in _operations(code, to_code, latitude, longitude):
            rank = accuracy_m + handicap_m
            found = {grid: _find(grid, places) for grid in _GRIDS.findall(pipeline)}
            missing = tuple(grid for grid, path in found.items() if path is None)
            if missing:
                lacking.append((rank, accuracy_m, missing))
            elif best is None or rank < best[0]:
                way = _opened(name, to_code, accuracy_m, pipeline, found)
                if way is not None and math.isfinite(sum(way.back(latitude, longitude))):
                    best = rank, way
    if best is None:
        return None
    rank, way = best
    better = min((one for one in lacking if one[0] < rank), key=lambda one: (one[0], len(one[2])), default=None)
    return way if better is None else structs.replace(way, better=better[2], better_accuracy_m=better[1])


def _operations(code: str, to_code: int, latitude: float, longitude: float) -> Iterator[tuple[str, float, str]]:
    """PROJ's operations of a stated accuracy there, whether their grids are at hand or not: name, accuracy, pipeline."""
    from pyproj import CRS
    from pyproj.exceptions import ProjError
    from pyproj.transformer import AreaOfInterest, TransformerGroup

    target = CRS.from_epsg(to_code)
    box = target.area_of_use
    if box is None or not (box.south <= latitude <= box.north and within(longitude, box.west, box.east)):
        return
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # `check` says where the best one's grid is not at hand
            group = TransformerGroup(
                CRS.from_user_input(code),
                target,
                allow_ballpark=False,
                area_of_interest=AreaOfInterest(*around(latitude, longitude)),
            )
    except ProjError:
        return
    at_hand = [(one.description, one.accuracy, one.to_proj4()) for one in group.transformers]
    lacking = [(one.name, one.accuracy, one.to_proj4()) for one in group.unavailable_operations]
    yield from (one for one in (*at_hand, *lacking) if one[1] >= 0)


def _opened(name: str, to_code: int, accuracy_m: float, pipeline: str, found: Mapping[str, str | None]) -> Way | None:
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    try:
        transformer = Transformer.from_pipeline(_GRIDS.sub(lambda match: f'grids="{found[match[1]]}"', pipeline))
    except ProjError:
        return None  # PROJ cannot read this grid: on to the next best
    return Way(
        name=name,
        to_code=to_code,
        accuracy_m=accuracy_m,
        grids=tuple(path for path in found.values() if path),
        better=(),
        better_accuracy_m=None,
        _transformer=transformer,
    )


def _find(grid: str, places: Iterable[str]) -> str | None:
    """The first file of that name, or of a former one of it."""
    names = _names(grid)
    for place in places:
        files = _files(place)
        for name in names:
            if name.lower() in files:
                return files[name.lower()]
    return None


@functools.cache
def _names(grid: str) -> tuple[str, ...]:
    """A grid's names, today's first: PROJ's database knows them."""
    query = "SELECT old_proj_grid_name, original_grid_name FROM grid_alternatives WHERE proj_grid_name = ?"
    former: set[str] = set()
    for folder in _proj_folders():
        path = Path(folder, "proj.db")
        if path.is_file():
            with contextlib.closing(sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True)) as database:
                former |= {name for row in database.execute(query, (grid,)) for name in row if name}
            break
    return (grid, *sorted(former - {grid}))


@functools.lru_cache(maxsize=16)
def _files(folder: str) -> dict[str, str]:
    """A folder's files by their names in lower case; empty where it cannot be read."""
    try:
        return {
            entry.name.lower(): entry.path for entry in os.scandir(folder) if '"' not in entry.path and "," not in entry.path
        }
    except OSError:
        return {}


def _proj_folders() -> list[str]:
    from pyproj import datadir

    own = datadir.get_data_dir().split(os.pathsep)
    named = os.environ.get("PROJ_DATA", os.environ.get("PROJ_LIB", "")).split(os.pathsep)
    return [folder for folder in (*own, *named) if folder]


def around(latitude: float, longitude: float) -> tuple[float, float, float, float]:
    """A little box: west, south, east, north. Older versions of PROJ find nothing at a bare point."""
    return longitude - _BOX_DEGREES, latitude - _BOX_DEGREES, longitude + _BOX_DEGREES, latitude + _BOX_DEGREES


def within(longitude: float, west: float, east: float) -> bool:
    """True if the longitude lies between the two, across the antimeridian where east is less than west."""
    return (longitude - west) % 360.0 <= ((east - west) % 360.0 or 360.0)
