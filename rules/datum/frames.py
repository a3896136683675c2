"""Reference frames: what a project's frame is, by PROJ's database. `rules.datum.shifts` has how frames differ."""

from __future__ import annotations

import functools
import math
from typing import Any, NamedTuple

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.calibration import Calibration
from witnesspost.rules.datum.national import Way
from witnesspost.rules.gnss import Ellipsoid
from witnesspost.rules.site.tables import shown


class FrameError(ValueError):
    """A frame cannot be used; the text says what was read and what was expected."""


class Place(NamedTuple):
    """Geocentric metres, with the latitude and longitude (degrees) that say which frames are in use there."""

    ecef: Ecef
    latitude: float
    longitude: float


class Frame(Struct, frozen=True, kw_only=True):
    """A project's frame: geographic (2D or 3D) or projected, with the ellipsoid that its heights refer to.

    `unit_m` is the length of one unit of a projected frame in metres, None for a geographic one. `code_3d` is the EPSG
    code of its geographic 3D form, None where EPSG has none. `area` is west, south, east, north in degrees (east may
    be less than west, across the antimeridian), None where unknown.

    Latitude and longitude are always in a frame of GNSS. Where the project's own datum is not one, `way` leads to
    it; a site's own grid has a `calibration`; ellipsoid, `code_3d` and `ensemble` are then that frame's (`gnss_name`).
    `accuracy_m` is what that may be out in plan, `height_accuracy_m` in height: 0 where the frame is GNSS's own.
    """

    name: str
    code: str
    semi_major_m: float
    inverse_flattening: float
    unit_m: float | None
    code_3d: int | None
    ensemble: str | None
    area: tuple[float, float, float, float] | None
    gnss_name: str = ""
    accuracy_m: float = 0.0
    height_accuracy_m: float = 0.0
    way: Way | None = None
    calibration: Calibration | None = None
    _geodetic_degrees: float = 1.0
    _greenwich_degrees: float = 0.0

    @property
    def projected(self) -> bool:
        """True if control is easting and northing."""
        return self.unit_m is not None

    @property
    def ellipsoid(self) -> Ellipsoid:
        """The ellipsoid that its heights refer to (the inverse flattening is 0 for a sphere)."""
        return Ellipsoid(self.semi_major_m, self.inverse_flattening)

    def geographic(self, easting: float, northing: float) -> tuple[float, float]:
        """Latitude and longitude (degrees from Greenwich) of grid coordinates in the frame's unit; inf outside it."""
        if self.calibration is not None:
            assert self.unit_m is not None
            return self.calibration.geographic(easting * self.unit_m, northing * self.unit_m)
        longitude, latitude = _to_geographic(self.code).transform(easting, northing)
        return self.from_own_datum(latitude, longitude)

    def grid(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Easting and northing in the frame's unit of latitude and longitude (degrees from Greenwich)."""
        if self.calibration is not None:
            assert self.unit_m is not None
            east_m, north_m = self.calibration.grid(latitude, longitude)
            return east_m / self.unit_m, north_m / self.unit_m
        if self.way is not None:
            latitude, longitude = self.way.back(latitude, longitude)
        else:
            latitude, longitude = self._in_own_unit(latitude, longitude - self._greenwich_degrees)
        east, north = _to_geographic(self.code).transform(longitude, latitude, direction="INVERSE")
        return float(east), float(north)

    def from_degrees(self, latitude: float, longitude: float) -> tuple[float, float]:
        """GNSS's latitude and longitude (degrees from Greenwich) of a point in degrees of the frame, from its own meridian."""
        return self.from_own_datum(*self._in_own_unit(latitude, longitude))

    def from_own_datum(self, latitude: float, longitude: float) -> tuple[float, float]:
        """The same, of a point in the frame's own angular unit."""
        if self.way is not None:
            return self.way.forward(latitude, longitude)
        return latitude * self._geodetic_degrees, longitude * self._geodetic_degrees + self._greenwich_degrees

    def on_own_datum(self, latitude: float, longitude: float) -> tuple[float, float] | None:
        """The place's angles on the project's old datum, degrees from Greenwich; None where the datum is GNSS's own."""
        if self.way is None:
            return None
        north, east = self.way.back(latitude, longitude)
        return north * self._geodetic_degrees, east * self._geodetic_degrees + self._greenwich_degrees

    def _in_own_unit(self, latitude: float, longitude: float) -> tuple[float, float]:
        return latitude / self._geodetic_degrees, longitude / self._geodetic_degrees

    def in_use_at(self, latitude: float, longitude: float, margin_degrees: float = 0.0) -> bool:
        """True if PROJ's database says that the frame is in use there (a bounding box, widened by the margin)."""
        if self.area is None:
            return True
        west, south, east, north = self.area
        width = (east - west) % 360.0 or 360.0
        offset = (longitude - west + margin_degrees) % 360.0
        return south - margin_degrees <= latitude <= north + margin_degrees and offset <= width + 2 * margin_degrees


@functools.lru_cache(maxsize=64)
def frame_of(code: str) -> Frame:
    """The frame of that EPSG code ("EPSG:6319"). Raises FrameError."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    remedy = "expected a geographic or projected frame such as EPSG:6319"
    try:
        crs = CRS.from_user_input(code)
    except CRSError:
        raise FrameError(f"read {shown(code)}, which PROJ does not know; {remedy}") from None
    if crs.is_compound:
        part = crs.sub_crs_list[0]
        raise FrameError(
            f"read {code!r} ({crs.name}), a compound; expected its horizontal part, {_code(part)}, with `vertical` and `geoid`"
        )
    if crs.is_geocentric or not (crs.is_geographic or crs.is_projected):
        raise FrameError(f"read {code!r} ({crs.name}), which is neither geographic nor projected; {remedy}")
    geodetic = crs.geodetic_crs
    if crs.ellipsoid is None or geodetic is None or geodetic.datum is None:
        raise FrameError(f"read {code!r} ({crs.name}), which has no ellipsoid; {remedy}")
    meridian = geodetic.prime_meridian
    box = crs.area_of_use
    return Frame(
        name=crs.name,
        code=code,
        gnss_name=geodetic.name,
        semi_major_m=crs.ellipsoid.semi_major_metre,
        inverse_flattening=crs.ellipsoid.inverse_flattening,
        unit_m=crs.axis_info[0].unit_conversion_factor if crs.is_projected else None,
        code_3d=geodetic.to_3d().to_epsg(),
        ensemble=geodetic.datum.name if geodetic.datum.type_name == "Datum Ensemble" else None,
        area=box.bounds if box else None,
        _geodetic_degrees=math.degrees(geodetic.axis_info[0].unit_conversion_factor),
        _greenwich_degrees=_meridian_degrees(meridian),
    )


@functools.lru_cache(maxsize=16)
def cartesian(semi_major_m: float, inverse_flattening: float) -> Any:
    """PROJ's conversion of longitude, latitude (degrees) and ellipsoidal height to geocentric metres (EPSG:9602)."""
    from pyproj import Transformer

    shape = f"+R={semi_major_m!r}" if inverse_flattening == 0 else f"+a={semi_major_m!r} +rf={inverse_flattening!r}"
    to_radians = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad"
    return Transformer.from_pipeline(f"{to_radians} +step +proj=cart {shape}")


@functools.lru_cache(maxsize=64)
def _to_geographic(code: str) -> Any:
    from pyproj import CRS, Transformer

    crs = CRS.from_user_input(code)
    return Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)


def _meridian_degrees(meridian: Any) -> float:
    return math.degrees(meridian.longitude * meridian.unit_conversion_factor) if meridian else 0.0


def _code(crs: Any) -> str:
    known = crs.to_epsg()
    return f"EPSG:{known}" if known else str(crs.name)
