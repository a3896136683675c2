"""The same grid coordinates in the next zone: where a point lands when the zone's number or name is one off."""

from __future__ import annotations

import functools
import math
from typing import Any

from msgspec import structs
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of

_STRIP_DEGREES = {0.9996: 6.0, 1.0: 3.0}  # by the scale on the central meridian: UTM and the like, and Gauss-Krüger's strips
_UTM_DEGREES = 6.0
_OTHER_HEMISPHERE = {0.0: ("southern", 10_000_000.0), 10_000_000.0: ("northern", 0.0)}  # UTM's false northings, metres
_NEAR_CODES = 6  # EPSG lists the zones of one state next to each other, in metres and in feet


def next_zones(frame: Frame, latitude: float, longitude: float) -> list[tuple[str, float, float]]:
    """(which zone, latitude, longitude): the place's grid coordinates as each neighbouring zone reads them.

    A meridian strip (transverse Mercator, EPSG:9807) has neighbours 6° east and west, or 3° where its scale is 1, and UTM's has
    the other hemisphere's, whose northings are 10,000 km more or less; any other grid has the zones of its own name ("Colorado
    North" beside "Colorado Central"). For a geographic frame, UTM's.
    """
    if frame.calibration is not None:
        return []  # a site's own grid has no neighbours
    if not frame.projected:
        return _next_utm(frame, latitude, longitude)
    easting, northing = frame.grid(latitude, longitude)
    found = []
    strips = _strips(frame.code)
    for which, to_geographic in strips:
        east, north = to_geographic.transform(easting, northing)
        found.append((which, *frame.from_own_datum(float(north), float(east))))
    for code in () if strips else _zones_of_its_name(frame.code):
        # Zones of one name share the datum: on an old one, the project's way leads out of it.
        found.append((frame_of(code).name, *structs.replace(frame_of(code), way=frame.way).geographic(easting, northing)))
    return [zone for zone in found if math.isfinite(zone[1] + zone[2])]


def _next_utm(frame: Frame, latitude: float, longitude: float) -> list[tuple[str, float, float]]:
    zone = int((longitude + 180.0) % 360.0 // 6.0) + 1
    grid = _utm(zone, *frame.ellipsoid).transform(longitude, latitude)
    found = []
    for other in ((zone - 2) % 60 + 1, zone % 60 + 1):
        east, north = _utm(other, *frame.ellipsoid).transform(*grid, direction="INVERSE")
        found.append((f"UTM zone {other}", float(north), float(east)))
    return found


@functools.lru_cache(maxsize=8)
def _utm(zone: int, semi_major_m: float, inverse_flattening: float) -> Any:
    from pyproj import Transformer

    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=utm +zone={zone} +a={semi_major_m!r} +rf={inverse_flattening!r}"
    )


@functools.lru_cache(maxsize=8)
def _strips(code: str) -> list[tuple[str, Any]]:
    """Transformers to geographic of the strips beside a transverse Mercator one, by a name."""
    from pyproj import CRS

    table = CRS.from_user_input(code).to_json_dict()
    table.pop("id", None)
    conversion = table.get("conversion", {})
    conversion.pop("id", None)
    if conversion.get("method", {}).get("name") != "Transverse Mercator":
        return []
    values = {value["name"]: value for value in conversion["parameters"]}
    origin = values["Longitude of natural origin"]
    middle = origin["value"]
    step = _STRIP_DEGREES.get(values["Scale factor at natural origin"]["value"])
    if step is None:
        return []
    found = []
    for meridian in (middle - step, middle + step):
        origin["value"] = (meridian + 180.0) % 360.0 - 180.0
        found.append((f"the strip of {origin['value']:g}°", _to_geographic(table)))
    northing = values["False northing"]
    if step == _UTM_DEGREES and northing["value"] in _OTHER_HEMISPHERE:
        origin["value"] = middle
        hemisphere, northing["value"] = _OTHER_HEMISPHERE[northing["value"]]
        found.append((f"the {hemisphere} half of the strip", _to_geographic(table)))
    return found


def _to_geographic(table: dict[str, Any]) -> Any:
    """From a grid, in PROJ's JSON, to the angles of its own datum."""
    from pyproj import CRS, Transformer

    strip = CRS.from_json_dict(table)
    return Transformer.from_crs(strip, strip.geodetic_crs, always_xy=True)


@functools.lru_cache(maxsize=8)
def _zones_of_its_name(code: str) -> list[str]:
    """EPSG codes of the other zones that share the frame's first words ("NAD83(2011) / Colorado") and its unit."""
    frame = frame_of(code)
    datum, slash, zone = frame.name.partition(" / ")
    if not slash or not code.upper().startswith("EPSG:"):
        return []
    number = int(code.partition(":")[2])
    found = []
    for near in range(number - _NEAR_CODES, number + _NEAR_CODES + 1):
        try:
            other = frame_of(f"EPSG:{near}")
        except FrameError:
            continue
        family = f"{datum} / {zone.split(' ')[0]} "
        if other.name.startswith(family) and other.name != frame.name and other.unit_m == frame.unit_m:
            found.append(other.code)
    return found
