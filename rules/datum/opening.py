"""How the project's frame is opened: a code of a frame of GNSS, an old datum by PROJ's grids, a site's own grid by its marks.

| project.frame | is read as |
|---|---|
| a frame that receivers and services give coordinates in | itself; of a 2D one its datum's 3D partner, for heights |
| WGS 84 (the ensemble, which is not one frame to a decimetre) | ITRF2014 at the project's epoch, which must be given then |
| NAD83 of 1986, in which no receiver gives coordinates | NAD83(2011), which is meant by it today (in Canada to centimetres) |
| an old national datum | the frame that PROJ's best operation at hand leads to, to that operation's accuracy (`national`) |
| "local" | `gnss_frame`, through a fit of the marks that are known in both (`calibration`) |
"""

from __future__ import annotations

import functools
import statistics
from pathlib import Path

from msgspec import structs
from witnesspost.rules.datum.calibration import CalibrationError, Mark, calibrate
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of
from witnesspost.rules.datum.geoid import open_geoid
from witnesspost.rules.datum.national import is_spoken_by_gnss, way_of
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.model import LOCAL, Control, Project, Site

WGS84_CODES = (4326, 4979)
_NAD83 = (4269,)
_ITRF2014, _NAD83_2011 = 7912, 6319
_ENOUGH = 25  # points whose middle is the place: more would hardly move it


def open_frame(site: Site) -> Frame:
    """The frame of the site's project. Raises FrameError, whose text is a problem of `project.frame`."""
    return _opened(_Key(site))


class _Key:
    """A site as a key for a cache: the same project, its files in the same places; whatever is set up there today."""

    def __init__(self, site: Site):
        self.site, self._project = site, site.project  # kept, so that no other project gets this one's id
        self._is = (id(site.project), site.path, tuple(site.moved.items()))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self._is == other._is

    def __hash__(self) -> int:
        return hash(self._is)


@functools.lru_cache(maxsize=8)
def _opened(key: _Key) -> Frame:
    project = key.site.project
    if project is None:
        raise FrameError("no [project]; expected one with its frame")
    if project.is_local:
        return _local(key.site, project)
    return _spoken(frame_of(project.frame), project.frame, project, key.site)


def _spoken(frame: Frame, code: str, project: Project, site: Site) -> Frame:
    """A frame in GNSS's terms."""
    from pyproj import CRS

    crs = CRS.from_user_input(code).geodetic_crs
    assert crs is not None, "a frame has a datum"
    own = crs.to_epsg()
    if own in WGS84_CODES:
        return structs.replace(frame, code_3d=_ITRF2014, ensemble=None, gnss_name="ITRF2014")
    if own in _NAD83:
        return structs.replace(frame, code_3d=_NAD83_2011, gnss_name=frame_of(f"EPSG:{_NAD83_2011}").name)
    if is_spoken_by_gnss(crs):
        return frame
    place = _place(frame, project)
    if place is None:  # no control, nothing to judge
        return frame
    way = way_of(crs.to_wkt() if own is None else f"EPSG:{own}", *place, _folders(site, project))
    if way is None:
        raise FrameError(f"read {code!r} ({frame.name}), which PROJ cannot transform to a frame of GNSS; expected such a frame")
    target = frame_of(f"EPSG:{way.to_code}")
    to_itrf = way.to_code in WGS84_CODES
    return structs.replace(
        frame,
        semi_major_m=target.semi_major_m,
        inverse_flattening=target.inverse_flattening,
        code_3d=_ITRF2014 if to_itrf else target.code_3d,
        ensemble=None if to_itrf else target.ensemble,
        gnss_name="ITRF2014" if to_itrf else target.name,
        accuracy_m=way.accuracy_m,
        way=way,
    )


def _local(site: Site, project: Project) -> Frame:
    if project.gnss_frame is None:
        raise FrameError('"local" without gnss_frame; expected the frame of the marks\' latitudes and longitudes')
    gnss = _spoken(frame_of(project.gnss_frame), project.gnss_frame, project, site)
    if gnss.projected:
        raise FrameError(
            f"gnss_frame {project.gnss_frame} ({gnss.name}) is projected; expected a geographic frame: EPSG:{gnss.code_3d}"
        )
    if gnss.way is not None:
        raise FrameError(
            f"gnss_frame {project.gnss_frame} ({gnss.name}) is not a frame of GNSS; expected one such as EPSG:6319"
        )
    unit_m = HEIGHT_UNIT_M[project.height_unit]
    geoid = open_geoid(site) if project.vertical == "geoid" else None
    marks = []
    for point in project.control:
        if point.latitude is None or point.longitude is None or point.ellipsoidal_height is None:
            continue
        if point.easting is None or point.northing is None:
            continue
        latitude, longitude = gnss.from_degrees(degrees(point.latitude), degrees(point.longitude))
        n = geoid.separation_m(latitude, longitude) if geoid else 0.0
        marks.append(
            Mark(
                point.name,
                point.easting * unit_m,
                point.northing * unit_m,
                point.height * unit_m + (n or 0.0),
                latitude,
                longitude,
                point.ellipsoidal_height,
            )
        )
    try:
        fit = calibrate(marks, gnss.ellipsoid)
    except CalibrationError as error:
        raise FrameError(f'read "local": {error}') from None
    return structs.replace(
        gnss,
        name="the site's own grid",
        code=LOCAL,
        unit_m=unit_m,
        accuracy_m=fit.horizontal_m,
        height_accuracy_m=fit.vertical_m,
        calibration=fit,
    )


def _place(frame: Frame, project: Project) -> tuple[float, float] | None:
    """About where the control lies: the middle of its first points, on the frame's own datum."""
    places = [place for point in project.control[:_ENOUGH] if (place := _about(frame, point)) is not None]
    places = [place for place in places if frame.in_use_at(*place, 1.0)] or places
    if not places:
        return None
    latitudes, longitudes = zip(*places, strict=True)
    return statistics.median_low(latitudes), statistics.median_low(longitudes)


def _about(frame: Frame, point: Control) -> tuple[float, float] | None:
    try:
        if point.latitude is not None and point.longitude is not None:
            place = frame.from_degrees(degrees(point.latitude), degrees(point.longitude))
        elif point.easting is not None and point.northing is not None and frame.projected:
            place = frame.geographic(point.easting, point.northing)
        else:
            return None
    except ValueError:
        return None
    return place if -90.0 <= place[0] <= 90.0 and -540.0 <= place[1] <= 540.0 else None


def _folders(site: Site, project: Project) -> tuple[str, ...]:
    own = [str(site.file(project.grids))] if project.grids else []
    # A log's grid that PROJ found on the post, and that lies elsewhere here.
    moved = [str(Path(here).parent) for name, here in site.moved.items() if Path(name).is_absolute() and here != name]
    return (*own, *moved)
