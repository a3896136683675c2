"""What is wrong with a project's datum, found before anything starts: for `witnesspost check`."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Set

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of
from witnesspost.rules.datum.geodesy import HEIGHT_UNIT_M, position, to_ecef
from witnesspost.rules.datum.geoid import Geoid, GeoidError, open_geoid
from witnesspost.rules.site.model import Control, Site

FARTHEST_KM = 200.0  # common practice, no source: an RTK base's control lies within a day's drive
AREA_MARGIN_DEGREES = 1.0  # grids are used a little beyond the border they were made for
FOOT_RATIO = 1 / 0.3048
FOOT_RATIO_SLACK = 0.05
STEEPEST = 0.4  # height difference over distance: no two marks of one job stand on such a wall

# The highest ground of a part of the world, metres; rounded up, from memory (common geography). The first box counts.
_HIGHEST_M = (
    ("Australia", -45.0, -11.0, 110.0, 155.0, 2230.0),
    ("the United States south of 49° N and its neighbours", 24.5, 49.0, -125.0, -66.0, 4430.0),
    ("Europe", 35.0, 72.0, -25.0, 38.0, 4810.0),
    ("the world", -90.0, 90.0, -180.0, 180.0, 8850.0),
)
_LOWEST_M = -500.0


def check_datum(site: Site, unread: Set[str] = frozenset()) -> list[str]:
    """The problems of the site file's datum, a line each: the key, what was read, what was expected. Loads PROJ.

    `unread` are keys that could not be read: of what hangs on them nothing is said.
    """
    project = site.project
    if project is None or not project.control:
        return []
    problems: list[str] = []
    frame, geoid = None, None
    try:
        frame = frame_of(project.frame)
    except FrameError as error:
        problems.append(f"project.frame: {error}")
    try:
        geoid = open_geoid(site)
    except GeoidError as error:
        problems.append(f"project.geoid: {error}")
    if frame is None:
        return problems
    problems += _frame_problems(site, frame)
    places: dict[str, tuple[float, float]] = {}
    for index, control in enumerate(project.control, 1):
        where = f"project.control[{index}] ({control.name})"
        found = _place_problems(where, control, frame)
        problems += found
        if not found:
            places[control.name] = position(frame, control)
            problems += _height_problems(f"{where}.height", site, control, places[control.name])
            problems += _cover_problems(where, site, geoid, places[control.name])
    return problems + _far_problems(site, frame, places) + _mixed_heights(site, frame, places)


def _frame_problems(site: Site, frame: Frame) -> list[str]:
    project = site.project
    assert project is not None
    problems: list[str] = []
    if project.vertical != "geoid" and frame.two_d and not frame.projected:
        instead = f'"EPSG:{frame.code_3d}"' if frame.code_3d else "the frame's 3D form"
        problems.append(
            f"project.frame: read {project.frame!r} ({frame.name}), a 2D frame, with vertical = {project.vertical!r}; "
            f'frame = {instead}, or vertical = "geoid", would do'
        )
    in_feet = frame.unit_m is not None and abs(frame.unit_m / 0.3048 - 1.0) < 1e-3
    if in_feet and project.height_unit == "m":
        foot = "ft" if frame.unit_m == 0.3048 else "us-ft"
        problems.append(
            f'project.height_unit: read "m" while {project.frame} counts in feet; height_unit = "{foot}" would do '
            "(with the heights in feet too)"
        )
    return problems


def _place_problems(where: str, control: Control, frame: Frame) -> list[str]:
    """Coordinates of the wrong kind for the frame, or outside where it is in use."""
    if frame.projected and control.easting is None:
        return [f"{where}: latitude and longitude in {frame.code}, a projected frame; easting and northing would do"]
    if not frame.projected and control.latitude is None:
        return [f"{where}: easting and northing in {frame.code}, a geographic frame; latitude and longitude would do"]
    latitude, longitude = position(frame, control)
    if frame.projected:
        read = f"easting {control.easting}, northing {control.northing}"
        if math.isfinite(latitude + longitude):
            read += f" ({latitude:.4f}, {longitude:.4f})"
    else:
        read = f"latitude {control.latitude}, longitude {control.longitude}"
    if not math.isfinite(latitude + longitude) or not frame.in_use_at(latitude, longitude, AREA_MARGIN_DEGREES):
        remedy = "order, unit and zone" if frame.projected else "order and signs (west and south are negative)"
        return [f"{where}: read {read}, outside where {frame.code} ({frame.name}) is in use; look at their {remedy}"]
    return []


def _height_problems(where: str, site: Site, control: Control, place: tuple[float, float]) -> list[str]:
    """A height that no ground there has, said with the unit that would make it one."""
    assert site.project is not None
    unit = site.project.height_unit
    height = control.height * HEIGHT_UNIT_M[unit]
    latitude, longitude = place
    part, *_, highest = next(
        box for box in _HIGHEST_M if box[1] <= latitude <= box[2] and box[3] <= (longitude + 180) % 360 - 180 <= box[4]
    )
    if _LOWEST_M <= height <= highest + 150.0:
        return []
    bound = f"over {highest:.0f} m, the highest ground of {part}" if height > highest else f"under {_LOWEST_M:.0f} m"
    fits = [u for u, metres in HEIGHT_UNIT_M.items() if u != unit and _LOWEST_M <= control.height * metres <= highest]
    units = " or ".join(f'"{fit}"' for fit in fits)
    remedy = f"height_unit = {units} would do if that is its unit" if fits else "look at its unit and its digits"
    return [f"{where}: read {control.height!r} {unit}, {bound}; {remedy}"]


def _cover_problems(where: str, site: Site, geoid: Geoid | None, place: tuple[float, float]) -> list[str]:
    project = site.project
    assert project is not None
    if geoid is None or project.vertical != "geoid" or geoid.separation_m(*place) is not None:
        return []
    return [
        f"project.geoid: read {project.geoid!r}, which does not cover {where} ({place[0]:.4f}, {place[1]:.4f}), or is "
        'damaged there; a whole grid of the place, or "bundled", would do'
    ]


def _far_problems(site: Site, frame: Frame, places: dict[str, tuple[float, float]]) -> list[str]:
    """Control far from the base (or, where the site names no base, from the middle of the list)."""
    points: dict[str, Ecef] = {name: to_ecef(*place, 0.0, frame.ellipsoid) for name, place in places.items()}
    if not points:
        return []
    base = site.base.occupies
    if base in points:
        origin, what = points[base], f"the base's point {base}"
    else:
        x, y, z = (statistics.median(axis) for axis in zip(*points.values(), strict=True))
        origin, what = Ecef(x, y, z), "the middle of the list"
    return [
        f"project.control ({name}): {math.dist(origin, at) / 1000:.0f} km from {what}; "
        f"a point within {FARTHEST_KM:.0f} km would do: look at its digits, or leave it out"
        for name, at in points.items()
        if math.dist(origin, at) > FARTHEST_KM * 1000
    ]


def _mixed_heights(site: Site, frame: Frame, places: dict[str, tuple[float, float]]) -> list[str]:
    """Two points side by side with a cliff between them that is the factor of feet to metres: not in one unit."""
    assert site.project is not None
    points = [point for point in site.project.control if point.name in places and point.height > 0]
    found = []
    for one, two in itertools.combinations(points, 2):
        low, high = sorted((one, two), key=lambda point: point.height)
        apart = math.dist(*(to_ecef(*places[point.name], 0.0, frame.ellipsoid) for point in (low, high)))
        cliff = (high.height - low.height) * HEIGHT_UNIT_M[site.project.height_unit] > STEEPEST * apart
        if cliff and abs(high.height / low.height / FOOT_RATIO - 1.0) < FOOT_RATIO_SLACK:
            found.append(
                f"project.control: height {high.height!r} ({high.name}) is {high.height / low.height:.3f} times "
                f"{low.height!r} ({low.name}), {apart:.0f} m away, as feet are to metres; one unit for all would do"
            )
    return found
