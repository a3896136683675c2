"""For `check`: what is wrong with a project's datum, before anything starts, and what a person should know about it."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator, Set
from typing import NamedTuple

from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of
from witnesspost.rules.datum.geodesy import position, to_ecef
from witnesspost.rules.datum.geoid import Geoid, GeoidError, open_geoid
from witnesspost.rules.datum.national import GNSS_FRAMES, around
from witnesspost.rules.datum.opening import WGS84_CODES, open_frame
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Control, Project, Site
from witnesspost.rules.site.tables import few, on_one_line, shown

FARTHEST_KM = 200.0  # common practice, no source: an RTK base's control lies within a day's drive
AREA_MARGIN_DEGREES = 1.0  # grids are used a little beyond the border they were made for
FOOT_RATIO = 1 / 0.3048
FOOT_RATIO_SLACK = 0.05
STEEPEST = 0.4  # height difference over distance: no two marks of one job stand on such a wall
ACCURATE_M = 0.1  # an old datum's way that is worse has its better grid named
RESIDUAL_M = 0.03  # of a site's own grid, past which a mark is named
SCALE_PPM = 1000.0  # off 1, past which a site's own grid is no plane of metres
EXCHANGED = 0.1  # of the residual that is left where easting and northing are exchanged
_MOST_PAIRS = 2_000_000  # of heights that are compared: no list of marks makes `check` endless

# The highest ground of a part of the world, metres; rounded up, from memory (common geography). The first box counts.
_HIGHEST_M = (
    ("Australia", -45.0, -11.0, 110.0, 155.0, 2230.0),
    ("the United States south of 49° N and its neighbours", 24.5, 49.0, -125.0, -66.0, 4430.0),
    ("Europe", 35.0, 72.0, -25.0, 38.0, 4810.0),
    ("the world", -90.0, 90.0, -180.0, 180.0, 8850.0),
)
_LOWEST_M = -500.0


class _Placed(NamedTuple):
    control: Control
    latitude: float
    longitude: float
    ecef: Ecef


def check_datum(site: Site, unread: Set[str] = frozenset()) -> list[str]:
    """The problems of the site file's datum, a line each: the key, what was read, what was expected. Loads PROJ.

    `unread` are keys that could not be read: nothing is said of what depends on them.
    """
    project = site.project
    if project is None or not project.control:
        return []
    problems: list[str] = []
    geoid = None
    if "project.geoid" not in unread:
        try:
            geoid = open_geoid(site)
        except GeoidError as error:
            problems.append(f"project.geoid: {error}")
    if project.grids is not None and not site.file(project.grids).is_dir():
        problems.append(f"project.grids: read {shown(project.grids)}, which is not a folder; expected a folder of PROJ grids")
    frame = None
    keys = {"project.frame", "project.gnss_frame"} | ({"project.vertical"} if project.is_local else set())
    without = project.is_local and (problems or project.gnss_frame is None)  # what is missing is said where the file is read
    if not keys & unread and not without:
        try:
            frame = open_frame(site)
        except FrameError as error:
            problems.append(f"project.frame: {error}")
    if frame is None:
        return problems
    problems += _frame_problems(project, frame, unread)
    placed: list[_Placed] = []
    problems += few(_control_problems(site, frame, geoid, unread, placed))
    problems += few(_far_problems(site, placed))
    if "project.height_unit" not in unread:
        problems += few(_mixed_heights(project, placed), 5)
    return problems


def datum_notes(site: Site) -> list[str]:
    """What is not a mistake, but should be known about the datum before a day's work: sentences. The site has no problems."""
    project = site.project
    if project is None or not project.control:
        return []
    frame = open_frame(site)
    if frame.calibration is not None:
        return [*_fit_notes(frame), *_reading_notes(frame, str(project.gnss_frame), project, site)]
    return _reading_notes(frame, project.frame, project, site)


def _reading_notes(frame: Frame, code: str, project: Project, site: Site) -> list[str]:
    """Says that a frame is read as another one."""
    if frame.way is not None:
        way = frame.way
        grids = f" with {' and '.join(grid.rpartition('/')[2] for grid in way.grids)}" if way.grids else ""
        notes = [
            f"{frame.code} ({frame.name}) is not a datum of GNSS: judged in {frame.gnss_name} by PROJ's “{way.name}”"
            f"{grids}, to {way.accuracy_m:g} m. Differences within that raise nothing."
        ]
        if way.accuracy_m > ACCURATE_M and way.better and way.better_accuracy_m is not None:
            several = " and ".join(way.better)
            where = f"the folder {project.grids}" if project.grids else 'a folder named by grids = "…" under [project]'
            notes.append(f"{several} in {where} would make it {way.better_accuracy_m:g} m.")
        return notes
    own = frame_of(code)
    if own.code_3d == frame.code_3d and own.ensemble == frame.ensemble:
        return []
    moment = f" at {project.epoch:g}" if project.epoch is not None and own.ensemble else ""
    likelier = _likelier(own, position(frame, project.control[0])) if own.ensemble else []
    meant = f" More likely meant here: {', '.join(likelier)}." if likelier else ""
    instead = "" if own.ensemble or frame.code_3d is None else f" To be sure, give EPSG:{frame.code_3d} or a grid on it."
    return [f"{code} ({own.name}) is read as {frame.gnss_name}{moment}.{meant}{instead}"]


def _fit_notes(frame: Frame) -> list[str]:
    fit = frame.calibration
    assert fit is not None
    if fit.exchanged_m < EXCHANGED * fit.horizontal_m and fit.horizontal_m > 1.0:
        return [f"With easting and northing exchanged the marks would fit to {fit.exchanged_m:.3f} m: check their order."]
    ppm = 1e6 * (fit.scale - 1.0)
    if abs(ppm) > SCALE_PPM:
        unit_m = frame.unit_m or 1.0
        unit = [name for name in ("m", "ft") if abs(fit.scale * HEIGHT_UNIT_M[name] / unit_m - 1.0) < 1e-3]
        hint = f'height_unit = "{unit[0]}" would be right if that is the grid\'s unit.' if unit else "Check the grid's unit."
        return [f"The scale of the site's own grid is off 1 by {ppm:+,.0f} ppm, over 1,000. {hint}"]
    return list(
        few(
            f"{on_one_line(left.name)} fits the site's own grid to {left.horizontal_m:.3f} m in plan and {abs(left.up_m):.3f} m"
            " in height: over 3 cm. Check its numbers, or the mark."
            for left in fit.residuals
            if left.horizontal_m > RESIDUAL_M or abs(left.up_m) > RESIDUAL_M
        )
    )


def _likelier(frame: Frame, place: tuple[float, float]) -> list[str]:
    """The regional frames in use there, in the same projection where EPSG has it: "ETRS89 / UTM zone 33N (EPSG:25833)"."""
    from pyproj.aoi import AreaOfInterest
    from pyproj.database import query_crs_info
    from pyproj.enums import PJType

    zone = frame.name.partition(" / ")[2]
    here = [one for code in GNSS_FRAMES if (one := frame_of(f"EPSG:{code}")).in_use_at(*place)]
    if not zone:
        return [f"{one.name} (EPSG:{one.code_3d})" for one in here]
    area = AreaOfInterest(*around(*place))
    listed = query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS], area_of_interest=area, contains=True)
    codes = {info.name: info.code for info in listed}
    names = [f"{one.name} / {zone}" for one in here]
    return [f"{name} (EPSG:{codes[name]})" for name in names if name in codes] or [
        f"{one.name} (EPSG:{one.code_3d})" for one in here
    ]


def _frame_problems(project: Project, frame: Frame, unread: Set[str]) -> Iterator[str]:
    code = project.gnss_frame if project.is_local else project.frame
    ensemble = code is not None and frame.way is None and frame_of(code).code_3d in WGS84_CODES
    if ensemble and project.epoch is None and "project.epoch" not in unread:
        likelier = _likelier(frame_of(str(code)), position(frame, project.control[0]))
        instead = f"; or the regional frame that is meant: {', '.join(likelier)}" if likelier else ""
        yield (
            f"project.epoch: missing; {code} (WGS 84) is read as ITRF2014, in which the ground moves; expected the epoch of the"
            f" control's coordinates, such as 2025.0{instead}"
        )
    in_feet = frame.unit_m is not None and abs(frame.unit_m / 0.3048 - 1.0) < 1e-3 and not project.is_local
    if in_feet and project.height_unit == "m" and "project.height_unit" not in unread:
        foot = "ft" if frame.unit_m == 0.3048 else "us-ft"
        yield (
            f'project.height_unit: read "m" while {project.frame} counts in feet; expected height_unit = "{foot}" '
            "(with the heights in feet too)"
        )


def _control_problems(site: Site, frame: Frame, geoid: Geoid | None, unread: Set[str], placed: list[_Placed]) -> Iterator[str]:
    """The problems of each point by itself; points that have a position go into `placed`."""
    project = site.project
    assert project is not None
    for control in project.control:
        where = f"{control.where} ({on_one_line(control.name)})"
        if not _is_whole(control, project.is_local) or any(f"{control.where}.{key}" in unread for key in _COORDINATES):
            continue  # reported by `contradictions`, or by the reader
        try:
            found = list(_place_problems(where, control, frame))
        except ValueError:  # not an angle: also reported there
            continue
        yield from found
        if not found:
            latitude, longitude = position(frame, control)
            placed.append(_Placed(control, latitude, longitude, to_ecef(latitude, longitude, 0.0, frame.ellipsoid)))
            if not project.is_local and "project.height_unit" not in unread:
                yield from _height_problems(f"{where}.height", project, control, (latitude, longitude))
            yield from _cover_problems(where, project, geoid, (latitude, longitude))


_COORDINATES = ("latitude", "longitude", "easting", "northing", "height")


def _is_whole(control: Control, local: bool) -> bool:
    """True if the point has coordinates of one kind, and not of both; on a site's own grid the site's."""
    angles = (control.latitude is not None, control.longitude is not None)
    lengths = (control.easting is not None, control.northing is not None)
    return all(lengths) if local else sorted((angles, lengths)) == [(False, False), (True, True)]


def _place_problems(where: str, control: Control, frame: Frame) -> Iterator[str]:
    """Coordinates of the wrong kind for the frame, or outside the area where it is in use."""
    if frame.projected and control.easting is None:
        yield f"{where}: latitude and longitude in {frame.code}, a projected frame; expected easting and northing"
        return
    if not frame.projected and control.latitude is None:
        yield f"{where}: easting and northing in {frame.code}, a geographic frame; expected latitude and longitude"
        return
    latitude, longitude = position(frame, control)
    if math.isfinite(latitude + longitude) and frame.in_use_at(latitude, longitude, AREA_MARGIN_DEGREES):
        return
    if frame.projected:
        read = f"easting {control.easting}, northing {control.northing}"
        if math.isfinite(latitude + longitude):
            read += f" ({latitude:.4f}, {longitude:.4f})"
    else:
        read = f"latitude {control.latitude}, longitude {control.longitude}"
    remedy = "order, unit and zone" if frame.projected else "order and signs (west and south are negative)"
    name = frame.gnss_name if frame.calibration is not None else f"{frame.code} ({frame.name})"
    yield f"{where}: read {read}, outside where {name} is in use; check their {remedy}"


def _height_problems(where: str, project: Project, control: Control, place: tuple[float, float]) -> Iterator[str]:
    """A height that no ground there has, with the unit in which it would be possible."""
    unit = project.height_unit
    height = control.height * HEIGHT_UNIT_M[unit]
    latitude, longitude = place
    part, *_, highest = next(
        box for box in _HIGHEST_M if box[1] <= latitude <= box[2] and box[3] <= (longitude + 180) % 360 - 180 <= box[4]
    )
    if _LOWEST_M <= height <= highest + 150.0:
        return
    bound = f"over {highest:.0f} m, the highest ground of {part}" if height > highest else f"under {_LOWEST_M:.0f} m"
    fits = [u for u, metres in HEIGHT_UNIT_M.items() if u != unit and _LOWEST_M <= control.height * metres <= highest]
    units = " or ".join(f'"{fit}"' for fit in fits)
    remedy = f"expected height_unit = {units}, if it is in that unit" if fits else "check its unit and its digits"
    yield f"{where}: read {control.height!r} {unit}, {bound}; {remedy}"


def _cover_problems(where: str, project: Project, geoid: Geoid | None, place: tuple[float, float]) -> Iterator[str]:
    if geoid is not None and project.vertical == "geoid" and geoid.separation_m(*place) is None:
        yield (
            f"project.geoid: read {project.geoid!r}, which does not cover {where} ({place[0]:.4f}, {place[1]:.4f}) or is "
            'damaged there; expected a whole grid of the place, or "bundled"'
        )


def _far_problems(site: Site, placed: list[_Placed]) -> Iterator[str]:
    """Control far from the base (or, where the site names no base, from the middle of the list)."""
    if not placed:
        return
    base = next((point for point in placed if point.control.name == site.base.occupies), None)
    if base is not None:
        origin, what = base.ecef, f"the base's point {on_one_line(base.control.name)}"
    else:
        origin = Ecef(*(statistics.median(axis) for axis in zip(*(point.ecef for point in placed), strict=True)))
        what = "the middle of the list"
    for point in placed:
        apart_km = math.dist(origin, point.ecef) / 1000
        if apart_km > FARTHEST_KM:
            yield (
                f"{point.control.where} ({on_one_line(point.control.name)}): {apart_km:.0f} km from {what}; "
                f"expected a point within {FARTHEST_KM:.0f} km: check its digits, or leave it out"
            )


def _mixed_heights(project: Project, placed: Iterable[_Placed]) -> Iterator[str]:
    """Two neighbouring points whose heights differ by the factor of feet to metres: not in one unit.

    Such a pair lies within a distance that grows with the lower height. So heights are put into classes, each a little wider
    than the one before, and those of two classes are compared only in neighbouring cells of that distance: the work grows
    as the list does, and ends at `_MOST_PAIRS` in a list made to stop it.
    """
    unit_m = HEIGHT_UNIT_M[project.height_unit]
    step = math.log(1.0 + FOOT_RATIO_SLACK)
    classes: dict[int, list[_Placed]] = defaultdict(list)
    for point in placed:
        if point.control.height > 0:
            classes[math.floor(math.log(point.control.height) / step)].append(point)
    apart = math.floor(math.log(FOOT_RATIO) / step)
    compared = 0
    for number, lows in classes.items():
        highs = [high for beside in range(apart - 1, apart + 4) for high in classes.get(number + beside, ())]
        if not highs:
            continue
        reach_m = (FOOT_RATIO * (1.0 + FOOT_RATIO_SLACK) - 1.0) * math.exp((number + 1) * step) * unit_m / STEEPEST
        cells: dict[tuple[int, ...], list[_Placed]] = defaultdict(list)
        for high in highs:
            cells[_cell(high.ecef, reach_m)].append(high)
        for low in lows:
            for high in _beside(cells, _cell(low.ecef, reach_m)):
                compared += 1
                if compared > _MOST_PAIRS:
                    return
                if _is_cliff(low, high, unit_m):
                    yield _cliff(low, high)
                    break


def _cell(ecef: Ecef, size_m: float) -> tuple[int, ...]:
    return tuple(math.floor(axis / size_m) for axis in ecef)


def _beside(cells: dict[tuple[int, ...], list[_Placed]], cell: tuple[int, ...]) -> Iterator[_Placed]:
    for dx, dy, dz in _NEIGHBOURS:
        yield from cells.get((cell[0] + dx, cell[1] + dy, cell[2] + dz), ())


_NEIGHBOURS = [(x, y, z) for x in (0, -1, 1) for y in (0, -1, 1) for z in (0, -1, 1)]


def _is_cliff(low: _Placed, high: _Placed, unit_m: float) -> bool:
    ratio = high.control.height / low.control.height / FOOT_RATIO
    rise_m = (high.control.height - low.control.height) * unit_m
    return abs(ratio - 1.0) < FOOT_RATIO_SLACK and rise_m > STEEPEST * math.dist(low.ecef, high.ecef)


def _cliff(low: _Placed, high: _Placed) -> str:
    one, two = high.control, low.control
    return (
        f"project.control: height {one.height!r} ({on_one_line(one.name)}) is {one.height / two.height:.3f} times "
        f"{two.height!r} ({on_one_line(two.name)}), {math.dist(low.ecef, high.ecef):.0f} m away, as feet are to metres; "
        "expected one unit for all"
    )
