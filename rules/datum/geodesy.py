"""Where the base's antenna reference point (ARP) should be, from the site file's control point and antenna height.

    control point ──frame──► latitude, longitude ──┐
    height ──unit──► metres ──geoid──► ellipsoidal ─┴─► mark ──antenna height, along the normal──► ARP ──► ECEF

Ellipsoid, projection and grids are PROJ's, loaded with the first coordinate that needs judging. Numbers stay in the
project's frame at its epoch: a base that does what the project asks broadcasts exactly these.
"""

from __future__ import annotations

import functools
import math
from typing import Any

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef, Enu, Geodetic
from witnesspost.rules.datum.frames import Frame, FrameError, Place, cartesian
from witnesspost.rules.datum.geoid import GeoidError, open_geoid
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.gnss import GRS80, HEIGHT_UNIT_M, Ellipsoid
from witnesspost.rules.site.angles import degrees
from witnesspost.rules.site.model import Control, Site


class DatumError(ValueError):
    """No coordinate can be had in the project's datum; the text is a problem as `check_datum` words it."""


class ExpectedArp(Struct, frozen=True, kw_only=True):
    """A control point, raised by an antenna height, in the project's frame at its epoch (`gnss_name`: as GNSS has it).

    Geocentric metres; degrees from Greenwich; heights in metres. `mark_height_m` is the mark's ellipsoidal height,
    `height_unit_m` what the site file's height counts in, `grid` the easting and northing as typed (None: geographic).
    `above_geoid` says whether the site file's height is above the geoid; where it is not and the geoid does not cover the
    place, `separation_m` is None. `geoid_error_m` is the geoid's stated error at the place, `height_error_m` the part
    of it in the height, with the frame's own error in height; `plan_error_m` is the frame's error in plan, by the
    stated accuracy of the way from an old datum or the fit of a site's own grid. On a site's own grid `separation_m` is
    what the fitted plane (and the geoid, where the site file names what its heights are above) adds to a height.
    """

    point: str
    x_m: float
    y_m: float
    z_m: float
    latitude: float
    longitude: float
    ellipsoidal_height_m: float
    mark_height_m: float
    antenna_height_m: float
    separation_m: float | None
    frame: str
    frame_name: str
    gnss_name: str
    epoch: float | None
    geoid: str
    geoid_error_m: float
    height_error_m: float
    plan_error_m: float
    above_geoid: bool
    height_unit_m: float
    grid: tuple[float, float] | None

    @property
    def ecef(self) -> Ecef:
        """The point, geocentric."""
        return Ecef(self.x_m, self.y_m, self.z_m)

    @property
    def place(self) -> Place:
        """The point as `shifts` takes it."""
        return Place(self.ecef, self.latitude, self.longitude)


def expected_arp(site: Site) -> ExpectedArp | None:
    """The ARP that the project's base should broadcast; None where the site file names no point that it occupies.

    Raises DatumError where `check_datum` would find a problem that leaves no coordinate.
    """
    if site.project is None or site.base.occupies is None:
        return None
    return point_at(site, site.base.occupies, site.base.antenna_height_m)


def point_at(site: Site, name: str, antenna_height_m: float = 0.0) -> ExpectedArp:
    """A listed control point, raised by an antenna or pole height. Raises DatumError."""
    control = site.control_point(name)
    if site.project is None or control is None:
        raise DatumError(f"{name}: no such control point in the site file")
    project = site.project
    try:
        frame, geoid = open_frame(site), open_geoid(site)
    except FrameError as error:
        raise DatumError(f"project.frame: {error}") from None
    except GeoidError as error:
        raise DatumError(f"project.geoid: {error}") from None
    latitude, longitude = position(frame, control)
    if not math.isfinite(latitude + longitude):
        raise DatumError(
            f"{name}: easting {control.easting} and northing {control.northing} lie outside {project.frame} "
            f"({frame.name}); expected its own grid coordinates"
        )
    above_geoid = project.vertical == "geoid"
    separation = geoid.separation_m(latitude, longitude)
    if separation is None and above_geoid:
        raise DatumError(
            f"project.geoid: read {project.geoid!r}, which does not cover {name} ({latitude:.4f}, {longitude:.4f}); "
            'expected a grid that does, or "bundled"'
        )
    error_m = geoid.error_m(latitude, longitude)
    height_error_m = frame.height_accuracy_m + (error_m if above_geoid else 0.0)
    if frame.calibration is not None:
        separation = (separation or 0.0 if above_geoid else 0.0) + frame.calibration.separation_m(latitude, longitude)
        above_geoid = True
    height = control.height * HEIGHT_UNIT_M[project.height_unit]
    mark = height + (separation or 0.0) if above_geoid else height
    x, y, z = to_ecef(latitude, longitude, mark + antenna_height_m, frame.ellipsoid)
    grid = (control.easting, control.northing) if control.easting is not None and control.northing is not None else None
    return ExpectedArp(
        point=name,
        x_m=x,
        y_m=y,
        z_m=z,
        latitude=latitude,
        longitude=longitude,
        ellipsoidal_height_m=mark + antenna_height_m,
        mark_height_m=mark,
        antenna_height_m=antenna_height_m,
        separation_m=separation,
        frame=project.frame,
        frame_name=frame.name,
        gnss_name=frame.gnss_name,
        epoch=project.epoch,
        geoid=geoid.name,
        geoid_error_m=error_m,
        height_error_m=height_error_m,
        plan_error_m=frame.accuracy_m,
        above_geoid=above_geoid,
        height_unit_m=HEIGHT_UNIT_M[project.height_unit],
        grid=grid,
    )


def position(frame: Frame, control: Control) -> tuple[float, float]:
    """A control point's latitude and longitude in degrees from Greenwich; inf outside its grid."""
    if control.latitude is not None and control.longitude is not None:
        return frame.from_degrees(degrees(control.latitude), degrees(control.longitude))
    return frame.geographic(control.easting or 0.0, control.northing or 0.0)


def to_ecef(latitude: float, longitude: float, height_m: float, ellipsoid: Ellipsoid = GRS80) -> Ecef:
    """Geocentric metres from degrees and ellipsoidal height (EPSG:9602)."""
    x, y, z = cartesian(*ellipsoid).transform(longitude, latitude, height_m)
    return Ecef(float(x), float(y), float(z))


def to_geodetic(ecef: Ecef, ellipsoid: Ellipsoid = GRS80) -> Geodetic:
    """Latitude, longitude (degrees) and ellipsoidal height of geocentric metres: the inverse of `to_ecef`."""
    longitude, latitude, height = cartesian(*ellipsoid).transform(*ecef, direction="INVERSE")
    return Geodetic(float(latitude), float(longitude), float(height))


def enu(origin: Ecef, point: Ecef, ellipsoid: Ellipsoid = GRS80) -> Enu:
    """East, north and up in metres from `origin` to `point`, both geocentric (EPSG:9836); any point, even the geocentre."""
    east, north, up = _topocentric(origin, ellipsoid).transform(*point)
    return Enu(float(east), float(north), float(up))


def from_enu(origin: Ecef, offset: Enu, ellipsoid: Ellipsoid = GRS80) -> Ecef:
    """The geocentric point that lies `offset` (east, north, up) from `origin`: the inverse of `enu`."""
    x, y, z = _topocentric(origin, ellipsoid).transform(*offset, direction="INVERSE")
    return Ecef(float(x), float(y), float(z))


@functools.lru_cache(maxsize=64)
def _topocentric(origin: Ecef, ellipsoid: Ellipsoid) -> Any:
    from pyproj import Transformer

    x, y, z = origin
    return Transformer.from_pipeline(
        f"+proj=topocentric +X_0={x!r} +Y_0={y!r} +Z_0={z!r} +a={ellipsoid.a_m!r} +rf={ellipsoid.inverse_flattening!r}"
    )
